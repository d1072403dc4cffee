"""Exact intervals and probabilities, through scipy.special, which loads on first use.

`confidence` is the probability that an interval covers the quantity. Sources: JCGM 100:2008 annex G (Student t),
JCGM 106:2012 7 (conformance), NIST/SEMATECH e-Handbook 7.2.3 (standard deviation), Clopper and Pearson 1934
(shares), Garwood 1936 (rates).
"""

from __future__ import annotations

import math

_NORMAL_FROM = 1e6  # degrees of freedom above which Student's t and the normal agree to six digits


def coverage_factor(dof: float, confidence: float) -> float:
    """Return k such that value ± k u covers with probability `confidence`; Student t, normal for infinite `dof`."""
    from scipy import special

    upper = 0.5 + confidence / 2
    return float(special.ndtri(upper) if dof > _NORMAL_FROM else special.stdtrit(dof, upper))


def conformance(value: float, u: float, dof: float, lower: float, upper: float) -> float:
    """Return the probability that the quantity lies within the limits (JCGM 106:2012 7.3 and 7.4).

    The quantity is taken to be distributed about `value` with scale `u`, as Student t with `dof` degrees of freedom, or
    normally for infinite `dof`. Without uncertainty it is 1 or 0.
    """
    if u == 0:
        return float(lower <= value <= upper)
    # Two tails are subtracted from one, not one area from another: near 1 nothing is lost.
    return max(0.0, 1.0 - _below((value - upper) / u, dof) - _below((lower - value) / u, dof))


def _below(t: float, dof: float) -> float:
    from scipy import special

    if math.isinf(t):
        return 0.0 if t < 0 else 1.0
    return float(special.ndtr(t) if dof > _NORMAL_FROM else special.stdtr(dof, t))


def spread_interval(s: float, dof: float, confidence: float) -> tuple[float, float]:
    """Return the interval of a normal quantity's standard deviation, of which `s` is an estimate (chi-square)."""
    from scipy import special

    tail = (1 - confidence) / 2
    return s * math.sqrt(dof / special.chdtri(dof, tail)), s * math.sqrt(dof / special.chdtri(dof, 1 - tail))


def spread_conformance(s: float, dof: float, lower: float, upper: float) -> float:
    """Return the probability that a standard deviation estimated as `s` lies within the limits."""
    from scipy import special

    if s == 0:
        return float(lower <= 0 <= upper)
    reach_upper = 1.0 if math.isinf(upper) else float(special.chdtrc(dof, dof * (s / upper) ** 2)) if upper > 0 else 0.0
    reach_lower = float(special.chdtrc(dof, dof * (s / lower) ** 2)) if lower > 0 else 0.0
    return max(0.0, reach_upper - reach_lower)


def share_interval(events: int, trials: int, confidence: float) -> tuple[float, float]:
    """Return the interval of the probability of an event, of which `events` were seen in `trials` (Clopper-Pearson).

    With no event, or with nothing but events, one side is known and the whole risk is given to the other.
    """
    from scipy import special

    tail = (1 - confidence) if events in (0, trials) else (1 - confidence) / 2
    lower = 0.0 if events == 0 else float(special.betaincinv(events, trials - events + 1, tail))
    upper = 1.0 if events == trials else float(special.betaincinv(events + 1, trials - events, 1 - tail))
    return lower, upper


def share_below(events: int, trials: int, share: float) -> float:
    """Return the probability of `events` or fewer in `trials` where each has one with probability `share`."""
    from scipy import special

    return 0.0 if events < 0 else float(special.bdtr(events, trials, share))


def rate_interval(events: int, trials: float, confidence: float) -> tuple[float, float]:
    """Return the interval of the mean number of events in one trial, where a trial may have several (Garwood)."""
    from scipy import special

    tail = (1 - confidence) if events == 0 else (1 - confidence) / 2
    lower = 0.0 if events == 0 else float(special.gammaincinv(events, tail))
    return lower / trials, float(special.gammaincinv(events + 1, 1 - tail)) / trials


def runs_to_show(share_good: float, confidence: float) -> int:
    """Return how many runs without a failure show that at least `share_good` of all runs are good."""
    return math.ceil(math.log(1 - confidence) / math.log(share_good))
