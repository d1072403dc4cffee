"""What a person types as an answer: numbers in several units, with a comma or a point, times, yes and no.

A bare number is in the unit that the prompt names. `1,5` is read as 1.5, `1:02.5` as a minute and two and a half
seconds. Everything else is refused with one clause, and asked again.
"""

from __future__ import annotations

import re

from hil.quantities import QuantityError, parse_quantity
from hil.spec.suite_values import Observed

NOT_SEEN = frozenset({"-", "not seen", "unseen", "?-"})
BACK = frozenset({"b", "back"})
HELP = frozenset({"?", "h", "help"})
_COMMA = re.compile(r"([+-]?\d*),(\d+)(?!\d*[.,])")
_CLOCK = re.compile(r"(?:(\d+):)?(\d{1,3}):(\d{1,2}(?:\.\d*)?)(?:\s*(?:min|h))?")
_WORDS = {"on": 1.0, "yes": 1.0, "lit": 1.0, "off": 0.0, "no": 0.0, "dark": 0.0}
# Beyond these a reading is asked for again before it is believed: no robot at a stop stands more askew, no lap takes
# longer.
_USUAL: dict[Observed, tuple[float, float]] = {
    Observed.ANGLE: (-45.0, 45.0),
    Observed.LAP_TIME: (0.3, 600.0),
    Observed.CONTACTS: (0.0, 50.0),
}
# And these, in passages that way and cells along: nothing in a passage is further off than its walls, and a robot that
# missed its place by a cell is in another one.
_IN_PASSAGES: dict[Observed, tuple[float, float]] = {
    Observed.OFFSET: (-0.5, 0.5),
    Observed.BOW: (-0.5, 0.5),
    Observed.CLEARANCE_LEFT: (0.0, 1.0),
    Observed.CLEARANCE_RIGHT: (0.0, 1.0),
}
_IN_CELLS: dict[Observed, tuple[float, float]] = {Observed.ALONG: (-1.0, 1.0)}


def read_entry(text: str, unit: str, what: Observed | None = None) -> float:
    """Return an answer in `unit`; raise `QuantityError`, one clause, where it is none."""
    said = _COMMA.sub(r"\1.\2", text.strip())
    if what is Observed.LIGHT and said.lower() in _WORDS:
        return _WORDS[said.lower()]
    clock = _CLOCK.fullmatch(said)
    if clock is not None and unit == "s":
        hours, minutes, seconds = (float(part or 0) for part in clock.groups())
        return 3600 * hours + 60 * minutes + seconds
    bare = parse_quantity(said)
    value = bare.to(unit) if bare.unit else bare.value
    if what is Observed.CONTACTS and (value < 0 or value != int(value)):
        raise QuantityError(f"{said!r} is not a number of times")
    if what is Observed.LIGHT and value not in (0.0, 1.0):
        raise QuantityError(f"{said!r} is neither on nor off")
    if what is Observed.LAP_TIME and value <= 0:
        raise QuantityError(f"{said!r} is no time that a lap takes")
    return value


def is_usual(value: float, what: Observed, *, passage_mm: float, pitch_mm: float) -> bool:
    """Tell whether a reading is one that a robot can give in a maze of these passages and cells (0: not known)."""
    for ranges, size in ((_USUAL, 1.0), (_IN_PASSAGES, passage_mm), (_IN_CELLS, pitch_mm)):
        if what in ranges and size:
            lowest, highest = ranges[what]
            return lowest * size <= value <= highest * size
    return True


def expected_entry(unit: str, what: Observed | None = None) -> str:
    """Return the words for what is expected."""
    if what is Observed.LIGHT:
        return "on or off"
    if what is Observed.CONTACTS:
        return "a number of times, 0 for none"
    return f"a number in {unit}, such as '1.5 {unit}'" if unit else "a number"
