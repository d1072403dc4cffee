"""The far end of a virtual port: a pseudo-terminal or a TCP port on the loopback, for a program that must never block.

A real robot sends whether or not anybody listens, and goes on when the host closes its port and opens it again; so do
these. Bytes that nobody takes wait up to a bound and are then dropped, and dropped at once where the caller has found
that nobody reads. One host at a time: a second one that connects waits until the first has gone.

Whether a host has opened the port can be asked, for boards that start anew then; a pseudo-terminal tells it only after
`watch_hosts`, and drops from then on what is sent while no host has it open.

A port that comes back comes under another name than the one it had, as a device that is plugged in again may.
"""

from __future__ import annotations

import os
import select
import socket
import tty
from abc import ABC, abstractmethod
from contextlib import suppress

from hil.errors import PortUnavailable, UsageError

_READ_BYTES = 65536
_WAITING_BYTES = 65536  # half a minute of a full line at 115200 baud would be six times as much; nobody is that late


class FarEnd(ABC):
    """One virtual port. `address` is what the host opens; `readable` and `writable` are descriptors to select on."""

    address: str

    def __init__(self) -> None:
        self._waiting = bytearray()
        self.taken_bytes = 0  # by the host or the system, since the beginning
        self.nobody_reads = False  # set by `give_up`; ends when anything is taken again

    @property
    @abstractmethod
    def is_open(self) -> bool:
        """Whether the port is still there."""

    @property
    @abstractmethod
    def readable(self) -> list[int]:
        """Descriptors that mean work for `read` when they are readable."""

    @property
    @abstractmethod
    def _descriptor(self) -> int | None:
        """What is read and written, None while nobody is there."""

    @property
    def writable(self) -> list[int]:
        """Descriptors that mean work for `flush` when they are writable."""
        descriptor = self._descriptor
        return [descriptor] if self._waiting and descriptor is not None else []

    @property
    def waiting_bytes(self) -> int:
        """How many bytes the host has not taken yet."""
        return len(self._waiting)

    def read(self) -> bytes:
        """Return what the host has sent, b"" if nothing."""
        descriptor = self._descriptor
        if descriptor is None:
            return b""
        try:
            data = os.read(descriptor, _READ_BYTES)
        except BlockingIOError:
            return b""
        except OSError:
            data = b""
        if not data:
            self._host_left()
        return data

    def write(self, data: bytes) -> None:
        """Send without blocking; what is not taken waits, and beyond the bound it is dropped."""
        if self._descriptor is None:
            return
        if len(self._waiting) + len(data) <= _WAITING_BYTES:
            self._waiting += data
        self.flush()
        if self.nobody_reads:
            self._waiting.clear()

    def flush(self) -> None:
        """Send of what waits as much as is taken."""
        descriptor = self._descriptor
        while self._waiting and descriptor is not None:
            try:
                sent = os.write(descriptor, self._waiting)
            except BlockingIOError:
                return
            except OSError:
                self._host_left()
                return
            del self._waiting[:sent]
            self.taken_bytes += sent
            self.nobody_reads = False

    def give_up(self) -> None:
        """Drop what waits, and from now on what is not taken at once, as a line does that nobody listens to."""
        self.nobody_reads = True
        self._waiting.clear()

    def discard(self) -> None:
        """Forget what the host has not taken."""
        self._waiting.clear()

    def watch_hosts(self) -> None:  # noqa: B027 - a TCP port notices its hosts anyway
        """Notice from now on when a host opens the port."""

    @abstractmethod
    def has_opened(self) -> bool:
        """Whether a host has opened the port since this was asked before; one gone and back between is not seen."""

    def _host_left(self) -> None:  # noqa: B027 - a pseudo-terminal need not notice
        """React to a host that has gone."""

    @abstractmethod
    def close(self) -> None:
        """Take the port away; the host sees it vanish. May be called again."""


class TerminalEnd(FarEnd):
    """A pseudo-terminal. Until `watch_hosts` the host's side is held open here too, so that a host may come and go."""

    def __init__(self) -> None:
        super().__init__()
        try:
            self._device, self._host_side = os.openpty()
        except OSError as error:
            raise PortUnavailable(
                f"no pseudo-terminal can be opened ({error.strerror})",
                where="virtual port",
                todo="Serve the virtual robot on a socket instead",
            ) from error
        tty.setraw(self._host_side)
        os.set_blocking(self._device, False)
        self.address = os.ttyname(self._host_side)
        self._open = True
        self._is_watched = False
        self._host_is_there = True  # as long as this process holds its side

    @property
    def is_open(self) -> bool:
        """Whether the pseudo-terminal is still there."""
        return self._open

    @property
    def readable(self) -> list[int]:
        """The device's side."""
        return [] if self._descriptor is None else [self._device]

    @property
    def _descriptor(self) -> int | None:
        return self._device if self._open and self._host_is_there else None

    def watch_hosts(self) -> None:
        """Let the host's side go: the device's side is hung up from now on while no host has it open."""
        if self._open and not self._is_watched:
            os.close(self._host_side)
            self._is_watched, self._host_is_there = True, False

    def has_opened(self) -> bool:
        """Whether a host has opened it since; always false before `watch_hosts`."""
        if not self._open or not self._is_watched:
            return False
        looked = select.poll()
        looked.register(self._device, 0)
        was_there = self._host_is_there
        self._host_is_there = not any(event & select.POLLHUP for _, event in looked.poll(0))
        if was_there and not self._host_is_there:
            self.discard()
        return self._host_is_there and not was_there

    def _host_left(self) -> None:
        if self._is_watched:
            self._host_is_there = False
            self.discard()

    def close(self) -> None:
        """Close both sides: the host's reads fail from now on."""
        if self._open:
            self._open = False
            os.close(self._device)
            if not self._is_watched:
                os.close(self._host_side)


class SocketEnd(FarEnd):
    """A TCP port on the loopback, chosen by the system."""

    def __init__(self) -> None:
        super().__init__()
        try:
            self._server = socket.create_server(("127.0.0.1", 0), backlog=1)
        except OSError as error:
            raise PortUnavailable(
                f"no TCP port can be opened ({error.strerror})", where="virtual port 127.0.0.1"
            ) from error
        self._server.setblocking(False)
        self._host: socket.socket | None = None
        self._has_come = False  # a host, since it was asked before
        self._open = True
        self.address = f"socket://127.0.0.1:{self._server.getsockname()[1]}"

    @property
    def is_open(self) -> bool:
        """Whether the listening port is still there."""
        return self._open

    @property
    def readable(self) -> list[int]:
        """The host's connection, or the listening port while nobody is connected."""
        if not self._open:
            return []
        return [(self._host or self._server).fileno()]

    @property
    def _descriptor(self) -> int | None:
        return None if self._host is None else self._host.fileno()

    def read(self) -> bytes:
        """Return what the host has sent; accept a host where there is none."""
        if self._host is None and self._open:
            with suppress(BlockingIOError, ConnectionError):
                self._host, _ = self._server.accept()
                self._has_come = True
                self._host.setblocking(False)
                self._host.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            return b""
        return super().read()

    def has_opened(self) -> bool:
        """Whether a host has connected since."""
        has_come, self._has_come = self._has_come, False
        return has_come

    def _host_left(self) -> None:
        if self._host is not None:
            self._host.close()
            self._host = None
        self.discard()

    def close(self) -> None:
        """Close the connection and the listening port."""
        self._host_left()
        if self._open:
            self._open = False
            self._server.close()


def open_far_end(kind: str, *, unlike: str = "") -> FarEnd:
    """Open a virtual port of a kind, `pty` or `socket`, under another address than `unlike`."""
    kinds = {"pty": TerminalEnd, "socket": SocketEnd}
    if kind not in kinds:
        raise UsageError(f"a virtual robot cannot be served on {kind!r}", expected="pty or socket")
    port = kinds[kind]()
    if port.address != unlike:
        return port
    # The first one is held until the second is there, so that the system cannot give its number out again.
    another = kinds[kind]()
    port.close()
    return another
