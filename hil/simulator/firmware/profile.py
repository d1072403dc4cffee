"""The speed profile: a trapezoid over a distance (or an angle) whose end may move while it runs."""

from __future__ import annotations

import math

from hil.simulator.firmware.body import TICK_S

_HARDEST_BRAKE = 2.0  # times the acceleration; used only where the end has come nearer than planned.


class Ramp:
    """A motion from 0 to `end` at no more than `speed_limit`, one step per tick.

    Units are the caller's: mm for straights, rad for turns, per second and per second squared. `position`, `speed`
    and `acceleration` are the reference after the latest step, `travel` is what that step covered. Braking follows
    v = sqrt(2 a remaining).
    """

    __slots__ = ("_limit", "_step", "_twice", "acceleration", "end", "position", "speed", "travel")

    def __init__(self, end: float, speed_limit: float, acceleration: float) -> None:
        self.end = end
        self.position = 0.0
        self.speed = 0.0
        self.acceleration = 0.0
        self.travel = 0.0
        self._limit = speed_limit
        self._step = acceleration * TICK_S
        self._twice = 2 * acceleration

    @property
    def done(self) -> bool:
        """Whether the reference stands at the end."""
        return self.speed == 0.0 and self.position >= self.end

    def advance(self) -> None:
        """Take one tick's step."""
        before = self.speed
        step = self._step
        remaining = self.end - self.position
        speed = min(before + step, self._limit)
        # The highest speed after this tick from which the way that is then left is enough to brake in.
        square = 0.25 * step * step + self._twice * remaining - step * before
        ceiling = math.sqrt(square) - 0.5 * step if square > 0 else 0.0
        if speed > ceiling:
            speed = max(ceiling, before - _HARDEST_BRAKE * step, 0.0)
        travel = 0.5 * (before + speed) * TICK_S
        # The last hundredth of a tick's braking is not worth another tick.
        if speed < 0.01 * step or (remaining <= travel and speed <= _HARDEST_BRAKE * step):
            travel = max(remaining, 0.0)
            speed = 0.0
        self.travel = travel
        self.position += travel
        self.speed = speed
        self.acceleration = (speed - before) / TICK_S
