"""Which block of a jig lies off the curve of the others, and which distance its reading would fit.

By the law reading = gain / (distance + offset)^exponent the logarithm of the reading falls on a line over the logarithm
of distance + offset. Few blocks do not tell offset and exponent apart, and need not: offsets are tried in steps, lines
of an unlikely exponent are passed over, and what is asked is only where the curve runs between and just beside the
blocks.

With three blocks of one curve and one beside it, the one is told whose leaving out makes the others agree. Three blocks
in all can only say that they lie on no curve a wall gives; the one that fits last is named then. Fewer say nothing but
whether they fall at all likely.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

LIMIT_MM = 2.5  # off the curve; half of the usual step of a jig, and above its residual limit of 2 mm; common practice
_OFFSETS_MM = np.arange(0.0, 21.0, 2.0)
_EXPONENTS = (1.2, 4.5)  # a wall gives about 2, a target smaller than the beam up to 4
_WIDEST = (0.6, 6.0)  # of two blocks alone, whose exponent no third one steadies


@dataclass(frozen=True, slots=True, kw_only=True)
class Suspect:
    """The block stated to be at `of_mm` fits `fits_mm`, farther off than `limit_mm`."""

    of_mm: float
    fits_mm: float
    limit_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class _Curve:
    """A line through ln reading: level, exponent, offset, and how far the blocks lie from it (rms, mm)."""

    level: float
    exponent: float
    offset_mm: float
    rms_mm: float

    def distance_mm(self, log_reading: float) -> float:
        return math.exp((self.level - log_reading) / self.exponent) - self.offset_mm


def suspect_of(distances_mm: Sequence[float], readings: Sequence[float]) -> Suspect | None:
    """Return the block that lies off the curve of the others, or None where all may lie on one.

    Both of one length, one pair a block; distances in mm, readings (lit minus dark) in counts, above zero.
    """
    places = np.asarray(distances_mm, dtype=np.float64)
    counts = np.asarray(readings, dtype=np.float64)
    if places.size < 2 or np.unique(places).size < 2 or np.any(counts <= 0) or np.any(places <= 0):
        return None
    logs = np.log(counts)
    if places.size == 2:
        return _of_two(places, logs)
    if places.size == 3:
        return _of_three(places, logs)
    return _of_many(places, logs)


def _curves(places: Floats, logs: Floats, exponents: tuple[float, float] = _EXPONENTS) -> list[_Curve]:
    """Return the curves of likely exponent through places that are not all the same, the best first."""
    beyond = places + _OFFSETS_MM[:, np.newaxis]
    reach = np.log(beyond)
    spread = reach - reach.mean(axis=1, keepdims=True)
    exponent = -(spread @ logs) / np.sum(spread**2, axis=1)
    level = np.mean(logs) + exponent * reach.mean(axis=1)
    steepness = np.maximum(np.abs(exponent), 1e-6)[:, np.newaxis]  # a line that does not fall is passed over below
    misses = (logs - level[:, np.newaxis] + exponent[:, np.newaxis] * reach) * beyond / steepness
    rms = np.sqrt(np.mean(misses**2, axis=1))
    found = [
        _Curve(
            level=float(level[i]), exponent=float(exponent[i]), offset_mm=float(_OFFSETS_MM[i]), rms_mm=float(rms[i])
        )
        for i in range(_OFFSETS_MM.size)
        if exponents[0] <= exponent[i] <= exponents[1]
    ]
    return sorted(found, key=lambda curve: curve.rms_mm)


def _of_two(places: Floats, logs: Floats) -> Suspect | None:
    if _curves(places, logs, _WIDEST):
        return None
    fits = float(places[0] * math.exp((logs[0] - logs[1]) / 2))  # by the inverse square
    return Suspect(of_mm=float(places[1]), fits_mm=fits, limit_mm=LIMIT_MM)


def _of_three(places: Floats, logs: Floats) -> Suspect | None:
    curves = _curves(places, logs)
    if curves and curves[0].rms_mm < LIMIT_MM / 2:
        return None
    for last in (2, 1, 0):
        rest = np.delete(np.arange(3), last)
        if places[rest[0]] == places[rest[1]]:
            continue
        others = _curves(places[rest], logs[rest], (1.6, 2.6))
        if others:
            near = min(others, key=lambda curve: abs(curve.exponent - 2))
            fits = near.distance_mm(float(logs[last]))
            return Suspect(of_mm=float(places[last]), fits_mm=fits, limit_mm=LIMIT_MM)
    fits = float(places[0] * math.exp((logs[0] - logs[2]) / 2))
    return Suspect(of_mm=float(places[2]), fits_mm=fits, limit_mm=LIMIT_MM)


def _of_many(places: Floats, logs: Floats) -> Suspect | None:
    """Leave each block out in turn: is one far from the curve of the others, and do these agree without it."""
    found: list[tuple[float, Suspect]] = []
    for left_out in range(places.size):
        rest = np.delete(np.arange(places.size), left_out)
        if np.unique(places[rest]).size < 2:
            continue
        curves = _curves(places[rest], logs[rest])
        if not curves:
            continue
        likely = [one for one in curves if one.rms_mm <= 1.5 * curves[0].rms_mm + 0.2]
        fits = [one.distance_mm(float(logs[left_out])) for one in likely]
        said = float(places[left_out])
        beyond_mm = max(0.0, float(np.min(places[rest])) - said, said - float(np.max(places[rest])))
        limit = LIMIT_MM + 0.3 * beyond_mm + 2 * curves[0].rms_mm
        if min(fits) - limit > said or max(fits) + limit < said:
            suspect = Suspect(of_mm=said, fits_mm=likely[0].distance_mm(float(logs[left_out])), limit_mm=limit)
            found.append((curves[0].rms_mm, suspect))
    return min(found, key=lambda pair: pair[0])[1] if found else None
