"""Paths in words, both ways."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hil.measure.model import ElementKind, PathElement
from hil.spec.paths import PathError, parse_path, path_in_words
from hil.vocabulary import TRACKINGS

elements = st.one_of(
    st.builds(
        PathElement,
        kind=st.just(ElementKind.AHEAD),
        cells=st.integers(1, 32),
        tracking=st.sampled_from(TRACKINGS),
    ),
    st.builds(PathElement, kind=st.sampled_from([kind for kind in ElementKind if kind is not ElementKind.AHEAD])),
)


@settings(max_examples=100, deadline=None)
@given(st.lists(elements, min_size=1, max_size=64))
def test_what_is_written_is_read_back(path: list[PathElement]) -> None:
    assert parse_path(path_in_words(path)) == tuple(path)


def test_a_plain_straight_is_steered_by_both_walls_and_about_goes_left() -> None:
    assert parse_path("ahead 3,about") == (
        PathElement(kind=ElementKind.AHEAD, cells=3, tracking="both"),
        PathElement(kind=ElementKind.ABOUT_LEFT),
    )


@pytest.mark.parametrize(
    "text", ["", "ahead", "ahead 0", "ahead 33", "ahead -1", "ahead 1.5", "left,", "left left", "ahead 1 by", "AHEAD 1"]
)
def test_what_is_no_path_is_refused(text: str) -> None:
    with pytest.raises(PathError):
        parse_path(text)


@pytest.mark.parametrize(
    ("text", "near_miss"),
    [("lft", "left"), ("abuot right", "about right"), ("ahead 2 blnd", "blind"), ("ahead 2 by bth", "both")],
)
def test_a_near_miss_is_offered(text: str, near_miss: str) -> None:
    with pytest.raises(PathError) as caught:
        parse_path(text)
    assert caught.value.near_miss == near_miss


def test_a_path_too_long_for_a_robot_is_refused() -> None:
    with pytest.raises(PathError, match="at most 64"):
        parse_path(",".join(["left"] * 65))
