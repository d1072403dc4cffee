"""The base of every port: what happens when things end, fill up, or go wrong inside."""

from __future__ import annotations

import os
import queue
import termios
import threading
from collections.abc import Callable

import pytest
import serial

from hil.errors import InternalError, PortLost
from hil.timing import FakeClock, SystemClock
from hil.transports import Transport, memory_pair, open_pseudo_terminal
from hil.transports import transport as base
from hil.transports.descriptor import DescriptorTransport

# pyserial's and the system's ways of saying that a port has gone, by cause of trouble (serial ports, B1).
FOUR_WAYS = [
    serial.SerialException("device reports readiness to read but returned no data"),
    OSError(5, "Input/output error"),
    termios.error(5, "Input/output error"),
    TypeError("'NoneType' object cannot be interpreted as an integer"),
]


class ScriptedPort(Transport):
    """A port whose reads do what the test says: the four hooks are all that a new kind of port needs."""

    def __init__(self, clock: SystemClock, on_send: Callable[[bytes], None] = lambda data: None) -> None:
        super().__init__("scripted", clock)
        self.script: queue.SimpleQueue[bytes | BaseException] = queue.SimpleQueue()
        self.on_send = on_send
        self.times_shut = 0
        self._start()

    def _receive(self) -> bytes:
        item = self.script.get()
        if isinstance(item, BaseException):
            raise item
        return item

    def _send(self, data: bytes) -> None:
        self.on_send(data)

    def _wake(self) -> None:
        self.script.put(b"")

    def _shut(self) -> None:
        self.times_shut += 1


@pytest.mark.parametrize("error", FOUR_WAYS, ids=lambda error: type(error).__module__ + "." + type(error).__name__)
def test_each_way_of_losing_a_port_while_reading_becomes_one_error_behind_the_bytes(error: Exception) -> None:
    port = ScriptedPort(SystemClock())
    port.script.put(b"before")
    port.script.put(error)
    first = port.read(2.0)
    assert first is not None
    assert first.data == b"before"
    with pytest.raises(PortLost, match="scripted: the port went away"):
        port.read(2.0)
    assert port.times_shut == 1
    port.close()
    assert port.times_shut == 1


@pytest.mark.parametrize("error", FOUR_WAYS, ids=lambda error: type(error).__module__ + "." + type(error).__name__)
def test_each_way_of_losing_a_port_while_writing_becomes_the_same_error_both_ways(error: Exception) -> None:
    def refuse(data: bytes) -> None:
        raise error

    port = ScriptedPort(SystemClock(), on_send=refuse)
    with pytest.raises(PortLost) as at_write:
        port.write(b"x")
    with pytest.raises(PortLost) as at_read:
        port.read(2.0)
    assert at_write.value.cause == at_read.value.cause


def test_what_waits_in_the_port_when_a_write_fails_is_still_read() -> None:
    def refuse(data: bytes) -> None:
        for word in (b"one", b"two", b"three"):
            port.script.put(word)
        raise OSError("gone")

    port = ScriptedPort(SystemClock(), on_send=refuse)
    with pytest.raises(PortLost):
        port.write(b"x")
    for word in (b"one", b"two", b"three"):
        found = port.read(2.0)
        assert found is not None
        assert found.data == word
    with pytest.raises(PortLost):
        port.read(2.0)


def test_a_peer_that_never_stops_talking_does_not_keep_a_failed_port_alive() -> None:
    class Chatty(ScriptedPort):
        def _receive(self) -> bytes:
            return b"bla"

        def _wake(self) -> None:
            pass

    def refuse(data: bytes) -> None:
        raise OSError("gone")

    port = Chatty(SystemClock(), on_send=refuse)
    with pytest.raises(PortLost):
        port.write(b"x")
    assert port._thread is not None
    port._thread.join(5.0)
    assert not port._thread.is_alive()


def test_a_fault_in_the_reader_reaches_the_consumer_as_an_internal_error() -> None:
    port = ScriptedPort(SystemClock())
    port.script.put(ZeroDivisionError("ours"))
    with pytest.raises(InternalError, match="ZeroDivisionError"):
        port.read(2.0)
    with pytest.raises(InternalError):
        port.write(b"x")


def test_a_write_that_nobody_takes_ends_in_time_and_says_how_much_was_left() -> None:
    device_end, host_end = os.openpty()
    port = DescriptorTransport("full", SystemClock(), host_end, write_timeout_s=0.05, shut=lambda: os.close(host_end))
    with pytest.raises(PortLost, match=r"nothing was taken for 0\.05 s with \d+ of 1000000 bytes unsent"):
        port.write(b"x" * 1_000_000)
    port.close()
    os.close(device_end)


def test_a_full_queue_stops_the_reader_and_nothing_is_lost(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(base, "QUEUE_BOUND", 4096)
    clock = SystemClock()
    device, path = open_pseudo_terminal(clock)
    host_end = os.open(path, os.O_RDWR | os.O_NOCTTY)
    host = DescriptorTransport(path, clock, host_end, write_timeout_s=0.5, shut=lambda: os.close(host_end))
    sent = b"".join(b"%05d\n" % number for number in range(20_000))
    writer = threading.Thread(target=lambda: [device.write(sent[at : at + 500]) for at in range(0, len(sent), 500)])
    writer.start()
    while not host.held_back:  # the reader gets ahead of a consumer that does not read
        threading.Event().wait(0.001)
    assert host._queued - host._taken < 4096 + 2 * (base.READ_BYTES + base.CHUNK_OVERHEAD)
    found = b""
    while len(found) < len(sent):
        stamped = host.read(2.0)
        assert stamped is not None
        found += stamped.data
    writer.join(2.0)
    assert found == sent
    host.close()
    device.close()


def test_a_reader_that_waits_for_room_still_ends_at_close(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(base, "QUEUE_BOUND", 10)
    port = ScriptedPort(SystemClock())
    for _ in range(3):
        port.script.put(b"x" * 100)
    while not port.held_back:
        threading.Event().wait(0.001)
    port.close()
    assert port._thread is not None
    assert not port._thread.is_alive()


def test_a_memory_pair_in_one_thread_waits_on_its_clock() -> None:
    clock = FakeClock()
    near, far = memory_pair(clock, one_thread=True)
    assert near.read(1.5) is None
    assert clock.monotonic_ns() == 1_500_000_000
    far.write(b"now")
    found = near.read(1.0)
    assert found is not None
    assert (found.t_ns, found.data) == (1_500_000_000, b"now")


def test_the_time_a_port_had_been_open_is_told_by_its_clock() -> None:
    clock = FakeClock()
    near, far = memory_pair(clock)
    clock.advance(12.34)
    far.close()
    with pytest.raises(PortLost) as caught:
        near.read(0.0)
    assert str(caught.value) == (
        "memory (near end): the port went away after 12.3 s (the other end was closed). "
        "Check the cable and the robot's supply, then run again."
    )
