"""Calibrations from the blocks of a jig: one curve a sensor and surface, and what is asked of it.

The fit is that of `hil.measure.wall_sensor`, its residuals are taken in millimetres at each block. What a sensor reads
at the set distance comes from its curve, which all blocks steady, and where there are fewer than five distances from
the block that stands there. All of it is common practice on the law of the inverse square (reading = gain / (distance +
offset)^exponent); tolerances stand in the suites.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from hil.measure.evidence import Evidence
from hil.measure.method import Parameters
from hil.measure.model import SensorCalibration
from hil.measure.values import CannotMeasureError
from hil.measure.wall_blocks import (
    BLOCK_SD_MM,
    SAME_DISTANCE_MM,
    Block,
    by_sensor_and_surface,
    jig_blocks,
    set_distance_mm,
)
from hil.measure.wall_sensor import (
    FEWEST_DISTANCES,
    SATURATED_SHARE,
    calibration_u_mm,
    fit_calibration,
)

RESIDUAL_SPAN_MM = (40.0, 120.0)  # where the curve must hold within 2 mm; common practice, no source
_NEAR_MM = 1.0  # a block within this of the set distance stands there; the inverse square carries it over


@dataclass(frozen=True, slots=True, kw_only=True)
class Fitted:
    """A calibration and the blocks it was fitted to."""

    calibration: SensorCalibration
    blocks: tuple[Block, ...]
    block_sd_mm: float

    @property
    def title(self) -> str:
        """Sensor and surface in words."""
        return title_of(self.calibration.channel, self.calibration.surface)

    def residuals_mm(self) -> dict[float, float]:
        """Return by stated distance how much farther off a block reads than it stood [mm]."""
        of: dict[float, list[float]] = {}
        for block in self.blocks:
            of.setdefault(block.distance_mm, []).append(block.reading)
        return {at: self.calibration.distance_mm(float(np.mean(found))) - at for at, found in sorted(of.items())}


@dataclass(frozen=True, slots=True, kw_only=True)
class Level:
    """What a sensor reads on a surface at one distance [count], with standard uncertainty; `n` readings behind it."""

    sensor: str
    surface: str
    at_mm: float
    value: float
    u: float
    n: int

    @property
    def title(self) -> str:
        """Sensor and surface in words."""
        return title_of(self.sensor, self.surface)


def title_of(sensor: str, surface: str) -> str:
    """Return sensor and surface in words."""
    return f"{sensor} on {surface}" if surface else sensor


def fits_of(evidence: Evidence, parameters: Parameters) -> tuple[list[Fitted], list[str]]:
    """Return a calibration of every sensor and surface asked of, and sentences on those that could not be fitted.

    Refuses where none could.
    """
    found, reasons = [], []
    for (sensor, surface), blocks in by_sensor_and_surface(jig_blocks(evidence, parameters)).items():
        try:
            one = fitted(evidence, parameters, sensor, surface, blocks)
            found.append(one)
            reasons += [f"Left out: {block.told()} is saturated." for block in blocks if _is_saturated(evidence, block)]
        except CannotMeasureError as error:
            reasons.append(f"Left out: {error}.")
    if not found:
        raise CannotMeasureError(reasons[0].removeprefix("Left out: ").removesuffix("."))
    bare = sorted({fit.calibration.channel for fit in found if any(not block.dark.size for block in fit.blocks)})
    if bare:
        reasons.append(f"No dark level is told of {', '.join(bare)}: what is read without the emitter is in the curve.")
    return found, reasons


def fitted(evidence: Evidence, parameters: Parameters, sensor: str, surface: str, blocks: Sequence[Block]) -> Fitted:
    """Fit one calibration to blocks of one sensor and surface; those that are saturated are no part of it."""
    usable = [block for block in blocks if not _is_saturated(evidence, block)]
    if len(usable) < len(blocks) and len({block.distance_mm for block in usable}) < FEWEST_DISTANCES:
        highest = max(float(np.max(block.lit)) for block in blocks)
        raise CannotMeasureError(
            f"calibration of {title_of(sensor, surface)}: a lit level of {highest:.0f} is saturated (full scale "
            f"{evidence.robot.adc_full_scale}, limit {SATURATED_SHARE:.0%}), and without the blocks that are fewer "
            f"than {FEWEST_DISTANCES} distances are left; take larger ones or lower the gain"
        )
    block_sd_mm = parameters.number("block_sd", BLOCK_SD_MM)
    calibration = fit_calibration(
        sensor, surface,
        np.concatenate([np.full(block.lit.size, block.distance_mm) for block in usable]),
        np.concatenate([block.readings for block in usable]),
        block_sd_mm,
    )  # fmt: skip
    return Fitted(calibration=calibration, blocks=tuple(usable), block_sd_mm=block_sd_mm)


def _is_saturated(evidence: Evidence, block: Block) -> bool:
    return float(np.max(block.lit)) >= SATURATED_SHARE * evidence.robot.adc_full_scale


def refuse_saturated(evidence: Evidence, block: Block) -> None:
    """Raise `CannotMeasureError` for a block whose light went to the converter's end, so that it tells of no wall."""
    if _is_saturated(evidence, block):
        raise CannotMeasureError(
            f"{block.told()} is saturated: lit levels go to {float(np.max(block.lit)):.0f} of "
            f"{evidence.robot.adc_full_scale}"
        )


def curve_level(calibration: SensorCalibration, at_mm: float, n: int = 0) -> Level:
    """Return what a calibration says that the sensor reads at a distance."""
    value = calibration.reading(at_mm)
    slope = calibration.exponent / (at_mm + calibration.offset_mm)
    return Level(
        sensor=calibration.channel, surface=calibration.surface, at_mm=at_mm, value=value,
        u=value * slope * calibration_u_mm(calibration, at_mm), n=n or calibration.n,
    )  # fmt: skip


def block_level(block: Block, at_mm: float, block_sd_mm: float) -> Level:
    """Return what a block tells of the reading at a distance close by, carried there by the inverse square."""
    scale = (block.distance_mm / at_mm) ** 2
    place = block.reading * 2 * block_sd_mm / block.distance_mm
    return Level(
        sensor=block.sensor, surface=block.surface, at_mm=at_mm, value=block.reading * scale,
        u=scale * math.hypot(block.u_count, place), n=int(block.lit.size),
    )  # fmt: skip


def set_levels(evidence: Evidence, parameters: Parameters) -> list[Level]:
    """Return what every sensor reads on every surface at its set distance; refuse where none stood there."""
    levels: list[Level] = []
    wanting: list[str] = []
    for (sensor, surface), blocks in by_sensor_and_surface(jig_blocks(evidence, parameters)).items():
        at = set_distance_mm(evidence, parameters, sensor)
        level = _set_level(evidence, parameters, blocks, at)
        if level is None:
            places = ", ".join(f"{block.distance_mm:g}" for block in blocks)
            wanting.append(f"{title_of(sensor, surface)} was read at {places} mm only, and not at its {at:g} mm")
        else:
            levels.append(level)
    if not levels:
        raise CannotMeasureError("; ".join(wanting))
    return levels


def _set_level(evidence: Evidence, parameters: Parameters, blocks: Sequence[Block], at_mm: float) -> Level | None:
    distances = sorted({block.distance_mm for block in blocks})
    if len(distances) >= FEWEST_DISTANCES and distances[0] - _NEAR_MM <= at_mm <= distances[-1] + _NEAR_MM:
        try:
            fit = fitted(evidence, parameters, blocks[0].sensor, blocks[0].surface, blocks)
        except CannotMeasureError:
            return None
        return curve_level(fit.calibration, at_mm)
    near = [block for block in blocks if abs(block.distance_mm - at_mm) <= _NEAR_MM]
    if not near:
        return None
    nearest = min(near, key=lambda block: abs(block.distance_mm - at_mm))
    refuse_saturated(evidence, nearest)
    return block_level(nearest, at_mm, parameters.number("block_sd", BLOCK_SD_MM))


def nearest_block(blocks: Sequence[Block], at_mm: float) -> Block:
    """Return the block that stands nearest to a distance; of several there the last, which replaces the others."""
    least = min(abs(block.distance_mm - at_mm) for block in blocks)
    return [block for block in blocks if abs(block.distance_mm - at_mm) <= least + SAME_DISTANCE_MM][-1]
