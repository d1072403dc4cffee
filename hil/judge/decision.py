"""The decision rule: a measurement held against a tolerance.

Let [y - U, y + U] be the interval of the measurement, by Student t with the measurement's degrees of freedom.

1. The interval lies wholly outside the tolerance: failed.
2. Else, for two limits, U is more than half of the smaller distance from the nominal value to a limit: undecided, too
   uncertain. A one-sided limit has no nominal value and knows only the guard band.
3. Else by the rule of the suite. Simple: inside is passed, outside is failed. Guarded: inside by the guard band U is
   passed, anything else is undecided, too close to call.

Counted things and spreads have distributions of their own and go to `counts` and `spread`.
"""

from __future__ import annotations

import math

from hil.errors import InternalError
from hil.judge.counts import decide_count
from hil.judge.distributions import conformance, coverage_factor
from hil.judge.rounding import plain_number, rounded_pair, rounded_value, with_unit
from hil.judge.spread import decide_spread
from hil.judge.tolerance import Tolerance, is_on
from hil.judge.verdict import CONFIDENCE, Decision, Interval, Rule
from hil.measure.values import Measurement
from hil.outcomes import Outcome

# U may be this share of the way from the nominal value to the nearer limit; above it, a good robot could hardly pass.
_LARGEST_SHARE = 0.5


def decide(measurement: Measurement, tolerance: Tolerance, rule: Rule, *, confidence: float = CONFIDENCE) -> Decision:
    """Judge `measurement` by `tolerance`, both in the same unit; `confidence` is that of the interval."""
    if measurement.unit != tolerance.unit:
        raise InternalError(
            f"a measurement in {measurement.unit!r} was held against a tolerance in {tolerance.unit!r}",
            todo="Please report it",
        )
    if not math.isfinite(measurement.value):
        return Decision(outcome=Outcome.UNDECIDED, reason="The measurement gave no number.", confidence=confidence)
    if measurement.is_count:
        return decide_count(measurement.value, measurement.n, tolerance, rule, confidence=confidence)
    if measurement.is_spread:
        return decide_spread(measurement, tolerance, rule, confidence=confidence)
    if not (math.isfinite(measurement.u) and measurement.u >= 0 and measurement.dof > 0):
        return Decision(
            outcome=Outcome.UNDECIDED, reason="The uncertainty of the measurement is not known.", confidence=confidence
        )
    return _decide_value(measurement, tolerance, rule, confidence)


def _decide_value(measurement: Measurement, tolerance: Tolerance, rule: Rule, confidence: float) -> Decision:
    value, u, dof = measurement.value, measurement.u, measurement.dof
    expanded = coverage_factor(dof, confidence) * u
    interval = Interval(value - expanded, value + expanded)
    outcome, reason = _judge(value, expanded, interval, tolerance, rule)
    return Decision(
        outcome=outcome,
        reason=reason,
        expanded=expanded,
        interval=interval,
        p_conformance=conformance(value, u, dof, tolerance.lower, tolerance.upper),
        confidence=confidence,
    )


def _judge(value: float, expanded: float, interval: Interval, tolerance: Tolerance, rule: Rule) -> tuple[Outcome, str]:
    place = _place(value, expanded, tolerance)
    if interval.upper < tolerance.lower or interval.lower > tolerance.upper:
        return Outcome.FAILED, f"{place}."
    if expanded > _LARGEST_SHARE * tolerance.half_width:
        return Outcome.UNDECIDED, _too_uncertain(expanded, tolerance)
    if tolerance.lower <= interval.lower and interval.upper <= tolerance.upper:
        return Outcome.PASSED, f"{place}."
    if rule is Rule.SIMPLE:
        outcome = Outcome.PASSED if tolerance.holds(value) else Outcome.FAILED
        return outcome, f"{place}, less than U; the simple rule takes the value as it stands."
    return Outcome.UNDECIDED, f"Too close to call: {place[0].lower()}{place[1:]}, less than U."


def _place(value: float, expanded: float, tolerance: Tolerance) -> str:
    """Say by how much the value lies inside or beyond the limit that matters."""
    above, below = value - tolerance.upper, tolerance.lower - value
    beyond, limit = (above, tolerance.upper) if above >= below else (below, tolerance.lower)
    name = f"the limit {with_unit(plain_number(limit), tolerance.unit)}"
    if is_on(value, limit):
        return f"On {name}"
    amount = with_unit(rounded_value(abs(beyond), expanded), tolerance.unit)
    return f"{amount} {'beyond' if beyond > 0 else 'inside'} {name}"


def _too_uncertain(expanded: float, tolerance: Tolerance) -> str:
    amount = with_unit(rounded_pair(0.0, expanded)[1], tolerance.unit)
    if tolerance.is_exact:
        return f"Too uncertain: U is {amount}, and an exact value can only be asked of things that are counted."
    half = with_unit(plain_number(_LARGEST_SHARE * tolerance.half_width), tolerance.unit)
    return f"Too uncertain: U is {amount} and may be {half} at most."
