"""Lines that come seldom: 24 a second are 12.5 mm apart at 0.3 m/s, and carry neither time nor events.

Truths are closed forms. A place that is uniform over a gap has the standard deviation gap/sqrt(12) (JCGM 100:2008,
4.3.7), and so has the latency of a host.
"""

import math
from dataclasses import replace
from statistics import NormalDist

import numpy as np
import pytest

from hil.measure.corridor import fit_corridor
from hil.measure.edges import _nearest_crossing, wall_ends
from hil.measure.evidence import HostTime, Samples
from hil.measure.method import Parameters
from hil.measure.methods import METHODS
from hil.measure.model import CellPose, Heading
from hil.measure.moments import clock_of, duration_u_s
from hil.measure.segments import spans
from hil.measure.straight_data import straight_data
from hil.measure.values import CannotMeasureError

NORTH = CellPose(x=0, y=0, heading=Heading.NORTH)
SELDOM_S = 1 / 24
SEEN_BOTH_WAYS = "ahead 5 by both, about left, ahead 5 by both, about right"
GAP_MM, LEVEL = 12.5, 600.0
HOST = HostTime(u_s=0.016 / math.sqrt(12), adapter="latency timer of a USB serial bridge")


def prints(drive):
    """The drive as a robot tells it that prints counts and readings and nothing else; the host's times come late."""
    motion = drive.samples["motion"]
    late_s = np.random.default_rng(5).uniform(0.0, 0.016, len(motion))
    values = {name: row for name, row in motion.values.items() if name != "time"}
    samples = {"motion": Samples(host_s=motion.values["time"] + late_s, values=values)}
    return replace(drive, samples=samples, events=())


def seldom(drawing, course, seed=1, **truth):
    return drawing(course, seed=seed, period_s=SELDOM_S, rest_rows=2, noise=0.01, **truth)


def measure(name, robot, *drives):
    return METHODS[name].run(robot.evidence(*(prints(drive) for drive in drives)), Parameters())


def crossings(fall):
    """Where the end is seen less where it is, for a thousand places of it between two samples, and what is stated."""
    errors, stated = [], []
    for place in (np.arange(1000) + 0.5) / 1000 * GAP_MM:
        s = np.arange(-6, 7) * GAP_MM
        seen = _nearest_crossing(s, LEVEL * fall(place - s), LEVEL, False, place, 2)
        errors.append(seen.s_mm - place)
        stated.append(seen.sampled_mm)
    return np.array(errors), np.array(stated)


def rms(values):
    return float(np.sqrt(np.mean(np.square(values))))


def test_a_fall_steeper_than_the_samples_are_dense_is_uniform_over_the_gap():
    errors, stated = crossings(lambda away: (away > 0).astype(float))
    assert rms(errors) == pytest.approx(GAP_MM / math.sqrt(12), rel=0.01)
    assert stated == pytest.approx(GAP_MM / math.sqrt(12))


@pytest.mark.parametrize("sd_mm", [2.0, 3.0, 4.0, 6.0])
def test_of_a_fall_wider_than_the_gap_interpolation_leaves_little_and_the_uncertainty_says_so(sd_mm):
    bell = np.vectorize(NormalDist(0.0, sd_mm).cdf)
    errors, stated = crossings(bell)
    assert abs(np.mean(errors)) < 0.01 * GAP_MM
    assert 0.8 < rms(stated) / rms(errors) < 1.6


def test_wall_ends_are_found_between_lines_12_mm_apart_without_bias(drawing, corridor):
    shifts, stated = [], []
    for seed in range(12):
        # 3 mm beyond the nominal place, and a little more each time, so that samples fall elsewhere.
        robot = seldom(drawing, corridor, seed=seed, along_mm=3.0 + seed).with_fine_counts()
        drive = prints(robot.drive("one", "ahead 5 blind", NORTH))
        data = straight_data(drive, spans(drive, robot.robot)[0], robot.robot, corridor)
        ends = wall_ends(data, fit_corridor(data, 0.0, data.length_mm))
        assert [(end.at_mm, end.rising) for end in ends] == [(84.0, True), (636.0, False), (804.0, True)]
        shifts += [end.x_mm - end.seen_s_mm - 3.0 - seed for end in ends]
        stated += [end.sampled_mm for end in ends]
    assert abs(np.mean(shifts)) < 2.5 * rms(shifts) / math.sqrt(len(shifts))
    assert 0.5 < rms(shifts) / math.hypot(rms(stated), 0.3) < 1.5


@pytest.mark.parametrize("diameter", [0.0, 0.005])
def test_the_leg_distance_between_seldom_lines_is_true(drawing, corridor, diameter):
    robot = seldom(drawing, corridor, diameter=diameter).with_fine_counts()
    drives = []
    for number in range(8):
        robot.along_mm = 1.3 * number
        drives.append(robot.drive("legs", "ahead 5 by both", NORTH))
        robot.y_mm, robot.theta_rad = 0.0, 0.0
    found = measure("straight.leg_distance", robot, *drives)
    assert found.value == pytest.approx(720 - 720 / (1 + diameter), abs=2 * found.u)
    assert found.u < 1.5


def test_half_turns_between_seldom_lines_are_true(drawing, corridor):
    robot = seldom(drawing, corridor, over_rotation_rad=math.radians(2.0), turn_sd_rad=math.radians(0.3))
    drives = [robot.drive("legs", SEEN_BOTH_WAYS, NORTH) for _ in range(6)]
    found = measure("turn.half_turn_error", robot, *drives)
    assert found.value == pytest.approx(2.0, abs=2.5 * found.u)
    spread = measure("turn.half_turn_spread", robot, *drives)
    assert spread.value == pytest.approx(0.3, abs=2.5 * spread.u)
    assert spread.noise > 0.05


def test_wheels_that_differ_by_a_percent_are_seen_through_seldom_lines(drawing, corridor):
    robot = seldom(drawing, corridor, mismatch=0.01)
    drives = [
        robot.drive("legs", SEEN_BOTH_WAYS.replace("5 by both", "1 by both, ahead 2 blind, ahead 2 by both"), NORTH)
        for _ in range(4)
    ]
    found = measure("straight.wheel_mismatch", robot, *drives)
    assert found.value == pytest.approx(1.0, abs=2.5 * found.u)
    assert found.u < 0.1


def test_a_wall_seen_over_a_short_way_is_refused_however_often_lines_come(drawing, corridor):
    for period_s in (0.008, SELDOM_S):
        robot = drawing(corridor, period_s=period_s)
        drive = robot.drive("one", "ahead 5 blind", NORTH)
        data = straight_data(drive, spans(drive, robot.robot)[0], robot.robot, corridor)
        assert fit_corridor(data, 200.0, 290.0, (0.0, 1e-6)).n >= 5
        with pytest.raises(CannotMeasureError, match="are needed"):
            fit_corridor(data, 200.0, 220.0, (0.0, 1e-6))


def test_spans_by_counts_begin_and_end_with_the_motion(drawing, corridor):
    robot = drawing(corridor, rest_rows=40)
    drive = robot.drive("one", "ahead 5 by both", NORTH, events=False)
    (span,) = spans(drive, robot.robot)
    assert span.end_s - span.begin_s == pytest.approx(900 / 300, abs=0.03)


def test_wheels_that_stood_are_no_drive(drawing, corridor):
    robot = drawing(corridor)
    drive = robot.drive("one", "ahead 5 by both", NORTH, events=False)
    motion = drive.samples["motion"]
    still = {name: np.full(len(motion), row[0]) if "encoder" in name else row for name, row in motion.values.items()}
    stood = replace(drive, samples={"motion": replace(motion, values=still)})
    with pytest.raises(CannotMeasureError, match="the wheels did not move"):
        spans(stood, robot.robot)


def test_a_duration_by_the_host_holds_its_latency_twice_and_the_time_between_lines_twice(drawing, corridor):
    robot = drawing(corridor)
    drives = (prints(robot.drive("one", "ahead 5 blind", NORTH)),)
    clock = clock_of(replace(robot.evidence(*drives), host_time=HOST), drives, "lap times")
    assert clock.u_s == pytest.approx(0.016 / math.sqrt(12))
    # Four uniform errors: two of 16 ms, two of 1/24 s.
    assert duration_u_s(SELDOM_S, clock) == pytest.approx(math.sqrt(2 * 0.016**2 / 12 + 2 * SELDOM_S**2 / 12))
    (note,) = clock.notes
    assert note.startswith("By the host's clock, good to 4.6 ms (latency timer of a USB serial bridge): ")


def test_times_by_the_host_of_a_robot_that_drives_faster_than_its_clock_are_refused(drawing, corridor):
    robot = drawing(corridor)
    drives = (prints(robot.drive("one", "ahead 5 by right", NORTH)),)
    evidence = replace(robot.evidence(*drives), host_time=replace(HOST, is_real=False))
    for name in ("tracking.lap_time_asymmetry", "general.duration"):
        with pytest.raises(CannotMeasureError, match="drives faster than the host's clock has no"):
            METHODS[name].run(evidence, Parameters())


def test_a_robot_that_prints_by_itself_is_timed_by_its_lines_where_the_host_cannot(drawing, corridor):
    robot = drawing(corridor)
    drives = (prints(robot.drive("one", "ahead 5 by right", NORTH)),)
    told = replace(HOST, is_real=False, line_s=0.042)
    clock = clock_of(replace(robot.evidence(*drives), host_time=told), drives, "lap times")
    assert clock.u_s == 0.0
    assert clock.notes == ("Timed by the robot's own lines, one every 42 ms; lines that were lost shorten it.",)


def test_a_robot_with_a_clock_needs_no_host(drawing, corridor):
    robot = drawing(corridor)
    drives = (robot.drive("one", "ahead 5 by right", NORTH),)
    clock = clock_of(replace(robot.evidence(*drives), host_time=replace(HOST, is_real=False)), drives, "lap times")
    assert (clock.u_s, clock.notes) == (0.0, ())
