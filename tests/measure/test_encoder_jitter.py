"""Jitter of edges and what goes round with a wheel or disc, on edges whose slips and ripples are known."""

import math

import numpy as np
import pytest

from hil.measure.encoder_edges import chain_of
from hil.measure.encoder_jitter import decomposed, half_cycles
from hil.measure.model import Encoder
from hil.measure.values import CannotMeasureError

from .encoder_waves import ON_THE_MOTOR, edge_segment, measured, rippled, segment

HZ, PER_TURN = 450.0, 90
# Edges that slip independently by e cycles make half-cycles scatter by sqrt 2 e, which is 2 sqrt 2 e of half a cycle.
SLIP = 0.01
JITTER = 100 * math.sqrt(8) * SLIP


def spin(ripple=0.0, cycles=1350, **wave):
    time_of = rippled(ripple, PER_TURN, HZ, wave.pop("twice", 0.0), wave.pop("slowing", 0.0))
    return edge_segment(cycles=cycles, hz=HZ, time_of=time_of, **wave)


@pytest.mark.parametrize("backward", [False, True])
@pytest.mark.parametrize("duty", [0.5, 0.6, 0.7])
def test_jitter_is_the_scatter_of_half_cycles_whatever_the_duty(duty, backward):
    found = measured("jitter", spin(duty=duty, jitter=SLIP, backward=backward))
    assert found.is_spread
    assert found.value == pytest.approx(JITTER, abs=4 * found.u)
    assert found.u < 0.05
    assert found.n > 2600


def test_what_goes_round_once_a_turn_is_run_out_and_not_jitter():
    # A wheel of 14 mm radius off its centre by 0.1 mm ripples by e/r = 0.7 % of speed, once a turn.
    wobbling = spin(0.1 / 14, jitter=0.001)
    jitter, share, size = (measured(name, wobbling) for name in ("jitter", "run_out", "run_out_mm"))
    assert jitter.value == pytest.approx(100 * math.sqrt(8) * 0.001, abs=4 * jitter.u)
    assert share.value == pytest.approx(0.714, abs=max(0.002, 2 * share.u))
    assert share.u < 0.1 * 0.714
    assert (size.unit, size.value) == ("mm", pytest.approx(0.1, abs=max(0.0003, 2 * size.u)))
    assert "0.71 % of speed" in jitter.notes[0]


def test_run_out_is_told_within_its_uncertainty_and_there_is_none_where_there_is_none():
    misses = []
    for seed in range(25):
        found = measured("run_out", spin(0.007, jitter=SLIP, seed=seed))
        misses.append(abs(found.value - 0.7) / found.u)
        assert found.u < 0.07
    assert sum(miss > 2.06 for miss in misses) <= 4  # t95 of 26 degrees of freedom; 4 of 25 by chance at 1 %
    flat = [measured("run_out", spin(jitter=SLIP, seed=seed)) for seed in range(10)]
    assert all(one.value < 4 * one.u for one in flat)


@pytest.mark.parametrize("duty", [0.5, 0.6, 0.7])
def test_edges_out_of_place_make_no_run_out_whatever_the_duty(duty):
    # One half-cycle is longer by what the next one lacks: the sum of both knows nothing of the edge between them.
    found = measured("run_out", spin(0.007, duty=duty, jitter=SLIP))
    assert found.u < 0.02
    assert found.value == pytest.approx(0.7, abs=4 * found.u)


def test_a_slow_drift_of_speed_is_no_jitter():
    found = measured("jitter", spin(jitter=SLIP, slowing=0.05 / 1350))  # a tenth slower at the end
    assert found.value == pytest.approx(JITTER, abs=6 * found.u)


def test_what_comes_twice_a_turn_stays_in_the_jitter_and_is_told_of():
    found = measured("jitter", spin(twice=0.05, jitter=0.001))
    # A sine of 5 % has a standard deviation of 5 / sqrt 2.
    assert found.value == pytest.approx(math.hypot(5 / math.sqrt(2), 0.283), rel=0.03)
    assert "5 % of speed comes twice a turn" in found.notes[1]
    assert measured("run_out", spin(twice=0.05, jitter=0.001)).value < 0.05


def test_a_disc_on_the_motor_is_told_apart_from_the_wheel():
    geared = Encoder(channels=2, cycles_per_turn=12, gear=10, edges=4)
    on_disc = edge_segment(cycles=1200, hz=HZ, time_of=rippled(0.01, 12, HZ), jitter=0.002)
    disc = measured("run_out", on_disc, encoder=geared, turn="disc")
    assert disc.value == pytest.approx(1.0, abs=max(0.01, 3 * disc.u))
    wheel = measured("run_out", on_disc, encoder=geared)
    assert wheel.value < max(0.01, 4 * wheel.u)
    jitter = measured("jitter", on_disc, encoder=geared)
    assert jitter.value == pytest.approx(100 * math.sqrt(8) * 0.002, rel=0.1)


def test_one_cycle_a_turn_of_the_disc_shows_the_wheel_and_not_the_disc():
    one = edge_segment(cycles=400, hz=60, duty=0.6, outputs=1, time_of=rippled(0.01, 20, 60), jitter=0.002)
    assert measured("run_out", one, encoder=ON_THE_MOTOR).value == pytest.approx(1.0, abs=0.05)
    with pytest.raises(CannotMeasureError, match="3 cycles a turn"):
        measured("run_out", one, encoder=ON_THE_MOTOR, turn="disc")


def test_what_long_half_cycles_flatten_of_a_wave_is_put_back():
    # Four cycles a turn: means over an eighth of the wave have 97.4 % of it (sinc).
    coarse = edge_segment(cycles=400, hz=60, time_of=rippled(0.02, 4, 60), jitter=0.0005)
    found = measured("run_out", coarse, encoder=Encoder(channels=2, cycles_per_turn=4, gear=1, edges=4))
    assert found.value == pytest.approx(2.0, abs=0.02)


def test_few_turns_have_a_large_uncertainty_and_fewer_than_three_tell_nothing():
    wide = measured("run_out", spin(0.007, cycles=300, jitter=SLIP))
    assert wide.u > measured("run_out", spin(0.007, jitter=SLIP)).u
    assert abs(wide.value - 0.7) < 3 * wide.u
    with pytest.raises(CannotMeasureError, match="3 turns"):
        measured("run_out", spin(0.007, cycles=200))
    assert "still in it" in measured("jitter", spin(cycles=200)).notes[0]


def test_a_coarse_clock_is_taken_out_of_the_jitter_and_told_as_its_noise():
    coarse = spin(jitter=0.003)
    rows = coarse.samples["left edge"]
    time = np.rint(rows.values["time"] / 20e-6) * 20e-6
    found = measured("jitter", segment(time=time, values=rows.values["encoder.left.edge"]))
    # Two edges rounded to 20 us in half a period of 1.11 ms: 0.73 %.
    assert found.noise == pytest.approx(100 * math.sqrt(2 / 12) * 20e-6 * 2 * HZ, rel=0.01)
    assert found.value == pytest.approx(100 * math.sqrt(8) * 0.003, rel=0.08)


def test_jitter_needs_no_robot_file_and_run_out_does():
    assert "robot file" in measured("jitter", spin(jitter=SLIP), encoder=None).notes[0]
    with pytest.raises(CannotMeasureError, match="robot file does not say"):
        measured("run_out", spin(), encoder=None)


def test_missing_edges_leave_the_wave_in_its_place():
    wave = spin(0.01, jitter=0.002)
    rows = wave.samples["left edge"]
    lost = np.arange(50, 5300, 75)
    time, values = (np.delete(rows.values[name], lost) for name in ("time", "encoder.left.edge"))
    halves = half_cycles(chain_of(segment(), "left", time, values), "a")
    found = decomposed(halves, PER_TURN, PER_TURN)
    assert found.wheel is not None
    assert found.wheel.amplitude == pytest.approx(0.01, rel=0.02)
    assert 100 * found.jitter == pytest.approx(100 * math.sqrt(8) * 0.002, rel=0.1)
