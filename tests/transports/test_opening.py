"""Opening a port: what is set, who else may have it, and the sentence when it cannot be had."""

from __future__ import annotations

import array
import fcntl
import os
import socket
import subprocess
import sys
import termios
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path

import pytest
import serial
from serial.tools import list_ports
from serial.tools.list_ports_common import ListPortInfo

from hil.errors import PortLost, PortUnavailable
from hil.timing import FakeClock, SystemClock
from hil.transports import Transport, open_port, open_pseudo_terminal, terminal
from hil.transports.port_trouble import holders, ports_that_exist, why_unavailable
from hil.transports.serial_url import _pulse_lines, callout_name
from hil.wire.dialect import LineState, PortSettings

SETTINGS = PortSettings(baud=115200)
EXPECTED = "expected a serial device, or a socket://, rfc2217:// or loop:// address"
# linux/asm-generic/ioctls.h: asks whether a terminal is marked as exclusive; termios has no name for it.
TIOCGEXCL = 0x80045440


@contextmanager
def terminal_pair() -> Iterator[tuple[Transport, str]]:
    device, path = open_pseudo_terminal(SystemClock())
    try:
        yield device, path
    finally:
        device.close()


def refusal(url: str, settings: PortSettings = SETTINGS, open_limit_s: float = 10.0) -> str:
    with pytest.raises(PortUnavailable) as caught:
        open_port(url, settings, SystemClock(), open_limit_s=open_limit_s)
    return str(caught.value)


def test_a_missing_port_is_told_with_the_ports_that_exist() -> None:
    assert refusal("/dev/no-such-port") == (
        f"/dev/no-such-port: there is no such port; {EXPECTED}. {ports_that_exist()}."
    )


def test_the_list_of_ports_names_each_and_says_how_many_more(monkeypatch: pytest.MonkeyPatch) -> None:
    def port(name: str, description: str) -> ListPortInfo:
        info = ListPortInfo(name, skip_link_detection=True)
        info.description = description
        return info

    monkeypatch.setattr(list_ports, "comports", lambda: [port("/dev/ttyUSB1", "n/a"), port("/dev/ttyUSB0", "Bridge")])
    assert ports_that_exist() == "Ports that exist here: /dev/ttyUSB0 (Bridge), /dev/ttyUSB1"
    monkeypatch.setattr(list_ports, "comports", lambda: [port(f"/dev/ttyS{n}", "n/a") for n in range(10)])
    assert ports_that_exist().endswith("/dev/ttyS7 and 2 more")
    monkeypatch.setattr(list_ports, "comports", list)
    assert ports_that_exist() == "This machine has no serial port at the moment: check the cable and the robot's supply"


def test_a_plain_file_is_not_a_port(tmp_path: Path) -> None:
    file = tmp_path / "notes.txt"
    file.write_text("no port")
    assert refusal(str(file)).startswith(f"{file}: this is not a serial port; {EXPECTED}.")
    assert refusal(str(tmp_path)).startswith(f"{tmp_path}: this is not a serial port; {EXPECTED}.")


def test_a_port_without_permission_is_told_with_what_to_do() -> None:
    error = why_unavailable(
        "/dev/null", serial.SerialException(13, "could not open port: [Errno 13] Permission denied")
    )
    assert str(error).startswith("/dev/null: this user may not open the port; expected read and write permission. Join")


def test_a_bluetooth_peer_that_is_away_is_told_as_such() -> None:
    error = serial.SerialException(112, "could not open port /dev/rfcomm0: [Errno 112] Host is down")
    assert str(why_unavailable("/dev/rfcomm0", error)) == (
        "/dev/rfcomm0: the Bluetooth peer does not answer (Host is down); expected "
        "a robot that is paired, switched on and in reach. Of two ports that pairing made, take the outgoing "
        "one; switch the robot off and on, then try again."
    )


@pytest.mark.parametrize("url", ["nonsense://x", "COM3://"])
def test_an_unknown_kind_of_address_is_refused(url: str) -> None:
    assert refusal(url) == f"{url}: this kind of address is not known; {EXPECTED}."


@pytest.mark.parametrize(
    "url", ["socket://", "socket://host", "rfc2217://:7000", "socket://host:99999", "socket://h:x"]
)
def test_an_incomplete_address_is_refused(url: str) -> None:
    assert refusal(url) == (
        f"{url}: the address is not complete; expected SCHEME://HOST:NUMBER, such as socket://bench.local:7000."
    )


def test_a_host_where_nothing_listens_is_told(unused_number: int) -> None:
    url = f"socket://127.0.0.1:{unused_number}"
    assert refusal(url) == (
        f"{url}: the host answers, but nothing listens at that number; expected a serial server that is running. "
        "Start the server, or correct the number after the colon."
    )


@pytest.fixture
def unused_number() -> int:
    with socket.create_server(("127.0.0.1", 0)) as server:
        return int(server.getsockname()[1])


@pytest.mark.filterwarnings(r"ignore:set(Daemon|Name)\(\) is deprecated:DeprecationWarning")
def test_a_server_that_never_answers_is_given_up_in_time() -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        url = f"rfc2217://127.0.0.1:{server.getsockname()[1]}?timeout=0.3"
        assert refusal(url, open_limit_s=0.1) == (
            f"{url}: opening the port took longer than 0.1 s; expected a port that opens, or refuses to, within that "
            "time. Check that the device (or the host at the other end) is switched on and in reach."
        )
        for thread in threading.enumerate():
            if thread.name == f"opening {url}":
                thread.join(5.0)


def test_a_second_opening_by_this_program_is_refused() -> None:
    with terminal_pair() as (_, path), open_port(path, SETTINGS, SystemClock()):
        assert refusal(path).startswith(f"{path}: the port is in use by this program or by one that cannot be seen;")
    with terminal_pair() as (_, path):
        open_port(path, SETTINGS, SystemClock()).close()
        open_port(path, SETTINGS, SystemClock()).close()


HOLD = """
import sys
from hil.timing import SystemClock
from hil.transports import open_port
from hil.wire.dialect import PortSettings
port = open_port(sys.argv[1], PortSettings(baud=115200), SystemClock())
print("open", flush=True)
sys.stdin.read()
"""


def test_the_program_that_holds_a_port_is_named_and_its_hold_dies_with_it() -> None:
    with terminal_pair() as (_, path):
        with subprocess.Popen(
            [sys.executable, "-c", HOLD, path], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        ) as other:
            assert other.stdout is not None
            assert other.stdout.readline() == "open\n"
            sentence = refusal(path)
            other.kill()
        assert f"the port is in use by {Path(sys.executable).name} (process {other.pid})" in sentence
        assert "; expected a port that no other program has open. Close the other program" in sentence
        open_port(path, SETTINGS, SystemClock()).close()


def test_a_device_that_is_not_there_has_no_holder() -> None:
    assert holders("/dev/no-such-port") == ()


def test_a_claim_marks_a_terminal_and_is_taken_back() -> None:
    device_end, host_end = os.openpty()
    marked = array.array("i", [0])
    for claimed in (True, False):
        terminal.set_claim(host_end, claimed=claimed)
        fcntl.ioctl(host_end, TIOCGEXCL, marked)
        assert bool(marked[0]) is claimed
    # On a pseudo-terminal the mark would outlive a killed program, so `claim` leaves those alone.
    assert terminal.claim(host_end) is False
    os.close(device_end)
    os.close(host_end)


@pytest.mark.parametrize("baud", [9600, 115200, 1_000_000, 74_880, 250_000, 12_345])
def test_standard_and_other_rates_are_really_set(baud: int) -> None:
    settings = PortSettings(baud=baud)
    with terminal_pair() as (device, path), open_port(path, settings, SystemClock()) as host:
        descriptor = os.open(path, os.O_RDWR | os.O_NOCTTY)
        assert terminal.rate_of(descriptor) == baud
        os.close(descriptor)
        host.write(b"still speaks")
        found = device.read(2.0)
        assert found is not None
        assert found.data == b"still speaks"


def test_rates_with_a_constant_are_told_from_those_without() -> None:
    assert terminal.rate_is_standard(115200)
    assert not terminal.rate_is_standard(74_880)
    assert not terminal.rate_is_standard(0)
    assert {9600, 115200, 1_000_000} < set(terminal.standard_rates())


def flags_of(path: str, settings: PortSettings) -> int:
    """Open the port with these settings and return the control flags set; lines drop at close unless told."""
    descriptor = os.open(path, os.O_RDWR | os.O_NOCTTY)
    attributes = termios.tcgetattr(descriptor)
    attributes[2] |= termios.HUPCL
    termios.tcsetattr(descriptor, termios.TCSANOW, attributes)
    with open_port(path, settings, SystemClock()):
        flags = int(termios.tcgetattr(descriptor)[2])
    os.close(descriptor)
    return flags


def test_the_character_format_is_set_as_the_protocol_says() -> None:
    with terminal_pair() as (_, path):
        flags = flags_of(path, PortSettings(baud=9600, data_bits=7, parity="even", stop_bits=2))
    # The kernel gives every pseudo-terminal eight data bits without parity, whatever is asked.
    assert flags & termios.CSTOPB


def test_lines_that_are_to_be_kept_are_not_dropped_at_close() -> None:
    with terminal_pair() as (_, path):
        assert flags_of(path, SETTINGS) & termios.HUPCL
        assert not flags_of(path, PortSettings(baud=115200, dtr=LineState.KEEP)) & termios.HUPCL


class LineWatch(FakeClock):
    """A clock that notes the state of the lines whenever somebody waits."""

    def __init__(self, port: serial.Serial) -> None:
        super().__init__(datetime.fromisoformat("2026-01-01T00:00:00+00:00"))
        self.port = port
        self.seen: list[tuple[bool, bool, float]] = []

    def sleep(self, duration_s: float) -> None:
        self.seen.append((self.port.dtr, self.port.rts, duration_s))


def test_a_pulsed_line_goes_down_for_a_moment_and_the_other_stays() -> None:
    port = serial.serial_for_url("loop://")
    clock = LineWatch(port)
    _pulse_lines(port, PortSettings(baud=9600, dtr=LineState.PULSE, rts=LineState.ON), clock)
    assert clock.seen == [(False, True, 0.1)]
    assert (port.dtr, port.rts) == (True, True)
    port.close()


@pytest.mark.parametrize("state", list(LineState))
def test_a_pseudo_terminal_has_no_lines_and_opens_all_the_same(state: LineState) -> None:
    with terminal_pair() as (device, path):
        settings = PortSettings(baud=115200, dtr=state, rts=state)
        with open_port(path, settings, SystemClock()) as host:
            host.write(b"x")
            assert device.read(2.0) is not None


def test_the_settling_time_is_waited_before_the_port_is_handed_over() -> None:
    clock = FakeClock()
    with terminal_pair() as (_, path), open_port(path, PortSettings(baud=115200, settle_s=2.5), clock):
        assert clock.monotonic_ns() == 2_500_000_000


def test_what_a_device_says_while_the_port_settles_is_not_lost() -> None:
    with terminal_pair() as (device, path):

        class Talking(FakeClock):
            def sleep(self, duration_s: float) -> None:
                device.write(b"hello")

        with open_port(path, PortSettings(baud=115200, settle_s=1.0), Talking()) as host:
            found = host.read(2.0)
    assert found is not None
    assert found.data == b"hello"


def test_an_interrupt_while_settling_leaves_the_port_free() -> None:
    class Interrupting(FakeClock):
        def sleep(self, duration_s: float) -> None:
            raise KeyboardInterrupt

    with terminal_pair() as (_, path):
        with pytest.raises(KeyboardInterrupt):
            open_port(path, PortSettings(baud=115200, settle_s=1.0), Interrupting())
        open_port(path, SETTINGS, SystemClock()).close()


def test_a_device_lives_on_when_the_host_comes_and_goes() -> None:
    with terminal_pair() as (device, path):
        for word in (b"one", b"two"):
            with open_port(path, SETTINGS, SystemClock()) as host:
                host.write(word)
                found = device.read(2.0)
                assert found is not None
                assert found.data == word
        assert device.read(0.02) is None


def test_a_device_that_goes_away_reads_as_a_lost_port() -> None:
    device_end, host_end = os.openpty()
    path = os.ttyname(host_end)
    host = open_port(path, SETTINGS, SystemClock())
    os.close(host_end)
    os.close(device_end)
    with pytest.raises(PortLost, match=f"{path}: the port went away after"):
        host.read(2.0)
    with pytest.raises(PortLost):
        host.write(b"x")
    host.close()


@pytest.mark.parametrize(
    ("platform", "url", "opened"),
    [
        ("darwin", "/dev/tty.usbserial-1", "/dev/cu.usbserial-1"),
        ("darwin", "/dev/cu.usbserial-1", "/dev/cu.usbserial-1"),
        ("linux", "/dev/tty.odd", "/dev/tty.odd"),
    ],
)
def test_on_one_system_the_call_out_device_is_taken(platform: str, url: str, opened: str) -> None:
    assert callout_name(url, platform) == opened
