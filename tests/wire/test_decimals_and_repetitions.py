"""Decimals and repeated fields: exactly the grammar of the field, in and out."""

from __future__ import annotations

import pytest

from hil.errors import WireError
from hil.wire.dialect import FieldSpec, FieldType
from hil.wire.fields import MOST_REPEATED, Field
from hil.wire.template import Template


def decimal(**more: float) -> Template:
    places = int(more.get("places", 2))
    field = FieldSpec(
        name="a", type=FieldType.DECIMAL, places=places, scale=more.get("scale", 1.0), offset=more.get("offset", 0.0)
    )
    return Template("{a}", (field,))


def repeated(kind: FieldType, by: str, **more: int) -> Template:
    return Template("r {a}", (FieldSpec(name="a", type=kind, repeated_by=by, modulus=more.get("modulus", 0)),))


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("7.64", 7.64),
        ("7", 7.0),
        ("-40.5", -40.5),
        ("-0.00", 0.0),
        ("-0", 0.0),
        ("0012.500", 12.5),
        ("4294967295.5", 4294967295.5),
    ],
)
def test_decimal_is_read_as_the_number_it_is(text: str, value: float) -> None:
    assert decimal().parse(text.encode()) == {"a": value}


@pytest.mark.parametrize(
    "text",
    [
        "",
        ".",
        "7.",
        ".5",
        "+7",
        "7.6.4",
        "7,6",
        "1e3",
        "--1",
        "- 1",
        "nan",
        "12345678901",
        "1.0123456789",
        "4294967296",
    ],
)
def test_what_is_no_decimal_is_refused(text: str) -> None:
    assert decimal().parse(text.encode()) is None


def test_decimal_is_written_with_its_places_in_the_channels_unit() -> None:
    assert decimal().format({"a": 7.641}) == b"7.64"
    assert decimal(places=0).format({"a": 7.641}) == b"8"
    assert decimal().format({"a": -0.001}) == b"-0.00"
    assert decimal(scale=0.01, places=1).format({"a": 0.412}) == b"41.2"
    assert decimal(scale=0.01, offset=1.0).parse(b"41.2") == {"a": pytest.approx(1.412)}


def test_decimal_that_would_be_refused_at_the_other_end_is_not_written() -> None:
    for value in (float("nan"), float("inf"), 2.0**32, 4294967295.999):
        with pytest.raises(WireError, match="does not fit the field 'a'"):
            decimal().format({"a": value})


def test_decimal_that_wraps_or_has_too_many_places_is_refused() -> None:
    with pytest.raises(WireError, match="is a decimal and wraps"):
        Field(FieldSpec(name="a", type=FieldType.DECIMAL, modulus=100))
    with pytest.raises(WireError, match="has 10 places; expected 0 to 9"):
        Field(FieldSpec(name="a", type=FieldType.DECIMAL, places=10))


def test_repeated_field_is_a_tuple_also_where_it_stands_once() -> None:
    row = repeated(FieldType.HEX, ",")
    assert row.parse(b"r 9,3,C") == {"a": (9, 3, 12)}
    assert row.parse(b"r 9") == {"a": (9,)}
    assert row.format({"a": (9, 3, 12)}) == b"r 9,3,C"
    assert row.format({"a": 9}) == b"r 9"


@pytest.mark.parametrize("line", [b"r ", b"r ,", b"r 9,", b"r ,9", b"r 9,,3", b"r 9, 3", b"r 9,3,G"])
def test_repetition_with_a_gap_is_refused(line: bytes) -> None:
    assert repeated(FieldType.HEX, ",").parse(line) is None


def test_one_value_out_of_range_spoils_the_line() -> None:
    assert repeated(FieldType.SIGNED, " ", modulus=256).parse(b"r 1 -128 127") == {"a": (1, -128, 127)}
    assert repeated(FieldType.SIGNED, " ", modulus=256).parse(b"r 1 -128 128") is None


def test_more_values_than_the_bound_are_refused_both_ways() -> None:
    row = repeated(FieldType.UNSIGNED, " ")
    most = (1,) * MOST_REPEATED
    assert row.parse(row.format({"a": most})) == {"a": most}
    assert row.parse(b"r" + b" 1" * (MOST_REPEATED + 1)) is None
    for values in ((), (*most, 1)):
        with pytest.raises(WireError, match="expected 1 to 64"):
            row.format({"a": values})


@pytest.mark.parametrize(
    ("kind", "by"),
    [(FieldType.UNSIGNED, "1"), (FieldType.SIGNED, "-"), (FieldType.WORD, ","), (FieldType.DECIMAL, ".")],
)
def test_values_that_could_hold_what_joins_them_are_refused(kind: FieldType, by: str) -> None:
    with pytest.raises(WireError, match="cannot be told apart"):
        repeated(kind, by)


def test_text_and_unprintable_joints_cannot_repeat() -> None:
    for kind, by in ((FieldType.TEXT, ","), (FieldType.UNSIGNED, "\t")):
        with pytest.raises(WireError, match="cannot be repeated so"):
            repeated(kind, by)


def test_tuple_in_a_field_that_stands_once_does_not_fit() -> None:
    for kind in (FieldType.UNSIGNED, FieldType.DECIMAL, FieldType.WORD):
        with pytest.raises(WireError, match="does not fit"):
            Template("{a}", (FieldSpec(name="a", type=kind),)).format({"a": (1, 2)})
