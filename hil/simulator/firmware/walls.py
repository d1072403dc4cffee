"""What the wall sensors tell the firmware: linear distances, whether a wall is there and steady, and wall ends.

Distances come from the calibration of the jig; without one for a sensor, that sensor is blind. A wall end is where
the reading passes half of that of the wall just seen, whatever the surface.
"""

from __future__ import annotations

import math

from hil.measure.model import SensorCalibration

_PRESENT_WITHIN_MM = 45.0  # a side wall farther than this from its place is not steered by
_MEMORY_MM = 10.0  # travel over which a distance is remembered, to tell a wall from its end
_STEADY_MM = 1.5  # a distance that leaves its memory and trend by more is at an end of a wall
_TREND_MEMORY_MM = 20.0  # travel over which a trend is learnt, such as that of a robot that came askew out of a turn
_STEEPEST_MM = 2.5  # trend over the memory's travel, 14 deg of heading; the end of a wall is steeper
_TRUSTED_AFTER_MM = 20.0  # travel for which a wall must have been steady
_CONFIRM_TICKS = 3  # readings beyond the threshold before an end is believed
_SHARE = 0.5  # of the wall's reading, where its end is
_REFERENCE_SHARE = 0.85  # readings above this share of the reference still belong to the wall
_REFERENCE_GAIN = 0.02  # a tick; follows the wall's reading, not single samples
_SLOW_GAIN = 0.003  # below that share: a wall that recedes is followed, its end is over before it matters


class Linearised:
    """A sensor's reading turned to a distance by its calibration."""

    __slots__ = ("_factor", "_offset", "_power")

    def __init__(self, calibration: SensorCalibration) -> None:
        self._power = -1 / calibration.exponent
        self._factor = calibration.gain**-self._power
        self._offset = calibration.offset_mm

    def distance_mm(self, reading: int) -> float:
        """Return the distance for a reading (lit minus dark); infinite where nothing is seen."""
        if reading <= 0:
            return math.inf
        return float(self._factor * reading**self._power) - self._offset


class SideWall:
    """The wall on one side: how far its distance is from `nominal_mm`, and whether that can be steered by.

    A saturated sensor is passed as a reading of 0: the wall is too near to be measured, and so not steered by.
    `excess_mm` (distance minus nominal) and `smooth_mm`, the same over the latest travel, are valid while `usable`.
    """

    __slots__ = ("_linear", "_nominal", "_steady_for", "_trend", "excess_mm", "smooth_mm", "usable")

    def __init__(self, calibration: SensorCalibration | None, nominal_mm: float) -> None:
        self._linear = None if calibration is None else Linearised(calibration)
        self._nominal = nominal_mm
        self.excess_mm = 0.0
        self.usable = False
        self.smooth_mm = math.nan
        self._steady_for = 0.0
        self._trend = 0.0

    def restart(self, reading: int) -> None:
        """Begin to look: a wall that is there at once is believed."""
        self.smooth_mm = self._excess(reading)
        self.excess_mm = self.smooth_mm
        self.usable = abs(self.smooth_mm) < _PRESENT_WITHIN_MM
        self._steady_for = _TRUSTED_AFTER_MM if self.usable else 0.0
        self._trend = 0.0

    def _excess(self, reading: int) -> float:
        return math.inf if self._linear is None else self._linear.distance_mm(reading) - self._nominal

    def look(self, reading: int, travel_mm: float, drift_mm: float) -> None:
        """Take a reading `travel_mm` after the last; the motion alone should have changed it by `drift_mm`."""
        excess = self._excess(reading)
        self.excess_mm = excess
        if not -_PRESENT_WITHIN_MM < excess < _PRESENT_WITHIN_MM:
            self.usable = False
            self._steady_for = self._trend = 0.0
            self.smooth_mm = excess
            return
        if math.isinf(self.smooth_mm):
            self.smooth_mm = excess
        self.smooth_mm += drift_mm
        change = excess - self.smooth_mm
        self.smooth_mm += change * min(travel_mm / _MEMORY_MM, 1.0)
        surprise = change - self._trend
        trend = self._trend + surprise * min(travel_mm / _TREND_MEMORY_MM, 1.0)
        self._trend = min(max(trend, -_STEEPEST_MM), _STEEPEST_MM)
        if -_STEADY_MM < surprise < _STEADY_MM:
            self._steady_for += travel_mm
            self.usable = self._steady_for >= _TRUSTED_AFTER_MM
        else:
            self.usable = False
            # A single sample of noise costs itself only; a lasting change costs the trust.
            self._steady_for = max(0.0, min(self._steady_for, 1.5 * _TRUSTED_AFTER_MM) - 4 * travel_mm)


class WallEnds:
    """Finds where the wall on one side begins and ends."""

    __slots__ = ("_beyond", "_first_s", "_reference", "present")

    def __init__(self, typical_reading: float) -> None:
        self._reference = typical_reading
        self.present = False
        self._beyond = 0
        self._first_s = 0.0

    def restart(self, reading: int) -> None:
        """Begin to look, without reporting what is already there."""
        self.present = reading > _SHARE * self._reference
        self._beyond = 0

    def look(self, reading: int, now_s: float) -> float | None:
        """Take a reading; return the time [s] at which a wall began or ended, once it is sure."""
        if self.present:
            gain = _REFERENCE_GAIN if reading > _REFERENCE_SHARE * self._reference else _SLOW_GAIN
            self._reference += gain * (reading - self._reference)
        if (reading > _SHARE * self._reference) is self.present:
            self._beyond = 0
            return None
        if self._beyond == 0:
            self._first_s = now_s
        self._beyond += 1
        if self._beyond < _CONFIRM_TICKS:
            return None
        self.present = not self.present
        self._beyond = 0
        return self._first_s
