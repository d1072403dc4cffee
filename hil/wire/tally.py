"""What has passed a link, counted as it goes by."""

from __future__ import annotations

from hil.wire.codec import NoiseReason
from hil.wire.counting import Numbering
from hil.wire.received import Counters, Noise


class Tally:
    """Counts for one end; the numbering, where there is one, counts what never came."""

    def __init__(self) -> None:
        self.good = 0
        self.stale = 0
        self.skipped = 0
        self._bad = dict.fromkeys(NoiseReason, 0)

    def noise(self, reason: NoiseReason, raw: bytes) -> Noise:
        """Count a line that was not taken."""
        self._bad[reason] += 1
        return Noise(reason=reason, raw=raw)

    def counters(self, numbering: Numbering | None) -> Counters:
        """Return the counts so far."""
        return Counters(
            good=self.good,
            bad=dict(self._bad),
            lost=numbering.lost if numbering else 0,
            restarts=numbering.restarts if numbering else 0,
            stale=self.stale,
            skipped=self.skipped,
        )
