"""Paths as they are written in the argument of `drive`.

An element is (word, cells, tracking): the words are "ahead", "left", "right", "about left" and "about right"; a turn
has no cells and no tracking, (word, 0, "none"). Decoding accepts exactly what encoding writes. A coding in which two
paths would be written alike is found out when such a path is encoded, and refused then.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import cast

from hil.errors import WireError
from hil.wire.dialect import FieldSpec, FieldType, PathCoding
from hil.wire.template import Template

PathWord = tuple[str, int, str]

MOST_CELLS = 255  # of one straight: it fits a byte in the robot, and no maze is longer
MOST_ELEMENTS = 255  # of one path: the same; lines are far shorter
_AHEAD = "ahead"


class PathCodec:
    """A compiled `PathCoding`."""

    def __init__(self, coding: PathCoding) -> None:
        cells = FieldSpec(name="cells", type=FieldType.UNSIGNED, modulus=MOST_CELLS + 1)
        words = {word: tracking for tracking, word in coding.trackings.items()}
        if len(words) != len(coding.trackings):
            raise WireError("two trackings are written alike", where="path coding")
        self._ahead = Template(coding.ahead, (cells, FieldSpec(name="tracking", type=FieldType.WORD, choices=words)))
        self._turns = {
            "left": coding.left,
            "right": coding.right,
            "about left": coding.about_left,
            "about right": coding.about_right,
        }
        self._turn_of = {written: word for word, written in self._turns.items()}
        if len(self._turn_of) != len(self._turns) or not all(self._turns.values()):
            raise WireError("two turns are written alike, or one as nothing", where="path coding")
        self._joiner = coding.joiner
        turns = "|".join(re.escape(turn) for turn in sorted(self._turn_of, key=len, reverse=True))
        self._element = re.compile(f"{self._ahead.pattern}|{turns}")

    def encode(self, elements: Sequence[PathWord]) -> str:
        """Return the path as text; raise `WireError` for what cannot be written."""
        if not 0 < len(elements) <= MOST_ELEMENTS:
            raise WireError(f"a path of {len(elements)} elements cannot be sent", expected=f"1 to {MOST_ELEMENTS}")
        text = self._joiner.join(self._write(*element) for element in elements)
        if self._take_apart(text) != list(elements):
            raise WireError(f"the path {text!r} could be read in two ways", where="path coding")
        return text

    def decode(self, text: str) -> list[PathWord]:
        """Return the elements of the path `text`; raise `WireError` where it is not exactly a path."""
        elements = self._take_apart(text)
        if elements is None:
            raise WireError(f"{text[:40]!r} is not a path")
        return elements

    def _write(self, word: str, cells: int, tracking: str) -> str:
        if word != _AHEAD:
            if word not in self._turns:
                raise WireError(f"{word!r} is no element of a path", expected=", ".join([_AHEAD, *self._turns]))
            if (cells, tracking) != (0, "none"):
                raise WireError(f"a turn has no cells and no tracking, not {cells} and {tracking!r}")
            return self._turns[word]
        if not 0 < cells <= MOST_CELLS:
            raise WireError(f"a straight of {cells} cells cannot be sent", expected=f"1 to {MOST_CELLS}")
        return self._ahead.format({"cells": cells, "tracking": tracking}).decode("ascii")

    def _take_apart(self, text: str) -> list[PathWord] | None:
        pieces = text.split(self._joiner) if self._joiner else self._element.findall(text)
        if not 0 < len(pieces) <= MOST_ELEMENTS or self._joiner.join(pieces) != text:
            return None
        elements: list[PathWord] = []
        for piece in pieces:
            if piece in self._turn_of:
                elements.append((self._turn_of[piece], 0, "none"))
                continue
            values = self._ahead.parse(piece.encode("ascii", "replace"))
            if values is None or values["cells"] == 0:
                return None
            elements.append((_AHEAD, int(cast(int, values["cells"])), str(values["tracking"])))
            # A padded number would be a second way to write the same path.
            if self._write(*elements[-1]) != piece:
                return None
        return elements


def encode_path(coding: PathCoding, elements: Sequence[PathWord]) -> str:
    """Return `elements` as the text of one path; see `PathCodec`."""
    return PathCodec(coding).encode(elements)


def decode_path(coding: PathCoding, text: str) -> list[PathWord]:
    """Return the elements of `text`; see `PathCodec`."""
    return PathCodec(coding).decode(text)
