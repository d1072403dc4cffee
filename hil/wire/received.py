"""What a link makes of the bytes it is given.

The host's end yields all of these but `Commanded`, the robot's end only that and `Noise`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from hil.wire.codec import NoiseReason
from hil.wire.dialect import Verdict
from hil.wire.fields import Value


@dataclass(frozen=True, slots=True, kw_only=True)
class Telemetry:
    """Values of channels, in their units; counters and clocks stay wrapped. `block` names the block of a row."""

    message: str
    values: Mapping[str, Value]
    block: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Happened:
    """An event by its canonical name; `detail` is "" where there is none, `values` hold the other fields."""

    event: str
    values: Mapping[str, Value]
    detail: str = ""
    block: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class BlockBegun:
    """A block message begins; `count` is how many rows it announces, `None` where it does not say."""

    block: str
    count: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class BlockEnded:
    """A block message is over after `rows` good rows; `reason` says why it is not whole, "" where it is."""

    block: str
    rows: int
    reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Booted:
    """The robot has started: `banner` is the line that said so."""

    banner: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Replied:
    """The first answer to the request `tag` (`None`: the one that waits), which was still waited for."""

    tag: int | None
    action: str
    verdict: Verdict
    answer: str
    values: Mapping[str, Value]


class StaleReason(StrEnum):
    """Why an answer answers nothing."""

    ANSWERED = "answered"  # the request had its answer before; it was sent more than once
    EXPIRED = "expired"  # the request had been given up
    UNASKED = "unasked"  # no request of late carried this number


@dataclass(frozen=True, slots=True, kw_only=True)
class Stale:
    """An answer that came too late or to nothing; it is never taken for the answer to another request."""

    tag: int | None
    action: str  # "" where the request is not known
    reason: StaleReason
    verdict: Verdict
    answer: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Noise:
    """A line that was not taken; `raw` is the line, or its beginning where it is overlong."""

    reason: NoiseReason
    raw: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class Commanded:
    """A request, as the robot gets it.

    `tag` is `None` where the request wants no answer. With `repeated` the robot does nothing: it sends `again`,
    which is the answer given before, or nothing yet where that answer is still to come.
    """

    action: str
    tag: int | None
    values: Mapping[str, Value]
    repeated: bool = False
    again: bytes = b""


Received = Telemetry | Happened | Replied | Stale | Noise | Commanded | BlockBegun | BlockEnded | Booted


@dataclass(frozen=True, slots=True, kw_only=True)
class Counters:
    """What passed a link since it was made: lines, except `lost` and `restarts`.

    `lost` counts the numbered lines that never came (none where the dialect does not number its lines), `restarts`
    how often the numbering or the robot's clock began anew, `skipped` the lines of the boot banner.
    """

    good: int = 0
    bad: Mapping[NoiseReason, int]
    lost: int = 0
    restarts: int = 0
    stale: int = 0
    skipped: int = 0

    @property
    def bad_total(self) -> int:
        """All lines that were not taken."""
        return sum(self.bad.values())
