"""Numbers for the reader; expected texts follow JCGM 100:2008 7.2.6 (two digits, value to match)."""

import pytest

from hil.judge.rounding import plain_number, rounded_pair


@pytest.mark.parametrize(
    ("value", "uncertainty", "texts"),
    [
        (3.14159, 0.0234, ("3.142", "0.023")),
        (3.14159, 0.0996, ("3.14", "0.10")),
        (3.14159, 1.0, ("3.1", "1.0")),
        (1234.5, 120.0, ("1230", "120")),
        (1234.5, 99.6, ("1230", "100")),
        (-0.001, 0.5, ("0.00", "0.50")),
        (0.0, 5e-8, ("0.0e+00", "5.0e-08")),
        (1.2341e-7, 5.6e-9, ("1.234e-07", "5.6e-09")),
        (5.0, 0.0, ("5", "0")),
        (0.1 + 0.2, float("inf"), ("0.3", "inf")),
    ],
)
def test_a_value_stops_where_its_uncertainty_has_two_digits(value, uncertainty, texts):
    assert rounded_pair(value, uncertainty) == texts


def test_a_number_alone_has_six_digits_and_no_trailing_noughts():
    assert [plain_number(x) for x in (5.0, 0.5, 1 / 3, -0.0, 1e-9)] == ["5", "0.5", "0.333333", "0", "1e-09"]
