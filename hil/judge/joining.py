"""Two measurements of one quantity, by independent instruments: do they agree, and what are they together.

Their difference is held against its own uncertainty (two independent inputs, JCGM 100:2008 5.1.2, degrees of freedom by
Welch-Satterthwaite, G.4.1). A run joins some twenty measurements, and at 95 % nearly every run of a good robot would
have two that differ; they are therefore said to disagree beyond 99.9 %, which one good run in fifty comes to.

Together they are the mean weighted by inverse variances, the least variance that two unbiased values can be joined to
(Cox, Metrologia 39 589, 2002, procedure A, from memory). Where they differ by more than 95 % of differences do, and yet
agree, the uncertainty is widened by the ratio (after Birge, Phys. Rev. 40 207, 1932, from memory). Two that disagree
are not joined: which of them is wrong, no formula knows.

Counted things of the same trials agree where the same number was counted. Of other trials they agree where one rate can
have given both: of all that was counted, the share that fell to the first is binomial (Przyborowski and Wilenski,
Biometrika 31 313, 1940, from memory); together they are the sum.

A value that was chosen as the largest of several (`Measurement.among`) is compared and joined like with like, and the
largest is chosen of what was joined: two instruments need not find the same one largest.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from hil.judge.budget import Component, combine
from hil.judge.distributions import coverage_factor, share_below
from hil.judge.verdict import CONFIDENCE
from hil.measure.values import Measurement

AGREEMENT = 0.999  # the confidence beyond which two measurements cannot be of one quantity
# Of a value that is stated as exact: it must not take all the weight by an uncertainty of zero.
_LEAST_SHARE = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """Two measurements of one quantity held against each other; `of` names it where there are several.

    `limit` is the largest difference that still agrees, in their unit; None for counted things of different trials.
    """

    first: Measurement
    second: Measurement
    agree: bool
    limit: float | None
    of: str = ""

    @property
    def difference(self) -> float:
        """The first less the second."""
        return self.first.value - self.second.value


def compare(first: Measurement, second: Measurement, *, same_trials: bool = False) -> Comparison:
    """Hold two measurements of one quantity, in one unit, against each other; of several, those furthest apart."""
    if first.unit != second.unit:
        raise ValueError(f"{first.unit!r} and {second.unit!r} are not one unit")
    held = [_compare_one(a, b, of, same_trials=same_trials) for of, a, b in _pairs(first, second)]
    return max(held, key=lambda one: (not one.agree, abs(one.difference)))


def joined(first: Measurement, second: Measurement, *, same_trials: bool = False) -> Measurement:
    """Return two measurements that agree as one, with the sources of both."""
    both = [_join_one(a, b, same_trials=same_trials) for _, a, b in _pairs(first, second)]
    return max(both, key=lambda one: abs(one.value)) if len(both) > 1 else both[0]


def _pairs(first: Measurement, second: Measurement) -> list[tuple[str, Measurement, Measurement]]:
    """Return like with like: the values that both were chosen among, or the two themselves."""
    others = dict(second.among)
    common = [(of, one, others[of]) for of, one in first.among if of in others]
    if not common:
        return [("", first, second)]
    return [(of, _as(first, one), _as(second, other)) for of, one, other in common]


def _as(whole: Measurement, one: Measurement) -> Measurement:
    """Return one of the values that a measurement was chosen among, with what the measurement says of itself."""
    return replace(one, source=whole.source, notes=whole.notes)


def _compare_one(first: Measurement, second: Measurement, of: str, *, same_trials: bool) -> Comparison:
    if first.is_count:
        agree = first.value == second.value if same_trials else _is_one_rate(first, second)
        return Comparison(first=first, second=second, agree=agree, limit=0.0 if same_trials else None, of=of)
    limit = _limit(first, second, AGREEMENT)
    return Comparison(first=first, second=second, agree=abs(first.value - second.value) <= limit, limit=limit, of=of)


def _limit(first: Measurement, second: Measurement, confidence: float) -> float:
    u, dof = combine([Component(u=one.u, dof=one.dof) for one in (first, second)])
    return coverage_factor(dof, confidence) * u


def _is_one_rate(first: Measurement, second: Measurement) -> bool:
    """Tell whether one rate of events can have given both numbers of them; twice the smaller tail is the risk.

    A trial in which an event comes once or not at all is held to Fisher's exact test; where more came than trials were
    made, events are shared out by the trials (binomial).
    """
    all_seen, trials = round(first.value + second.value), first.n + second.n
    if all_seen == 0 or trials == 0:
        return True
    seen = round(first.value)
    if seen <= first.n and all_seen - seen <= second.n:
        below, above = _share_drawn(seen, all_seen, first.n, trials)
    else:
        share = first.n / trials
        below, above = share_below(seen, all_seen, share), 1 - share_below(seen - 1, all_seen, share)
    return 2 * min(below, above) >= 1 - AGREEMENT


def _share_drawn(seen: int, all_seen: int, drawn: int, trials: int) -> tuple[float, float]:
    """Return how probable it is that at most, and at least, `seen` of `all_seen` are among `drawn` of `trials`.

    Hypergeometric: R. A. Fisher's exact test of two shares (from memory).
    """
    least, most = max(0, all_seen + drawn - trials), min(all_seen, drawn)
    # Ratios of neighbours, so that no number grows too large; the likeliest stands for one.
    peak = min(max((drawn + 1) * (all_seen + 1) // (trials + 2), least), most)
    weight = {peak: 1.0}
    for k in range(peak, most):
        weight[k + 1] = weight[k] * (all_seen - k) * (drawn - k) / ((k + 1) * (trials - all_seen - drawn + k + 1))
    for k in range(peak, least, -1):
        weight[k - 1] = weight[k] * k * (trials - all_seen - drawn + k) / ((all_seen - k + 1) * (drawn - k + 1))
    whole = math.fsum(weight.values())
    below = math.fsum(value for k, value in weight.items() if k <= seen) / whole
    above = math.fsum(value for k, value in weight.items() if k >= seen) / whole
    return below, above


def _join_one(first: Measurement, second: Measurement, *, same_trials: bool) -> Measurement:
    source = " + ".join(dict.fromkeys((first.source, second.source)))
    notes = (*first.notes, *second.notes)
    if first.is_count and same_trials:
        return replace(first, n=max(first.n, second.n), source=source, notes=notes)
    if first.is_count:
        return replace(first, value=first.value + second.value, n=first.n + second.n, source=source, notes=notes)
    least = _LEAST_SHARE * max(first.u, second.u, abs(first.value), abs(second.value))
    weights = [1 / max(one.u, least) ** 2 if least > 0 else 1.0 for one in (first, second)]
    shares = [weight / math.fsum(weights) for weight in weights]
    u, dof = combine(
        [Component(u=one.u, dof=one.dof, sensitivity=share) for one, share in zip((first, second), shares, strict=True)]
    )
    usual = _limit(first, second, CONFIDENCE)
    widened = max(1.0, abs(first.value - second.value) / usual) if usual > 0 else 1.0
    both = math.fsum(share * one.value for one, share in zip((first, second), shares, strict=True))
    return Measurement(
        value=both,
        unit=first.unit,
        u=widened * u,
        dof=dof,
        n=first.n + second.n,
        is_spread=first.is_spread,
        noise=_noise_of(both, u, dof) if first.is_spread else 0.0,
        source=source,
        notes=notes,
    )


def _noise_of(spread: float, u: float, dof: float) -> float:
    """Return what must have been taken out of a spread for it to be known as badly as it is: u = total/sqrt(2 dof)."""
    return math.sqrt(max(0.0, 2 * dof * u**2 - spread**2)) if math.isfinite(dof) else 0.0
