"""Wheel control: each wheel follows its own position reference, by its counts.

A counter of a quarter of a millimetre is too coarse to differentiate at 1 kHz; an observer that is fed the
reference's acceleration gives a smooth position and speed, and a feed-forward of the motor's own equations leaves
little to correct. The motor constants are those of the data sheet, not of the unit.
"""

from __future__ import annotations

import math

from hil.simulator.firmware.body import TICK_S

_FULL_SPEED_MM_S = 2960.0  # at full duty on the rated supply, U r / (k n)
_RATED_V = 7.4
_TIME_CONSTANT_S = 0.08  # of the speed of the whole robot, R m r^2 / (2 n^2 k^2)
_FRICTION_DUTY = 0.02  # gear friction, T_c R / (n k U)
_FRICTION_MM_S = 10.0  # speed at which friction has come to three quarters of its value
_CONTROL_RATE = 80.0  # rad/s: bandwidth of the position loop, critically damped
_OBSERVER_RATE = 160.0  # rad/s: twice the loop's
# What the loop may add to the feed-forward: about 6 m/s^2, which tyres of an ordinary grip still carry. Without this
# bound a wheel would spin after a disturbance, and its counts would no longer say where the robot is.
_MOST_CORRECTION = 0.16

_K_POSITION = _CONTROL_RATE**2 * _TIME_CONSTANT_S / _FULL_SPEED_MM_S
_K_SPEED = (2 * _CONTROL_RATE * _TIME_CONSTANT_S - 1) / _FULL_SPEED_MM_S
_OBSERVE_POSITION = 2 * _OBSERVER_RATE * TICK_S
_OBSERVE_SPEED = _OBSERVER_RATE**2 * TICK_S


class WheelControl:
    """The controller of one wheel; positions mm of travel since `restart`, at `mm_per_count`."""

    __slots__ = ("_base", "_mm", "_position", "_speed", "duty", "error")

    def __init__(self, mm_per_count: float) -> None:
        self._mm = mm_per_count
        self._base = 0
        self._position = 0.0
        self._speed = 0.0
        self.duty = 0.0
        self.error = 0.0  # reference minus counted position [mm]

    def restart(self, counts: int) -> None:
        """Take the present place of a wheel at rest as zero."""
        self._base = counts
        self._position = 0.0
        self._speed = 0.0
        self.error = 0.0
        self.duty = 0.0

    def travelled_mm(self, counts: int) -> float:
        """Return the counted travel since the restart."""
        return (counts - self._base) * self._mm

    def follow(self, counts: int, position: float, speed: float, acceleration: float, rail_v: float) -> float:
        """Return the duty (-1 to 1) that makes the wheel follow the reference; call once a tick."""
        seen = (counts - self._base) * self._mm
        predicted = self._position + (self._speed + 0.5 * acceleration * TICK_S) * TICK_S
        difference = seen - predicted
        at = self._position = predicted + _OBSERVE_POSITION * difference
        going = self._speed = self._speed + acceleration * TICK_S + _OBSERVE_SPEED * difference
        forward = (speed + acceleration * _TIME_CONSTANT_S) / _FULL_SPEED_MM_S
        if speed:
            forward += _FRICTION_DUTY * math.tanh(speed / _FRICTION_MM_S)
        self.error = position - seen
        correction = _K_POSITION * (position - at) + _K_SPEED * (speed - going)
        if correction > _MOST_CORRECTION:
            correction = _MOST_CORRECTION
        elif correction < -_MOST_CORRECTION:
            correction = -_MOST_CORRECTION
        duty = forward + correction
        if rail_v > 1.0:
            duty *= _RATED_V / rail_v
        self.duty = 1.0 if duty > 1.0 else -1.0 if duty < -1.0 else duty
        return self.duty

    def missed(self, ticks: int) -> None:
        """Let the observer catch up with ticks in which the task did not run."""
        self._position += self._speed * ticks * TICK_S

    def halt(self, counts: int, rail_v: float) -> float:
        """Return the duty that brings the wheel to rest where it is, without a place to go to."""
        self.follow(counts, self._position, 0.0, 0.0, rail_v)
        self.error = 0.0
        return self.duty
