"""Finding a port again that went away: by what is behind it, and not by what the system calls it this time.

A device that is plugged in again, or that starts anew, may come back under another name. What stays is its USB
vendor, product and serial number, the socket it is plugged into, and which of its interfaces it is; systems leave out
some of these, or write them a little differently, so that all are compared and none is insisted on. A link that the
system keeps (such as those under /dev/serial/by-id) is followed wherever it leads. A port behind the network, and one
of which nothing is known but its name, is found where it was. A virtual robot is asked where it is.

Looking is polled, with a deadline. Opening is tried again with growing waits until the same deadline, since a new
port may be held for some seconds by a driver, or by a service that looks for modems.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from pathlib import Path

from serial.tools.list_ports_common import ListPortInfo

from hil.errors import PortUnavailable
from hil.timing import Clock
from hil.transports.candidates import describe_port
from hil.transports.serial_url import open_port
from hil.transports.trace_port import is_trace
from hil.transports.transport import Transport
from hil.transports.turns import listed_ports
from hil.wire.dialect import PortSettings

LOOK_EVERY_S = 0.15  # between two looks: seven a second, each of some ten milliseconds

# Between tries to open what was found: at most a second, so that a port is used soon after its driver lets go.
OPENING_WAITS_S = (0.05, 0.1, 0.2, 0.4, 0.8, 1.0)

# Of these many letters a serial number is told from one that a system has made longer by a letter (Windows adds "A").
_LEAST_SERIAL = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class Identity:
    """What is behind a port. `url` is as it was named.

    `link` is a name that the system keeps for the device, `vid` and `pid` its USB numbers, `location` the socket it is
    in and `interface` which of its parts it is; None and "" where nothing is known. `others` are ports of devices that
    look alike and were there beside it. `where` asks a virtual robot for its port ("" while it has none).
    """

    url: str
    link: str = ""
    vid: int | None = None
    pid: int | None = None
    serial_number: str = ""
    location: str = ""
    interface: str = ""
    others: frozenset[str] = frozenset()
    virtual: str = ""
    where: Callable[[], str] | None = None

    @property
    def can_be_found(self) -> bool:
        """Whether it can be looked for: a pseudo-terminal is gone for good, whoever gets its name; a trace is over."""
        return bool(self.where or self.link) or not self.url.startswith(("/dev/pts/", "trace:"))

    @property
    def text(self) -> str:
        """The identity in words, for people and for the trace."""
        if self.virtual:
            return self.virtual
        if self.vid is None or self.pid is None:
            return self.link or self.url
        number = f", serial number {self.serial_number}" if self.serial_number else ""
        place = "" if number or not self.location else f" at {self.location}"
        return f"USB {self.vid:04x}:{self.pid:04x}{number}{place}"


def identity_of(url: str, root: Path = Path("/")) -> Identity:
    """Return what is known of the port that `url` names at the moment."""
    if "://" in url or is_trace(url):
        return Identity(url=url)
    try:
        if Path(url).is_symlink():
            return Identity(url=url, link=url)
    except OSError:
        return Identity(url=url)
    known = describe_port(url, root)
    identity = Identity(
        url=url,
        link=known.by_id,
        vid=known.vid,
        pid=known.pid,
        serial_number=known.serial_number,
        location=known.location,
        interface=known.interface,
    )
    if identity.vid is None:
        return identity
    alike = [port for port in listed_ports() if _may_be(identity, port)]
    return replace(
        identity, others=frozenset(p.device for p in alike if _socket(p.location) != _socket(known.location))
    )


def look_for(identity: Identity, enumerate_ports: Callable[[], Iterable[ListPortInfo]] = listed_ports) -> str:
    """Return the name under which the port can be opened now, "" while it is not there or two could be it."""
    if identity.where is not None:
        return identity.where()
    if "://" in identity.url or is_trace(identity.url):
        return identity.url
    if identity.link and Path(identity.link).exists():
        return identity.link
    if identity.vid is None or identity.pid is None:
        return identity.url if Path(identity.url).exists() else ""
    alike = [port for port in enumerate_ports() if _may_be(identity, port) and port.device not in identity.others]
    for key in ("serial_number", "location", "interface"):
        closer = [port for port in alike if _agrees(getattr(identity, key), getattr(port, key))]
        alike = closer or alike
    if len(alike) > 1:  # one that has kept its name is as likely as any
        alike = [port for port in alike if port.device == identity.url]
    return str(alike[0].device) if len(alike) == 1 else ""


def find_again(
    identity: Identity,
    clock: Clock,
    deadline_s: float,
    enumerate_ports: Callable[[], Iterable[ListPortInfo]] = listed_ports,
    meanwhile: Callable[[], None] = lambda: None,
) -> str:
    """Look for the port until it is there or `deadline_s` seconds have passed; return its name, "" where it is not.

    `meanwhile` is called between two looks.
    """
    end_ns = clock.monotonic_ns() + int(deadline_s * 1e9)
    while True:
        if found := look_for(identity, enumerate_ports):
            return found
        left_s = (end_ns - clock.monotonic_ns()) / 1e9
        if left_s <= 0:
            return ""
        meanwhile()
        clock.sleep(min(LOOK_EVERY_S, left_s))


def open_again(
    identity: Identity,
    settings: PortSettings,
    clock: Clock,
    deadline_s: float,
    meanwhile: Callable[[], None] = lambda: None,
) -> Transport:
    """Find the port and open it, both until `deadline_s` seconds have passed.

    Raises `PortUnavailable`: the reason of the last try to open it, or that it never came.
    """
    end_ns = clock.monotonic_ns() + int(deadline_s * 1e9)
    trouble: PortUnavailable | None = None
    tries = 0
    while (left_s := (end_ns - clock.monotonic_ns()) / 1e9) > 0 or tries == 0:
        url = find_again(identity, clock, max(0.0, left_s), meanwhile=meanwhile)
        if not url:
            break
        try:
            return open_port(url, settings, clock, open_limit_s=max(1.0, left_s))
        except PortUnavailable as error:
            trouble = error
        meanwhile()
        clock.sleep(OPENING_WAITS_S[min(tries, len(OPENING_WAITS_S) - 1)])
        tries += 1
    raise trouble or PortUnavailable(
        f"the port did not come within {deadline_s:g} s",
        where=identity.text,
        expected="the same device under whatever name, or two devices that can be told apart",
        todo="Check the cable and the robot's supply; plug it into the same socket as before",
    )


def _may_be(identity: Identity, port: ListPortInfo) -> bool:
    """Whether nothing that both sides tell contradicts that it is the same device."""
    if (port.vid, port.pid) != (identity.vid, identity.pid) and None not in (port.vid, port.pid):
        return False
    told = _told(port.serial_number)
    if port.vid is None and not told:
        return False
    return not (identity.serial_number and told) or _agrees(identity.serial_number, told)


def _agrees(known: str, told: object) -> bool:
    """Whether two texts say the same: case does not matter, nor a letter more at the end of a long one."""
    first, second = known.casefold(), _told(told).casefold()
    if not first or not second:
        return False
    shorter, longer = sorted((first, second), key=len)
    return first == second or (
        len(shorter) >= _LEAST_SERIAL and len(longer) == len(shorter) + 1 and longer.startswith(shorter)
    )


def _socket(location: object) -> str:
    """Return the socket of a location; what follows the colon is a part of the same device."""
    return _told(location).partition(":")[0]


def _told(value: object) -> str:
    return "" if value is None or value == "n/a" else str(value)
