"""A hand that turns a free wheel: strokes of about a third of a turn, and a new grip after each.

Within a stroke the wheel gets under way and comes to rest smoothly, and its speed wanders meanwhile by the unevenness
asked for (standard deviation, as a share). Between strokes the fingers let go and take hold again; now and then the
wheel is turned back a little by that. Sizes are plausible for a wheel between two fingers; common practice, no source.
"""

from __future__ import annotations

import math

import numpy as np

from hil.errors import UsageError
from hil.simulator.plant import TICK_S, Plant

WHEELS = ("left", "right")
LOWEST_TURNS_S, HIGHEST_TURNS_S = 0.05, 5.0
MOST_TURNS = 200.0
_STROKE_TURNS, _STROKE_SD = 1 / 3, 0.05
_SHORTEST_STROKE = 0.15
_EDGE_SHARE = 0.15  # of a stroke's time, in which it gets under way, and again in which it ends
_GRIP_S = (0.08, 0.20)
_SLIP_CHANCE, _SLIP_TURNS, _SLIP_S = 0.4, 0.008, 0.04  # how often a wheel slips back, by how much at most, how fast
_WAVES = (1.0, 2.3, 3.7)  # a stroke: what its unevenness is made of
_SLOWEST = 0.15  # of the mean: a stroke does not stop on its way


class HandTurning:
    """Turns one wheel forward by `turns`, millisecond by millisecond, until `is_done`.

    `turns_per_s` is the mean speed of a stroke. Raises `UsageError` for what no hand does.
    """

    def __init__(
        self, wheel: str, turns: float, *, turns_per_s: float, unevenness: float, chance: np.random.Generator
    ) -> None:
        if wheel not in WHEELS:
            raise UsageError(f"there is no wheel {wheel!r}", expected=" or ".join(WHEELS))
        for what, value, low, high in (
            ("turns", turns, 0.0, MOST_TURNS),
            ("turns a second", turns_per_s, LOWEST_TURNS_S, HIGHEST_TURNS_S),
            ("unevenness", unevenness, 0.0, 1.0),
        ):
            if not low <= value <= high:
                raise UsageError(f"{value:g} is out of bounds for {what}", expected=f"{low:g} to {high:g}")
        self.wheel = wheel
        self._left = turns
        self._turns_per_s, self._unevenness, self._chance = turns_per_s, unevenness, chance
        self._speeds: list[float] = []  # still to come [turns/s], the next one last
        self.is_done = turns <= 0.0

    def turn(self, plant: Plant) -> bool:
        """Turn the wheel for a millisecond; tell whether it is done."""
        rate = self.rate_rad_s()
        plant.roll(*((rate, 0.0) if self.wheel == "left" else (0.0, rate)))
        return self.is_done

    def rate_rad_s(self) -> float:
        """Return how fast the wheel is turned in the next millisecond."""
        if not self._speeds:
            self._speeds = [*self._stroke(), *self._grip()][::-1]
        speed = self._speeds.pop()
        self._left -= speed * TICK_S
        # The turns are done when they are done, also in the middle of a stroke; what slips back is made up for.
        self.is_done = self._left <= 0.0
        return 2 * math.pi * speed

    def _stroke(self) -> list[float]:
        chance = self._chance
        turns = max(_SHORTEST_STROKE, float(chance.normal(_STROKE_TURNS, _STROKE_SD)))
        ticks = max(4, round(turns / self._turns_per_s / TICK_S))
        place = (np.arange(ticks) + 0.5) / ticks
        size = self._unevenness * math.sqrt(2 / len(_WAVES))
        phases = chance.uniform(0.0, 2 * math.pi, len(_WAVES))
        wander = sum(np.sin(2 * math.pi * wave * place + phase) for wave, phase in zip(_WAVES, phases, strict=True))
        ramp = np.clip(np.minimum(place, 1 - place) / _EDGE_SHARE, 0.0, 1.0)
        shape = np.maximum(1 + size * wander, _SLOWEST) * np.sin(0.5 * math.pi * ramp) ** 2
        speeds = shape * (turns / (TICK_S * float(shape.sum())))
        return [float(speed) for speed in speeds]

    def _grip(self) -> list[float]:
        ticks = round(float(self._chance.uniform(*_GRIP_S)) / TICK_S)
        still = [0.0] * ticks
        if self._chance.random() >= _SLIP_CHANCE:
            return still
        back = float(self._chance.uniform(0.0, _SLIP_TURNS))
        slips = round(_SLIP_S / TICK_S)
        place = (np.arange(slips) + 0.5) / slips
        shape = np.sin(math.pi * place)
        return [
            *still,
            *(float(-speed) for speed in shape * (back / (TICK_S * float(shape.sum())))),
            *still[: ticks // 2],
        ]
