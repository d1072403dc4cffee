"""Least squares with covariance, linear and nonlinear, for the small fits of this floor.

Every observation comes with its variance, or with none; where none is known, the variance is taken from the
residuals. A fit with fewer observations than parameters, or whose parameters the data cannot tell apart, is refused:
a number without an uncertainty is worth nothing here.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from hil.measure.uncertainty import Mean, Part
from hil.measure.values import CannotMeasureError
from hil.quantities import counted

Floats = NDArray[np.float64]
_SMALLEST_SINGULAR = 1e-13  # of the scaled design: below, the parameters cannot be told apart in double precision


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """Parameters with their covariance; `rss` is the (weighted) sum of squared residuals, `dof` n minus parameters.

    `birge` is rss/dof where the variances were given (1 where the data scatter as they say, above 1 where they scatter
    more), and 1 where the variance was taken from the residuals.
    """

    parameters: Floats
    covariance: Floats
    residuals: Floats
    rss: float
    dof: int
    birge: float

    @property
    def u(self) -> Floats:
        """Standard uncertainties of the parameters."""
        root: Floats = np.sqrt(np.diag(self.covariance))
        return root

    @property
    def residual_sd(self) -> float:
        """Standard deviation of the (weighted) residuals; nan without degrees of freedom."""
        return float(np.sqrt(self.rss / self.dof)) if self.dof > 0 else float("nan")


def _inverse_normal(scaled: Floats, what: str) -> Floats:
    """Return (A^T A)^-1 through the singular values of A with columns of unit length."""
    lengths = np.linalg.norm(scaled, axis=0)
    if scaled.shape[0] < scaled.shape[1] or not np.all(np.isfinite(scaled)) or np.any(lengths == 0):
        raise CannotMeasureError(f"{what}: there are too few usable values for {scaled.shape[1]} parameters")
    singular, rows = np.linalg.svd(scaled / lengths, full_matrices=False)[1:]
    if singular[-1] < _SMALLEST_SINGULAR * singular[0]:
        raise CannotMeasureError(f"{what}: the values do not tell the parameters apart; spread them more widely")
    half = rows.T / singular
    inverse: Floats = (half @ half.T) / np.outer(lengths, lengths)
    return inverse


def _finish(parameters: Floats, jacobian: Floats, residuals: Floats, known: bool, what: str) -> Fit:
    inverse = _inverse_normal(jacobian, what)
    rss, dof = float(residuals @ residuals), int(residuals.size - parameters.size)
    if not known and dof < 1:
        raise CannotMeasureError(f"{what}: no value is left to take the scatter from; give more than {residuals.size}")
    scale = 1.0 if known else rss / dof
    birge = rss / dof if known and dof > 0 else 1.0
    return Fit(parameters=parameters, covariance=scale * inverse, residuals=residuals, rss=rss, dof=dof, birge=birge)


def fit_linear(design: ArrayLike, values: ArrayLike, variances: ArrayLike | None = None, *, what: str = "fit") -> Fit:
    """Fit values = design @ parameters by (weighted) least squares (JCGM 100:2008 H.3 for the line).

    `design` is n x p. With `variances` (n) the covariance is the one they imply; without, it is scaled by the residual
    variance. Residuals are returned weighted. Raises `CannotMeasureError` where the data cannot carry the fit.
    """
    columns, y = np.asarray(design, dtype=np.float64), np.asarray(values, dtype=np.float64)
    weights = np.ones_like(y) if variances is None else 1 / np.sqrt(np.asarray(variances, dtype=np.float64))
    scaled = columns * weights[:, np.newaxis]
    _inverse_normal(scaled, what)
    lengths = np.linalg.norm(scaled, axis=0)
    parameters = np.linalg.lstsq(scaled / lengths, y * weights, rcond=None)[0] / lengths
    residuals = (y - columns @ parameters) * weights
    return _finish(parameters, scaled, residuals, variances is not None, what)


def fit_nonlinear(
    model: Callable[[Floats], Floats],
    jacobian: Callable[[Floats], Floats],
    start: Sequence[float],
    values: ArrayLike,
    variances: ArrayLike | None = None,
    *,
    what: str = "fit",
) -> Fit:
    """Fit values = model(parameters) by (weighted) least squares, searching from `start`.

    `jacobian` is the model's own (n x p). The covariance is that of the linearised model at the solution. Raises
    `CannotMeasureError` where the search does not come to an end or the data cannot carry the fit.
    """
    from scipy.optimize import least_squares

    y = np.asarray(values, dtype=np.float64)
    weights = np.ones_like(y) if variances is None else 1 / np.sqrt(np.asarray(variances, dtype=np.float64))
    if y.size < len(start):
        raise CannotMeasureError(f"{what}: {counted(y.size, 'value')} cannot tell {counted(len(start), 'parameter')}")

    def residuals(parameters: Floats) -> Floats:
        weighted: Floats = (model(parameters) - y) * weights
        return weighted

    def slopes(parameters: Floats) -> Floats:
        weighted: Floats = jacobian(parameters) * weights[:, np.newaxis]
        return weighted

    found = least_squares(
        residuals, np.asarray(start, dtype=np.float64), slopes, method="lm", x_scale="jac",
        xtol=1e-14, ftol=1e-14, gtol=1e-14, max_nfev=2000,
    )  # fmt: skip
    if found.status <= 0 or not np.all(np.isfinite(found.x)):
        raise CannotMeasureError(f"{what}: the search for the best parameters came to no end")
    solution: Floats = np.asarray(found.x, dtype=np.float64)
    return _finish(solution, slopes(solution), -residuals(solution), variances is not None, what)


def interpolate_line(fit: Fit, at: float) -> tuple[float, float]:
    """Return value and standard uncertainty of a fitted line (intercept, slope) at `at` (JCGM 100:2008 H.3.4)."""
    row = np.array([1.0, at])
    return float(row @ fit.parameters), float(np.sqrt(row @ fit.covariance @ row))


def line_design(x: Sequence[float], beside: Sequence[float] | None = None) -> Floats:
    """Return the columns (1, x) of a line, and `beside` from its mean where given."""
    columns = [np.ones(len(x)), np.asarray(x, dtype=np.float64)]
    if beside is not None:
        columns.append(np.asarray(beside, dtype=np.float64) - float(np.mean(beside)))
    return np.column_stack(columns)


def line_of_known(
    x: Sequence[float], y: Sequence[float], u_each: Sequence[float], what: str, beside: Sequence[float] | None = None
) -> tuple[Mean, Mean]:
    """Fit y = intercept + slope x; return both with their contributions.

    `beside` is a second quantity that may move y; it is fitted along, taken from its mean, and not returned.

    The known uncertainty of each y counts (infinite degrees of freedom), or the scatter about the line where that is
    larger (n - 2). Raises `CannotMeasureError` for fewer than two different x.
    """
    design = line_design(x, beside)
    known = fit_linear(design, y, np.square(np.asarray(u_each)), what=what) if all(u > 0 for u in u_each) else None
    plain = fit_linear(design, y, what=what) if len(y) > design.shape[1] else None
    if known is not None and (plain is None or known.birge <= 1):
        chosen, dof = known, math.inf
    elif plain is not None:
        chosen, dof = plain, float(plain.dof)
    else:
        raise CannotMeasureError(f"{what}: two values with no uncertainty of their own tell no scatter")
    intercept, slope = (
        Mean(value=float(value), part=Part(float(u), dof), sd=chosen.residual_sd, n=len(y))
        for value, u in zip(chosen.parameters[:2], chosen.u[:2], strict=True)
    )
    return intercept, slope
