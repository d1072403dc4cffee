"""A page as one plain line, for a screen reader, a dumb terminal or a file: the verdict first, then the numbers.

A line is said again only when something in it has changed enough to be worth hearing: the verdict, or a number by more
than a twentieth of its scale; and at least every so often, so that silence is never taken for an unchanged value.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field

from hil.engine.watch_page import Gauge, Page, State

_CHANGE = 0.05  # of a scale
_AGAIN_S = 5.0
_NUMBER = re.compile(r"[-+]?\d+(?:\.\d+)?")
_WORDS = {State.GOOD: "good", State.BAD: "not good", State.UNKNOWN: "not known yet"}


def plain_line(page: Page) -> str:
    """Return the page as one line without colours or drawing."""
    held = "held: " if page.is_held else ""
    gauges = "; ".join(_said(gauge) for gauge in page.gauges)
    notes = "".join(f" ({note})" for note in page.notes)
    return f"{held}{_WORDS[page.state]}: {page.verdict} {gauges}".rstrip() + notes


def _said(gauge: Gauge) -> str:
    if gauge.is_light:
        return f"{gauge.label} {'on' if gauge.light else 'off'}"
    band = ""
    if gauge.band is not None and gauge.value is not None:
        low, high = (f"{end:.{gauge.digits}f}" for end in gauge.band)
        band = f" (wanted {low} to {high})"
    also = f" ({gauge.also})" if gauge.also else ""
    return f"{gauge.label} {gauge.text} {gauge.unit}".rstrip() + band + also


@dataclass(slots=True)
class LineMode:
    """Says which pages are worth a line."""

    said_s: float = -1e9
    verdict: str = ""
    values: dict[str, float] = field(default_factory=dict)

    def line(self, page: Page, now_s: float) -> str:
        """Return the line to be said now, "" where nothing new is to be said."""
        values = {gauge.label: gauge.value for gauge in page.gauges if gauge.value is not None and not gauge.is_light}
        scales = {gauge.label: gauge.high - gauge.low for gauge in page.gauges}
        moved = any(
            abs(value - self.values.get(label, 1e300)) > _CHANGE * scales[label] for label, value in values.items()
        )
        # A verdict whose numbers alone have changed, such as the age of the newest line, is the same verdict.
        kind = f"{page.state.name} {page.is_held} {_NUMBER.sub('', page.verdict)}"
        if not moved and kind == self.verdict and now_s - self.said_s < _AGAIN_S:
            return ""
        self.said_s, self.verdict, self.values = now_s, kind, values
        return plain_line(page)
