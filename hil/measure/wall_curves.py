"""What the fitted curves of wall sensors say: their constants, how well they hold, and how surfaces and sides differ.

A method over several sensors and surfaces returns the worst, with all of them beside it; one of a curve's constants
needs to be told which where there are several. Spread over surfaces is (max - min)/max at the set distance: 25 % are
7.5 % of the distance to either side of the geometric middle (inverse square; derived).
"""

from __future__ import annotations

import math
from collections.abc import Callable

from hil.measure.evidence import Evidence
from hil.measure.method import Method, Parameters, ParameterSpec
from hil.measure.uncertainty import Part, join
from hil.measure.values import CannotMeasureError, Measurement
from hil.measure.wall_blocks import BLOCK_SD_MM, SAME_DISTANCE_MM, by_sensor_and_surface, jig_blocks
from hil.measure.wall_fits import (
    RESIDUAL_SPAN_MM,
    Fitted,
    Level,
    block_level,
    fits_of,
    nearest_block,
    set_levels,
)
from hil.measure.wall_levels import AT, BLOCK_SD, PRACTICE, SENSOR, SURFACE, worst
from hil.measure.wall_sensor import noise_mm

_LAW = "reading = gain / (distance + offset)^exponent, least squares in ln reading; domain notes of the trade"
_SIDES = (
    ("wall.left", "wall.right"),
    ("wall.front.left", "wall.front.right"),
    ("wall.left.diagonal", "wall.right.diagonal"),
)


def _one_fit(evidence: Evidence, parameters: Parameters) -> tuple[Fitted, list[str]]:
    fits, reasons = fits_of(evidence, parameters)
    if len(fits) > 1:
        names = ", ".join(fit.title for fit in fits)
        raise CannotMeasureError(f"name sensor and surface; there are {len(fits)} curves ({names})")
    return fits[0], reasons


def _constant(row: int, unit: str, of: Callable[[Fitted], float]) -> Callable[[Evidence, Parameters], Measurement]:
    """Return a method that gives one constant of a curve, `row` being its place in the covariance."""

    def run(evidence: Evidence, parameters: Parameters) -> Measurement:
        fit, reasons = _one_fit(evidence, parameters)
        u = math.sqrt(fit.calibration.covariance[row][row])
        dof = max(1, len(fit.residuals_mm()) - 3)
        return Measurement(
            value=of(fit), unit=unit, u=u, dof=float(dof), n=fit.calibration.n, notes=(f"Of {fit.title}.", *reasons)
        )

    return run


def _reading(evidence: Evidence, parameters: Parameters) -> Measurement:
    levels = set_levels(evidence, parameters)
    if len(levels) > 1:
        names = ", ".join(level.title for level in levels)
        raise CannotMeasureError(f"name sensor and surface; there are {len(levels)} ({names})")
    level = levels[0]
    return Measurement(
        value=level.value, unit="count", u=level.u, n=level.n, notes=(f"Of {level.title} at {level.at_mm:g} mm.",)
    )


def _residual(evidence: Evidence, parameters: Parameters) -> Measurement:
    """Return the largest distance of a block from its own curve [mm], between 40 and 120 mm."""
    near, far = parameters.number("near", RESIDUAL_SPAN_MM[0]), parameters.number("far", RESIDUAL_SPAN_MM[1])
    fits, reasons = fits_of(evidence, parameters)
    found = []
    for fit in fits:
        within = {at: miss for at, miss in fit.residuals_mm().items() if near <= at <= far}
        if not within:
            reasons.append(f"Left out: no block of {fit.title} stood between {near:g} and {far:g} mm.")
            continue
        at = max(within, key=lambda place: abs(within[place]))
        number = sum(block.lit.size for block in fit.blocks if block.distance_mm == at)
        u = math.hypot(fit.block_sd_mm, noise_mm(fit.calibration, at) / math.sqrt(number))
        note = f"The largest of {len(fit.residuals_mm())} blocks, at {at:g} mm."
        found.append((fit.title, Measurement(value=abs(within[at]), unit="mm", u=u, n=len(within), notes=(note,))))
    if not found:
        raise CannotMeasureError(reasons[0].removeprefix("Left out: ").removesuffix("."))
    return worst(found, reasons)


def _left_right(evidence: Evidence, parameters: Parameters) -> Measurement:
    levels = {(level.sensor, level.surface): level for level in set_levels(evidence, parameters)}
    found = []
    for left, right in _SIDES:
        for (sensor, surface), one in levels.items():
            other = levels.get((right, surface))
            if sensor == left and other is not None:
                ratio = one.value / other.value
                u = ratio * math.hypot(one.u / one.value, other.u / other.value)
                title = f"{left} against {right}" + (f" on {surface}" if surface else "")
                found.append((title, Measurement(value=100 * (ratio - 1), unit="%", u=100 * u, n=min(one.n, other.n))))
    if not found:
        raise CannotMeasureError("no left sensor and its right one were read on the same surface at their set distance")
    return worst(found)


def _spread(evidence: Evidence, parameters: Parameters) -> Measurement:
    of: dict[str, list[Level]] = {}
    for level in set_levels(evidence, parameters):
        of.setdefault(level.sensor, []).append(level)
    found = []
    for sensor, levels in of.items():
        if len({level.surface for level in levels}) < 2:
            continue
        high, low = max(levels, key=lambda one: one.value), min(levels, key=lambda one: one.value)
        if low.value <= 0:
            raise CannotMeasureError(f"{sensor} reads {low.value:.0f} on {low.surface}; no wall was seen")
        ratio = low.value / high.value
        u = ratio * math.hypot(low.u / low.value, high.u / high.value)
        half = (1 - math.sqrt(ratio)) / (1 + math.sqrt(ratio)) * high.at_mm
        note = (
            f"Highest on {high.surface} ({high.value:.0f}), lowest on {low.surface} ({low.value:.0f}), at "
            f"{high.at_mm:g} mm: about {half:.1f} mm of distance to either side, by the inverse square."
        )
        found.append((sensor, Measurement(value=100 * (1 - ratio), unit="%", u=100 * u, n=len(levels), notes=(note,))))
    if not found:
        raise CannotMeasureError("a spread needs a sensor read at its set distance on two surfaces or more")
    return worst(found)


def _angle(evidence: Evidence, parameters: Parameters) -> Measurement:
    block_sd_mm = parameters.number("block_sd", BLOCK_SD_MM)
    found = []
    groups = by_sensor_and_surface(jig_blocks(evidence, parameters, straight=False)).values()
    for blocks in groups:
        straight = [block for block in blocks if block.is_straight]
        for turned in (block for block in blocks if not block.is_straight):
            beside = [one for one in straight if abs(one.distance_mm - turned.distance_mm) <= SAME_DISTANCE_MM]
            if not beside or not turned.sees_light or not beside[-1].sees_light:
                continue
            levels = [block_level(one, turned.distance_mm, block_sd_mm)
                      for one in (turned, nearest_block(beside, turned.distance_mm))]  # fmt: skip
            ratio = levels[0].value / levels[1].value
            part = join(*(Part(level.u / level.value) for level in levels)).times(ratio)
            title = f"{turned.told()}, turned by {math.degrees(turned.angle_rad):.3g} deg"
            found.append((title, Measurement(value=100 * (ratio - 1), unit="%", u=100 * part.u, n=levels[0].n)))
    if not found:
        raise CannotMeasureError("no board was read both squarely and turned, at the same distance")
    return worst(found)


_COMMON = (SENSOR, SURFACE, AT, BLOCK_SD)
_NEAR = ParameterSpec(name="near", meaning="nearest block that counts", unit="mm", default=RESIDUAL_SPAN_MM[0])
_FAR = ParameterSpec(name="far", meaning="farthest block that counts", unit="mm", default=RESIDUAL_SPAN_MM[1])

METHODS_OF_SUBJECT: tuple[Method, ...] = (
    Method(
        name="walls.reading", unit="count", run=_reading, needs=(), source=_LAW, parameters=_COMMON,
        summary="What a sensor reads on a surface at its set distance, by its curve.",
    ),
    Method(
        name="walls.exponent", unit="", needs=(), source=_LAW, parameters=(SENSOR, SURFACE, BLOCK_SD),
        run=_constant(1, "", lambda fit: fit.calibration.exponent),
        summary="Exponent of a sensor's curve on a surface (about 2 for a wall).",
    ),
    Method(
        name="walls.offset", unit="mm", needs=(), source=_LAW, parameters=(SENSOR, SURFACE, BLOCK_SD),
        run=_constant(2, "mm", lambda fit: fit.calibration.offset_mm),
        summary="Offset of a sensor's curve on a surface: how far behind its face the light seems to begin.",
    ),
    Method(
        name="walls.log_gain", unit="", needs=(), source=_LAW, parameters=(SENSOR, SURFACE, BLOCK_SD),
        run=_constant(0, "", lambda fit: math.log(fit.calibration.gain)),
        summary="Natural logarithm of the gain of a sensor's curve on a surface.",
    ),
    Method(
        name="walls.residual", unit="mm", run=_residual, needs=(), source=f"{_LAW}; limit common practice",
        parameters=(SENSOR, SURFACE, BLOCK_SD, _NEAR, _FAR),
        summary="How far a block lies from its sensor's curve; the farthest between 40 and 120 mm.",
    ),
    Method(
        name="walls.left_right", unit="%", run=_left_right, needs=(), source=PRACTICE,
        parameters=(SURFACE, AT, BLOCK_SD),
        summary="How much more a left sensor reads than the right one at the set distance; the largest difference.",
    ),
    Method(
        name="walls.spread", unit="%", run=_spread, needs=(), source="(max - min)/max; limit common practice",
        parameters=_COMMON,
        summary="Spread of a sensor's readings over the surfaces at its set distance; the widest.",
    ),
    Method(
        name="walls.angle", unit="%", run=_angle, needs=(), source=PRACTICE, parameters=(SENSOR, SURFACE, BLOCK_SD),
        summary="Change of a reading when the board is turned; the largest.",
    ),
)  # fmt: skip
