"""Numbers for the reader: an uncertainty has two significant digits, and its value stops at the same place."""

from __future__ import annotations

import math

_DIGITS_OF_UNCERTAINTY = 2
_DIGITS_ALONE = 6  # of a number that comes without an uncertainty
_FIXED_FROM, _FIXED_TO = 1e-6, 1e7  # outside of these, powers of ten read better than noughts


def decimals_for(uncertainty: float) -> int:
    """Return the decimals at which `uncertainty` > 0 has two significant digits; negative left of the point."""
    decimals = _DIGITS_OF_UNCERTAINTY - 1 - math.floor(math.log10(uncertainty))
    # 0.0996 rounds up to 0.10 and has then one digit more than wanted.
    rounded = round(uncertainty, decimals)
    return decimals - 1 if math.floor(math.log10(rounded)) > math.floor(math.log10(uncertainty)) else decimals


def rounded_pair(value: float, uncertainty: float) -> tuple[str, str]:
    """Return (value, uncertainty) as texts; a value without an uncertainty (0 or not finite) has six digits."""
    if not math.isfinite(uncertainty) or uncertainty <= 0 or not math.isfinite(value):
        return plain_number(value), plain_number(uncertainty)
    largest = max(abs(value), uncertainty)
    if not _FIXED_FROM <= largest < _FIXED_TO or uncertainty < _FIXED_FROM / 100:
        digits = max(0, decimals_for(uncertainty) + math.floor(math.log10(largest)))
        return f"{value:.{digits}e}", f"{uncertainty:.{_DIGITS_OF_UNCERTAINTY - 1}e}"
    decimals = decimals_for(uncertainty)
    return _fixed(value, decimals), _fixed(uncertainty, decimals)


def rounded_value(value: float, uncertainty: float) -> str:
    """Return `value` rounded to the place where `uncertainty` has two significant digits."""
    return rounded_pair(value, uncertainty)[0]


def plain_number(value: float) -> str:
    """Return a number without an uncertainty: at most six significant digits, no trailing noughts."""
    text = f"{value:.{_DIGITS_ALONE}g}"
    return "0" if text == "-0" else text


def with_unit(number: str, unit: str) -> str:
    """Return `number` followed by its unit, if it has one."""
    return f"{number} {unit}" if unit else number


def _fixed(value: float, decimals: int) -> str:
    text = f"{round(value, decimals):.{max(0, decimals)}f}"
    return text.removeprefix("-") if float(text) == 0 else text
