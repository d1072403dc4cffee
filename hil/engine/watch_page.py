"""What a live display shows, as plain values: gauges with their target bands and peaks, lights, and one verdict line.

How it is drawn, in a terminal or as lines, is the business of whoever draws it. Nothing here reads a port.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum


class State(Enum):
    """How a gauge or a page stands: within its band, outside of it, or not known yet."""

    GOOD = "good"
    BAD = "bad"
    UNKNOWN = "not known yet"


@dataclass(frozen=True, slots=True, kw_only=True)
class Gauge:
    """One quantity as it is now: its value in `unit` (None: nothing came yet) on a scale from `low` to `high`.

    `band` is where it should be, `peak` the least and most seen since the last reset. `digits` are shown behind the
    point. `also` is a short word beside it, such as a direction. With `light` it is a light, on or off.
    """

    label: str
    unit: str = ""
    value: float | None = None
    low: float = 0.0
    high: float = 1.0
    band: tuple[float, float] | None = None
    peak: tuple[float, float] | None = None
    digits: int = 0
    also: str = ""
    light: bool | None = None
    is_light: bool = False

    @property
    def state(self) -> State:
        """Whether the value is within its band; a gauge without a band has nothing to be judged by."""
        if self.value is None or self.band is None:
            return State.UNKNOWN
        return State.GOOD if self.band[0] <= self.value <= self.band[1] else State.BAD

    @property
    def text(self) -> str:
        """The value as people read it, without its unit."""
        return "--" if self.value is None else f"{self.value:.{self.digits}f}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Page:
    """One moment of a display. `main` is the number of the gauge that is shown large (-1: none).

    `verdict` is one plain sentence, `state` says the same in a word. `age_s` is how old the newest value is (None: none
    came), `rate_hz` how often lines come; `is_old` says that nothing comes any more.
    """

    title: str
    gauges: tuple[Gauge, ...]
    verdict: str
    state: State = State.UNKNOWN
    main: int = 0
    age_s: float | None = None
    rate_hz: float = 0.0
    is_held: bool = False
    is_old: bool = False
    notes: tuple[str, ...] = ()
