"""The statistics of loop periods against certified values: NIST Statistical Reference Datasets, univariate."""

import numpy as np
import pytest

from hil.measure.loop_timing import lag_one, percentile
from hil.measure.values import CannotMeasureError

# NIST StRD Michelso (Michelson, 1879, speed of light in air, less 299 000 km/s).
MICHELSO = np.array(
    [850, 740, 900, 1070, 930, 850, 950, 980, 980, 880, 1000, 980, 930, 650, 760, 810, 1000, 1000, 960, 960,
     960, 940, 960, 940, 880, 800, 850, 880, 900, 840, 830, 790, 810, 880, 880, 830, 800, 790, 760, 800,
     880, 880, 880, 860, 720, 720, 620, 860, 970, 950, 880, 910, 850, 870, 840, 840, 850, 840, 840, 840,
     890, 810, 810, 820, 800, 770, 760, 740, 750, 760, 910, 920, 890, 860, 880, 720, 840, 850, 850, 780,
     890, 840, 780, 810, 760, 810, 790, 810, 820, 850, 870, 870, 810, 740, 810, 940, 950, 800, 810, 870]
) / 1000 + 299  # fmt: skip


def numacc4():
    """Return NIST StRD NumAcc4: 10000000.2, then 10000000.1 and 10000000.3 in turn, 1001 values."""
    return np.array([10000000.2, *[10000000.1, 10000000.3] * 500])


@pytest.mark.parametrize(
    ("series", "mean", "sd", "lag"),
    [(MICHELSO, 299.852400000000, 0.0790105478190518, 0.535199668621283), (numacc4(), 10000000.2, 0.1, -0.999)],
    ids=["Michelso", "NumAcc4"],
)
def test_jitter_and_its_lag_one_correlation_have_the_certified_values(of_periods, series, mean, sd, lag):
    found = of_periods("jitter", series, numbers={"nominal": 100.0})
    assert found.value == pytest.approx(sd, rel=1e-8)
    assert lag_one(series) == pytest.approx(lag, abs=1e-8)
    assert f"{lag:+.2f}" in found.notes[0]
    assert float(np.mean(series)) == pytest.approx(mean, rel=1e-13)


def test_the_median_is_an_order_statistic_of_the_published_series(of_periods):
    # Rank 50 of the 100 values in order, read off the published list by hand: 0.850.
    assert of_periods("median", MICHELSO).value == pytest.approx(299850.0)


def test_a_percentile_of_a_known_distribution_lies_within_its_uncertainty():
    # Exponential distribution: quantile -ln(1 - p) (textbook).
    hits, runs = 0, 300
    for seed in range(runs):
        values = np.random.default_rng(seed).exponential(1.0, 4000)
        found, u = percentile(values, 99.0)
        hits += abs(found + np.log(0.01)) <= 2 * u
    assert 0.92 <= hits / runs <= 0.99


def test_a_percentile_that_too_few_ticks_can_tell_is_refused():
    with pytest.raises(CannotMeasureError, match="at least 3000"):
        percentile(np.arange(2999.0), 99.9)
    assert percentile(np.arange(3000.0), 99.9)[0] == 2996.0  # rank ceil(0.999 n) = 2997, counted from 1
