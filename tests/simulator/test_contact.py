"""What happens at walls and posts: nothing goes through, sliding is possible, and touches are counted."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pytest

from hil.measure.model import CellPose, Course, Heading
from hil.simulator.parameters import Truth
from hil.simulator.plant import Plant
from hil.simulator.world import World

HALF_FREE_MM = 84.0
SINKS_MM = 3.0  # a stiff spring gives way a little
START_EAST = CellPose(x=0, y=0, heading=Heading.EAST)


def corners(plant: Plant) -> Iterator[tuple[float, float]]:
    c, s = math.cos(plant.theta_rad), math.sin(plant.theta_rad)
    for ahead in (50, -50):
        for left in (40, -40):
            yield plant.x_mm + c * ahead - s * left, plant.y_mm + s * ahead + c * left


@pytest.fixture
def plant(exact: Truth, corridor: Course) -> Plant:
    return Plant(exact, World(corridor, exact.noises, 1), 1)


def test_full_speed_into_the_closed_end_stops_there(plant: Plant) -> None:
    fastest = 0.0
    for _ in range(1500):
        plant.tick(1.0, 1.0)
        fastest = max(fastest, plant.speed_mm_s)
        assert max(y for _, y in corners(plant)) < 5 * 180 + HALF_FREE_MM + SINKS_MM
    assert fastest > 1800
    assert plant.contacts >= 1


def test_not_even_a_heavy_and_fast_body_goes_through_a_wall(exact: Truth, corridor: Course) -> None:
    brute = replace(
        exact,
        chassis=replace(exact.chassis, mass_kg=2.0, yaw_inertia_kg_m2=3e-3),
        drive=replace(exact.drive, motor_resistance_ohm=0.1, motor_constant_v_s=1e-3, grip=5.0),
    )
    walled_off = replace(corridor, walls=corridor.walls | {(0, 4, Heading.NORTH)})
    plant = Plant(brute, World(walled_off, exact.noises, 1), 1)
    fastest = 0.0
    for _ in range(1500):
        plant.tick(1.0, 1.0)
        fastest = max(fastest, plant.speed_mm_s)
    assert fastest > 3500
    assert plant.y_mm < 4 * 180 + HALF_FREE_MM - 50 + SINKS_MM


def test_no_way_of_driving_leaves_the_corridor(plant: Plant) -> None:
    chance = np.random.default_rng(7)
    for left, right in chance.uniform(-1, 1, (60, 2)):
        for _ in range(200):
            plant.tick(left, right)
            for x, y in corners(plant):
                assert abs(x) < HALF_FREE_MM + SINKS_MM
                assert -HALF_FREE_MM - SINKS_MM < y < 5 * 180 + HALF_FREE_MM + SINKS_MM
    assert plant.contacts > 10


def test_a_robot_that_meets_a_wall_at_a_small_angle_slides_along_it(plant: Plant) -> None:
    plant.place(0, 0, math.pi / 2 - math.radians(5))
    for _ in range(3000):
        plant.tick(0.12, 0.12)
        if plant.y_mm > 700:
            break
    assert plant.y_mm > 700
    assert plant.contacts >= 1
    assert abs(math.degrees(plant.theta_rad) - 90) < 1.5  # the wall has turned it along


def test_two_touches_are_two_contacts_and_one_long_rub_is_one(plant: Plant) -> None:
    for expected in (1, 2):
        plant.place(0, 5 * 180 + 30, math.pi / 2)
        for _ in range(400):
            plant.tick(0.06, 0.06)
        assert plant.contacts == expected
        for _ in range(400):
            plant.tick(-0.06, -0.06)
    assert plant.contacts == 2


def test_driving_clear_of_all_walls_is_no_contact(plant: Plant) -> None:
    for _ in range(1500):
        plant.tick(0.1, 0.1)
        if plant.y_mm > 850:
            break
    assert plant.contacts == 0


def test_a_board_stops_the_body_earlier(exact: Truth, corridor: Course) -> None:
    world = World(corridor, exact.noises, 1)
    world.set_board((0, 5), Heading.NORTH, 10)
    plant = Plant(exact, world, 1)
    plant.place(0, 5 * 180, math.pi / 2)
    for _ in range(800):
        plant.tick(0.06, 0.06)
    assert plant.y_mm + 50 == pytest.approx(5 * 180 + 84 - 10, abs=0.2)


def test_an_opening_lets_the_body_through_and_its_posts_do_not(exact: Truth) -> None:
    # Two cells side by side, open to each other; the wall between them has only its posts.
    outer = {(-1, 0, Heading.EAST), (1, 0, Heading.EAST)}
    outer |= {(x, y, Heading.NORTH) for x in (0, 1) for y in (-1, 0)}
    free = Course(
        name="pair",
        pitch_mm=180,
        wall_mm=12,
        columns=2,
        rows=1,
        walls=frozenset(outer),
        posts=frozenset((i, j) for i in range(3) for j in range(2)),
        surface="matt-white",
        start=START_EAST,
    )
    plant = Plant(exact, World(free, exact.noises, 1), 1)
    for _ in range(1500):
        plant.tick(0.1, 0.1)
        if plant.x_mm > 180:
            break
    assert plant.x_mm > 180
    assert plant.contacts == 0


def lone_post() -> Course:
    """Four cells without walls and a single post in their middle, at (90, 90)."""
    return Course(
        name="post",
        pitch_mm=180,
        wall_mm=12,
        columns=2,
        rows=2,
        walls=frozenset(),
        posts=frozenset({(1, 1)}),
        surface="matt-white",
        start=START_EAST,
    )


@pytest.mark.parametrize("heading", Heading, ids=lambda heading: heading.name.lower())
@pytest.mark.parametrize("side", [1, -1], ids=["left", "right"])
def test_a_corner_of_the_body_does_not_enter_a_lone_post(exact: Truth, heading: Heading, side: int) -> None:
    plant = Plant(exact, World(lone_post(), exact.noises, 1), 1)
    dx, dy = heading.step
    # The left (right) front corner is aimed a little inside the post's near face.
    across = side * (40 - 3)
    plant.place(90 - 80 * dx + across * dy, 90 - 80 * dy - across * dx, heading.angle_rad)
    for _ in range(300):
        plant.tick(0.1, 0.1)
        for x, y in corners(plant):
            assert max(abs(x - 90), abs(y - 90)) > 6 - SINKS_MM / 2
    assert plant.contacts >= 1


@pytest.mark.parametrize("quarter", range(4))
@pytest.mark.parametrize("side", [1, -1], ids=["left", "right"])
def test_a_corner_of_the_body_does_not_pierce_the_face_of_a_post(exact: Truth, quarter: int, side: int) -> None:
    plant = Plant(exact, World(lone_post(), exact.noises, 1), 1)
    towards = quarter * math.pi / 2
    heading = towards - side * math.atan2(40, 50)  # that corner leads
    reach = math.hypot(40, 50) + 6 + 5
    plant.place(90 - reach * math.cos(towards), 90 - reach * math.sin(towards), heading)
    for _ in range(100):
        plant.tick(0.08, 0.08)
        for x, y in corners(plant):
            assert max(abs(x - 90), abs(y - 90)) > 6 - SINKS_MM / 2
    assert plant.contacts >= 1


def test_the_corner_of_a_lone_post_stops_the_side_of_a_turning_body(exact: Truth) -> None:
    plant = Plant(exact, World(lone_post(), exact.noises, 1), 1)
    plant.place(90 - 6 - 48, 90, math.pi / 2)  # the right side stands 8 mm from the post
    for _ in range(600):
        plant.tick(-0.1, 0.1)
        c, s = math.cos(plant.theta_rad), math.sin(plant.theta_rad)
        for corner_x in (84, 96):
            for corner_y in (84, 96):
                dx, dy = corner_x - plant.x_mm, corner_y - plant.y_mm
                ahead, left = c * dx + s * dy, c * dy - s * dx
                assert abs(ahead) > 50 - SINKS_MM or abs(left) > 40 - SINKS_MM
    assert plant.contacts >= 1
