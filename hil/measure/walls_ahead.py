"""Stops before several walls: which of them tell the robot's own stop together, on every route alike.

Walls stand apart, and the robot that stops by one of them with it: 0.5 mm of place and 2 % of reflectance at 90 mm.
What is asked for is where the robot stops, so the walls of a course that agree are averaged, each with equal weight,
and one that stands further off than walls do is left out. The first wall always counts: it is the one that the case is
about. Telemetry and a person thus measure the same: the mean over the same walls.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Generic, TypeVar

from hil.measure.uncertainty import Mean, Part, join

# Standard uncertainties; good walls differ by more once in 370 times, so that both routes join the same walls.
_FAR_APART = 3.0
WALL_APART_MM = 1.0  # of stops from wall to wall: 0.5 mm of place, 2 % of reflectance at 90 mm; common practice

T = TypeVar("T")


@dataclass(frozen=True, slots=True, kw_only=True)
class WallStops(Generic[T]):
    """The stops before one wall and their mean; `part` is what is not known of the mean."""

    mean: Mean
    part: Part
    stops: Sequence[T]

    @property
    def apart_mm(self) -> float:
        """What may set the mean apart from that of another wall [mm]."""
        return join(self.part, Part(WALL_APART_MM)).u


def agreeing(first: WallStops[T], others: Sequence[WallStops[T]]) -> tuple[list[WallStops[T]], str]:
    """Return the walls that are averaged, the first of them `first`, and a note."""
    used = [
        wall
        for wall in others
        if abs(wall.mean.value - first.mean.value) <= _FAR_APART * math.hypot(wall.apart_mm, first.apart_mm)
    ]
    elsewhere = ", ".join(f"{wall.mean.value:+.2f} mm" for wall in others)
    note = f"At other walls {elsewhere}." if others else "No other wall ahead tells a stop."
    if len(used) < len(others):
        note += " They differ by more than walls do; the first wall's stops stand alone."
    return [first, *used], note
