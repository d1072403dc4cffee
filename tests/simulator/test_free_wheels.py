"""Wheels that turn free on a stand: under their motors by the motor's equations, and under a hand."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from hil.errors import UsageError
from hil.simulator.faults import apply_faults, parse_faults
from hil.simulator.hand import HandTurning
from hil.simulator.parameters import Encoders, Truth
from hil.simulator.plant import Plant

Stand = Callable[..., Plant]
Turn = Callable[..., None]


def spun(plant: Plant, left: float, right: float, ticks: int) -> list[tuple[float, float]]:
    rates = []
    for _ in range(ticks):
        plant.tick(left, right)
        rates.append(plant.wheel_rates_rad_s)
    return rates


def test_a_free_wheel_comes_to_the_speed_of_its_motor_less_friction_both_ways(exact: Truth, in_field: Stand) -> None:
    plant = in_field(exact)
    plant.put_on_stand()
    left, right = spun(plant, 0.3, -0.5, 400)[-1]
    # U = R i + n k W and n k i = T_c (domain notes, 5.3): W = (d U - R T_c / (n k)) / (n k).
    nk, friction_v = 10 * 3.5e-3, 5.0 * 1e-3 / (10 * 3.5e-3)
    assert left == pytest.approx((0.3 * plant.battery_v - friction_v) / nk, rel=0.005)
    assert right == pytest.approx(-(0.5 * plant.battery_v - friction_v) / nk, rel=0.005)
    assert (plant.x_mm, plant.y_mm, plant.theta_rad) == (0.0, 0.0, 0.0)


def test_it_comes_up_with_the_time_constant_of_the_motor_alone(exact: Truth, in_field: Stand) -> None:
    free = replace(exact, drive=replace(exact.drive, dry_friction_n_m=0.0))
    plant = in_field(free)
    plant.put_on_stand()
    rates = [left for left, _ in spun(plant, 0.3, 0.3, 400)]
    # tau = R J / (n k)^2, J that of wheel and rotor at the wheel: 24.5 ms, where the whole robot takes 80 ms.
    tau_ticks = 1000 * 5.0 * (1e-6 + 100 * 5e-8) / (10 * 3.5e-3) ** 2
    reached = next(tick for tick, rate in enumerate(rates, 1) if rate >= (1 - math.exp(-1)) * rates[-1])
    assert reached == pytest.approx(tau_ticks, abs=1.5)


def test_brought_back_to_the_floor_it_drives_again(exact: Truth, in_field: Stand) -> None:
    plant = in_field(exact)
    plant.put_on_stand()
    spun(plant, 0.3, 0.3, 100)
    assert plant.on_stand
    plant.place(0.0, 0.0, 0.0)
    assert not plant.on_stand
    spun(plant, 0.3, 0.3, 300)
    assert plant.x_mm > 50


@pytest.mark.parametrize("side", ["left", "right"])
def test_a_motor_with_its_wires_swapped_turns_backward_and_counts_so(exact: Truth, in_field: Stand, side: str) -> None:
    plant = in_field(apply_faults(exact, parse_faults([f"reversed-motor={side}"])))
    plant.put_on_stand()
    spun(plant, 0.3, 0.3, 300)
    signs = (math.copysign(1, plant.counts_left), math.copysign(1, plant.counts_right))
    assert signs == ((-1, 1) if side == "left" else (1, -1))
    assert abs(plant.counts_left + plant.counts_right) <= 1


def test_run_out_swings_the_heading_by_run_out_over_base(exact: Truth, in_field: Stand, turn_wheels: Turn) -> None:
    # Domain notes, 9.3: amplitude e/b, 0.08 deg for 0.1 mm over 70 mm, once in a turn of the wheel (88 mm).
    fine = replace(exact, encoders=Encoders(counts_per_turn=36000))
    plant = in_field(apply_faults(fine, parse_faults(["run-out=0.1 mm"])))
    seen: list[tuple[float, float]] = []
    tick = plant.tick

    def watched(left: float, right: float) -> None:
        tick(left, right)
        seen.append((plant.wheel_angles_rad[1], plant.theta_rad))

    plant.tick = watched  # type: ignore[method-assign]
    turn_wheels(plant, 720.0, 720.0, by_counts=True)
    angle, heading = np.array(seen[300:-900]).T
    columns = np.column_stack([np.sin(angle), np.cos(angle), np.ones_like(angle), angle])
    sine, cosine, *_ = np.linalg.lstsq(columns, heading, rcond=None)[0]
    assert math.hypot(sine, cosine) == pytest.approx(0.1 / 70, rel=0.05)


def hand_of(turns: float, *, turns_per_s: float = 1.0, unevenness: float = 0.3, seed: int = 1) -> HandTurning:
    chance = np.random.default_rng(seed)
    return HandTurning("left", turns, turns_per_s=turns_per_s, unevenness=unevenness, chance=chance)


def rates_of(hand: HandTurning) -> np.ndarray:
    rates = []
    while not hand.is_done:
        rates.append(hand.rate_rad_s() / (2 * math.pi))
    return np.array(rates)


@pytest.mark.parametrize("turns_per_s", [0.5, 1.0, 3.0])
def test_a_hand_turns_as_many_turns_in_strokes_of_a_third_with_stops_and_small_slips(turns_per_s: float) -> None:
    rates = rates_of(hand_of(12.0, turns_per_s=turns_per_s))
    assert rates.sum() / 1000 == pytest.approx(12.0, abs=0.01)
    strokes = np.split(rates, np.nonzero(np.diff(np.sign(rates)))[0] + 1)
    lengths = np.array([stroke.sum() / 1000 for stroke in strokes if stroke[0] > 0])
    assert np.mean(lengths[:-1]) == pytest.approx(1 / 3, abs=0.04)
    means = [stroke.mean() for stroke in strokes if stroke[0] > 0]
    assert np.mean(means[:-1]) == pytest.approx(turns_per_s, rel=0.01)
    stops = [len(stroke) for stroke in strokes if np.all(stroke == 0)]
    assert min(stops) > 30
    slips = np.array([stroke.sum() / 1000 for stroke in strokes if stroke[0] < 0])
    assert len(slips) > 3
    assert -0.008 <= slips.min() < 0


def test_the_speed_of_a_stroke_wanders_smoothly_by_the_unevenness_asked_for() -> None:
    found = []
    for unevenness in (0.0, 0.3):
        rates = rates_of(hand_of(60.0, unevenness=unevenness))
        strokes = [one for one in np.split(rates, np.nonzero(np.diff(np.sign(rates)))[0] + 1) if one[0] > 0][:-1]
        middles = [stroke[len(stroke) // 5 : -(len(stroke) // 5)] for stroke in strokes]
        found.append(float(np.sqrt(np.mean([np.var(one / one.mean()) for one in middles]))))
        assert max(np.abs(np.diff(stroke)).max() for stroke in strokes) < 0.15
    assert found[0] == pytest.approx(0.0, abs=1e-9)
    assert found[1] == pytest.approx(0.3, abs=0.05)


@pytest.mark.parametrize(
    ("values", "part"),
    [
        ({"turns": -1.0}, "out of bounds for turns"),
        ({"turns": 1.0, "turns_per_s": 20.0}, "out of bounds for turns a second"),
        ({"turns": 1.0, "unevenness": 2.0}, "out of bounds for unevenness"),
    ],
)
def test_what_no_hand_does_is_refused(values: dict[str, float], part: str) -> None:
    with pytest.raises(UsageError, match=part):
        hand_of(**values)
