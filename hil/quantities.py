"""Numbers with units, as users write them (`5 mm`, `0.4 m/s`, `-2 deg`, `0.5 %`), and their conversion.

Units are pint's; the registry loads on first use, since it costs a fifth of a second. Text is bounded and
matched against a narrow grammar before pint sees it: a file of a user is data and is never evaluated. What is counted
has its noun in place of a unit (`1 line`, `2 lines`).
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pint

_NUMBER = r"[+\-−]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d{1,3})?"
_UNIT = (
    r"(?:[A-Za-zµμ°%‰Ω]+(?:\^-?\d|[²³])?(?:\s?[/*·]\s?[A-Za-zµμ°%‰Ω]+(?:\^-?\d|[²³])?){0,3}|1/[A-Za-z]+(?:\^\d|[²³])?)"
)
_QUANTITY = re.compile(rf"\s*(?P<number>{_NUMBER})\s*(?P<unit>{_UNIT})?\s*")
_LONGEST_TEXT = 60  # a quantity of a user is a few words; more is a mistake

# Spellings of the trade that pint does not know or reads as something else.
_SPELLINGS = {
    "°": "deg",
    "Ω": "ohm",
    "count": "count",
    "counts": "count",
    "per mille": "permille",
    "‰": "permille",
    "%": "percent",
}


class QuantityError(ValueError):
    """The text is not a quantity, or its unit does not fit; the message is one clause."""


@dataclass(frozen=True, slots=True)
class Quantity:
    """A number and its unit as written; `unit` is "" for a plain number."""

    value: float
    unit: str

    def to(self, unit: str) -> float:
        """Return the value in `unit`; raise `QuantityError` where the dimensions differ."""
        return convert(self.value, self.unit, unit)


@lru_cache(maxsize=1)
def _registry() -> pint.UnitRegistry[float]:
    import pint

    registry: pint.UnitRegistry[float] = pint.UnitRegistry()
    # Exact definitions, not measurements: a cell's length depends on the course, a count on the encoder.
    registry.define("cell = [cell]")
    # Pint's own count is a plain number; here counts must not pass for percentages or lengths.
    registry.define("@alias revolution = wheelturn")
    return registry


def _pint_unit(unit: str) -> str:
    text = unit.replace("²", "^2").replace("³", "^3").replace("·", "*").replace("μ", "µ")
    for spelling, name in _SPELLINGS.items():
        text = text.replace(spelling, name) if not spelling.isalpha() else text
    return text


@lru_cache(maxsize=512)
def _factor(unit: str, target: str) -> float:
    import pint

    try:
        source = _registry().Unit(_pint_unit(unit)) if unit else _registry().Unit("dimensionless")
        wanted = _registry().Unit(_pint_unit(target)) if target else _registry().Unit("dimensionless")
    except (pint.errors.PintError, ValueError, AttributeError, TypeError) as error:
        raise QuantityError(f"the unit in {unit or target!r} is not known ({error})") from None
    try:
        return float(_registry().Quantity(1.0, source).to(wanted).magnitude)
    except pint.errors.DimensionalityError:
        raise QuantityError(f"{unit or 'a plain number'} cannot be expressed in {target or 'a plain number'}") from None
    except pint.errors.PintError as error:
        raise QuantityError(f"{unit!r} cannot be expressed in {target!r} ({error})") from None


def convert(value: float, unit: str, target: str) -> float:
    """Return `value` given in `unit` expressed in `target`; units that only scale (no °C)."""
    return value if unit == target else value * _factor(unit, target)


def parse_quantity(text: str) -> Quantity:
    """Read `text` as a number with an optional unit; raise `QuantityError` where it is not one."""
    if len(text) > _LONGEST_TEXT:
        raise QuantityError(f"{text[:20]!r}… is too long for a number with a unit")
    match = _QUANTITY.fullmatch(text)
    if match is None:
        raise QuantityError(f"{text!r} is not a number with a unit")
    value = float(match["number"].replace("−", "-"))
    if not math.isfinite(value):
        raise QuantityError(f"{text!r} is too large")
    return Quantity(value, (match["unit"] or "").strip())


def quantity_in(text: str, unit: str) -> float:
    """Read `text` and return its value in `unit`; a plain number is refused where `unit` is not plain.

    Zero needs no unit.
    """
    quantity = parse_quantity(text)
    if not quantity.unit and unit and quantity.value != 0:
        raise QuantityError(f"{text!r} has no unit; write it with one, such as '{quantity.value:g} {unit}'")
    return quantity.to(unit) if quantity.unit or not unit else 0.0


def counted(number: int, noun: str) -> str:
    """Return *1 placement*, *2 placements*."""
    return f"{number} {noun}{'' if number == 1 else 's'}"
