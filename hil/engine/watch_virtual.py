"""The virtual person while a display is watched: turns wheels, moves a board, loads the supply, over and over."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from hil.engine.virtual import VirtualProcess

_TURNS = 14.0  # of a wheel by hand before the other one's turn: more than it must stay good for
_SPIN_S = 4.0
_BOARD_MM = (49.0, 44.0, 39.0, 44.0, 49.0, 59.0, 69.0, None)


def acts_of(subject: str, sensors: Sequence[str]) -> tuple[Mapping[str, Any], ...]:
    """Return what the virtual person does, request by request, while a subject is watched."""
    if subject == "encoder":
        return tuple({"do": "turn wheel", "wheel": wheel, "turns": _TURNS} for wheel in ("left", "right"))
    if subject == "walls":
        board = {"do": "jig", "surface": "white", "angle_deg": 0.0}
        return tuple({**board, "sensor": sensor, "distance_mm": place} for sensor in sensors for place in _BOARD_MM)
    if subject == "supply":
        duties = (0.2, 0.5, -0.5)
        return tuple({"do": "spin", "left": duty, "right": duty, "for_s": _SPIN_S} for duty in duties)
    return ()


@dataclass(slots=True)
class VirtualHand:
    """Goes through its acts for as long as it is asked to; each is begun when the one before is done."""

    process: VirtualProcess
    acts: Sequence[Mapping[str, Any]]
    rest_s: float = 0.0
    _next_s: float = 0.0
    _at: int = 0

    def go_on(self, now_s: float) -> None:
        """Begin the next act where the last one is done, `rest_s` after it."""
        if not self.acts or not self.process.is_done():
            self._next_s = now_s + self.rest_s
            return
        if now_s >= self._next_s:
            self.process.begin(self.acts[self._at % len(self.acts)])
            self._at += 1
            self._next_s = now_s + self.rest_s
