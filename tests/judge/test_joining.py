"""Two instruments on one quantity: agreement and weighted mean, held to their formulas."""

from __future__ import annotations

import math

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


def test_values_agree_up_to_the_expanded_uncertainty_of_their_difference() -> None:
    # Normal quantile 1.959964 (NIST 1.3.6.7.1); u of the difference sqrt(0.3^2 + 0.4^2) = 0.5.
    limit = 1.959963985 * 0.5
    assert compare(value(limit - 1e-6, 0.3), value(0.0, 0.4)).agree
    assert not compare(value(limit + 1e-6, 0.3), value(0.0, 0.4)).agree
    assert compare(value(2.0, 0.3), value(0.0, 0.4)).limit == pytest.approx(limit, rel=1e-8)


def test_few_degrees_of_freedom_widen_what_agrees() -> None:
    # t.975(5) = 2.571 (NIST tables): one input carries all of the variance.
    assert compare(value(0.0, 1.0, dof=5.0), value(0.0, 0.0)).limit == pytest.approx(2.571, abs=5e-4)


def test_a_value_stated_as_exact_does_not_divide_by_zero() -> None:
    assert joined(value(3.0, 0.0), value(3.0, 0.5)).value == pytest.approx(3.0)
    assert joined(value(0.0, 0.0), value(0.0, 0.0)).u == 0.0


def test_counts_agree_where_the_same_was_counted() -> None:
    none = Measurement(value=0, unit="", u=0.0, n=6, is_count=True)
    one = Measurement(value=1, unit="", u=0.0, n=4, is_count=True)
    assert compare(none, none).agree
    assert not compare(none, one).agree
    assert joined(none, none).n == 12


def test_different_units_are_our_mistake() -> None:
    with pytest.raises(ValueError, match="not one unit"):
        compare(value(1.0, 1.0), Measurement(value=1.0, unit="deg", u=1.0))
