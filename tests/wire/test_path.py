"""Paths as text and back."""

from __future__ import annotations

from dataclasses import replace

import pytest

from hil.errors import WireError
from hil.wire.dialect import Dialect, PathCoding
from hil.wire.path import MOST_ELEMENTS, PathWord, decode_path, encode_path

WHOLE: list[PathWord] = [
    ("ahead", 1, "both"),
    ("ahead", 3, "none"),
    ("left", 0, "none"),
    ("ahead", 12, "left"),
    ("right", 0, "none"),
    ("ahead", 255, "right"),
    ("about left", 0, "none"),
    ("about right", 0, "none"),
]


@pytest.fixture
def coding(tagged_lines: Dialect) -> PathCoding:
    assert tagged_lines.path is not None
    return tagged_lines.path


def test_every_element_is_written_and_read(coding: PathCoding) -> None:
    text = encode_path(coding, WHOLE)
    assert text == "ab1,a3,l,al12,r,ar255,ul,ur"
    assert decode_path(coding, text) == WHOLE


@pytest.mark.parametrize(
    "text",
    [
        "",
        ",",
        "a",
        "a0",
        "a256",
        "a01",
        "a-1",
        "3",
        "a3,",
        ",a3",
        "a3,,l",
        "a3 ,l",
        " a3",
        "L",
        "b3",
        "la3",
        "a٣",
        "a3;l",
    ],
)
def test_what_is_not_exactly_a_path_is_refused(coding: PathCoding, text: str) -> None:
    with pytest.raises(WireError, match="is not a path"):
        decode_path(coding, text)


@pytest.mark.parametrize(
    ("element", "words"),
    [
        (("ahead", 0, "both"), "a straight of 0 cells"),
        (("ahead", 256, "both"), "a straight of 256 cells"),
        (("ahead", 1, "middle"), "'middle' does not fit the field 'tracking'; expected one of none, left, right, both"),
        (("left", 1, "none"), "a turn has no cells"),
        (("left", 0, "both"), "a turn has no cells"),
        (("back", 0, "none"), "'back' is no element of a path; expected ahead, left, right, about left, about right"),
    ],
)
def test_element_that_cannot_be_written_is_refused(coding: PathCoding, element: PathWord, words: str) -> None:
    with pytest.raises(WireError, match=words):
        encode_path(coding, [element])


def test_paths_are_neither_empty_nor_endless(coding: PathCoding) -> None:
    left: PathWord = ("left", 0, "none")
    assert len(encode_path(coding, [left] * MOST_ELEMENTS)) == 2 * MOST_ELEMENTS - 1
    for count in (0, MOST_ELEMENTS + 1):
        with pytest.raises(WireError, match=f"a path of {count} elements"):
            encode_path(coding, [left] * count)
    with pytest.raises(WireError, match="is not a path"):
        decode_path(coding, ",".join(["l"] * (MOST_ELEMENTS + 1)))


def test_elements_may_follow_each_other_without_a_joiner() -> None:
    tight = PathCoding(
        ahead="{tracking}{cells}",
        trackings={"none": "F", "both": "T"},
        left="L",
        right="R",
        about_left="U",
        about_right="V",
        joiner="",
    )
    elements: list[PathWord] = [
        ("ahead", 12, "none"),
        ("left", 0, "none"),
        ("ahead", 1, "both"),
        ("about left", 0, "none"),
    ]
    assert encode_path(tight, elements) == "F12LT1U"
    assert decode_path(tight, "F12LT1U") == elements
    with pytest.raises(WireError, match="is not a path"):
        decode_path(tight, "F12 LT1U")


def test_path_that_could_be_read_in_two_ways_is_refused(coding: PathCoding) -> None:
    muddled = replace(coding, left="x", right="xx", joiner="")
    with pytest.raises(WireError, match="could be read in two ways"):
        encode_path(muddled, [("left", 0, "none"), ("left", 0, "none")])


@pytest.mark.parametrize("changed", [{"left": "r"}, {"left": ""}, {"trackings": {"none": "a", "both": "a"}}])
def test_coding_that_writes_two_things_alike_is_refused(coding: PathCoding, changed: dict[str, str]) -> None:
    with pytest.raises(WireError, match="written alike"):
        encode_path(replace(coding, **changed), WHOLE)  # type: ignore[arg-type]
