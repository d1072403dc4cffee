"""The threshold that keeps an even ratio to both populations: by hand, and where extremes are not known."""

import math

import pytest

from hil.measure.detection import Population, Rule, threshold


def test_even_ratio_lies_as_many_times_above_no_wall_as_below_a_wall():
    nothing = Population(mean=20.0, sd=1.0, highest=25.0)
    wall = Population(mean=120.0, sd=2.0, lowest=100.0)
    at = threshold(Rule.EVEN_RATIO, nothing, wall)
    assert at == pytest.approx(50.0)  # sqrt(25 * 100), and 50/25 = 100/50
    assert threshold(Rule.EVEN_RATIO, Population(mean=20.0, sd=1.0), Population(mean=80.0, sd=2.0)) == pytest.approx(
        40.0
    )


def test_even_ratio_where_no_wall_reads_nothing_at_all_is_a_count_away_from_it():
    nothing, wall = Population(mean=-0.3, sd=0.6, highest=1.0), Population(mean=100.0, sd=2.0, lowest=94.0)
    assert threshold(Rule.EVEN_RATIO, nothing, wall) == pytest.approx(math.sqrt(94.0))
