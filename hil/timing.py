"""The one door to the clock, with the fake beside it. Nothing else in the package reads the time."""

from __future__ import annotations

import time
from datetime import UTC, datetime
from typing import Protocol


class Clock(Protocol):
    """What the engine needs of a clock: a monotonic reading, the date, and a way to wait."""

    def monotonic_ns(self) -> int:
        """Return a reading that never goes back [ns]."""

    def now(self) -> datetime:
        """Return the date and time, with its zone (UTC)."""

    def sleep(self, duration_s: float) -> None:
        """Wait for `duration_s` seconds."""


class SystemClock:
    """The machine's clock."""

    def monotonic_ns(self) -> int:
        """Return the machine's monotonic reading [ns]."""
        return time.monotonic_ns()

    def now(self) -> datetime:
        """Return the date and time in UTC."""
        return datetime.now(UTC)

    def sleep(self, duration_s: float) -> None:
        """Wait for `duration_s` seconds."""
        time.sleep(max(0.0, duration_s))


class FakeClock:
    """A clock for tests: it moves only when told to, or when somebody sleeps on it."""

    def __init__(self, start: datetime | None = None) -> None:
        self._elapsed_ns = 0
        self._start = start or datetime(2026, 1, 1, tzinfo=UTC)

    def monotonic_ns(self) -> int:
        """Return the fake reading [ns]."""
        return self._elapsed_ns

    def now(self) -> datetime:
        """Return the fake date and time."""
        return datetime.fromtimestamp(self._start.timestamp() + self._elapsed_ns / 1e9, UTC)

    def sleep(self, duration_s: float) -> None:
        """Advance instead of waiting."""
        self.advance(duration_s)

    def advance(self, duration_s: float) -> None:
        """Move the clock on by `duration_s` seconds."""
        self._elapsed_ns += round(duration_s * 1e9)
