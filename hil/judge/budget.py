"""Uncertainty budgets: standard uncertainties and their degrees of freedom, combined as in JCGM 100:2008."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Component:
    """One contribution: an input's standard uncertainty, its degrees of freedom, and the result's sensitivity to it."""

    u: float
    dof: float = math.inf
    sensitivity: float = 1.0

    @property
    def contribution(self) -> float:
        """The standard uncertainty that it gives to the result, with its sign."""
        return self.sensitivity * self.u


@dataclass(frozen=True, slots=True, kw_only=True)
class Repeated:
    """What repeated observations show (JCGM 100:2008 4.2): mean, standard deviation `s` of one, `u` of the mean."""

    mean: float
    s: float
    u: float
    dof: float
    n: int


def repeated(values: Sequence[float]) -> Repeated:
    """Return mean and standard deviation of at least two observations; raise ValueError for fewer.

    Two passes, so that a large common offset costs no digits.
    """
    n = len(values)
    if n < 2:
        raise ValueError(f"{n} observations have no spread")
    mean = math.fsum(values) / n
    s = math.sqrt(math.fsum((value - mean) ** 2 for value in values) / (n - 1))
    return Repeated(mean=mean, s=s, u=s / math.sqrt(n), dof=n - 1.0, n=n)


def combine(
    components: Sequence[Component], correlations: Sequence[Sequence[float]] | None = None
) -> tuple[float, float]:
    """Return the combined standard uncertainty and its effective degrees of freedom.

    Law of propagation (JCGM 100:2008 5.1.2; 5.2.2 with a correlation matrix) and Welch-Satterthwaite (G.4.1), which
    holds for independent inputs and is an approximation with correlations.
    """
    parts = [component.contribution for component in components]
    if correlations is None:
        variance = math.fsum(part * part for part in parts)
    else:
        variance = math.fsum(
            correlations[i][j] * parts[i] * parts[j] for i in range(len(parts)) for j in range(len(parts))
        )
    u = math.sqrt(max(0.0, variance))
    return u, effective_dof(u, parts, [component.dof for component in components])


def effective_dof(u: float, contributions: Sequence[float], dofs: Sequence[float]) -> float:
    """Return u^4 / sum(u_i^4 / dof_i), infinite where no contribution has finite degrees of freedom."""
    total = math.fsum(part**4 / dof for part, dof in zip(contributions, dofs, strict=True) if math.isfinite(dof))
    return u**4 / total if total > 0 else math.inf
