"""What is said where a robot does not answer: a silent port, another language, or a robot that does not heed."""

from __future__ import annotations

from dataclasses import dataclass

from hil.errors import HilError, NoReply, PortSilent
from hil.quantities import counted
from hil.wire.dialect import Dialect
from hil.wire.received import Counters

_UNPRINTABLE_SHARE = 30.0  # percent above which a wrong baud rate is likelier than another protocol (serial.md B 18)
PRINTABLE = frozenset(b"\t\r\n") | frozenset(range(0x20, 0x7F))


@dataclass(frozen=True, slots=True, kw_only=True)
class Heard:
    """What came over a port since it was opened; `stale` are the answers to nothing that came while this one waited."""

    total_bytes: int
    unprintable: int
    counters: Counters
    stale: int = 0


def is_tagged(dialect: Dialect, action: str) -> bool:
    """Tell whether a request carries a number by which its answer is known."""
    return "{tag}" in dialect.commands[action].template


def unanswered(port: str, dialect: Dialect, action: str, heard: Heard, *, tries: int, deadline_s: float) -> HilError:
    """Return the error for a request that was sent as often as the protocol allows and not answered."""
    expected = f"an answer to '{action}' in {dialect.name} at {dialect.port.baud} baud"
    if heard.total_bytes == 0:
        return silent(port, dialect, f"{tries * deadline_s:.1f} s", expected)
    if heard.counters.good == 0:
        return unreadable(port, dialect, heard)
    if heard.stale:
        return NoReply(
            f"'{action}' was sent {counted(tries, 'time')}, and {counted(heard.stale, 'answer')} came that "
            f"{'belongs' if heard.stale == 1 else 'belong'} to none of these",
            where=port,
            expected="an answer with the number of the request"
            if is_tagged(dialect, action)
            else "an answer of a kind that the protocol names for this request",
            todo="Is another program talking to the robot, or does its firmware number its answers in its own way?",
        )
    good, bad = counted(heard.counters.good, "good line"), counted(heard.counters.bad_total, "bad one")
    within = f"{deadline_s * 1000:.0f} ms{' each' if tries > 1 else ''}"
    return NoReply(
        f"'{action}' was sent {counted(tries, 'time')} and not answered within {within}",
        where=port,
        expected=f"a reply ({good} and {bad} came meanwhile)",
        todo="Check the cable for bad lines, and whether the firmware was busy",
    )


def silent(port: str, dialect: Dialect, within: str, expected: str) -> PortSilent:
    """Return the error for a port from which nothing has come at all."""
    return PortSilent(
        f"the port is open and nothing came in {within}",
        where=port,
        expected=expected,
        todo="Is the robot switched on, is this its port, does its firmware speak this protocol? "
        "Some boards speak only with DTR on, others only with it off (on_open in the protocol file)",
    )


def unreadable(port: str, dialect: Dialect, heard: Heard, looks_like: str = "") -> PortSilent:
    """Return the error for a port from which no readable line has come; `looks_like` names a protocol that fits."""
    share = 100.0 * heard.unprintable / max(1, heard.total_bytes)
    hint = (
        f"they are lines of {looks_like}"
        if looks_like
        else f"{share:.0f} % of them are unprintable, as with a wrong baud rate"
        if share > _UNPRINTABLE_SHARE
        else "they look like text, so it may be another protocol or another program of the robot"
    )
    return PortSilent(
        f"{counted(heard.total_bytes, 'byte')} came and none of their lines is one of {dialect.name}; {hint}",
        where=port,
        expected=f"{dialect.name} at {dialect.port.baud} baud",
        todo="Load the program that the robot file names for this port, or name the one that is loaded"
        if looks_like
        else "Check the baud rate, the port, and the protocol named in the robot file",
    )
