"""Tolerances in drawing notation, read into limits.

    0 ± 5 mm        two limits around a nominal value (`+-` and `+/-` are taken for ±)
    10 +2/-1 mm     a nominal value with an upper and a lower deviation
    30..70 %        a range; its middle counts as the nominal value
    <= 20 ms        an upper limit (also ≤)
    >= 2 V          a lower limit (also ≥)
    = 0             exactly that, for things that are counted

The limits belong to the tolerance: a value on a limit conforms. For that reason `<` and `>` are refused. A number
without a unit takes the unit of the last one; a notation without any unit is refused where the measurement has one,
except for `= 0`. Everything is converted to the measurement's unit. The text is bounded and matched against a
narrow grammar; every mistake is one sentence that says what was found and what was expected.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from hil.quantities import Quantity, QuantityError, parse_quantity

_LONGEST_TEXT = 80  # the longest sensible notation, with a unit at every number, has about half of that
_ROUNDING = 1e-9  # of the limit: more than computing a reading in doubles costs, less than any instrument tells
_PLAIN_UNITS = ("", "count")  # a number of counted things is written without a unit
# The stroke between deviations has a sign behind it, which tells it from the stroke of a unit such as m/s or 1/m.
_DEVIATIONS = re.compile(r"(.*[^\s+-])\s*([+-][^/+-]+)/\s*([+-].*)")
_NOTATIONS = "one of '0 ± 5 mm', '10 +2/-1 mm', '30..70 %', '<= 20 ms', '>= 2 V', '= 0'"


class ToleranceError(ValueError):
    """The text is no tolerance, or its unit does not fit; `found` and `expected` serve a mistake in a file."""

    def __init__(self, found: str, expected: str) -> None:
        super().__init__(f"Found {found}, expected {expected}.")
        self.found = found
        self.expected = expected


@dataclass(frozen=True, slots=True, kw_only=True)
class Tolerance:
    """Limits in `unit`, both belonging to the tolerance; infinite where there is none.

    `nominal` is what the too-uncertain rule measures from: the nominal value as written, the middle of a range, None
    for a one-sided limit. `text` is the notation as written and `written_unit` the unit it was written in.
    """

    text: str
    unit: str
    lower: float = -math.inf
    upper: float = math.inf
    nominal: float | None = None
    written_unit: str = ""

    def __post_init__(self) -> None:
        """Refuse limits that could not hold anything."""
        if math.isnan(self.lower) or math.isnan(self.upper) or self.lower > self.upper:
            raise ValueError(f"the limits {self.lower!r} and {self.upper!r} enclose nothing")
        if self.nominal is not None and not self.lower <= self.nominal <= self.upper:
            raise ValueError(f"the nominal value {self.nominal!r} lies outside {self.lower!r}..{self.upper!r}")

    @property
    def is_exact(self) -> bool:
        """True for `= 0`."""
        return self.lower == self.upper

    @property
    def is_two_sided(self) -> bool:
        """True where there is a limit on each side."""
        return math.isfinite(self.lower) and math.isfinite(self.upper)

    @property
    def is_share(self) -> bool:
        """True where a limit for counted things is a share of the trials, such as `<= 5 %`."""
        return self.unit in _PLAIN_UNITS and self.written_unit not in _PLAIN_UNITS

    @property
    def half_width(self) -> float:
        """The smaller distance from the nominal value to a limit; infinite for a one-sided limit."""
        if self.nominal is None:
            return math.inf
        return min(self.upper - self.nominal, self.nominal - self.lower)

    def holds(self, value: float) -> bool:
        """Tell whether `value`, taken as exact, conforms; on the limit it does, however it was computed."""
        return self.lower <= value <= self.upper or is_on(value, self.lower) or is_on(value, self.upper)


def is_on(value: float, limit: float) -> bool:
    """Tell whether `value` lies on `limit` but for the rounding of binary arithmetic, as 100 (6.18/6 - 1) is 3."""
    return math.isclose(value, limit, rel_tol=_ROUNDING)


def parse_tolerance(text: str, unit: str) -> Tolerance:
    """Read a tolerance in drawing notation for a measurement in `unit`; raise `ToleranceError` where it is none."""
    if len(text) > _LONGEST_TEXT:
        raise ToleranceError(f"a text of {len(text)} characters", f"a tolerance of at most {_LONGEST_TEXT}")
    body = " ".join(text.replace("−", "-").replace("+/-", "±").replace("+-", "±").split())
    if not body:
        raise ToleranceError("an empty text", _NOTATIONS)
    if body[0] in "<>=≤≥":
        return _one_sided(text, body, unit)
    if "±" in body:
        return _symmetric(text, body, unit)
    if ".." in body:
        return _range(text, body, unit)
    if deviations := _DEVIATIONS.fullmatch(body):
        return _deviations(text, deviations, unit)
    raise ToleranceError(f"'{text}'", _NOTATIONS)


def _one_sided(text: str, body: str, unit: str) -> Tolerance:
    sign, rest = (body[:2], body[2:]) if body[:2] in ("<=", ">=", "==") else (body[0], body[1:])
    if sign in ("<", ">"):
        raise ToleranceError(
            f"'{text}'", f"'{sign}= {rest.strip() or '20 ms'}', since a limit belongs to its tolerance"
        )
    if sign == "==":
        raise ToleranceError(f"'{text}'", f"'= {rest.strip() or '0'}'")
    [value], written = _numbers(text, [rest], unit)
    if sign in ("<=", "≤"):
        return Tolerance(text=text.strip(), unit=unit, upper=value, written_unit=written)
    if sign in (">=", "≥"):
        return Tolerance(text=text.strip(), unit=unit, lower=value, written_unit=written)
    return Tolerance(text=text.strip(), unit=unit, lower=value, upper=value, nominal=value, written_unit=written)


def _symmetric(text: str, body: str, unit: str) -> Tolerance:
    parts = body.split("±")
    if len(parts) != 2:
        raise ToleranceError(f"'{text}' with {len(parts) - 1} signs ±", "one, as in '0 ± 5 mm'")
    [nominal, deviation], written = _numbers(text, parts, unit)
    if deviation < 0:
        raise ToleranceError(f"'{text}' with a negative number after ±", "a positive one, as in '0 ± 5 mm'")
    return _around(text, nominal, deviation, deviation, unit, written)


def _deviations(text: str, match: re.Match[str], unit: str) -> Tolerance:
    [nominal, first, second], written = _numbers(text, [*match.groups()], unit)
    above, below = max(first, second), min(first, second)
    if not below < 0 < above:
        raise ToleranceError(
            f"'{text}', whose deviations do not lie on both sides of the nominal value",
            f"one above and one below, or the range '{nominal + below:g}..{nominal + above:g} {unit}'",
        )
    return _around(text, nominal, -below, above, unit, written)


def _range(text: str, body: str, unit: str) -> Tolerance:
    parts = body.split("..")
    if len(parts) != 2 or "..." in body:
        raise ToleranceError(f"'{text}'", "two numbers with two full stops between them, as in '30..70 %'")
    [lower, upper], written = _numbers(text, parts, unit)
    if not lower < upper:
        raise ToleranceError(f"'{text}', a range that does not rise", "the smaller number first, as in '30..70 %'")
    return Tolerance(
        text=text.strip(),
        unit=unit,
        lower=lower,
        upper=upper,
        nominal=lower + (upper - lower) / 2,
        written_unit=written,
    )


def _around(text: str, nominal: float, below: float, above: float, unit: str, written: str) -> Tolerance:
    lower, upper = nominal - below, nominal + above
    if not lower < nominal < upper:
        raise ToleranceError(f"'{text}', a tolerance without width", "a width, or '= 0' for things that are counted")
    return Tolerance(text=text.strip(), unit=unit, lower=lower, upper=upper, nominal=nominal, written_unit=written)


def _numbers(text: str, parts: list[str], unit: str) -> tuple[list[float], str]:
    """Return the numbers of `parts` in `unit`, and the unit of the last one as written."""
    quantities = [_quantity(text, part) for part in parts]
    written = quantities[-1].unit
    # A bare zero means the same in every unit.
    if not written and unit not in _PLAIN_UNITS and any(quantity.value != 0 for quantity in quantities):
        raise ToleranceError(
            f"'{text}' without a unit", f"a unit that converts to {unit}, as in '{text.strip()} {unit}'"
        )
    try:
        values = [
            q.value if not (q.unit or written) else Quantity(q.value, q.unit or written).to(unit) for q in quantities
        ]
    except QuantityError as error:
        raise ToleranceError(
            f"'{text}', where {error}", f"a unit that converts to {unit or 'a plain number'}"
        ) from None
    return values, written


def _quantity(text: str, part: str) -> Quantity:
    # The sign of a deviation may stand apart from its number.
    stripped = part.strip()
    if stripped[:1] in ("+", "-"):
        stripped = stripped[0] + stripped[1:].strip()
    try:
        return parse_quantity(stripped)
    except QuantityError as error:
        reason = str(error) if stripped else "a number is missing"
        raise ToleranceError(f"'{text}', where {reason}", _NOTATIONS) from None
