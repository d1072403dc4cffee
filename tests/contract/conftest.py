"""One host's end and its far end, for every kind of port, so that one set of tests runs on all of them."""

from __future__ import annotations

import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import ExitStack, suppress
from dataclasses import dataclass, field

import pytest
import serial
from serial import rfc2217

from hil.timing import SystemClock
from hil.transports import Transport, memory_pair, open_port, open_pseudo_terminal
from hil.wire.dialect import PortSettings

# Fast enough that pyserial's loop, which spends the line's time, does not slow the tests down.
SETTINGS = PortSettings(baud=3_000_000)


class SignallingClock(SystemClock):
    """The machine's clock, which tells that it was read, and can hold up whoever reads it.

    A reader thread reads it once for every chunk.
    """

    def __init__(self) -> None:
        self.was_read = threading.Event()
        self.may_go_on = threading.Event()
        self.may_go_on.set()

    def monotonic_ns(self) -> int:
        self.was_read.set()
        self.may_go_on.wait(5.0)
        return super().monotonic_ns()


@dataclass(kw_only=True)
class Ends:
    """The host's transport, and what the far end can do. `hang_up` is None where a far end cannot go away."""

    host: Transport
    clock: SignallingClock
    send: Callable[[bytes], None]
    receive: Callable[[int], bytes]
    hang_up: Callable[[], None] | None = None
    kept: list[object] = field(default_factory=list)


def gather(transport: Transport, count: int) -> bytes:
    """Read until `count` bytes have come, or nothing for two seconds."""
    found = b""
    while len(found) < count:
        stamped = transport.read(2.0)
        if stamped is None:
            break
        found += stamped.data
    return found


def through_transport(host: Transport, far: Transport, clock: SignallingClock) -> Ends:
    return Ends(
        host=host, clock=clock, send=far.write, receive=lambda count: gather(far, count), hang_up=far.close, kept=[far]
    )


def memory(stack: ExitStack, clock: SignallingClock) -> Ends:
    host, far = memory_pair(clock)
    stack.callback(far.close)
    return through_transport(host, far, clock)


def pseudo_terminal(stack: ExitStack, clock: SignallingClock) -> Ends:
    far, path = open_pseudo_terminal(clock)
    stack.callback(far.close)
    return through_transport(open_port(path, SETTINGS, clock), far, clock)


def listening(stack: ExitStack) -> socket.socket:
    server = stack.enter_context(socket.create_server(("127.0.0.1", 0)))
    server.settimeout(5.0)
    return server


def received_from(connection: socket.socket, count: int) -> bytes:
    found = b""
    while len(found) < count and (data := connection.recv(65536)):
        found += data
    return found


def tcp(stack: ExitStack, clock: SignallingClock) -> Ends:
    server = listening(stack)
    host = open_port(f"socket://127.0.0.1:{server.getsockname()[1]}", SETTINGS, clock)
    connection = stack.enter_context(server.accept()[0])
    connection.settimeout(2.0)
    return Ends(
        host=host,
        clock=clock,
        send=connection.sendall,
        receive=lambda count: received_from(connection, count),
        hang_up=connection.close,
    )


class TelnetServer:
    """The serial server of RFC 2217 out of pyserial's own server side; the bytes end at the test and not at a port."""

    def __init__(self, server: socket.socket) -> None:
        self._server = server
        self._connected = threading.Event()
        self._near, self._far = socket.socketpair()
        self._near.settimeout(2.0)
        self.connection: socket.socket | None = None
        self.thread = threading.Thread(target=self._serve, daemon=True)
        self.thread.start()

    def write(self, data: bytes) -> None:
        """Send bytes of the protocol itself; called by the port manager."""
        assert self.connection is not None
        self.connection.sendall(data)

    def _serve(self) -> None:
        self.connection = self._server.accept()[0]
        # The manager asks this port for its settings and modem lines; a loop has both.
        settings = serial.serial_for_url("loop://")
        self.manager = rfc2217.PortManager(settings, self)
        self._connected.set()
        try:
            while data := self.connection.recv(1024):
                self._far.sendall(b"".join(self.manager.filter(data)))
        except OSError:
            pass
        settings.close()

    def send(self, data: bytes) -> None:
        self._connected.wait(2.0)
        self.write(b"".join(self.manager.escape(data)))

    def receive(self, count: int) -> bytes:
        return received_from(self._near, count)

    def hang_up(self) -> None:
        if self.connection is not None:
            with suppress(OSError):
                self.connection.shutdown(socket.SHUT_RDWR)
            self.connection.close()
        self.thread.join(2.0)

    def close(self) -> None:
        self.hang_up()
        self._near.close()
        self._far.close()


def telnet(stack: ExitStack, clock: SignallingClock) -> Ends:
    server = listening(stack)
    far = TelnetServer(server)
    stack.callback(far.close)
    host = open_port(f"rfc2217://127.0.0.1:{server.getsockname()[1]}", SETTINGS, clock)
    return Ends(host=host, clock=clock, send=far.send, receive=far.receive, hang_up=far.hang_up)


def loop(stack: ExitStack, clock: SignallingClock) -> Ends:
    host = open_port("loop://", SETTINGS, clock)
    return Ends(host=host, clock=clock, send=host.write, receive=lambda count: gather(host, count))


def further_handler(stack: ExitStack, clock: SignallingClock) -> Ends:
    """Any further handler of pyserial is read with a bounded time-out; `alt` stands for them all."""
    far, path = open_pseudo_terminal(clock)
    stack.callback(far.close)
    host = open_port(f"alt://{path}?class=PosixPollSerial", SETTINGS, clock)
    return through_transport(host, far, clock)


KINDS = {
    "memory": memory,
    "pseudo-terminal": pseudo_terminal,
    "socket": tcp,
    "rfc2217": telnet,
    "loop": loop,
    "further handler": further_handler,
}


def opened(kind: str) -> Iterator[Ends]:
    with ExitStack() as stack:
        found = KINDS[kind](stack, SignallingClock())
        stack.callback(found.host.close)
        yield found


@pytest.fixture(params=list(KINDS))
def ends(request: pytest.FixtureRequest) -> Iterator[Ends]:
    """Every kind."""
    yield from opened(request.param)


@pytest.fixture(params=[kind for kind in KINDS if kind != "loop"])
def parting_ends(request: pytest.FixtureRequest) -> Iterator[Ends]:
    """The kinds whose far end can go away."""
    yield from opened(request.param)


@pytest.fixture(params=["socket", "rfc2217"])
def network_ends(request: pytest.FixtureRequest) -> Iterator[Ends]:
    """The kinds where bytes outlive the far end that sent them."""
    yield from opened(request.param)
