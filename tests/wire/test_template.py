"""Templates accept exactly what they could have written, and are refused where that cannot be told."""

from __future__ import annotations

import math

import pytest

from hil.errors import WireError
from hil.wire.dialect import FieldSpec, FieldType
from hil.wire.fields import Value
from hil.wire.template import Template

U, S, X, W, T = FieldType.UNSIGNED, FieldType.SIGNED, FieldType.HEX, FieldType.WORD, FieldType.TEXT


def one(kind: FieldType, modulus: int = 0, scale: float = 1.0, offset: float = 0.0) -> Template:
    return Template("v {a}", (FieldSpec(name="a", type=kind, modulus=modulus, scale=scale, offset=offset),))


def read(template: Template, text: str) -> Value | None:
    values = template.parse(b"v " + text.encode())
    return None if values is None else values["a"]


def test_fields_are_found_by_name_in_any_order() -> None:
    template = Template("p {y},{x}!", (FieldSpec(name="x", type=S), FieldSpec(name="y", type=U)))
    assert template.names == ("y", "x")
    assert template.parse(b"p 3,-4!") == {"y": 3, "x": -4}
    assert template.format({"x": -4, "y": 3}) == b"p 3,-4!"


@pytest.mark.parametrize(
    "line", [b" v 1", b"v  1", b"v 1 ", b"v 1\n", b"v\t1", b"V 1", b"v ", b"v", b"", b"v 1 2", b"xv 1"]
)
def test_what_is_not_exactly_of_the_form_is_not_taken(line: bytes) -> None:
    assert one(U).parse(line) is None


@pytest.mark.parametrize(
    ("kind", "text", "value"),
    [
        (U, "0", 0),
        (U, "007", 7),
        (U, "4294967295", 4294967295),
        (S, "-1", -1),
        (S, "-05", -5),
        (S, "-2147483648", -2147483648),
        (X, "FF", 255),
        (X, "0A", 10),
        (W, "dead-man", "dead-man"),
        (W, "a.b_c+d:e,f-g/h", "a.b_c+d:e,f-g/h"),
        (T, "", ""),
        (T, " two  words #1 ", " two  words #1 "),
    ],
)
def test_each_type_takes_its_own_grammar(kind: FieldType, text: str, value: Value) -> None:
    assert read(one(kind), text) == value


@pytest.mark.parametrize(
    ("kind", "text"),
    [
        (U, "-1"),
        (U, "+1"),
        (U, "1.0"),
        (U, "1_0"),
        (U, "0x1"),
        (U, "٣"),  # a digit in Arabic
        (U, "¹"),
        (U, "4294967296"),
        (U, "00000000001"),
        (S, "-0"),
        (S, "-00"),
        (S, "--1"),
        (S, "- 1"),
        (S, "2147483648"),
        (S, "-2147483649"),
        (X, "ff"),
        (X, "0xFF"),
        (X, "-1"),
        (W, ""),
        (W, "two words"),
        (W, "ä"),
        (W, "#"),
        (T, "tab\t"),
        (T, "bell\a"),
        (T, "ä"),
    ],
)
def test_each_type_refuses_what_is_not_of_its_grammar(kind: FieldType, text: str) -> None:
    assert read(one(kind), text) is None


@pytest.mark.parametrize(
    ("kind", "modulus", "lowest", "highest"),
    [(U, 65536, 0, 65535), (S, 65536, -32768, 32767), (U, 1000, 0, 999), (S, 256, -128, 127), (S, 5, -2, 2)],
)
def test_numbers_with_a_modulus_stay_in_their_range(kind: FieldType, modulus: int, lowest: int, highest: int) -> None:
    template = one(kind, modulus)
    assert read(template, str(lowest)) == lowest
    assert read(template, str(highest)) == highest
    assert read(template, str(highest + 1)) is None
    assert read(template, str(lowest - 1)) is None
    assert template.format({"a": highest + 1}) == f"v {lowest}".encode()
    assert template.format({"a": lowest - 1}) == f"v {highest}".encode()
    assert template.format({"a": 7 * modulus + highest}) == f"v {highest}".encode()


def test_scaled_numbers_come_in_the_channels_unit_and_go_back_rounded() -> None:
    volts = one(U, scale=1e-3)
    assert read(volts, "7640") == pytest.approx(7.64, abs=1e-12)
    assert volts.format({"a": 7.6404}) == b"v 7640"
    assert volts.format({"a": 7.6406}) == b"v 7641"
    celsius = one(S, scale=0.5, offset=-40.0)
    assert read(celsius, "130") == 25.0
    assert celsius.format({"a": 25.0}) == b"v 130"


def test_a_negative_number_that_rounds_to_zero_is_written_without_a_sign() -> None:
    assert one(S).format({"a": -0.4}) == b"v 0"


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf, "3"])
def test_what_is_no_number_is_refused(value: Value) -> None:
    with pytest.raises(WireError, match="does not fit the field 'a'; expected a number"):
        one(U, modulus=16).format({"a": value})


def test_number_beyond_its_range_is_refused_where_nothing_wraps() -> None:
    with pytest.raises(WireError) as caught:
        one(U).format({"a": -1})
    assert str(caught.value) == "-1 does not fit the field 'a'; expected 0 to 4294967295."


def test_words_with_choices_are_the_closed_set_and_come_in_our_words() -> None:
    spec = FieldSpec(name="a", type=W, choices={"edge": "edge.left", "edge-l": "edge.left", "go": "move.begin"})
    template = Template("v {a}", (spec,))
    assert read(template, "edge-l") == "edge.left"
    assert read(template, "edge") == "edge.left"
    assert read(template, "edg") is None
    assert read(template, "edge-r") is None
    assert template.format({"a": "edge.left"}) == b"v edge"
    with pytest.raises(WireError) as caught:
        template.format({"a": "move.begun"})
    assert str(caught.value) == (
        "'move.begun' does not fit the field 'a'; expected one of edge.left, move.begin. Did you mean move.begin?"
    )


@pytest.mark.parametrize("word", ["", "two words", "ä", 3])
def test_what_is_no_word_is_refused(word: Value) -> None:
    with pytest.raises(WireError, match="without blanks"):
        one(W).format({"a": word})


def test_text_that_is_not_printable_is_refused() -> None:
    with pytest.raises(WireError, match="printable ASCII"):
        one(T).format({"a": "a\nb"})


def test_missing_and_unknown_values_are_named() -> None:
    with pytest.raises(WireError) as caught:
        one(U).format({"b": 1})
    assert str(caught.value) == "message 'v {a}': no value for a and no place for b; expected a."


def test_adjacent_fields_are_taken_apart_where_that_is_certain() -> None:
    walls = FieldSpec(name="t", type=W, choices={"a": "none", "al": "left"})
    template = Template("{t}{n}", (walls, FieldSpec(name="n", type=U)))
    assert template.parse(b"al12") == {"t": "left", "n": 12}
    assert template.first_word is None


A, B = FieldSpec(name="a", type=U), FieldSpec(name="b", type=U)


@pytest.mark.parametrize(
    ("text", "fields", "words"),
    [
        ("{a}{b}", (A, B), "the end of {a} cannot be found"),
        ("{a}0", (A,), "the end of {a} cannot be found"),
        ("{a},{b}", (FieldSpec(name="a", type=W), B), "the end of {a} cannot be found"),
        ("{a} {b}", (FieldSpec(name="a", type=T), B), "free text and does not stand last"),
        ("{a} {a}", (A,), "stands twice"),
        ("{a} {c}", (A,), "is not among the fields"),
        ("{a}", (A, B), "the fields b have no place"),
        ("{a", (A,), "a stray"),
        ("a}", (), "a stray"),
        ("{}", (), "a stray"),
        ("ä {a}", (A,), "not plain"),
        ("x\r{a}", (A,), "not plain"),
    ],
)
def test_template_that_contradicts_itself_is_refused(text: str, fields: tuple[FieldSpec, ...], words: str) -> None:
    with pytest.raises(WireError, match=words.replace("{", r"\{").replace("}", r"\}")):
        Template(text, fields)


@pytest.mark.parametrize(
    ("spec", "words"),
    [
        (FieldSpec(name="a", type=U, modulus=1), "wraps at 1"),
        (FieldSpec(name="a", type=U, modulus=-5), "wraps at -5"),
        (FieldSpec(name="a", type=U, modulus=2**33), "wraps at"),
        (FieldSpec(name="a", type=U, scale=0.0), "has the scale 0.0"),
        (FieldSpec(name="a", type=U, scale=math.nan), "has the scale nan"),
        (FieldSpec(name="a", type=U, choices={"x": "y"}), "has choices and is not a word"),
        (FieldSpec(name="a", type=W, choices={"x y": "z"}), "cannot be a choice"),
    ],
)
def test_field_that_contradicts_itself_is_refused(spec: FieldSpec, words: str) -> None:
    with pytest.raises(WireError, match=words):
        Template("{a}", (spec,))


@pytest.mark.parametrize(
    ("text", "word"),
    [("+", b"+"), ("? {a} who", b"?"), ("m {a}", b"m"), ("m{a}", None), ("{a}", None), ("stop now", b"stop")],
)
def test_first_word_is_known_where_it_is_literal(text: str, word: bytes | None) -> None:
    assert Template(text, (A,) if "{a}" in text else ()).first_word == word
