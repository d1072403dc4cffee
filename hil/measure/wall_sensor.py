"""Wall-sensor calibration: from jig readings to a reading-against-distance curve with its covariance, and back.

The curve is reading = gain / (distance + offset)^exponent, with reading = lit minus dark, fitted in ln reading at
five distances or more. Two errors are kept apart. Noise of a reading averages over the readings of one block. The
error of a block's place in the jig is common to all readings taken on it and does not average, so the blocks, and
not the readings, are the observations of the fit. Where the blocks scatter more about the curve than both explain,
the covariance is widened by as much; it is never narrowed.

Refused: fewer than five distances, readings that are not positive or near the converter's full scale, readings that
rise with distance (too near the wall the sensor's cones stop overlapping and the curve turns over), and data that
fit no falling curve.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from hil.measure.least_squares import Fit, fit_nonlinear
from hil.measure.model import SensorCalibration
from hil.measure.values import CannotMeasureError

Floats = NDArray[np.float64]

FEWEST_DISTANCES = 5
SATURATED_SHARE = 0.95  # of the full scale; common practice, no source
_QUANTISATION_VARIANCE = 2 / 12  # count^2: lit and dark are each rounded to a count
_DITHERED_SD = 0.5  # count; with less scatter the rounding error of repeated readings is the same and does not average
_EXPONENTS = (0.3, 10.0)  # a wall gives about 2, a target smaller than the beam up to 4
_WIDE = 2.0  # farthest board to nearest: at 1.5 one fit in a hundred goes astray with noise of 1 %, at 1.75 none
_ROUNDS = 6  # of refitting with variances taken at the last curve; they settle after two or three


@dataclass(frozen=True, slots=True, kw_only=True)
class _Block:
    """All readings taken at one distance: mean of ln reading, scatter, and their number."""

    distance_mm: float
    log_mean: float
    squares: float  # sum of squared deviations of ln reading
    n: int
    spread_count: float

    @property
    def reading(self) -> float:
        return math.exp(self.log_mean)


def fit_calibration(
    channel: str,
    surface: str,
    distances_mm: ArrayLike,
    readings: ArrayLike,
    block_sd_mm: float = 0.2,
    *,
    full_scale: float | None = None,
    noise: float | None = None,
    source: str = "jig",
) -> SensorCalibration:
    """Fit a calibration to `readings` (lit minus dark, counts) taken at `distances_mm` (both of one length, any order).

    `block_sd_mm` is the standard deviation of a block's place. With `full_scale` readings above 95 % of it are
    refused (better: `calibrate_from_jig`, which sees the lit level itself). `noise` is the standard deviation of
    one reading as a share of it; None takes it from repeated readings on the same block. Raises
    `CannotMeasureError`.
    """
    where = f"calibration of {channel} on {surface}"
    distances, counts = _checked(distances_mm, readings, full_scale, where)
    blocks = _blocks(distances, counts)
    _check_falling(blocks, where)
    share = _noise_share(blocks) if noise is None else noise
    fit = _fit_curve(blocks, share, block_sd_mm, where)
    log_gain, exponent, offset_mm = (float(value) for value in fit.parameters)
    if not _EXPONENTS[0] <= exponent <= _EXPONENTS[1]:
        raise CannotMeasureError(
            f"{where}: the best exponent is {exponent:.2f}; a wall gives about 2. {_remedy(blocks)}"
        )
    widened = fit.covariance * max(1.0, fit.birge)
    curve = _log_curve(fit.parameters, np.array([block.distance_mm for block in blocks]))
    misfit_mm = [
        (block.log_mean - level) * (block.distance_mm + offset_mm) / exponent
        for block, level in zip(blocks, curve, strict=True)
    ]
    return SensorCalibration(
        channel=channel, surface=surface, gain=math.exp(log_gain), exponent=exponent, offset_mm=offset_mm,
        covariance=tuple((float(row[0]), float(row[1]), float(row[2])) for row in widened),
        noise=share if share > 0 else _noise_floor(blocks),
        residual_mm=math.sqrt(sum(miss**2 for miss in misfit_mm) / (len(blocks) - 3)),
        span_mm=(blocks[0].distance_mm, blocks[-1].distance_mm), n=int(counts.size), source=source,
    )  # fmt: skip


def calibrate_from_jig(
    channel: str,
    surface: str,
    rows: Sequence[Sequence[float]],
    full_scale: float,
    block_sd_mm: float = 0.2,
    *,
    source: str = "jig",
) -> SensorCalibration:
    """Fit a calibration to jig `rows` of (distance_mm, lit, dark); refuses lit levels above 95 % of `full_scale`."""
    table = np.asarray(rows, dtype=np.float64)
    if table.ndim != 2 or table.shape[1] != 3:
        raise CannotMeasureError(f"calibration of {channel} on {surface}: jig rows are (distance in mm, lit, dark)")
    highest = float(np.max(table[:, 1]))
    if highest >= SATURATED_SHARE * full_scale:
        raise CannotMeasureError(
            f"calibration of {channel} on {surface}: a lit level of {highest:.0f} is saturated "
            f"(full scale {full_scale:.0f}, limit {SATURATED_SHARE:.0%}); leave out the nearest block or lower the gain"
        )
    return fit_calibration(channel, surface, table[:, 0], table[:, 1] - table[:, 2], block_sd_mm, source=source)


def distances_mm(calibration: SensorCalibration, readings: ArrayLike) -> Floats:
    """Return the distances for an array of readings (lit minus dark); infinite where a reading is not positive."""
    counts = np.asarray(readings, dtype=np.float64)
    positive = counts > 0
    far = (calibration.gain / np.where(positive, counts, 1.0)) ** (1 / calibration.exponent) - calibration.offset_mm
    return np.where(positive, far, np.inf)


def distance_with_u(calibration: SensorCalibration, reading: float, n: int = 1) -> tuple[float, float]:
    """Return distance and standard uncertainty [mm] for the mean of `n` readings (lit minus dark).

    The uncertainty joins the calibration's covariance, common to all readings, and the noise, which averages.
    """
    if not reading > 0:
        raise CannotMeasureError(f"{calibration.channel}: a reading of {reading:g} is not positive; no wall is seen")
    distance = calibration.distance_mm(reading)
    return distance, math.hypot(calibration_u_mm(calibration, distance), noise_mm(calibration, distance) / math.sqrt(n))


def noise_mm(calibration: SensorCalibration, distance_mm: float) -> float:
    """Return the standard deviation of one reading at a distance [mm]: (d + d0)/exponent times the share."""
    return (distance_mm + calibration.offset_mm) / calibration.exponent * calibration.noise


def calibration_u_mm(calibration: SensorCalibration, distance_mm: float) -> float:
    """Return the standard uncertainty [mm] at a distance that is left when noise is averaged away."""
    reach = distance_mm + calibration.offset_mm
    slopes = np.array([reach / calibration.exponent, -reach * math.log(reach) / calibration.exponent, -1.0])
    return math.sqrt(max(0.0, float(slopes @ np.asarray(calibration.covariance) @ slopes)))


def _checked(
    distances_mm: ArrayLike, readings: ArrayLike, full_scale: float | None, where: str
) -> tuple[Floats, Floats]:
    distances, counts = np.asarray(distances_mm, dtype=np.float64), np.asarray(readings, dtype=np.float64)
    if distances.ndim != 1 or distances.shape != counts.shape:
        raise CannotMeasureError(f"{where}: {distances.size} distances and {counts.size} readings do not pair")
    if not (np.all(np.isfinite(distances)) and np.all(np.isfinite(counts))):
        raise CannotMeasureError(f"{where}: a distance or reading is not a number")
    if np.unique(distances).size < FEWEST_DISTANCES:
        raise CannotMeasureError(
            f"{where}: {np.unique(distances).size} distances are too few, at least {FEWEST_DISTANCES} are needed"
        )
    if np.any(distances <= 0):
        raise CannotMeasureError(f"{where}: a distance of {float(np.min(distances)):g} mm is not positive")
    if np.any(counts <= 0):
        raise CannotMeasureError(
            f"{where}: a reading of {float(np.min(counts)):g} is not positive. "
            "Does the emitter work, and are lit and dark not swapped?"
        )
    if full_scale is not None and np.any(counts >= SATURATED_SHARE * full_scale):
        raise CannotMeasureError(
            f"{where}: a reading of {float(np.max(counts)):.0f} is saturated (full scale {full_scale:.0f})"
        )
    return distances, counts


def _blocks(distances: Floats, counts: Floats) -> list[_Block]:
    blocks = []
    for distance in np.unique(distances):
        chosen = counts[distances == distance]
        logs = np.log(chosen)
        spread = float(np.std(chosen, ddof=1)) if chosen.size > 1 else 0.0
        blocks.append(
            _Block(
                distance_mm=float(distance), log_mean=float(np.mean(logs)), n=int(chosen.size), spread_count=spread,
                squares=float(np.sum((logs - np.mean(logs)) ** 2)),
            )
        )  # fmt: skip
    return blocks


def _check_falling(blocks: Sequence[_Block], where: str) -> None:
    for near, far in itertools.pairwise(blocks):
        if far.log_mean >= near.log_mean:
            raise CannotMeasureError(
                f"{where}: the reading does not fall from {near.distance_mm:g} mm ({near.reading:.0f}) to "
                f"{far.distance_mm:g} mm ({far.reading:.0f}); leave out distances nearer than the sensor's peak"
            )


def _noise_share(blocks: Sequence[_Block]) -> float:
    """Pooled standard deviation of ln reading over repeated readings; 0 where no block was read twice."""
    freedom = sum(block.n - 1 for block in blocks)
    return math.sqrt(sum(block.squares for block in blocks) / freedom) if freedom > 0 else 0.0


def _noise_floor(blocks: Sequence[_Block]) -> float:
    """Return the share that rounding alone leaves at the middle block, where no repeated reading tells the noise."""
    return math.sqrt(_QUANTISATION_VARIANCE) / blocks[len(blocks) // 2].reading


def _log_curve(parameters: Floats, distances: Floats) -> Floats:
    log_gain, exponent, offset = parameters
    # The search may step to where the nearest block would lie inside the sensor; the curve is held there, not
    # undefined.
    curve: Floats = log_gain - exponent * np.log(np.maximum(distances + offset, 1e-3))
    return curve


def _log_slopes(parameters: Floats, distances: Floats) -> Floats:
    reach = np.maximum(distances + parameters[2], 1e-3)
    return np.column_stack([np.ones_like(reach), -np.log(reach), -parameters[1] / reach])


def _remedy(blocks: Sequence[_Block]) -> str:
    """Say what to do about readings that fall off as those of no wall do."""
    near, far = blocks[0].distance_mm, blocks[-1].distance_mm
    check = "Check the jig's distances"
    if far >= _WIDE * near:
        return check
    return (
        f"{check}: from {near:g} to {far:g} mm they may also be too close together to tell the curve's exponent from "
        f"its offset; read boards up to {_WIDE * near:.0f} mm"
    )


def _fit_curve(blocks: Sequence[_Block], share: float, block_sd_mm: float, where: str) -> Fit:
    """Fit (ln gain, exponent, offset) to the blocks; a block's place error counts through the slope of the curve."""
    distances = np.array([block.distance_mm for block in blocks])
    logs = np.array([block.log_mean for block in blocks])
    own = np.array(
        [
            share**2 / block.n
            + _QUANTISATION_VARIANCE / block.reading**2 / (block.n if block.spread_count > _DITHERED_SD else 1)
            for block in blocks
        ]
    )
    slope, level = np.polyfit(np.log(distances), logs, 1)
    parameters = np.array([level, -slope, 0.0])
    for _ in range(_ROUNDS):
        place = (parameters[1] / np.maximum(distances + parameters[2], 1.0) * block_sd_mm) ** 2
        try:
            fit = fit_nonlinear(
                lambda guess: _log_curve(guess, distances), lambda guess: _log_slopes(guess, distances),
                [float(value) for value in parameters], logs, own + place, what=where,
            )  # fmt: skip
        except CannotMeasureError as error:
            raise CannotMeasureError(f"{error}. {_remedy(blocks)}") from None
        parameters = fit.parameters
    return fit
