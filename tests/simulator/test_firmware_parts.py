"""The firmware's parts by themselves: profile, moves, settings, pauses, wall ends, front stop, steering."""

from __future__ import annotations

import math

import pytest

from hil.measure.model import ElementKind, PathElement, Robot, SensorCalibration
from hil.simulator.firmware.front import FrontStop
from hil.simulator.firmware.moves import Straight, Turn, moves_of
from hil.simulator.firmware.pauses import Pauses
from hil.simulator.firmware.profile import Ramp
from hil.simulator.firmware.settings import Refusal, Settings
from hil.simulator.firmware.steering import Steering
from hil.simulator.firmware.task import Firmware
from hil.simulator.firmware.walls import Linearised, SideWall, WallEnds
from hil.simulator.parameters import FirmwareFaults


def _calibration(channel: str = "wall.left") -> SensorCalibration:
    return SensorCalibration(
        channel=channel,
        surface="matt-white",
        gain=549.0 * 51**2,
        exponent=2.0,
        offset_mm=2.0,
        covariance=((0.0,) * 3,) * 3,
        noise=0.01,
        residual_mm=0.0,
        span_mm=(30, 130),
        n=350,
    )


@pytest.mark.parametrize(
    ("end", "limit", "rate"),
    [(180.0, 300.0, 2000.0), (20.0, 300.0, 2000.0), (1440.0, 1000.0, 5000.0), (math.pi, 6, 60)],
)
def test_a_ramp_arrives_exactly_within_its_limits(end: float, limit: float, rate: float) -> None:
    ramp = Ramp(end, limit, rate)
    ticks, travelled = 0, 0.0
    while not ramp.done:
        ramp.advance()
        travelled += ramp.travel
        ticks += 1
        assert ramp.speed <= limit * (1 + 1e-12)
        assert abs(ramp.acceleration) <= 2 * rate * (1 + 1e-9)
        assert ticks < 10_000
    assert ramp.position == pytest.approx(end, abs=1e-9)
    assert travelled == pytest.approx(end, abs=1e-9)
    top = min(limit, math.sqrt(end * rate))
    # d/v + v/a for a trapezoid, 2 sqrt(d/a) for a triangle (closed forms).
    assert ticks / 1000 == pytest.approx(end / top + top / rate, abs=0.008)


def test_a_ramp_whose_end_comes_nearer_still_stops_there() -> None:
    ramp = Ramp(540.0, 300.0, 2000.0)
    while ramp.position < 470:
        ramp.advance()
    ramp.end = 500.0
    while not ramp.done:
        ramp.advance()
    assert ramp.position == pytest.approx(500.0, abs=1e-9)


def test_straights_are_joined_and_keep_their_sections() -> None:
    path = (
        PathElement(kind=ElementKind.AHEAD, cells=1, tracking="both"),
        PathElement(kind=ElementKind.AHEAD, cells=3),
        PathElement(kind=ElementKind.ABOUT_LEFT),
        PathElement(kind=ElementKind.AHEAD, cells=2, tracking="right"),
    )
    first, turn, second = moves_of(path, 180.0)
    assert isinstance(first, Straight)
    assert [(part.end_mm, part.tracking, part.index) for part in first.sections] == [(180, "both", 0), (720, "none", 1)]
    assert turn == Turn(angle_rad=math.pi, index=2)
    assert isinstance(second, Straight)
    assert second.length_mm == 360


@pytest.mark.parametrize(
    "path",
    [
        (),
        (PathElement(kind=ElementKind.AHEAD, cells=0),),
        (PathElement(kind=ElementKind.AHEAD, cells=33),),
        (PathElement(kind=ElementKind.AHEAD, cells=1, tracking="ceiling"),),
        (PathElement(kind=ElementKind.LEFT),) * 65,
    ],
)
def test_a_path_that_cannot_be_driven_is_refused(path: tuple[PathElement, ...]) -> None:
    with pytest.raises(Refusal, match="bad-path"):
        moves_of(path, 180.0)


def test_a_setting_outside_its_range_is_refused_and_kept(robot: Robot) -> None:
    settings = Settings(robot)
    assert settings.get("wheel-base") == 70_000
    with pytest.raises(Refusal, match="out-of-range"):
        settings.set("wheel-base", 151_000)
    assert settings.get("wheel-base") == 70_000
    assert settings.set("wheel-base", 71_400) == 71_400
    assert settings.mm("wheel-base") == 71.4


def test_an_unknown_setting_is_refused(robot: Robot) -> None:
    with pytest.raises(Refusal, match="unknown-name"):
        Settings(robot).set("wheel-bas", 70_000)


def test_pauses_hold_one_tick_less_than_their_period_and_come_about_once_a_second() -> None:
    pauses = Pauses(0.020, seed=1)
    held = [pauses.held() for _ in range(60_000)]
    runs = "".join("x" if tick else "." for tick in held).split(".")
    lengths = [len(run) for run in runs if run]
    # The period between two runs of the task that are 20 ms apart leaves 19 ticks out.
    assert set(lengths) == {19}
    assert 50 <= len(lengths) <= 70


def test_no_pauses_are_held_without_the_fault() -> None:
    pauses = Pauses(0.0, seed=1)
    assert not any(pauses.held() for _ in range(5000))


def test_a_reading_is_turned_to_the_distance_of_its_calibration() -> None:
    linear = Linearised(_calibration())
    assert linear.distance_mm(549) == pytest.approx(49.0)
    assert linear.distance_mm(0) == math.inf
    assert linear.distance_mm(-3) == math.inf


def _side(reading: int) -> SideWall:
    wall = SideWall(_calibration(), 49.0)
    wall.restart(reading)
    return wall


def test_a_wall_that_ends_is_no_longer_steered_by_before_it_is_gone() -> None:
    wall = _side(549)
    assert wall.usable
    # The light falls from full to none over a beam's footprint of 10 mm, at 0.3 mm a tick.
    worst = 0.0
    for tick in range(40):
        wall.look(round(549 * max(0.0, 1 - tick * 0.03)), 0.3, 0.0)
        if wall.usable:
            worst = max(worst, abs(wall.excess_mm))
    assert not wall.usable
    assert worst < 3.0


def test_a_wall_that_begins_is_trusted_after_some_travel() -> None:
    wall = _side(0)
    travel = 0.0
    while not wall.usable:
        wall.look(549, 0.3, 0.0)
        travel += 0.3
        assert travel < 40
    assert travel > 15


def test_a_wall_met_askew_is_trusted_although_the_firmware_thinks_it_drives_straight() -> None:
    # A robot that came 11 deg askew out of a turn, from an opening, with no estimate of its heading.
    wall = _side(0)
    distance, travel = 40.0, 0.0
    while not wall.usable:
        distance += 0.3 * math.sin(math.radians(11))
        wall.look(round(549 * 51**2 / (distance + 2) ** 2), 0.3, 0.0)
        travel += 0.3
        assert travel < 80


def test_a_robot_that_nears_the_wall_by_its_own_heading_keeps_seeing_it() -> None:
    wall = _side(549)
    distance = 49.0
    for _ in range(300):
        distance -= 0.05
        wall.look(round(549 * 51**2 / (distance + 2) ** 2), 0.3, -0.05)
        assert wall.usable
    assert wall.excess_mm == pytest.approx(-15, abs=0.2)


def test_a_saturated_sensor_is_not_steered_by() -> None:
    wall = _side(549)
    wall.look(0, 0.3, 0.0)
    assert not wall.usable


def test_wall_ends_come_at_half_the_light_of_the_wall_just_seen() -> None:
    # The wall is darker than the typical one by a quarter, and is seen for a while first.
    ends = WallEnds(549)
    ends.restart(412)
    for tick in range(400):
        assert ends.look(412, tick / 1000) is None
    found = [ends.look(round(412 * (1 - tick / 40)), tick / 1000) for tick in range(40)]
    times = [time for time in found if time is not None]
    assert times == [pytest.approx(0.020, abs=0.002)]
    assert not ends.present


def test_one_wrong_sample_is_no_wall_end() -> None:
    ends = WallEnds(549)
    ends.restart(549)
    assert [ends.look(reading, 0.0) for reading in (549, 100, 549, 100, 100, 549)] == [None] * 6


def _front(late_mm: float = 0.0) -> FrontStop:
    return FrontStop(
        Linearised(_calibration("wall.front")), trigger_mm=90, remaining_mm=51, window_mm=20, late_mm=late_mm
    )


def _approach(stop: FrontStop, counted_excess_mm: float) -> tuple[float, float] | None:
    """Drive at a wall at 300 mm/s; return (true travel left to the stop, what the stop says) where it acts."""
    remaining = 150.0
    while remaining > 0:
        distance = remaining + 84 - 45
        reading = round(549 * 51**2 / (distance + 2) ** 2)
        said = stop.look(reading, remaining + counted_excess_mm, 300.0)
        if said is not None:
            return remaining, said
        remaining -= 0.3
    return None


@pytest.mark.parametrize("counted_excess_mm", [-15.0, 0.0, 15.0])
def test_the_front_wall_acts_where_its_trigger_is_whatever_was_counted(counted_excess_mm: float) -> None:
    acted = _approach(_front(), counted_excess_mm)
    assert acted is not None
    true_mm, said_mm = acted
    assert true_mm == pytest.approx(said_mm, abs=1.0)


@pytest.mark.parametrize("counted_excess_mm", [-30.0, 30.0])
def test_a_front_wall_outside_the_window_is_left_alone(counted_excess_mm: float) -> None:
    assert _approach(_front(), counted_excess_mm) is None


def test_a_late_trigger_believes_it_was_on_time() -> None:
    acted = _approach(_front(late_mm=10.0), 0.0)
    assert acted is not None
    true_mm, said_mm = acted
    assert said_mm - true_mm == pytest.approx(10.0, abs=1.0)


def test_steering_brings_an_ideal_robot_to_the_middle_without_overshoot() -> None:
    left, right = SideWall(_calibration("wall.left"), 49.0), SideWall(_calibration("wall.right"), 49.0)
    steering = Steering(left, right, 30.0)
    y, theta, lowest = 5.0, 0.0, 5.0

    def reading(distance: float) -> int:
        return round(549 * 51**2 / (distance + 2) ** 2)

    left.restart(reading(49 - y))
    right.restart(reading(49 + y))
    for _ in range(1000):
        m = y + 30 * math.sin(theta)
        sway = steering.sway_mm(0.3)
        left.look(reading(49 - m), 0.3, -sway)
        right.look(reading(49 + m), 0.3, sway)
        kappa = steering.steer("both", 0.3)
        theta += kappa * 0.3
        y += math.sin(theta) * 0.3
        lowest = min(lowest, y)
    assert abs(y) < 0.1
    assert lowest > -0.5


class _Stuck:
    """A robot whose wheels do not turn."""

    counts_left = counts_right = contacts = 0
    battery_v = rail_v = 7.8

    def read_sensors(self) -> dict[str, tuple[int, int]]:
        return {}


def test_a_wheel_that_does_not_turn_ends_the_drive(robot: Robot) -> None:
    firmware, body = Firmware(robot, faults=FirmwareFaults(), seed=1), _Stuck()
    firmware.begin(body, [PathElement(kind=ElementKind.AHEAD, cells=1)], speed_mm_s=300, by_wall=True, now_s=0.0)
    for tick in range(1, 1000):
        firmware.tick(body, tick / 1000)
    assert [(event, detail) for event, _, detail in firmware.reports] == [
        ("move.begin", "0"),
        ("fault", "blocked"),
        ("idle", "blocked"),
    ]
    assert (firmware.duty_left, firmware.duty_right) == (0.0, 0.0)


def test_a_low_battery_starts_no_drive(robot: Robot) -> None:
    firmware, body = Firmware(robot, faults=FirmwareFaults(), seed=1), _Stuck()
    body.battery_v = 6.7
    with pytest.raises(Refusal, match="low-battery"):
        firmware.begin(body, [PathElement(kind=ElementKind.LEFT)], speed_mm_s=300, by_wall=True, now_s=0.0)
