"""Pauses of the control task, as a fault: something else holds the processor and the motors keep their duties."""

from __future__ import annotations

from hil.simulator.firmware.body import TICK_S
from hil.simulator.streams import Source, stream

_MEAN_GAP_S = 1.0  # of driving between two pauses


class Pauses:
    """Says, tick by tick of a drive, whether the task is held; `length_s` of 0 never holds it.

    Gaps are uniform between half and one and a half seconds, from a random stream of their own; `key` tells several
    of one robot apart.
    """

    __slots__ = ("_held", "_length", "_random", "_until", "has_held")

    def __init__(self, length_s: float, seed: int, *key: int) -> None:
        self._random = stream(seed, Source.PAUSES, *key)
        self._length = round(length_s / TICK_S)
        self._held = 0
        self.has_held = False
        self._until = self._gap() if self._length else -1

    def _gap(self) -> int:
        return round(_MEAN_GAP_S / TICK_S * float(self._random.uniform(0.5, 1.5)))

    def held(self) -> bool:
        """Advance one tick of driving; tell whether the task does not run in it."""
        if self._until < 0:
            return False
        if self._held > 0:
            self._held -= 1
            return True
        if self._until == 0:
            self._until = self._gap()
            self.has_held = True
            # This tick is the first of the pause; a period of n ticks is seen when n - 1 are left out.
            self._held = max(0, self._length - 2)
            return self._length > 1
        self._until -= 1
        return False
