"""The multimeter on the virtual bench: what it shows of a voltage or a current, within its stated accuracy.

Its accuracy is 0.5 % of the reading and two digits of 10 mV or 10 mA, as of a common hand-held one (common practice,
no source). One meter is always off the same way: a share, and up to a digit and a half; the last half is rounding.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from hil.errors import UsageError
from hil.simulator.streams import Source, stream

SHARE = 0.005
DIGITS = 2
DIGIT = 0.01  # V or A
_FACTORS = {"V": 1.0, "mV": 1e3, "A": 1.0, "mA": 1e3}


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """What is shown, in the unit asked for, with the standard uncertainty of the stated accuracy (a bound over √3)."""

    value: float
    u: float


class Meter:
    """One meter, as its seed drew it."""

    def __init__(self, seed: int) -> None:
        chance = stream(seed, Source.METER)
        self._share = float(chance.uniform(-SHARE, SHARE))
        self._digits = float(chance.uniform(0.5 - DIGITS, DIGITS - 0.5))

    def show(self, true: float, unit: str, step: float = 0.0) -> Shown:
        """Return what is shown of a true value [V or A] in `unit`, rounded to `step` of it (0: to the last digit)."""
        factor = _FACTORS[unit]
        digit = step or DIGIT * factor
        seen = true * factor * (1 + self._share) + self._digits * DIGIT * factor
        return Shown(
            value=round(round(seen / digit) * digit, 6),
            u=(SHARE * abs(true) + DIGITS * DIGIT) * factor / math.sqrt(3),
        )


def check_unit(at: str, unit: str) -> None:
    """Raise `UsageError` where what is measured there has another kind of unit."""
    kind = "A" if at == "supply.current" else "V"
    if _FACTORS.get(unit) is None or not unit.endswith(kind):
        raise UsageError(f"a meter at {at} shows nothing in {unit!r}", expected=f"{kind} or m{kind}")
