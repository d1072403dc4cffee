"""Wall thresholds against closed forms of signal detection, and distance errors against tables of the trade.

Closed forms: Green and Swets, Signal Detection Theory and Psychophysics, 1966 (d'), Macmillan and Creelman, Detection
Theory (d_a), both from memory. The table of right maps over 700 decisions and the tables of distance errors are
consequences of the normal distribution and of the inverse square; the limits named beside them (spread of 20 to 25 %,
crosstalk of 5 %, threshold at twice the background) are common practice, no source.
"""

import math

import numpy as np
import pytest
from scipy import stats

from hil.measure.detection import (
    DECISIONS,
    Population,
    Rule,
    detectability,
    equal_error_rate,
    error_rate,
    expected_wrong,
    right_map,
    threshold,
)
from hil.measure.model import SensorCalibration
from hil.measure.surface_transfer import transferred
from hil.measure.values import CannotMeasureError
from hil.measure.wall_blocks import Block
from hil.measure.wall_changes import change_of

RULES = (Rule.MIDPOINT, Rule.EQUAL_ERROR, Rule.LEAST_ERROR)  # those of signal detection


def populations(apart, s0=1.0, s1=1.0, mu0=0.0):
    return Population(mean=mu0, sd=s0), Population(mean=mu0 + apart, sd=s1)


@pytest.mark.parametrize(
    ("d_prime", "per_decision", "expected", "right"),
    [(6, 1.3e-3, 0.94, 0.39), (7, 2.3e-4, 0.16, 0.85), (8, 3.2e-5, 0.022, 0.978), (9, 3.4e-6, 0.0024, 0.998)],
)
def test_so_many_maps_of_700_decisions_are_right(d_prime, per_decision, expected, right):
    nothing, wall = populations(d_prime)
    rates = [error_rate(threshold(rule, nothing, wall), nothing, wall) for rule in RULES]
    assert rates == pytest.approx([per_decision] * 3, rel=0.04)
    assert DECISIONS == 700
    assert expected_wrong(rates) == pytest.approx(expected, rel=0.02)
    assert right_map(rates) == pytest.approx(right, abs=0.005)


@pytest.mark.parametrize("s1", [0.3, 1.0, 2.5, 6.0])
def test_both_errors_are_equal_at_the_equal_error_point(s1):
    nothing, wall = populations(30.0, s0=1.5, s1=s1, mu0=20.0)
    at = threshold(Rule.EQUAL_ERROR, nothing, wall)
    assert at == pytest.approx((20 * s1 + 50 * 1.5) / (s1 + 1.5))
    missed, false = stats.norm.cdf(at, 50, s1), stats.norm.sf(at, 20, 1.5)
    assert missed == pytest.approx(false, rel=1e-9)
    assert missed == pytest.approx(stats.norm.cdf(-30 / (1.5 + s1)), rel=1e-9)
    assert equal_error_rate(nothing, wall) == pytest.approx(missed, rel=1e-9)


@pytest.mark.parametrize("s1", [0.1, 0.3, 1.0, 1.0 + 1e-7, 2.5, 4.0])
def test_no_other_threshold_between_the_means_has_fewer_errors_than_the_least_error_one(s1):
    nothing, wall = populations(8.0, s1=s1)
    at = threshold(Rule.LEAST_ERROR, nothing, wall)
    assert 0 < at < 8
    assert stats.norm.logpdf(at, 0, 1) == pytest.approx(stats.norm.logpdf(at, 8, s1), abs=1e-6)
    least = min(error_rate(float(other), nothing, wall) for other in np.linspace(0, 8, 4001))
    assert error_rate(at, nothing, wall) <= least * (1 + 1e-9)


def test_with_equal_spreads_all_three_thresholds_are_the_midpoint():
    nothing, wall = populations(12.0, s0=2.0, s1=2.0, mu0=5.0)
    assert [threshold(rule, nothing, wall) for rule in RULES] == pytest.approx([11.0] * 3)


def test_populations_that_no_threshold_parts_are_refused():
    for pair in (populations(-3.0), populations(5.0, s0=0.0), populations(0.5, s0=1.0, s1=9.0)):
        with pytest.raises(CannotMeasureError):
            threshold(Rule.LEAST_ERROR, *pair)


def test_d_a_is_d_prime_where_spreads_are_equal_and_by_their_mean_square_else():
    assert detectability(*populations(6.0, s0=2.0, s1=2.0))[0] == pytest.approx(3.0)
    assert detectability(*populations(6.0, s0=1.0, s1=7.0))[0] == pytest.approx(6 / 5.0)


@pytest.mark.parametrize(("n", "within"), [(10, 0.11), (20, 0.06), (60, 0.02)])
def test_u_of_d_prime_is_that_of_the_noncentral_t(n, within):
    # Exact for equal spreads: d' sqrt(n/2) is noncentral t with 2 n - 2 degrees of freedom.
    exact = stats.nct(2 * n - 2, 7 * math.sqrt(n / 2)).std() * math.sqrt(2 / n)
    each = [Population(mean=mean, sd=1.0, u_mean=1 / math.sqrt(n), dof=n - 1) for mean in (0.0, 7.0)]
    value, part = detectability(*each)
    assert value == 7.0
    assert part.u == pytest.approx(exact, rel=within)
    assert part.dof == pytest.approx(2 * n - 2)


def calibration(offset_mm=0.0):
    """An inverse square, 600 counts at 49 mm."""
    return SensorCalibration(
        channel="wall.left", surface="white", gain=600.0 * (49 + offset_mm) ** 2, exponent=2.0, offset_mm=offset_mm,
        covariance=((1e-6, 0.0, 0.0), (0.0, 1e-8, 0.0), (0.0, 0.0, 1e-6)), noise=0.01, residual_mm=0.1,
        span_mm=(30.0, 120.0), n=300,
    )  # fmt: skip


def block(reading, at_mm):
    return Block(
        sensor="wall.left", lit=np.full(50, reading), dark=np.zeros(50), surface="white", distance_mm=at_mm,
        stood_before="wall.left",
    )  # fmt: skip


@pytest.mark.parametrize(("step", "at_side", "at_front"), [(1.10, -2.3, -4.2), (1.20, -4.3, -7.8), (1.25, -5.2, -9.5)])
def test_a_change_of_the_reading_is_so_many_millimetres(step, at_side, at_front):
    # The table is exact, d (1/sqrt(step) - 1); -d/2 ln(step) is its first order.
    for at, expected in ((49.0, at_side), (90.0, at_front)):
        change = change_of(block(600 * (49 / at) ** 2 * step, at), calibration(), 0.0)
        assert change.ratio == pytest.approx(step, rel=1e-9)
        assert change.shift_mm == pytest.approx(expected, abs=0.06)
        assert change.shift_mm == pytest.approx(-at / 2 * math.log(step), rel=0.07)


def test_a_spread_of_25_per_cent_is_7_5_per_cent_of_the_distance_to_either_side():
    # Common practice: 25 % is where a robot with one setting still keeps within 5 mm.
    darkest = transferred([calibration()], "dark", 450.0, 50, 49.0)
    middle = calibration().reading(49.0) * math.sqrt(0.75)  # the geometric middle of 600 and 450
    near, far = calibration().distance_mm(middle), darkest.distance_mm(middle)
    assert (near - far) / 2 == pytest.approx(0.072 * 49, abs=0.05)
    assert (near - far) / 2 == pytest.approx(3.6, abs=0.1)


def test_crosstalk_of_5_per_cent_of_a_wall_is_so_many_millimetres():
    # dd = -(d + d0) X/(2 S): X = 5 % of S at 49 mm is -1.2 mm there.
    moved = calibration().distance_mm(1.05 * 600.0) - 49.0
    assert moved == pytest.approx(-1.2, abs=0.05)


def test_the_next_wall_behind_reads_by_the_inverse_square():
    # Side: 229 mm against 49 mm, 4.6 %; ahead from the cell's edge: 314 against 134 mm, 18 %.
    one = calibration()
    assert one.reading(229.0) / one.reading(49.0) == pytest.approx(0.046, abs=0.0005)
    assert one.reading(314.0) / one.reading(134.0) == pytest.approx(0.18, abs=0.005)
