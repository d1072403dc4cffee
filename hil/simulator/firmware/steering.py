"""Wall tracking: where the robot stands across the passage, and the curvature that brings it to its place.

The side sensors see y + l theta (domain of a pair of range sensors at look-ahead l). An observer over travelled
distance parts the two, with the counted heading as its model, so that a step between two panels is not taken for a
heading. The law is kappa = -k_y y - k_theta theta, critically damped over distance: an offset of 5 mm is gone after
200 mm of travel at any speed. Frames: y to the left, theta counter-clockwise, theta = 0 along the passage.
"""

from __future__ import annotations

from hil.simulator.firmware.walls import SideWall

_CONTROL_PER_MM = 0.02
_OBSERVER_PER_MM = 0.03
_K_Y = _CONTROL_PER_MM**2
_K_THETA = 2 * _CONTROL_PER_MM
_L_Y = 2 * _OBSERVER_PER_MM
_L_THETA = _OBSERVER_PER_MM**2
_SHARPEST_PER_MM = 0.012
_NEITHER, _LEFT, _RIGHT, _BOTH = 0, 1, 2, 3


class Steering:
    """Steers by the walls of one tracking mode (none, left, right, both)."""

    __slots__ = ("_left", "_lookahead", "_right", "_walls", "kappa_per_mm", "theta_rad", "y_mm")

    def __init__(self, left: SideWall, right: SideWall, lookahead_mm: float) -> None:
        self._left = left
        self._right = right
        self._lookahead = lookahead_mm
        self._walls = _NEITHER
        self.y_mm = 0.0
        self.theta_rad = 0.0
        self.kappa_per_mm = 0.0

    def restart(self) -> None:
        """Begin anew: position unknown, heading taken as straight."""
        self._walls = _NEITHER
        self.y_mm = 0.0
        self.theta_rad = 0.0
        self.kappa_per_mm = 0.0

    def sway_mm(self, travel_mm: float) -> float:
        """Return by how much y + l theta changes over `travel_mm`, by the estimate."""
        return (self.theta_rad + self._lookahead * self.kappa_per_mm) * travel_mm

    def _look(self, tracking: str) -> float | None:
        """Return y + l theta by the walls of the mode; both falls back to the wall that is there.

        Two walls need not agree about where the middle is. Where other walls are looked at than before, the offset is
        taken anew and the heading kept: it is no sign of turning.
        """
        left, right = self._left, self._right
        sees_left = tracking != "right" and left.usable
        sees_right = tracking != "left" and right.usable
        walls = sees_left + 2 * sees_right
        if not walls:
            return None
        if walls != self._walls:
            self._walls = walls
            self.y_mm = self._mean(walls, left.smooth_mm, right.smooth_mm) - self._lookahead * self.theta_rad
        return self._mean(walls, left.excess_mm, right.excess_mm)

    @staticmethod
    def _mean(walls: int, left_mm: float, right_mm: float) -> float:
        if walls == _BOTH:
            return 0.5 * (right_mm - left_mm)
        return -left_mm if walls == _LEFT else right_mm

    def steer(self, tracking: str, travel_mm: float) -> float:
        """Return the curvature for the next tick [1/mm] after `travel_mm` since the last.

        Without tracking it is 0, and the walls are only looked at, so that tracking begins with a known pose. Where the
        walls of the mode have a gap, the robot goes on by its estimate, which counts carry.
        """
        kappa = self.kappa_per_mm
        self.y_mm += (self.theta_rad + 0.5 * kappa * travel_mm) * travel_mm
        self.theta_rad += kappa * travel_mm
        seen = self._look(tracking)
        if seen is not None:
            difference = (seen - self.y_mm - self._lookahead * self.theta_rad) * travel_mm
            self.y_mm += _L_Y * difference
            self.theta_rad += _L_THETA * difference
        if tracking == "none" or not self._walls:
            self.kappa_per_mm = 0.0
            return 0.0
        kappa = -_K_Y * self.y_mm - _K_THETA * self.theta_rad
        if kappa > _SHARPEST_PER_MM:
            kappa = _SHARPEST_PER_MM
        elif kappa < -_SHARPEST_PER_MM:
            kappa = -_SHARPEST_PER_MM
        self.kappa_per_mm = kappa
        return kappa
