"""Counted things: contacts, false resets, missing edges.

What was seen is a fact and has no uncertainty: more events than the limit allows is failed, whatever the rule. What
n trials can show of the robot has: the reason always says it, by the exact interval of the share of trials with
an event (binomial), or of the mean number of events in a trial where there were more events than trials (Poisson).
Ten trials without an event show no more than 'below 26 %'.

A limit written as a share (`<= 5 %`) is a statement about the robot and not about these trials: there the
interval decides, as for any other measurement.
"""

from __future__ import annotations

import math

from hil.errors import InternalError
from hil.judge.distributions import rate_interval, runs_to_show, share_interval
from hil.judge.rounding import plain_number
from hil.judge.tolerance import Tolerance
from hil.judge.verdict import CONFIDENCE, Decision, Interval, Rule, spoken_confidence
from hil.outcomes import Outcome


def decide_count(
    events: float, trials: int, tolerance: Tolerance, rule: Rule, *, confidence: float = CONFIDENCE
) -> Decision:
    """Judge a number of `events` seen in `trials`.

    The interval of the decision is that of the number of events to be expected in as many trials.
    """
    if events < 0 or events != round(events) or trials < 0:
        raise InternalError(f"{events!r} events in {trials!r} trials cannot have been counted", todo="Please report it")
    if trials == 0:
        return Decision(outcome=Outcome.UNDECIDED, reason="There was no trial to count in.", confidence=confidence)
    per_trial = _per_trial(round(events), trials, confidence)
    outcome, reason = (
        _judge_share(events / trials, per_trial, tolerance, rule)
        if tolerance.is_share
        else _judge_number(events, tolerance)
    )
    return Decision(
        outcome=outcome,
        reason=f"{_shown(round(events), trials, per_trial, confidence)}{reason}",
        interval=Interval(per_trial.lower * trials, per_trial.upper * trials),
        confidence=confidence,
    )


def _per_trial(events: int, trials: int, confidence: float) -> Interval:
    find = share_interval if events <= trials else rate_interval
    return Interval(*find(events, trials, confidence))


def _shown(events: int, trials: int, per_trial: Interval, confidence: float) -> str:
    """Say what so many trials can show, as in `0 in 10: below 26 % at 95 %`."""
    seen, at = f"{events} in {trials}", f"at {spoken_confidence(confidence)}"
    if events > trials:
        return f"{seen}: {per_trial.lower:.2g} to {per_trial.upper:.2g} in each {at}"
    if events == 0:
        return f"{seen}: below {_percent(per_trial.upper)} {at}"
    if events == trials:
        return f"{seen}: above {_percent(per_trial.lower)} {at}"
    return f"{seen}: {_percent(per_trial.lower)} to {_percent(per_trial.upper)} {at}"


def _judge_number(events: float, tolerance: Tolerance) -> tuple[Outcome, str]:
    if tolerance.holds(events):
        allowed = "" if tolerance.is_exact else f"; {_allowed(tolerance)}"
        return Outcome.PASSED, f"{allowed}."
    return Outcome.FAILED, f"; {_allowed(tolerance)}."


def _allowed(tolerance: Tolerance) -> str:
    if tolerance.is_exact:
        return f"exactly {plain_number(tolerance.upper)} allowed" if tolerance.upper else "none allowed"
    if tolerance.is_two_sided:
        return f"{plain_number(tolerance.lower)} to {plain_number(tolerance.upper)} allowed"
    if math.isfinite(tolerance.upper):
        return f"at most {plain_number(tolerance.upper)} allowed"
    return f"at least {plain_number(tolerance.lower)} wanted"


def _judge_share(share: float, per_trial: Interval, tolerance: Tolerance, rule: Rule) -> tuple[Outcome, str]:
    if per_trial.upper < tolerance.lower or per_trial.lower > tolerance.upper:
        return Outcome.FAILED, f", wholly outside {tolerance.text}."
    if tolerance.lower <= per_trial.lower and per_trial.upper <= tolerance.upper:
        return Outcome.PASSED, f", wholly inside {tolerance.text}."
    if rule is Rule.SIMPLE:
        passed = tolerance.holds(share)
        where = "inside" if passed else "outside"
        outcome = Outcome.PASSED if passed else Outcome.FAILED
        return outcome, f"; the share seen, {_percent(share)}, is {where} {tolerance.text}."
    return Outcome.UNDECIDED, f", which {tolerance.text} divides: too close to call."


def _percent(share: float) -> str:
    return f"{plain_number(float(f'{100 * share:.2g}'))} %"


def trials_needed(largest_share: float, confidence: float = CONFIDENCE) -> int:
    """Return how many trials without an event show that the event happens in less than `largest_share` of them."""
    return runs_to_show(1 - largest_share, confidence)
