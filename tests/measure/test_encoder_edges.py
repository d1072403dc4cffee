"""Encoders by their edges, drawn from closed forms: duty, phase, states, and edges that are missing or too many."""

import math

import numpy as np
import pytest

from hil.measure.encoder_edges import chain_of, whole_cycles
from hil.measure.evidence import HostTime
from hil.measure.values import CannotMeasureError

from .encoder_waves import ON_THE_MOTOR, edge_segment, edges, measured, rippled, segment


def chain(time, values, outputs=2):
    return chain_of(segment(), "left", np.asarray(time), np.asarray(values), outputs)


@pytest.mark.parametrize("backward", [False, True])
@pytest.mark.parametrize(("duty", "outputs"), [(0.5, 2), (0.6, 2), (0.3, 1), (0.7, 1)])
def test_duty_is_high_time_over_period_whichever_way_it_turns(duty, outputs, backward):
    spin = edge_segment(duty=duty, outputs=outputs, backward=backward)
    for output in "ab"[:outputs]:
        found = measured("duty", spin, encoder=None, output=output)
        assert found.unit == "%"
        assert found.value == pytest.approx(100 * duty, abs=4 * found.u)
        assert found.u < 0.05


def test_a_slow_drift_of_speed_leaves_duty_alone():
    # Slowed down to half its speed on the way: high and low times by themselves would be anything.
    slowing = edge_segment(duty=0.6, jitter=0.0, time_of=rippled(0.0, 90, 100, slowing=1 / 400))
    found = measured("duty", slowing)
    # In a cycle that lengthens evenly by 1 in 200 the later half has 0.24 * 1/200 too much.
    assert found.value == pytest.approx(60.0, abs=0.1)


def test_a_duty_of_sixty_percent_makes_speed_ripple_as_the_closed_form_says():
    # Half-cycles of d and 1 - d show 0.5/d and 0.5/(1 - d) of the speed: -17 % and +25 %, for 70 % -29 % and +67 %.
    for duty, slow, fast in ((0.6, "-16.7", 25.0), (0.7, "-28.6", 66.7), (0.4, "-16.7", 25.0)):
        found = measured("ripple", edge_segment(duty=duty, outputs=1, jitter=0.001), encoder=ON_THE_MOTOR)
        assert found.value == pytest.approx(fast, abs=max(0.05, 4 * found.u))
        assert abs(float(found.notes[0].split(" shows ")[1].split(" %")[0]) - float(slow)) < 0.2


@pytest.mark.parametrize("backward", [False, True])
@pytest.mark.parametrize("phase_deg", [45.0, 90.0, 120.0, 135.0])
def test_phase_is_the_delay_from_a_to_b_and_states_are_phi_and_180_less_phi(phase_deg, backward):
    spin = edge_segment(phase_deg=phase_deg, backward=backward)
    found = measured("phase", spin)
    assert found.value == pytest.approx(phase_deg, abs=4 * found.u)
    # x4 counting errs by (phi - 90)/360 of a cycle.
    assert f"{100 * (found.value - 90) / 360:+.1f} % of a cycle" in found.notes[0]
    assert ("backward" if backward else "forward") in found.notes[1]
    for which, width in zip("1234", [phase_deg, 180 - phase_deg] * 2, strict=True):
        one = measured("state_width", spin, which=which)
        assert one.value == pytest.approx(width, abs=4 * one.u)
    assert measured("duty", spin).value == pytest.approx(50, abs=0.1)


def test_the_worst_state_is_the_one_furthest_from_ninety_degrees():
    # Duty 60 % makes the states 90, 126, 90, 54 (phase 90); with phase 100: 100, 116, 100, 44.
    assert measured("state_width", edge_segment(duty=0.6, phase_deg=100)).value == pytest.approx(44, abs=0.5)
    found = measured("state_width", edge_segment(duty=0.62, phase_deg=80))
    assert found.value == pytest.approx(143.2, abs=0.5)
    assert "State 2 of four" in found.notes[0]


def test_the_uncertainty_of_duty_is_that_of_edges_that_slip():
    # Jitter s of half-cycles is 2 sqrt 2 times an edge's own slip in cycles; sd(duty) = s / (2 sqrt n): 0.25 % for
    # 5 % and 100 cycles.
    runs = [
        measured("duty", edge_segment(cycles=101, jitter=0.05 / math.sqrt(8), seed=seed), encoder=None)
        for seed in range(40)
    ]
    assert np.std([run.value for run in runs]) == pytest.approx(0.25, rel=0.25)
    assert np.median([run.u for run in runs]) == pytest.approx(0.25, rel=0.15)
    assert sum(abs(run.value - 50) < 2 * run.u for run in runs) >= 36


def test_a_clock_too_coarse_to_show_scatter_counts_whole():
    time, values = edges(hz=50, jitter=0)
    coarse = segment(time=np.rint(time / 0.005) * 0.005, values=values)
    found = measured("duty", coarse)
    # Two edges rounded to 5 ms, in a period of 20 ms: sqrt(2/12) / 4 of a cycle.
    assert found.u >= 100 * math.sqrt(2 / 12) / 4 * 0.99


@pytest.mark.parametrize(("duty", "phase_deg", "outputs"), [(0.5, 90, 2), (0.7, 90, 2), (0.6, 120, 2), (0.7, 90, 1)])
def test_a_clean_encoder_has_no_wrong_edge_however_unequal_its_halves(duty, phase_deg, outputs):
    spin = edge_segment(cycles=500, duty=duty, phase_deg=phase_deg, outputs=outputs, jitter=0.01)
    for name in ("missing", "extra") + (("illegal",) if outputs == 2 else ()):
        found = measured(name, spin, encoder=None)
        assert (found.value, found.is_count) == (0, True)
        assert found.n == 1000 * outputs - 1


@pytest.mark.parametrize(("duty", "outputs", "jitter"), [(0.6, 2, 0.03), (0.88, 1, 0.02)])
def test_a_narrow_state_whose_edges_slip_is_no_extra_edge(duty, outputs, jitter):
    # States of 54 and 43 deg, that slips often make less than half as long.
    spin = edge_segment(cycles=500, duty=duty, outputs=outputs, jitter=jitter)
    assert measured("extra", spin, encoder=None).value == 0
    assert measured("missing", spin, encoder=None).value == 0


@pytest.mark.parametrize(("duty", "outputs"), [(0.5, 2), (0.6, 2), (0.5, 1), (0.7, 1)])
def test_edges_that_did_not_come_are_counted(duty, outputs):
    time, values = edges(cycles=500, duty=duty, outputs=outputs, jitter=0.01)
    lost = np.arange(20, 900, 45)
    left = segment(time=np.delete(time, lost), values=np.delete(values, lost))
    assert measured("missing", left, encoder=None).value == lost.size
    assert measured("extra", left, encoder=None).value == 0
    assert measured("duty", left, encoder=None).value == pytest.approx(100 * duty, abs=0.3)
    if outputs == 2:
        # Without the edge between, both outputs change at once.
        assert measured("illegal", left, encoder=None).value == lost.size


@pytest.mark.parametrize("outputs", [1, 2])
def test_a_whole_cycle_that_did_not_come_is_told_by_its_time(outputs):
    time, values = edges(outputs=outputs)
    gap = np.arange(101, 101 + 2 * outputs)
    assert chain(np.delete(time, gap), np.delete(values, gap), outputs).missing == 2 * outputs


@pytest.mark.parametrize(("duty", "outputs"), [(0.5, 2), (0.7, 2), (0.5, 1), (0.7, 1)])
def test_a_glitch_is_two_extra_edges_and_none_is_missing(duty, outputs):
    time, values = edges(cycles=500, duty=duty, outputs=outputs, jitter=0.005)
    at = np.arange(20, 900, 45)
    begin = time[at] + 0.4 * (time[at + 1] - time[at])
    more, levels = np.concatenate([begin, begin + 20e-6]), np.concatenate([values[at] ^ 1, values[at]])
    order = np.argsort(np.concatenate([time, more]), kind="stable")
    spin = segment(time=np.concatenate([time, more])[order], values=np.concatenate([values, levels])[order])
    assert measured("extra", spin, encoder=None).value == 2 * at.size
    assert measured("missing", spin, encoder=None).value == 0
    assert measured("duty", spin, encoder=None).value == pytest.approx(100 * duty, abs=0.2)


def test_cycles_with_a_missing_edge_are_left_out_of_duty():
    time, values = edges(duty=0.6)
    found = chain(np.delete(time, [101, 302]), np.delete(values, [101, 302]))
    assert len(whole_cycles(found, "a").period_s) == 199 - 2


def test_loss_with_speed_is_the_share_missing_at_the_highest_less_that_at_the_lowest():
    slow, (time, values) = edge_segment("slow", cycles=500, hz=50), edges(cycles=500, hz=400)
    lost = np.arange(30, 1980, 50)
    fast = segment("fast", time=np.delete(time, lost), values=np.delete(values, lost))
    found = measured("loss_with_speed", fast, slow)
    assert found.value == pytest.approx(100 * lost.size / 2000, rel=0.01)
    assert found.u == pytest.approx(100 * math.sqrt(0.02 / 2000), rel=0.2)  # binomial
    assert "shortest state lasts 62" in found.notes[1]  # a quarter of 2.5 ms, less jitter
    with pytest.raises(CannotMeasureError, match="differ by a fifth"):
        measured("loss_with_speed", slow, edge_segment("again", hz=52))


def test_several_segments_are_joined_and_their_scatter_counts_where_it_is_larger():
    alike = [edge_segment(f"s{seed}", duty=0.55, seed=seed) for seed in range(3)]
    assert measured("duty", *alike).n == 3 * 199
    differing = [edge_segment(f"s{duty}", duty=duty) for duty in (0.50, 0.54)]
    assert measured("duty", *differing).u > 1.0


def test_what_edges_do_not_carry_is_refused_with_the_reason():
    one = edge_segment(outputs=1)
    for name in ("phase", "state_width", "illegal"):
        with pytest.raises(CannotMeasureError, match="one output"):
            measured(name, one, encoder=ON_THE_MOTOR)
    with pytest.raises(CannotMeasureError, match="there is no b"):
        measured("duty", one, encoder=ON_THE_MOTOR, output="b")
    with pytest.raises(CannotMeasureError, match="no edges of the right encoder were recorded"):
        measured("duty", one, wheel="right")
    time, values = edges()
    with pytest.raises(CannotMeasureError, match="latency timer"):
        measured("duty", segment(time=time, values=values, clock=False), host=HostTime())
    with pytest.raises(CannotMeasureError, match="stuck"):
        measured("duty", segment(time=time[:30], values=np.full(30, 1)))
