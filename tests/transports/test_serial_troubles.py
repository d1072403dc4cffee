"""Troubles that serial ports are known for and that no other file holds, each named by what is shown.

DEVELOPERS.md lists all of them, each with its test or with the reason why it cannot be tested here.
"""

from __future__ import annotations

import os
import subprocess
import sys
import termios
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress

import pytest
import serial

from hil.errors import PortLost, PortUnavailable
from hil.timing import FakeClock, SystemClock
from hil.transports import Transport, open_port, open_pseudo_terminal
from hil.transports.serial_url import _set_up_terminal
from hil.wire.dialect import PortSettings

SETTINGS = PortSettings(baud=115200, write_timeout_s=0.2)


@contextmanager
def terminal_pair() -> Iterator[tuple[Transport, str]]:
    device, path = open_pseudo_terminal(SystemClock())
    try:
        yield device, path
    finally:
        device.close()


def test_nothing_waits_for_the_line_to_drain(monkeypatch: pytest.MonkeyPatch) -> None:
    # tcdrain may hang for ever on a dead peer, and so would flush(), which is made of it.
    def hang(*_: object) -> None:
        raise AssertionError("the line was waited for")

    monkeypatch.setattr(serial.Serial, "flush", hang)
    monkeypatch.setattr(termios, "tcdrain", hang)
    with terminal_pair() as (device, path), open_port(path, SETTINGS, SystemClock()) as host:
        host.write(b"x" * 100)
        found = device.read(2.0)
        assert found is not None


def test_closing_a_port_whose_peer_takes_nothing_does_not_hang() -> None:
    device_end, host_end = os.openpty()
    path = os.ttyname(host_end)
    host = open_port(path, SETTINGS, SystemClock())
    with pytest.raises(PortLost, match=r"nothing was taken for 0\.2 s"):
        host.write(b"x" * 1_000_000)
    began = time.monotonic()
    host.close()
    assert time.monotonic() - began < 1.0
    os.close(device_end)
    os.close(host_end)


def test_listening_to_a_silent_port_takes_no_processor_time() -> None:
    with terminal_pair() as (_, path), open_port(path, SETTINGS, SystemClock()) as host:
        began = time.process_time()
        assert host.read(0.5) is None
        # A loop that polls takes all of the half second, reading byte by byte with a time-out a tenth of it.
        assert time.process_time() - began < 0.05


def test_a_burst_is_read_in_few_large_chunks() -> None:
    with terminal_pair() as (device, path), open_port(path, SETTINGS, SystemClock()) as host:
        count = 200_000
        sender = threading.Thread(target=device.write, args=(b"x" * count,))
        sender.start()
        sizes: list[int] = []
        while sum(sizes) < count:
            found = host.read(2.0)
            assert found is not None
            sizes.append(len(found.data))
        sender.join()
    assert sum(sizes) == count
    # The system hands over up to 4 KiB at a time; one system call a byte would be 200 000 chunks.
    assert len(sizes) < 2000


def test_low_latency_is_asked_for_and_a_port_that_refuses_opens_all_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[bool] = []

    def refuse(self: serial.Serial, low_latency: bool) -> None:
        asked.append(low_latency)
        raise ValueError("Failed to update ASYNC_LOW_LATENCY flag")  # pyserial's words, on a pseudo-terminal too

    monkeypatch.setattr(serial.Serial, "set_low_latency_mode", refuse)
    with terminal_pair() as (_, path):
        open_port(path, SETTINGS, SystemClock()).close()
    assert asked == [True]


def test_a_system_without_that_mode_opens_all_the_same() -> None:
    class Elsewhere(serial.Serial):
        def set_low_latency_mode(self, low_latency_settings: bool) -> None:
            raise NotImplementedError("Low latency not supported on this platform")

    with terminal_pair() as (_, path):
        port = Elsewhere(path)
        _set_up_terminal(port, SETTINGS)
        port.close()


SPLIT = """
import os, sys
descriptor = os.open(sys.argv[1], os.O_RDWR | os.O_NOCTTY)
print("open", flush=True)
sys.stdin.read()
"""


def test_a_second_reader_that_asks_nobody_is_not_kept_out_and_one_that_asks_is() -> None:
    # The lock is advisory: what another program splits off in silence cannot be told from a silent robot. On a device,
    # unlike here, the terminal itself is marked too, which keeps out everybody but the superuser.
    with terminal_pair() as (_, path), open_port(path, SETTINGS, SystemClock()):
        with subprocess.Popen(
            [sys.executable, "-c", SPLIT, path], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        ) as other:
            assert other.stdout is not None
            assert other.stdout.readline() == "open\n"
            other.communicate()
        with pytest.raises(PortUnavailable, match="the port is in use"):
            open_port(path, SETTINGS, SystemClock())


def test_a_port_that_was_lost_is_free_before_anybody_is_told() -> None:
    # A device that comes back gets its old name only where nobody holds it any more.
    device_end, host_end = os.openpty()
    path = os.ttyname(host_end)
    host = open_port(path, SETTINGS, SystemClock())
    os.close(host_end)
    assert _held(path) == 1
    os.close(device_end)
    with pytest.raises(PortLost):
        host.read(2.0)
    assert _held(path) == 0


def _held(path: str) -> int:
    """Count the descriptors of this process that are open on a terminal, gone or not."""
    found = 0
    for name in os.listdir("/proc/self/fd"):
        with suppress(OSError):  # the one that listed this folder
            found += os.readlink(f"/proc/self/fd/{name}").split(" ")[0] == path
    return found


def test_a_loss_is_told_once_the_same_way_and_closing_afterwards_is_nothing() -> None:
    device_end, host_end = os.openpty()
    host = open_port(os.ttyname(host_end), SETTINGS, FakeClock())
    os.close(host_end)
    os.close(device_end)
    told = []
    for call in (lambda: host.read(2.0), lambda: host.write(b"x"), lambda: host.read(0.0)):
        with pytest.raises(PortLost) as caught:
            call()
        told.append(str(caught.value))
    host.close()
    host.close()
    assert len(set(told)) == 1
