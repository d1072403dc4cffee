"""The robot's clock beside the host's: how much faster it runs, while both go on.

The host's times are those of whole chunks, late by whatever holds bytes back, so the fit over many lines is what
counts: a straight line by least squares (the textbook formula, summed up as the pairs come, so that nothing is kept).
A clock that went back began anew, and so does the fit.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from hil.wire.counting import OUT_OF_ORDER_S, Unwrapper

FEWEST = 20
SHORTEST_S = 3.0  # below, a delay of 16 ms alone looks like half a per cent


@dataclass(frozen=True, slots=True, kw_only=True)
class Skew:
    """How much faster the robot's clock runs (parts per million), its standard uncertainty, and the scatter [s].

    Chunks hold several lines and delays are not independent from line to line, so the uncertainty is a rough one.
    """

    ppm: float
    u_ppm: float
    scatter_s: float


class ClockSkew:
    """Follows pairs of the host's and the robot's time; `modulus_s` is where the robot's clock wraps (0: never)."""

    def __init__(self, modulus_s: float = 0.0) -> None:
        self._modulus_s = modulus_s
        self.restarts = 0
        self._begin()

    def _begin(self) -> None:
        self._unwrapper = Unwrapper(self._modulus_s) if self._modulus_s else None
        self._first: tuple[float, float] | None = None
        self._last_s = -math.inf
        self._n = 0
        self._x = self._y = self._xx = self._xy = self._yy = 0.0

    def take(self, host_s: float, robot_s: float) -> None:
        """Take in the two times of one line."""
        unwrapped = self._unwrapper.follow(robot_s) if self._unwrapper else robot_s
        if unwrapped < self._last_s - OUT_OF_ORDER_S:
            self.restarts += 1
            self._begin()
            unwrapped = self._unwrapper.follow(robot_s) if self._unwrapper else robot_s
        self._last_s = max(self._last_s, unwrapped)
        if self._first is None:
            self._first = (host_s, unwrapped)
        # The difference of the two clocks is fitted, not the robot's time itself: its sums stay small and exact.
        x = host_s - self._first[0]
        y = (unwrapped - self._first[1]) - x
        self._n += 1
        self._x += x
        self._y += y
        self._xx += x * x
        self._xy += x * y
        self._yy += y * y

    @property
    def maybe_skew(self) -> Skew | None:
        """The fit, None while too little has come for one."""
        n = self._n
        if n < FEWEST:
            return None
        sxx = self._xx - self._x * self._x / n
        if sxx / n < SHORTEST_S * SHORTEST_S / 12:  # the variance of times spread evenly over the shortest span
            return None
        sxy = self._xy - self._x * self._y / n
        syy = self._yy - self._y * self._y / n
        slope = sxy / sxx
        scatter_s = math.sqrt(max(syy - slope * sxy, 0.0) / (n - 2))
        return Skew(ppm=1e6 * slope, u_ppm=1e6 * scatter_s / math.sqrt(sxx), scatter_s=scatter_s)
