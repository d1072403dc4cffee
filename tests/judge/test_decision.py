# ruff: noqa: E501 (sentences are compared whole)
"""The decision rule, against published conformance probabilities, risks and guard bands."""

import math

import numpy as np
import pytest
from scipy import special

from hil.errors import InternalError
from hil.judge.decision import decide
from hil.judge.distributions import conformance, coverage_factor
from hil.judge.tolerance import parse_tolerance
from hil.judge.verdict import Rule
from hil.measure.values import Measurement
from hil.outcomes import Outcome

PASSED, FAILED, UNDECIDED = Outcome.PASSED, Outcome.FAILED, Outcome.UNDECIDED
K = 1.9599639845  # normal quantile .975, NIST e-Handbook
EPSILON = 1e-6


def judge(value, u, text, rule=Rule.GUARDED, *, dof=math.inf, unit="mm"):
    return decide(Measurement(value=value, unit=unit, u=u, dof=dof), parse_tolerance(text, unit), rule)


@pytest.mark.parametrize(
    ("value", "u", "text", "probability"),
    [
        (13.6, 1.8, "12.5..16.3 mm", 0.662630),  # JCGM 106:2012 7.4, motor oil (inputs published, value computed)
        (-5.47, 0.05, "<= -5.40 mm", 0.919243),  # JCGM 106:2012 7.3.3 example 1, from memory and recomputed
        (509.7, 8.6, ">= 490 mm", 0.989010),  # JCGM 106:2012 7.3.3 example 2, from memory and recomputed
    ],
)
def test_probability_of_conformance_agrees_with_the_guide(value, u, text, probability):
    assert judge(value, u, text).p_conformance == pytest.approx(probability, abs=5e-7)


@pytest.mark.parametrize(
    ("guard_band_in_u", "risk"),  # computed; exact consequences of the normal distribution
    [(0, 0.5), (1.65, 0.0494715), (1.6448536270, 0.05), (2, 0.0227501), (3, 0.0013499)],
)
def test_a_result_on_the_acceptance_limit_carries_the_known_risk(guard_band_in_u, risk):
    assert 1 - judge(20 - guard_band_in_u * 0.5, 0.5, "<= 20 mm").p_conformance == pytest.approx(risk, abs=5e-8)


@pytest.mark.parametrize(
    ("dof", "confidence", "factor"),
    [
        (5, 0.95, 2.571), (9, 0.95, 2.262), (10, 0.95, 2.228), (30, 0.95, 2.042),  # NIST e-Handbook 1.3.6.7.2
        (5, 0.90, 2.015), (30, 0.99, 2.750),
        (1, 0.95, 12.71), (16, 0.99, 2.92), (1, 0.6827, 1.84),  # JCGM 100:2008 table G.2
        (math.inf, 0.95, 1.9599639845), (math.inf, 0.90, 1.6448536270), (math.inf, 0.99, 2.5758293035),
    ],
)  # fmt: skip
def test_coverage_factors_are_those_of_the_tables(dof, confidence, factor):
    digits = len(str(factor).split(".")[1])
    assert coverage_factor(dof, confidence) == pytest.approx(factor, abs=0.5001 * 10.0**-digits)


def test_large_degrees_of_freedom_join_the_normal_distribution_smoothly():
    assert coverage_factor(1e6, 0.95) == pytest.approx(coverage_factor(1.1e6, 0.95), abs=1e-5)


def test_a_student_conformance_agrees_with_the_interval():
    # A limit at the end of a 95 % interval is exceeded with 2.5 %, whatever the degrees of freedom.
    for dof in (2, 5, 30):
        edge = coverage_factor(dof, 0.95)
        assert conformance(0, 1, dof, -math.inf, edge) == pytest.approx(0.975, abs=1e-9)


@pytest.mark.parametrize("side", [1, -1])
@pytest.mark.parametrize(
    ("distance", "guarded", "simple"),
    [
        # Distances from the limit 10, outwards positive, with u = 1: the decision flips at T - w, T and T + w.
        (-K - EPSILON, PASSED, PASSED),
        (-K + EPSILON, UNDECIDED, PASSED),
        (-EPSILON, UNDECIDED, PASSED),
        (0, UNDECIDED, PASSED),
        (+EPSILON, UNDECIDED, FAILED),
        (+K - EPSILON, UNDECIDED, FAILED),
        (+K + EPSILON, FAILED, FAILED),
    ],
)
def test_decisions_flip_at_the_limit_and_at_the_guard_bands(side, distance, guarded, simple):
    value = side * (10 + distance)
    assert judge(value, 1, "0 ± 10 mm", Rule.GUARDED).outcome is guarded
    assert judge(value, 1, "0 ± 10 mm", Rule.SIMPLE).outcome is simple
    one_sided = "<= 10 mm" if side > 0 else ">= -10 mm"
    assert judge(value, 1, one_sided, Rule.GUARDED).outcome is guarded
    assert judge(value, 1, one_sided, Rule.SIMPLE).outcome is simple


@pytest.mark.parametrize("rule", list(Rule))
def test_two_limits_are_undecided_when_u_is_more_than_half_of_the_smaller_side(rule):
    # The nominal value of 10 +2/-1 is 10, and the nearer limit 1 away: U may be 0.5.
    assert judge(10, (0.5 - EPSILON) / K, "10 +2/-1 mm", rule).outcome is PASSED
    decision = judge(10, (0.5 + EPSILON) / K, "10 +2/-1 mm", rule)
    assert decision.outcome is UNDECIDED
    assert decision.reason == "Too uncertain: U is 0.50 mm and may be 0.5 mm at most."


def test_a_range_has_its_middle_as_the_nominal_value():
    assert judge(50, (10 - EPSILON) / K, "30..70 mm").outcome is PASSED
    assert judge(50, (10 + EPSILON) / K, "30..70 mm").outcome is UNDECIDED


def test_wholly_outside_is_failed_however_large_the_uncertainty():
    assert judge(100, 20, "0 ± 5 mm").outcome is FAILED
    assert judge(100, 60, "0 ± 5 mm").outcome is UNDECIDED


def test_a_one_sided_limit_knows_only_the_guard_band():
    assert judge(0, 100, "<= 1000 mm").outcome is PASSED
    assert judge(900, 100, "<= 1000 mm").outcome is UNDECIDED


def test_few_degrees_of_freedom_widen_the_interval():
    assert judge(0, 1, "0 ± 5 mm").outcome is PASSED
    assert judge(0, 1, "0 ± 5 mm", dof=2).outcome is UNDECIDED


def acceptance_limit(u, text, rule):
    """Find by bisection the largest value that the rule passes."""
    low, high = 0.0, 10.0
    while high - low > 1e-9:
        middle = (low + high) / 2
        low, high = (middle, high) if judge(middle, u, text, rule).outcome is PASSED else (low, middle)
    return low


def test_simple_acceptance_has_the_published_global_risks():
    # Deaver: process sd 1, limits ± 2, test uncertainty ratio 4 (quoted, recomputed): PFA 0.0080061, PFR 0.0148509.
    limit = acceptance_limit(0.25, "0 ± 2 mm", Rule.SIMPLE)
    true = np.linspace(-8, 8, 160_000, endpoint=False) + 5e-5  # middles of steps, none of which holds a limit
    density = np.exp(-(true**2) / 2) / math.sqrt(2 * math.pi)
    accepted = special.ndtr((limit - true) / 0.25) - special.ndtr((-limit - true) / 0.25)
    conforms = np.abs(true) <= 2
    step = true[1] - true[0]
    assert np.sum(density * accepted * ~conforms) * step == pytest.approx(0.0080061, abs=2e-6)
    assert np.sum(density * (1 - accepted) * conforms) * step == pytest.approx(0.0148509, abs=2e-6)


def test_the_ball_bearing_example_has_the_published_consumer_risk():
    # JCGM 106:2012 9.5.4: gamma prior (4, 4/µm), limit 2 µm, u 0.25 (quoted, recomputed): 0.0080191.
    true = np.linspace(2, 12, 200_001)
    density = 4**4 * true**3 * np.exp(-4 * true) / 6
    step = true[1] - true[0]

    def risk(rule):
        limit = acceptance_limit(0.25, "<= 2 mm", rule)
        return np.sum(density * special.ndtr((limit - true) / 0.25)) * step

    assert risk(Rule.SIMPLE) == pytest.approx(0.0080191, abs=3e-6)
    # A guard band of 1.96 u is wider than the 0.328171 that the example needs for a risk of 0.1 %.
    assert risk(Rule.GUARDED) < 0.001


def test_a_passed_result_under_the_guarded_rule_is_right_with_97_5_percent():
    # ILAC-G8:09/2019: a guard band of U keeps the probability of false acceptance below 2.5 %.
    for value in np.linspace(-12, 12, 97):
        decision = judge(float(value), 1.3, "0 ± 10 mm")
        if decision.outcome is PASSED:
            assert decision.p_conformance >= 0.975 - 1e-9
        if decision.outcome is FAILED:
            assert decision.p_conformance <= 0.025


@pytest.mark.parametrize(
    ("value", "u", "text", "rule", "reason"),
    [
        (0.1, 0.2, "0 ± 5 mm", Rule.GUARDED, "4.90 mm inside the limit 5 mm."),
        (-12.3, 0.2, "0 ± 5 mm", Rule.GUARDED, "7.30 mm beyond the limit -5 mm."),
        (4.9, 0.2, "0 ± 5 mm", Rule.GUARDED, "Too close to call: 0.10 mm inside the limit 5 mm, less than U."),
        (5, 0.2, "0 ± 5 mm", Rule.GUARDED, "Too close to call: on the limit 5 mm, less than U."),
        (5.1, 0.2, "0 ± 5 mm", Rule.SIMPLE, "0.10 mm beyond the limit 5 mm, less than U; the simple rule takes the value as it stands."),
        (0, 0.2, "= 0", Rule.GUARDED, "Too uncertain: U is 0.39 mm, and an exact value can only be asked of things that are counted."),
        (math.nan, 0.2, "0 ± 5 mm", Rule.GUARDED, "The measurement gave no number."),
        (0, math.inf, "0 ± 5 mm", Rule.GUARDED, "The uncertainty of the measurement is not known."),
        (0, math.nan, "0 ± 5 mm", Rule.SIMPLE, "The uncertainty of the measurement is not known."),
    ],
)  # fmt: skip
def test_reasons_are_sentences_with_numbers(value, u, text, rule, reason):
    assert judge(value, u, text, rule).reason == reason


def test_a_value_without_uncertainty_is_judged_as_it_stands():
    assert judge(5, 0, "0 ± 5 mm").outcome is PASSED
    assert judge(5 + 1e-12, 0, "0 ± 5 mm").outcome is FAILED


def test_a_value_on_the_limit_is_on_it_however_its_arithmetic_rounds():
    value = 100 * (6.18 / 6.00 - 1)  # two readings of a meter of 10 mV
    assert value > 3.0
    decision = judge(value, 0.5, "0 ± 3 %", Rule.SIMPLE, unit="%")
    assert (decision.outcome, decision.reason[:16]) == (PASSED, "On the limit 3 %")
    assert judge(3.0001, 0.5, "0 ± 3 %", Rule.SIMPLE, unit="%").outcome is FAILED
    assert judge(-1e-12, 0.5, ">= 0 %", Rule.SIMPLE, unit="%").outcome is FAILED


def test_units_that_differ_are_our_own_mistake():
    with pytest.raises(InternalError):
        decide(Measurement(value=1, unit="cm", u=1), parse_tolerance("0 ± 5 mm", "mm"), Rule.SIMPLE)
