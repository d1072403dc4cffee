"""A reference robot, courses to drive it in, and wheels that are turned exactly as asked."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest

from hil.measure.model import CellPose, Course, Heading, Robot, WallSensor
from hil.simulator.parameters import Truth, exact_truth, quiet
from hil.simulator.plant import Plant
from hil.simulator.world import World

PITCH_MM, WALL_MM = 180.0, 12.0


def course_of(columns: int, rows: int, walls: set[tuple[int, int, Heading]], heading: Heading) -> Course:
    """A course with a post at every end of a wall."""
    posts = set()
    for x, y, side in walls:
        posts |= {(x + 1, y + 1), (x, y + 1) if side is Heading.NORTH else (x + 1, y)}
    return Course(
        name="test",
        pitch_mm=PITCH_MM,
        wall_mm=WALL_MM,
        columns=columns,
        rows=rows,
        walls=frozenset(walls),
        posts=frozenset(posts),
        surface="matt-white",
        start=CellPose(x=0, y=0, heading=heading),
    )


@pytest.fixture(scope="session")
def robot() -> Robot:
    """The reference robot of the closed forms: wheels 28 mm, base 70 mm, body 80 x 100 mm."""
    return Robot(
        name="reference",
        serial="T-1",
        robot_class="entry",
        body_width_mm=80,
        body_front_mm=50,
        body_rear_mm=50,
        wheel_diameter_left_mm=28,
        wheel_diameter_right_mm=28,
        wheel_base_mm=70,
        counts_per_turn=360,
        adc_full_scale=1023,
        sensors=(
            WallSensor(channel="wall.left", x_mm=30, y_mm=35, angle_rad=math.pi / 2),
            WallSensor(channel="wall.right", x_mm=30, y_mm=-35, angle_rad=-math.pi / 2),
            WallSensor(channel="wall.front", x_mm=45, y_mm=0, angle_rad=0),
        ),
    )


@pytest.fixture(scope="session")
def exact(robot: Robot) -> Truth:
    """The reference robot without chance."""
    return quiet(exact_truth(robot, seed=1))


@pytest.fixture(scope="session")
def corridor() -> Course:
    """Six cells to the north, closed at both ends."""
    sides = {(x, y, Heading.EAST) for x in (-1, 0) for y in range(6)}
    return course_of(1, 6, sides | {(0, -1, Heading.NORTH), (0, 5, Heading.NORTH)}, Heading.NORTH)


@pytest.fixture(scope="session")
def corridor_with_opening(corridor: Course) -> Course:
    """The same with the east panel of the fourth cell left out."""
    return course_of(1, 6, set(corridor.walls) - {(0, 3, Heading.EAST)}, Heading.NORTH)


@pytest.fixture(scope="session")
def field() -> Course:
    """No walls at all, start looking east."""
    return course_of(1, 1, set(), Heading.EAST)


@pytest.fixture
def in_field(field: Course) -> Callable[..., Plant]:
    """Stand a robot in the field."""

    def stand(truth: Truth, seed: int = 1, step_s: float = 1e-4) -> Plant:
        return Plant(truth, World(field, truth.noises, seed), seed, step_s=step_s)

    return stand


def _ramp(distance: float, top: float, rate: float, t: float) -> tuple[float, float]:
    """Place and speed at time t of a move from rest to rest."""
    top = min(top, math.sqrt(distance * rate))
    ramp_s = top / rate
    level_s = distance / top - ramp_s
    if t < ramp_s:
        return rate * t * t / 2, rate * t
    if t < ramp_s + level_s:
        return top * (t - ramp_s / 2), top
    left_s = max(0.0, 2 * ramp_s + level_s - t)
    return distance - rate * left_s**2 / 2, rate * left_s


@pytest.fixture(scope="session")
def turn_wheels() -> Callable[..., None]:
    """Turn both wheels by so many mm of nominal travel each, at 0.3 m/s and 2 m/s^2, and brake to rest.

    The loop is closed on the true wheel angles, or on the counts where `by_counts` asks for it: equal travels are then
    equal as the robot sees them, and what the body does is its own affair.
    """

    def turn(plant: Plant, left_mm: float, right_mm: float, *, by_counts: bool = False) -> None:
        truth = plant.truth
        per_count = 2 * math.pi / truth.encoders.counts_per_turn
        no_load = truth.battery.open_circuit_v / (truth.drive.gear * truth.drive.motor_constant_v_s)

        def seen() -> tuple[float, float]:
            if by_counts:
                return plant.counts_left * per_count, plant.counts_right * per_count
            return plant.wheel_angles_rad

        start = seen()
        goals = (left_mm / 14, right_mm / 14)
        longest = max(abs(left_mm), abs(right_mm))
        for tick in range(round((longest / 300 + 0.15 + 0.15) * 1000)):
            duties = []
            for goal, now, begun, rate in zip(goals, seen(), start, plant.wheel_rates_rad_s, strict=True):
                place, speed = _ramp(abs(goal), 300 / 14, 2000 / 14, (tick + 1) / 1000)
                sign = math.copysign(1, goal)
                duties.append(
                    0.8 * (begun + sign * place - now) + 0.02 * (sign * speed - rate) + sign * speed / no_load
                )
            plant.tick(*duties)
        for _ in range(500):
            plant.tick(0.0, 0.0)
        assert plant.at_rest

    return turn
