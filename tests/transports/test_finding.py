"""Finding a port again: by what is behind it, whatever systems call it, and never a port of another device.

What devices tell of themselves and how systems differ in it is from memory and from the bug reports of the port
library; the library's own record of a port stands in for the devices.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from serial.tools.list_ports_common import ListPortInfo

from hil.errors import PortUnavailable
from hil.timing import FakeClock, SystemClock
from hil.transports import open_pseudo_terminal
from hil.transports.finding import LOOK_EVERY_S, Identity, find_again, identity_of, look_for, open_again
from hil.wire.dialect import PortSettings


def port(
    device: str, vid: int | None = 0x1A86, pid: int | None = 0x7523, serial: str | None = None, location: str = "1-1"
) -> ListPortInfo:
    found = ListPortInfo(device, skip_link_detection=True)
    found.vid, found.pid, found.serial_number, found.location = vid, pid, serial, location
    return found


BRIDGE = Identity(url="/dev/ttyUSB0", vid=0x1A86, pid=0x7523, location="1-1")
NUMBERED = replace(BRIDGE, serial_number="AB0123")


def look(identity: Identity, *ports: ListPortInfo) -> str:
    return look_for(identity, lambda: ports)


def test_device_is_found_under_its_new_name() -> None:
    assert look(BRIDGE, port("/dev/ttyS0", None, None), port("/dev/ttyUSB1")) == "/dev/ttyUSB1"


def test_device_that_is_not_there_is_not_found() -> None:
    assert look(BRIDGE, port("/dev/ttyACM0", 0x2341, 0x0043)) == ""


def test_serial_number_tells_two_alike_apart_wherever_they_are_plugged_in() -> None:
    both = (port("/dev/ttyUSB1", serial="ZZ9999"), port("/dev/ttyUSB2", serial="AB0123", location="2-4"))
    assert look(NUMBERED, *both) == "/dev/ttyUSB2"


def test_another_serial_number_is_another_device() -> None:
    assert look(NUMBERED, port("/dev/ttyUSB1", serial="ZZ9999")) == ""


@pytest.mark.parametrize("told", ["AB0123A", "ab0123", "AB0123"])
def test_serial_number_may_be_written_a_little_differently(told: str) -> None:
    assert look(NUMBERED, port("COM7", serial=told)) == "COM7"


def test_short_serial_number_is_not_stretched() -> None:
    assert look(replace(BRIDGE, serial_number="1"), port("COM7", serial="1A")) == ""


def test_numbers_that_a_system_leaves_out_are_not_held_against_a_device() -> None:
    assert look(NUMBERED, port("COM7", vid=None, pid=None, serial="AB0123", location="")) == "COM7"
    assert look(NUMBERED, port("COM7", serial=None)) == "COM7"


def test_socket_tells_two_without_a_number_apart() -> None:
    both = (port("/dev/ttyUSB1", location="1-2"), port("/dev/ttyUSB2", location="1-1"))
    assert look(BRIDGE, *both) == "/dev/ttyUSB2"


def test_one_of_two_that_cannot_be_told_apart_is_not_guessed() -> None:
    both = (port("/dev/ttyUSB1", location="1-3"), port("/dev/ttyUSB2", location="1-4"))
    assert look(BRIDGE, *both) == ""


def test_device_that_was_there_beside_it_is_not_taken_for_it() -> None:
    identity = replace(BRIDGE, others=frozenset({"/dev/ttyUSB1"}))
    assert look(identity, port("/dev/ttyUSB1", location="1-2")) == ""
    assert look(identity, port("/dev/ttyUSB1", location="1-2"), port("/dev/ttyUSB2", location="1-5")) == "/dev/ttyUSB2"


def test_interface_of_a_device_with_two_ports_is_found_by_its_place() -> None:
    first = replace(NUMBERED, location="1-1:1.0")
    both = (
        port("/dev/ttyACM3", serial="AB0123", location="1-1:1.2"),
        port("/dev/ttyACM4", serial="AB0123", location="1-1:1.0"),
    )
    assert look(first, *both) == "/dev/ttyACM4"


def test_link_is_followed_and_missed_while_it_leads_nowhere(tmp_path: Path) -> None:
    link, target = tmp_path / "robot", tmp_path / "ttyUSB7"
    link.symlink_to(target)
    identity = identity_of(str(link))
    assert identity.text == str(link)
    assert look(identity) == ""
    target.touch()
    assert look(identity) == str(link)


def test_address_behind_the_network_is_where_it_was() -> None:
    identity = identity_of("socket://bench.local:7000")
    assert look(identity) == "socket://bench.local:7000"
    assert identity.can_be_found


def test_virtual_robot_is_asked_where_it_is() -> None:
    places = iter(["", "/dev/pts/9"])
    identity = Identity(url="/dev/pts/4", virtual="virtual V-0001", where=lambda: next(places))
    assert [look(identity), look(identity)] == ["", "/dev/pts/9"]
    assert identity.text == "virtual V-0001"


def test_pseudo_terminal_that_has_gone_is_not_looked_for() -> None:
    # Its number is given to the next terminal that somebody opens.
    assert not identity_of("/dev/pts/40").can_be_found


def test_identity_is_said_in_words() -> None:
    assert NUMBERED.text == "USB 1a86:7523, serial number AB0123"
    assert BRIDGE.text == "USB 1a86:7523 at 1-1"


def test_looking_is_polled_until_the_deadline() -> None:
    clock, looks = FakeClock(), []

    def nothing() -> tuple[ListPortInfo, ...]:
        looks.append(clock.monotonic_ns())
        return ()

    assert find_again(BRIDGE, clock, 15.0, nothing) == ""
    assert clock.monotonic_ns() / 1e9 == pytest.approx(15.0)
    assert 5 <= len(looks) / 15.0 <= 10  # looks a second
    assert max(after - before for before, after in itertools.pairwise(looks)) <= LOOK_EVERY_S * 1.01e9


def test_looking_ends_with_the_first_sight() -> None:
    clock = FakeClock()
    seen: Iterator[tuple[ListPortInfo, ...]] = iter([(), (), (port("/dev/ttyUSB3"),)])
    assert find_again(BRIDGE, clock, 15.0, lambda: next(seen)) == "/dev/ttyUSB3"
    assert clock.monotonic_ns() / 1e9 == pytest.approx(2 * LOOK_EVERY_S)


def test_port_that_never_comes_is_told_by_what_is_behind_it() -> None:
    identity = replace(BRIDGE, where=lambda: "", virtual="virtual V-0001")
    with pytest.raises(PortUnavailable, match=r"virtual V-0001: the port did not come within 3 s"):
        open_again(identity, PortSettings(baud=9600), FakeClock(), 3.0)


def test_port_is_opened_when_it_has_come(tmp_path: Path) -> None:
    clock = SystemClock()
    far, name = open_pseudo_terminal(clock)
    link = tmp_path / "robot"
    link.symlink_to("/dev/no-such-port")
    looks: list[int] = []

    def meanwhile() -> None:
        looks.append(1)
        link.unlink()
        link.symlink_to(name)

    with far, open_again(identity_of(str(link)), PortSettings(baud=9600), clock, 5.0, meanwhile) as transport:
        far.write(b"here\n")
        stamped = transport.read(2.0)
    assert stamped is not None
    assert stamped.data == b"here\n"
    assert looks == [1]
