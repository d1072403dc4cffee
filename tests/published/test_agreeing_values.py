"""Values with known uncertainties that agree or do not: upper critical values of chi-squared.

NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.7.4, upper tail 0.01: 6.635 at 1 degree of freedom, 9.210 at 2,
11.345 at 3, 23.209 at 10.
"""

import math

import pytest

from hil.measure.uncertainty import Part, mean_of_agreeing
from hil.measure.values import CannotMeasureError


@pytest.mark.parametrize(("n", "critical"), [(2, 6.635), (3, 9.210), (4, 11.345), (11, 23.209)])
def test_values_that_scatter_as_their_uncertainties_say_keep_them_up_to_the_critical_value(n, critical):
    for share, agree in ((0.999, True), (1.001, False)):
        # The first value away from the others, which are alike: the sum of squares about the mean is d^2 (n - 1)/n.
        distance = math.sqrt(share * critical * n / (n - 1))
        found = mean_of_agreeing([distance, *[0.0] * (n - 1)], [Part(1.0, 20.0)] * n, "values")
        assert found.value == pytest.approx(distance / n)
        if agree:
            assert found.part.u == pytest.approx(1 / math.sqrt(n))
            assert found.part.dof == pytest.approx(20.0 * n)  # Welch-Satterthwaite of n alike (JCGM 100:2008 G.4.1)
        else:
            assert found.part.u == pytest.approx(distance / n)  # of one away from the rest
            assert found.part.dof == n - 1


def test_one_value_is_as_good_as_it_says_and_none_is_refused():
    assert mean_of_agreeing([3.0], [Part(0.5, 7.0)], "values").part == Part(0.5, pytest.approx(7.0))
    with pytest.raises(CannotMeasureError, match="there is no value"):
        mean_of_agreeing([], [], "values")
