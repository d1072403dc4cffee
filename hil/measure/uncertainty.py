"""Joining uncertainties: scatter of repeated values, instruments, and effective degrees of freedom.

Formulas: JCGM 100:2008 (GUM) 4.2.3 for the scatter of a mean, 5.1.2 for independent inputs, G.4.1 (Welch-Satterthwaite)
for degrees of freedom.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from hil.measure.values import CannotMeasureError

_BY_CHANCE = 0.01  # how often values that agree are taken not to


@dataclass(frozen=True, slots=True)
class Part:
    """One contribution to an uncertainty: standard uncertainty and degrees of freedom."""

    u: float
    dof: float = math.inf

    def times(self, factor: float) -> Part:
        """Return the contribution through a sensitivity `factor`."""
        return Part(abs(factor) * self.u, self.dof)


@dataclass(frozen=True, slots=True, kw_only=True)
class Mean:
    """A mean with its contribution; `sd` is the scatter of single values (nan for one value)."""

    value: float
    part: Part
    sd: float
    n: int


def join(*parts: Part) -> Part:
    """Return the root sum of squares of independent `parts`, with Welch-Satterthwaite degrees of freedom."""
    variance = math.fsum(part.u**2 for part in parts)
    if variance == 0:
        return Part(0.0, math.inf)
    # Shares of the variance and not fourth powers of u, which underflow for small units.
    weakness = math.fsum((part.u**2 / variance) ** 2 / part.dof for part in parts if part.u > 0)
    return Part(math.sqrt(variance), 1 / weakness if weakness > 0 else math.inf)


def mean_by_scatter(values: Sequence[float], what: str) -> Mean:
    """Return the mean with the uncertainty that the scatter of at least two values tells (n - 1 degrees of freedom)."""
    if len(values) < 2:
        raise CannotMeasureError(f"{what}: {len(values)} value cannot tell its own scatter; at least 2 are needed")
    sd = float(np.std(values, ddof=1))
    return Mean(
        value=float(np.mean(values)), part=Part(sd / math.sqrt(len(values)), len(values) - 1), sd=sd, n=len(values)
    )


def mean_of_known(values: Sequence[float], u_each: Sequence[float], what: str) -> Mean:
    """Return the mean of values whose own uncertainties are known; their scatter counts where it is larger.

    The known uncertainties are taken as independent from value to value (infinite degrees of freedom). Where the values
    scatter more than that, something else moves them, and the scatter stands (n - 1 degrees of freedom).
    """
    n = len(values)
    if n == 0:
        raise CannotMeasureError(f"{what}: there is no value")
    known = math.sqrt(math.fsum(u**2 for u in u_each)) / n
    if n == 1:
        return Mean(value=float(values[0]), part=Part(known), sd=math.nan, n=1)
    scatter = mean_by_scatter(values, what)
    part = scatter.part if scatter.part.u > known else Part(known)
    return Mean(value=scatter.value, part=part, sd=scatter.sd, n=n)


def mean_of_agreeing(values: Sequence[float], parts: Sequence[Part], what: str) -> Mean:
    """Return the mean of values whose own uncertainties are known and should explain their scatter.

    They do as long as the sum of (value - mean)^2 / u^2 is below its 99 % point (chi-squared, n - 1 degrees of freedom;
    the consistency test of M. G. Cox, Metrologia 39, 2002, from memory); beyond it the scatter stands.
    """
    from scipy import special

    n = len(values)
    if n == 0:
        raise CannotMeasureError(f"{what}: there is no value")
    joined = join(*(part.times(1 / n) for part in parts))
    if n == 1:
        return Mean(value=float(values[0]), part=joined, sd=math.nan, n=1)
    scatter = mean_by_scatter(values, what)
    off = math.fsum(
        (value - scatter.value) ** 2 / max(part.u, 1e-12) ** 2 for value, part in zip(values, parts, strict=True)
    )
    agree = off <= float(special.chdtri(n - 1, _BY_CHANCE))
    part = joined if agree or joined.u >= scatter.part.u else scatter.part
    return Mean(value=scatter.value, part=part, sd=scatter.sd, n=n)


def effective_number(values: Sequence[float] | np.ndarray[tuple[int, ...], np.dtype[np.float64]]) -> float:
    """Return how many independent values an evenly sampled row of `values` is worth, from 1 to its length.

    n / (1 + 2 sum of autocorrelations), the sum taken over pairs of lags while they are positive (Geyer's initial
    positive sequence, Statistical Science 7(4), 1992). Fewer than four values, or all the same, count as they are.
    """
    row = np.asarray(values, dtype=np.float64)
    row = row - np.mean(row)
    n, power = row.size, float(row @ row)
    if n < 4 or power == 0:
        return float(n)
    size = 1 << (2 * n - 1).bit_length()
    spectrum = np.abs(np.fft.rfft(row, size)) ** 2
    correlation = np.fft.irfft(spectrum, size)[:n] / power
    pairs = correlation[: n - n % 2].reshape(-1, 2).sum(axis=1)
    negative = np.nonzero(pairs <= 0)[0]
    kept = pairs[: int(negative[0])] if negative.size else pairs
    return float(min(n, max(1.0, n / max(1e-9, 2 * float(np.sum(kept)) - 1))))
