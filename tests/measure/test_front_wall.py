"""Stops on a front wall on drawn drives: slope, intercept, stop position and false resets."""

import dataclasses
import math

import numpy as np
import pytest

from hil.measure.evidence import Answer, Event
from hil.measure.front_wall import line_through_boards
from hil.measure.method import Parameters
from hil.measure.methods import METHODS
from hil.measure.model import CellPose, Course, Heading
from hil.measure.uncertainty import Mean, Part
from hil.measure.values import CannotMeasureError
from hil.measure.walls_ahead import WallStops, agreeing
from hil.measure.way_in import share_of_ends

SHUTTLE = "ahead 3 by both, right, ahead 3 by both, about right, ahead 3 by both, left, ahead 3 by both, about left"
START = CellPose(x=0, y=0, heading=Heading.NORTH)
CORNER = (0, 3, Heading.NORTH)


def corner_course(wall_ahead=True):
    """Three cells north, the corner cell, three cells east; the west panel of the second cell left out."""
    walls = {(0, -1, Heading.NORTH), (3, 3, Heading.EAST), (-1, 3, Heading.EAST)}
    walls |= {(-1, y, Heading.EAST) for y in (0, 2)} | {(0, y, Heading.EAST) for y in (0, 1, 2)}
    walls |= {(x, 3, Heading.NORTH) for x in (1, 2, 3)} | {(x, 2, Heading.NORTH) for x in (1, 2, 3)}
    walls |= {(0, 3, Heading.NORTH)} if wall_ahead else set()
    return Course(
        name="corner", pitch_mm=180.0, wall_mm=12.0, columns=4, rows=4, walls=frozenset(walls),
        posts=frozenset((i, j) for i in range(5) for j in range(5)), surface="white", start=START,
    )  # fmt: skip


@pytest.fixture
def shuttled(drawing):
    """Return evidence of five drives for each board; the stop follows the board by `slope`, `late` too far."""

    def built(slope=1.0, late=0.0, boards=(0.0, 5.0, 10.0), each=5, **truth):
        truth = {"noise": 0.01, "panel_sd_mm": 0.5, "walk": 0.01, "turn_sd_rad": 0.005} | truth
        robot = drawing(course=corner_course(), **truth)
        drives = []
        bare = robot.panels[CORNER]
        for board in boards:
            robot.panels[CORNER] = bare - board  # the board lies on that wall, beside the robot once it has turned
            for _ in range(each):
                # The other corner walls carry no board; there the robot stops late alone.
                robot.stops_mm = {CORNER: late - slope * board, (0, 3, Heading.WEST): late, (0, 0, Heading.SOUTH): late,
                                  (3, 3, Heading.EAST): late}  # fmt: skip
                drives.append(robot.drive("shuttle", SHUTTLE, START, conditions={"board_mm": board}))
        return robot.evidence(*drives)

    return built


def measure(name, evidence, **more):
    return METHODS[name].run(evidence, Parameters(of=("shuttle",), **more))


def test_slope_is_one_where_the_wall_ends_the_move(shuttled):
    found = measure("front_wall.reset_slope", shuttled())
    assert abs(found.value - 1) < 2.5 * found.u
    # With shims good to 0.3 mm and five drives for each, U of the slope is about 0.05 to 0.07 over 10 mm.
    assert 0.03 < 2 * found.u < 0.1
    assert found.n == 15


def test_slope_is_zero_where_counts_end_the_move(shuttled):
    found = measure("front_wall.reset_slope", shuttled(slope=0.0))
    assert abs(found.value) < 2.5 * found.u
    assert 2 * found.u < 0.2


def test_a_drift_of_the_start_does_not_pass_for_a_slope(drawing):
    # A robot that counts loses 0.6 mm every lap, while the boards go on in order: its stops follow its starts.
    robot = drawing(course=corner_course(), noise=0.01, panel_sd_mm=0.5, walk=0.01, turn_sd_rad=0.005)
    drives = []
    for number in range(15):
        robot.along_mm, robot.y_mm, robot.theta_rad = -0.6 * number, 0.0, 0.0
        drives.append(robot.drive("shuttle", SHUTTLE, START, conditions={"board_mm": 5.0 * (number // 5)}))
    found = measure("front_wall.reset_slope", robot.evidence(*drives))
    assert abs(found.value) < 2.5 * found.u  # without the starts it would be 0.57
    assert found.u < 0.2


def test_late_trigger_moves_the_intercept_and_not_the_slope(shuttled):
    evidence = shuttled(late=10.0)
    assert abs(measure("front_wall.reset_slope", evidence).value - 1) < 0.1
    for name in ("front_wall.reset_intercept", "front_wall.stop_position"):
        found = measure(name, evidence)
        assert found.value == pytest.approx(10.0, abs=2.5 * found.u)
        assert found.u < 0.75


def test_a_stop_short_of_the_mark_is_negative(shuttled):
    found = measure("front_wall.stop_position", shuttled(late=-4.0, boards=(0.0,), slip_s=0.003))
    assert found.value == pytest.approx(-4.0, abs=2.5 * found.u)
    assert "by wall ends on the way in -4" in found.notes[1]


def test_walls_that_stop_the_robot_elsewhere_do_not_average_into_the_first(drawing):
    # A late trigger that other walls do not reach within the window: +10 mm at the first wall, -10 mm at the next.
    robot = drawing(course=corner_course(), noise=0.01, panel_sd_mm=0.5, walk=0.01)
    drives = []
    for board in (0.0, 5.0, 10.0) * 3:
        robot.stops_mm = {CORNER: 10.0 - board, (0, 3, Heading.WEST): -10.0, (0, 0, Heading.SOUTH): 10.0}
        drives.append(robot.drive("shuttle", SHUTTLE, START, conditions={"board_mm": board}))
    for name in ("front_wall.reset_intercept", "front_wall.stop_position"):
        found = measure(name, robot.evidence(*drives))
        assert found.value == pytest.approx(10.0, abs=2.5 * found.u)
        assert any("stand alone" in note for note in found.notes)


def test_wheel_mismatch_and_over_rotation_do_not_pass_for_a_stop_error(shuttled):
    evidence = shuttled(mismatch=0.01, over_rotation_rad=0.03)
    assert abs(measure("front_wall.reset_slope", evidence).value - 1) < 0.1
    found = measure("front_wall.stop_position", evidence)
    assert abs(found.value) < 2.5 * found.u


def test_stated_uncertainties_cover_the_truth(shuttled):
    tries, inside = 10, {"front_wall.reset_slope": 0, "front_wall.reset_intercept": 0, "front_wall.stop_position": 0}
    for seed in range(tries):
        evidence = shuttled(late=2.0, seed=seed, each=2)
        for name in inside:
            found = measure(name, evidence)
            truth = 1.0 if name.endswith("slope") else 2.0
            inside[name] += abs(found.value - truth) < 1.96 * found.u
    # 95 % of 10 less three standard deviations of such a count.
    assert all(count >= 8 for count in inside.values()), inside


def test_boards_of_one_thickness_tell_no_slope(shuttled):
    with pytest.raises(CannotMeasureError, match="two boards or more"):
        measure("front_wall.reset_slope", shuttled(boards=(5.0,), each=2))
    with pytest.raises(CannotMeasureError, match="every drive had a board"):
        measure("front_wall.stop_position", shuttled(boards=(5.0,), each=2))


def test_drives_that_say_nothing_of_the_board_are_refused(shuttled):
    evidence = shuttled(each=2)
    bare = tuple(dataclasses.replace(drive, conditions={}) for drive in evidence.drives)
    with pytest.raises(CannotMeasureError, match="says nothing of the board"):
        measure("front_wall.reset_slope", dataclasses.replace(evidence, drives=bare))


def test_board_errors_are_shared_by_the_drives_with_that_board():
    boards = [0.0] * 50 + [5.0] * 50 + [10.0] * 50
    stops = [-board for board in boards]
    _, slope = line_through_boards(boards, stops, [0.1] * 150, 0.3)
    # Only the board of 10 mm has a lever on the slope: (10 - 5)/50 for its mean, so 0.1 per mm (derived).
    assert slope.value == pytest.approx(1.0)
    assert slope.part.u == pytest.approx(np.hypot(0.03, 0.1 / np.sqrt(150 * 50 / 3)), rel=0.01)


def with_events(evidence, *events):
    first = evidence.drives[0]
    changed = dataclasses.replace(first, events=(*first.events, *events))
    return dataclasses.replace(evidence, drives=(changed, *evidence.drives[1:]))


def reset(detail, at_s=12.0):
    return Event(name="front.reset", time_s=at_s, host_s=at_s, detail=detail)


@pytest.fixture
def open_corner(drawing):
    robot = drawing(course=corner_course(wall_ahead=False), noise=0.01)
    return robot.evidence(*(robot.drive("shuttle", SHUTTLE, START) for _ in range(3)))


def test_only_resets_with_no_wall_ahead_are_false(open_corner):
    found = measure("front_wall.false_resets", open_corner)
    assert (found.value, found.n, found.is_count) == (0.0, 3, True)
    # The third straight (element 4) ends at the west wall, the first (element 0) at the opening.
    found = measure("front_wall.false_resets", with_events(open_corner, reset("4"), reset("0")))
    assert (found.value, found.n) == (1.0, 3)


def test_resets_without_a_detail_are_placed_by_their_time(open_corner):
    begin = open_corner.drives[0].events[0].time_s
    assert measure("front_wall.false_resets", with_events(open_corner, reset("", begin + 0.5))).value == 1.0


def without_events(evidence, scale=1.0):
    """The same drives of a robot that reports no events, whose counts went `scale` times as far."""
    drives = []
    for drive in evidence.drives:
        samples = {
            message: dataclasses.replace(
                rows,
                values={
                    name: scale * values if name.startswith("encoder.") else values
                    for name, values in rows.values.items()
                },
            )
            for message, rows in drive.samples.items()
        }
        drives.append(dataclasses.replace(drive, events=(), samples=samples))
    return dataclasses.replace(evidence, drives=tuple(drives))


def test_without_events_a_false_reset_is_a_stop_that_the_counts_were_moved_from(open_corner):
    found = measure("front_wall.false_resets", without_events(open_corner))
    assert (found.value, found.n) == (0.0, 3)
    assert "only corrections that moved the stop by more than 10 mm" in found.notes[-1]
    # Three cells of 180 mm, 3 % further: 16 mm beyond the counted end.
    assert measure("front_wall.false_resets", without_events(open_corner, scale=1.03)).value == 3.0


def test_false_resets_need_an_opening(shuttled):
    with pytest.raises(CannotMeasureError, match="every straight ends before a wall"):
        measure("front_wall.false_resets", shuttled(each=1))


def test_two_estimates_of_a_stop_are_weighed_by_their_variances_where_they_agree():
    """Inverse-variance weights, textbook: of 1.0 (u 0.6) and 2.0 (u 0.8) the second has 0.36 / (0.36 + 0.64)."""
    share, note = share_of_ends(1.0, Part(0.6), Mean(value=2.0, part=Part(0.8), sd=math.nan, n=4))
    assert share == pytest.approx(0.36)
    assert "weighed" in note


def test_two_estimates_of_a_stop_that_disagree_are_not_mixed():
    share, note = share_of_ends(0.0, Part(0.5), Mean(value=8.0, part=Part(1.0), sd=math.nan, n=4))
    assert share == 0.0
    assert "they disagree" in note


def wall_stops(value, u):
    part = Part(u)
    return WallStops(mean=Mean(value=value, part=part, sd=math.nan, n=1), part=part, stops=[value])


def test_walls_that_stand_as_walls_do_are_averaged_and_others_are_not():
    # Two walls, each 1 mm off its place, its stop known to 0.75 mm: 3 * sqrt(2) * 1.25 mm apart is allowed.
    limit = 3 * math.sqrt(2) * 1.25
    first, near, far = wall_stops(1.0, 0.75), wall_stops(1.0 + 0.99 * limit, 0.75), wall_stops(1.0 - 1.01 * limit, 0.75)
    used, note = agreeing(first, [near, far])
    assert used == [first, near]
    assert "stand alone" in note
    assert agreeing(first, []) == ([first], "No other wall ahead tells a stop.")


def test_telemetry_and_a_person_measure_the_stop_at_the_same_walls(drawing):
    """A wall that stands 1.5 mm too far moves both routes by half of it: each is the mean over two walls."""
    robot = drawing(course=corner_course(), noise=0.001)
    stops = {CORNER: 2.0, (0, 3, Heading.WEST): 0.5, (0, 0, Heading.SOUTH): 0.0, (3, 3, Heading.EAST): 0.0}
    robot.stops_mm = stops
    by_robot = robot.evidence(*(robot.drive("shuttle", SHUTTLE, START, conditions={"board_mm": 0.0}) for _ in range(4)))
    read = [Answer(name="along", value=value, unit="mm", u=0.5, case=by_robot.drives[0].case, repeat=0, index=index,
                   source="operator") for index, value in enumerate((2.0, 0.5))]  # fmt: skip
    ahead = [
        robot.drive("stop", "ahead 3 by both", start, conditions={"board_mm": 0.0})
        for start in (START, CellPose(x=3, y=3, heading=Heading.WEST))
    ]
    by_hand = dataclasses.replace(by_robot, drives=tuple(ahead), answers=tuple(read))
    told = METHODS["observation.stop_position"].run(by_hand, Parameters(of=("stop",)))
    assert (told.value, told.n) == (pytest.approx(1.25), 2)
    found = measure("front_wall.stop_position", by_robot)
    assert found.value == pytest.approx(told.value, abs=0.3)
