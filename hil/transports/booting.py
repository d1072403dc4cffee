"""What happens between opening a port and the first question: a board that starts anew, and how long answers take.

Neither function opens, reads or sends anything by itself. The caller gives a `pump` that reads for at most so many
seconds and returns what came, or an `ask` that puts one question and comes back with its answer; so what crosses the
port is recorded as always.
"""

from __future__ import annotations

import statistics
from collections.abc import Callable, Iterable
from dataclasses import dataclass

from hil.errors import PortSilent
from hil.quantities import counted
from hil.transports.port_names import has_no_line
from hil.wire.dialect import BootSpec
from hil.wire.received import Booted, Noise, Received

# How long one look at the port takes at most, so that Ctrl-C is seen meanwhile.
_LOOK_S = 0.05

# What a USB serial bridge holds back by its default (serial.md has the same number); a round trip about as long has
# one such wait in it, and little else.
LATENCY_TIMER_S = 0.016
_ABOUT = (0.75, 1.5)  # times the latency timer

# A time measured over the port is told from the port's own delay only where it is twice as long.
ASSERTABLE = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Boot:
    """How a board came up: whether it was seen to, the line that said so, and how long that took [s]."""

    seen: bool
    banner: str
    took_s: float


def wait_for_boot(
    boot: BootSpec, pump: Callable[[float], Iterable[Received]], now_s: Callable[[], float], *, must: bool = False
) -> Boot:
    """Wait for the banner of a board that restarts when its port is opened, or after it was loaded.

    Without `resets_on_open` nothing is waited for, unless `must` says that the program has just been started. Where
    the protocol has no banner, the first good line is the sign of life. A time-out is a value (`seen` false): the
    caller says what it means.
    """
    begun_s = now_s()
    if not (boot.resets_on_open or must):
        return Boot(seen=True, banner="", took_s=0.0)
    end_s = begun_s + boot.timeout_s
    while (left_s := end_s - now_s()) > 0:
        for item in pump(min(_LOOK_S, left_s)):
            if isinstance(item, Booted):
                return Boot(seen=True, banner=item.banner, took_s=now_s() - begun_s)
            if not boot.banner and not isinstance(item, Noise):
                return Boot(seen=True, banner="", took_s=now_s() - begun_s)
    return Boot(seen=False, banner="", took_s=now_s() - begun_s)


def not_booted(port: str, boot: BootSpec, heard_bytes: int) -> PortSilent:
    """Return the error for a board whose banner never came."""
    came = f"{counted(heard_bytes, 'byte')} came, and no line like that" if heard_bytes else "nothing came at all"
    return PortSilent(
        f"the board did not say within {boot.timeout_s:g} s that it has started; {came}",
        where=port,
        expected=f"a line like {boot.banner!r}" if boot.banner else "its first line",
        todo="Press its reset button once; then check boot in the protocol file (banner, timeout, resets_on_open), "
        "the program it carries, and the baud rate",
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class RoundTrip:
    """How long a question and its answer take over this port [s], from several tries."""

    shortest_s: float
    median_s: float
    longest_s: float
    tries: int

    @property
    def least_assertable_s(self) -> float:
        """The shortest time that may be held against a tolerance over this port."""
        return ASSERTABLE * self.median_s

    @property
    def is_held_back(self) -> bool:
        """Whether it is about as long as the latency timer of a USB serial bridge."""
        low, high = _ABOUT
        return low * LATENCY_TIMER_S <= self.median_s <= high * LATENCY_TIMER_S

    @property
    def text(self) -> str:
        """A sentence for a person: the times, and what holds them up where that can be told."""
        return self.text_on("")

    def text_on(self, port: str) -> str:
        """Return it for a port that is known: a network and a pseudo-terminal have no bridge that holds bytes back."""
        said = (
            f"a question and its answer take {1000 * self.median_s:.1f} ms "
            f"({1000 * self.shortest_s:.1f} to {1000 * self.longest_s:.1f} ms in {self.tries} tries)"
        )
        if self.is_held_back and not has_no_line(port):
            said += (
                ", which looks like the latency timer of a USB serial bridge; on Linux it can be set to 1 in "
                "/sys/bus/usb-serial/devices/NAME/latency_timer"
            )
        return said


def measure_round_trip(ask: Callable[[], object], now_s: Callable[[], float], tries: int = 5) -> RoundTrip:
    """Ask `tries` times and return how long it took. What `ask` raises is the caller's."""
    took_s = []
    for _ in range(tries):
        begun_s = now_s()
        ask()
        took_s.append(now_s() - begun_s)
    return RoundTrip(
        shortest_s=min(took_s), median_s=statistics.median(took_s), longest_s=max(took_s), tries=len(took_s)
    )
