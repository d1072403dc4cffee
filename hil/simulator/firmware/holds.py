"""How late the 1 kHz task comes: the jitter of its release, and what may hold it up when it is asked to.

A timer releases the task every millisecond; it begins a little after that, never by the same time, and later still
where something else holds the processor. The timer does not wait: after a late beginning the next one is on time again,
so that a long period is followed by a short one. Periods are those between two beginnings, by the robot's clock.

What can be provoked goes on again and again, each kind with a hold and a pace of its own (plausible for a small
controller; common practice, no source). On a sound robot none holds the task for a whole period.
"""

from __future__ import annotations

from dataclasses import dataclass

from hil.simulator.firmware.body import TICK_S
from hil.simulator.firmware.pauses import Pauses
from hil.simulator.firmware.settings import Refusal
from hil.simulator.streams import Source, stream

_HOLD_SPREAD = 0.05  # of a hold, from one to the next
_LONGEST_HOLD_S = 0.9 * TICK_S
_AT_REST = 1  # the key of the pauses that come while no drive goes on


@dataclass(frozen=True, slots=True, kw_only=True)
class Hold:
    """Something that holds up the task: for how long, and how often while it goes on."""

    hold_s: float
    every_s: float


HOLDS = {
    "log flush": Hold(hold_s=0.30e-3, every_s=0.040),
    "flash write": Hold(hold_s=0.80e-3, every_s=0.100),
    "screen": Hold(hold_s=0.65e-3, every_s=0.033),
    "map flood": Hold(hold_s=0.70e-3, every_s=0.250),
    "radio": Hold(hold_s=0.15e-3, every_s=0.010),
    "all sensors": Hold(hold_s=0.35e-3, every_s=0.008),
}


class TaskTimes:
    """When the task truly began, tick by tick. `jitter_sd_s` is that of a beginning against its timer.

    With `pause_s` (a fault) the task is held for so long about once a second, at rest as in a drive.
    """

    def __init__(self, *, jitter_sd_s: float, pause_s: float, seed: int) -> None:
        self._jitter_s = jitter_sd_s
        self._chance = stream(seed, Source.RELEASES)
        self._pauses = Pauses(pause_s, seed, _AT_REST)
        self._hold: Hold | None = None
        self._next_s = self._until_s = 0.0
        self._last_s: float | None = None
        self.begun_s = 0.0  # when the task began last

    def provoke(self, name: str, duration_s: float, now_s: float) -> None:
        """Do something again and again for so long, or once (0); raise `Refusal` for what cannot be done."""
        hold = HOLDS.get(name)
        if hold is None:
            raise Refusal("unknown-name")
        self._hold, self._next_s, self._until_s = hold, now_s, now_s + duration_s

    @property
    def is_provoked(self) -> bool:
        """Whether something goes on that was asked for."""
        return self._hold is not None

    @property
    def has_been_held(self) -> bool:
        """Whether a pause of the fault has held the task outside of drives."""
        return self._pauses.has_held

    def forget(self) -> None:
        """Begin anew: the next beginning ends no period."""
        self._last_s = None

    def begin(self, now_s: float, *, runs: bool, drives: bool) -> float | None:
        """Take a tick whose timer is at `now_s`; return the period that ends in it, None where none does.

        `runs` is whether the task is let run in this tick of a drive (`drives`).
        """
        late_s = self._jitter_s * float(self._chance.standard_normal()) + self._held_s(now_s)
        if not (runs if drives else not self._pauses.held()):
            return None
        last_s = self._last_s
        self._last_s = self.begun_s = now_s + late_s
        return None if last_s is None else self.begun_s - last_s

    def _held_s(self, now_s: float) -> float:
        hold = self._hold
        if hold is None or now_s < self._next_s:
            return 0.0
        self._next_s += hold.every_s
        if self._next_s > self._until_s:
            self._hold = None
        length_s = hold.hold_s * (1 + _HOLD_SPREAD * float(self._chance.standard_normal()))
        return min(length_s, _LONGEST_HOLD_S)
