"""The virtual person: hands and instruments with the noise of the table, and the truth behind it."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from hil.errors import UsageError
from hil.measure.model import CellPose, Course, Heading

Rigs = Callable[..., Any]
START = CellPose(x=0, y=0, heading=Heading.NORTH)


def test_hands_place_with_the_noise_of_the_table(rig: Rigs) -> None:
    bench = rig().bench
    places = []
    for _ in range(300):
        bench.person.place(START)
        places.append((bench.plant.x_mm, bench.plant.y_mm, math.degrees(bench.plant.theta_rad) - 90))
    # 1 mm, 1 mm, 0.5 deg; with n = 300 a standard deviation is known to 4 %, three of them are allowed.
    assert np.std(places, axis=0) == pytest.approx([1.0, 1.0, 0.5], rel=0.13)
    assert np.mean(places, axis=0) == pytest.approx([0, 0, 0], abs=0.2)


def test_the_ruler_reads_the_truth_with_its_noise(rig: Rigs) -> None:
    bench = rig().bench
    bench.plant.place(-7.0, 182.0, math.pi / 2 + 0.02)
    pose = CellPose(x=0, y=1, heading=Heading.NORTH)

    def read(what: str) -> tuple[float, float]:
        values = [bench.person.observe(what, pose).value for _ in range(200)]
        return float(np.mean(values)), float(np.std(values))

    # North-bound the west is on the left.
    assert read("offset") == pytest.approx((7.0, 0.52), abs=0.12)
    assert read("along") == pytest.approx((2.0, 0.52), abs=0.12)
    angle, spread = read("angle")
    assert angle == pytest.approx(math.degrees(0.02), abs=0.1)
    assert spread == pytest.approx(bench.person.observe("angle", pose).u, rel=0.2)


def test_clearances_are_those_of_the_wall_as_it_stands(rig: Rigs) -> None:
    bench = rig().bench
    bench.plant.place(-7.0, 180.0, math.pi / 2)
    pose = CellPose(x=0, y=1, heading=Heading.NORTH)
    for what, side, sign in (("clearance left", Heading.WEST, -1), ("clearance right", Heading.EAST, 1)):
        values = [bench.person.observe(what, pose).value for _ in range(200)]
        true = sign * (bench.plant.world.face_mm((0, 1), side) + 7.0) - 40
        assert np.mean(values) == pytest.approx(true, abs=0.12)


def test_no_clearance_is_read_where_there_is_no_wall(rig: Rigs, field: Course) -> None:
    with pytest.raises(UsageError, match="no wall beside the robot"):
        rig(field).bench.person.observe("clearance left", START)


def test_contacts_count_from_the_placing_and_the_watch_times_the_drive(rig: Rigs) -> None:
    device_rig = rig()
    person = device_rig.bench.person
    with pytest.raises(UsageError, match="no drive has ended yet"):
        person.observe("lap time", START)
    device_rig.drive("ahead 2")
    # 360/300 + 300/2000 s, a settling and a rest of 0.06 and 0.1 s; the watch is good to 0.1 s.
    assert person.observe("lap time", START).value == pytest.approx(1.53, abs=0.4)
    device_rig.drive("ahead 5")
    assert person.observe("contacts", START).value >= 1
    person.place(START)
    assert person.observe("contacts", START).value == 0


def test_what_cannot_be_done_is_refused_with_a_sentence(rig: Rigs) -> None:
    device_rig = rig()
    person = device_rig.bench.person
    with pytest.raises(UsageError, match=r"there is no cell \(3, 0\)"):
        person.place(CellPose(x=3, y=0, heading=Heading.NORTH))
    with pytest.raises(UsageError, match="'mood' is nothing that the person can read"):
        person.observe("mood", START)
    device_rig.start("ahead 2")
    with pytest.raises(UsageError, match="the robot is driving"):
        person.place(START)


def test_the_same_course_stands_as_before_when_it_is_put_up_again(rig: Rigs, corridor: Course, corner: Course) -> None:
    bench = rig().bench
    before = bench.plant.world.face_mm((0, 2), Heading.EAST)
    bench.person.put_up(corner)
    assert bench.plant.world.course is corner
    bench.person.put_up(corridor)
    assert bench.plant.world.face_mm((0, 2), Heading.EAST) == before


def test_a_robot_on_the_jig_is_held_until_it_is_placed_in_the_course(rig: Rigs) -> None:
    device_rig = rig(faults=["ambient=10 %"])
    bench = device_rig.bench
    bench.person.place(START)
    place = bench.plant.x_mm, bench.plant.y_mm
    bench.person.set_jig("wall.left", "white", 49.0)
    in_front = bench.plant.read_sensors()["wall.left"]
    assert in_front[0] > 500
    bench.person.set_lamps(are_on=False)
    assert bench.plant.read_sensors()["wall.left"][1] < in_front[1] - 60
    device_rig.start("ahead 1")
    device_rig.run(0.3)
    with pytest.raises(UsageError, match="cannot be put on the jig"):
        bench.person.set_jig("wall.left", "white", 54.0)
    device_rig.run(3.0)
    assert (bench.plant.x_mm, bench.plant.y_mm) == place
    assert bench.plant.read_sensors()["wall.right"][0] < 60
    bench.person.place(START)
    assert bench.plant.read_sensors()["wall.right"][0] > 300
    assert np.hypot(bench.plant.x_mm - place[0], bench.plant.y_mm - place[1]) < 10
