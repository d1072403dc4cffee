"""What the virtual robot can say of itself: its channels, words for its state, and the line it boots with.

The voltages of battery and motor rail are read through dividers and the battery's current over a shunt, by a converter
of ten bits that scatters a little; the firmware takes the mean of some conversions. The rail's divider and the shunt
are off by a share that stays; that of the battery was set right with a meter.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping

from hil.simulator.channels import STATE, Getter
from hil.simulator.firmware.maze import MazeLogic
from hil.simulator.firmware.task import Firmware, Phase
from hil.simulator.optics import convert
from hil.simulator.plant import Plant
from hil.simulator.streams import Source, stream
from hil.wire.dialect import Dialect

LOOP_PERIOD = "loop.period"  # the longest since it was told last
_STATES = {phase: number for number, phase in enumerate(Phase)}
_ESCAPED = re.compile(r"\\(.)")

_CONVERTER = 1023  # full scale of the supply's converter, whatever that of the sensors
_SCATTER_COUNTS = 0.7  # of one conversion; common practice, no source
_CONVERSIONS = 16  # that the firmware takes the mean of
VOLTS_SCALE_V = 12.0  # at full scale
CURRENT_SCALE_A = 2.0

Readings = Mapping[str, tuple[int, int]]


class SupplyReading:
    """A converter's reading of a voltage or current: `scale` at full scale, nothing below zero.

    It is off by a share of the reading within `bound`, drawn from the seed; `key` tells several readings apart.
    """

    def __init__(self, get: Callable[[], float], *, scale: float, bound: float, seed: int, key: int) -> None:
        self._get, self._step = get, scale / _CONVERTER
        self._share = 1 + float(stream(seed, Source.GAUGES, key, 0).uniform(-bound, bound))
        self._chance = stream(seed, Source.GAUGES, key, 1)

    def __call__(self) -> float:
        """Return what is read now."""
        level = self._get() * self._share / self._step
        scatter = _SCATTER_COUNTS * self._chance.standard_normal(_CONVERSIONS)
        counts = [convert(level + one, _CONVERTER) for one in scatter.tolist()]
        return sum(counts) / _CONVERSIONS * self._step


class Gauges:
    """Reads off the robot what can be told. `readings` gives (lit, dark) by channel as last sampled."""

    def __init__(
        self,
        firmware: Firmware,
        plant: Plant,
        maze: MazeLogic,
        *,
        now_s: Callable[[], float],
        readings: Callable[[], Readings],
    ) -> None:
        self._firmware, self._plant, self._maze = firmware, plant, maze
        self._now_s, self._readings = now_s, readings

    def getters(self) -> dict[str, Getter]:
        """Return what this robot can report, by canonical channel, in the channel's unit."""
        firmware, plant = self._firmware, self._plant
        getters: dict[str, Getter] = {
            "time": self._now_s,
            "encoder.left": lambda: plant.counts_left,
            "encoder.right": lambda: plant.counts_right,
            "supply.battery": self._supply(lambda: plant.battery_v, VOLTS_SCALE_V, 0.0, 2),
            "supply.motor": self._supply(lambda: plant.rail_v, VOLTS_SCALE_V, plant.truth.noises.rail_bound, 0),
            "supply.current": self._supply(
                lambda: plant.current_a, CURRENT_SCALE_A, plant.truth.noises.current_bound, 1
            ),
            "duty.left": lambda: firmware.duty_left,
            "duty.right": lambda: firmware.duty_right,
            LOOP_PERIOD: lambda: firmware.longest_period_s,
            "encoder.left.levels": lambda: plant.encoder_outputs[0],
            "encoder.right.levels": lambda: plant.encoder_outputs[1],
            STATE: lambda: _STATES[firmware.phase],
            "cell.x": lambda: self._maze.pose.x if self._maze.pose else 0,
            "cell.y": lambda: self._maze.pose.y if self._maze.pose else 0,
            "heading": lambda: int(self._maze.pose.heading) if self._maze.pose else 0,
        }
        for channel in plant.channels:
            getters[channel] = self._reading(channel, 0)
            getters[f"{channel}.dark"] = self._reading(channel, 1)
        return getters

    def _supply(self, get: Callable[[], float], scale: float, bound: float, key: int) -> SupplyReading:
        return SupplyReading(get, scale=scale, bound=bound, seed=self._plant.truth.seed, key=key)

    def _reading(self, channel: str, index: int) -> Getter:
        return lambda: self._readings()[channel][index]

    def state_words(self) -> tuple[str, ...]:
        """Return words for what the robot does, the fittest first."""
        low = self._plant.battery_v * 1000 < self._firmware.settings.get("battery-lowest")
        return (*(("battery low",) if low else ()), self._firmware.phase.value, "sensing")


def banner_text(dialect: Dialect) -> str:
    """Return a line that the dialect's banner is a pattern for: the pattern itself, "" where it is not plain text."""
    for pattern in (dialect.boot.banner, dialect.banner):
        text = _ESCAPED.sub(r"\1", pattern)
        if text and re.fullmatch(pattern, text):
            return text
    return ""
