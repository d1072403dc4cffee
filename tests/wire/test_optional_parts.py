"""Optional parts of a template: taken with all their fields or not at all, and told apart in one way only."""

from __future__ import annotations

import pytest

from hil.errors import WireError
from hil.wire.dialect import FieldSpec, FieldType
from hil.wire.template import Template

U, S, W, T = FieldType.UNSIGNED, FieldType.SIGNED, FieldType.WORD, FieldType.TEXT


def template(text: str, **kinds: FieldType) -> Template:
    return Template(text, [FieldSpec(name=name, type=kind) for name, kind in kinds.items()])


ROW = template("t {a} {b}[ {c} {d}]", a=U, b=U, c=U, d=U)


def test_optional_part_is_there_or_not() -> None:
    assert ROW.parse(b"t 1 2") == {"a": 1, "b": 2}
    assert ROW.parse(b"t 1 2 3 4") == {"a": 1, "b": 2, "c": 3, "d": 4}
    assert ROW.format({"a": 1, "b": 2}) == b"t 1 2"
    assert ROW.format({"a": 1, "b": 2, "c": 3, "d": 4}) == b"t 1 2 3 4"


@pytest.mark.parametrize("line", [b"t 1 2 3", b"t 1 2 ", b"t 1 2 3 ", b"t 1 2 3 4 5", b"t 1 2  3 4", b"t 1", b"t"])
def test_half_an_optional_part_is_refused(line: bytes) -> None:
    assert ROW.parse(line) is None


def test_half_the_values_of_an_optional_part_are_refused() -> None:
    with pytest.raises(WireError, match="no value for d"):
        ROW.format({"a": 1, "b": 2, "c": 3})
    with pytest.raises(WireError, match="no value for b"):
        ROW.format({"a": 1})


def test_several_optional_parts_are_told_by_how_they_begin() -> None:
    many = template("see {a}[ left {b}][, right {c}][; dark {d}]", a=U, b=U, c=U, d=U)
    assert many.parse(b"see 1, right 3") == {"a": 1, "c": 3}
    assert many.parse(b"see 1 left 2; dark 4") == {"a": 1, "b": 2, "d": 4}
    assert many.parse(b"see 1, right 3 left 2") is None


def test_doubled_brackets_are_brackets_of_the_message() -> None:
    plain = template("[[{a}]][[x]]", a=U)
    assert plain.parse(b"[12][x]") == {"a": 12}
    assert plain.format({"a": 12}) == b"[12][x]"
    both = template("[[{a}]][ {b}]", a=U, b=U)
    assert (both.parse(b"[1]"), both.parse(b"[1] 2")) == ({"a": 1}, {"a": 1, "b": 2})


@pytest.mark.parametrize(
    ("text", "kinds", "words"),
    [
        ("{a}[ {b}", {"a": U, "b": U}, "a bracket is not closed"),
        ("{a} {b}]", {"a": U, "b": U}, "a stray ']'"),
        ("{a}[ {b}[ {c}]]", {"a": U, "b": U, "c": U}, "stray"),
        ("{a}[ x]", {"a": U}, "brackets without a field"),
        ("{a}[ {b}][ {c}]", {"a": U, "b": U, "c": U}, "cannot be told whether"),
        ("{a}[ {b}] {c}", {"a": U, "b": U, "c": U}, "cannot be told whether"),
        ("x[{a}]{b}", {"a": U, "b": U}, "cannot be told whether"),
        ("x[{a}]{b}", {"a": S, "b": W}, "cannot be told whether"),
        ("x[{a}]", {"a": T}, "cannot be told whether"),
        ("{a}[{b}]", {"a": U, "b": U}, "the end of {a} cannot be found"),
        ("{a}[/{b}]", {"a": W, "b": U}, "the end of {a} cannot be found"),
        ("x {a}[ {b}]", {"a": T, "b": U}, "free text and does not stand last"),
        ("x[ {a}] {b}", {"a": T, "b": U}, "cannot be told whether"),
    ],
)
def test_template_that_could_be_taken_apart_in_two_ways_is_refused(
    text: str, kinds: dict[str, FieldType], words: str
) -> None:
    with pytest.raises(WireError) as caught:
        template(text, **kinds)
    assert words in str(caught.value)


def test_optional_text_at_the_end_may_be_empty_and_is_not_the_same_as_none() -> None:
    text = template("no[: {a}]", a=T)
    assert text.parse(b"no") == {}
    assert text.parse(b"no: ") == {"a": ""}
    assert text.parse(b"no:") is None
    assert (text.format({}), text.format({"a": ""})) == (b"no", b"no: ")


def test_first_word_is_known_where_only_blanks_lead_into_options() -> None:
    assert template("hello[ {a}]", a=U).first_word == b"hello"
    assert template("hello[{a}]", a=U).first_word is None
    assert template("[{a} ]x", a=U).first_word is None
    assert template("go {a}[ {b}]", a=U, b=U).first_word == b"go"
