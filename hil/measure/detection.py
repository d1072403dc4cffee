"""Is there a wall? Thresholds between two populations of readings, and what wrong decisions a whole search must expect.

Both populations are taken as normal. Formulas of signal detection (Green and Swets 1966, Macmillan and Creelman; from
memory): d' = (mu1 - mu0)/s for equal spreads, d_a = (mu1 - mu0)/sqrt((s0^2 + s1^2)/2) else. Midpoint
(mu0 + mu1)/2; equal error (mu0 s1 + mu1 s0)/(s0 + s1), each error Phi(-(mu1 - mu0)/(s0 + s1)); least error, where both
densities are equal: (t - mu1)^2/s1^2 - (t - mu0)^2/s0^2 = 2 ln(s0/s1), the root between the means. Walls and openings
count as equally frequent. Even ratio: as many times above the highest reading without a wall as below the lowest of a
wall, sqrt(highest lowest); it guards against what moves all readings alike, a weaker emitter or another lamp, and not
against scatter (common practice, no source).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum

from hil.measure.uncertainty import Part
from hil.measure.values import CannotMeasureError

DECISIONS = 700  # of a search: three walls in each of up to 256 cells, less what is known already
_ALIKE = 1e-9  # ratio of spreads nearer to 1 than this: one spread, and no quadratic to solve


class Rule(Enum):
    """Where a threshold is put."""

    MIDPOINT = "midpoint"
    EQUAL_ERROR = "equal error"
    LEAST_ERROR = "least error"
    EVEN_RATIO = "even ratio"


@dataclass(frozen=True, slots=True, kw_only=True)
class Population:
    """Readings of one kind: mean and standard deviation of single ones [count], each with its standard uncertainty.

    `dof` are the degrees of freedom of the standard deviation. `lowest` and `highest` are the extremes that were seen
    or are expected; nan where not known.
    """

    mean: float
    sd: float
    u_mean: float = 0.0
    dof: float = math.inf
    lowest: float = math.nan
    highest: float = math.nan

    @property
    def u_variance(self) -> float:
        """Standard uncertainty of the variance: s^2 sqrt(2/dof)."""
        return self.sd**2 * math.sqrt(2 / self.dof) if math.isfinite(self.dof) else 0.0


def check_order(nothing: Population, wall: Population) -> None:
    """Refuse populations that no threshold parts: without spread, or with walls that read no more than none."""
    if not (nothing.sd > 0 and wall.sd > 0):
        raise CannotMeasureError("a population of readings without spread tells no threshold; take more readings")
    if wall.mean <= nothing.mean:
        raise CannotMeasureError(
            f"a wall reads {wall.mean:.0f} and no wall {nothing.mean:.0f}: no threshold parts the two"
        )


def threshold(rule: Rule, nothing: Population, wall: Population) -> float:
    """Return the threshold [count] by a rule."""
    check_order(nothing, wall)
    mu0, s0, mu1, s1 = nothing.mean, nothing.sd, wall.mean, wall.sd
    if rule is Rule.EVEN_RATIO:
        ends = (nothing.highest, wall.lowest) if wall.lowest > nothing.highest > 0 else (mu0, mu1)
        return math.sqrt(max(ends[0], 1.0) * ends[1])
    if rule is Rule.MIDPOINT or abs(s1 / s0 - 1) < _ALIKE:
        return (mu0 + mu1) / 2
    if rule is Rule.EQUAL_ERROR:
        return (mu0 * s1 + mu1 * s0) / (s0 + s1)
    return _least_error(mu0, s0, mu1, s1)


def _least_error(mu0: float, s0: float, mu1: float, s1: float) -> float:
    """Return where both densities are equal, in units of the distance of the means, so that nothing cancels."""
    apart = mu1 - mu0
    a0, a1 = s0 / apart, s1 / apart
    # x from mu0: (x - 1)^2/a1^2 - x^2/a0^2 = 2 ln(a0/a1)
    square, linear = 1 / a1**2 - 1 / a0**2, -2 / a1**2
    constant = 1 / a1**2 - 2 * math.log(a0 / a1)
    inside = linear**2 - 4 * square * constant
    if inside >= 0:
        half = -(linear - math.sqrt(inside)) / 2  # linear is below zero: both terms add up
        for root in (constant / half, half / square):
            if 0 <= root <= 1:
                return mu0 + root * apart
    raise CannotMeasureError(
        f"the densities of wall ({mu1:.0f} ± {s1:.1f}) and no wall ({mu0:.0f} ± {s0:.1f}) do not cross between their "
        "means; the populations overlap too much for a threshold"
    )


def error_rate(at: float, nothing: Population, wall: Population) -> float:
    """Return the probability of a wrong decision by a threshold, walls and openings being equally frequent."""
    from scipy import special

    missed = special.ndtr((at - wall.mean) / wall.sd)
    false = special.ndtr((nothing.mean - at) / nothing.sd)
    return float(missed + false) / 2


def equal_error_rate(nothing: Population, wall: Population) -> float:
    """Return each of both errors at the equal-error threshold: Phi(-(mu1 - mu0)/(s0 + s1))."""
    from scipy import special

    return float(special.ndtr(-(wall.mean - nothing.mean) / (nothing.sd + wall.sd)))


def detectability(nothing: Population, wall: Population) -> tuple[float, Part]:
    """Return d_a (d' where both spread alike) and its uncertainty by the delta method (JCGM 100:2008 5.1.2).

    u^2 = (u(mu0)^2 + u(mu1)^2)/s^2 + d_a^2 u(s^2)^2/(4 s^4) with s^2 = (s0^2 + s1^2)/2 and u(s^2) from u(si^2) =
    si^2 sqrt(2/dof). Where both spreads are equal and 20 readings or more lie behind each it agrees with the standard
    deviation of the exact (noncentral t) distribution to a tenth. The degrees of freedom are those of s^2
    (Welch-Satterthwaite).
    """
    if not (nothing.sd > 0 and wall.sd > 0):
        raise CannotMeasureError("a population of readings without spread tells no d'; take more readings")
    variance = (nothing.sd**2 + wall.sd**2) / 2
    value = (wall.mean - nothing.mean) / math.sqrt(variance)
    of_means = math.hypot(nothing.u_mean, wall.u_mean) / math.sqrt(variance)
    u_variance = math.hypot(nothing.u_variance, wall.u_variance) / 2
    part = math.hypot(of_means, value * u_variance / (2 * variance))
    dof = 2 * (variance / u_variance) ** 2 if u_variance > 0 else math.inf
    return value, Part(part, dof)


def expected_wrong(rates: Sequence[float], decisions: float = DECISIONS) -> float:
    """Return how many wrong decisions a search must expect, its decisions shared equally among the error `rates`."""
    return decisions * math.fsum(rates) / len(rates)


def right_map(rates: Sequence[float], decisions: float = DECISIONS) -> float:
    """Return the probability that every decision of a search is right, decisions shared equally among `rates`."""
    return math.exp(decisions / len(rates) * math.fsum(math.log1p(-min(rate, 1 - 1e-16)) for rate in rates))
