"""Robots whose ports go away and come back under other names; a link always leads to where they are."""

from __future__ import annotations

import array
import fcntl
import os
import select
import termios
from pathlib import Path

from hil.timing import SystemClock
from hil.transports import Transport, open_pseudo_terminal
from hil.wire.dialect import Dialect
from hil.wire.link import End, Link
from hil.wire.received import Commanded

from .conftest import Peer, Scripted

_LINES_AFTER = 10  # of a port that was opened
_ROUNDS = 2  # opening throws away what waited in a port, which on a busy machine may be the lines of the first round
_MOST_UNREAD = 2000
_QUIET_LOOKS = 5  # a millisecond apart


class PortLink:
    """A link such as the system keeps for a device, led to a port in one step, or away from it."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def lead_to(self, port: str) -> None:
        beside = self.path.with_name(f"{self.path.name}.next")
        beside.symlink_to(port)
        beside.replace(self.path)

    def lead_nowhere(self) -> None:
        self.path.unlink(missing_ok=True)


class Held:
    """The host's end of a port, held so that its name is given to nobody else, and looked into."""

    def __init__(self, port: str) -> None:
        self._descriptor = os.open(port, os.O_RDONLY | os.O_NOCTTY | os.O_NONBLOCK)

    @property
    def is_taken(self) -> bool:
        """Whether a host has opened the port, which it does under a lock; looked up, since trying it would hold it."""
        of = os.fstat(self._descriptor)
        file = f"{os.major(of.st_dev):02x}:{os.minor(of.st_dev):02x}:{of.st_ino}"
        return any("FLOCK" in line and file in line.split() for line in Path("/proc/locks").read_text().splitlines())

    @property
    def unread(self) -> int:
        # The kernel hands bytes on in a thread of its own; who asks whether there are any makes it do so first.
        select.select([self._descriptor], [], [], 0)
        left = array.array("i", [0])
        fcntl.ioctl(self._descriptor, termios.FIONREAD, left)
        return left[0]

    def close(self) -> None:
        os.close(self._descriptor)


class WanderingPrinter(Peer):
    """A robot that prints numbered lines, a thousand a second; its cable is pulled and plugged in elsewhere.

    A port keeps its cable until it was opened and some lines after that were read: what is still in a port when it
    goes is lost, as in a real cable.
    """

    LAST = b"state 99999\n"

    def __init__(self, link: PortLink, moves: int) -> None:
        super().__init__()
        self._link, self._moves = link, moves
        self.sent: dict[str, bytes] = {}
        self._held: list[Held] = []
        self._count = 0
        link.lead_to(self.port)

    def serve(self, far: Transport) -> None:
        port = self.port
        for move in range(self._moves + 1):
            held = self._hold(port)
            self._print(far, port, held, is_last=move == self._moves)
            if move == self._moves or self.is_over:
                break
            following, port = open_pseudo_terminal(SystemClock())
            if move % 10 == 9:  # a device takes a moment to come back
                self._link.lead_nowhere()
                far.close()
                self._over.wait(0.05)
            self._link.lead_to(port)
            far.close()
            far = following
        self._over.wait()
        far.close()

    def _print(self, far: Transport, port: str, held: Held, *, is_last: bool) -> None:
        """Print until the port is open, then some lines more, and wait until all is read."""
        self.sent[port] = b""
        for number in range(_ROUNDS):
            after = 0
            while after < _LINES_AFTER and not self.is_over:
                after += held.is_taken
                self._say(far, port, b"state %d\n" % self._count)
                self._count += 1
                self._over.wait(0.001)
            if is_last and number == _ROUNDS - 1:
                self._say(far, port, self.LAST)
            quiet = 0
            while quiet < _QUIET_LOOKS and not self._over.wait(0.001):
                quiet = 0 if held.unread else quiet + 1

    def _say(self, far: Transport, port: str, line: bytes) -> None:
        if self._held[-1].unread > _MOST_UNREAD:
            return  # nobody reads yet, and a full port would not take it
        far.write(line)
        self.sent[port] += line

    def _hold(self, port: str) -> Held:
        self._held.append(Held(port))
        return self._held[-1]

    def close(self) -> None:
        super().close()
        for held in self._held:
            held.close()


class Wanderer(Scripted):
    """A robot whose cable is pulled as soon as it is told to drive, and plugged in elsewhere."""

    def __init__(self, dialect: Dialect, link: PortLink) -> None:
        super().__init__(dialect, "wanders")
        self._link = link
        self.ports = [self.port]
        link.lead_to(self.port)

    def serve(self, far: Transport) -> None:
        while not self.is_over:
            self._serve_until_driven(far)
            following, port = open_pseudo_terminal(SystemClock())
            self.ports.append(port)
            self._link.lead_to(port)
            far.close()
            far = following
        far.close()

    def _serve_until_driven(self, far: Transport) -> None:
        link = Link(self._dialect, End.ROBOT)
        self.told_to_drive.clear()
        streams = False
        while not self.is_over and not self.told_to_drive.is_set():
            stamped = far.read(0.005)
            for item in link.receive(stamped.data) if stamped else []:
                if isinstance(item, Commanded):
                    self.heard.append(item.action)
                    streams = streams or item.action == "stream"
                    self._obey(far, link, item)
            self._robot_s += self.seconds_per_round
            if streams:
                far.write(self._report(link))
