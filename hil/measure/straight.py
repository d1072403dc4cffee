"""Methods on straights driven back and forth: wheel mismatch, curvature, bow, start heading, offset, distance.

All of them read the side sensors against the course's walls, never the encoders against themselves; the wheel
mismatch is the curvature that is left when odometry has said its part, times the wheel base. Values are in the robot's
own frame: left positive, counter-clockwise positive.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from hil.measure.corridor import fit_corridor, pose_at
from hil.measure.course_walls import PANEL_GAP_MM
from hil.measure.edges import WallEnd, sampled_u_mm, wall_ends
from hil.measure.evidence import Evidence
from hil.measure.legs import (
    Curvature,
    by_blind_length,
    curvature_of,
    fitted_legs,
    longest_blind,
    pooled,
    robot_curvature,
    single_variance,
    straights,
    whole,
)
from hil.measure.method import Method, Parameters, ParameterSpec, drives_of
from hil.measure.straight_data import StraightData
from hil.measure.turning import TurnSeen, turn_named, turns_seen
from hil.measure.uncertainty import Part, join
from hil.measure.values import CannotMeasureError, Measurement
from hil.quantities import counted

_SIDES = ("wall.left", "wall.right", "encoder.left", "encoder.right")
_BASE_SHARE = 0.005  # standard uncertainty of the wheel base as a share: tyres are wide; common practice
_SETTLED_MM = 300.0  # travel after which tracking has settled
_STOPPING_MM = 40.0  # left out before the end, where the robot brakes
_START_MM = 420.0  # two panels and more on either side, since their placement does not average over repeats
_CELLS = 4.0
_END_MM = 1.0  # standard uncertainty of where one end was seen, beside what its kind has in common


def wheel_mismatch(evidence: Evidence, parameters: Parameters) -> Measurement:
    """Return (D_R - D_L)/D_mean in percent: the robot's curvature times its wheel base (kappa = eps/b)."""
    found = _curvature(evidence, parameters)
    base = evidence.robot.wheel_base_mm
    value = 100 * base * found.robot_per_mm
    part = join(found.robot.times(100 * base), Part(abs(value) * _BASE_SHARE))
    return Measurement(value=value, unit="%", u=part.u, dof=part.dof, n=found.n, notes=found.notes)


def curvature(evidence: Evidence, parameters: Parameters) -> Measurement:
    """Return the robot's own curvature [1/m], left positive."""
    found = _curvature(evidence, parameters)
    part = found.robot.times(1000)
    return Measurement(
        value=1000 * found.robot_per_mm, unit="1/m", u=part.u, dof=part.dof, n=found.n, notes=found.notes
    )


def course_bow(evidence: Evidence, parameters: Parameters) -> Measurement:
    """Return the curvature of the course's centre line [1/m], seen in the direction first driven, left positive."""
    found = _curvature(evidence, parameters)
    part = found.bow.times(1000)
    return Measurement(
        value=1000 * (found.bow_per_mm or 0.0), unit="1/m", u=part.u, dof=part.dof, n=found.n, notes=found.notes
    )


def _curvature(evidence: Evidence, parameters: Parameters) -> Curvature:
    """Fit the straights that hold the longest blind stretch: the whole of them, or that stretch alone.

    Where a straight was tracked odometry knows the steering, so the tracked ends serve the fit as the blind middle
    does, and the longer fit leaves less of the wheels' random walk. Drives without a blind stretch are taken whole.
    """
    found = straights(evidence, drives_of(evidence, parameters))
    lengths = by_blind_length(found)
    cells = max(lengths, default=0)
    alone = parameters.word("stretch", "whole") == "blind"
    if alone and not lengths:
        raise CannotMeasureError("no drive has a straight that was driven blind; drive one, or ask for stretch: whole")
    result = curvature_of(fitted_legs(lengths.get(cells, found), longest_blind if alone else whole))
    blind = f"{counted(cells, 'blind cell')}"
    note = f"fitted over {blind} alone" if alone else f"fitted over whole straights with {blind}"
    if result.bow_per_mm is None:
        raise CannotMeasureError(
            "the straights were driven one way only, so a curving robot cannot be told from a bowed course; "
            "drive the same cells back too"
        )
    return Curvature(
        robot_per_mm=result.robot_per_mm,
        robot=result.robot,
        bow_per_mm=result.bow_per_mm,
        bow=result.bow,
        n=result.n,
        notes=(note, *result.notes),
    )


def start_heading(evidence: Evidence, parameters: Parameters) -> Measurement:
    """Return the heading [deg] at which straights begin after a half turn.

    A half turn that goes too far heads one way after a left turn and the other after a right one, so the means of both
    stand apart and the larger is given.
    """
    seen = [turn for turn in turns_seen(evidence, parameters, _START_MM) if turn.is_half]
    if not seen:
        raise CannotMeasureError("no straight was driven on from a half turn")
    groups = [[turn for turn in seen if turn.sign == sign] for sign in (1, -1)]
    groups = [group for group in groups if group]
    headings = [[turn.after.theta_rad for turn in group] for group in groups]
    scatter, dof = pooled(headings)
    variance, dof, notes = single_variance(
        scatter,
        dof,
        fit=float(np.mean([turn.after_fit_rad**2 for turn in seen])),
        white=float(np.mean([turn.after_white_rad**2 for turn in seen])),
        walk=float(np.mean([turn.walk_rad**2 for turn in seen])) / 2,
    )
    sides = [_heading_after(group, Part(math.sqrt(variance / len(group)), dof)) for group in groups]
    side, worst = max(sides, key=lambda one: abs(one[1].value))
    told = f"after {side}, the larger of both"
    return replace(worst, notes=(told, *notes), among=tuple(sides))


def _heading_after(group: Sequence[TurnSeen], repeated: Part) -> tuple[str, Measurement]:
    """Return the mean heading after turns to one side, under the side's name."""
    part = join(
        repeated,
        Part(abs(float(np.mean([turn.after_lever_rad for turn in group])))),
        Part(math.sqrt(float(np.mean([turn.after_panels_rad**2 for turn in group])))),
        Part(math.sqrt(float(np.mean([turn.after_calibration_rad**2 for turn in group])))),
    )
    mean = float(np.mean([turn.after.theta_rad for turn in group]))
    return turn_named(group[0].kind), Measurement(
        value=math.degrees(mean), unit="deg", u=math.degrees(part.u), dof=part.dof, n=len(group)
    )


def lateral_offset(evidence: Evidence, parameters: Parameters) -> Measurement:
    """Return the mean offset [mm] from the centre line under two-wall tracking, settled straights only."""
    found = straights(evidence, drives_of(evidence, parameters))
    tracked = [(data, _settled(data)) for data in found]
    chosen = [(data, ends) for data, ends in tracked if ends is not None]
    if not chosen:
        raise CannotMeasureError(f"no straight was driven by both walls for longer than {_SETTLED_MM:.0f} mm")
    kappa = robot_curvature(found)
    values, fits, calibrations, panels = [], [], [], []
    for data, ends in chosen:
        fit = fit_corridor(data, *ends, (kappa.robot_per_mm, kappa.robot.u), both_walls=True)
        middle = (fit.s_from_mm + fit.s_to_mm) / 2
        grid = np.linspace(fit.s_from_mm, fit.s_to_mm, 25)
        values.append(float(np.mean([pose_at(data, fit, s).y_mm for s in grid])))
        fits.append(float(pose_at(data, fit, middle, "fit").covariance[0, 0]))
        calibrations.append(float(pose_at(data, fit, middle, "calibration").covariance[0, 0]))
        panels.append(float(pose_at(data, fit, middle, "panels").covariance[0, 0]))
    scatter, dof = pooled([values])
    variance, dof, notes = single_variance(scatter, dof, fit=float(np.mean(fits)), white=0.0, walk=0.0)
    part = join(
        Part(math.sqrt(variance / len(values)), dof),
        Part(math.sqrt(float(np.mean(calibrations)))),
        Part(math.sqrt(float(np.mean(panels)))),
    )
    told = "read by the sensors that steer: their own calibration error does not show"
    return Measurement(
        value=float(np.mean(values)), unit="mm", u=part.u, dof=part.dof, n=len(values), notes=(told, *notes)
    )


def _settled(data: StraightData) -> tuple[float, float] | None:
    """Return the settled middle of the longest stretch under two-wall tracking, None where there is none."""
    ends = max(data.stretches("both"), key=lambda one: one[1] - one[0], default=None)
    if ends is None:
        return None
    begin, end = ends[0] + _SETTLED_MM, min(ends[1], data.length_mm) - _STOPPING_MM
    return (begin, end) if end - begin > data.course.pitch_mm / 2 else None


def leg_distance(evidence: Evidence, parameters: Parameters) -> Measurement:
    """Return true minus counted distance [mm] over `cells` cells, between wall ends of the same kind.

    The pairs are the farthest apart that were seen; what they tell is scaled to `cells`.
    """
    found = straights(evidence, drives_of(evidence, parameters))
    kappa = robot_curvature(found)
    pairs = [pair for data in found for pair in _pairs(data, (kappa.robot_per_mm, kappa.robot.u))]
    if not pairs:
        raise CannotMeasureError(
            "no straight passes two wall ends of the same kind; leave out two panels on one side, some cells apart"
        )
    longest = max(_true(pair) for pair in pairs)
    used = [pair for pair in pairs if _true(pair) > longest - 1.0]
    cells = parameters.number("cells", _CELLS)
    scale = cells * evidence.course.pitch_mm / longest
    groups: dict[tuple[bool, bool, float], list[float]] = {}
    for first, last in used:
        key = (first.rising, first.side.value == "left", round(first.course_mm))
        groups.setdefault(key, []).append(scale * (last.x_mm - first.x_mm - (last.seen_s_mm - first.seen_s_mm)))
    scatter, dof = pooled(list(groups.values()))
    each = math.hypot(_END_MM, sampled_u_mm(end for pair in used for end in pair))
    variance, dof, notes = single_variance(scatter, dof, fit=2 * (scale * each) ** 2, white=0.0, walk=0.0)
    value = float(np.mean([np.mean(group) for group in groups.values()]))
    repeated = math.sqrt(sum(variance / len(group) for group in groups.values())) / len(groups)
    part = join(Part(repeated, dof), Part(scale * PANEL_GAP_MM * math.sqrt(2)))
    told = f"between wall ends {longest / evidence.course.pitch_mm:.0f} cells apart, by the course's pitch as drawn"
    return Measurement(value=value, unit="mm", u=part.u, dof=part.dof, n=len(used), notes=(told, *notes))


def _pairs(data: StraightData, kappa: tuple[float, float]) -> Sequence[tuple[WallEnd, WallEnd]]:
    try:
        fit = fit_corridor(data, *whole(data), kappa)
    except CannotMeasureError:
        return ()
    pairs: list[tuple[WallEnd, WallEnd]] = []
    ends = wall_ends(data, fit)
    for rising in (True, False):
        for side in {end.side for end in ends}:
            same = [end for end in ends if end.rising is rising and end.side is side]
            if len(same) > 1:
                pairs.append((same[0], same[-1]))
    return pairs


def _true(pair: tuple[WallEnd, WallEnd]) -> float:
    return pair[1].at_mm - pair[0].at_mm


_WHICH = ParameterSpec(
    name="stretch",
    meaning="what is fitted of the straights with the longest blind part: the whole, or that part alone",
    default="whole",
    is_word=True,
    choices=("blind", "whole"),
)
_FIT = "corridor fit y0, theta0, kappa; variance of the quadratic fit after Gluckstern 1963"

METHODS_OF_SUBJECT: tuple[Method, ...] = (
    Method(
        name="straight.wheel_mismatch",
        unit="%",
        run=wheel_mismatch,
        needs=_SIDES,
        summary="how much larger the right wheel is than the left, by the curve of blind straights out and back",
        source=f"differential drive, kappa = eps/b; {_FIT}",
        parameters=(_WHICH,),
    ),
    Method(
        name="straight.curvature",
        unit="1/m",
        run=curvature,
        needs=_SIDES,
        summary="curvature of the robot on blind straights, left positive, the course's bow taken out",
        source=_FIT,
        parameters=(_WHICH,),
    ),
    Method(
        name="straight.course_bow",
        unit="1/m",
        run=course_bow,
        needs=_SIDES,
        summary="curvature of the course's centre line in the direction first driven, the robot's taken out",
        source=_FIT,
        parameters=(_WHICH,),
    ),
    Method(
        name="straight.start_heading",
        unit="deg",
        run=start_heading,
        needs=_SIDES,
        summary="heading at the begin of straights after a half turn; the worse of left and right",
        source=_FIT,
        parameters=(
            ParameterSpec(
                name="stretch",
                meaning="length of wall at the begin of a straight that its heading is fitted to",
                unit="mm",
                default=_START_MM,
            ),
        ),
    ),
    Method(
        name="straight.lateral_offset",
        unit="mm",
        run=lateral_offset,
        needs=_SIDES,
        summary="mean offset from the centre line under two-wall tracking, settled",
        source=_FIT,
    ),
    Method(
        name="straight.leg_distance",
        unit="mm",
        run=leg_distance,
        needs=_SIDES,
        summary="true minus counted distance between wall ends of the same kind",
        source="wall ends at half of the wall's reading; common practice",
        parameters=(ParameterSpec(name="cells", meaning="over how many cells the error is stated", default=_CELLS),),
    ),
)
