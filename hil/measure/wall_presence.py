"""Is there a wall? Populations of readings at the decision point, the threshold between them, and what it costs.

The populations are those of the worst case. A wall: the darkest surface, the robot 20 mm off the centre away from it
and turned by 5 deg. No wall: what the sensor reads with no board (the highest of all segments without one: room, lamps,
crosstalk) and on top the next wall behind, of the brightest surface, the robot 20 mm nearer to it. Distances are those
of the robot file (`wall`, `beyond`); readings there are those of the fitted curves, carried on beyond the blocks by the
same law. Single readings scatter by a share of the light and by counts of their own; both are taken from the blocks.

Uncertainties are by the delta method (JCGM 100:2008 5.1.2): of the means by the curves, of the scatter by its degrees
of freedom.
"""

from __future__ import annotations

import contextlib
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from hil.measure.detection import (
    DECISIONS,
    Population,
    Rule,
    check_order,
    detectability,
    error_rate,
    expected_wrong,
    right_map,
    threshold,
)
from hil.measure.evidence import Evidence
from hil.measure.method import Method, Parameters, ParameterSpec
from hil.measure.uncertainty import Part
from hil.measure.values import CannotMeasureError, Measurement
from hil.measure.wall_blocks import (
    COUNT_SD,
    Block,
    all_blocks,
    by_sensor_and_surface,
    jig_blocks,
    set_distance_mm,
)
from hil.measure.wall_fits import Fitted, Level, curve_level, fits_of, fitted
from hil.measure.wall_levels import AT, BLOCK_SD, SENSOR, worst

OFF_CENTRE_MM = 20.0  # how far a robot may be from the middle when it decides; common practice, no source
TURNED_RAD = math.radians(5.0)  # how far it may be turned then; common practice, no source
EXTREME_SDS = 3.0  # highest and lowest single readings of a population: 1 in 740 is beyond
_SOURCE = "signal detection (d_a, normal populations), JCGM 100:2008 5.1.2; worst case common practice"


@dataclass(frozen=True, slots=True, kw_only=True)
class Noise:
    """Scatter of single readings: a share of the light, and counts of its own, each with its degrees of freedom."""

    share: float
    count: float
    share_dof: float
    count_dof: float = math.inf

    def sd(self, reading: float) -> float:
        """Return the standard deviation of one reading [count]."""
        return math.hypot(self.share * reading, self.count)

    def dof(self, reading: float) -> float:
        """Return the degrees of freedom of that standard deviation (Welch-Satterthwaite)."""
        parts = (((self.share * reading) ** 2, self.share_dof), (self.count**2, self.count_dof))
        weakness = math.fsum(variance**2 / dof for variance, dof in parts)
        return math.fsum(variance for variance, _ in parts) ** 2 / weakness if weakness > 0 else math.inf


@dataclass(frozen=True, slots=True, kw_only=True)
class Presence:
    """One sensor's decision: both populations, the number of readings behind them, and where they come from."""

    sensor: str
    set_mm: float
    beyond_mm: float
    nothing: Population
    wall: Population
    readings: int
    notes: tuple[str, ...]

    def threshold(self, rule: Rule) -> float:
        """Return the threshold [count] by a rule."""
        return threshold(rule, self.nothing, self.wall)


def noise_of(boards: Sequence[Block], empty: Sequence[Block]) -> Noise:
    """Return the noise of a sensor from its blocks: counts where no light is, and the share from what is more."""
    still = [block for block in empty if block.lit.size > 1]
    count_dof = math.fsum(block.lit.size - 1 for block in still)
    count = math.sqrt(math.fsum((block.lit.size - 1) * block.sd_count**2 for block in still) / max(1.0, count_dof))
    count = max(count, COUNT_SD)
    squares, freedom = 0.0, 0.0
    for block in boards:
        if block.lit.size > 1 and block.reading > 0:
            squares += (block.lit.size - 1) * (block.sd_count**2 - count**2) / block.reading**2
            freedom += block.lit.size - 1
    if freedom == 0:
        raise CannotMeasureError("every board was read once only, so that the noise of a reading is not known")
    share = math.sqrt(max(0.0, squares / freedom))
    return Noise(share=share, count=count, share_dof=freedom, count_dof=count_dof or math.inf)


def presences(evidence: Evidence, parameters: Parameters) -> list[Presence]:
    """Return the decision of every sensor asked of; refuse where none has a curve."""
    return presences_by(evidence, parameters, *fits_of(evidence, parameters))


def presences_by(
    evidence: Evidence, parameters: Parameters, fits: Sequence[Fitted], reasons: Sequence[str] = ()
) -> list[Presence]:
    """Return the decision of every sensor that has one of these curves; `reasons` say which have none."""
    of: dict[str, list[Fitted]] = {}
    for fit in fits:
        of.setdefault(fit.calibration.channel, []).append(fit)
    return [_presence(evidence, parameters, sensor, own, reasons) for sensor, own in of.items()]


def _presence(
    evidence: Evidence, parameters: Parameters, sensor: str, fits: Sequence[Fitted], reasons: Sequence[str]
) -> Presence:
    set_mm = set_distance_mm(evidence, parameters, sensor)
    off_mm = parameters.number("off_centre", OFF_CENTRE_MM)
    cosine = math.cos(math.radians(parameters.number("turned", math.degrees(TURNED_RAD))))
    wall_mm, beyond_mm = (set_mm + off_mm) / cosine, _beyond_mm(evidence, parameters, sensor) - off_mm
    empty = [block for block in all_blocks(evidence, Parameters(of=parameters.of)) if _is_empty(block, sensor)]
    noise = noise_of([block for fit in fits for block in fit.blocks], empty)
    darkest = min(fits, key=lambda fit: fit.calibration.reading(wall_mm)).calibration
    brightest = max(fits, key=lambda fit: fit.calibration.reading(set_mm))
    seen = curve_level(darkest, wall_mm)
    wall = _population(cosine * seen.value, cosine * seen.u, noise)
    background = max((block.reading for block in empty if block.reading > 0), default=0.0)
    behind = _behind(evidence, parameters, brightest, background, beyond_mm) if beyond_mm > set_mm else None
    of_empty = max((block.u_count for block in empty), default=0.0)
    away, u_away = (behind.value, behind.u) if behind else (0.0, 0.0)
    nothing = _population(background + away, math.hypot(of_empty, u_away), noise)
    notes = [
        f"{sensor}: a wall is {darkest.surface or 'the board'} at {wall_mm:.0f} mm ({wall.mean:.0f} ± {wall.sd:.1f} "
        f"counts), none is {background:.0f} counts with no board"
        + (f" and {brightest.calibration.surface or 'a board'} at {beyond_mm:.0f} mm behind" if behind else "")
        + f" ({nothing.mean:.0f} ± {nothing.sd:.1f})."
    ]
    if not empty:
        notes.append(f"{sensor} was not read without a board, so that room and crosstalk are not in it.")
    if behind is None:
        notes.append(f"The robot file does not say how far beyond {sensor} the next wall is; none is in it.")
    return Presence(
        sensor=sensor, set_mm=set_mm, beyond_mm=beyond_mm + off_mm, nothing=nothing, wall=wall,
        readings=sum(block.lit.size for fit in fits for block in fit.blocks),
        notes=(*notes, *reasons),
    )  # fmt: skip


def _behind(evidence: Evidence, parameters: Parameters, fit: Fitted, background: float, beyond_mm: float) -> Level:
    """Return what the next wall sends back, by a curve of the board's own light: what is read without one taken off."""
    own = [replace(block, lit=block.lit - background) for block in fit.blocks]
    # Where hardly more than the background is seen, the curve with the background in it is the safer one.
    with contextlib.suppress(CannotMeasureError):
        fit = fitted(evidence, parameters, fit.calibration.channel, fit.calibration.surface, own)
    return curve_level(fit.calibration, beyond_mm)


def _is_empty(block: Block, sensor: str) -> bool:
    """Tell whether a sensor was read with no board before it, all emitters in turn."""
    return (
        block.sensor == sensor
        and block.stood_before == sensor
        and not math.isfinite(block.distance_mm)
        and not block.emitter
    )


def _beyond_mm(evidence: Evidence, parameters: Parameters, sensor: str) -> float:
    known = evidence.robot.sensor(sensor)
    return parameters.number("beyond", 0.0) or (known.beyond_mm if known is not None else 0.0)


def _population(mean: float, u_mean: float, noise: Noise) -> Population:
    return _spread_about(mean, noise.sd(mean), u_mean, noise.dof(mean))


def _spread_about(mean: float, sd: float, u_mean: float, dof: float) -> Population:
    return Population(
        mean=mean, sd=sd, u_mean=u_mean, dof=dof, lowest=mean - EXTREME_SDS * sd, highest=mean + EXTREME_SDS * sd
    )


def _notes(found: Sequence[Presence]) -> list[str]:
    return [note for one in found for note in one.notes]


def _detectability(evidence: Evidence, parameters: Parameters) -> Measurement:
    found = presences(evidence, parameters)
    values = []
    for one in found:
        value, part = detectability(one.nothing, one.wall)
        values.append((one.sensor, Measurement(value=value, unit="", u=part.u, dof=part.dof, n=one.readings)))
    return worst(values, _notes(found), least=True)


def _rule(parameters: Parameters) -> Rule:
    return Rule(parameters.word("rule", Rule.EQUAL_ERROR.value))


def _at(one: Presence, parameters: Parameters) -> float:
    """Return the threshold that the firmware has, where it is given, or else that of the rule."""
    return parameters.number("threshold", 0.0) or one.threshold(_rule(parameters))


def _threshold(evidence: Evidence, parameters: Parameters) -> Measurement:
    found = presences(evidence, parameters)
    if len(found) > 1:
        raise CannotMeasureError(f"name the sensor; there are {', '.join(one.sensor for one in found)}")
    one, rule = found[0], _rule(parameters)
    part = threshold_part(one, rule)
    return Measurement(value=one.threshold(rule), unit="count", u=part.u, dof=part.dof, n=one.readings,
                       notes=one.notes)  # fmt: skip


def threshold_part(one: Presence, rule: Rule) -> Part:
    """Return the uncertainty of a threshold [count]."""
    return _part_of(one, lambda nothing, wall: threshold(rule, nothing, wall))


def _part_of(one: Presence, value: Callable[[Population, Population], float]) -> Part:
    """Return the uncertainty of a value of both populations, by differences over means and spreads (JCGM 100 5.1.3)."""
    squares = 0.0
    for wall_moves in (False, True):
        moved = one.wall if wall_moves else one.nothing
        u_sd = moved.u_variance / (2 * moved.sd)
        for mean_by, sd_by in ((moved.u_mean, 0.0), (0.0, u_sd)):
            ends = []
            for sign in (-1, 1):
                shifted = _spread_about(
                    moved.mean + sign * mean_by, max(1e-9, moved.sd + sign * sd_by), moved.u_mean, moved.dof
                )
                ends.append(value(one.nothing, shifted) if wall_moves else value(shifted, one.wall))
            squares += ((ends[1] - ends[0]) / 2) ** 2
    return Part(math.sqrt(squares), min(one.nothing.dof, one.wall.dof))


def _rates(found: Sequence[Presence], parameters: Parameters) -> list[tuple[float, float]]:
    """Return each sensor's error rate with its uncertainty.

    The rate is Phi(-z), z being uncertain by the share that d_a is: u = phi(z) z u(d_a)/d_a.
    """
    from scipy import special

    rates = []
    for one in found:
        check_order(one.nothing, one.wall)
        rate = error_rate(_at(one, parameters), one.nothing, one.wall)
        apart, part = detectability(one.nothing, one.wall)
        z = -float(special.ndtri(rate)) if rate > 0 else math.inf
        u = math.exp(-z * z / 2) / math.sqrt(2 * math.pi) * abs(z) * part.u / apart if math.isfinite(z) else 0.0
        rates.append((rate, u))
    return rates


def _of_search(evidence: Evidence, parameters: Parameters) -> list[Presence]:
    """Return the decision of every sensor that was read: in a search all of them decide, also those without a curve."""
    fits, reasons = fits_of(evidence, parameters)
    found = presences_by(evidence, parameters, fits, reasons)
    asked = {sensor for sensor, _ in by_sensor_and_surface(jig_blocks(evidence, parameters))}
    blind = sorted(asked - {one.sensor for one in found})
    if blind:
        why = "; ".join(one.removeprefix("Left out: ").removesuffix(".") for one in reasons if blind[0] in one)
        raise CannotMeasureError(f"{', '.join(blind)} would decide too, and has no curve: {why}")
    return found


def _wrong(evidence: Evidence, parameters: Parameters) -> Measurement:
    found, decisions = _of_search(evidence, parameters), parameters.number("decisions", DECISIONS)
    rates = _rates(found, parameters)
    u = decisions / len(rates) * math.sqrt(math.fsum(u**2 for _, u in rates))
    told = [f"{one.sensor}: {rate:.2g} a decision." for one, (rate, _) in zip(found, rates, strict=True)]
    return Measurement(
        value=expected_wrong([rate for rate, _ in rates], decisions), unit="", u=u, n=len(found),
        notes=(*told, *_notes(found)),
    )  # fmt: skip


def _map_right(evidence: Evidence, parameters: Parameters) -> Measurement:
    found, decisions = _of_search(evidence, parameters), parameters.number("decisions", DECISIONS)
    rates = _rates(found, parameters)
    value = right_map([rate for rate, _ in rates], decisions)
    u = value * decisions / len(rates) * math.sqrt(math.fsum(u**2 for _, u in rates))
    return Measurement(value=100 * value, unit="%", u=100 * u, n=len(found), notes=tuple(_notes(found)))


def _guard_nothing(evidence: Evidence, parameters: Parameters) -> Measurement:
    """Return the threshold over the highest reading without a wall; the least."""
    found = presences(evidence, parameters)
    values = [(one.sensor, _ratio(one, parameters, lambda at, nothing, _: at / nothing.highest)) for one in found]
    return worst(values, _notes(found), least=True)


def _guard_wall(evidence: Evidence, parameters: Parameters) -> Measurement:
    """Return the threshold over the lowest reading of a wall; the largest."""
    found = presences(evidence, parameters)
    for one in found:
        if one.wall.lowest <= 0:
            raise CannotMeasureError(f"{one.sensor}: the lowest reading of a wall is not above zero")
    values = [(one.sensor, _ratio(one, parameters, lambda at, _, wall: at / wall.lowest)) for one in found]
    return worst(values, _notes(found))


def _ratio(
    one: Presence, parameters: Parameters, ratio: Callable[[float, Population, Population], float]
) -> Measurement:
    """Return a ratio of the threshold that is given, or that the rule puts between the populations as they are."""
    given, rule = parameters.number("threshold", 0.0), _rule(parameters)

    def value(nothing: Population, wall: Population) -> float:
        return ratio(given or threshold(rule, nothing, wall), nothing, wall)

    part = _part_of(one, value)
    return Measurement(value=value(one.nothing, one.wall), unit="", u=part.u, dof=part.dof, n=one.readings)


_OFF = ParameterSpec(
    name="off_centre",
    meaning="how far off the centre the robot may be when it decides",
    unit="mm",
    default=OFF_CENTRE_MM,
)
_TURNED = ParameterSpec(name="turned", meaning="how far it may be turned then", unit="deg", default=5.0)
_BEYOND = ParameterSpec(
    name="beyond",
    meaning="distance of what is seen where no wall is; 0: as the robot file gives",
    unit="mm",
    default=0.0,
)
_RULE = ParameterSpec(
    name="rule", meaning="where the threshold is put", default=Rule.EQUAL_ERROR.value, is_word=True,
    choices=tuple(rule.value for rule in Rule),
)  # fmt: skip
_GIVEN = ParameterSpec(name="threshold", meaning="threshold of the firmware in counts; 0: by the rule", default=0.0)
_COUNTED = ParameterSpec(name="decisions", meaning="wall decisions of a whole search", default=float(DECISIONS))
_PLACE = (SENSOR, AT, _BEYOND, _OFF, _TURNED, BLOCK_SD)

METHODS_OF_SUBJECT: tuple[Method, ...] = (
    Method(
        name="walls.detectability", unit="", run=_detectability, needs=(), source=_SOURCE, parameters=_PLACE,
        summary="How far wall and no wall lie apart where it is decided (d_a; d' where both spread alike); the least.",
    ),
    Method(
        name="walls.threshold", unit="count", run=_threshold, needs=(), source=_SOURCE, parameters=(*_PLACE, _RULE),
        summary="Threshold between wall and no wall by a rule.",
    ),
    Method(
        name="walls.wrong_decisions", unit="", run=_wrong, needs=(), source=_SOURCE,
        parameters=(*_PLACE, _RULE, _GIVEN, _COUNTED),
        summary="Wrong wall decisions to expect in a whole search, shared equally among the sensors.",
    ),
    Method(
        name="walls.map_right", unit="%", run=_map_right, needs=(), source=_SOURCE,
        parameters=(*_PLACE, _RULE, _GIVEN, _COUNTED),
        summary="Probability that every wall decision of a search is right.",
    ),
    Method(
        name="walls.guard_nothing", unit="", run=_guard_nothing, needs=(), parameters=(*_PLACE, _RULE, _GIVEN),
        source="threshold at least twice the highest reading without a wall; common practice, no source",
        summary="Threshold over the highest reading without a wall; the least.",
    ),
    Method(
        name="walls.guard_wall", unit="", run=_guard_wall, needs=(), parameters=(*_PLACE, _RULE, _GIVEN),
        source="threshold at most half of the lowest reading of a wall; common practice, no source",
        summary="Threshold over the lowest reading of a wall; the largest.",
    ),
)  # fmt: skip
