"""Encoders turned evenly, held to the closed forms of their faults; what outputs do is taken from the edges alone."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from hil.measure.model import Encoder, Robot
from hil.simulator.encoder_disc import A, B, WheelEncoder
from hil.simulator.parameters import EncoderTruth, Truth, nominal_truth

QUADRATURE = Encoder(channels=2, cycles_per_turn=90)
ONE_CHANNEL = Encoder(channels=1, cycles_per_turn=20, edges=2)
RADIUS_MM = 14.0


def encoder_of(
    truth: EncoderTruth | None = None,
    shape: Encoder = QUADRATURE,
    *,
    slot_sd: float = 0.0,
    dropped: float = 0.0,
    seed: int = 1,
) -> WheelEncoder:
    return WheelEncoder(
        truth or EncoderTruth(),
        shape,
        radius_mm=RADIUS_MM,
        slot_sd=slot_sd,
        dropped=dropped,
        disc=np.random.default_rng(seed),
        drops=np.random.default_rng(seed + 1),
    )


def turned(
    encoder: WheelEncoder, turns: float, *, ticks: int = 1000, begun: float = 0.0, way: int = 1
) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Turn evenly on from `begun`; return when each edge came [share of the whole way] and the outputs after it."""
    times, outputs = [], []
    places = begun + np.linspace(0.0, turns, ticks * 10 + 1)
    for tick in range(ticks):
        encoder.turn(places[tick * 10 : tick * 10 + 11], way)
        for share, after in encoder.edges():
            times.append((tick + share) / ticks)
            outputs.append(after)
    return np.array(times), np.array(outputs)


def state_widths_deg(times: NDArray[np.float64], outputs: NDArray[np.int64]) -> dict[int, float]:
    """Mean width of each state, in degrees of a cycle."""
    widths = np.diff(times)
    cycle = sum(widths[outputs[:-1] == state].mean() for state in set(outputs))
    return {int(state): 360 * widths[outputs[:-1] == state].mean() / cycle for state in set(outputs)}


def test_forward_a_leads_and_the_outputs_go_through_four_equal_states() -> None:
    times, outputs = turned(encoder_of(), 1.0)
    assert list(outputs[:5]) == [A | B, B, 0, A, A | B]
    assert state_widths_deg(times, outputs) == pytest.approx(dict.fromkeys((0, A, B, A | B), 90.0), abs=1e-6)


def test_backward_b_leads() -> None:
    _, outputs = turned(encoder_of(), -1.0)
    assert list(outputs[:5]) == [0, B, A | B, A, 0]


def test_a_phase_of_120_degrees_gives_states_of_120_60_120_60() -> None:
    # Domain notes, section 4: with half duty the widths are phi, 180 - phi, phi, 180 - phi.
    widths = state_widths_deg(*turned(encoder_of(EncoderTruth(phase=120 / 360)), 1.0))
    assert [widths[state] for state in (A, A | B, B, 0)] == pytest.approx([120, 60, 120, 60], abs=1e-6)


def test_a_duty_of_60_per_cent_alternates_intervals_by_three_halves() -> None:
    # Domain notes, section 4: apparent speed 0.5/d and 0.5/(1-d), that is -17 % and +25 %.
    times, outputs = turned(encoder_of(EncoderTruth(duty=0.6), ONE_CHANNEL), 1.0)
    high, low = (np.diff(times)[outputs[:-1] == state] for state in (A, 0))
    assert high.mean() / low.mean() == pytest.approx(1.5)
    half_s = 0.5 / 20
    assert [half_s / high.mean() - 1, half_s / low.mean() - 1] == pytest.approx([-0.1667, 0.25], abs=1e-3)


def test_a_disc_off_its_axis_reads_a_speed_that_swings_once_a_turn_by_run_out_over_radius() -> None:
    # Domain notes, section 9.3: e/r, 0.7 % for 0.1 mm of a wheel of 28 mm.
    times, _ = turned(encoder_of(EncoderTruth(run_out_mm=0.1, run_out_at_rad=1.0)), 1.0)
    speed = (1 / 360) / np.diff(times)
    angle = 2 * math.pi * (times[1:] + times[:-1]) / 2
    swing = 2 * np.mean((speed - 1) * np.exp(-1j * angle))
    assert abs(swing) == pytest.approx(0.1 / 14, rel=0.02)
    # What is read is t + e/r sin(t + 1), so its rate leads by as much.
    assert np.angle(swing) == pytest.approx(1.0, abs=0.02)


def test_an_edge_is_timed_where_it_is_passed_and_not_at_the_end_of_a_tick() -> None:
    encoder = encoder_of()
    # An even turn through 2.2 edges in one tick: they are passed at 1 / 2.2 and 2 / 2.2 of it.
    encoder.turn(np.linspace(0.0, 2.2 / 360, 11), 1)
    assert [share for share, _ in encoder.edges()] == pytest.approx([1 / 2.2, 2 / 2.2], abs=1e-12)


def test_an_ideal_encoder_counts_the_whole_counts_of_its_angle_wherever_it_goes() -> None:
    encoder, chance = encoder_of(), np.random.default_rng(7)
    at = 0.0
    for step in chance.normal(0.0, 0.01, 3000):
        encoder.turn(np.linspace(at, at + step, 11), 1)
        at += step
        assert encoder.counts == math.floor(at * 360)


@pytest.mark.parametrize(("edges", "per_turn"), [(1, 90), (2, 180), (4, 360)])
def test_a_quadrature_counter_counts_one_two_or_four_edges_of_a_cycle_both_ways(edges: int, per_turn: int) -> None:
    encoder = encoder_of(shape=replace(QUADRATURE, edges=edges))
    turned(encoder, 3.0)
    assert encoder.counts == 3 * per_turn
    turned(encoder, -5.0, begun=3.0)
    assert encoder.counts == pytest.approx(-2 * per_turn, abs=1)


def test_one_channel_counts_both_edges_and_knows_its_direction_only_from_where_it_was_sent() -> None:
    encoder = encoder_of(shape=ONE_CHANNEL)
    turned(encoder, 2.0)
    assert encoder.counts == 80
    turned(encoder, -1.0, begun=2.0, way=-1)
    assert encoder.counts == 40
    # Turned backward while it was sent forward it goes on counting forward.
    turned(encoder, -1.0, begun=1.0, way=1)
    assert encoder.counts == 80


def test_a_wheel_that_trembles_at_an_edge_adds_counts_with_one_channel_and_none_with_two() -> None:
    found = []
    for shape in (QUADRATURE, ONE_CHANNEL):
        encoder = encoder_of(shape=shape)
        for k in range(20):
            encoder.turn(np.linspace(*((0.0, -0.001) if k % 2 == 0 else (-0.001, 0.0)), 11), 1)
        found.append(encoder.counts)
    assert found == [0, 20]


def test_gear_turns_the_disc_so_many_times_a_turn_of_the_wheel() -> None:
    encoder = encoder_of(shape=Encoder(channels=1, cycles_per_turn=1, gear=20, edges=2))
    times, _ = turned(encoder, 1.0)
    assert (len(times), encoder.counts) == (40, 40)


def test_slots_are_out_of_place_by_their_scatter_and_the_same_in_every_turn() -> None:
    encoder = encoder_of(slot_sd=0.01)
    first, outputs = turned(encoder, 1.0)
    second, _ = turned(encoder, 1.0, begun=1.0)
    assert second == pytest.approx(first, abs=1e-9)
    rises = first[outputs == A | B]  # of B, in the order of the slots
    assert np.std(np.diff(rises) * 90 - 1) == pytest.approx(0.01 * math.sqrt(2), rel=0.25)
    other, _ = turned(encoder_of(slot_sd=0.01, seed=2), 1.0)
    assert other != pytest.approx(first, abs=1e-5)


def test_what_is_lost_is_neither_counted_nor_seen() -> None:
    encoder = encoder_of(dropped=0.1)
    times, _ = turned(encoder, 100.0, ticks=20000)
    assert len(times) == encoder.counts
    # 36 000 chances of a tenth: three standard deviations are 171.
    assert encoder.counts == pytest.approx(0.9 * 36000, abs=171)


def test_encoders_are_put_together_as_the_table_of_chance_says(robot: Robot) -> None:
    drawn = [one for seed in range(200) for one in encoders_of(nominal_truth(robot, seed))]
    duties, phases = [one.duty for one in drawn], [one.phase * 360 for one in drawn]
    # 400 draws: a standard deviation is known to within 3.5 %, a mean to a twentieth of it.
    assert (np.mean(duties), np.std(duties)) == (pytest.approx(0.5, abs=0.0015), pytest.approx(0.01, rel=0.12))
    assert (np.mean(phases), np.std(phases)) == (pytest.approx(90, abs=0.45), pytest.approx(3, rel=0.12))
    assert max(one.run_out_mm for one in drawn) < 0.05


def encoders_of(truth: Truth) -> tuple[EncoderTruth, EncoderTruth]:
    return truth.encoders.left, truth.encoders.right
