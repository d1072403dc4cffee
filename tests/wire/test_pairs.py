"""Messages of pairs: any order, every key once, nothing else."""

from __future__ import annotations

import itertools

import pytest

from hil.errors import WireError
from hil.wire.dialect import FieldSpec, FieldType, PairsForm
from hil.wire.pairs import Pairs

U, S, D, W, T = FieldType.UNSIGNED, FieldType.SIGNED, FieldType.DECIMAL, FieldType.WORD, FieldType.TEXT
FIELDS = (
    FieldSpec(name="wall.left", type=U, key="left"),
    FieldSpec(name="wall.left.dark", type=U, key="left0", optional=True),
    FieldSpec(name="volts", type=D, places=2, key="bat"),
    FieldSpec(name="state", type=W, choices={"on": "driving", "off": "idle"}, optional=True),
)
NOW = Pairs(PairsForm(head="now "), FIELDS)


def pairs(*fields: FieldSpec, head: str = "", equals: str = "=", between: str = " ") -> Pairs:
    return Pairs(PairsForm(head=head, equals=equals, between=between), fields)


def one(key: str, kind: FieldType = U) -> FieldSpec:
    return FieldSpec(name=key, type=kind)


def test_pairs_are_taken_in_any_order() -> None:
    texts = ["left=612", "left0=51", "bat=7.64", "state=off"]
    for order in itertools.permutations(texts):
        assert NOW.parse(("now " + " ".join(order)).encode()) == {
            "wall.left": 612,
            "wall.left.dark": 51,
            "volts": 7.64,
            "state": "idle",
        }


def test_optional_pairs_may_be_missing_and_others_not() -> None:
    assert NOW.parse(b"now bat=7.6 left=612") == {"wall.left": 612, "volts": 7.6}
    assert NOW.parse(b"now left=612") is None
    with pytest.raises(WireError, match="no value for volts"):
        NOW.format({"wall.left": 1})


def test_pairs_are_written_in_the_order_of_the_fields() -> None:
    assert NOW.format({"state": "driving", "volts": 7.641, "wall.left": 612}) == b"now left=612 bat=7.64 state=on"


@pytest.mark.parametrize(
    "line",
    [
        b"now left=612 bat=7.64 left=612",
        b"now left=612 bat=7.64 gyro=3",
        b"now left=612 bat=7.64 ",
        b"now left=612 bat=7.64 state",
        b"now left=612 bat=7.64 state=",
        b"now left=612 bat=7.64 state=maybe",
        b"now left=612  bat=7.64",
        b"now  left=612 bat=7.64",
        b"nowleft=612 bat=7.64",
        b"now left==612 bat=7.64",
        b"now left=612 bat=7.64x",
        b"now left=4294967296 bat=7.64",
        b"now Left=612 bat=7.64",
        b"now ",
        b"",
    ],
)
def test_what_is_not_exactly_pairs_is_refused(line: bytes) -> None:
    assert NOW.parse(line) is None


def test_joining_texts_may_share_characters() -> None:
    spaced = pairs(one("a"), one("b", S), equals=": ", between=", ")
    assert spaced.parse(b"b: -3, a: 1") == {"a": 1, "b": -3}
    blank = pairs(one("a"), one("b"), equals=": ", between=" ")
    assert blank.parse(b"a: 1 b: 2") == {"a": 1, "b": 2}
    assert pairs(one("a"), one("b"), equals=" ", between=" ").parse(b"b 2 a 1") == {"a": 1, "b": 2}


def test_keys_that_begin_alike_are_told_apart() -> None:
    alike = pairs(one("l"), one("l0"), one("l00"))
    assert alike.parse(b"l00=3 l=1 l0=2") == {"l": 1, "l0": 2, "l00": 3}


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda: pairs(), "no keys"),
        (lambda: pairs(one("a"), FieldSpec(name="b", type=U, key="a")), "one key twice"),
        (lambda: pairs(FieldSpec(name="b", type=U, key="a=b")), "cannot be a key"),
        (lambda: pairs(one("a", W), between=","), "the end of the value of 'a' cannot be found"),
        (lambda: pairs(one("a", T)), "the end of the value of 'a' cannot be found"),
        (lambda: pairs(one("a"), equals=""), "not joined by plain text"),
        (lambda: pairs(one("a"), head="\t"), "not joined by plain text"),
    ],
)
def test_pairs_that_cannot_be_told_apart_are_refused(make: type, words: str) -> None:
    with pytest.raises(WireError, match=words):
        make()
