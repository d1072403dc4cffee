"""The methods on straights, against drives whose truth is known in closed form."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.special import stdtrit

from hil.measure.corridor import fit_corridor, straight_data
from hil.measure.edges import wall_ends
from hil.measure.method import Parameters
from hil.measure.methods import METHODS
from hil.measure.model import CellPose, Heading
from hil.measure.segments import spans
from hil.measure.values import CannotMeasureError

NORTH = CellPose(x=0, y=0, heading=Heading.NORTH)
BLIND_1 = (
    "ahead 1 by both, ahead 1 blind, ahead 3 by both, about left, "
    "ahead 3 by both, ahead 1 blind, ahead 1 by both, about right"
)
BLIND_3 = (
    "ahead 1 by both, ahead 3 blind, ahead 1 by both, about left, "
    "ahead 1 by both, ahead 3 blind, ahead 1 by both, about right"
)
TRACKED = "ahead 5 by both, about left, ahead 5 by both, about right"


def measure(name, evidence, *of, **words):
    return METHODS[name].run(evidence, Parameters(of=of, words=words))


def driven(robot, path, times, name="legs", events=True):
    return robot.evidence(*(robot.drive(name, path, NORTH, events=events) for _ in range(times)))


@pytest.mark.parametrize("events", [True, False])
@pytest.mark.parametrize("mismatch", [0.0, 0.0025, -0.005, 0.01])
def test_wheel_mismatch_is_found_with_and_without_events(drawing, corridor, mismatch, events):
    found = measure("straight.wheel_mismatch", driven(drawing(corridor, mismatch=mismatch), BLIND_3, 2, events=events))
    assert found.value == pytest.approx(100 * mismatch, abs=0.01)
    assert found.unit == "%"
    assert found.n == 4


def test_curvature_is_mismatch_over_the_wheel_base(drawing, corridor):
    """kappa = eps/b: 0.5 % on 70 mm is 0.0714 1/m, 10.4 mm in 540 mm (differential drive, textbook)."""
    found = measure("straight.curvature", driven(drawing(corridor, mismatch=0.005), BLIND_3, 2))
    assert found.value == pytest.approx(0.0714, abs=0.0014)
    assert 0.5 * found.value / 1000 * 540**2 == pytest.approx(10.4, abs=0.2)


@pytest.mark.parametrize("bow", [0.03, -0.03])
def test_the_courses_bow_is_told_from_the_robots_curve_by_driving_back(drawing, corridor, bow):
    """Walls set on an arc: the centre line at s is bow s^2/2 to the left of the way north (1/m)."""
    evidence = driven(drawing(corridor, mismatch=0.005, bow_per_mm=bow / 1000), BLIND_3, 2)
    assert measure("straight.course_bow", evidence).value == pytest.approx(bow, rel=0.05)
    assert measure("straight.wheel_mismatch", evidence).value == pytest.approx(0.5, abs=0.02)


def test_a_sensor_that_lost_gain_bows_no_course(drawing, corridor):
    """0.9 of its gain makes the left sensor read 2.7 mm too far at 49 mm, beside a wall with two openings.

    The slopes it sees are 5 % too steep as well, which is small as long as the robot does not swing far.
    """
    for name, within in (("straight.course_bow", 0.0015), ("straight.wheel_mismatch", 0.005)):
        right, stale = (
            measure(name, driven(drawing(corridor, mismatch=0.001, noise=0.01, gains=gains), BLIND_3, 4))
            for gains in ({}, {"wall.left": 0.9})
        )
        assert stale.value == pytest.approx(right.value, abs=within)


def test_straights_driven_one_way_only_are_refused(drawing, corridor):
    evidence = driven(drawing(corridor), "ahead 1 by both, ahead 3 blind", 1)
    with pytest.raises(CannotMeasureError, match="one way only, so a curving robot cannot be told from a bowed course"):
        measure("straight.wheel_mismatch", evidence)


def test_the_longest_blind_drives_are_used(drawing, corridor):
    robot = drawing(corridor, mismatch=0.002)
    evidence = robot.evidence(
        robot.drive("blind-1", BLIND_1, NORTH),
        robot.drive("blind-3", BLIND_3, NORTH),
        robot.drive("other", BLIND_3, NORTH),
    )
    found = measure("straight.wheel_mismatch", evidence, "blind-3", "blind-2", "blind-1")
    assert found.n == 2
    assert found.notes[0] == "fitted over whole straights with 3 blind cells"
    alone = measure("straight.wheel_mismatch", evidence, "blind-1", stretch="blind")
    assert alone.notes[0] == "fitted over 1 blind cell alone"
    assert alone.u > found.u


def test_drives_that_were_never_driven_are_refused_by_name(drawing, corridor):
    with pytest.raises(CannotMeasureError, match="no drive named blind-9 was recorded"):
        measure("straight.wheel_mismatch", driven(drawing(corridor), BLIND_3, 1), "blind-9")


def test_tracked_straights_carry_no_blind_fit_but_a_whole_one(drawing, corridor):
    evidence = driven(drawing(corridor, mismatch=0.005), TRACKED, 2)
    with pytest.raises(CannotMeasureError, match="no drive has a straight that was driven blind"):
        measure("straight.wheel_mismatch", evidence, stretch="blind")
    assert measure("straight.wheel_mismatch", evidence).value == pytest.approx(0.5, abs=0.01)


@pytest.mark.parametrize(("times", "stretch"), [(8, "blind"), (2, "whole")])
def test_intervals_of_the_wheel_mismatch_cover_the_truth(drawing, corridor, times, stretch):
    """25 benches with walking wheels, noisy sensors and panels out of place: at least 21 intervals hold the truth.

    A true coverage of 95 % falls below 21 of 25 seven times in a thousand (binomial).
    """
    hits = 0
    for seed in range(25):
        robot = drawing(corridor, seed=seed, mismatch=0.003, walk=0.01, noise=0.01, panel_sd_mm=0.5)
        found = measure("straight.wheel_mismatch", driven(robot, BLIND_3, times), stretch=stretch)
        hits += abs(found.value - 0.3) <= stdtrit(min(found.dof, 1e6), 0.975) * found.u
    assert hits >= 21


def test_a_single_pair_of_legs_owns_up_to_the_walk_of_its_wheels(drawing, corridor):
    robot = drawing(corridor, walk=0.01, noise=0.01)
    one = measure("straight.wheel_mismatch", driven(robot, BLIND_3, 1))
    eight = measure("straight.wheel_mismatch", driven(robot, BLIND_3, 8))
    assert "not repeated" in one.notes[1]
    assert one.u > 2.5 * eight.u
    assert eight.dof == pytest.approx(14, abs=2)  # two means of eight


@pytest.mark.parametrize("over_deg", [1.5, -2.0])
def test_the_start_heading_is_what_the_half_turn_left(drawing, corridor, over_deg):
    robot = drawing(corridor, over_rotation_rad=math.radians(over_deg))
    found = measure("straight.start_heading", driven(robot, TRACKED, 3))
    assert abs(found.value) == pytest.approx(abs(over_deg), abs=0.15)  # a count of a wheel is 0.2 deg


def test_the_offset_under_tracking_is_that_of_the_settled_middle(drawing, corridor):
    robot = drawing(corridor, y_mm=10.0)
    bent = replace(robot.robot.calibrations["wall.left"], offset_mm=0.0)  # distances read 2 mm too long on the left
    robot.robot = replace(robot.robot, calibrations={**robot.robot.calibrations, "wall.left": bent})
    found = measure("straight.lateral_offset", driven(robot, TRACKED, 2))
    assert found.value == pytest.approx(-1.0, abs=0.1)  # (d_R - d_L)/2
    assert "sensors that steer" in found.notes[0]


@pytest.mark.parametrize("diameter", [0.01, 0.0, -0.005])
def test_the_leg_distance_is_the_true_way_less_the_counted(drawing, corridor, diameter):
    found = measure("straight.leg_distance", driven(drawing(corridor, diameter=diameter), TRACKED, 3))
    assert found.value == pytest.approx(720 - 720 / (1 + diameter), abs=0.25)
    assert found.notes[0].startswith("between wall ends 4 cells apart")
    assert found.n == 6


def test_the_leg_distance_is_refused_where_no_two_ends_are_alike(drawing, corner):
    with pytest.raises(CannotMeasureError, match="no straight passes two wall ends of the same kind"):
        measure("straight.leg_distance", driven(drawing(corner), "ahead 2 by both, about left, ahead 2 by both", 1))


@pytest.mark.parametrize(("y", "theta_deg"), [(0.0, 0.0), (6.0, 2.0), (-5.0, -3.0)])
def test_wall_ends_are_found_where_they_are_though_the_robot_is_askew(drawing, corridor, y, theta_deg):
    """x_spot(left) = x + x_s - (w/2 - y) theta: 3 degrees move the spot by 4.4 mm (corridor geometry, derived)."""
    robot = drawing(corridor, y_mm=y, theta_rad=math.radians(theta_deg), along_mm=3.0, noise=0.01).with_fine_counts()
    if theta_deg:
        robot.settle_mm = 400.0
    drive = robot.drive("one", "ahead 5 by both" if theta_deg else "ahead 5 blind", NORTH)
    data = straight_data(drive, spans(drive, robot.robot)[0], robot.robot, corridor)
    ends = wall_ends(data, fit_corridor(data, 0.0, data.length_mm))
    assert [(end.at_mm, end.rising) for end in ends] == [(84.0, True), (636.0, False), (804.0, True)]
    assert [end.x_mm - end.seen_s_mm for end in ends] == pytest.approx([3.0] * 3, abs=0.5)


def test_wall_ends_do_not_move_with_the_gain_of_the_surface(drawing, corridor):
    robot = drawing(corridor)
    drive = robot.drive("one", "ahead 5 blind", NORTH)
    values = {**drive.samples["motion"].values}
    values["wall.left"] = 0.75 * values["wall.left"]
    darker = replace(drive, samples={"motion": replace(drive.samples["motion"], values=values)})
    seen = []
    for one in (drive, darker):
        data = straight_data(one, spans(one, robot.robot)[0], robot.robot, corridor)
        seen.append([end.seen_s_mm for end in wall_ends(data)])
    assert seen[0] == pytest.approx(seen[1], abs=1e-9)


def test_the_dark_level_is_taken_off_where_it_is_reported(drawing, corridor):
    robot = drawing(corridor)
    drive = robot.drive("one", "ahead 5 blind", NORTH)
    motion = drive.samples["motion"]
    lit = {name: values + 50.0 if name.startswith("wall.") else values for name, values in motion.values.items()}
    dark = {"time": motion.values["time"][:3], "wall.left.dark": np.full(3, 50.0), "wall.right.dark": np.full(3, 50.0)}
    shifted = replace(
        drive,
        samples={
            "motion": replace(motion, values=lit),
            "health": replace(motion, host_s=motion.host_s[:3], values=dark),
        },
    )
    span = spans(drive, robot.robot)[0]
    plain, taken_off = (straight_data(one, span, robot.robot, corridor) for one in (drive, shifted))
    assert np.allclose(plain.left_mm, taken_off.left_mm)


def test_a_robot_without_side_sensors_is_refused(drawing, corridor):
    evidence = driven(drawing(corridor), BLIND_3, 1)
    drive = evidence.drives[0]
    motion = drive.samples["motion"]
    bare = replace(motion, values={n: v for n, v in motion.values.items() if not n.startswith("wall.")})
    with pytest.raises(CannotMeasureError, match="carries no reading of a side wall sensor"):
        measure("straight.curvature", replace(evidence, drives=(replace(drive, samples={"motion": bare}),)))


def test_every_method_says_what_it_is_and_where_it_comes_from():
    for name, method in METHODS.items():
        assert method.name == name
        assert method.summary
        assert method.source
        assert all(spec.meaning for spec in method.parameters)


@pytest.mark.parametrize(("mismatch", "cells", "clearance"), [(0.0, 3, 44.0), (0.01, 3, 19.3), (0.01, 2, 32.2)])
def test_the_predicted_clearance_is_that_of_the_bodys_corner(drawing, corridor, mismatch, cells, clearance):
    """84 - 40 - kappa L^2/2 - 50 sin(kappa L), and 40 cos for 40 (geometry)."""
    kappa, length = mismatch / 70, cells * 180.0
    heading = kappa * length
    expected = 84 - kappa * length**2 / 2 - 50 * math.sin(heading) - 40 * math.cos(heading)
    assert expected == pytest.approx(clearance, abs=0.2)
    evidence = driven(drawing(corridor, mismatch=mismatch), BLIND_1, 1)
    found = METHODS["straight.predicted_clearance"].run(evidence, Parameters(numbers={"cells": cells}))
    assert found.value == pytest.approx(expected, abs=1.5)  # a start off by a count's heading is 1.9 mm in three cells
    assert 1.0 < found.u < 6.0


def test_without_a_blind_drive_no_clearance_is_predicted(drawing, corridor):
    with pytest.raises(CannotMeasureError, match="no straight was driven blind yet"):
        METHODS["straight.predicted_clearance"].run(driven(drawing(corridor), TRACKED, 1), Parameters())
