"""Two measurements of one quantity, by independent instruments: do they agree, and what are they together.

They agree where their difference is no larger than its expanded uncertainty at 95 % (two independent inputs, JCGM
100:2008 5.1.2, degrees of freedom by Welch-Satterthwaite, G.4.1). Together they are the mean weighted by inverse
variances, the least variance that two unbiased values can be joined to (Cox, Metrologia 39 589, 2002, procedure A, from
memory). Two that disagree are not joined: which of them is wrong, no formula knows.

Counted things agree where the same number was counted; other numbers are a disagreement.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from hil.judge.budget import Component, combine
from hil.judge.distributions import coverage_factor
from hil.judge.verdict import CONFIDENCE
from hil.measure.values import Measurement

# Of a value that is stated as exact: it must not take all the weight by an uncertainty of zero.
_LEAST_SHARE = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """The difference of two measurements, first minus second, and the largest that still agrees, in their unit."""

    difference: float
    limit: float

    @property
    def agree(self) -> bool:
        """Whether the two can be values of one quantity."""
        return abs(self.difference) <= self.limit


def compare(first: Measurement, second: Measurement) -> Comparison:
    """Hold two measurements of one quantity, in one unit, against each other."""
    if first.unit != second.unit:
        raise ValueError(f"{first.unit!r} and {second.unit!r} are not one unit")
    difference = first.value - second.value
    if first.is_count:
        return Comparison(difference=difference, limit=0.0)
    u, dof = combine([Component(u=one.u, dof=one.dof) for one in (first, second)])
    return Comparison(difference=difference, limit=coverage_factor(dof, CONFIDENCE) * u)


def joined(first: Measurement, second: Measurement) -> Measurement:
    """Return two measurements that agree as one, with the sources of both."""
    source = " + ".join(dict.fromkeys((first.source, second.source)))
    notes = (*first.notes, *second.notes)
    if first.is_count:
        return replace(first, n=first.n + second.n, source=source, notes=notes)
    least = _LEAST_SHARE * max(first.u, second.u, abs(first.value), abs(second.value))
    weights = [1 / max(one.u, least) ** 2 if least > 0 else 1.0 for one in (first, second)]
    shares = [weight / math.fsum(weights) for weight in weights]
    u, dof = combine(
        [Component(u=one.u, dof=one.dof, sensitivity=share) for one, share in zip((first, second), shares, strict=True)]
    )
    return Measurement(
        value=math.fsum(share * one.value for one, share in zip((first, second), shares, strict=True)),
        unit=first.unit,
        u=u,
        dof=dof,
        n=first.n + second.n,
        is_spread=first.is_spread,
        source=source,
        notes=notes,
    )
