"""The operator's route: the suites' measurements from a ruler, a square, a stopwatch and two eyes.

Many robots say nothing while they drive. What a person reads where the robot stands carries the same information:
offset and angle at the stop of a blind leg of known length tell curvature and start heading, angles before and after
a turn tell its error. Every answer brings its instrument's uncertainty; where repeats scatter more, the scatter
stands, with its degrees of freedom.

Offsets are positive to the left of the corridor's middle and angles counter-clockwise, both in the direction the robot
points; `along` is positive past the mark.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from hil.measure.after_turn import QUARTERS
from hil.measure.evidence import Drive, Evidence
from hil.measure.least_squares import fit_linear
from hil.measure.method import Method, Parameters, ParameterSpec
from hil.measure.model import ElementKind, Heading
from hil.measure.observed import (
    Reading,
    answer_after,
    mean_of,
    measured,
    numbered_drives,
    observation_method,
    word_spec,
)
from hil.measure.uncertainty import Mean, join, mean_by_scatter
from hil.measure.values import CannotMeasureError, Measurement

_CELLS = 4.0  # over which an error of distance is stated
_LEAST_U = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class BlindLeg:
    """What a blind leg of `length_mm` tells: heading at its start [rad], curvature [1/mm], their uncertainties."""

    drive: Drive
    length_mm: float
    heading: Reading
    curvature: Reading


def fit_blind_leg(
    length_mm: float,
    before: tuple[Reading | None, Reading | None],
    after: tuple[Reading | None, Reading | None],
) -> tuple[tuple[float, float], tuple[float, float]]:
    """Return ((heading, u), (curvature, u)) [rad, 1/mm] of a leg from (offset [mm], angle [rad]) before and after it.

    y = y0 + th0 L + kappa L^2/2 and th = th0 + kappa L, by weighted least squares with the instruments' uncertainties.
    At least three of the four readings are needed, one offset among them on each end.
    """
    L = length_mm
    rows = [
        (before[0], [1.0, 0.0, 0.0]),
        (before[1], [0.0, 1.0, 0.0]),
        (after[0], [1.0, L, L * L / 2]),
        (after[1], [0.0, 1.0, L]),
    ]
    given = [(one, row) for one, row in rows if one is not None]
    if len(given) < 3 or before[0] is None or after[0] is None:
        raise CannotMeasureError(
            "a blind leg needs the offset before and after it and one angle; observe them where the robot stands"
        )
    variances = [max(one.u, _LEAST_U) ** 2 for one, _ in given]
    fit = fit_linear([row for _, row in given], [one.value for one, _ in given], variances, what="blind leg")
    return (float(fit.parameters[1]), float(fit.u[1])), (float(fit.parameters[2]), float(fit.u[2]))


def _blind_legs(evidence: Evidence, parameters: Parameters) -> list[BlindLeg]:
    offset, angle = parameters.word("offset", "offset"), parameters.word("angle", "angle")
    found: list[BlindLeg] = []
    reason = "no drive asked of is one blind straight"
    for index, drive in numbered_drives(evidence, parameters):
        if not drive.path or any(one.kind is not ElementKind.AHEAD or one.tracking != "none" for one in drive.path):
            continue
        length_mm = sum(one.cells for one in drive.path) * evidence.course.pitch_mm
        before = answer_after(evidence, offset, index - 1, "mm"), answer_after(evidence, angle, index - 1, "rad")
        after = answer_after(evidence, offset, index, "mm"), answer_after(evidence, angle, index, "rad")
        try:
            heading, curvature = fit_blind_leg(length_mm, before, after)
        except CannotMeasureError as error:
            reason = str(error)
            continue
        source = ", ".join(sorted({one.source for one in (*before, *after) if one}))
        found.append(
            BlindLeg(
                drive=drive, length_mm=length_mm, heading=Reading(value=heading[0], u=heading[1], source=source),
                curvature=Reading(value=curvature[0], u=curvature[1], source=source),
            )
        )  # fmt: skip
    if not found:
        raise CannotMeasureError(reason)
    longest = max(leg.length_mm for leg in found)
    return [leg for leg in found if leg.length_mm == longest]


def _curvature_mean(legs: list[BlindLeg]) -> tuple[Mean, tuple[str, ...]]:
    """Return the robot's curvature [1/mm]; out and back count alike, so that the course's bow falls out."""
    ways = [
        [leg.curvature for leg in legs if (leg.drive.start.heading in (Heading.NORTH, Heading.EAST)) is out]
        for out in (True, False)
    ]
    means = [mean_of(way, "curvature of blind legs") for way in ways if way]
    part = join(*(mean.part.times(1 / len(means)) for mean in means))
    note = f"{len(legs)} blind legs of {legs[0].length_mm:.0f} mm."
    if len(means) == 1:
        note += " All went one way, so that a bow of the course or of the line of marks is in it."
    value = sum(mean.value for mean in means) / len(means)
    return Mean(value=value, part=part, sd=math.nan, n=len(legs)), (note,)


def _curved(factor: Callable[[Evidence], float], unit: str) -> Callable[[Evidence, Parameters], Measurement]:
    def run(evidence: Evidence, parameters: Parameters) -> Measurement:
        legs = _blind_legs(evidence, parameters)
        mean, notes = _curvature_mean(legs)
        scale = factor(evidence)
        scaled = Mean(value=scale * mean.value, part=mean.part.times(scale), sd=math.nan, n=mean.n)
        return measured(scaled, unit, [leg.curvature for leg in legs], notes)

    return run


def _start_heading(evidence: Evidence, parameters: Parameters) -> Measurement:
    legs = _blind_legs(evidence, parameters)
    headings = [
        Reading(value=math.degrees(leg.heading.value), u=math.degrees(leg.heading.u), source=leg.heading.source)
        for leg in legs
    ]
    return measured(mean_of(headings, "start heading"), "deg", headings, (f"{len(legs)} blind legs.",))


def _leg_distance(evidence: Evidence, parameters: Parameters) -> Measurement:
    """Average true minus commanded distance of blind legs, from the place along the way before and after."""
    name = parameters.word("along", "along")
    found: list[Reading] = []
    for index, drive in numbered_drives(evidence, parameters):
        before, after = answer_after(evidence, name, index - 1, "mm"), answer_after(evidence, name, index, "mm")
        straight = drive.path and all(one.kind is ElementKind.AHEAD for one in drive.path)
        if before is None or after is None or not straight:
            continue
        scale = parameters.number("cells", _CELLS) / sum(one.cells for one in drive.path)
        u = scale * math.hypot(before.u, after.u)
        found.append(Reading(value=scale * (after.value - before.value), u=u, source=after.source))
    if not found:
        raise CannotMeasureError(f"no straight drive has the answer {name} both before and after it")
    return measured(mean_of(found, "leg distance"), "mm", found)


def _turn_errors(evidence: Evidence, parameters: Parameters, kinds: tuple[ElementKind, ...]) -> list[Reading]:
    """Return turned angle less commanded [deg], positive where the robot turns too far, of drives that are one turn."""
    name = parameters.word("angle", "angle")
    found: list[Reading] = []
    for index, drive in numbered_drives(evidence, parameters):
        if len(drive.path) != 1 or drive.path[0].kind not in kinds:
            continue
        before, after = answer_after(evidence, name, index - 1, "deg"), answer_after(evidence, name, index, "deg")
        if before is None or after is None:
            continue
        sense = math.copysign(1.0, drive.path[0].kind.angle_rad)
        u = math.hypot(before.u, after.u)
        found.append(Reading(value=sense * (after.value - before.value), u=u, source=after.source))
    if not found:
        raise CannotMeasureError(f"no drive that is one such turn has the answer {name} both before and after it")
    return found


_HALVES = (ElementKind.ABOUT_LEFT, ElementKind.ABOUT_RIGHT)
_QUARTER_KINDS = tuple(QUARTERS)


def _turn_error(kinds: tuple[ElementKind, ...]) -> Callable[[Evidence, Parameters], Measurement]:
    def run(evidence: Evidence, parameters: Parameters) -> Measurement:
        errors = _turn_errors(evidence, parameters, kinds)
        return measured(mean_of(errors, "turn error"), "deg", errors)

    return run


def _turn_spread(kinds: tuple[ElementKind, ...]) -> Callable[[Evidence, Parameters], Measurement]:
    def run(evidence: Evidence, parameters: Parameters) -> Measurement:
        errors = _turn_errors(evidence, parameters, kinds)
        sd = mean_by_scatter([one.value for one in errors], "turn spread").sd
        dof = len(errors) - 1
        return Measurement(
            value=sd, unit="deg", u=sd / math.sqrt(2 * dof), dof=dof, n=len(errors), is_spread=True,
            source=errors[0].source, notes=("The readings' own scatter is in it.",),
        )  # fmt: skip

    return run


_OFFSET = word_spec("offset", "answer with the offset from the middle", "offset")
_ANGLE = word_spec("angle", "answer with the angle to the corridor", "angle")
_ALONG = word_spec("along", "answer with the place along the way, past the mark", "along")
_OVER = ParameterSpec(name="cells", meaning="over how many cells the error is stated", default=_CELLS)
_ARC = "y = y0 + th0 L + kappa L^2/2, textbook; JCGM 100:2008 for the uncertainty"

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
        "quarter_turn_error",
        "deg",
        _turn_error(_QUARTER_KINDS),
        (_ANGLE,),
        "Quarter turns: turned less commanded, from the angles before and after.",
    ),
    observation_method(
        "quarter_turn_spread", "deg", _turn_spread(_QUARTER_KINDS), (_ANGLE,), "Standard deviation of quarter turns."
    ),
)
