"""What may be said with each action, and the units that the values of commands have inside the package."""

from __future__ import annotations

from collections.abc import Mapping

from hil.quantities import QuantityError, convert

# What may be said with each action; the first of a pair must be there, the second may be.
ARGUMENTS: Mapping[str, tuple[tuple[str, ...], tuple[str, ...]]] = {
    "stream": (("period",), ()),
    "set": (("name", "value"), ()),
    "get": (("name",), ()),
    "drive": (("path",), ("speed", "front")),
    "goal": (("x", "y"), ("speed",)),
    "search": ((), ("speed",)),
    "spin": (("left", "right"), ("duration",)),
    "emit": (("channel",), ()),
    "sample": (("period",), ()),
    "record.edges": (("duration",), ()),
    "record.ticks": (("duration",), ()),
    "provoke": (("name",), ("duration",)),
}
FRONTS = ("wall", "counts")
INNER_UNITS = ("mm", "mm/s", "mm/s^2", "s", "rad", "rad/s", "V", "A", "count", "")


def inner_value(value: float, unit: str) -> float:
    """Return a value in the unit of its kind used inside the package; raise `QuantityError` where there is none."""
    for target in INNER_UNITS:
        try:
            return convert(value, unit, target)
        except QuantityError:
            continue
    raise QuantityError(f"the unit {unit} is none that commands know")
