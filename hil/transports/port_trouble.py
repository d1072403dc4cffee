"""Why a port cannot be opened, in sentences: what is wrong, where, what was expected, what to do."""

from __future__ import annotations

import errno
import os
import re
from pathlib import Path
from urllib.parse import urlsplit

from hil.errors import PortBusy, PortUnavailable
from hil.transports.transport import said_by
from hil.transports.turns import listed_ports

EXPECTED = "a serial device, or a socket://, rfc2217:// or loop:// address"

# More names than this make a sentence that nobody reads.
PORTS_SHOWN = 8

# Windows says so of a port that another program has, and for a moment of one that was just closed.
_WINDOWS_BUSY = "Access is denied"

# What opening a port over Bluetooth ends with while its peer is away.
_AWAY = (errno.EIO, errno.EHOSTDOWN, errno.EHOSTUNREACH, errno.ECONNREFUSED, errno.ENODEV, errno.ENXIO, errno.ETIMEDOUT)
_BLUETOOTH = re.compile(r"/(?:rfcomm\d|(?:cu|tty)\.Bluetooth)", re.IGNORECASE)

# The system's own words for an error that pyserial passes on inside a longer text.
_NUMBER = re.compile(r"\[Errno (-?\d+)\]")


def why_unavailable(url: str, error: BaseException) -> PortUnavailable:
    """Turn what opening a port raised into one sentence."""
    number = _error_number(error)
    if "://" in url:
        return _network_trouble(url, number, error)
    if number == errno.ENOENT:
        return PortUnavailable("there is no such port", where=url, expected=EXPECTED, todo=ports_that_exist())
    if number in (errno.EACCES, errno.EPERM):
        return PortUnavailable(
            "this user may not open the port",
            where=url,
            expected="read and write permission",
            todo=f"Join the group that owns it ({_group_of(url)}) and log in again, or open it as that user",
        )
    if number in (errno.EBUSY, errno.EAGAIN) or _WINDOWS_BUSY in str(error):
        found = holders(url)
        return PortBusy(
            f"the port is in use{_by_whom(found)}",
            holders=found,
            where=url,
            expected="a port that no other program has open",
            todo="Close the other program (a terminal, another run, a modem service), then run again",
        )
    if number is not None and number in _AWAY and _BLUETOOTH.search(url):
        return PortUnavailable(
            f"the Bluetooth peer does not answer ({os.strerror(number)})",
            where=url,
            expected="a robot that is paired, switched on and in reach",
            todo="Of two ports that pairing made, take the outgoing one; switch the robot off and on, then try again",
        )
    if number in (errno.ENOTTY, errno.EINVAL, errno.EISDIR) or "configure port" in str(error):
        return PortUnavailable("this is not a serial port", where=url, expected=EXPECTED, todo=ports_that_exist())
    return PortUnavailable(
        f"the port cannot be opened ({said_by(error)})", where=url, expected=EXPECTED, todo=ports_that_exist()
    )


def opening_took_too_long(url: str, limit_s: float) -> PortUnavailable:
    """Return the error for a port whose opening did not come to an end."""
    return PortUnavailable(
        f"opening the port took longer than {limit_s:g} s",
        where=url,
        expected="a port that opens, or refuses to, within that time",
        todo="Check that the device (or the host at the other end) is switched on and in reach",
    )


def rate_refused(url: str, baud: int, error: BaseException, rates: tuple[int, ...]) -> PortUnavailable:
    """Return the error for a rate that the port or the system does not take."""
    fast = ", ".join(str(rate) for rate in rates if rate >= 9600)
    return PortUnavailable(
        f"the rate {baud} baud cannot be set ({said_by(error)})",
        where=url,
        expected=f"a rate that every system has: {fast}",
        todo="Change the rate in the protocol file and in the robot",
    )


def ports_that_exist() -> str:
    """Return a sentence that lists the serial ports of this machine."""
    found = listed_ports()
    if not found:
        return "This machine has no serial port at the moment: check the cable and the robot's supply"
    names = [
        port.device if port.description in (None, "", "n/a") else f"{port.device} ({port.description})"
        for port in found[:PORTS_SHOWN]
    ]
    more = f" and {len(found) - PORTS_SHOWN} more" if len(found) > PORTS_SHOWN else ""
    return f"Ports that exist here: {', '.join(names)}{more}"


def holders(path: str) -> tuple[str, ...]:
    """Return who has the device open, as `name (process N)`, as far as this user may see it (Linux).

    The process that owns the advisory lock is named alone where the system tells; else every process that has
    the device open. This process is left out.
    """
    try:
        target = Path(path).stat()
    except OSError:
        return ()
    owners = _lock_owners(target) or _openers(Path(path).resolve())
    return tuple(f"{_program(pid)} (process {pid})" for pid in sorted(owners - {os.getpid()}))


def is_ours(path: str) -> bool:
    """Whether this program itself has the device open (Linux)."""
    try:
        target = Path(path).resolve(strict=True)
    except OSError:
        return False
    return os.getpid() in _openers(target)


def _by_whom(names: tuple[str, ...]) -> str:
    return f" by {', '.join(names[:3])}" if names else " by this program or by one that cannot be seen"


def _lock_owners(target: os.stat_result) -> set[int]:
    """Read /proc/locks: `1: FLOCK ADVISORY WRITE 1234 00:19:5 0 EOF` (device numbers in hex, then the inode)."""
    place = f"{os.major(target.st_dev):02x}:{os.minor(target.st_dev):02x}:{target.st_ino}"
    try:
        lines = Path("/proc/locks").read_text(encoding="ascii", errors="replace").splitlines()
    except OSError:
        return set()
    rows = [line.split() for line in lines]
    return {int(row[4]) for row in rows if len(row) >= 6 and row[1] == "FLOCK" and row[5] == place and row[4].isdigit()}


def _openers(target: Path) -> set[int]:
    found = set()
    for link in Path("/proc").glob("[0-9]*/fd/*"):
        try:
            if link.readlink() == target:
                found.add(int(link.parts[2]))
        except OSError:  # the process or the descriptor has gone, or belongs to somebody else
            continue
    return found


def _program(pid: int) -> str:
    try:
        return Path(f"/proc/{pid}/comm").read_text(encoding="utf-8", errors="replace").strip()
    except OSError:
        return "a program"


def _group_of(path: str) -> str:
    try:
        return Path(path).group()
    except (OSError, KeyError):
        return "often dialout or uucp"


def _error_number(error: BaseException) -> int | None:
    """Find the system's error number: pyserial sets it on some errors and only writes it in the text of others."""
    if isinstance(error, OSError) and isinstance(error.errno, int):
        return error.errno
    found = _NUMBER.search(str(error))
    return int(found.group(1)) if found else None


def _network_trouble(url: str, number: int | None, error: BaseException) -> PortUnavailable:
    if isinstance(error, ValueError):  # pyserial's way of saying that it knows no such scheme
        return PortUnavailable("this kind of address is not known", where=url, expected=EXPECTED)
    if not _address_is_whole(url):
        return PortUnavailable(
            "the address is not complete", where=url, expected="SCHEME://HOST:NUMBER, such as socket://bench.local:7000"
        )
    if number == errno.ECONNREFUSED:
        return PortUnavailable(
            "the host answers, but nothing listens at that number",
            where=url,
            expected="a serial server that is running",
            todo="Start the server, or correct the number after the colon",
        )
    what = str(error).removeprefix(f"Could not open port {url}: ").rstrip(".")
    return PortUnavailable(
        f"the port cannot be opened ({what})",
        where=url,
        expected=EXPECTED,
        todo="Check the address and its options, the network, and that the server is running",
    )


def _address_is_whole(url: str) -> bool:
    """Whether a host and a number (0 to 65535) stand where the two network schemes need them."""
    parts = urlsplit(url)
    if parts.scheme not in ("socket", "rfc2217"):
        return True
    try:
        return bool(parts.hostname) and parts.port is not None
    except ValueError:
        return False
