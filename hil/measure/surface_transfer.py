"""One reading on a new wall gives the calibration there, from full calibrations on other surfaces.

Model: a surface is a plain multiplier of the light (its gain), while exponent and offset belong to the sensor. They are
not quite the sensor's: gloss and translucence bend the curve a little, so that exponent and offset scatter from surface
to surface. The curve on the new wall goes through its own reading at the set distance, ln S(d) = ln S* -
n ln((d + d0)/(d* + d0)), with n and d0 the mean of the surfaces that were calibrated in full.

Covariance: the reading's own uncertainty (noise of the mean of its samples, place of the board) goes into the gain.
What exponent and offset are uncertain by, their mean's own uncertainty and their scatter between surfaces, turns the
curve about the set distance: there it costs nothing, and the more the farther away. With three surfaces or more the
scatter is taken from them, less what their fits are uncertain by; with fewer it is stated (`SCATTER`, common practice,
no source).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hil.measure.model import SensorCalibration
from hil.measure.values import CannotMeasureError
from hil.measure.wall_blocks import BLOCK_SD_MM

Floats = NDArray[np.float64]

SCATTER = (0.03, 0.3)  # of exponent, and of offset [mm], between surfaces; matt paints and plastics, common practice
_FEWEST_SURFACES = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Shape:
    """What all surfaces share: exponent and offset [mm] with the 2 x 2 covariance that they have on a new surface.

    `surfaces` are those it was taken from; `is_measured` says that the scatter between surfaces was taken from them.
    """

    exponent: float
    offset_mm: float
    covariance: Floats
    surfaces: tuple[str, ...]
    is_measured: bool


def shared_shape(calibrations: Sequence[SensorCalibration]) -> Shape:
    """Return the shape of one sensor's full calibrations (of one surface or more), as it holds on a new surface."""
    if not calibrations:
        raise CannotMeasureError("a transfer needs a full calibration of the sensor on at least one surface")
    channels = {one.channel for one in calibrations}
    if len(channels) > 1:
        raise CannotMeasureError(f"a transfer is of one sensor, and the calibrations are of {', '.join(channels)}")
    shapes = np.array([(one.exponent, one.offset_mm) for one in calibrations])
    own = np.array([np.asarray(one.covariance)[1:, 1:] for one in calibrations])
    number, is_measured = len(calibrations), len(calibrations) >= _FEWEST_SURFACES
    between = np.diag(np.square(SCATTER))
    if is_measured:
        between = _above_zero(np.cov(shapes.T, ddof=1) - np.mean(own, axis=0))
    weights = [np.linalg.inv(each + between) for each in own]
    of_mean: Floats = np.linalg.inv(np.sum(weights, axis=0))
    mean = of_mean @ np.sum([weight @ shape for weight, shape in zip(weights, shapes, strict=True)], axis=0)
    if is_measured:
        # A scatter told by few surfaces is itself uncertain; Student's t has this much more variance than a normal.
        between = between * (number - 1) / max(1, number - 3)
    return Shape(
        exponent=float(mean[0]), offset_mm=float(mean[1]), covariance=of_mean + between,
        surfaces=tuple(one.surface for one in calibrations), is_measured=is_measured,
    )  # fmt: skip


def _above_zero(matrix: Floats) -> Floats:
    """Return the nearest symmetric matrix without negative variances."""
    values, vectors = np.linalg.eigh((matrix + matrix.T) / 2)
    kept: Floats = (vectors * np.maximum(values, 0.0)) @ vectors.T
    return kept


def transferred(
    calibrations: Sequence[SensorCalibration],
    surface: str,
    reading: float,
    n: int,
    at_mm: float,
    *,
    sd_share: float | None = None,
    block_sd_mm: float = BLOCK_SD_MM,
) -> SensorCalibration:
    """Return the calibration on `surface` where the mean of `n` readings (lit minus dark) at `at_mm` is `reading`.

    `calibrations` are the full ones of the same sensor on other surfaces. `sd_share` is the standard deviation of one
    reading there as a share of it (None: as at home), `block_sd_mm` of the board's place. Raises `CannotMeasureError`.
    """
    if not reading > 0 or n < 1:
        raise CannotMeasureError(f"a reading of {reading:g} on {surface} is not positive; no wall was seen")
    shape = shared_shape(calibrations)
    away = at_mm + shape.offset_mm
    if not (at_mm > 0 and away > 0):
        raise CannotMeasureError(f"a set distance of {at_mm:g} mm lies inside the sensor")
    noise = float(np.mean([one.noise for one in calibrations])) if sd_share is None else sd_share
    rounding = 2 / 12 / reading**2 / n
    variance = noise**2 / n + rounding + (shape.exponent / away * block_sd_mm) ** 2
    # ln gain = ln S* + n ln(d* + d0): what exponent and offset are off by, the gain makes up for at the set distance.
    along = np.array([math.log(away), shape.exponent / away])
    covariance = np.empty((3, 3))
    covariance[1:, 1:] = shape.covariance
    covariance[0, 1:] = covariance[1:, 0] = along @ shape.covariance
    covariance[0, 0] = variance + along @ shape.covariance @ along
    told = "scatter between them measured" if shape.is_measured else "scatter between surfaces stated"
    return SensorCalibration(
        channel=calibrations[0].channel, surface=surface, gain=reading * away**shape.exponent,
        exponent=shape.exponent, offset_mm=shape.offset_mm,
        covariance=tuple((float(row[0]), float(row[1]), float(row[2])) for row in covariance),
        noise=noise, residual_mm=max(one.residual_mm for one in calibrations),
        span_mm=(max(one.span_mm[0] for one in calibrations), min(one.span_mm[1] for one in calibrations)), n=n,
        source=f"transfer: {n} readings at {at_mm:g} mm, shape of {', '.join(shape.surfaces)} ({told})",
    )  # fmt: skip
