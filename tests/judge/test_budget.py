"""Uncertainty budgets against the examples of the Guide (JCGM 100:2008)."""

import math

import numpy as np
import pytest

from hil.judge.budget import Component, combine, repeated
from hil.judge.distributions import coverage_factor

TEMPERATURES = [
    96.90, 98.18, 98.25, 98.61, 99.03, 99.49, 99.56, 99.74, 99.89, 100.07,
    100.33, 100.42, 100.68, 100.95, 101.11, 101.20, 101.57, 101.84, 102.36, 102.72,
]  # fmt: skip


def test_twenty_temperatures_have_the_mean_and_uncertainty_of_the_guide():
    # JCGM 100:2008 4.4.3, from memory and recomputed.
    seen = repeated(TEMPERATURES)
    assert seen.mean == pytest.approx(100.145, abs=5e-4)
    assert seen.s == pytest.approx(1.4888445, abs=5e-8)
    assert seen.u == pytest.approx(0.3329157, abs=5e-8)
    assert (seen.dof, seen.n) == (19, 20)


def test_a_large_common_offset_costs_no_digits():
    # NIST statistical reference data NumAcc4: the best that double precision can give is 0.10000000055879354.
    values = [10000000.2, *(value for _ in range(500) for value in (10000000.1, 10000000.3))]
    seen = repeated(values)
    assert seen.mean == pytest.approx(10000000.2, abs=1e-8)
    assert seen.s == pytest.approx(0.10000000055879354, rel=1e-14)


def test_one_observation_has_no_spread():
    with pytest.raises(ValueError, match="1 observations have no spread"):
        repeated([1.0])


def test_the_end_gauge_has_the_uncertainty_and_degrees_of_freedom_of_the_guide():
    # JCGM 100:2008 H.1, in nm: the comparison's three parts give 9.7, expansion 2.9, temperature 16.6. The guide
    # rounds between; the values below (published and recomputed) are those without rounding of the combined parts.
    comparison, comparison_dof = combine([Component(u=5.8, dof=24), Component(u=3.9, dof=5), Component(u=6.7, dof=8)])
    assert comparison == pytest.approx(9.7, abs=0.05)
    assert comparison_dof == pytest.approx(25.6, abs=0.2)
    length, root_3 = 50.000623e6, math.sqrt(3)
    u, dof = combine(
        [
            Component(u=25, dof=18),
            Component(u=comparison, dof=comparison_dof),
            Component(u=1e-6 / root_3, dof=50, sensitivity=-0.1 * length),
            Component(u=0.05 / root_3, dof=2, sensitivity=-11.5e-6 * length),
        ]
    )
    assert u == pytest.approx(31.66388, abs=5e-6)
    assert dof == pytest.approx(16.7519, abs=5e-5)
    assert coverage_factor(math.floor(dof), 0.99) == pytest.approx(2.920782, abs=5e-7)
    assert coverage_factor(math.floor(dof), 0.99) * u == pytest.approx(92.483, abs=5e-4)


def test_correlated_inputs_combine_as_in_the_guide():
    # JCGM 100:2008 H.2: resistance R = V/I cos(phi) from five simultaneous observations.
    observed = np.array(
        [
            [5.007, 4.994, 5.005, 4.990, 4.999],
            [19.663e-3, 19.639e-3, 19.640e-3, 19.685e-3, 19.678e-3],
            [1.0456, 1.0438, 1.0468, 1.0428, 1.0433],
        ]
    )
    volt, ampere, phase = observed.mean(axis=1)
    resistance = volt / ampere * math.cos(phase)
    slopes = [resistance / volt, -resistance / ampere, -volt / ampere * math.sin(phase)]
    components = [
        Component(u=repeated(list(row)).u, dof=4, sensitivity=slope)
        for row, slope in zip(observed, slopes, strict=True)
    ]
    u, _ = combine(components, np.corrcoef(observed).tolist())
    assert resistance == pytest.approx(127.73217, abs=5e-6)
    assert u == pytest.approx(0.071071, abs=5e-7)


def test_components_that_are_known_have_infinite_degrees_of_freedom():
    assert combine([Component(u=3), Component(u=4)]) == (5.0, math.inf)
