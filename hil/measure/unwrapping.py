"""Counters and clocks without their wraps: each counter drive by drive, the robot's clock over a whole trace.

A counter takes each step the shorter way, except across a gap in the lines, where the speed before the gap says about
how far it must have gone.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from hil.measure.evidence import Floats

_GAP = 2.5  # a step longer than so many usual periods is a gap in the lines
_RATE_ROWS = 8  # rows before a gap from which the speed across it is taken


def unwrapped(values: Floats, time_s: Floats, modulus: float) -> Floats:
    """Return a counter without its wraps at `modulus` (in the counter's unit), beginning at its first value.

    Each step goes the shorter way round, and across a gap in `time_s` the way nearest to the speed before the gap.
    """
    if modulus <= 0 or values.size < 2:
        return values
    steps = np.diff(values)
    steps -= modulus * np.round(steps / modulus)
    periods = np.diff(time_s)
    usual = float(np.median(periods))
    gaps = np.nonzero(periods > _GAP * usual)[0] if usual > 0 else np.array([], dtype=np.int64)
    for gap in map(int, gaps):
        first = max(0, gap - _RATE_ROWS)
        before_s = float(time_s[gap] - time_s[first])
        if before_s > 0:
            expected = float(np.sum(steps[first:gap])) / before_s * periods[gap]
            steps[gap] += modulus * np.round((expected - steps[gap]) / modulus)
    return np.concatenate((values[:1], values[0] + np.cumsum(steps)))


@dataclass(slots=True)
class RobotClock:
    """Follows the robot's clock over its wraps, by the host's time where the robot was silent for long.

    The robot's clock may run faster than the host's (a virtual robot), so the host's is a lower bound of what passed
    and is asked only when more than half a modulus of it has gone by.
    """

    modulus: float
    last_raw: float | None = None
    time_s: float = 0.0
    host_s: float = 0.0

    def follow(self, raw: float, host_s: float) -> float:
        """Return the unwrapped time of a reading [s] that came at the host's time `host_s`."""
        if self.last_raw is None:
            self.time_s = raw
        else:
            step = raw - self.last_raw
            if self.modulus > 0:
                step -= self.modulus * round(step / self.modulus)
                passed_s = host_s - self.host_s
                if passed_s > self.modulus / 2:
                    step += self.modulus * round((passed_s - step) / self.modulus)
            self.time_s += step
        self.last_raw, self.host_s = raw, host_s
        return self.time_s

    def restarted(self, host_s: float) -> None:
        """Go on from where the clock was, by the host's time, when the robot began anew."""
        if self.last_raw is not None:
            self.time_s += max(0.0, host_s - self.host_s)
            self.last_raw = 0.0
            self.host_s = host_s


def unwrapped_where_carried(values: Floats, time_s: Floats, modulus: float) -> Floats:
    """Return a counter without its wraps, where some rows did not carry it (nan)."""
    carried = ~np.isnan(values)
    if modulus <= 0 or np.all(carried):
        return unwrapped(values, time_s, modulus)
    filled = values.copy()
    filled[carried] = unwrapped(values[carried], time_s[carried], modulus)
    return filled
