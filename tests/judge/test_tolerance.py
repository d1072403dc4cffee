# ruff: noqa: E501 (sentences are compared whole)
"""Tolerances in drawing notation. Limits are worked out by hand; the sentences are the project's own."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hil.judge.tolerance import ToleranceError, parse_tolerance

INF = math.inf


@pytest.mark.parametrize(
    ("text", "unit", "lower", "upper", "nominal"),
    [
        ("0 ± 5 mm", "mm", -5, 5, 0),
        ("0 +- 5 mm", "mm", -5, 5, 0),
        ("0 +/- 5 mm", "mm", -5, 5, 0),
        ("  0±5mm ", "mm", -5, 5, 0),
        ("-2 ± 0.5 deg", "deg", -2.5, -1.5, -2),
        ("−2 ± 0.5 deg", "deg", -2.5, -1.5, -2),
        ("0 mm ± 0.5 cm", "mm", -5, 5, 0),
        ("0 ± 0.014 1/m", "1/m", -0.014, 0.014, 0),
        ("1.0 ± 0.2", "", 0.8, 1.2, 1.0),
        ("10 +2/-1 mm", "mm", 9, 12, 10),
        ("10 -1/+2 mm", "mm", 9, 12, 10),
        ("10 + 2 / - 1 mm", "mm", 9, 12, 10),
        ("10+2/-1 cm", "mm", 90, 120, 100),
        ("10 +2/−1 mm", "mm", 9, 12, 10),
        ("-5 +2/-1 deg", "deg", -6, -3, -5),
        ("0.4 +0.1/-0.05 m/s", "mm/s", 350, 500, 400),
        ("0.1 +0.01/-0.02 1/m", "1/m", 0.08, 0.11, 0.1),
        ("30..70 %", "%", 30, 70, 50),
        ("30 .. 70 %", "%", 30, 70, 50),
        ("-3..-1 mm", "mm", -3, -1, -2),
        ("0.5..0.8", "", 0.5, 0.8, 0.65),
        ("<= 20 ms", "s", -INF, 0.02, None),
        ("≤ 20 ms", "ms", -INF, 20, None),
        (">= 2 V", "V", 2, INF, None),
        ("≥2 V", "V", 2, INF, None),
        ("= 0", "", 0, 0, 0),
        ("= 0", "count", 0, 0, 0),
        ("<= 2", "count", -INF, 2, None),
    ],
)
def test_each_notation_gives_its_limits_in_the_measurements_unit(text, unit, lower, upper, nominal):
    tolerance = parse_tolerance(text, unit)
    assert (tolerance.lower, tolerance.upper) == pytest.approx((lower, upper), rel=1e-12)
    assert tolerance.nominal == (None if nominal is None else pytest.approx(nominal, rel=1e-12, abs=1e-15))
    assert tolerance.text == text.strip()


NOTATIONS = "one of '0 ± 5 mm', '10 +2/-1 mm', '30..70 %', '<= 20 ms', '>= 2 V', '= 0'"


@pytest.mark.parametrize(
    ("text", "unit", "sentence"),
    [
        ("", "mm", f"Found an empty text, expected {NOTATIONS}."),
        ("5 mm", "mm", f"Found '5 mm', expected {NOTATIONS}."),
        ("small", "mm", f"Found 'small', expected {NOTATIONS}."),
        ("< 5 mm", "mm", "Found '< 5 mm', expected '<= 5 mm', since a limit belongs to its tolerance."),
        ("> 5 mm", "mm", "Found '> 5 mm', expected '>= 5 mm', since a limit belongs to its tolerance."),
        ("== 0", "", "Found '== 0', expected '= 0'."),
        ("<=", "mm", f"Found '<=', where a number is missing, expected {NOTATIONS}."),
        ("± 5 mm", "mm", f"Found '± 5 mm', where a number is missing, expected {NOTATIONS}."),
        ("0 ± 5", "mm", "Found '0 ± 5' without a unit, expected a unit that converts to mm, as in '0 ± 5 mm'."),
        ("0 ± 5 V", "mm", "Found '0 ± 5 V', where V cannot be expressed in mm, expected a unit that converts to mm."),
        ("0 ± -5 mm", "mm", "Found '0 ± -5 mm' with a negative number after ±, expected a positive one, as in '0 ± 5 mm'."),
        ("0 ± 0 mm", "mm", "Found '0 ± 0 mm', a tolerance without width, expected a width, or '= 0' for things that are counted."),
        ("0 ± 1 ± 2 mm", "mm", "Found '0 ± 1 ± 2 mm' with 2 signs ±, expected one, as in '0 ± 5 mm'."),
        ("70..30 %", "%", "Found '70..30 %', a range that does not rise, expected the smaller number first, as in '30..70 %'."),
        ("1...2 mm", "mm", "Found '1...2 mm', expected two numbers with two full stops between them, as in '30..70 %'."),
        (
            "10 +2/+1 mm",
            "mm",
            "Found '10 +2/+1 mm', whose deviations do not lie on both sides of the nominal value, expected one above and one below, or the range '11..12 mm'.",
        ),
        ("<= 5 mm", "", "Found '<= 5 mm', where mm cannot be expressed in a plain number, expected a unit that converts to a plain number."),
        ("<= 1e999 mm", "mm", f"Found '<= 1e999 mm', where '1e999 mm' is too large, expected {NOTATIONS}."),
        ("9" * 81, "mm", "Found a text of 81 characters, expected a tolerance of at most 80."),
    ],
)  # fmt: skip
def test_each_mistake_is_a_sentence_with_what_was_found_and_what_was_expected(text, unit, sentence):
    with pytest.raises(ToleranceError) as caught:
        parse_tolerance(text, unit)
    assert str(caught.value) == sentence


def test_a_share_is_told_from_a_number_of_events():
    assert parse_tolerance("<= 5 %", "count").is_share
    assert not parse_tolerance("<= 5", "count").is_share
    assert not parse_tolerance("<= 5 %", "%").is_share


@given(
    nominal=st.decimals(-999, 999, places=3),
    above=st.decimals("0.001", 99, places=3),
    below=st.decimals("0.001", 99, places=3),
)
def test_a_written_tolerance_reads_back_as_its_limits(nominal, above, below):
    tolerance = parse_tolerance(f"{nominal} +{above}/-{below} mm", "mm")
    assert tolerance.lower == pytest.approx(float(nominal - below), abs=1e-9)
    assert tolerance.upper == pytest.approx(float(nominal + above), abs=1e-9)


@given(st.text(max_size=100))
def test_any_text_is_read_or_refused_and_nothing_else_happens(text):
    try:
        tolerance = parse_tolerance(text, "mm")
    except ToleranceError:
        return
    assert tolerance.lower <= tolerance.upper
