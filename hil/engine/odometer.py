"""How far the wheels have turned, from the counts as they come: enough to see whether a drive was driven at all.

A robot that says yes and does not move would otherwise be sent on, from a place that nobody knows. This measures
nothing; it only tells a drive from none.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from hil.measure.model import ElementKind, PathElement, Robot
from hil.wire.counting import Unwrapper
from hil.wire.dialect import Dialect, Role
from hil.wire.fields import Value

_WHEELS = ("encoder.left", "encoder.right")
_LEAST_SHARE = 0.5  # of the path's way; a robot that slips or stops at a wall turns its wheels more than that


class Odometer:
    """Adds up the counts of both wheels, either way, over the wraps of their counters."""

    def __init__(self, dialect: Dialect) -> None:
        reported = [field for one in dialect.messages if one.role is Role.TELEMETRY for field in one.fields]
        moduli = {field.name: field.modulus for field in reported if field.name in _WHEELS}
        self._unwrap = {name: Unwrapper(modulus) for name, modulus in moduli.items() if modulus}
        self._last: dict[str, float] = {}
        self.counts = dict.fromkeys(_WHEELS, 0.0)

    @property
    def is_reported(self) -> bool:
        """Whether both wheels have been heard of."""
        return len(self._last) == len(_WHEELS)

    def follow(self, values: Mapping[str, Value]) -> None:
        """Take in a line of telemetry."""
        for name in _WHEELS:
            value = values.get(name)
            if value is None or isinstance(value, str | tuple):
                continue
            at = self._unwrap[name].follow(value) if name in self._unwrap else float(value)
            self.counts[name] += abs(at - self._last.get(name, at))
            self._last[name] = at


def way_mm(path: Sequence[PathElement], pitch_mm: float, robot: Robot) -> float:
    """Return how far each wheel travels along a path, pivots counted by their arcs."""
    ahead = sum(element.cells * pitch_mm for element in path if element.kind is ElementKind.AHEAD)
    return ahead + sum(abs(element.kind.angle_rad) * robot.wheel_base_mm / 2 for element in path)


def travelled_mm(before: Mapping[str, float], after: Mapping[str, float], robot: Robot) -> float:
    """Return the mean way of the wheels between two readings of an odometer."""
    left, right = (after[name] - before[name] for name in _WHEELS)
    return (left * robot.mm_per_count_left + right * robot.mm_per_count_right) / 2


def is_short(travelled: float, way: float) -> bool:
    """Tell whether the wheels turned so little that the path cannot have been driven."""
    return not math.isfinite(travelled) or travelled < _LEAST_SHARE * way
