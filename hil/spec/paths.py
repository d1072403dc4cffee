"""Paths in words: `ahead 3 by both, left, ahead 2 blind, about right`.

A straight is `ahead N`, with `by none`, `by left`, `by right` or `by both` for the walls it is steered by (both
where nothing is said), or `blind` for none. A turn is `left`, `right`, `about left` or `about right`; `about` alone
is `about left`.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from hil.measure.model import CellPose, Course, ElementKind, PathElement
from hil.spec.wording import near, quoted
from hil.vocabulary import TRACKINGS

LONGEST_STRAIGHT = 32  # cells: the side of the largest maze
MOST_ELEMENTS = 64  # words of one path; a lap of a large course has about thirty
_AHEAD = re.compile(r"ahead (\d{1,4})(?: (?:by (\S+)|(blind)))?")
_TURNS = {
    "left": ElementKind.LEFT,
    "right": ElementKind.RIGHT,
    "about": ElementKind.ABOUT_LEFT,
    "about left": ElementKind.ABOUT_LEFT,
    "about right": ElementKind.ABOUT_RIGHT,
}
_HOW = ("blind", *(f"by {tracking}" for tracking in TRACKINGS))
_EXPECTED = "'ahead N', with 'by none', 'by left', 'by right', 'by both' or 'blind', or a turn: left, right, about"


class PathError(ValueError):
    """A word of a path cannot be read; `found`, `expected` and `near_miss` are those of a mistake in a file."""

    def __init__(self, found: str, expected: str, near_miss: str = "") -> None:
        super().__init__(f"found {found}, expected {expected}")
        self.found = found
        self.expected = expected
        self.near_miss = near_miss


def parse_path(text: str) -> tuple[PathElement, ...]:
    """Read a path in words; raise `PathError` at the first word that cannot be read."""
    words = [" ".join(word.split()) for word in text.split(",")]
    if len(words) > MOST_ELEMENTS:
        raise PathError(f"a path of {len(words)} elements", f"at most {MOST_ELEMENTS}")
    return tuple(_element(word) for word in words)


def _element(word: str) -> PathElement:
    if word in _TURNS:
        return PathElement(kind=_TURNS[word])
    match = _AHEAD.fullmatch(word)
    if match is None:
        begin = re.match(r"ahead \d+ ", word)
        like = near(word[begin.end() :], _HOW) if begin else near(word, _TURNS)
        raise PathError(quoted(word) if word else "nothing between two commas", _EXPECTED, like)
    cells = int(match[1])
    if not 1 <= cells <= LONGEST_STRAIGHT:
        raise PathError(quoted(word), f"from 1 to {LONGEST_STRAIGHT} cells")
    tracking = "none" if match[3] else (match[2] or "both")
    if tracking not in TRACKINGS:
        raise PathError(quoted(word), "by none, left, right or both", near(tracking, TRACKINGS))
    return PathElement(kind=ElementKind.AHEAD, cells=cells, tracking=tracking)


def path_in_words(path: Sequence[PathElement]) -> str:
    """Return a path in words, the inverse of `parse_path`."""
    return ", ".join(_in_words(element) for element in path)


def _in_words(element: PathElement) -> str:
    if element.kind is not ElementKind.AHEAD:
        return str(element.kind.value)
    return f"ahead {element.cells} " + ("blind" if element.tracking == "none" else f"by {element.tracking}")


def obstacle(course: Course, pose: CellPose, element: PathElement) -> str:
    """Return what stands in the way of an element driven from a pose, "" where the way is free."""
    if element.kind is not ElementKind.AHEAD:
        return ""
    dx, dy = pose.heading.step
    for cell in range(element.cells):
        x, y = pose.x + dx * cell, pose.y + dy * cell
        if course.has_wall(x, y, pose.heading):
            return f"a wall {pose.heading.name.lower()} of the cell [{x}, {y}]"
        if not (0 <= x + dx < course.columns and 0 <= y + dy < course.rows):
            return f"the end of the course {pose.heading.name.lower()} of the cell [{x}, {y}]"
    return ""
