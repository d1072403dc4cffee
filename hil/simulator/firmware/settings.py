"""The firmware's settings: whole numbers by name, each with unit and range, read and changed over the port.

A name that is not known or a value out of range is refused with one word, and nothing is changed.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from hil.measure.model import Robot


class Refusal(Exception):
    """The firmware refuses a request; `reason` is one word for the reply."""

    def __init__(self, reason: str) -> None:
        super().__init__(reason)
        self.reason = reason


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """One setting: whole number of `unit` between `low` and `high`, `default` at power-on."""

    unit: str
    low: int
    high: int
    default: int
    meaning: str


def settings_table(robot: Robot) -> Mapping[str, Setting]:
    """Return the settings of the firmware of `robot`; sizes default to those of its file."""

    def um(length_mm: float, low_mm: float, high_mm: float, meaning: str) -> Setting:
        return Setting(
            unit="um",
            low=round(low_mm * 1000),
            high=round(high_mm * 1000),
            default=round(length_mm * 1000),
            meaning=meaning,
        )

    return {
        "wheel-left": um(robot.wheel_diameter_left_mm, 15, 60, "diameter of the left wheel"),
        "wheel-right": um(robot.wheel_diameter_right_mm, 15, 60, "diameter of the right wheel"),
        "wheel-base": um(robot.wheel_base_mm, 30, 150, "distance between the wheels"),
        "cell-pitch": um(180, 80, 200, "length of a cell"),
        "passage": um(168, 70, 190, "free width of a passage"),
        "track-left": um(0, -20, 20, "added to the distance kept from the left wall"),
        "track-right": um(0, -20, 20, "added to the distance kept from the right wall"),
        "front-trigger": um(90, 30, 140, "reading of the front sensor that re-references the stop"),
        "front-stop": um(robot.front_stop_mm, 40, 140, "distance of the axle from a front wall at the stop"),
        "front-window": um(robot.front_window_mm, 0, 60, "how far the wall may move the counted stop"),
        "acceleration": Setting(unit="mm/s2", low=200, high=8000, default=2000, meaning="of straights"),
        "settle": Setting(unit="ms", low=0, high=1000, default=60, meaning="rest after each straight and turn"),
        # The choices of the maze logic, for drives to a cell.
        "follow": Setting(
            unit="", low=0, high=3, default=3, meaning="walls it steers by: 0 none, 1 left, 2 right, 3 both"
        ),
        "stop-by": Setting(unit="", low=0, high=1, default=1, meaning="what ends a straight: 0 counts, 1 a wall ahead"),
        "battery-lowest": Setting(
            unit="mV",
            low=0,
            high=20000,
            default=round(robot.supply.lowest_v * 1000) if robot.supply else 6800,
            meaning="no drive starts below",
        ),
    }


class Settings:
    """The current values; `mm` gives a length setting in millimetres."""

    def __init__(self, robot: Robot) -> None:
        self.table = settings_table(robot)
        self._values = {name: setting.default for name, setting in self.table.items()}

    def get(self, name: str) -> int:
        """Return a setting's value; raise `Refusal` for an unknown name."""
        if name not in self._values:
            raise Refusal("unknown-name")
        return self._values[name]

    def set(self, name: str, value: int) -> int:
        """Change a setting and return its value; raise `Refusal` for an unknown name or a value out of range."""
        self.get(name)
        setting = self.table[name]
        if not setting.low <= value <= setting.high:
            raise Refusal("out-of-range")
        self._values[name] = value
        return value

    def saved(self) -> dict[str, int]:
        """Return all values, as they are kept over a power cycle."""
        return dict(self._values)

    def restore(self, saved: Mapping[str, int]) -> None:
        """Take the values that were kept."""
        self._values.update(saved)

    def mm(self, name: str) -> float:
        """Return a length setting [mm]."""
        return self._values[name] / 1000
