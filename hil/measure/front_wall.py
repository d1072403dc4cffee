"""Stops on a wall ahead: whether they follow the wall, where they lie, and whether there are any with no wall.

The sensor that stopped the robot is no witness. A stop too far shows on the way out: after a quarter pivot it is an
offset to the outside of the turn, which the side sensors read against the walls of the next corridor. Boards of
known thickness on the face of the front wall bring the wall nearer; the slope of the stop position against the
wall's position is 1 where the wall ends the move and 0 where counts do. The intercept is the stop's error with no
board. Where the way in has an opening, its wall ends tell the stop a second time.

Boards lie on the wall of the corner cell, beside the robot once it has turned. The fit therefore starts behind that
cell.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from hil.measure.after_turn import QUARTERS, Exit, exits, shift_by_ends
from hil.measure.course_walls import EDGE_MARGIN_MM
from hil.measure.evidence import Drive, Event, Evidence
from hil.measure.least_squares import line_design, line_of_known
from hil.measure.legs import curvature_of, fitted_legs, straights, whole
from hil.measure.method import Method, Parameters, ParameterSpec, drives_of
from hil.measure.model import ElementKind
from hil.measure.segments import Span, spans
from hil.measure.straight_data import StraightData
from hil.measure.uncertainty import Mean, Part, join, mean_of_known
from hil.measure.values import CannotMeasureError, Measurement
from hil.measure.walls_ahead import WallStops, agreeing
from hil.measure.way_in import by_ends, mean_by_ends, share_of_ends

BOARD = "board_mm"
_FEWEST_WITH_STARTS = 6
STRETCH_MM = 180.0  # of the way out that a slope is fitted to
_COUNTS = ("encoder.left", "encoder.right")
_MOVED_MM = 10.0  # by which a correction must have moved a counted stop to be seen; a ruler sees it too
BOARD_U_MM = 0.3 / math.sqrt(3)  # a board's face is good to 0.3 mm, thickness and how flat it lies; common practice


def _faces_wall(evidence: Evidence, span: Span) -> bool:
    """Tell whether the course has a wall ahead where a straight ends."""
    dx, dy = span.start.heading.step
    return evidence.course.has_wall(span.start.x + dx * span.cells, span.start.y + dy * span.cells, span.start.heading)


@dataclass(frozen=True, slots=True, kw_only=True)
class Stops:
    """Stops at walls ahead: those before the boarded wall with the board's thickness, and those at other walls."""

    boarded: list[tuple[float, Exit]]
    elsewhere: list[Exit]


def _stops(evidence: Evidence, parameters: Parameters, reasons: list[str], stretch_mm: float = math.inf) -> Stops:
    """Return the stops of the drives; a board lies on the wall that ends a drive's first straight.

    `stretch_mm` is how much of the way out is fitted.
    """
    boarded: list[tuple[float, Exit]] = []
    elsewhere: list[Exit] = []
    for one in _exits(evidence, drives_of(evidence, parameters), reasons, stretch_mm):
        if not _faces_wall(evidence, one.before):
            continue
        if any(element.kind is ElementKind.AHEAD for element in one.drive.path[: one.before.elements[0]]):
            elsewhere.append(one)
        elif BOARD in one.drive.conditions:
            boarded.append((one.drive.conditions[BOARD], one))
        else:
            reasons.append(f"Left out: drive {one.drive.name} says nothing of the board on the wall.")
    if not boarded:
        why = f" ({reasons[0].removeprefix('Left out: ').rstrip('.')})" if reasons else ""
        raise CannotMeasureError(
            f"no drive begins with a straight to a wall with a known board and a quarter turn that can be measured{why}"
        )
    return Stops(boarded=boarded, elsewhere=elsewhere)


def _exits(
    evidence: Evidence, drives: tuple[Drive, ...], reasons: list[str], stretch_mm: float = math.inf
) -> list[Exit]:
    """Return the quarter turns, fitted behind the corner cell, with a curvature that no board had a part in.

    Beside a board a straight seems to bend. Straights across the first one may begin or end at the board, so of those
    only the middle tells the curvature.
    """
    near = _behind_corner_mm(evidence)
    first = drives[0].start.heading % 2

    def beside_no_board(data: StraightData) -> tuple[float, float] | None:
        if data.span.start.heading % 2 == first:
            return whole(data)
        end = data.length_mm - evidence.course.pitch_mm / 2 - EDGE_MARGIN_MM - data.look_ahead_mm
        return (near, end) if end > near else None

    curvature = curvature_of(fitted_legs(straights(evidence, drives), beside_no_board))
    return exits(evidence, drives, reasons, curvature, near, near + stretch_mm)


def _behind_corner_mm(evidence: Evidence) -> float:
    """Return the distance after the turn from which the side sensors see past the corner cell and its board."""
    return evidence.course.pitch_mm / 2 + EDGE_MARGIN_MM - _look_ahead_mm(evidence)


def _look_ahead_mm(evidence: Evidence) -> float:
    """Return the least that a side sensor looks ahead of the axle."""
    half = evidence.course.free_width_mm / 2
    sides = [sensor for sensor in evidence.robot.sensors if sensor.channel in ("wall.left", "wall.right")]
    return min(
        (
            sensor.x_mm + (half - abs(sensor.y_mm)) / math.tan(abs(sensor.angle_rad))
            for sensor in sides
            if sensor.angle_rad
        ),
        default=0.0,
    )


def _own_u_mm(one: Exit) -> float:
    return math.sqrt(float(one.fit.components["fit"][0, 0]))


def _shared_part(weighted: list[tuple[float, Exit]]) -> Part:
    """Join what repeats do not average: side panels, calibration and curvature.

    Exits along one lane share their panels. Where the front panel stands and how it reflects is no error of the
    measurement: it is in the stop that is measured, and in the way that the robot goes on from there. After a left
    and after a right turn calibration and curvature count with opposite sign.
    """
    lanes: dict[object, list[tuple[float, Exit]]] = {}
    for weight, one in weighted:
        lanes.setdefault((one.turn, one.after.start), []).append((weight, one))
    parts = []
    for lane in lanes.values():
        share = math.fsum(weight for weight, _ in lane)
        parts.append(Part(share * math.sqrt(float(lane[0][1].fit.components["panels"][0, 0]))))
    for component in ("calibration", "curvature"):
        signed = [
            weight * QUARTERS[one.turn] * math.sqrt(float(one.fit.components[component][0, 0]))
            for weight, one in weighted
        ]
        parts.append(Part(abs(math.fsum(signed))))
    return join(*parts)


def _line(evidence: Evidence, stops: Stops, parameters: Parameters) -> tuple[Mean, Mean]:
    """Return intercept and slope of the stops at the boarded wall."""
    return line_through_boards(
        [board for board, _ in stops.boarded],
        [one.outside_mm for _, one in stops.boarded],
        [_own_u_mm(one) for _, one in stops.boarded],
        parameters.number("board_u", BOARD_U_MM),
        starts_by_ends(evidence, [one for _, one in stops.boarded]),
    )


def starts_by_ends(evidence: Evidence, stops: list[Exit]) -> list[float] | None:
    """Return where the straight before each stop began, beyond its nominal place, by wall ends along it.

    None where some straight shows no opening, or where there are too few stops to fit it along.
    """
    if len(stops) < _FEWEST_WITH_STARTS:
        return None
    shifts = [shift_by_ends(evidence, one.drive, one.before, one.kappa) for one in stops]
    known = [shift.mm for shift in shifts if shift is not None]
    return known if len(known) == len(shifts) else None


def line_through_boards(
    boards_mm: list[float],
    stops_mm: list[float],
    u_each_mm: list[float],
    u_board_mm: float,
    starts_mm: list[float] | None = None,
) -> tuple[Mean, Mean]:
    """Return intercept [mm] and slope of stop position against wall position (board thickness, negative).

    `starts_mm`, where known, is where each straight began beyond its nominal place. A robot that only counts carries it
    to the stop, and it may drift while the boards are changed; fitted along, it does not pass for a slope.

    Parts hold the stops' own uncertainty or scatter, and that of each board's face, which its drives share.
    """
    if len(set(boards_mm)) < 2:
        raise CannotMeasureError(f"the slope needs stops at two boards or more; all {len(boards_mm)} were at the same")
    x = [-board for board in boards_mm]
    intercept, slope = line_of_known(x, stops_mm, u_each_mm, "front-wall stops", starts_mm)
    placed = [_through_boards(boards_mm, starts_mm, row, slope.value, u_board_mm) for row in (0, 1)]
    return _with(intercept, placed[0]), _with(slope, placed[1])


def _with(mean: Mean, part: Part) -> Mean:
    return Mean(value=mean.value, part=join(mean.part, part), sd=mean.sd, n=mean.n)


def _through_boards(
    thicknesses: list[float], starts_mm: list[float] | None, row: int, slope: float, u_board: float
) -> Part:
    """Carry the error of each board, common to its drives, to the intercept (row 0) or slope (row 1)."""
    gain = np.linalg.pinv(line_design([-board for board in thicknesses], starts_mm))[row]
    boards = np.asarray(thicknesses)
    carried = [slope * float(np.sum(gain[boards == board])) * u_board for board in set(thicknesses) if board > 0]
    return Part(math.sqrt(math.fsum(u**2 for u in carried)))


def _reset_slope(evidence: Evidence, parameters: Parameters) -> Measurement:
    """Return the slope of the stops at the boarded wall.

    Panels and calibration are the same in all drives and fall out of a slope; what is left is the random walk of the
    wheels between the turn and the fit. So the fit is short, unlike that of a position.
    """
    reasons: list[str] = []
    stops = _stops(evidence, parameters, reasons, parameters.number("stretch", STRETCH_MM))
    intercept, slope = _line(evidence, stops, parameters)
    boards = ", ".join(f"{board:g}" for board in sorted({board for board, _ in stops.boarded}))
    notes = (f"Boards of {boards} mm, intercept {intercept.value:+.2f} mm.", *dict.fromkeys(reasons))
    return Measurement(
        value=slope.value, unit="", u=slope.part.u, dof=slope.part.dof, n=len(stops.boarded), notes=notes
    )


def _reset_intercept(evidence: Evidence, parameters: Parameters) -> Measurement:
    """Return where the robot stops with no board: by the line, and by the other walls ahead where they agree."""
    reasons: list[str] = []
    stops = _stops(evidence, parameters, reasons)
    intercept, slope = _line(evidence, stops, parameters)
    first = _wall(intercept, [one for _, one in stops.boarded])
    ends = _intercept_by_ends(evidence, stops, parameters)
    value, part, n, (note, weighing) = _joined_walls(first, _walls(stops.elsewhere), ends)
    line = f"By the line {intercept.value:+.2f} mm at a slope of {slope.value:.3f}."
    notes = (line, note, weighing, *dict.fromkeys(reasons))
    return Measurement(value=value, unit="mm", u=part.u, dof=part.dof, n=n, notes=notes)


def _intercept_by_ends(evidence: Evidence, stops: Stops, parameters: Parameters) -> Mean | None:
    """Return the stop error with no board, by the line through all boards of the stops that wall ends tell."""
    boards = {id(one): board for board, one in stops.boarded}

    def line(known: list[Exit], values: list[float], u_each: list[float]) -> Mean:
        laid = [boards[id(one)] for one in known]
        return line_through_boards(laid, values, u_each, parameters.number("board_u", BOARD_U_MM))[0]

    if len(set(boards.values())) < 2:
        return None
    return by_ends(evidence, [one for _, one in stops.boarded], line)


def _wall(mean: Mean, stops: list[Exit]) -> WallStops[Exit]:
    shared = _shared_part([(1 / len(stops), one) for one in stops])
    return WallStops(mean=mean, part=join(mean.part, shared), stops=stops)


def _walls(stops: list[Exit]) -> list[WallStops[Exit]]:
    """Sort stops by the wall they were made at."""
    groups: dict[object, list[Exit]] = {}
    for one in stops:
        groups.setdefault((one.turn, one.after.start), []).append(one)
    return [
        _wall(
            mean_of_known([one.outside_mm for one in group], [_own_u_mm(one) for one in group], "stops at a wall"),
            group,
        )
        for group in groups.values()
    ]


def _joined_walls(
    first: WallStops[Exit], others: list[WallStops[Exit]], ends: Mean | None
) -> tuple[float, Part, int, tuple[str, str]]:
    """Return value, contribution, number and notes of the stops at the first wall and others that agree with it.

    `ends` is what the wall ends on the way in tell of the first wall's stops.
    """
    used, note = agreeing(first, others)
    by_ends_share, told = share_of_ends(first.mean.value, first.part, ends)
    share = 1 / len(used)
    values, parts, weighted = [], [], []
    for wall in used:
        way_out = share * (1 - by_ends_share if wall is first else 1.0)
        values.append(way_out * wall.mean.value)
        parts.append(wall.mean.part.times(way_out))
        weighted += [(way_out / len(wall.stops), one) for one in wall.stops]
    if ends is not None:
        values.append(share * by_ends_share * ends.value)
        parts.append(ends.part.times(share * by_ends_share))
    n = sum(len(wall.stops) for wall in used)
    return math.fsum(values), join(*parts, _shared_part(weighted)), n, (note, told)


def _stop_position(evidence: Evidence, parameters: Parameters) -> Measurement:
    """Return how far past the cell's centre the robot stops, over the quarter turns before walls without a board.

    The way out tells it without any distance; wall ends on the way in tell it again, by what is counted from there.
    """
    reasons: list[str] = []
    bare = tuple(drive for drive in drives_of(evidence, parameters) if drive.conditions.get(BOARD, 0.0) == 0.0)
    if not bare:
        raise CannotMeasureError("every drive had a board on the wall; the stop position is measured without one")
    found = _exits(evidence, bare, reasons)
    stops = [one for one in found if _faces_wall(evidence, one.before)]
    if not stops:
        raise CannotMeasureError("no stop at a wall ahead was followed by a quarter turn that can be measured")
    first, *others = sorted(_walls(stops), key=lambda wall: wall.stops[0].before.elements[0])
    value, part, n, told = _joined_walls(first, others, mean_by_ends(evidence, first.stops))
    return Measurement(value=value, unit="mm", u=part.u, dof=part.dof, n=n, notes=(*told, *dict.fromkeys(reasons)))


def _false_resets(evidence: Evidence, parameters: Parameters) -> Measurement:
    """Count corrections on a front wall in straights that end where the course has none.

    A robot that reports no events tells them by its counts: a correction moves the stop away from the counted end.
    """
    drives = drives_of(evidence, parameters)
    by_counts = not any(drive.events for drive in drives)
    trials = false = 0
    reasons: list[str] = []
    for drive in drives:
        try:
            open_ended = [
                span
                for span in spans(drive, evidence.robot)
                if span.kind is ElementKind.AHEAD and not _faces_wall(evidence, span)
            ]
        except CannotMeasureError as error:
            open_ended = []
            reasons.append(f"Left out: {error}.")
        trials += len(open_ended)
        if by_counts:
            false += sum(_is_moved(evidence, span) for span in open_ended)
            continue
        resets = [event for event in drive.events if event.name == "front.reset"]
        false += sum(any(_belongs(event, span, drive) for event in resets) for span in open_ended)
    if trials == 0:
        raise CannotMeasureError("every straight ends before a wall; take the wall ahead away to see false resets")
    notes = [f"{trials} straights ended with no wall ahead.", *dict.fromkeys(reasons)]
    if by_counts:
        notes.append(f"By counts: only corrections that moved the stop by more than {_MOVED_MM:g} mm are seen.")
    return Measurement(value=float(false), unit="", u=0.0, n=trials, is_count=True, notes=tuple(notes))


def _is_moved(evidence: Evidence, span: Span) -> bool:
    """Tell whether the counts of a straight ended away from what was commanded."""
    return abs(span.end_mm - span.begin_mm - span.cells * evidence.course.pitch_mm) > _MOVED_MM


def _belongs(event: Event, span: Span, drive: Drive) -> bool:
    """Tell whether an event happened in a span: by the element it names, or else by its time."""
    if event.detail.isdecimal() and int(event.detail) < len(drive.path):
        return int(event.detail) in span.elements
    at = event.time_s if math.isfinite(event.time_s) else event.host_s
    return span.begin_s <= at <= span.end_s


_SIDES = ("encoder.left", "encoder.right", "wall.left", "wall.right")
_DERIVED = "derived: pivot turn after a stop; JCGM 100:2008 H.3 for the line"
_BOARD = ParameterSpec(
    name="board_u", meaning="standard uncertainty of where a board's face is", unit="mm", default=BOARD_U_MM
)
_STRETCH = ParameterSpec(name="stretch", meaning="length of the way out that is fitted", unit="mm", default=STRETCH_MM)

METHODS_OF_SUBJECT: tuple[Method, ...] = (
    Method(
        name="front_wall.reset_slope", unit="", run=_reset_slope, needs=_SIDES, source=_DERIVED,
        parameters=(_BOARD, _STRETCH),
        summary="Slope of the stop position against the wall's: 1 where the wall ends the move, 0 where counts do.",
    ),
    Method(
        name="front_wall.reset_intercept", unit="mm", run=_reset_intercept, needs=_SIDES, source=_DERIVED,
        parameters=(_BOARD,), summary="Stop position with no board, from the line through all boards.",
    ),
    Method(
        name="front_wall.stop_position", unit="mm", run=_stop_position, needs=_SIDES, source=_DERIVED,
        summary="How far past the cell's centre the robot stops before a bare wall, by the way out.",
    ),
    Method(
        name="front_wall.false_resets", unit="", run=_false_resets, needs=_COUNTS, source="definition",
        is_count=True, summary="Straights in which the robot corrected on a front wall where the course has none.",
    ),
)  # fmt: skip
