"""Two instruments on one quantity: agreement and weighted mean, held to their formulas."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from hil.judge.joining import compare, joined
from hil.measure.values import Measurement


def value(number: float, u: float, dof: float = math.inf, n: int = 5, source: str = "robot") -> Measurement:
    return Measurement(value=number, unit="mm", u=u, dof=dof, n=n, source=source)


def test_joined_value_is_the_mean_weighted_by_inverse_variances() -> None:
    # numpy's weighted average; variance 1/sum(1/u^2) (Bevington and Robinson 4.1, from memory).
    both = joined(value(10.0, 1.0), value(12.0, 2.0, source="operator"))
    assert both.value == pytest.approx(np.average([10.0, 12.0], weights=[1.0, 0.25]), rel=1e-12)
    assert both.value == pytest.approx(10.4)
    assert both.u == pytest.approx(1 / math.sqrt(1 + 0.25))
    assert (both.n, both.source, both.dof) == (10, "robot + operator", math.inf)


def test_degrees_of_freedom_are_joined_as_by_welch_and_satterthwaite() -> None:
    # JCGM 100:2008 G.4.1 with sensitivities 0.8 and 0.2: contributions 0.8 and 0.4.
    both = joined(value(10.0, 1.0, dof=4.0), value(12.0, 2.0, dof=9.0))
    assert both.dof == pytest.approx((0.8**2 + 0.4**2) ** 2 / (0.8**4 / 4 + 0.4**4 / 9))


def test_a_joined_value_is_never_less_certain_than_the_better_one() -> None:
    for u in (0.1, 0.5, 1.0, 7.0):
        assert joined(value(0.0, 1.0), value(0.0, u)).u <= min(1.0, u)


def test_values_agree_up_to_what_one_difference_in_a_thousand_exceeds() -> None:
    # Normal quantile of 0.9995, 3.290527 (tables of the normal distribution); u of the difference is 0.5.
    limit = 3.290526731 * 0.5
    assert compare(value(limit - 1e-6, 0.3), value(0.0, 0.4)).agree
    assert not compare(value(limit + 1e-6, 0.3), value(0.0, 0.4)).agree
    assert compare(value(2.0, 0.3), value(0.0, 0.4)).limit == pytest.approx(limit, rel=1e-8)


def test_few_degrees_of_freedom_widen_what_agrees() -> None:
    # t.9995(5) = 6.869 (tables of Student's t): one input carries all of the variance.
    assert compare(value(0.0, 1.0, dof=5.0), value(0.0, 0.0)).limit == pytest.approx(6.869, abs=5e-4)


def test_values_that_hardly_agree_are_joined_with_a_wider_uncertainty() -> None:
    # u of the joined value 0.3 * 0.4 / 0.5 = 0.24; twice as far apart as 95 % of differences (1.959964 * 0.5) are.
    near = joined(value(0.0, 0.3), value(0.97, 0.4))
    far = joined(value(0.0, 0.3), value(2 * 1.959963985 * 0.5, 0.4))
    assert (near.u, far.u) == (pytest.approx(0.24), pytest.approx(0.48))


def test_a_value_stated_as_exact_does_not_divide_by_zero() -> None:
    assert joined(value(3.0, 0.0), value(3.0, 0.5)).value == pytest.approx(3.0)
    assert joined(value(0.0, 0.0), value(0.0, 0.0)).u == 0.0


def counted(number: int, trials: int) -> Measurement:
    return Measurement(value=number, unit="", u=0.0, n=trials, is_count=True)


def test_counts_of_the_same_trials_agree_where_the_same_was_counted() -> None:
    assert compare(counted(0, 6), counted(0, 4), same_trials=True).agree
    assert not compare(counted(0, 6), counted(1, 6), same_trials=True).agree
    both = joined(counted(2, 6), counted(2, 4), same_trials=True)
    assert (both.value, both.n) == (2, 6)


def test_counts_of_other_trials_add_up_where_one_rate_can_have_given_both() -> None:
    # One touch in 28 laps and none in 16 others is what one robot does; so is the sum.
    assert compare(counted(1, 28), counted(0, 16)).agree
    both = joined(counted(1, 28), counted(0, 16))
    assert (both.value, both.n) == (1, 44)


def test_counts_of_other_trials_disagree_where_no_one_rate_gives_both() -> None:
    # Fisher's exact test (from memory): all n of n against none of n has a tail of 1/C(2n, n), and twice that is the
    # risk: 0.22 % for 6 (2/924), 0.058 % for 7 (2/3432), where a tenth of a per cent is allowed.
    assert compare(counted(0, 6), counted(6, 6)).agree
    assert not compare(counted(0, 7), counted(7, 7)).agree
    assert not compare(counted(10, 10), counted(0, 10)).agree
    # Of more events than trials, in as many trials each, the first has none with probability 2^-n.
    assert not compare(counted(0, 10), counted(11, 10)).agree
    assert not compare(counted(11, 10), counted(0, 10)).agree


def test_of_two_sides_like_is_held_against_like_and_the_larger_is_given() -> None:
    # Turns that go too far by 1 deg head 1 deg to the left after left turns, and to the right after right turns.
    def worse(left: float, right: float, source: str) -> Measurement:
        sides = (("left", value(left, 0.2, source=source)), ("right", value(right, 0.2, source=source)))
        return replace(max((one for _, one in sides), key=lambda one: abs(one.value)), among=sides)

    robot, person = worse(1.1, -1.0, "robot"), worse(1.0, -1.1, "person")
    assert (robot.value, person.value) == (1.1, -1.1)
    assert compare(robot, person).agree
    both = joined(robot, person)
    assert (abs(both.value), both.source) == (pytest.approx(1.05), "robot + person")
    apart = compare(robot, worse(1.0, 1.0, "person"))
    assert (apart.agree, apart.of, apart.difference) == (False, "right", pytest.approx(-2.0))


def test_the_noise_that_was_taken_out_of_a_spread_keeps_it_as_uncertain_when_joined() -> None:
    # u = total / sqrt(2 dof) of a standard deviation (JCGM 100:2008 E.4.3, footnote, in the limit of many).
    noisy = Measurement(value=0.1, unit="deg", u=0.5 / math.sqrt(2 * 50), dof=50, n=51, is_spread=True, noise=0.49)
    coarse = Measurement(value=0.1, unit="deg", u=10.0, dof=2, n=3, is_spread=True)
    both = joined(noisy, coarse)
    assert math.hypot(both.value, both.noise) == pytest.approx(0.5, rel=0.01)


def test_different_units_are_our_mistake() -> None:
    with pytest.raises(ValueError, match="not one unit"):
        compare(value(1.0, 1.0), Measurement(value=1.0, unit="deg", u=1.0))
