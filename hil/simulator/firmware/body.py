"""What a firmware can see of the robot that it runs on, and nothing more."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Protocol

TICK_S = 0.001  # The task's period: 1 kHz.


class Body(Protocol):
    """The robot's hardware as its firmware sees it.

    `counts_left` and `counts_right` are the wheel counters, forward positive, since power-on. `contacts` is how
    often the bumper has closed. `battery_v` is the battery's voltage now, `rail_v` that of the motors.
    """

    @property
    def counts_left(self) -> int:
        """Counter of the left wheel."""

    @property
    def counts_right(self) -> int:
        """Counter of the right wheel."""

    @property
    def battery_v(self) -> float:
        """Battery voltage [V]."""

    @property
    def rail_v(self) -> float:
        """Voltage of the motor rail [V]; the battery's where the motors run on it."""

    @property
    def contacts(self) -> int:
        """Closings of the bumper so far."""

    def read_sensors(self) -> Mapping[str, tuple[int, int]]:
        """Return (lit, dark) readings by channel."""
