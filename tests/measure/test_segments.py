"""Spans from events and from counts alone: the same legs and turns."""

from dataclasses import replace

import numpy as np
import pytest

from hil.measure.evidence import Samples
from hil.measure.model import CellPose, ElementKind, Heading
from hil.measure.segments import pose_after, spans, stages, wheel_rows
from hil.measure.values import CannotMeasureError

NORTH = CellPose(x=0, y=0, heading=Heading.NORTH)
OUT_AND_BACK = (
    "ahead 1 by both, ahead 3 blind, ahead 1 by both, about left, "
    "ahead 1 by both, ahead 3 blind, ahead 1 by both, about right"
)
ROUND_THE_CORNER = "ahead 2 by both, right, ahead 2 by both, about left, ahead 2 by both, left, ahead 2 by both"


def outlines(found, rows):
    return [
        (
            span.kind,
            span.elements,
            span.start,
            span.cells,
            rows.distance_mm[span.end_row - 1] - rows.distance_mm[span.begin_row],
            rows.theta_rad[span.end_row - 1] - rows.theta_rad[span.begin_row],
        )
        for span in found
    ]


def assert_same(one, two):
    assert [item[:4] for item in one] == [item[:4] for item in two]
    assert [item[4] for item in one] == pytest.approx([item[4] for item in two], abs=0.6)  # two counts
    assert [item[5] for item in one] == pytest.approx([item[5] for item in two], abs=0.008)


@pytest.mark.parametrize("path", [OUT_AND_BACK, ROUND_THE_CORNER])
@pytest.mark.parametrize("rest_rows", [8, 3])
def test_counts_alone_give_the_same_legs_and_turns_as_events(drawing, corridor, corner, path, rest_rows):
    course = corridor if path == OUT_AND_BACK else corner
    robot = drawing(course, mismatch=0.01, walk=0.01, y_mm=4.0, theta_rad=0.03, rest_rows=rest_rows)
    drive = robot.drive("one", path, NORTH)
    by_events, by_counts = spans(drive, robot.robot), spans(drive, robot.robot, use_events=False)
    rows = wheel_rows(drive, robot.robot)
    assert_same(outlines(by_events, rows), outlines(by_counts, rows))
    hidden = replace(drive, events=())
    assert spans(hidden, robot.robot) == by_counts


def test_consecutive_straights_are_one_span_and_know_their_elements(drawing, corridor):
    robot = drawing(corridor)
    found = spans(robot.drive("one", OUT_AND_BACK, NORTH), robot.robot)
    assert [span.kind for span in found] == [
        ElementKind.AHEAD, ElementKind.ABOUT_LEFT, ElementKind.AHEAD, ElementKind.ABOUT_RIGHT,
    ]  # fmt: skip
    assert found[0].elements == (0, 1, 2)
    assert found[0].cells == found[2].cells == 5
    assert found[2].start == CellPose(x=0, y=5, heading=Heading.SOUTH)


def test_straights_that_report_each_element_are_joined_too(drawing, corridor):
    robot = drawing(corridor)
    drive = robot.drive("one", "ahead 2 by both, ahead 3 blind", NORTH)
    begin, end = drive.events
    middle = (begin.time_s + end.time_s) / 2
    events = (begin, replace(end, detail="0", time_s=middle), replace(begin, detail="1", time_s=middle), end)
    assert spans(replace(drive, events=events), robot.robot) == spans(drive, robot.robot)


def test_a_lost_event_line_sends_the_drive_to_its_counts(drawing, corridor):
    robot = drawing(corridor)
    drive = robot.drive("one", OUT_AND_BACK, NORTH)
    partial = replace(drive, events=tuple(event for event in drive.events if event.name != "turn.begin"))
    assert spans(partial, robot.robot) == spans(drive, robot.robot, use_events=False)


def test_lost_rows_do_not_move_the_turns(drawing, corridor):
    robot = drawing(corridor)
    drive = robot.drive("one", OUT_AND_BACK, NORTH, events=False)
    motion = drive.samples["motion"]
    keep = np.random.default_rng(1).random(len(motion)) > 0.1
    thin = Samples(host_s=motion.host_s[keep], values={name: v[keep] for name, v in motion.values.items()})
    lossy = replace(drive, samples={"motion": thin})
    whole = outlines(spans(drive, robot.robot), wheel_rows(drive, robot.robot))
    assert_same(outlines(spans(lossy, robot.robot), wheel_rows(lossy, robot.robot)), whole)


def every(drive, number, phase, **changes):
    """Return the drive as a robot would tell it that prints every so many rows only."""
    rows = drive.samples["motion"]
    kept = {name: values[phase::number] for name, values in rows.values.items()}
    return replace(drive, samples={"motion": Samples(host_s=rows.host_s[phase::number], values=kept)}, **changes)


@pytest.mark.parametrize("phase", range(5))
def test_what_a_sparse_row_rolls_before_it_turns_is_the_straights(drawing, corner, phase):
    """Rows of 12 mm, and no rest at the corners: a row rolls and turns, and the straights keep their lengths."""
    robot = drawing(corner, rest_rows=1)
    drive = robot.drive("one", ROUND_THE_CORNER, NORTH)
    dense = [span.end_mm - span.begin_mm for span in spans(drive, robot.robot) if span.kind is ElementKind.AHEAD]
    sparse = spans(every(drive, 5, phase, events=()), robot.robot)
    lengths = [span.end_mm - span.begin_mm for span in sparse if span.kind is ElementKind.AHEAD]
    assert dense == pytest.approx([360.0] * 4, abs=0.5)
    # The first and the last straight begin and end within a row of rest; two counts of 0.24 mm beside.
    assert lengths[1:-1] == pytest.approx(dense[1:-1], abs=0.5)


@pytest.mark.parametrize("phase", range(5))
def test_a_row_in_which_the_robot_has_begun_to_turn_is_not_the_straights(drawing, corner, phase):
    robot = drawing(corner, rest_rows=1)
    drive = every(robot.drive("one", ROUND_THE_CORNER, NORTH), 5, phase)
    rows = wheel_rows(drive, robot.robot)
    for before, turn, after in zip(*(spans(drive, robot.robot)[at:] for at in range(3)), strict=False):
        if turn.kind is ElementKind.AHEAD:
            continue
        turned = rows.theta_rad[after.begin_row] - rows.theta_rad[before.end_row - 1]
        assert turned == pytest.approx(turn.kind.angle_rad, abs=0.007)  # two counts of one wheel


def test_turns_without_straights_between_are_told_apart(drawing, corridor):
    robot = drawing(corridor)
    drive = robot.drive("one", "left, left, right, ahead 2 blind", NORTH, events=False)
    kinds = [span.kind for span in spans(drive, robot.robot)]
    assert kinds == [ElementKind.LEFT, ElementKind.LEFT, ElementKind.RIGHT, ElementKind.AHEAD]


def test_a_path_that_was_not_driven_to_its_end_is_refused(drawing, corridor):
    robot = drawing(corridor)
    drive = robot.drive("one", "ahead 2 blind", NORTH, events=False)
    longer = replace(robot.drive("two", OUT_AND_BACK, NORTH), samples=drive.samples, events=())
    with pytest.raises(CannotMeasureError, match="drive two: the counts never reach the turn 'about left'"):
        spans(longer, robot.robot)


def test_a_straight_in_which_no_wheel_rolled_is_refused(drawing, corridor):
    robot = drawing(corridor)
    drive = robot.drive("one", "left", NORTH, events=False)
    with pytest.raises(CannotMeasureError, match="the wheels did not roll in the straight of 2 cells"):
        spans(replace(drive, path=robot.drive("x", "left, ahead 2 blind", NORTH).path), robot.robot)


def test_a_drive_without_counts_is_refused(drawing, corridor):
    robot = drawing(corridor)
    drive = replace(robot.drive("one", "ahead 2 blind", NORTH), samples={})
    with pytest.raises(CannotMeasureError, match="drive one carries no counts of both wheels"):
        spans(drive, robot.robot)


def test_drives_that_follow_each_other_are_joined_until_somebody_places_the_robot(drawing, corridor):
    robot = drawing(corridor)
    drives = [robot.drive("one", OUT_AND_BACK, NORTH) for _ in range(3)]
    drives.append(replace(drives[0], conditions={"placed": 1.0}))
    assert [len(run) for run in stages(tuple(drives), robot.robot)] == [12, 4]


def test_a_drive_that_broke_off_ends_the_joint(drawing, corridor):
    robot = drawing(corridor)
    good = robot.drive("one", OUT_AND_BACK, NORTH)
    broken = replace(good, samples=robot.drive("x", "ahead 2 blind", NORTH).samples, events=())
    assert [len(run) for run in stages((good, broken, good), robot.robot)] == [4, 4]
    with pytest.raises(CannotMeasureError, match="never reach"):
        stages((broken,), robot.robot)


def test_the_pose_after_a_path_is_nominal(drawing, corner):
    path = drawing(corner).drive("x", ROUND_THE_CORNER, NORTH).path
    assert pose_after(path, NORTH) == CellPose(x=0, y=0, heading=Heading.SOUTH)
