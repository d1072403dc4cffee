"""What a quarter turn leaves behind: the offset at its exit, and how much further along the robot is than it believes.

The exit offset comes from the fit of the straight after the turn, carried back to that straight's begin. It is counted
positive to the outside of the turn, whichever way it went, since a robot that overshoots the corner comes out on the
outside of both (pivot turn: y' = -e_x to the left, +e_x to the right).

The first-edge distance xi is what the wall ends after the turn say less what the wheels counted from it. Ends in
pairs (a wall stops, the next begins) are averaged, since the width of the beam moves the two opposite ways. They are
passed at speed, where wheels run ahead of the robot; xi is that of a robot at rest, as a person reads it. What was
wrong before the turn is no fault of it: a pivot passes the offset before it on as x' = +e_y (left) or -e_y (right), and
so the position before the turn, where wall ends or walls there tell it, is subtracted.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np

from hil.measure.corridor import CorridorFit, fit_corridor, pose_at
from hil.measure.course_walls import PANEL_GAP_MM
from hil.measure.edges import EDGE_BIAS_MM, SLIP_S, SLIP_U_S, WallEnd, sampled_u_mm, wall_ends
from hil.measure.evidence import Drive, Evidence
from hil.measure.legs import Curvature, pooled, robot_curvature, single_variance, straights
from hil.measure.method import Method, Parameters, drives_of
from hil.measure.model import ElementKind
from hil.measure.segments import Span, spans
from hil.measure.straight_data import StraightData, straight_data
from hil.measure.uncertainty import Part, join, mean_of_known
from hil.measure.values import CannotMeasureError, Measurement

QUARTERS = {ElementKind.LEFT: -1.0, ElementKind.RIGHT: 1.0}  # sign of y to the outside of the turn
EDGE_SD_MM = 2.0  # of one wall end; between 1.5 and 3 mm, common practice, no source
_SHORTEST_CELLS = 2
_FIRST_CELLS = 2.0  # ends further than this after the turn say more about the wheels than about the turn


@dataclass(frozen=True, slots=True, kw_only=True)
class Exit:
    """A quarter turn between two straights; data and fit are those of the straight after it.

    `kappa` is the robot's curvature [1/mm] that the fit was held at, with its standard uncertainty.
    """

    drive: Drive
    turn: ElementKind
    before: Span
    after: Span
    data: StraightData
    fit: CorridorFit
    kappa: tuple[float, float]
    earlier: tuple[Span, ...]

    @property
    def outside_mm(self) -> float:
        """Offset at the begin of the straight after the turn, to the outside of the turn."""
        return QUARTERS[self.turn] * self.fit.y0_mm


def exits(
    evidence: Evidence,
    drives: tuple[Drive, ...],
    reasons: list[str],
    curvature: Curvature,
    from_mm: float = 0.0,
    to_mm: float = math.inf,
) -> list[Exit]:
    """Return the quarter turns followed by a straight of two cells or more that can be fitted in that range.

    The robot's own `curvature` comes from all the straights of the drives together, both ways: a straight alone does
    not tell it from the places of its panels, and carried back to the turn the two are far apart. Drives and straights
    that cannot be used leave a sentence in `reasons`.
    """
    kappa = (curvature.robot_per_mm, curvature.robot.u)
    found: list[Exit] = []
    for drive in drives:
        try:
            whole = spans(drive, evidence.robot)
        except CannotMeasureError as error:
            reasons.append(f"Left out: {error}.")
            continue
        for at in range(1, len(whole) - 1):
            turn, after = whole[at], whole[at + 1]
            if turn.kind not in QUARTERS or after.kind is not ElementKind.AHEAD or after.cells < _SHORTEST_CELLS:
                continue
            try:
                data = straight_data(drive, after, evidence.robot, evidence.course)
                fit = fit_corridor(data, from_mm, min(to_mm, data.length_mm), kappa)
            except CannotMeasureError as error:
                reasons.append(f"Left out: {error}.")
                continue
            found.append(
                Exit(
                    drive=drive, turn=turn.kind, before=whole[at - 1], after=after, data=data, fit=fit,
                    kappa=kappa, earlier=whole[: at - 1],
                )
            )  # fmt: skip
    return found


def shared_u_mm(fit: CorridorFit, *components: str) -> float:
    """Return the standard uncertainty of y0 by components of a fit that repeats do not average."""
    return math.sqrt(sum(float(fit.components[name][0, 0]) for name in components if name in fit.components))


def _exit_offset(evidence: Evidence, parameters: Parameters) -> Measurement:
    reasons: list[str] = []
    drives = drives_of(evidence, parameters)
    turns = exits(evidence, drives, reasons, robot_curvature(straights(evidence, drives)))
    if not turns:
        raise CannotMeasureError(_nothing("no quarter turn is followed by a straight that can be fitted", reasons))
    groups: dict[object, list[Exit]] = {}
    for one in turns:
        groups.setdefault((one.turn, one.after.start, one.after.cells), []).append(one)
    parts, means = [], []
    for group in groups.values():
        own = [math.sqrt(float(one.fit.components["fit"][0, 0])) for one in group]
        mean = mean_of_known([one.outside_mm for one in group], own, "exit offset")
        means.append(mean.value)
        # Repeats of one exit see the same panels; another exit sees others. Calibration is shared by all of them.
        parts.append(join(mean.part, Part(shared_u_mm(group[0].fit, "panels"))).times(1 / len(groups)))
    # Calibration and curvature move y the same way everywhere: outside of one turn and inside of the other.
    signs = [QUARTERS[group[0].turn] * shared_u_mm(group[0].fit, "calibration") for group in groups.values()]
    bend = [QUARTERS[group[0].turn] * shared_u_mm(group[0].fit, "curvature") for group in groups.values()]
    part = join(*parts, Part(abs(sum(signs)) / len(signs)), Part(abs(sum(bend)) / len(bend)))
    notes = tuple(_direction_note(kind, turns) for kind in QUARTERS if any(one.turn is kind for one in turns))
    return Measurement(
        value=float(np.mean(means)), unit="mm", u=part.u, dof=part.dof, n=len(turns),
        notes=(*notes, *dict.fromkeys(reasons)),
    )  # fmt: skip


def _direction_note(kind: ElementKind, turns: list[Exit]) -> str:
    mean = float(np.mean([one.fit.y0_mm for one in turns if one.turn is kind]))
    return f"Turns to the {kind.value} leave {mean:+.1f} mm (positive to the left)."


def _nothing(what: str, reasons: list[str]) -> str:
    return f"{what} ({reasons[0].removeprefix('Left out: ').rstrip('.')})" if reasons else what


@dataclass(frozen=True, slots=True, kw_only=True)
class Along:
    """A place along the way [mm] by pairs of wall ends, and its standard uncertainty from one time to the next."""

    mm: float
    u_mm: float


def paired_shift(ends: tuple[WallEnd, ...], upto_mm: float) -> Along | None:
    """Return how much further along than counted the robot is, from pairs of a wall that stops and one that begins.

    Ends farther than `upto_mm` from the straight's begin do not count; None where no pair was seen. The uncertainty is
    that of a pair, whatever the number of pairs: those of one straight are not independent.
    """
    pairs = [
        (stops, begins)
        for stops, begins in itertools.pairwise(ends)
        if not stops.rising and begins.rising and stops.side is begins.side and begins.at_mm <= upto_mm
    ]
    if not pairs:
        return None
    shifts = [math.fsum(end.x_mm - end.seen_s_mm for end in pair) / 2 for pair in pairs]
    sampled = sampled_u_mm(end for pair in pairs for end in pair)
    return Along(mm=float(np.mean(shifts)), u_mm=math.hypot(EDGE_SD_MM, sampled) / math.sqrt(2))


def shift_by_ends(evidence: Evidence, drive: Drive, span: Span, kappa: tuple[float, float]) -> Along | None:
    """Return how much further along a straight the robot is than counted, by pairs of ends; None without any.

    A sensor looks ahead by the robot's heading, which is fitted with the curvature held at `kappa`: few samples of one
    straight do not tell it.
    """
    try:
        data = straight_data(drive, span, evidence.robot, evidence.course)
    except CannotMeasureError:
        return None
    try:
        fit: CorridorFit | None = fit_corridor(data, 0.0, data.length_mm, kappa)
    except CannotMeasureError:
        fit = None
    return paired_shift(wall_ends(data, fit), math.inf)


def stop_error_by_ends(evidence: Evidence, drive: Drive, span: Span, kappa: tuple[float, float]) -> Along | None:
    """Return how far past its nominal end a straight stopped, by pairs of wall ends along it; None without any."""
    shift = shift_by_ends(evidence, drive, span, kappa)
    if shift is None:
        return None
    counted = straight_data(drive, span, evidence.robot, evidence.course).length_mm
    at_rest = counted + shift.mm + SLIP_S * drive.speed_mm_s
    return Along(mm=at_rest - span.cells * evidence.course.pitch_mm, u_mm=shift.u_mm)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Handed:
    """What a turn was handed, as an along-track error after it, and whether wall ends passed at speed told it."""

    mm: float
    u_mm: float
    at_speed: bool


def _position_before(evidence: Evidence, one: Exit) -> _Handed | None:
    """Return what the turn was handed, None where nothing there tells it.

    Either the offset at the end of the straight before it, or, where a short one lies between two turns and tells
    nothing, the stop error before the first of them: after two turns the same way it is the same error reversed, as
    long as the first turned by what it should.
    """
    sign = -QUARTERS[one.turn]  # x' = +e_y (left), -e_y (right)
    is_long = one.before.cells >= _SHORTEST_CELLS
    try:
        data = straight_data(one.drive, one.before, evidence.robot, evidence.course)
        # A short straight does not tell its own curvature, and what a turn left askew shows over all of it.
        from_mm, kappa = (data.length_mm / 3, None) if is_long else (0.0, one.kappa)
        pose = pose_at(data, fit_corridor(data, from_mm, data.length_mm, kappa), data.length_mm)
        return _Handed(mm=sign * pose.y_mm, u_mm=math.sqrt(float(pose.covariance[0, 0])), at_speed=False)
    except CannotMeasureError:
        if is_long:
            return None
    if len(one.earlier) < 2 or one.earlier[-1].kind not in QUARTERS or one.earlier[-2].kind is not ElementKind.AHEAD:
        return None
    stop = stop_error_by_ends(evidence, one.drive, one.earlier[-2], one.kappa)
    if stop is None:
        return None
    offset = QUARTERS[one.earlier[-1].kind] * stop.mm  # y' = -e_x (left), +e_x (right)
    return _Handed(mm=sign * offset, u_mm=stop.u_mm, at_speed=True)


def _first_edge_distance(evidence: Evidence, parameters: Parameters) -> Measurement:
    reasons: list[str] = []
    drives = drives_of(evidence, parameters)
    turns = exits(evidence, drives, reasons, robot_curvature(straights(evidence, drives)))
    pitch = evidence.course.pitch_mm
    groups: dict[object, list[tuple[float, float]]] = {}
    slip_u: list[float] = []
    subtracted = 0
    for one in turns:
        xi = paired_shift(wall_ends(one.data, one.fit), _FIRST_CELLS * pitch)
        if xi is None:
            continue
        before = _position_before(evidence, one)
        subtracted += before is not None
        slip_mm = SLIP_S * one.drive.speed_mm_s
        # Where ends told what was handed over too, the robot was short of its count then as it is now.
        slip_u.append(SLIP_U_S * one.drive.speed_mm_s * (2 if before and before.at_speed else 1))
        handed, u = (before.mm, before.u_mm) if before else (0.0, 0.0)
        key = (one.turn, one.after.start, one.after.cells)
        groups.setdefault(key, []).append((xi.mm + slip_mm - handed, math.hypot(xi.u_mm, u)))
    if not groups:
        raise CannotMeasureError(
            _nothing("no opening (a wall that stops and begins again) was seen after a turn", reasons)
        )
    values = [[xi for xi, _ in rows] for rows in groups.values()]
    known = float(np.mean([u**2 for rows in groups.values() for _, u in rows]))
    variance, dof, told = single_variance(*pooled(values), fit=known, white=0.0, walk=0.0)
    n = sum(map(len, values))
    repeated = Part(math.sqrt(sum(variance / len(row) for row in values)) / len(values), dof)
    # What repeats do not average: the width of the beam, of which a pair leaves about half, and where the ends stand.
    shared = Part(EDGE_BIAS_MM / 2), Part(PANEL_GAP_MM / math.sqrt(len(values))), Part(float(np.mean(slip_u)))
    part = join(repeated, *shared)
    note = f"The position before the turn was known by walls or wall ends and subtracted in {subtracted} of {n} turns."
    return Measurement(
        value=float(np.mean([np.mean(row) for row in values])), unit="mm", u=part.u, dof=part.dof, n=n,
        notes=(note, *told, *dict.fromkeys(reasons)),
    )  # fmt: skip


_SIDES = ("encoder.left", "encoder.right", "wall.left", "wall.right")
_DERIVED = "derived: pivot turn between two corridors"

METHODS_OF_SUBJECT: tuple[Method, ...] = (
    Method(
        name="tracking.exit_offset", unit="mm", run=_exit_offset, needs=_SIDES, source=_DERIVED,
        summary="Offset where the straight after a quarter turn begins, to the outside of the turn.",
    ),
    Method(
        name="tracking.first_edge_distance", unit="mm", run=_first_edge_distance, needs=_SIDES, source=_DERIVED,
        summary="How much further along than counted the robot is at the first opening after a quarter turn.",
    ),
)  # fmt: skip
