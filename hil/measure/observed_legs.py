"""The operator's route on straights: blind legs by offset and angle where the robot stands, distances by `along`.

Blind straights that follow each other without a turn, a tracked straight or hands between them are one leg, however
often it stops to be read. Offset and angle at its stops tell heading at the start and curvature; legs out and back
tell the robot's own curvature from a bow of the course or of the line of marks.

Offsets are positive to the left of the corridor's middle and angles counter-clockwise, both in the direction the robot
points; `along` is positive past the mark.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from hil.measure.evidence import Drive, Evidence
from hil.measure.least_squares import fit_linear
from hil.measure.legs import walk_u_kappa
from hil.measure.method import Method, Parameters, ParameterSpec
from hil.measure.model import ElementKind, Heading
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
from hil.measure.uncertainty import Mean, Part
from hil.measure.values import CannotMeasureError, Measurement
from hil.quantities import counted

_CELLS = 4.0  # over which an error of distance is stated
_LEAST_U = 1e-9
# With fewer degrees of freedom the scatter says too little of itself; the instruments' uncertainty then stands, with an
# allowance for the wheels' random walk.
_ENOUGH_DOF = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class Stop:
    """What was read where a blind leg begins, stops or ends: the way since its begin [mm], offset [mm], angle [rad]."""

    s_mm: float
    offset: Reading | None
    angle: Reading | None


@dataclass(frozen=True, slots=True, kw_only=True)
class BlindLeg:
    """What a blind leg of `length_mm` tells: heading at its start [rad] and curvature [1/mm], as readings."""

    towards: Heading
    length_mm: float
    heading: Reading
    curvature: Reading


def fit_blind_leg(stops: Sequence[Stop]) -> tuple[tuple[float, float], tuple[float, float]]:
    """Return ((heading, u), (curvature, u)) [rad, 1/mm] at the start of a leg from what was read at its stops.

    y = y0 + th0 s + kappa s^2/2 and th = th0 + kappa s, by weighted least squares with the instruments' uncertainties.
    At least three readings are needed, one offset among them on each end.
    """
    rows: list[tuple[Reading, list[float]]] = []
    for stop in stops:
        if stop.offset is not None:
            rows.append((stop.offset, [1.0, stop.s_mm, stop.s_mm**2 / 2]))
        if stop.angle is not None:
            rows.append((stop.angle, [0.0, 1.0, stop.s_mm]))
    if len(rows) < 3 or stops[0].offset is None or stops[-1].offset is None:
        raise CannotMeasureError(
            "a blind leg needs the offset before and after it and one angle; observe them where the robot stands"
        )
    variances = [max(one.u, _LEAST_U) ** 2 for one, _ in rows]
    fit = fit_linear([row for _, row in rows], [one.value for one, _ in rows], variances, what="blind leg")
    return (float(fit.parameters[1]), float(fit.u[1])), (float(fit.parameters[2]), float(fit.u[2]))


def _is_blind(drive: Drive) -> bool:
    return bool(drive.path) and all(one.kind is ElementKind.AHEAD and one.tracking == "none" for one in drive.path)


def _runs(evidence: Evidence, parameters: Parameters) -> Iterator[list[tuple[int, Drive]]]:
    """Yield blind drives that follow each other, with their numbers."""
    run: list[tuple[int, Drive]] = []
    for index, drive in numbered_drives(evidence, parameters):
        follows = run and index == run[-1][0] + 1 and not drive.conditions.get("placed")
        if run and not (follows and _is_blind(drive)):
            yield run
            run = []
        if _is_blind(drive):
            run.append((index, drive))
    if run:
        yield run


def blind_legs(evidence: Evidence, parameters: Parameters) -> list[BlindLeg]:
    """Return the longest blind legs whose readings tell a curvature; refuse with the last reason where none do."""
    offset, angle = parameters.word("offset", "offset"), parameters.word("angle", "angle")
    found: list[BlindLeg] = []
    reason = "no drive asked of is one blind straight"
    for run in _runs(evidence, parameters):
        first, start = run[0]
        before = (answer_before(evidence, offset, first, "mm"), answer_before(evidence, angle, first, "rad"))
        stops, s_mm = [Stop(s_mm=0.0, offset=before[0], angle=before[1])], 0.0
        for index, drive in run:
            s_mm += sum(one.cells for one in drive.path) * evidence.course.pitch_mm
            read = (answer_after(evidence, offset, index, "mm"), answer_after(evidence, angle, index, "rad"))
            stops.append(Stop(s_mm=s_mm, offset=read[0], angle=read[1]))
        try:
            heading, curvature = fit_blind_leg(stops)
        except CannotMeasureError as error:
            reason = str(error)
            continue
        told = {one.source for stop in stops for one in (stop.offset, stop.angle) if one}
        source = ", ".join(sorted(told))
        found.append(
            BlindLeg(
                towards=start.start.heading, length_mm=s_mm,
                heading=Reading(value=heading[0], u=heading[1], source=source),
                curvature=Reading(value=curvature[0], u=curvature[1], source=source),
            )
        )  # fmt: skip
    if not found:
        raise CannotMeasureError(reason)
    longest = max(leg.length_mm for leg in found)
    return [leg for leg in found if leg.length_mm == longest]


def _ways(legs: Sequence[BlindLeg]) -> list[list[Reading]]:
    """Return the curvatures of the legs that go the way of the first, and of those that come back where some do."""
    ways = [[leg.curvature for leg in legs if (leg.towards is legs[0].towards) is out] for out in (True, False)]
    return [way for way in ways if way]


def _joined(evidence: Evidence, legs: Sequence[BlindLeg], weights: Sequence[float]) -> Mean:
    """Return the sum of `weights` times the mean curvatures [1/mm] of each way."""
    ways = _ways(legs)
    mean = combined(ways, weights, "curvature of blind legs")
    if len(legs) - len(ways) >= _ENOUGH_DOF:
        return mean
    pairs = list(zip(weights, ways, strict=True))
    known = math.fsum((weight * one.u / len(way)) ** 2 for weight, way in pairs for one in way)
    walk = walk_u_kappa(legs[0].length_mm, evidence.robot.wheel_base_mm)
    walked = math.fsum(weight**2 * walk**2 / len(way) for weight, way in pairs)
    return Mean(value=mean.value, part=Part(math.sqrt(known + walked)), sd=mean.sd, n=mean.n)


def curvature_read(evidence: Evidence, legs: Sequence[BlindLeg]) -> tuple[Mean, tuple[str, ...]]:
    """Return the robot's curvature [1/mm]; out and back count alike, so that the course's bow falls out."""
    number = len(_ways(legs))
    note = f"{counted(len(legs), 'blind leg')} of {legs[0].length_mm:.0f} mm."
    if number == 1:
        note += " All went one way, so that a bow of the course or of the line of marks is in it."
    return _joined(evidence, legs, [1 / number] * number), (note,)


def _curved(factor: Callable[[Evidence], float], unit: str) -> Callable[[Evidence, Parameters], Measurement]:
    def run(evidence: Evidence, parameters: Parameters) -> Measurement:
        legs = blind_legs(evidence, parameters)
        mean, notes = curvature_read(evidence, legs)
        return _scaled(mean, factor(evidence), unit, legs, notes)

    return run


def _scaled(mean: Mean, factor: float, unit: str, legs: Sequence[BlindLeg], notes: tuple[str, ...] = ()) -> Measurement:
    scaled = Mean(value=factor * mean.value, part=mean.part.times(factor), sd=math.nan, n=mean.n)
    return measured(scaled, unit, [leg.curvature for leg in legs], notes)


def _course_bow(evidence: Evidence, parameters: Parameters) -> Measurement:
    """Return the curvature [1/m] of the middle between the walls, in the direction first driven, left positive.

    A straight way seen from a course that bows to the left curves to the right, out, and to the left, back.
    """
    legs = blind_legs(evidence, parameters)
    if len(_ways(legs)) < 2:
        raise CannotMeasureError("all blind legs went one way, so a bow of the course cannot be told from the robot's")
    bow = _joined(evidence, legs, [-0.5, 0.5])
    return _scaled(bow, 1000.0, "1/m", legs)


def _start_heading(evidence: Evidence, parameters: Parameters) -> Measurement:
    legs = blind_legs(evidence, parameters)
    headings = [
        Reading(value=math.degrees(leg.heading.value), u=math.degrees(leg.heading.u), source=leg.heading.source)
        for leg in legs
    ]
    return measured(mean_of(headings, "start heading"), "deg", headings, (f"{counted(len(legs), 'blind leg')}.",))


def _leg_distance(evidence: Evidence, parameters: Parameters) -> Measurement:
    """Average true minus commanded distance of straight drives, from the place along the way before and after."""
    name = parameters.word("along", "along")
    found: list[Reading] = []
    for index, drive in numbered_drives(evidence, parameters):
        before, after = answer_before(evidence, name, index, "mm"), answer_after(evidence, name, index, "mm")
        straight = drive.path and all(one.kind is ElementKind.AHEAD for one in drive.path)
        if before is None or after is None or not straight:
            continue
        scale = parameters.number("cells", _CELLS) / sum(one.cells for one in drive.path)
        u = scale * math.hypot(before.u, after.u)
        found.append(Reading(value=scale * (after.value - before.value), u=u, source=after.source))
    if not found:
        raise CannotMeasureError(f"no straight drive has the answer {name} both before and after it")
    return measured(mean_of(found, "leg distance"), "mm", found)


_OFFSET = word_spec("offset", "answer with the offset from the middle", "offset")
_ANGLE = word_spec("angle", "answer with the angle to the corridor", "angle")
_ALONG = word_spec("along", "answer with the place along the way, past the mark", "along")
_OVER = ParameterSpec(name="cells", meaning="over how many cells the error is stated", default=_CELLS)
_ARC = "y = y0 + th0 s + kappa s^2/2, textbook; JCGM 100:2008 for the uncertainty"

METHODS_OF_SUBJECT: tuple[Method, ...] = (
    observation_method(
        "wheel_mismatch",
        "%",
        _curved(lambda evidence: 100 * evidence.robot.wheel_base_mm, "%"),
        (_OFFSET, _ANGLE),
        "Wheel mismatch from offset and angle before and after blind legs.",
        _ARC,
    ),
    observation_method(
        "curvature",
        "1/m",
        _curved(lambda evidence: 1000.0, "1/m"),
        (_OFFSET, _ANGLE),
        "Curvature from offset and angle before and after blind legs, left positive.",
        _ARC,
    ),
    observation_method(
        "course_bow",
        "1/m",
        _course_bow,
        (_OFFSET, _ANGLE),
        "Curvature of the course's middle from blind legs out and back, left of the way first driven positive.",
        _ARC,
    ),
    observation_method(
        "start_heading",
        "deg",
        _start_heading,
        (_OFFSET, _ANGLE),
        "Heading at the start of blind legs, from what was read before and after them.",
        _ARC,
    ),
    observation_method(
        "leg_distance", "mm", _leg_distance, (_ALONG, _OVER), "True minus commanded distance of straight drives."
    ),
)
