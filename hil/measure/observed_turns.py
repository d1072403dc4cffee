"""The operator's route on turns: angle, offset and place read where the robot stands before and after a turn alone.

Errors are signed, over-rotation positive, whichever way the turn goes. Left and right turns, and turns at different
places, have means of their own, which count alike; the scatter about those means is what repeats. What the readings
themselves scatter is known and taken out of a spread, so that a coarse square does not fail a good robot.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace

from hil.measure.after_turn import QUARTERS
from hil.measure.evidence import Drive, Evidence
from hil.measure.legs import pooled
from hil.measure.method import Method, Parameters, ParameterSpec
from hil.measure.model import ElementKind
from hil.measure.observed import (
    Reading,
    answer_after,
    answer_before,
    combined,
    mean_of,
    measured,
    numbered_drives,
    observation_method,
    word_spec,
)
from hil.measure.turning import turn_named
from hil.measure.uncertainty import Mean, join
from hil.measure.values import CannotMeasureError, Measurement

_HALVES = (ElementKind.ABOUT_LEFT, ElementKind.ABOUT_RIGHT)
_QUARTER_KINDS = tuple(QUARTERS)
# An instrument's uncertainty is a rule of thumb; so at least this share of a variance seen is taken for the robot's.
_LEAST_SHARE = 0.5
_FIRST_CELLS = 2  # stops further than this after a turn say more about the wheels than about the turn

Place = tuple[ElementKind, int, int, int]  # a kind of turn, with the cell and heading it began in


@dataclass(frozen=True, slots=True, kw_only=True)
class Turn:
    """A drive that is one turn, with its number."""

    index: int
    kind: ElementKind
    place: Place

    @property
    def sense(self) -> float:
        """1 for a turn to the left, -1 for one to the right."""
        return math.copysign(1.0, self.kind.angle_rad)


def _turns(evidence: Evidence, parameters: Parameters, kinds: Sequence[ElementKind]) -> list[Turn]:
    return [
        Turn(index=index, kind=drive.path[0].kind, place=_place(drive))
        for index, drive in numbered_drives(evidence, parameters)
        if len(drive.path) == 1 and drive.path[0].kind in kinds
    ]


def _place(drive: Drive) -> Place:
    return drive.path[0].kind, drive.start.x, drive.start.y, int(drive.start.heading)


def _grouped(found: Iterable[tuple[object, Reading]]) -> list[list[Reading]]:
    groups: dict[object, list[Reading]] = {}
    for key, reading in found:
        groups.setdefault(key, []).append(reading)
    return list(groups.values())


def _turn_errors(
    evidence: Evidence, parameters: Parameters, kinds: Sequence[ElementKind]
) -> list[tuple[ElementKind, Reading]]:
    """Return turned angle less commanded [deg] of drives that are one turn, each with its kind."""
    name = parameters.word("angle", "angle")
    found: list[tuple[ElementKind, Reading]] = []
    for turn in _turns(evidence, parameters, kinds):
        before, after = (
            answer_before(evidence, name, turn.index, "deg"),
            answer_after(evidence, name, turn.index, "deg"),
        )
        if before is None or after is None:
            continue
        error = Reading(
            value=turn.sense * (after.value - before.value), u=math.hypot(before.u, after.u), source=after.source
        )
        found.append((turn.kind, error))
    if not found:
        raise CannotMeasureError(f"no drive that is one such turn has the answer {name} both before and after it")
    return found


def _turn_error(kinds: Sequence[ElementKind]) -> Callable[[Evidence, Parameters], Measurement]:
    def run(evidence: Evidence, parameters: Parameters) -> Measurement:
        errors = _turn_errors(evidence, parameters, kinds)
        groups = _grouped(errors)
        mean = combined(groups, [1 / len(groups)] * len(groups), "turn error")
        return measured(mean, "deg", [one for _, one in errors])

    return run


def _turn_spread(kinds: Sequence[ElementKind]) -> Callable[[Evidence, Parameters], Measurement]:
    def run(evidence: Evidence, parameters: Parameters) -> Measurement:
        errors = _turn_errors(evidence, parameters, kinds)
        seen, dof = pooled([[one.value for one in group] for group in _grouped(errors)])
        if not dof:
            raise CannotMeasureError(f"{len(errors)} turns, none of them twice the same way, tell no spread")
        read = sum(one.u**2 for _, one in errors) / len(errors)
        left = max(seen - read, _LEAST_SHARE * seen)
        dof_left = dof * (left / seen) ** 2 if seen > 0 else dof  # the variance keeps its uncertainty, not its share
        sd = math.sqrt(left)
        note = f"Of {math.sqrt(seen):.2g} deg seen, the readings' own {math.sqrt(seen - left):.2g} deg are taken out."
        return Measurement(
            value=sd, unit="deg", u=sd / math.sqrt(2 * dof_left), dof=dof_left, n=len(errors), is_spread=True,
            source=errors[0][1].source, notes=(note,),
        )  # fmt: skip

    return run


def _direction_difference(evidence: Evidence, parameters: Parameters) -> Measurement:
    """Return how much further turns to the left go than turns to the right [deg]."""
    kinds = _HALVES if parameters.word("turns", "quarter") == "half" else _QUARTER_KINDS
    errors = _turn_errors(evidence, parameters, kinds)
    left = [one for kind, one in errors if kind.angle_rad > 0]
    right = [one for kind, one in errors if kind.angle_rad < 0]
    if not left or not right:
        raise CannotMeasureError("turns were read to one side only; drive the course the other way round too")
    return measured(combined([left, right], [1.0, -1.0], "turn difference"), "deg", [*left, *right])


def _heading_after(evidence: Evidence, parameters: Parameters) -> Measurement:
    """Return the heading [deg] after half turns; the means of both ways stand apart, and the larger is given."""
    name = parameters.word("angle", "angle")
    found = [
        (turn.kind, one)
        for turn in _turns(evidence, parameters, _HALVES)
        if (one := answer_after(evidence, name, turn.index, "deg"))
    ]
    if not found:
        raise CannotMeasureError(f"no drive that is a half turn has the answer {name} after it")
    kinds, groups = list(dict.fromkeys(kind for kind, _ in found)), _grouped(found)
    readings = [one for _, one in found]
    sides = [
        (turn_named(kind), measured(combined(groups, _alone(groups, at), "heading after turns"), "deg", readings))
        for at, kind in enumerate(kinds)
    ]
    side, worst = max(sides, key=lambda one: abs(one[1].value))
    return replace(worst, notes=(f"After {side}, the larger of both.",), among=tuple(sides))


def _alone(groups: Sequence[object], number: int) -> list[float]:
    """Return the weights that let one group stand for itself; the others lend it their scatter."""
    return [float(at == number) for at in range(len(groups))]


def _half_turn_shift(evidence: Evidence, parameters: Parameters) -> Measurement:
    """Return how far the axle's middle is displaced over a half turn [mm].

    After it the robot looks back, so that the same place has both offset and `along` of the other sign. The means of
    every place and direction stand apart, and the longest displacement is given.
    """
    names = parameters.word("along", "along"), parameters.word("offset", "offset")
    places: list[tuple[Place, tuple[Reading, ...]]] = []
    for turn in _turns(evidence, parameters, _HALVES):
        shifts = []
        for name in names:
            before, after = (ask(evidence, name, turn.index, "mm") for ask in (answer_before, answer_after))
            if before is not None and after is not None:
                u = math.hypot(before.u, after.u)
                shifts.append(Reading(value=-after.value - before.value, u=u, source=after.source))
        if len(shifts) == len(names):
            places.append((turn.place, tuple(shifts)))
    if not places:
        raise CannotMeasureError(
            f"no drive that is a half turn has the answers {' and '.join(names)} both before and after it"
        )
    axes = [_grouped((place, shifts[axis]) for place, shifts in places) for axis in range(len(names))]
    readings = [one for _, shifts in places for one in shifts]
    shifted = [
        (turn_named(kind, (cell[0], cell[1], cell[2])), measured(_displacement(axes, number), "mm", readings))
        for number, (kind, *cell) in enumerate(dict.fromkeys(place for place, _ in places))
    ]
    _, longest = max(shifted, key=lambda one: one[1].value)
    note = f"The largest of {len(shifted)} places and directions."
    return replace(longest, notes=(note,), among=tuple(shifted))


def _displacement(axes: Sequence[Sequence[Sequence[Reading]]], number: int) -> Mean:
    """Return the length of one group's mean displacement, with its contribution along that direction."""
    means = [combined(groups, _alone(groups, number), "half turn shift") for groups in axes]
    length = math.hypot(*(mean.value for mean in means))
    # Of no displacement the direction is not known; the larger contribution then stands for all directions.
    shares = [mean.value / length for mean in means] if length > 0 else [1.0, 1.0]
    part = join(*(mean.part.times(share) for mean, share in zip(means, shares, strict=True)))
    return Mean(value=length, part=part, sd=math.nan, n=means[0].n)


def _first_edge(evidence: Evidence, parameters: Parameters) -> Measurement:
    """Return how far past the mark the robot stops in the first cells after a quarter turn [mm].

    A turn passes the offset before it on: what stood to the left is ahead after a left turn, and behind after a right
    one. Where that offset was read it is taken out, since it is no fault of the turn.
    """
    along, offset = parameters.word("along", "along"), parameters.word("offset", "offset")
    found: list[Reading] = []
    is_whole = True
    for index, drive in numbered_drives(evidence, parameters):
        turn = evidence.drives[index - 1].path if index and not drive.conditions.get("placed") else ()
        is_short = all(one.kind is ElementKind.AHEAD for one in drive.path)
        is_short = is_short and sum(one.cells for one in drive.path) <= _FIRST_CELLS
        stop = answer_after(evidence, along, index, "mm")
        if stop is None or not is_short or not turn or turn[-1].kind not in QUARTERS:
            continue
        before = answer_before(evidence, offset, index - 1, "mm") if len(turn) == 1 else None
        is_whole = is_whole and before is not None
        passed = -QUARTERS[turn[-1].kind] * before.value if before else 0.0
        u = math.hypot(stop.u, before.u if before else 0.0)
        found.append(Reading(value=stop.value - passed, u=u, source=stop.source))
    if not found:
        raise CannotMeasureError(f"no straight that follows a quarter turn has the answer {along} where it stopped")
    note = () if is_whole else (f"Where {offset} was not read before the turn, it is in it.",)
    return measured(mean_of(found, "first edge distance"), "mm", found, note)


_OFFSET = word_spec("offset", "answer with the offset from the middle", "offset")
_ANGLE = word_spec("angle", "answer with the angle to the corridor", "angle")
_ALONG = word_spec("along", "answer with the place along the way, past the mark", "along")
_WHICH = ParameterSpec(
    name="turns", meaning="which turns to compare", is_word=True, choices=("quarter", "half"), default="quarter"
)

METHODS_OF_SUBJECT: tuple[Method, ...] = (
    observation_method(
        "half_turn_error",
        "deg",
        _turn_error(_HALVES),
        (_ANGLE,),
        "Half turns: turned less commanded, from the angles before and after.",
    ),
    observation_method(
        "half_turn_spread", "deg", _turn_spread(_HALVES), (_ANGLE,), "Standard deviation of half turns."
    ),
    observation_method(
        "half_turn_shift",
        "mm",
        _half_turn_shift,
        (_ALONG, _OFFSET),
        "How far half turns displace the axle's middle; the longest of all places and directions.",
    ),
    observation_method(
        "heading_after_turn",
        "deg",
        _heading_after,
        (_ANGLE,),
        "Heading after half turns; the worse of left and right.",
    ),
    observation_method(
        "quarter_turn_error",
        "deg",
        _turn_error(_QUARTER_KINDS),
        (_ANGLE,),
        "Quarter turns: turned less commanded, from the angles before and after.",
    ),
    observation_method(
        "quarter_turn_spread", "deg", _turn_spread(_QUARTER_KINDS), (_ANGLE,), "Standard deviation of quarter turns."
    ),
    observation_method(
        "direction_difference",
        "deg",
        _direction_difference,
        (_ANGLE, _WHICH),
        "How much further turns to the left go than turns to the right.",
    ),
    observation_method(
        "first_edge_distance",
        "mm",
        _first_edge,
        (_ALONG, _OFFSET),
        "How far past the mark the robot stops in the first cells after a quarter turn.",
    ),
)
