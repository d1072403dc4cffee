"""What the live displays of walls, supply and loop timing say, on values typed here."""

from __future__ import annotations

from dataclasses import replace

import pytest

from hil.engine.watch_page import State
from hil.engine.watch_subjects import Power, Timing, Walls
from hil.measure.model import Regulator, Robot, Supply, WallSensor

SENSORS = tuple(
    WallSensor(channel=name, x_mm=30, y_mm=y, angle_rad=0) for name, y in (("wall.left", 35.0), ("wall.right", -35.0))
)
ROBOT = Robot(
    name="drawn", serial="D-1", robot_class="entry", body_width_mm=80, body_front_mm=50, body_rear_mm=50,
    wheel_diameter_left_mm=28, wheel_diameter_right_mm=28, wheel_base_mm=70, counts_per_turn=360, sensors=SENSORS,
    adc_full_scale=1023,
)  # fmt: skip
REGULATED = Supply(
    chemistry="9 V block", cells=1, lowest_v=6.5, regulator=Regulator(r1_ohm=240, r2_ohm=910, dropout_v=2.0)
)


def walls(set_points: dict[str, float] | None = None, *, left: float, right: float, dark: float = 50.0) -> Walls:
    subject = Walls(ROBOT, ["wall.left", "wall.right"], set_points)
    for _ in range(20):
        subject.take(
            {"wall.left": left, "wall.left.dark": dark, "wall.right": right, "wall.right.dark": dark}, time_s=0.0
        )
    return subject


def test_walls_say_nothing_before_a_reading_came() -> None:
    page = Walls(ROBOT, ["wall.left"]).page()
    assert (page.state, page.verdict) == (State.UNKNOWN, "no reading of a wall sensor has come yet.")


def test_readings_are_lit_less_dark_and_sides_are_compared() -> None:
    page = walls(left=600, right=620).page()
    assert [gauge.value for gauge in page.gauges] == [550.0, 570.0]
    assert (page.state, page.verdict) == (State.GOOD, "left and right agree within 4 %.")
    off = walls(left=600, right=500).page()
    assert off.state is State.BAD
    assert off.verdict.startswith("left reads 22 % more than right")  # 550/450


@pytest.mark.parametrize(
    ("readings", "said"),
    [
        ({"left": 1000.0, "right": 600.0}, "left is at full scale"),  # above 95 % of 1023
        ({"left": 900.0, "right": 600.0, "dark": 330.0}, "without its own light"),  # above 30 % of 1023
        # Lamps that bring a sensor to its full scale are named, not the wall.
        ({"left": 1020.0, "right": 600.0, "dark": 440.0}, "shade it from lamps and sun"),
    ],
)
def test_a_sensor_that_is_dazzled_or_at_its_end_says_what_to_do(readings: dict[str, float], said: str) -> None:
    page = walls(**readings).page()
    assert page.state is State.BAD
    assert said in page.verdict


def test_a_wall_that_has_just_been_taken_away_is_not_compared() -> None:
    subject = walls(left=600, right=800)
    subject.take({"wall.left": 600, "wall.right": 51}, 0.1)  # the means still hold both walls
    assert subject.page().verdict == "all readings are in range; a wall is seen by left."


def test_set_points_of_a_record_are_bands_where_a_wall_is_seen() -> None:
    wanted = {"wall.left": 550.0, "wall.right": 550.0}
    near = walls(wanted, left=700, right=51).page()  # nothing stands before the right one
    assert near.gauges[1].band is None
    assert (near.state, near.verdict) == (
        State.BAD,
        "left is +18 % off its set point of 550 counts: trim it down, or move the wall away.",
    )
    assert walls(wanted, left=600, right=51).page().state is State.GOOD


def test_peaks_are_kept_until_reset_and_the_next_sensor_is_shown_large() -> None:
    subject = walls(left=600, right=620)
    subject.take({"wall.left": 700}, 0.1)
    assert subject.page().gauges[0].peak == (550.0, 650.0)
    subject.reset()
    assert subject.page().gauges[0].peak is None
    subject.following()
    assert subject.page().main == 1
    subject.following()
    assert subject.page().main == 0


def power(supply: Supply | None, **volts: float) -> Power:
    subject = Power(replace(ROBOT, supply=supply), [f"supply.{name}" for name in volts])
    subject.take({f"supply.{name}": value for name, value in volts.items()}, 0.0)
    return subject


@pytest.mark.parametrize(
    ("battery", "motor", "state", "said"),
    [
        # 1.25 V (1 + 910/240) + 50 uA 910 ohm = 6.04 V (data sheets of adjustable regulators).
        # Headroom is the battery over the setting, as the suite `supply` takes it: 9.2 - 6.04 = 3.16 V.
        (9.2, 6.05, State.GOOD, "the rail is right: +0.01 V of 6.04 V. Headroom 3.16 V of the 2.00 V needed."),
        (9.2, 6.50, State.BAD, "turn the rail down by 0.46 V."),
        (9.2, 5.60, State.BAD, "turn the rail up by 0.44 V."),
        (7.5, 5.50, State.BAD, "the battery of 7.50 V is too low: the rail needs 8.04 V of it."),
        (6.0, 4.00, State.BAD, "the battery is below its limit of 6.50 V"),
        (9.9, 6.04, State.BAD, "the battery is above 9.60 V"),
    ],
)
def test_a_trimmer_is_told_which_way_to_go_and_when_the_battery_is_to_blame(
    battery: float, motor: float, state: State, said: str
) -> None:
    page = power(REGULATED, battery=battery, motor=motor).page()
    assert page.state is state
    assert page.verdict.startswith(said)
    assert page.main == 1  # the rail is what is turned at


def test_a_rail_without_a_setting_is_not_called_good() -> None:
    page = power(Supply(chemistry="LiPo", cells=2, lowest_v=6.8), battery=7.6, motor=7.5).page()
    assert page.state is State.UNKNOWN
    assert "no setting of the motor rail is said in the robot file" in page.verdict


def test_a_robot_without_a_rail_of_its_own_is_told_what_its_battery_has_left() -> None:
    page = power(Supply(chemistry="LiPo", cells=2, lowest_v=6.8), battery=7.6).page()
    assert (page.state, page.verdict) == (State.GOOD, "the battery is 0.80 V above its limit of 6.80 V.")
    unsaid = power(None, battery=7.6).page()
    assert (unsaid.state, unsaid.verdict) == (State.UNKNOWN, "no battery limits are said in the robot file.")


def test_readings_in_range_say_which_sensor_sees_a_wall() -> None:
    page = walls(left=51, right=620).page()
    assert page.verdict == "all readings are in range; a wall is seen by right."
    assert walls(left=51, right=51).page().verdict == "all readings are in range; hold a wall before one of them."


def test_the_longest_gap_stays_until_it_is_reset() -> None:
    subject = Timing(["loop.periods"])
    for period in [0.001] * 50 + [0.0042] + [0.001] * 50:
        subject.take({"loop.periods": period}, 0.0)
    page = subject.page()
    assert (page.state, page.gauges[0].text) == (State.BAD, "4.20")
    assert page.verdict.startswith("a gap of 4.20 ms was seen, 4.2 periods")
    subject.reset()
    subject.take({"loop.periods": 0.001}, 0.0)
    assert subject.page().state is State.GOOD
