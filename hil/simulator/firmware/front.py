"""The front stop: a wall seen ahead of the counted end moves the end to its own distance.

The wall acts once for each straight, at the moment its distance passes the trigger, and only where it moves the
counted end by no more than the window: a wall that belongs to another cell is left alone, and where there is no
wall the counts stand.
"""

from __future__ import annotations

from hil.simulator.firmware.walls import Linearised

_SMOOTHING = 0.25  # share of a new sample; a mean age of three ticks, which is corrected for
_AGE_S = (1 - _SMOOTHING) / _SMOOTHING * 0.001


class FrontStop:
    """Watches the front sensor.

    `trigger_mm` is the sensor's distance at which it acts, `remaining_mm` the travel then left to the stop,
    `late_mm` how much nearer the wall an ill-tuned one acts while it believes in `trigger_mm`.
    """

    __slots__ = ("_acted", "_distance", "_linear", "_trigger", "remaining_mm", "window_mm")

    def __init__(
        self, linear: Linearised | None, *, trigger_mm: float, remaining_mm: float, window_mm: float, late_mm: float
    ) -> None:
        self._linear = linear
        self._trigger = trigger_mm - late_mm
        self.remaining_mm = remaining_mm
        self.window_mm = window_mm
        self._distance = 0.0
        self._acted = False

    def restart(self) -> None:
        """Begin a straight."""
        self._acted = False
        self._distance = 0.0

    def look(self, reading: int, counted_remaining_mm: float, speed_mm_s: float) -> float | None:
        """Take a reading; return the travel left to the stop [mm] at the tick where the wall acts, else None."""
        if self._acted or self._linear is None:
            return None
        # Far from the end a wall cannot act; its first sample there is not worth its power law.
        if counted_remaining_mm > self.remaining_mm + self.window_mm + 40.0:
            return None
        sample = min(self._linear.distance_mm(reading), 500.0)
        smooth = self._distance
        self._distance = smooth = sample if smooth == 0.0 else smooth + _SMOOTHING * (sample - smooth)
        if smooth - speed_mm_s * _AGE_S > self._trigger:
            return None
        self._acted = True
        if abs(counted_remaining_mm - self.remaining_mm) > self.window_mm:
            return None
        return self.remaining_mm
