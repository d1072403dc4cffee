"""What the live display of encoders says of wheels turned here, sample by sample, at duties and speeds typed here."""

from __future__ import annotations

import math

import pytest

from hil.engine.watch_encoder import Wheels
from hil.engine.watch_page import Gauge, Page, State
from hil.measure.model import Encoder, Robot

CYCLES = 16  # of one output in a turn
STEP_S = 0.001
ROBOT = Robot(
    name="drawn", serial="D-1", robot_class="entry", body_width_mm=80, body_front_mm=50, body_rear_mm=50,
    wheel_diameter_left_mm=28, wheel_diameter_right_mm=28, wheel_base_mm=70, counts_per_turn=4 * CYCLES, sensors=(),
    adc_full_scale=1023, encoder=Encoder(channels=2, cycles_per_turn=CYCLES, edges=4),
)  # fmt: skip
LEVELS = ("encoder.left.levels", "encoder.right.levels")


def level_at(cycles: float, duty: float) -> int:
    """Outputs A + 2 B of a disc that has turned so many cycles; B follows A by a quarter of a cycle."""
    return int(cycles % 1 < duty) + 2 * int((cycles - 0.25) % 1 < duty)


def turned(
    wheels: Wheels, turns: float, *, duty: float = 0.5, turns_per_s: float = 1.0, from_s: float = 0.0,
    names: tuple[str, ...] = ("left",), looked_at: bool = True,
) -> float:  # fmt: skip
    """Turn wheels forward evenly, the others standing; return when they stood again."""
    samples = round(turns / turns_per_s / STEP_S)
    for sample in range(samples):
        level = level_at(sample * STEP_S * turns_per_s * CYCLES + 0.01, duty)
        values = {name: float(level if name.split(".")[1] in names else 3) for name in LEVELS}
        wheels.take(values, from_s + sample * STEP_S)
        if looked_at and sample % 100 == 0:
            wheels.page()
    return from_s + samples * STEP_S


def gauge(page: Page, label: str) -> Gauge:
    return next(one for one in page.gauges if one.label == label)


def test_nothing_is_called_good_before_a_wheel_was_turned() -> None:
    page = Wheels(ROBOT, LEVELS).page()
    assert page.state is State.UNKNOWN
    assert gauge(page, "left high").value is None
    assert not any(one.light for one in page.gauges)


@pytest.mark.parametrize(("level", "lights"), [(0, "00"), (1, "10"), (2, "01"), (3, "11")])
def test_each_output_of_each_wheel_has_its_light(level: int, lights: str) -> None:
    wheels = Wheels(ROBOT, LEVELS)
    wheels.take({"encoder.left.levels": float(level), "encoder.right.levels": 3.0 - level}, 0.0)
    page = wheels.page()
    assert "".join(str(int(bool(gauge(page, f"left {one}").light))) for one in "AB") == lights
    assert all(gauge(page, f"right {one}").light is not gauge(page, f"left {one}").light for one in "AB")


@pytest.mark.parametrize("duty", [0.30, 0.45, 0.50, 0.55, 0.70])
def test_the_large_number_is_the_duty_in_degrees_of_the_cycle(duty: float) -> None:
    wheels = Wheels(ROBOT, LEVELS)
    turned(wheels, 4, duty=duty)
    page = wheels.page()
    high = gauge(page, "left high")
    # 360 deg times the duty; a cycle of 62.5 samples is known to a sample of 6 deg, its mean far better.
    assert high.value == pytest.approx(360 * duty, abs=3.0)
    assert high.also == f"low {360 - high.value:.0f} deg"
    assert page.state is (State.GOOD if 0.4 <= duty <= 0.6 else State.BAD)
    assert ("High lasts" in page.verdict) == (duty > 0.6)
    assert ("Low lasts" in page.verdict) == (duty < 0.4)


def test_a_sensor_may_be_fixed_after_ten_good_turns_on_end() -> None:
    wheels = Wheels(ROBOT, LEVELS)
    turned(wheels, 8)
    assert "touching the sensor" in wheels.page().verdict
    turned(wheels, 4, from_s=8.0)
    page = wheels.page()
    assert page.state is State.GOOD
    assert page.verdict.endswith("The sensor can be fixed as it is.")


def test_turns_go_on_being_counted_while_nobody_looks() -> None:
    wheels = Wheels(ROBOT, LEVELS)
    turned(wheels, 12, looked_at=False)  # 12 000 samples, three times what is kept for one look
    page = wheels.page()
    assert gauge(page, "left turns").value == pytest.approx(12.0, abs=0.1)
    assert gauge(page, "left wrong").value == 0


def test_what_was_turned_before_a_reset_is_not_turned_after_it() -> None:
    wheels = Wheels(ROBOT, LEVELS)
    turned(wheels, 3, looked_at=False)
    wheels.reset()
    assert gauge(wheels.page(), "left turns").value == 0.0
    assert gauge(wheels.page(), "left high").peak is None


def turned_with_a_dirty_slit(wheels: Wheels, turns: int) -> None:
    """One slit of the disc is covered: in every turn a cycle is missing, two edges of either output."""
    for sample in range(round(turns / STEP_S)):
        cycles = sample * STEP_S * CYCLES + 0.01
        level = level_at(cycles, 0.5)
        level &= ~1 if 5 <= cycles % CYCLES < 6 else 3
        level &= ~2 if 5.25 <= cycles % CYCLES < 6.25 else 3
        wheels.take({"encoder.left.levels": float(level), "encoder.right.levels": 3.0}, sample * STEP_S)


def test_halves_that_are_equal_are_not_good_where_edges_are_wrong_in_every_turn() -> None:
    wheels = Wheels(ROBOT, LEVELS)
    turned_with_a_dirty_slit(wheels, 6)
    page = wheels.page()
    wrong = gauge(page, "left wrong")
    assert (wrong.value or 0) >= 2 * 5
    assert (page.state, wrong.state) == (State.BAD, State.BAD)
    assert "edges were wrong: reset (r) and turn slowly" in page.verdict


def test_a_pair_that_a_hand_made_look_wrong_does_not_condemn_an_encoder() -> None:
    wheels = Wheels(ROBOT, LEVELS)
    end_s = turned(wheels, 3)
    for sample in range(20):  # both outputs at once, once
        wheels.take(dict.fromkeys(LEVELS, 3.0 * (sample >= 10)), end_s + sample * STEP_S)
    turned(wheels, 8, from_s=end_s + 0.02)
    page = wheels.page()
    assert (gauge(page, "left wrong").value or 0) > 0  # it is told all the same
    assert page.state is State.GOOD


def test_levels_that_a_robot_does_not_send_leave_its_counts_to_be_seen() -> None:
    wheels = Wheels(ROBOT, (*LEVELS, "encoder.left", "encoder.right"))
    wheels.take({"encoder.left": 5.0, "encoder.right": 5.0}, 0.0)
    assert wheels.page().title == "Encoders by their counts"
    wheels.take({"encoder.left.levels": 1.0}, 0.1)
    assert wheels.page().title == "Encoders, wheels turned by hand"


def test_a_wheel_that_outruns_the_samples_is_neither_good_nor_bad() -> None:
    wheels = Wheels(ROBOT, LEVELS)
    turned(wheels, 20, turns_per_s=20.0)  # 3.1 samples a cycle
    page = wheels.page()
    assert page.state is State.UNKNOWN
    assert "turn more slowly" in page.verdict


def test_the_wheel_that_is_turned_is_shown_large_and_two_at_once_are_said() -> None:
    wheels = Wheels(ROBOT, LEVELS)
    end_s = turned(wheels, 2, names=("right",))
    page = wheels.page()
    assert page.verdict.startswith("right:")
    assert page.notes == ()
    turned(wheels, 2, names=("left", "right"), from_s=end_s)
    assert wheels.page().notes == ("both wheels turn: one at a time",)
    wheels.following()
    chosen = wheels.page().verdict.split(":")[0]
    turned(wheels, 1, names=("left", "right"), from_s=end_s + 2)
    assert wheels.page().verdict.startswith(chosen)


def test_counts_alone_tell_turns_and_no_halves() -> None:
    wheels = Wheels(ROBOT, ("encoder.left", "encoder.right"))
    for count in (100.0, 164.0, 228.0):  # two turns of 64 counts
        wheels.take({"encoder.left": count, "encoder.right": -5.0}, 0.0)
    page = wheels.page()
    assert gauge(page, "left counts").value == 128.0
    assert gauge(page, "left counts").also == "+2.00 turns"
    assert page.state is State.UNKNOWN
    assert "halves of a cycle cannot be seen" in page.verdict
    assert math.isclose(gauge(page, "right counts").value or 0.0, 0.0)
