"""The spans of a drive: which rows belong to which straight and which turn of its path.

Consecutive straights are one span, since the robot need not stop between them; every turn is a span of its own. Spans
come from the robot's events where it reports them, and from wheel counts alone where it does not, where an event line
was lost, or where `use_events` is false. Both ways give the same legs and turns: boundaries lie where the wheels
stand or change from rolling to turning. A drive whose counts do not carry out its path is refused.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from hil.measure.evidence import Drive, Floats, Samples
from hil.measure.model import CellPose, ElementKind, Heading, PathElement, Robot
from hil.measure.values import CannotMeasureError

_SMOOTHED_S = 0.04  # a moving sum over increments, so that one count of quantisation is no change of direction
_TURNING_SHARE = 0.1  # a turn goes on while its rate is above this share of its peak
_EVENT_SLACK_ROWS = 3  # a turn may be reported begun a moment before the straight is reported ended
_STRADDLED = 2  # rows between the last of a straight and the first in which the wheels only turn
_SHORTEST_STRAIGHT_MM = 30.0  # a straight of which less was rolled was not driven


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """One straight (`kind` AHEAD, all its `elements`) or one turn of a drive.

    `elements` are indexes into the drive's path. Rows are those of `wheel_rows(drive)`, `end_row` not included; times
    are those rows' times. `begin_mm` and `end_mm` are the drive's distances there: what was rolled from a straight's
    last row into the turn, or out of it into its first, belongs to the straight, since a pivot itself rolls nowhere.
    `start` is the nominal pose at its begin, `cells` the commanded cells of a straight.
    """

    kind: ElementKind
    elements: tuple[int, ...]
    begin_s: float
    end_s: float
    begin_row: int
    end_row: int
    begin_mm: float
    end_mm: float
    start: CellPose
    cells: int


@dataclass(frozen=True, slots=True, kw_only=True)
class WheelRows:
    """Wheel travel by row: times [s], distance of the axle's middle [mm] and heading [rad] from the drive's begin."""

    time_s: Floats
    distance_mm: Floats
    theta_rad: Floats
    samples: Samples


def wheel_rows(drive: Drive, robot: Robot) -> WheelRows:
    """Return the drive's wheel travel by the robot's nominal sizes; refuse where there are no counts.

    ds = (s_R + s_L)/2, dtheta = (s_R - s_L)/b (differential drive, textbook).
    """
    for rows in drive.samples.values():
        if "encoder.left" in rows.values and "encoder.right" in rows.values and len(rows) > 1:
            left = (rows.values["encoder.left"] - rows.values["encoder.left"][0]) * robot.mm_per_count_left
            right = (rows.values["encoder.right"] - rows.values["encoder.right"][0]) * robot.mm_per_count_right
            return WheelRows(
                time_s=rows.values.get("time", rows.host_s),
                distance_mm=(left + right) / 2,
                theta_rad=(right - left) / robot.wheel_base_mm,
                samples=rows,
            )
    raise CannotMeasureError(f"drive {drive.name} carries no counts of both wheels")


@dataclass(frozen=True, slots=True, kw_only=True)
class _Group:
    """Consecutive elements of a path that make one span, with the nominal pose before them."""

    kind: ElementKind
    elements: tuple[int, ...]
    start: CellPose
    cells: int


def spans(drive: Drive, robot: Robot, use_events: bool = True) -> tuple[Span, ...]:
    """Return the straights and turns of `drive` in order; refuse where its counts do not carry out its path."""
    rows, groups = wheel_rows(drive, robot), _groups(drive.path, drive.start)
    if not groups:
        raise CannotMeasureError(f"drive {drive.name} has an empty path")
    bounds = _bounds_from_events(drive, rows, groups) if use_events else None
    if bounds is None:
        bounds = _bounds_from_counts(drive, rows, groups, robot)
    distances = _distances(rows, groups, bounds)
    return tuple(
        Span(
            kind=group.kind,
            elements=group.elements,
            begin_s=float(rows.time_s[begin]),
            end_s=float(rows.time_s[end - 1]),
            begin_row=begin,
            end_row=end,
            begin_mm=begin_mm,
            end_mm=end_mm,
            start=group.start,
            cells=group.cells,
        )
        for group, (begin, end), (begin_mm, end_mm) in zip(groups, bounds, distances, strict=True)
    )


def _distances(rows: WheelRows, groups: tuple[_Group, ...], bounds: list[tuple[int, int]]) -> list[tuple[float, float]]:
    """Return where along the drive every group begins and ends.

    Between a straight and a turn that is the distance in the middle of the turn, when the wheels go against each other:
    rows that come seldom straddle the two. Only what was rolled from the one row to the next is added to a straight; a
    turn that rolls for longer is no pivot, and keeps its way.
    """
    found = [(float(rows.distance_mm[begin]), float(rows.distance_mm[end - 1])) for begin, end in bounds]
    for at, (group, (begin, end)) in enumerate(zip(groups, bounds, strict=True)):
        if group.kind is ElementKind.AHEAD:
            continue
        middle = (begin + end - 1) // 2
        if at > 0 and groups[at - 1].kind is ElementKind.AHEAD:
            last = bounds[at - 1][1] - 1
            found[at - 1] = found[at - 1][0], float(rows.distance_mm[min(last + _STRADDLED, max(last, middle))])
        if at + 1 < len(groups) and groups[at + 1].kind is ElementKind.AHEAD:
            first = bounds[at + 1][0]
            found[at + 1] = float(rows.distance_mm[max(first - _STRADDLED, min(first, middle))]), found[at + 1][1]
    return found


@dataclass(frozen=True, slots=True, kw_only=True)
class Stage:
    """A span with the drive it belongs to; `drive_index` counts within the drives it was asked of."""

    drive: Drive
    drive_index: int
    span: Span


def stages(drives: tuple[Drive, ...], robot: Robot, use_events: bool = True) -> tuple[tuple[Stage, ...], ...]:
    """Return the drives' spans, joined where one drive goes on from where the last one ended.

    Drives are joined when they follow each other in the same case, their nominal poses meet and nobody placed the
    robot in between (`conditions["placed"]`). A drive that broke off is left out and ends the joint; when none is
    left, the first reason is raised.
    """
    runs: list[list[Stage]] = []
    end: tuple[str, CellPose] | None = None
    reason: CannotMeasureError | None = None
    for index, drive in enumerate(drives):
        try:
            found = spans(drive, robot, use_events)
        except CannotMeasureError as error:
            reason, end = reason or error, None
            continue
        joined = end == (drive.case, drive.start) and not drive.conditions.get("placed")
        if not joined:
            runs.append([])
        runs[-1].extend(Stage(drive=drive, drive_index=index, span=span) for span in found)
        end = (drive.case, pose_after(drive.path, drive.start))
    if not runs and reason is not None:
        raise reason
    return tuple(tuple(run) for run in runs)


def pose_after(path: tuple[PathElement, ...], start: CellPose) -> CellPose:
    """Return the nominal pose at the end of a path."""
    pose = start
    for element in path:
        dx, dy = pose.heading.step
        ahead = element.cells if element.kind is ElementKind.AHEAD else 0
        heading: Heading = pose.heading.turned(element.kind.quarters_right)
        pose = CellPose(x=pose.x + dx * ahead, y=pose.y + dy * ahead, heading=heading)
    return pose


def _groups(path: tuple[PathElement, ...], start: CellPose) -> tuple[_Group, ...]:
    groups: list[_Group] = []
    pose = start
    for index, element in enumerate(path):
        straight = element.kind is ElementKind.AHEAD
        if straight and groups and groups[-1].kind is ElementKind.AHEAD:
            last = groups.pop()
            elements, begin, cells = (*last.elements, index), last.start, last.cells + element.cells
        else:
            elements, begin, cells = (index,), pose, element.cells if straight else 0
        groups.append(_Group(kind=element.kind, elements=elements, start=begin, cells=cells))
        pose = pose_after((element,), pose)
    return tuple(groups)


def _bounds_from_events(drive: Drive, rows: WheelRows, groups: tuple[_Group, ...]) -> list[tuple[int, int]] | None:
    """Return (begin row, end row) of every group, or None where the events are not complete."""
    with_clock = "time" in rows.samples.values
    bounds: list[tuple[int, int]] = []
    for group in groups:
        word = "move" if group.kind is ElementKind.AHEAD else "turn"
        wanted = {str(index) for index in group.elements}
        begins = [event for event in drive.events if event.name == f"{word}.begin" and event.detail in wanted]
        ends = [event for event in drive.events if event.name == f"{word}.end" and event.detail in wanted]
        if not begins or len(begins) != len(ends):
            return None
        first = begins[0].time_s if with_clock else begins[0].host_s
        last = ends[-1].time_s if with_clock else ends[-1].host_s
        begin = int(np.searchsorted(rows.time_s, first))
        end = int(np.searchsorted(rows.time_s, last, side="right"))
        if not (math.isfinite(first) and math.isfinite(last)) or end - begin < 2:
            return None
        if bounds and begin < bounds[-1][1] - _EVENT_SLACK_ROWS:
            return None
        bounds.append((begin, end))
    return _filled(groups, bounds)


def _filled(groups: tuple[_Group, ...], bounds: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """Give the rest between a straight and a turn to the straight: what creeps there is not the turn's.

    The rows within the turn are not given, since the robot has turned in them by as much as it does from row to row.
    """
    filled = list(bounds)
    for index, group in enumerate(groups):
        if group.kind is ElementKind.AHEAD:
            begin, end = bounds[index]
            if index > 0:
                begin = min(begin, bounds[index - 1][1])
            if index + 1 < len(groups):
                end = max(end, bounds[index + 1][0])
            filled[index] = (begin, end)
    return filled


def _bounds_from_counts(
    drive: Drive, rows: WheelRows, groups: tuple[_Group, ...], robot: Robot
) -> list[tuple[int, int]]:
    """Find each turn by the row where the counted heading passes its middle, then widen it to where it ends."""
    turned, rolled = _increments(rows, robot)
    bounds: list[tuple[int, int]] = []
    (begin, size), level = _under_way(drive, rows), 0.0
    for group in groups:
        if group.kind is ElementKind.AHEAD:
            bounds.append((begin, size))  # the next turn, if any, cuts it off
            continue
        angle = group.kind.angle_rad
        past = np.nonzero((rows.theta_rad[begin:] - level - angle / 2) * math.copysign(1, angle) >= 0)[0]
        if past.size == 0:
            raise CannotMeasureError(
                f"drive {drive.name}: the counts never reach the turn {group.kind.value!r}; the path was not driven"
            )
        middle = begin + int(past[0])
        first, last = _widened(turned, rolled, middle, begin, size - 1)
        if bounds and bounds[-1][1] == size:
            bounds[-1] = (bounds[-1][0], max(first + 1, bounds[-1][0] + 1))
        bounds.append((first, last + 1))
        begin, level = last, level + angle
    _check_distance(drive, rows, groups, bounds)
    return bounds


def _under_way(drive: Drive, rows: WheelRows) -> tuple[int, int]:
    """Return the rows from the last before the wheels moved to the first after they did, end not included."""
    moved = np.nonzero((np.diff(rows.distance_mm) != 0) | (np.diff(rows.theta_rad) != 0))[0]
    if not moved.size:
        raise CannotMeasureError(f"drive {drive.name}: the wheels did not move; the path was not driven")
    return int(moved[0]), int(moved[-1]) + 2


def _increments(rows: WheelRows, robot: Robot) -> tuple[Floats, Floats]:
    """Return how far the wheels turned against each other and rolled together around each row [mm]."""
    period_s = float(np.median(np.diff(rows.time_s))) or _SMOOTHED_S
    width = max(1, 2 * round(_SMOOTHED_S / period_s / 2) + 1)
    kernel = np.ones(width)
    turn = np.diff(rows.theta_rad, prepend=rows.theta_rad[0]) * robot.wheel_base_mm / 2
    roll = np.diff(rows.distance_mm, prepend=rows.distance_mm[0])
    return np.abs(np.convolve(turn, kernel, mode="same")), np.abs(np.convolve(roll, kernel, mode="same"))


def _widened(turned: Floats, rolled: Floats, middle: int, lowest: int, highest: int) -> tuple[int, int]:
    """Widen a turn from its middle row both ways, to where the wheels stand or roll rather than turn."""
    peak = float(np.max(turned[max(lowest, middle - 2) : middle + 3]))
    turning = (turned > rolled) | (turned > _TURNING_SHARE * peak)
    turning &= turned > 0
    first = middle
    while first > lowest and turning[first - 1]:
        first -= 1
    last = middle
    while last < highest and turning[last + 1]:
        last += 1
    return max(first - 1, lowest), min(last + 1, highest)


def _check_distance(drive: Drive, rows: WheelRows, groups: tuple[_Group, ...], bounds: list[tuple[int, int]]) -> None:
    for group, (begin, end) in zip(groups, bounds, strict=True):
        if (
            group.kind is ElementKind.AHEAD
            and rows.distance_mm[end - 1] - rows.distance_mm[begin] < _SHORTEST_STRAIGHT_MM
        ):
            raise CannotMeasureError(
                f"drive {drive.name}: the wheels did not roll in the straight of {group.cells} cells; it was not driven"
            )
