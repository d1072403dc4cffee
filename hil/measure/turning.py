"""Turns as the walls saw them: heading and place of the axle just before and just after each turn.

A turn's true angle is the heading after it less the heading before it, each fitted to the walls beside the straights
on either side over the stretch next to the turn, and carried by odometry to the turn itself. The curvature of the
robot is held at what all straights tell. Around a half turn both fits see the same panels, whose placement falls out;
around a quarter turn they see different ones, whose placement stays. A turn without a straight on both sides is not
seen.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from hil.measure.corridor import CorridorFit, Pose, fit_corridor, pose_at
from hil.measure.evidence import Evidence, Floats
from hil.measure.legs import WALK_ROOT_MM, Range, robot_curvature, s_range, spot_range, straights, whole
from hil.measure.method import Parameters, ParameterSpec, drives_of
from hil.measure.model import ElementKind, Heading
from hil.measure.segments import Stage, stages
from hil.measure.straight_data import StraightData, straight_data
from hil.measure.values import CannotMeasureError

_STRETCH_MM = 240.0  # long enough for the sensors' noise, short enough for the wheels' random walk
_HALF = (ElementKind.ABOUT_LEFT, ElementKind.ABOUT_RIGHT)

STRETCH = ParameterSpec(
    name="stretch",
    meaning="length of wall before and after a turn that its headings are fitted to",
    unit="mm",
    default=_STRETCH_MM,
)


def turn_named(kind: ElementKind, place: tuple[int, int, int] | None = None) -> str:
    """Return the name of a kind of turn, and of its place (cell and heading): what values are chosen among."""
    if place is None:
        return f"turns {kind.value}"
    x, y, heading = place
    return f"turns {kind.value} in cell ({x}, {y}), looking {Heading(heading).name.lower()}"


@dataclass(frozen=True, slots=True, kw_only=True)
class TurnSeen:
    """A turn between two straights.

    `error_rad` is true less commanded angle, over-rotation positive whichever way. `before` and `after` are the poses
    at the end of the straight before and at the begin of the one after, each in its own frame. The `..._rad` numbers
    are standard uncertainties of the error: of both fits, of their sample noise, of odometry's walk between fit and
    turn, of the panels. Levers say how far a standard uncertainty of curvature moves the error (`lever_rad`, signed)
    and the heading after. `place` names the place on the course.
    """

    kind: ElementKind
    error_rad: float
    before_data: StraightData
    after_data: StraightData
    before_fit: CorridorFit
    after_fit: CorridorFit
    before: Pose
    after: Pose
    fit_rad: float
    white_rad: float
    walk_rad: float
    panels_rad: float
    lever_rad: float
    after_lever_rad: float
    after_fit_rad: float
    after_white_rad: float
    after_panels_rad: float
    after_calibration_rad: float
    place: tuple[int, int, int]

    @property
    def sign(self) -> int:
        """1 for a turn to the left, -1 for one to the right."""
        return 1 if self.kind.angle_rad > 0 else -1

    @property
    def is_half(self) -> bool:
        """Whether it is a half turn."""
        return self.kind in _HALF


def turns_seen(evidence: Evidence, parameters: Parameters, stretch_mm: float = _STRETCH_MM) -> tuple[TurnSeen, ...]:
    """Return the turns of the drives that the parameters name, in order; those the walls do not show are left out.

    `stretch_mm` is used where the parameters give no stretch. Raises `CannotMeasureError` with the first reason
    where the walls show none.
    """
    drives = drives_of(evidence, parameters)
    known = robot_curvature(straights(evidence, drives))
    kappa = known.robot_per_mm, known.robot.u
    stretch_mm = parameters.number("stretch", stretch_mm)
    found: list[TurnSeen] = []
    reason: CannotMeasureError | None = None
    for run in stages(drives, evidence.robot):
        for before, turn, after in zip(run, run[1:], run[2:], strict=False):
            straight = before.span.kind is ElementKind.AHEAD and after.span.kind is ElementKind.AHEAD
            if turn.span.kind is ElementKind.AHEAD or not straight:
                continue
            try:
                found.append(_seen(evidence, before, turn, after, kappa, stretch_mm))
            except CannotMeasureError as error:
                reason = reason or error
    if not found:
        raise reason or CannotMeasureError("no turn was driven between two straights")
    return tuple(found)


def _seen(
    evidence: Evidence, before: Stage, turn: Stage, after: Stage, kappa: tuple[float, float], stretch_mm: float
) -> TurnSeen:
    first = straight_data(before.drive, before.span, evidence.robot, evidence.course)
    last = straight_data(after.drive, after.span, evidence.robot, evidence.course)
    half = turn.span.kind in _HALF
    if half:
        ranges = _common(first, last, stretch_mm)
    else:
        ranges = _nearest(first, stretch_mm, False), _nearest(last, stretch_mm, True)
    one, two = _side(first, ranges[0], first.length_mm, kappa), _side(last, ranges[1], 0.0, kappa)
    sign = 1 if turn.span.kind.angle_rad > 0 else -1
    walk_mm = first.length_mm - float(np.mean(ranges[0])) + float(np.mean(ranges[1]))
    start = turn.span.start
    return TurnSeen(
        kind=turn.span.kind,
        error_rad=sign * (two.pose.theta_rad - one.pose.theta_rad),
        before_data=first,
        after_data=last,
        before_fit=one.fit,
        after_fit=two.fit,
        before=one.pose,
        after=two.pose,
        fit_rad=math.hypot(one.fit_rad, two.fit_rad),
        white_rad=math.hypot(one.white_rad, two.white_rad),
        walk_rad=WALK_ROOT_MM * math.sqrt(2 * walk_mm) / evidence.robot.wheel_base_mm,
        panels_rad=0.0 if half else math.hypot(one.panels_rad, two.panels_rad),
        lever_rad=-sign * (one.lever_rad + two.lever_rad),
        after_lever_rad=two.lever_rad,
        after_fit_rad=two.fit_rad,
        after_white_rad=two.white_rad,
        after_panels_rad=two.panels_rad,
        after_calibration_rad=two.calibration_rad,
        place=(start.x, start.y, int(start.heading)),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Beside:
    """The fit on one side of a turn: pose at the turn, and the parts of its heading's uncertainty."""

    fit: CorridorFit
    pose: Pose
    fit_rad: float
    white_rad: float
    panels_rad: float
    calibration_rad: float
    lever_rad: float


def _side(data: StraightData, ends: Range, at_mm: float, kappa: tuple[float, float]) -> _Beside:
    fit = fit_corridor(data, *ends, kappa)

    def u_heading(component: str) -> float:
        return math.sqrt(float(pose_at(data, fit, at_mm, component).covariance[1, 1]))

    return _Beside(
        fit=fit,
        pose=pose_at(data, fit, at_mm),
        fit_rad=u_heading("fit"),
        white_rad=math.sqrt(float(fit.white[1, 1])),
        panels_rad=u_heading("panels"),
        calibration_rad=u_heading("calibration"),
        lever_rad=u_heading("curvature"),
    )


def _common(first: StraightData, last: StraightData, stretch_mm: float) -> tuple[Range, Range]:
    """Return the ranges of s, before and after a half turn, in which the sensors see the same stretch next to it."""
    spots = spot_range(first, whole(first)), spot_range(last, whole(last))
    low, high = max(spots[0][0], spots[1][0]), min(spots[0][1], spots[1][1])
    if _turns_at_high_end(first):
        low = max(low, high - stretch_mm)
    else:
        high = min(high, low + stretch_mm)
    return s_range(first, (low, high)), s_range(last, (low, high))


def _turns_at_high_end(first: StraightData) -> bool:
    begin, end = (spot_range(first, (s, s))[0] for s in whole(first))
    return end > begin


def _nearest(data: StraightData, stretch_mm: float, at_begin: bool) -> Range:
    """Return the range of s next to a turn that holds `stretch_mm` from the first sample that sees a wall."""
    seen: Floats = data.s_mm[data.left_wall | data.right_wall]
    if seen.size == 0:
        raise CannotMeasureError(f"drive {data.drive.name}: a straight beside a turn has no wall to measure by")
    if at_begin:
        begin = float(np.min(seen))
        return begin, begin + stretch_mm
    end = float(np.max(seen))
    return end - stretch_mm, end
