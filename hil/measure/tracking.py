"""Laps under one-wall tracking: how far from the middle the robot settles, how soon, and whether it touches.

A sensor that steers is no witness of its own error, so the offset under right-wall tracking is read by the left
sensor and the other way round. What a wrong gain or surface does is seen in the width residual: both side distances
and the body between the sensors, less the free width. Offsets are positive to the left of the corridor's middle in
the direction of travel. With y_R under right-wall and y_L under left-wall tracking, the sum tells wheel or sensor
mismatch, the difference y_L - y_R surface or common gain.

Rows count from a distance after the turn at which the robot has settled. Only straights of three cells or more under
the tracking asked for are used. Legs that run along the same walls form a group: repeats average within it, but the
places of its walls do not.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np

from hil.measure.corridor import CorridorFit, fit_corridor, offsets
from hil.measure.course_walls import PANEL_PLACEMENT_MM, PANEL_SEEN_MM, Flags
from hil.measure.evidence import Drive, Evidence, Floats
from hil.measure.general import answers_of
from hil.measure.method import Method, Parameters, ParameterSpec, drives_of
from hil.measure.model import CellPose, ElementKind, Heading
from hil.measure.moments import clock_of, duration_u_s, period_s
from hil.measure.segments import Span, spans
from hil.measure.shared_errors import SharedValue, combined, mean_of_groups
from hil.measure.straight_data import SideData, StraightData, integrated, straight_data
from hil.measure.uncertainty import Part, effective_number, join, mean_of_known
from hil.measure.values import CannotMeasureError, Measurement
from hil.measure.wall_sensor import calibration_u_mm

SETTLED_AFTER_MM = 315.0  # one cell and three quarters; a robot 5 mm off comes back within about 300 mm
SETTLED_BAND_MM = 3.0  # panels stand within 0.5 mm, and a robot that follows one wall follows their steps
_LONG_CELLS = 3
_FEWEST_ROWS = 4  # a robot that prints seldom has no more beside a wall of one cell
_TRIM = 5.0  # robust standard deviations
_LAP_S = 0.01  # a lap begins and ends with a row, and a robot's periods are of some milliseconds
_LeftOut = list[str]

Key = tuple[CellPose, int]


@dataclass(frozen=True, slots=True, kw_only=True)
class Leg:
    """A straight of a drive with its data; `after` is the turn before it, None at the begin of a drive."""

    drive: Drive
    span: Span
    data: StraightData
    after: ElementKind | None

    @property
    def key(self) -> Key:
        """Legs with the same key run along the same walls."""
        return self.span.start, self.span.cells

    @property
    def trackings(self) -> frozenset[str]:
        """The trackings of its elements."""
        return frozenset(self.drive.path[index].tracking for index in self.span.elements)


def legs(evidence: Evidence, drives: tuple[Drive, ...], left_out: _LeftOut) -> Iterator[Leg]:
    """Yield the straights of the drives; a drive that broke off is named in `left_out` and skipped."""
    for drive in drives:
        try:
            found = spans(drive, evidence.robot)
        except CannotMeasureError as error:
            left_out.append(f"Left out: {error}.")
            continue
        before: ElementKind | None = None
        for span in found:
            if span.kind is ElementKind.AHEAD:
                data = straight_data(drive, span, evidence.robot, evidence.course)
                yield Leg(drive=drive, span=span, data=data, after=before)
            before = span.kind


def _moving(data: StraightData, from_mm: float) -> Flags:
    """Tell the rows from that distance on in which the wheels moved; a robot at rest says one thing many times."""
    flags: Flags = (data.s_mm >= from_mm) & (np.diff(data.s_mm, prepend=data.s_mm[0] - 1.0) > 0)
    return flags


def _outward(leg: Leg, side: SideData) -> float:
    """Return +1 where away from the robot on that side is north or east, else -1."""
    quarters = -1 if side is leg.data.left else 1
    facing = leg.span.start.heading.turned(quarters)
    return 1.0 if facing in (Heading.NORTH, Heading.EAST) else -1.0


def _averaged(
    leg: Leg, values: Floats, rows: Flags, terms: tuple[tuple[float, SideData], ...], what: str
) -> SharedValue:
    """Average `values` over `rows`; `terms` are the sensors in it with d value / d distance."""
    row = values[rows]
    if row.size < _FEWEST_ROWS:
        raise CannotMeasureError(f"{what}: {row.size} samples see the wall in the settled part of {_place(leg)}")
    scale = max(1.4826 * float(np.median(np.abs(row - np.median(row)))), PANEL_SEEN_MM)  # few rows may be alike
    kept = np.abs(row - np.median(row)) <= _TRIM * scale
    row = row[kept]
    number = effective_number(row)
    panels: dict[int, float] = {}
    sensors: dict[str, float] = {}
    for slope, side in terms:
        numbers, counts = np.unique(side.panel[rows][kept], return_counts=True)
        for panel, count in zip(numbers, counts, strict=True):
            share = slope * _outward(leg, side) * float(count) / row.size
            panels[int(panel)] = panels.get(int(panel), 0.0) + share
        calibration = leg.data.robot.calibrations[side.sensor.channel]
        distance = float(np.mean(side.distance_mm[rows][kept]))
        sensors[side.sensor.channel] = slope * calibration_u_mm(calibration, distance)
    return SharedValue(
        value=float(np.mean(row)),
        noise=Part(float(np.std(row)) / math.sqrt(max(1.0, number - 1)), max(1.0, number - 1)),
        panels=panels,
        sensors=sensors,
    )


def _place(leg: Leg) -> str:
    start = leg.span.start
    return f"the straight from cell ({start.x}, {start.y}) {start.heading.name.lower()} in drive {leg.drive.name}"


def _heading_fit(leg: Leg, from_mm: float) -> CorridorFit:
    return fit_corridor(leg.data, from_mm, leg.data.length_mm)


def _offset_of(leg: Leg, tracking: str, from_mm: float) -> SharedValue:
    """Return the settled offset under tracking of one wall, read by the sensor on the other side."""
    side = leg.data.left if tracking == "right" else leg.data.right
    other = "left" if tracking == "right" else "right"
    if side is None or side.sensor.channel not in leg.data.robot.calibrations:
        raise CannotMeasureError(
            f"the {other} side has no calibrated wall sensor to witness tracking by the {tracking}"
        )
    values = offsets(leg.data, _heading_fit(leg, from_mm), side)
    rows = _moving(leg.data, from_mm) & side.wall & np.isfinite(values)
    slope = -math.sin(abs(side.sensor.angle_rad)) * (1 if tracking == "right" else -1)
    return _averaged(leg, values, rows, ((slope, side),), f"offset under tracking by the {tracking}")


def _width_of(leg: Leg, from_mm: float) -> SharedValue:
    """Return both distances across plus the body between the sensors, less the free width."""
    sides = [side for side in (leg.data.left, leg.data.right) if side]
    if len(sides) < 2 or any(side.sensor.channel not in leg.data.robot.calibrations for side in sides):
        raise CannotMeasureError("the width needs a calibrated wall sensor on both sides")
    total = np.full(leg.data.s_mm.shape, -leg.data.course.free_width_mm)
    rows = _moving(leg.data, from_mm)
    terms = []
    for side in sides:
        slope = math.sin(abs(side.sensor.angle_rad))
        total = total + side.distance_mm * slope + abs(side.sensor.y_mm)
        rows &= side.wall & np.isfinite(side.distance_mm)
        terms.append((slope, side))
    return _averaged(leg, total, rows, tuple(terms), "width residual")


def _gathered(
    evidence: Evidence,
    parameters: Parameters,
    wanted: Callable[[Leg], bool],
    of_leg: Callable[[Leg, float], SharedValue],
) -> tuple[SharedValue, tuple[str, ...]]:
    """Average `of_leg` over the long straights that are `wanted`, by groups of legs along the same walls."""
    from_mm = parameters.number("settled_after", SETTLED_AFTER_MM)
    groups: dict[object, list[SharedValue]] = {}
    reasons: _LeftOut = []
    for leg in legs(evidence, drives_of(evidence, parameters), reasons):
        if leg.span.cells < _LONG_CELLS or not wanted(leg):
            continue
        try:
            groups.setdefault(leg.key, []).append(of_leg(leg, from_mm))
        except CannotMeasureError as error:
            reasons.append(f"Left out: {error}.")
    groups = {key: values for key, values in groups.items() if values}
    if not groups:
        why = f" ({reasons[0].removeprefix('Left out: ').rstrip('.')})" if reasons else ""
        raise CannotMeasureError(f"no straight of {_LONG_CELLS} cells or more under this tracking can be used{why}")
    result = mean_of_groups(groups, "settled straights")
    return result, (f"{result.n} straights along {len(groups)} lanes.", *dict.fromkeys(reasons))


def _offset(evidence: Evidence, parameters: Parameters, tracking: str) -> tuple[SharedValue, tuple[str, ...]]:
    return _gathered(
        evidence,
        parameters,
        lambda leg: leg.trackings == {tracking},
        lambda leg, from_mm: _offset_of(leg, tracking, from_mm),
    )


def _offset_right_wall(evidence: Evidence, parameters: Parameters) -> Measurement:
    value, notes = _offset(evidence, parameters, "right")
    return value.measured(("Read by the left sensor.", *notes))


def _offset_left_wall(evidence: Evidence, parameters: Parameters) -> Measurement:
    value, notes = _offset(evidence, parameters, "left")
    return value.measured(("Read by the right sensor.", *notes))


def _offset_sum(evidence: Evidence, parameters: Parameters) -> Measurement:
    right, left = _offset(evidence, parameters, "right")[0], _offset(evidence, parameters, "left")[0]
    note = f"Right-wall tracking {right.value:+.2f} mm, left-wall tracking {left.value:+.2f} mm."
    return combined([(1.0, right), (1.0, left)]).measured((note,))


def _offset_difference(evidence: Evidence, parameters: Parameters) -> Measurement:
    right, left = _offset(evidence, parameters, "right")[0], _offset(evidence, parameters, "left")[0]
    note = f"Left-wall tracking {left.value:+.2f} mm, less right-wall tracking {right.value:+.2f} mm."
    return combined([(1.0, left), (-1.0, right)]).measured((note,))


def _width_residual(evidence: Evidence, parameters: Parameters) -> Measurement:
    value, notes = _gathered(evidence, parameters, lambda leg: True, _width_of)
    return value.measured(notes)


def _settle_distance(evidence: Evidence, parameters: Parameters) -> Measurement:
    """Average the distance after a turn from which the offset stays within the band about its settled value."""
    band = parameters.number("band", SETTLED_BAND_MM)
    from_mm = parameters.number("settled_after", SETTLED_AFTER_MM)
    found: list[tuple[float, float]] = []
    reasons: _LeftOut = []
    for leg in legs(evidence, drives_of(evidence, parameters), reasons):
        if leg.after is None or leg.span.cells < _LONG_CELLS or "none" in leg.trackings:
            continue
        try:
            found.append(settled_from(leg.data, from_mm, band))
        except CannotMeasureError as error:
            reasons.append(f"Left out: {error}.")
    if not found:
        why = f" ({reasons[0].removeprefix('Left out: ').rstrip('.')})" if reasons else ""
        raise CannotMeasureError(f"no tracked straight of {_LONG_CELLS} cells or more follows a turn{why}")
    distances = [distance for distance, _ in found]
    mean = mean_of_known(distances, [u for _, u in found], "settle distance")
    notes = (f"Within {band:g} mm of the settled offset; the longest of {len(found)} was {max(distances):.0f} mm.",)
    return Measurement(
        value=mean.value,
        unit="mm",
        u=mean.part.u,
        dof=mean.part.dof,
        n=len(found),
        notes=(*notes, *dict.fromkeys(reasons)),
    )


def settled_from(data: StraightData, from_mm: float, band_mm: float) -> tuple[float, float]:
    """Return the first distance from which the offset stays within `band_mm` of its settled value, and its uncertainty.

    The settled value is the mean from `from_mm` on. The offset is the fitted path: sensors give its pose and odometry
    its shape, so no single reading counts. The uncertainty is how far the distance moves with the band, moved by as
    much as a panel may stand off its line.
    """
    fit = fit_corridor(data, 0.0, data.length_mm)
    y = fit.y0_mm + integrated(data.s_mm, fit.theta0_rad + data.theta_odo_rad + fit.kappa_per_mm * data.s_mm)
    late = _moving(data, from_mm)
    if not np.any(late):
        raise CannotMeasureError(f"a straight of {data.length_mm:.0f} mm ends before {from_mm:.0f} mm")
    away = np.where(data.s_mm < from_mm, np.abs(y - float(np.mean(y[late]))), 0.0)

    def reached(band: float) -> float:
        outside = np.nonzero(away > band)[0]
        if not outside.size:
            return 0.0
        last = int(outside[-1])
        share = (away[last] - band) / (away[last] - away[last + 1])
        return float(data.s_mm[last] + share * (data.s_mm[last + 1] - data.s_mm[last]))

    slack = min(PANEL_PLACEMENT_MM, band_mm / 2)
    row_mm = data.length_mm / data.s_mm.size  # between two rows the path is not known
    return reached(band_mm), max(row_mm, (reached(band_mm - slack) - reached(band_mm + slack)) / 2)


def _lap_time_asymmetry(evidence: Evidence, parameters: Parameters) -> Measurement:
    drives = drives_of(evidence, parameters)
    clock = clock_of(evidence, drives, "lap times")
    times: dict[str, list[float]] = {"right": [], "left": []}
    u_each = _LAP_S
    for drive in drives:
        followed = {element.tracking for element in drive.path if element.kind is ElementKind.AHEAD}
        if len(followed) != 1 or not followed <= set(times):
            continue
        try:
            found = spans(drive, evidence.robot)
        except CannotMeasureError:
            continue  # a lap that broke off has no time
        times[followed.pop()].append(found[-1].end_s - found[0].begin_s)
        u_each = max(u_each, duration_u_s(period_s(drive), clock))
    result = asymmetry(times["right"], times["left"], u_each, "robot")
    return replace(result, notes=(*result.notes, *clock.notes))


def asymmetry(right_s: list[float], left_s: list[float], u_each_s: float, source: str) -> Measurement:
    """Return the difference of mean lap times (right-wall less left-wall) in percent of their mean.

    `u_each_s` is what is known of one time's error; the scatter of the laps counts where it is larger.
    """
    if not right_s or not left_s:
        raise CannotMeasureError(
            f"laps of both kinds are needed; {len(right_s)} by the right wall, {len(left_s)} by the left were finished"
        )
    right = mean_of_known(right_s, [u_each_s] * len(right_s), "lap times by the right wall")
    left = mean_of_known(left_s, [u_each_s] * len(left_s), "lap times by the left wall")
    middle = (right.value + left.value) / 2
    part = join(right.part, left.part).times(100 / middle)
    note = f"By the right wall {right.value:.2f} s, by the left {left.value:.2f} s."
    return Measurement(
        value=100 * (right.value - left.value) / middle, unit="%", u=part.u, dof=part.dof, n=right.n + left.n,
        notes=(note,), source=source,
    )  # fmt: skip


def _contacts(evidence: Evidence, parameters: Parameters) -> Measurement:
    """Count touches that the robot reported or a person saw, whichever are more."""
    drives = drives_of(evidence, parameters)
    felt = sum(event.name == "touched" for drive in drives for event in drive.events)
    reports = any(drive.events for drive in drives)
    try:
        seen = answers_of(evidence, parameters.word("answer", "contacts"), parameters.of)
    except CannotMeasureError:
        seen = ()
    if not reports and not seen:
        raise CannotMeasureError("the robot reports no events and nobody watched for contacts; add an observe step")
    counted = sum(answer.value for answer in seen)
    sources = (["robot"] if reports else []) + sorted({answer.source for answer in seen})
    notes = () if seen else ("As the robot reported; a robot that cannot feel a wall reports none.",)
    return Measurement(
        value=float(max(felt, counted)), unit="", u=0.0, n=len(drives), is_count=True, notes=notes,
        source=", ".join(sources),
    )  # fmt: skip


_SIDES = ("encoder.left", "encoder.right", "wall.left", "wall.right")
_DERIVED = "derived: steady state of one-wall tracking; JCGM 100:2008 for the uncertainty"
_SETTLED = ParameterSpec(
    name="settled_after", meaning="distance after a turn from which rows count", unit="mm", default=SETTLED_AFTER_MM
)

METHODS_OF_SUBJECT: tuple[Method, ...] = (
    Method(
        name="tracking.offset_right_wall", unit="mm", run=_offset_right_wall, needs=_SIDES, source=_DERIVED,
        parameters=(_SETTLED,), summary="Settled offset under right-wall tracking, read by the left sensor.",
    ),
    Method(
        name="tracking.offset_left_wall", unit="mm", run=_offset_left_wall, needs=_SIDES, source=_DERIVED,
        parameters=(_SETTLED,), summary="Settled offset under left-wall tracking, read by the right sensor.",
    ),
    Method(
        name="tracking.offset_sum", unit="mm", run=_offset_sum, needs=_SIDES, source=_DERIVED, parameters=(_SETTLED,),
        summary="Offset under right-wall plus offset under left-wall tracking: mismatch of wheels or sensors.",
    ),
    Method(
        name="tracking.offset_difference", unit="mm", run=_offset_difference, needs=_SIDES, source=_DERIVED,
        parameters=(_SETTLED,),
        summary="Offset under left-wall less offset under right-wall tracking: surface or common gain.",
    ),
    Method(
        name="tracking.width_residual", unit="mm", run=_width_residual, needs=_SIDES, source=_DERIVED,
        parameters=(_SETTLED,), summary="Both side distances and the body between them, less the free width.",
    ),
    Method(
        name="tracking.settle_distance", unit="mm", run=_settle_distance, needs=_SIDES, source="definition",
        parameters=(
            _SETTLED,
            ParameterSpec(name="band", meaning="half width of the band", unit="mm", default=SETTLED_BAND_MM),
        ),
        summary="Distance after a turn from which the offset stays within a band of its settled value.",
    ),
    Method(
        name="tracking.lap_time_asymmetry", unit="%", run=_lap_time_asymmetry, needs=("encoder.left", "encoder.right"),
        source="definition", summary="Lap time by the right wall less that by the left, in percent of the mean.",
    ),
    Method(
        name="tracking.contacts", unit="", run=_contacts, needs=("events",), source="definition", is_count=True,
        parameters=(
            ParameterSpec(name="answer", meaning="answer with contacts seen", default="contacts", is_word=True),
        ),
        summary="Touches that the robot reported or a person saw, whichever are more.",
    ),
)  # fmt: skip
