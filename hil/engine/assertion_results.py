"""From measurements and verdicts to the results that a run holds: what was judged, told, or not measured."""

from __future__ import annotations

import math

from hil.judge.distributions import coverage_factor
from hil.judge.tolerance import Tolerance
from hil.judge.verdict import CONFIDENCE, Decision, Rule
from hil.measure.values import Measurement
from hil.outcomes import Outcome
from hil.results import AssertionResult, Limits, UnjudgedResult


def judged(
    measurement: Measurement,
    decision: Decision,
    *,
    suite: str,
    case: str,
    name: str,
    tolerance: Tolerance,
    rule: Rule,
    why: str = "",
) -> AssertionResult:
    """Return the result of an assertion whose measurement was made and judged."""
    return AssertionResult(
        suite=suite,
        case=case,
        measurement=name,
        value=_finite(measurement.value),
        unit=measurement.unit,
        u=None if measurement.is_count else _finite(measurement.u),
        dof=measurement.dof if measurement.dof > 0 else 0.0,
        n=measurement.n,
        is_count=measurement.is_count,
        tolerance=_limits(tolerance),
        rule=rule,
        outcome=decision.outcome,
        reason=decision.reason,
        expanded=None if decision.expanded is None else _finite(decision.expanded),
        confidence=decision.confidence,
        p_conformance=decision.p_conformance,
        source=measurement.source,
        why=why,
        notes=measurement.notes,
    )


def without_tolerance(measurement: Measurement | str, *, suite: str, case: str, name: str) -> UnjudgedResult:
    """Return the result of a measurement (or the sentence why there is none) that nothing is asserted of."""
    if isinstance(measurement, str) or not math.isfinite(measurement.value):
        reason = measurement if isinstance(measurement, str) else "The measurement gave no number."
        return UnjudgedResult(suite=suite, case=case, measurement=name, reason=reason)
    factor = coverage_factor(measurement.dof, CONFIDENCE) if measurement.dof > 0 else math.inf
    known = not measurement.is_count and math.isfinite(measurement.u)
    return UnjudgedResult(
        suite=suite,
        case=case,
        measurement=name,
        value=measurement.value,
        unit=measurement.unit,
        u=measurement.u if known else None,
        dof=measurement.dof if measurement.dof > 0 else 0.0,
        n=measurement.n,
        is_count=measurement.is_count,
        expanded=_finite(factor * measurement.u) if known and measurement.u else None,
        source=measurement.source,
        notes=measurement.notes,
    )


def not_measured(
    outcome: Outcome,
    reason: str,
    *,
    suite: str,
    case: str,
    name: str,
    tolerance: Tolerance,
    rule: Rule,
    why: str = "",
) -> AssertionResult:
    """Return the result of an assertion without a measurement: skipped, error, or undecided for want of data."""
    if outcome in (Outcome.PASSED, Outcome.FAILED):
        raise ValueError(f"{name} was not measured and cannot be {outcome.value}")
    return AssertionResult(
        suite=suite,
        case=case,
        measurement=name,
        unit=tolerance.unit,
        tolerance=_limits(tolerance),
        rule=rule,
        outcome=outcome,
        reason=reason,
        why=why,
    )


def _limits(tolerance: Tolerance) -> Limits:
    return Limits(text=tolerance.text, lower=tolerance.lower, upper=tolerance.upper)


def _finite(number: float) -> float | None:
    return float(number) if math.isfinite(number) else None
