"""Methods on turns: error and spread of half and quarter turns, shift of the axle's centre, left against right.

Errors are signed, over-rotation positive, whichever way the turn goes: a wrong wheel base moves left and right turns
alike, a one-sided cause (a dragging wheel, a drifting gyro) moves them apart. A mean gives left and right equal weight,
so what a wrong curvature of the straights would add to one and take from the other falls out of it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from hil.measure.corridor import pose_at
from hil.measure.edges import EDGE_BIAS_MM, SLIP_S, SLIP_U_S, WallEnd, sampled_u_mm, wall_ends
from hil.measure.evidence import Evidence
from hil.measure.legs import pooled, single_variance
from hil.measure.method import Method, Parameters, ParameterSpec
from hil.measure.model import ElementKind
from hil.measure.turning import STRETCH, TurnSeen, turn_named, turns_seen
from hil.measure.uncertainty import Part, join
from hil.measure.values import CannotMeasureError, Measurement

_NEEDS = ("wall.left", "wall.right", "encoder.left", "encoder.right")
_ONE_SHIFT_MM = 1.0  # standard deviation of a shift seen once; common practice
_SENSOR_PLACE_MM = 0.5  # standard uncertainty of where a sensor sits along the body; calliper, common practice


def half_turn_error(evidence: Evidence, parameters: Parameters) -> Measurement:
    """Return the mean error of half turns [deg], over-rotation positive."""
    return _error(_chosen(evidence, parameters, half=True))


def quarter_turn_error(evidence: Evidence, parameters: Parameters) -> Measurement:
    """Return the mean error of quarter turns [deg], over-rotation positive."""
    return _error(_chosen(evidence, parameters, half=False))


def half_turn_spread(evidence: Evidence, parameters: Parameters) -> Measurement:
    """Return the standard deviation of half turns [deg] about the means of their place and direction."""
    return _spread(_chosen(evidence, parameters, half=True))


def quarter_turn_spread(evidence: Evidence, parameters: Parameters) -> Measurement:
    """Return the standard deviation of quarter turns [deg] about the means of their place and direction."""
    return _spread(_chosen(evidence, parameters, half=False))


def direction_difference(evidence: Evidence, parameters: Parameters) -> Measurement:
    """Return how much further turns to the left (counter-clockwise) go than turns to the right [deg]."""
    seen = _chosen(evidence, parameters, half=parameters.word("turns", "quarter") == "half")
    left, right = _by_sign(seen)
    if not left or not right:
        raise CannotMeasureError("turns were seen to one side only; drive the course the other way round too")
    variance, dof, notes = _single(seen)
    part = join(
        Part(math.sqrt(variance * (1 / len(left) + 1 / len(right))), dof),
        Part(_mean(left, "lever_rad") - _mean(right, "lever_rad")).times(1.0),
        _panels(left),
        _panels(right),
    )
    value = _mean(left, "error_rad") - _mean(right, "error_rad")
    return _in_degrees(value, part, len(seen), notes)


def half_turn_shift(evidence: Evidence, parameters: Parameters) -> Measurement:
    """Return how far the axle's centre is displaced over a half turn [mm].

    Across from the fits, along from wall ends counted before and after, less what the wheels slip between rest and the
    ends, which are passed at speed. The means of every place and direction stand apart, and the longest displacement
    is given.
    """
    seen = _chosen(evidence, parameters, half=True)
    groups: dict[tuple[ElementKind, tuple[int, int, int]], list[Shift]] = {}
    across_u: list[float] = []
    slip_u: list[float] = []
    for turn in seen:
        along = _along(turn)
        if along is None:
            continue
        across = -turn.after.y_mm - turn.before.y_mm
        speed = turn.after_data.drive.speed_mm_s
        groups.setdefault((turn.kind, turn.place), []).append((along[0] - 2 * SLIP_S * speed, across, *along[1:]))
        slip_u.append(2 * SLIP_U_S * speed)
        across_u.append(_bias_across(turn))
    if not groups:
        raise CannotMeasureError(
            "no wall end is passed both before and after a half turn, so its shift along the course is not known"
        )
    places = []
    for (kind, place), group in groups.items():
        length, part, n = _displacement(group, list(groups.values()), max(slip_u), max(across_u))
        one = Measurement(value=length, unit="mm", u=part.u, dof=part.dof, n=n)
        places.append((turn_named(kind, place), one))
    _, largest = max(places, key=lambda one: one[1].value)
    told = f"the largest of {len(groups)} places and directions"
    return replace(largest, notes=(told,), among=tuple(places))


# Along [mm], across [mm], kinds of wall ends that told it, what gaps between samples leave of where one was seen [mm].
Shift = tuple[float, float, int, float]


def _displacement(
    group: Sequence[Shift], groups: Sequence[Sequence[Shift]], slip_u: float, across_u: float
) -> tuple[float, Part, int]:
    """Return the length of a group's mean displacement, its contribution, and n.

    The contribution is that along the displacement, and that across it to second order: a length of next to nothing is
    lengthened by errors in any direction.
    """
    mean = np.mean([one[:2] for one in group], axis=0)
    length = float(np.hypot(*mean))
    ends = EDGE_BIAS_MM * math.sqrt(2 / min(one[2] for one in group))
    known = Part(math.hypot(2 * _SENSOR_PLACE_MM, ends, slip_u)), Part(across_u)
    axes: list[Part] = []
    for axis in (0, 1):
        variance, dof = pooled([[one[axis] for one in other] for other in groups])
        seen = math.hypot(_ONE_SHIFT_MM, 0.0 if axis else math.sqrt(2) * max(one[3] for one in group))
        repeated = Part(math.sqrt(variance / len(group)), dof) if dof else Part(seen)
        axes.append(join(known[axis], repeated))
    share = mean / length if length > 0 else np.array([1.0, 0.0])
    aside = join(axes[0].times(float(share[1])), axes[1].times(float(share[0])))
    second = min(1.0, aside.u / (2 * length)) if length > 0 else 1.0
    return length, join(*(axes[at].times(float(share[at])) for at in (0, 1)), aside.times(second)), len(group)


def _chosen(evidence: Evidence, parameters: Parameters, *, half: bool) -> tuple[TurnSeen, ...]:
    seen = tuple(turn for turn in turns_seen(evidence, parameters) if turn.is_half is half)
    if not seen:
        word = "half" if half else "quarter"
        raise CannotMeasureError(f"no {word} turn was driven between two straights with walls beside them")
    return seen


def _by_sign(seen: Sequence[TurnSeen]) -> tuple[list[TurnSeen], list[TurnSeen]]:
    return [turn for turn in seen if turn.sign > 0], [turn for turn in seen if turn.sign < 0]


def _mean(seen: Sequence[TurnSeen], name: str) -> float:
    return float(np.mean([getattr(turn, name) for turn in seen]))


def _by_place(seen: Sequence[TurnSeen]) -> list[list[TurnSeen]]:
    groups: dict[tuple[object, ...], list[TurnSeen]] = {}
    for turn in seen:
        groups.setdefault((turn.kind, turn.place), []).append(turn)
    return list(groups.values())


def _single(seen: Sequence[TurnSeen]) -> tuple[float, float, tuple[str, ...]]:
    """Return variance and degrees of freedom of one turn's error."""
    scatter, dof = pooled([[turn.error_rad for turn in group] for group in _by_place(seen)])

    def mean_square(name: str) -> float:
        return float(np.mean([getattr(turn, name) ** 2 for turn in seen]))

    return single_variance(scatter, dof, mean_square("fit_rad"), mean_square("white_rad"), mean_square("walk_rad"))


def _panels(seen: Sequence[TurnSeen]) -> Part:
    """Return what the placement of panels leaves in the mean error; it averages over places, not over repeats."""
    groups = _by_place(seen)
    variance = sum((len(group) / len(seen) * _mean(group, "panels_rad")) ** 2 for group in groups)
    return Part(math.sqrt(variance))


def _error(seen: Sequence[TurnSeen]) -> Measurement:
    ways = [way for way in _by_sign(seen) if way]
    variance, dof, notes = _single(seen)
    share = 1 / len(ways)
    repeated = share * math.sqrt(sum(variance / len(way) for way in ways))
    lever = share * sum(_mean(way, "lever_rad") for way in ways)
    part = join(Part(repeated, dof), Part(abs(lever)), *(_panels(way).times(share) for way in ways))
    value = share * sum(_mean(way, "error_rad") for way in ways)
    if len(ways) == 1:
        notes = (*notes, f"turns to the {'left' if seen[0].sign > 0 else 'right'} only")
    return _in_degrees(value, part, len(seen), notes)


def _spread(seen: Sequence[TurnSeen]) -> Measurement:
    """Return the pooled standard deviation, less the fits' own noise, with u = s/sqrt(2 dof) (normal errors).

    Each heading is fitted to samples that have noise; from few samples it is as large as what is looked for.
    """
    groups = _by_place(seen)
    variance, dof = pooled([[turn.error_rad for turn in group] for group in groups])
    if dof < 1:
        raise CannotMeasureError("every turn was driven once only; a spread needs repeats")
    noise = float(np.mean([turn.white_rad**2 for turn in seen]))
    total, sd = math.degrees(math.sqrt(variance)), math.degrees(math.sqrt(noise))
    spread = math.degrees(math.sqrt(max(0.0, variance - noise)))
    told = f"about the means of {len(groups)} places and directions, {sd:.2g} deg of noise of the fits taken out"
    return Measurement(
        value=spread,
        unit="deg",
        u=total / math.sqrt(2 * dof),
        dof=dof,
        n=len(seen),
        is_spread=True,
        noise=sd,
        notes=(told,),
    )


def _in_degrees(value_rad: float, part: Part, n: int, notes: tuple[str, ...]) -> Measurement:
    return Measurement(
        value=math.degrees(value_rad), unit="deg", u=math.degrees(part.u), dof=part.dof, n=n, notes=notes
    )


def _bias_across(turn: TurnSeen) -> float:
    """Return what the calibration leaves in the shift across: before and after the same sensors err to one side."""
    ends = (
        (turn.before_data, turn.before_fit, turn.before_data.length_mm),
        (turn.after_data, turn.after_fit, 0.0),
    )
    return sum(math.sqrt(float(pose_at(data, fit, s, "calibration").covariance[0, 0])) for data, fit, s in ends)


def _along(turn: TurnSeen) -> tuple[float, int, float] | None:
    """Return the shift along the direction before the turn, how many kinds of wall ends told it, and how sharply.

    The ends nearest to the turn that were passed on either side of it are used, one rising and one falling where there
    are both, since their biases take each other out.
    """
    before, after = turn.before_data, turn.after_data
    ends_before = wall_ends(before, turn.before_fit)
    ends_after = wall_ends(after, turn.after_fit)
    shifts: dict[bool, tuple[float, float, float]] = {}
    for end in ends_before:
        same = next((one for one in ends_after if abs(one.course_mm + end.course_mm) < 1.0), None)
        if same is None:
            continue
        distance, shift = _shift(end, same, before.length_mm, before.along_mm, after.along_mm)
        if end.rising not in shifts or distance < shifts[end.rising][0]:
            shifts[end.rising] = distance, shift, sampled_u_mm((end, same))
    if not shifts:
        return None
    sampled = math.sqrt(float(np.mean([one[2] ** 2 for one in shifts.values()])))
    return float(np.mean([one[1] for one in shifts.values()])), len(shifts), sampled


def _shift(
    end: WallEnd, same: WallEnd, length_mm: float, along_before_mm: float, along_after_mm: float
) -> tuple[float, float]:
    """Return the counted way from the end to the turn and back, and the axle's shift over the turn, by that end."""
    at_end = along_before_mm + end.x_mm + length_mm - end.seen_s_mm
    at_begin = along_after_mm + same.x_mm - same.seen_s_mm
    return length_mm - end.seen_s_mm + same.seen_s_mm, -at_begin - at_end


METHODS_OF_SUBJECT: tuple[Method, ...] = (
    Method(
        name="turn.half_turn_error",
        unit="deg",
        run=half_turn_error,
        needs=_NEEDS,
        summary="true less commanded angle of half turns, over-rotation positive",
        source="headings fitted to the walls before and after",
        parameters=(STRETCH,),
    ),
    Method(
        name="turn.half_turn_spread",
        unit="deg",
        run=half_turn_spread,
        needs=_NEEDS,
        summary="standard deviation of half turns about the means of their place and direction",
        source="headings fitted to the walls before and after",
        parameters=(STRETCH,),
        is_spread=True,
    ),
    Method(
        name="turn.half_turn_shift",
        unit="mm",
        run=half_turn_shift,
        needs=_NEEDS,
        summary="displacement of the axle's centre over a half turn",
        source="offsets fitted to the walls, wall ends counted before and after",
        parameters=(STRETCH,),
    ),
    Method(
        name="turn.quarter_turn_error",
        unit="deg",
        run=quarter_turn_error,
        needs=_NEEDS,
        summary="true less commanded angle of quarter turns, over-rotation positive",
        source="headings fitted to the walls before and after",
        parameters=(STRETCH,),
    ),
    Method(
        name="turn.quarter_turn_spread",
        unit="deg",
        run=quarter_turn_spread,
        needs=_NEEDS,
        summary="standard deviation of quarter turns about the means of their place and direction",
        source="headings fitted to the walls before and after",
        parameters=(STRETCH,),
        is_spread=True,
    ),
    Method(
        name="turn.direction_difference",
        unit="deg",
        run=direction_difference,
        needs=_NEEDS,
        summary="how much further turns to the left go than turns to the right",
        source="one-sided part of the turn error, e_ccw + e_cw of signed angles; textbook relation",
        parameters=(
            STRETCH,
            ParameterSpec(
                name="turns",
                meaning="which turns are compared",
                default="quarter",
                is_word=True,
                choices=("quarter", "half"),
            ),
        ),
    ),
)
