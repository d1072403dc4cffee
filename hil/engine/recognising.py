"""Which protocol a port speaks: the same bytes are given to every one, and the share of good lines tells.

The bytes are decoded exactly as in a run, by the protocol's own rules, so that a protocol that fits here is one that
works. A protocol with a check on every line cannot fit by chance; one without can, and the number of its lines and
channels then decides.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from hil.wire.dialect import Dialect
from hil.wire.link import End, Link
from hil.wire.received import Telemetry

# Below this share of good lines, or so few of them, a protocol does not fit: a line cut off at either end of the
# listening, and some lost to noise, must not count against it.
FITTING_SHARE = 0.8
FEWEST_GOOD = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """How a protocol fits what was heard at `baud`: good and bad lines, and the channels that came."""

    protocol: str
    baud: int
    good: int
    bad: int
    channels: tuple[str, ...]

    @property
    def share(self) -> float:
        """The share of good lines, 0 where no line came."""
        lines = self.good + self.bad
        return self.good / lines if lines else 0.0

    @property
    def fits(self) -> bool:
        """Whether the port speaks this protocol, as far as was heard."""
        return self.good >= FEWEST_GOOD and self.share >= FITTING_SHARE


def how_it_fits(data: bytes, baud: int, dialect: Dialect) -> Fit:
    """Return how `dialect` fits bytes that came at `baud`, without the line in whose middle listening began."""
    link = Link(dialect, End.HOST)
    _, ending, whole = data.partition(b"\n" if b"\n" in data else b"\r")
    received = link.receive(whole if ending else data)
    channels = {name for item in received if isinstance(item, Telemetry) for name in item.values}
    counters = link.counters
    return Fit(
        protocol=dialect.name,
        baud=baud,
        good=counters.good + counters.skipped,
        bad=counters.bad_total,
        channels=tuple(sorted(channels)),
    )


def ranked(fits: Iterable[Fit]) -> tuple[Fit, ...]:
    """Return the best first: those that fit, then by their share, then by what they told."""
    return tuple(sorted(fits, key=lambda fit: (not fit.fits, -fit.share, -len(fit.channels), -fit.good)))
