"""Numbers that wrap: following a counter beyond its modulus, and counting the lines that a numbering shows lost."""

from __future__ import annotations

# More numbers missing at once than this is not loss but another beginning: at 115200 baud it would be 12 s of
# unbroken silence, and a link is given up long before.
LARGEST_GAP = 4096


class Unwrapper:
    """Follows a value that wraps at `modulus` (in the value's own unit), taking each step the shorter way.

    It is right as long as less than half a modulus passes between two values, forward or back.
    """

    def __init__(self, modulus: float) -> None:
        if not modulus > 0:
            raise ValueError(f"a modulus is above 0, not {modulus}")
        self._modulus = modulus
        self._last: float | None = None
        self._turns = 0

    def follow(self, value: float) -> float:
        """Return `value` with the whole moduli added that have passed since the first one."""
        if self._last is not None:
            step = value - self._last
            if step < -self._modulus / 2:
                self._turns += 1
            elif step >= self._modulus / 2:
                self._turns -= 1
        self._last = value
        return value + self._turns * self._modulus


# A line may be stamped when its event happened and sent after a line that was stamped later. Nobody boots faster.
OUT_OF_ORDER_S = 0.1


class Numbering:
    """Counts lost lines by the numbers that lines carry, telling a restart of the robot from a loss.

    Numbers are taken as they wrap at `modulus`, the robot's clock (where there is one) at `clock_modulus`. The
    robot began anew where its clock went back by more than `OUT_OF_ORDER_S`, where number and clock both fell (they do
    not wrap in the same gap), where the number went back, or where more than `LARGEST_GAP` is missing.
    """

    def __init__(self, modulus: int, clock_modulus: float = 0.0) -> None:
        self._modulus = modulus
        self._clock_modulus = clock_modulus
        self._largest_gap = min(LARGEST_GAP, modulus // 2 - 1)
        self._last: int | None = None
        self._last_clock: float | None = None
        self.lost = 0
        self.restarts = 0

    def follow(self, number: int, clock: float | None = None) -> None:
        """Take in the number of the next line, and the robot's time on it."""
        last, last_clock = self._last, self._last_clock
        self._last, self._last_clock = number, clock
        if last is None:
            return
        clock_fell = clock is not None and last_clock is not None and clock < last_clock - OUT_OF_ORDER_S
        missing = (number - last - 1) % self._modulus
        if number == last and not clock_fell:
            return  # the same line twice: nothing is missing
        if missing > self._largest_gap or (
            clock_fell and (number < last or not self._clock_wrapped(clock, last_clock))
        ):
            self.restarts += 1
        else:
            self.lost += missing

    def restart(self) -> None:
        """Begin anew: the robot said that it did."""
        self.restarts += self._last is not None
        self._last = self._last_clock = None

    def _clock_wrapped(self, clock: float | None, last: float | None) -> bool:
        """Whether a clock that reads less than before has only wrapped."""
        if clock is None or last is None or not self._clock_modulus:
            return False
        return clock - last < -self._clock_modulus / 2
