"""What is told of the ports of a machine, on system trees built here as Linux lays them out."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from serial.tools import list_ports
from serial.tools.list_ports_common import ListPortInfo

from hil.timing import SystemClock
from hil.transports import open_pseudo_terminal
from hil.transports.candidates import PortKind, describe_port, find_candidates
from hil.transports.services import is_prober, prober_hint, probers


def listed(device: str, **known: object) -> ListPortInfo:
    info = ListPortInfo(device, skip_link_detection=True)
    for name, value in known.items():
        setattr(info, name, value)
    return info


@pytest.fixture
def tree(tmp_path: Path) -> Path:
    """A bridge on ttyUSB3 with its driver and a name that stays, and a port of the machine on ttyS0."""
    for device, driver in (("ttyUSB3", "ch341-uart"), ("ttyACM0", "cdc_acm"), ("ttyS0", "serial8250")):
        (tmp_path / "sys/bus/drivers" / driver).mkdir(parents=True)
        (tmp_path / "sys/class/tty" / device / "device").mkdir(parents=True)
        (tmp_path / "sys/class/tty" / device / "device/driver").symlink_to(tmp_path / "sys/bus/drivers" / driver)
    (tmp_path / "dev/serial/by-id").mkdir(parents=True)
    (tmp_path / "dev/ttyUSB3").touch()
    (tmp_path / "dev/serial/by-id/usb-bridge-if00").symlink_to("../../ttyUSB3")
    return tmp_path


def test_everything_known_of_a_bridge_is_told(tree: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    port = listed("/dev/ttyUSB3", description="Bridge", vid=0x1A86, pid=0x7523, serial_number="A7", location="1-2")
    monkeypatch.setattr(list_ports, "comports", lambda: [port])
    (found,) = find_candidates(tree, "linux")
    assert (found.device, found.kind, found.driver) == ("/dev/ttyUSB3", PortKind.BRIDGE, "ch341-uart")
    assert (found.usb_id, found.serial_number, found.location) == ("1a86:7523", "A7", "1-2")
    assert found.by_id == str(tree / "dev/serial/by-id/usb-bridge-if00")
    assert "restart" in found.kind.advice


@pytest.mark.parametrize(
    ("device", "kind"),
    [
        ("/dev/ttyACM0", PortKind.CDC),
        ("/dev/ttyS0", PortKind.BUILT_IN),
        ("/dev/cu.usbmodem1101", PortKind.CDC),
        ("/dev/cu.usbserial-110", PortKind.BRIDGE),
        ("/dev/rfcomm0", PortKind.BLUETOOTH),
        ("/dev/pts/7", PortKind.PSEUDO_TERMINAL),
        ("COM7", PortKind.UNKNOWN),
        ("socket://127.0.0.1:4000", PortKind.NETWORK),
    ],
)
def test_the_kind_is_told_by_the_driver_or_else_by_the_name(
    device: str, kind: PortKind, tree: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(list_ports, "comports", list)
    assert describe_port(device, tree, "linux").kind is kind


def test_a_bluetooth_port_of_another_system_is_told_by_its_hardware_name(
    tree: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    port = listed("COM9", description="Standard Serial over Bluetooth link (COM9)", hwid="BTHENUM\\{00001101}")
    monkeypatch.setattr(list_ports, "comports", lambda: [port])
    (found,) = find_candidates(tree, "win32")
    assert found.kind is PortKind.BLUETOOTH


def test_what_a_system_leaves_out_stays_empty_and_raises_nothing(tree: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    port = listed("/dev/ttyUSB9", description="n/a", vid=0x0403, pid=None, serial_number=None, location=None)
    monkeypatch.setattr(list_ports, "comports", lambda: [port])
    (found,) = find_candidates(tree, "linux")
    assert (found.description, found.usb_id, found.driver, found.by_id) == ("", "", "", "")


def test_on_one_system_the_name_to_open_is_told_beside_the_listed_one(
    tree: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(list_ports, "comports", lambda: [listed("/dev/tty.usbserial-110")])
    (found,) = find_candidates(tree, "darwin")
    assert found.opens_as == "/dev/cu.usbserial-110"


def test_a_link_leads_to_the_port_that_it_names(tree: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(list_ports, "comports", lambda: [listed(str(tree / "dev/ttyUSB3"), serial_number="A7")])
    assert describe_port(str(tree / "dev/serial/by-id/usb-bridge-if00"), tree).serial_number == "A7"


def test_a_port_that_this_machine_does_not_list_is_described_all_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(list_ports, "comports", list)
    device, path = open_pseudo_terminal(SystemClock())
    found = describe_port(path)
    device.close()
    assert (found.device, found.kind) == (path, PortKind.PSEUDO_TERMINAL)


def test_services_that_take_new_ports_are_named_with_the_rule_that_stops_them(tmp_path: Path) -> None:
    for number, name in ((7, "ModemManager"), (8, "brltty"), (9, "bash")):
        (tmp_path / str(number)).mkdir()
        (tmp_path / str(number) / "comm").write_text(f"{name}\n")
    assert probers(tmp_path) == ("ModemManager", "brltty")
    hint = prober_hint("ModemManager", 0x1A86, 0x7523)
    # The property is the one that ModemManager documents for leaving a device alone.
    assert 'ATTRS{idVendor}=="1a86", ATTRS{idProduct}=="7523", ENV{ID_MM_DEVICE_IGNORE}="1"' in hint
    assert "systemctl mask brltty" in prober_hint("brltty")


def test_only_such_services_are_waited_for() -> None:
    assert is_prober("ModemManager (process 812)")
    assert not is_prober(f"python3 (process {os.getpid()})")
