"""Counted things and standard deviations, against exact intervals that are published."""

import math

import pytest

from hil.errors import InternalError
from hil.judge.counts import trials_needed
from hil.judge.decision import decide
from hil.judge.distributions import (
    rate_interval,
    runs_to_show,
    share_interval,
    spread_conformance,
    spread_interval,
)
from hil.judge.tolerance import parse_tolerance
from hil.judge.verdict import Rule
from hil.measure.values import Measurement
from hil.outcomes import Outcome

PASSED, FAILED, UNDECIDED = Outcome.PASSED, Outcome.FAILED, Outcome.UNDECIDED


def count(events, trials, text, rule=Rule.GUARDED):
    measured = Measurement(value=events, unit="count", u=0, n=trials, is_count=True)
    return decide(measured, parse_tolerance(text, "count"), rule)


def spread(s, n, text="<= 1 deg", rule=Rule.GUARDED, noise=0.0):
    measured = Measurement(value=s, unit="deg", u=s / math.sqrt(2 * n), dof=n - 1, n=n, is_spread=True, noise=noise)
    return decide(measured, parse_tolerance(text, "deg"), rule)


@pytest.mark.parametrize(
    ("share_good", "confidence", "runs"),  # n = ln(1 - C) / ln R, the idea of ASTM F3499 and F3244
    [(0.90, 0.95, 29), (0.95, 0.95, 59), (0.99, 0.95, 299), (0.80, 0.90, 11)],
)
def test_so_many_runs_without_a_failure_show_a_reliability(share_good, confidence, runs):
    assert runs_to_show(share_good, confidence) == runs
    assert share_interval(0, runs, confidence)[1] <= 1 - share_good < share_interval(0, runs - 1, confidence)[1]
    assert trials_needed(1 - share_good, confidence) in (runs, runs + 1)  # 1 - R is not exact in binary


def test_the_lower_bound_of_29_good_in_29_is_that_of_clopper_and_pearson():
    assert share_interval(29, 29, 0.95) == (pytest.approx(0.9018554, abs=5e-8), 1.0)


def test_the_exact_interval_of_a_share_puts_half_of_the_risk_in_each_tail():
    # The definition of Clopper and Pearson, summed term by term.
    lower, upper = share_interval(3, 20, 0.95)

    def at_most(k, p):
        return sum(math.comb(20, i) * p**i * (1 - p) ** (20 - i) for i in range(k + 1))

    assert at_most(3, upper) == pytest.approx(0.025, abs=1e-9)
    assert 1 - at_most(2, lower) == pytest.approx(0.025, abs=1e-9)


def test_no_event_bounds_a_rate_by_the_rule_of_three():
    # -ln 0.05 = 2.9957, "three over n" (common practice).
    assert rate_interval(0, 10, 0.95) == (0.0, pytest.approx(-math.log(0.05) / 10, rel=1e-12))


def test_the_exact_interval_of_a_rate_puts_half_of_the_risk_in_each_tail():
    lower, upper = (7 / 7 * bound for bound in rate_interval(7, 1, 0.95))

    def at_most(k, mean):
        return sum(math.exp(-mean) * mean**i / math.factorial(i) for i in range(k + 1))

    assert at_most(7, upper) == pytest.approx(0.025, abs=1e-9)
    assert 1 - at_most(6, lower) == pytest.approx(0.025, abs=1e-9)


@pytest.mark.parametrize(
    ("events", "trials", "text", "outcome", "reason"),
    [
        (0, 10, "= 0", PASSED, "0 in 10: below 26 % at 95 %."),
        (0, 29, "= 0", PASSED, "0 in 29: below 9.8 % at 95 %."),
        (1, 10, "= 0", FAILED, "1 in 10: 0.25 % to 45 % at 95 %; none allowed."),
        (2, 10, "<= 2", PASSED, "2 in 10: 2.5 % to 56 % at 95 %; at most 2 allowed."),
        (3, 10, "<= 2", FAILED, "3 in 10: 6.7 % to 65 % at 95 %; at most 2 allowed."),
        (12, 5, "= 0", FAILED, "12 in 5: 1.2 to 4.2 in each at 95 %; none allowed."),
        (6, 6, "= 6", PASSED, "6 in 6: above 61 % at 95 %."),
        (5, 6, ">= 6", FAILED, "5 in 6: 36 % to 100 % at 95 %; at least 6 wanted."),
        (0, 0, "= 0", UNDECIDED, "There was no trial to count in."),
    ],
)
def test_counts_are_facts_and_say_what_so_many_trials_can_show(events, trials, text, outcome, reason):
    for rule in Rule:
        decision = count(events, trials, text, rule)
        assert (decision.outcome, decision.reason) == (outcome, reason)
        assert decision.p_conformance is None


@pytest.mark.parametrize(
    ("events", "trials", "guarded", "simple"),
    [(0, 58, UNDECIDED, PASSED), (0, 59, PASSED, PASSED), (1, 59, UNDECIDED, PASSED), (3, 20, UNDECIDED, FAILED),
     (4, 20, FAILED, FAILED)],
)  # fmt: skip
def test_a_limit_as_a_share_is_judged_by_the_exact_interval(events, trials, guarded, simple):
    # 59 runs without a failure are the least that show 95 % (ASTM F3499 idea).
    assert count(events, trials, "<= 5 %", Rule.GUARDED).outcome is guarded
    assert count(events, trials, "<= 5 %", Rule.SIMPLE).outcome is simple


@pytest.mark.parametrize(("events", "trials"), [(-1, 10), (0.5, 10), (1, -1)])
def test_numbers_that_cannot_have_been_counted_are_our_own_mistake(events, trials):
    with pytest.raises(InternalError):
        count(events, trials, "= 0")


def test_the_interval_of_a_standard_deviation_agrees_with_the_handbook():
    # NIST/SEMATECH e-Handbook 7.2.3: n 10, s 13.97.
    assert spread_interval(13.97, 9, 0.95) == (pytest.approx(9.60906, abs=5e-6), pytest.approx(25.50377, abs=5e-6))


def test_the_test_of_a_standard_deviation_agrees_with_the_handbook():
    # The same example: chi-square 17.564481 against 10 exceeds the 5 % point 16.918978.
    statistic = 9 * (13.97 / 10) ** 2
    assert statistic == pytest.approx(17.564481, abs=5e-7)
    on_the_point = 10 * math.sqrt(16.918978 / 9)
    assert spread_conformance(on_the_point, 9, 0, 10) == pytest.approx(0.05, abs=1e-7)
    assert spread_conformance(13.97, 9, 0, 10) < 0.05


def test_a_spread_of_nine_values_is_undecided_and_of_ten_is_judged():
    assert spread(0.1, 9).outcome is UNDECIDED
    assert spread(0.1, 9).reason == "A spread needs at least 10 values; there are 9."
    assert spread(100.0, 9).outcome is UNDECIDED
    assert spread(0.1, 10).outcome is PASSED


@pytest.mark.parametrize(
    ("factor", "guarded", "simple"),
    [(0.999, PASSED, PASSED), (1.001, UNDECIDED, PASSED)],
)
def test_a_spread_passes_when_its_upper_bound_does(factor, guarded, simple):
    s = factor / (25.50377 / 13.97)  # the handbook's ratio of upper bound to s for ten values
    assert spread(s, 10, rule=Rule.GUARDED).outcome is guarded
    assert spread(s, 10, rule=Rule.SIMPLE).outcome is simple


@pytest.mark.parametrize(("factor", "guarded"), [(0.999, UNDECIDED), (1.001, FAILED)])
def test_a_spread_fails_when_its_lower_bound_does(factor, guarded):
    s = factor / (9.60906 / 13.97)
    assert spread(s, 10, rule=Rule.GUARDED).outcome is guarded
    assert spread(s, 10, rule=Rule.SIMPLE).outcome is FAILED


def test_no_spread_at_all_is_within_any_upper_limit():
    assert spread(0.0, 10).outcome is PASSED
    assert spread(0.0, 10).p_conformance == 1.0


def test_the_noise_of_the_measurement_is_taken_from_both_ends_of_the_interval():
    # The handbook's example, 13.97 of ten values with bounds 9.60906 and 25.50377; 9 are the measurement's own.
    found = spread(math.sqrt(13.97**2 - 9.0**2), 10, noise=9.0)
    assert found.interval.lower == pytest.approx(math.sqrt(9.60906**2 - 81), abs=1e-3)
    assert found.interval.upper == pytest.approx(math.sqrt(25.50377**2 - 81), abs=1e-3)


def test_a_coarse_measurement_alone_fails_no_spread():
    assert spread(3.0, 25).outcome is FAILED
    assert spread(0.0, 25, noise=3.0).outcome is UNDECIDED
