"""Encoders at the limits of published data sheets, and the closed forms of duty, phase and their uncertainty.

Data sheets of two incremental encoder modules, makers left out. The first allows an output to be high or low for 108 to
252 electrical degrees (190 typical), which is a duty of 30 to 70 %, and B to come 45 to 135 after A (90 typical). The
second allows 50 degrees of pulse-width error (half-cycle less 180; 7 typical), 50 of state-width error (state less 90;
5 typical), 15 of phase error (2 typical) and 7.5 of cycle error (cycle less 360; 3 typical). Encoders are drawn exactly
at those limits and must be measured there, and judged inside or outside as the limit says.
"""

import math

import numpy as np
import pytest

from hil.judge.decision import decide
from hil.judge.tolerance import Tolerance
from hil.judge.verdict import Rule
from hil.measure.evidence import Drive, Evidence, Samples
from hil.measure.method import Parameters
from hil.measure.methods import METHODS
from hil.measure.model import CellPose, Course, Heading
from hil.outcomes import Outcome

START = CellPose(x=0, y=0, heading=Heading.NORTH)
HZ = 300.0
COURSE = Course(
    name="bench", pitch_mm=180, wall_mm=12, columns=1, rows=1, walls=frozenset(), posts=frozenset(), surface="white",
    start=START,
)  # fmt: skip


@pytest.fixture
def encoder(bare_robot):
    """Return a function that measures `encoder.NAME` on edges drawn in electrical degrees from A's rise."""

    def measure(name, a_falls, b_rises, b_falls, cycles=400, slip_deg=0.2, **words):
        within = np.array([0.0, a_falls, b_rises, b_falls]) / 360
        outputs = np.array([(0, 1), (0, 0), (1, 1), (1, 0)])  # which output (0 A, 1 B) each of them sets to what
        at = np.add.outer(np.arange(cycles), within).ravel()
        order = np.argsort(at)
        levels, state = [], [0, 1 if b_falls % 360 < b_rises % 360 else 0]
        for which in np.tile(np.arange(4), cycles)[order]:
            state[outputs[which][0]] = int(outputs[which][1])
            levels.append(state[0] + 2 * state[1])
        slips = np.random.default_rng(1).normal(0, slip_deg / 360, at.size)
        time = np.rint((at[order] + slips) / HZ * 1e6) / 1e6
        rows = Samples(host_s=time, values={"time": time, "encoder.left.edge": np.array(levels, dtype=float)})
        drive = Drive(
            name="spin", case="c", repeat=0, path=(), front="counts", speed_mm_s=0.0, start=START,
            samples={"edges": rows}, events=(),
        )  # fmt: skip
        evidence = Evidence(robot=bare_robot, course=COURSE, drives=(drive,))
        return METHODS[f"encoder.{name}"].run(evidence, Parameters(of=("spin",), words=words))

    return measure


def between(low, high, unit):
    return Tolerance(lower=low, upper=high, nominal=(low + high) / 2, unit=unit, text=f"{low}..{high} {unit}")


def pulse(high_deg, phase_deg=90.0):
    """Return where A falls, B rises and B falls, both outputs being high for `high_deg`."""
    return high_deg, phase_deg, phase_deg + high_deg


@pytest.mark.parametrize(
    ("high_deg", "percent"), [(108, 30.0), (190, 52.8), (252, 70.0)], ids=["least", "typical", "most"]
)
def test_high_times_of_the_data_sheet_are_duties_of_30_to_70_percent(encoder, high_deg, percent):
    found = encoder("duty", *pulse(high_deg))
    assert found.value == pytest.approx(percent, abs=max(0.05, 4 * found.u))
    assert encoder("duty", *pulse(high_deg), output="b").value == pytest.approx(percent, abs=0.05)


@pytest.mark.parametrize("phase_deg", [45.0, 90.0, 135.0])
def test_phases_of_the_data_sheet_are_measured_as_they_are(encoder, phase_deg):
    assert encoder("phase", *pulse(180, phase_deg)).value == pytest.approx(phase_deg, abs=0.1)


@pytest.mark.parametrize(
    ("high_deg", "outcome"),
    [(105, Outcome.FAILED), (112, Outcome.PASSED), (190, Outcome.PASSED), (248, Outcome.PASSED), (255, Outcome.FAILED)],
)
def test_an_encoder_beyond_the_limits_of_its_data_sheet_is_failed(encoder, high_deg, outcome):
    assert decide(encoder("duty", *pulse(high_deg)), between(30, 70, "%"), Rule.GUARDED).outcome is outcome


@pytest.mark.parametrize(
    ("phase_deg", "outcome"), [(43, Outcome.FAILED), (47, Outcome.PASSED), (133, Outcome.PASSED), (137, Outcome.FAILED)]
)
def test_a_phase_beyond_the_limits_of_its_data_sheet_is_failed(encoder, phase_deg, outcome):
    assert decide(encoder("phase", *pulse(180, phase_deg)), between(45, 135, "deg"), Rule.GUARDED).outcome is outcome


@pytest.mark.parametrize("error_deg", [7.0, 50.0, -50.0])
def test_a_pulse_width_error_is_a_half_cycle_less_180(encoder, error_deg):
    # The note tells high and low in electrical degrees; pulse-width error is high less 180.
    found = encoder("duty", *pulse(180 + error_deg))
    assert 3.6 * found.value - 180 == pytest.approx(error_deg, abs=0.2)
    shown = float(found.notes[0].removeprefix("High for ").split()[0])
    assert shown == pytest.approx(180 + error_deg, abs=0.2)


@pytest.mark.parametrize("error_deg", [5.0, 50.0, -50.0])
def test_the_worst_state_width_error_of_the_data_sheet_is_found(encoder, error_deg):
    # B rises late by the error and falls in time: state 1 has it, state 2 lacks it.
    found = encoder("state_width", 180, 90 + error_deg, 270)
    assert abs(found.value - 90) == pytest.approx(abs(error_deg), abs=0.2)
    first = encoder("state_width", 180, 90 + error_deg, 270, which="1")
    assert first.value - 90 == pytest.approx(error_deg, abs=0.2)
    third = encoder("state_width", 180, 90 + error_deg, 270, which="3")
    assert third.value == pytest.approx(90, abs=0.2)


def test_a_cycle_error_shows_as_jitter_of_twice_its_share(encoder):
    # Edges that slip by e make cycles err by sqrt 2 e of 360, and half-cycles by as much of 180.
    slip = 7.5 / math.sqrt(2)
    found = encoder("jitter", *pulse(180), cycles=2000, slip_deg=slip)
    assert found.value == pytest.approx(100 * 2 * 7.5 / 360, rel=0.04)


@pytest.mark.parametrize(("duty", "slow", "fast"), [(0.60, -17, 25), (0.70, -29, 67)], ids=["60 %", "70 %"])
def test_the_speed_counted_by_both_edges_alternates_as_the_closed_form_says(encoder, duty, slow, fast):
    # 0.5/d and 0.5/(1 - d) of the speed in turn.
    found = encoder("ripple", *pulse(360 * duty))
    assert found.value == pytest.approx(fast, abs=0.6)
    assert f"{round(100 * (0.5 / duty - 1))}" == f"{slow}"
    shown = [float(word) for word in found.notes[0].replace("%", "").split() if word[0] in "+-"]
    assert shown == pytest.approx([slow, fast], abs=0.6)


@pytest.mark.parametrize("phase_deg", [60.0, 120.0])
def test_states_are_phi_and_180_less_phi_and_x4_counts_err_by_the_closed_form(encoder, phase_deg):
    found = [encoder("state_width", *pulse(180, phase_deg), which=which).value for which in "1234"]
    assert found == pytest.approx([phase_deg, 180 - phase_deg] * 2, abs=0.2)
    # (phi - 90)/360 of a cycle: a twelfth, 8.3 %, at 120 degrees.
    note = encoder("phase", *pulse(180, phase_deg)).notes[0]
    assert f"{100 * (phase_deg - 90) / 360:+.1f} %" in note


def test_five_percent_of_jitter_and_a_hundred_cycles_tell_duty_to_a_quarter_percent(encoder):
    # sd(duty) = s/(2 sqrt n) for independent slips; s = 2 sqrt 2 times the slip in cycles.
    found = encoder("duty", *pulse(180), cycles=101, slip_deg=360 * 0.05 / math.sqrt(8))
    assert found.n == 100
    assert found.u == pytest.approx(0.25, rel=0.2)
