"""Straights of several drives together: the robot's own curvature apart from the course's bow.

A robot that curves keeps its side in its own frame whichever way it drives; a course that bows changes sides. So

    kappa_robot = (kappa_out + kappa_back)/2,  kappa_course = (kappa_out - kappa_back)/2, both in the robot's frame,

and the bow of the centre line seen outbound is -kappa_course. Both directions are fitted over the same stretch of wall,
so that the placement of its panels falls out of the robot's part. A lane is one row or column of cells.

Repeated legs scatter more than a fit says, since wheels slip at random: from enough repeats on their scatter stands,
never below the sample noise; with few repeats the larger of both; with none an allowance for the random walk of
odometry is added (k = 0.02 sqrt(mm) per wheel, common practice), which makes single legs honest and wide.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from hil.measure.corridor import CorridorFit, fit_corridor
from hil.measure.course_walls import PANEL_SEEN_MM
from hil.measure.evidence import Drive, Evidence
from hil.measure.model import ElementKind, Heading
from hil.measure.segments import spans
from hil.measure.straight_data import StraightData, straight_data
from hil.measure.uncertainty import Part, join
from hil.measure.values import CannotMeasureError

WALK_ROOT_MM = 0.02  # random walk of one wheel, sqrt(mm); middle of the range known of such robots, common practice
ENOUGH_DOF = 6  # four legs each way: the scatter is then known to about 30 %
_LONG_SHARE = 0.6  # straights shorter than this share of the longest say next to nothing of curvature

Lane = tuple[str, int]
Range = tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Leg:
    """One straight with its fit over the stretch its lane has in common."""

    data: StraightData
    fit: CorridorFit
    lane: Lane
    outbound: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Curvature:
    """Curvature [1/mm] of the robot and bow of the course, each with its contribution, from `n` legs.

    `bow_per_mm` is None where no lane was driven both ways; `robot_per_mm` then holds the bow too, and `robot` the
    panels' placement.
    """

    robot_per_mm: float
    robot: Part
    bow_per_mm: float | None
    bow: Part
    n: int
    notes: tuple[str, ...] = field(default=())


def straights(evidence: Evidence, drives: Sequence[Drive]) -> tuple[StraightData, ...]:
    """Return the straights of `drives`; those that broke off are left out, unless all did: the reason is raised."""
    found: list[StraightData] = []
    reason: CannotMeasureError | None = None
    for drive in drives:
        try:
            found.extend(
                straight_data(drive, span, evidence.robot, evidence.course)
                for span in spans(drive, evidence.robot)
                if span.kind is ElementKind.AHEAD
            )
        except CannotMeasureError as error:
            reason = reason or error
    if not found:
        raise reason or CannotMeasureError("the drives hold no straight")
    return tuple(found)


def lane_of(data: StraightData) -> Lane:
    """Return the row or column of cells a straight lies in."""
    start = data.span.start
    return ("column", start.x) if start.heading in (Heading.NORTH, Heading.SOUTH) else ("row", start.y)


def lane_sign(data: StraightData) -> int:
    """Return 1 where a straight runs north or east, -1 where it runs south or west."""
    return 1 if data.span.start.heading in (Heading.NORTH, Heading.EAST) else -1


def spot_range(data: StraightData, s_range: Range) -> Range:
    """Return where along the lane (north or east positive) the sensors' spots lie for a range of s."""
    ends = [lane_sign(data) * (data.along_mm + s + data.look_ahead_mm) for s in s_range]
    return min(ends), max(ends)


def s_range(data: StraightData, spots: Range) -> Range:
    """Return the range of s in which the sensors' spots lie in a range along the lane; the inverse of `spot_range`."""
    ends = [lane_sign(data) * spot - data.along_mm - data.look_ahead_mm for spot in spots]
    return min(ends), max(ends)


def longest_blind(data: StraightData) -> Range | None:
    """Return the longest stretch of a straight that was driven without looking at walls, None without one."""
    return max(data.stretches("none"), key=lambda ends: ends[1] - ends[0], default=None)


def whole(data: StraightData) -> Range:
    """Return the whole of a straight."""
    return 0.0, data.length_mm


def fitted_legs(found: Sequence[StraightData], choose: Callable[[StraightData], Range | None]) -> tuple[Leg, ...]:
    """Fit the chosen stretch of every straight, restricted to what the legs of its lane have in common."""
    chosen = [(data, ends) for data in found if (ends := choose(data)) is not None]
    lanes: dict[Lane, list[tuple[StraightData, Range]]] = {}
    for data, ends in chosen:
        lanes.setdefault(lane_of(data), []).append((data, spot_range(data, ends)))
    legs: list[Leg] = []
    reason: CannotMeasureError | None = None
    for lane, members in lanes.items():
        common = max(spots[0] for _, spots in members), min(spots[1] for _, spots in members)
        first = members[0][0].span.start.heading
        for data, _ in members:
            try:
                fit = fit_corridor(data, *s_range(data, common))
            except CannotMeasureError as error:
                reason = reason or error
                continue
            legs.append(Leg(data=data, fit=fit, lane=lane, outbound=data.span.start.heading == first))
    if not legs:
        raise reason or CannotMeasureError("no straight has the stretch that is to be fitted")
    return tuple(legs)


def curvature_of(legs: Sequence[Leg]) -> Curvature:
    """Return the robot's curvature and the course's bow from fitted legs (out-and-back separation)."""
    groups: dict[Lane, dict[bool, list[Leg]]] = {}
    for leg in legs:
        groups.setdefault(leg.lane, {}).setdefault(leg.outbound, []).append(leg)
    both = {lane: ways for lane, ways in groups.items() if len(ways) == 2}
    used = both or groups
    cells = [members for ways in used.values() for members in ways.values()]
    variance, dof, notes = _repeat_variance(cells)
    weights = [1.0 / len(used) / len(ways) for ways in used.values() for _ in ways]
    means = [float(np.mean([leg.fit.kappa_per_mm for leg in members])) for members in cells]
    part = Part(math.sqrt(sum(w**2 * variance / len(members) for w, members in zip(weights, cells, strict=True))), dof)
    flat = [leg for members in cells for leg in members]
    calibration = Part(math.sqrt(float(np.mean([leg.fit.components["calibration"][2, 2] for leg in flat]))))
    placed = Part(_panels_left(cells, weights))
    signs = [1.0 if members[0].outbound else -1.0 for members in cells]
    robot = sum(w * m for w, m in zip(weights, means, strict=True))
    return Curvature(
        robot_per_mm=robot,
        robot=join(part, calibration, placed),
        bow_per_mm=-sum(s * w * m for s, w, m in zip(signs, weights, means, strict=True)) if both else None,
        bow=join(part, calibration),
        n=len(flat),
        notes=notes,
    )


def _panels_left(cells: Sequence[Sequence[Leg]], weights: Sequence[float]) -> float:
    """Return what the placement of panels leaves in a weighted curvature: what both directions do not share."""
    moved: dict[int, float] = {}
    for members, weight in zip(cells, weights, strict=True):
        for leg in members:
            # Left of a straight is one way on the course out and the other way back.
            share = lane_sign(leg.data) * weight / len(members)
            for panel, parameters in leg.fit.panels.items():
                moved[panel] = moved.get(panel, 0.0) + share * float(parameters[2])
    return PANEL_SEEN_MM * math.sqrt(math.fsum(one**2 for one in moved.values()))


def robot_curvature(found: Sequence[StraightData]) -> Curvature:
    """Return the best curvature that these straights tell, for methods that must take it out of something else."""
    longest = max(data.length_mm for data in found)
    return curvature_of(fitted_legs([data for data in found if data.length_mm >= _LONG_SHARE * longest], whole))


def walk_u_kappa(length_mm: float, wheel_base_mm: float) -> float:
    """Return the standard uncertainty [1/mm] that odometry's random walk gives a curvature fitted over a length.

    Heading wanders with variance 2 k^2/b^2 per mm; the quadratic fit of its integral has 10/7 of the variance that its
    end-to-end difference has (derived, checked by simulation in the tests).
    """
    return math.sqrt(10 / 7 * 2 / length_mm) * WALK_ROOT_MM / wheel_base_mm


def pooled(groups: Sequence[Sequence[float]]) -> tuple[float, float]:
    """Return the variance of single values about the means of their groups, and its degrees of freedom."""
    dof = sum(len(group) - 1 for group in groups)
    squares = sum(float(np.sum((np.asarray(group) - np.mean(group)) ** 2)) for group in groups)
    return (squares / dof if dof else 0.0), float(dof)


def single_variance(
    scatter: float, dof: float, fit: float, white: float, walk: float
) -> tuple[float, float, tuple[str, ...]]:
    """Return variance and degrees of freedom of a single value: scatter, its fit, sample noise, odometry's walk."""
    if dof >= ENOUGH_DOF:
        return max(scatter, white), dof, ()
    if dof >= 1:
        return (scatter, dof, ()) if scatter >= fit else (fit, math.inf, ("few repeats: the fit's uncertainty stands",))
    return fit + walk, math.inf, ("not repeated: an allowance for the random walk of the wheels is included",)


def _repeat_variance(cells: Sequence[Sequence[Leg]]) -> tuple[float, float, tuple[str, ...]]:
    scatter, dof = pooled([[leg.fit.kappa_per_mm for leg in members] for members in cells])
    flat = [leg for members in cells for leg in members]

    def mean(of: Callable[[Leg], float]) -> float:
        return float(np.mean([of(leg) for leg in flat]))

    return single_variance(
        scatter,
        dof,
        fit=mean(lambda leg: float(leg.fit.components["fit"][2, 2])),
        white=mean(lambda leg: float(leg.fit.white[2, 2])),
        walk=mean(lambda leg: walk_u_kappa(leg.fit.s_to_mm - leg.fit.s_from_mm, leg.data.robot.wheel_base_mm) ** 2),
    )


def by_blind_length(found: Sequence[StraightData]) -> Mapping[int, list[StraightData]]:
    """Return the straights by their longest blind stretch in whole cells; those without one are left out."""
    lengths: dict[int, list[StraightData]] = {}
    for data in found:
        ends = longest_blind(data)
        if ends is not None:
            lengths.setdefault(round((ends[1] - ends[0]) / data.course.pitch_mm), []).append(data)
    return lengths
