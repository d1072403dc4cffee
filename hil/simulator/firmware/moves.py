"""A path in words becomes moves: consecutive straights are one motion, a turn is a pivot about the axle's centre.

Refused as `bad-path`: nothing, more than 64 elements, a straight of no or too many cells, an unknown tracking.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from hil.measure.model import ElementKind, PathElement
from hil.simulator.firmware.settings import Refusal
from hil.vocabulary import TRACKINGS

_MOST_ELEMENTS = 64  # what the firmware has memory for
_MOST_CELLS = 32  # the largest maze


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """Part of a straight, up to `end_mm` from its start, under one tracking; `index` is the path's element."""

    end_mm: float
    tracking: str
    index: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Straight:
    """One straight: sections in order of distance."""

    sections: tuple[Section, ...]

    @property
    def length_mm(self) -> float:
        """The whole counted length."""
        return self.sections[-1].end_mm


@dataclass(frozen=True, slots=True, kw_only=True)
class Turn:
    """A turn on the spot, counter-clockwise positive."""

    angle_rad: float
    index: int


Move = Straight | Turn


def moves_of(path: Sequence[PathElement], pitch_mm: float) -> tuple[Move, ...]:
    """Return the moves of a path; raise `Refusal` for a path that cannot be driven."""
    if not 0 < len(path) <= _MOST_ELEMENTS:
        raise Refusal("bad-path")
    moves: list[Move] = []
    sections: list[Section] = []
    for index, element in enumerate(path):
        if element.kind is ElementKind.AHEAD:
            if not 0 < element.cells <= _MOST_CELLS or element.tracking not in TRACKINGS:
                raise Refusal("bad-path")
            begin_mm = sections[-1].end_mm if sections else 0.0
            end_mm = begin_mm + element.cells * pitch_mm
            sections.append(Section(end_mm=end_mm, tracking=element.tracking, index=index))
            continue
        if sections:
            moves.append(Straight(sections=tuple(sections)))
            sections = []
        moves.append(Turn(angle_rad=element.kind.angle_rad, index=index))
    if sections:
        moves.append(Straight(sections=tuple(sections)))
    return tuple(moves)
