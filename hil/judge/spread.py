"""Spreads: a standard deviation held against a limit, by its chi-square interval.

A standard deviation from few values is known badly: from ten, its 95 % interval reaches from 0.69 to 1.83 of what
was found. Below ten values nothing is decided.

Values that are measured scatter by what is measured and by the measurement. The chi-square interval is that of both
together; the known variance of the measurement is then taken from its ends, so that a coarse measurement makes the
interval wide and neither of its ends too high.
"""

from __future__ import annotations

import math

from hil.judge.distributions import spread_conformance, spread_interval
from hil.judge.rounding import plain_number, with_unit
from hil.judge.tolerance import Tolerance
from hil.judge.verdict import CONFIDENCE, Decision, Interval, Rule, spoken_confidence
from hil.measure.values import Measurement
from hil.outcomes import Outcome

FEWEST_VALUES = 10


def decide_spread(
    measurement: Measurement, tolerance: Tolerance, rule: Rule, *, confidence: float = CONFIDENCE
) -> Decision:
    """Judge a standard deviation of `measurement.n` values; its degrees of freedom are n - 1 unless stated lower.

    The two-sided rule of `decision` holds here with the wider side of the interval for U.
    """
    if measurement.n < FEWEST_VALUES:
        return Decision(
            outcome=Outcome.UNDECIDED,
            reason=f"A spread needs at least {FEWEST_VALUES} values; there are {measurement.n}.",
            confidence=confidence,
        )
    s, noise, dof = measurement.value, measurement.noise, min(measurement.dof, measurement.n - 1.0)
    total = math.hypot(s, noise)
    interval = Interval(*(_without(noise, end) for end in spread_interval(total, dof, confidence)))
    outcome, verdict = _judge(s, interval, tolerance, rule)
    reach = f"{_two(interval.lower)} to {with_unit(_two(interval.upper), measurement.unit)}"
    return Decision(
        outcome=outcome,
        reason=f"{verdict}: {measurement.n} values show {reach} at {spoken_confidence(confidence)}.",
        expanded=max(interval.upper - s, s - interval.lower),
        interval=interval,
        p_conformance=spread_conformance(
            total, dof, *(_with(noise, end) for end in (tolerance.lower, tolerance.upper))
        ),
        confidence=confidence,
    )


def _judge(s: float, interval: Interval, tolerance: Tolerance, rule: Rule) -> tuple[Outcome, str]:
    if interval.upper < tolerance.lower or interval.lower > tolerance.upper:
        return Outcome.FAILED, "Wholly outside"
    if math.isfinite(tolerance.half_width) and max(interval.upper - s, s - interval.lower) > tolerance.half_width / 2:
        return Outcome.UNDECIDED, "Too uncertain"
    if rule is Rule.SIMPLE:
        return (Outcome.PASSED, "Inside") if tolerance.holds(s) else (Outcome.FAILED, "Outside")
    if tolerance.lower <= interval.lower and interval.upper <= tolerance.upper:
        return Outcome.PASSED, "Wholly inside"
    return Outcome.UNDECIDED, "Too close to call"


def _with(noise: float, limit: float) -> float:
    return math.hypot(limit, noise) if limit > 0 else limit


def _without(noise: float, total: float) -> float:
    return math.sqrt(max(0.0, total**2 - noise**2))


def _two(value: float) -> str:
    return plain_number(float(f"{value:.2g}"))
