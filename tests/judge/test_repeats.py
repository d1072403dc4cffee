"""Looks at fixed points: when they are, and that all of them together keep the risk."""

import math

import numpy as np
import pytest

from hil.judge.decision import decide
from hil.judge.repeats import decide_at, is_enough, looks
from hil.judge.tolerance import parse_tolerance
from hil.judge.verdict import Decision, Rule
from hil.measure.values import Measurement
from hil.outcomes import Outcome

LIMIT = parse_tolerance("<= 5 mm", "mm")


@pytest.mark.parametrize(
    ("at_least", "at_most", "after"),
    [(5, 20, (5, 10, 20)), (3, 20, (3, 5, 10, 20)), (8, 15, (8, 10, 15)), (10, 10, (10,)), (1, 3, (1, 3)),
     (1, 1, (1,)), (5, 40, (5, 10, 20, 40))],
)  # fmt: skip
def test_looks_are_at_the_least_at_fixed_points_and_at_the_end(at_least, at_most, after):
    plan = looks(at_least, at_most)
    assert plan.after == after
    assert len(after) * (1 - plan.confidence) == pytest.approx(0.05)


def test_repeats_that_cannot_be_made_are_refused():
    for at_least, at_most in [(0, 5), (6, 5)]:
        with pytest.raises(ValueError, match="cannot be made"):
            looks(at_least, at_most)


def test_repeats_end_at_a_look_with_clear_results_or_at_the_last():
    plan = looks(5, 20)
    clear = [Decision(outcome=Outcome.PASSED, reason="."), Decision(outcome=Outcome.FAILED, reason=".")]
    open_ = [*clear, Decision(outcome=Outcome.UNDECIDED, reason=".")]
    assert is_enough(clear, plan, 5)
    assert not is_enough(clear, plan, 6)
    assert not is_enough(open_, plan, 10)
    assert is_enough(open_, plan, 20)


def test_the_suites_rule_has_its_say_only_at_the_last_look():
    plan = looks(5, 10)
    close = Measurement(value=4.9, unit="mm", u=0.5)
    assert decide_at(close, LIMIT, Rule.SIMPLE, plan, 5).outcome is Outcome.UNDECIDED
    assert decide_at(close, LIMIT, Rule.SIMPLE, plan, 10).outcome is Outcome.PASSED


def share_passed(points, judge_at):
    """Return the share of robots exactly on the limit, which should not pass, that pass at one of the points."""
    random = np.random.default_rng(20)
    passed = 0
    for row in random.normal(5.0, 1.0, (1500, 20)):
        for n in points:
            measured = Measurement(
                value=row[:n].mean(), unit="mm", u=row[:n].std(ddof=1) / math.sqrt(n), dof=n - 1, n=n
            )
            if judge_at(measured, n).outcome is Outcome.PASSED:
                passed += 1
                break
    return passed / 1500


def test_all_looks_together_keep_the_risk_of_one():
    plan = looks(5, 20)
    divided = share_passed(plan.after, lambda m, n: decide_at(m, LIMIT, Rule.GUARDED, plan, n))
    assert divided <= 0.025 + 3 * math.sqrt(0.025 * 0.975 / 1500)


def test_looking_after_every_repeat_would_not_keep_it():
    every = share_passed(range(3, 21), lambda m, _: decide(m, LIMIT, Rule.GUARDED))
    assert every > 0.06
