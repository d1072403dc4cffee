"""Listing and opening take turns, and a busy port is tried again only where it may become free by itself."""

from __future__ import annotations

import os
import threading

import pytest
from serial.tools import list_ports

from hil.errors import PortBusy
from hil.timing import FakeClock, SystemClock
from hil.transports import open_port, open_pseudo_terminal, port_trouble, serial_url
from hil.transports.serial_url import BUSY_WAITS_S, PROBER_WAITS_S
from hil.transports.turns import listed_ports, turn
from hil.wire.dialect import PortSettings

SETTINGS = PortSettings(baud=115200)


def test_ports_are_not_listed_while_one_is_opened(monkeypatch: pytest.MonkeyPatch) -> None:
    order: list[str] = []
    monkeypatch.setattr(list_ports, "comports", lambda: order.append("listed") or [])
    with turn():
        lister = threading.Thread(target=listed_ports)
        lister.start()
        lister.join(0.05)
        assert lister.is_alive()
        order.append("opened")
    lister.join(2.0)
    assert order == ["opened", "listed"]


def test_opening_waits_for_a_list_that_is_being_made() -> None:
    device, path = open_pseudo_terminal(SystemClock())
    opened: list[bool] = []

    def work() -> None:
        open_port(path, SETTINGS, SystemClock()).close()
        opened.append(True)

    with turn():
        opener = threading.Thread(target=work)
        opener.start()
        opener.join(0.05)
        assert not opened
    opener.join(2.0)
    device.close()
    assert opened == [True]


def test_a_port_that_hangs_while_it_opens_does_not_stop_the_list_for_ever(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(list_ports, "comports", list)
    with turn():
        assert listed_ports(limit_s=0.01) == ()


class Freeing(FakeClock):
    """A clock on which the holder lets go of the port while somebody waits for so long in all."""

    def __init__(self, holder: int, after_s: float) -> None:
        super().__init__()
        self.waited_s: list[float] = []
        self._holder = holder
        self._after_s = after_s

    def sleep(self, duration_s: float) -> None:
        super().sleep(duration_s)
        self.waited_s.append(duration_s)
        if sum(self.waited_s) >= self._after_s and self._holder >= 0:
            os.close(self._holder)
            self._holder = -1


def locked(path: str) -> int:
    """Hold the port as a driver that has not let go does: locked, by nobody that can be seen."""
    import fcntl

    descriptor = os.open(path, os.O_RDWR | os.O_NOCTTY)
    fcntl.flock(descriptor, fcntl.LOCK_EX)
    return descriptor


@pytest.fixture
def nobody_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(serial_url, "is_ours", lambda _: False)


@pytest.mark.usefixtures("nobody_seen")
def test_a_port_whose_driver_lets_go_late_is_opened_in_the_end() -> None:
    device, path = open_pseudo_terminal(SystemClock())
    clock = Freeing(locked(path), after_s=0.7)
    open_port(path, SETTINGS, clock).close()
    device.close()
    assert clock.waited_s == [0.1, 0.2, 0.4]


@pytest.mark.usefixtures("nobody_seen")
def test_a_port_that_stays_busy_is_refused_after_three_seconds() -> None:
    device, path = open_pseudo_terminal(SystemClock())
    holder = locked(path)
    clock = Freeing(-1, after_s=99.0)
    with pytest.raises(PortBusy, match="the port is in use"):
        open_port(path, SETTINGS, clock)
    os.close(holder)
    device.close()
    assert clock.waited_s == list(BUSY_WAITS_S)
    assert sum(BUSY_WAITS_S) == pytest.approx(3.0)


def test_a_service_that_looks_for_modems_is_waited_for(monkeypatch: pytest.MonkeyPatch) -> None:
    device, path = open_pseudo_terminal(SystemClock())
    holder = locked(path)
    monkeypatch.setattr(port_trouble, "holders", lambda _: ("ModemManager (process 1)",))
    clock = Freeing(holder, after_s=9.0)
    open_port(path, SETTINGS, clock).close()
    device.close()
    assert sum(clock.waited_s) == 9.0
    assert sum(PROBER_WAITS_S) == 15.0


def test_a_program_that_means_to_keep_the_port_is_not_waited_for(monkeypatch: pytest.MonkeyPatch) -> None:
    device, path = open_pseudo_terminal(SystemClock())
    holder = locked(path)
    monkeypatch.setattr(port_trouble, "holders", lambda _: ("terminal (process 1)",))
    clock = Freeing(-1, after_s=99.0)
    with pytest.raises(PortBusy, match=r"in use by terminal \(process 1\)"):
        open_port(path, SETTINGS, clock)
    os.close(holder)
    device.close()
    assert clock.waited_s == []


def test_the_words_of_another_system_for_a_busy_port_are_understood() -> None:
    error = port_trouble.why_unavailable(
        "COM3", OSError("could not open port 'COM3': PermissionError(13, 'Access is denied.', None, 5)")
    )
    assert isinstance(error, PortBusy)
