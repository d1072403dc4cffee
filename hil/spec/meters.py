"""Readings of a meter: the channel it is held to, and the accuracy that its maker states.

A data sheet says *0.5 % + 20 mV*, or *0.5 % + 2 digits* of the smallest step shown. Both parts together are a bound of
the error, so that a standard uncertainty is the bound divided by sqrt(3) (JCGM 100:2008 4.3.7).
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from hil.quantities import QuantityError, quantity_in
from hil.spec.checking import Document, Key
from hil.spec.suite_file import ObservePart
from hil.spec.wording import quoted

METER_UNITS = ("V", "mV", "A", "mA", "ohm", "kohm")
METER_CHANNELS = ("supply.battery", "supply.motor", "supply.current")
_DIGITS = re.compile(r"(\d+(?:\.\d+)?) digits?")
_EXAMPLE = "an accuracy such as '0.5 % + 20 mV'"


@dataclass(frozen=True, slots=True, kw_only=True)
class MeterAccuracy:
    """Bounds of a meter's error: a `share` of the reading, and a `constant` part in the reading's unit."""

    share: float
    constant: float


def check_meter(document: Document, at: Key, part: ObservePart) -> None:
    """Report what a meter needs and has not, and what stands with another instrument that only a meter has."""
    if part.what != "meter":
        for key, value in (("at", part.at), ("accuracy", part.accuracy)):
            if value is not None:
                document.report((*at, key), found=quoted(key), expected="it for a meter only", key=True)
        return
    _check_place(document, at, part)
    if part.accuracy is None and part.u is None and not _stands(document, at, "accuracy"):
        document.report(at, found="nothing", expected="the accuracy that the meter's maker states", member="accuracy")
    if part.accuracy is not None and part.u is not None:
        document.report((*at, "u"), expected="either an accuracy or 'u'", key=True)
    if part.unit is None and not _stands(document, at, "unit"):
        document.report(at, found="nothing", expected="the unit that the meter shows, such as 'V'", member="unit")


def _check_place(document: Document, at: Key, part: ObservePart) -> None:
    if part.at is not None and part.at not in METER_CHANNELS:
        document.report_name((*at, "at"), "a channel that a meter can be held to", part.at, METER_CHANNELS)
    elif part.at is None and part.unit not in ("ohm", "kohm") and not _stands(document, at, "at"):
        document.report(at, found="nothing", expected="what the meter is held to, such as supply.motor", member="at")
    elif part.at is not None and part.unit in METER_UNITS:
        wanted = "A" if part.at == "supply.current" else "V"
        if not part.unit.endswith(wanted):
            document.report((*at, "unit"), expected=f"{wanted} or m{wanted}, as {part.at} is")


def _stands(document: Document, at: Key, key: str) -> bool:
    node = document.node(at)
    return node is not None and key in node.entries


def meter_accuracy(
    document: Document, at: Key, part: ObservePart, unit: str, resolution: float
) -> MeterAccuracy | None:
    """Return the accuracy stated, None where none is or it cannot be read, which is reported.

    `unit` is what the meter shows, `resolution` its smallest step there (0: not told), which digits are counted in.
    """
    if part.accuracy is None or part.what != "meter":
        return None
    share = constant = 0.0
    for term in part.accuracy.removeprefix("±").split("+"):
        text = term.strip()
        try:
            if text.endswith("%"):
                share += quantity_in(text, "")
            elif match := _DIGITS.fullmatch(text):
                if not resolution:
                    document.report(
                        (*at, "accuracy"),
                        found="digits",
                        expected="the meter's smallest step beside it, as 'resolution'",
                    )
                    return None
                constant += float(match[1]) * resolution
            else:
                constant += quantity_in(text, unit)
        except QuantityError:
            document.report((*at, "accuracy"), expected=_EXAMPLE)
            return None
    if share < 0 or constant < 0 or share + constant == 0 or share >= 1:
        document.report((*at, "accuracy"), expected=_EXAMPLE)
        return None
    return MeterAccuracy(share=share, constant=constant)
