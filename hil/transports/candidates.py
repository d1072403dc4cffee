"""The ports of this machine that a robot may be on, with everything the system tells of each.

What a system does not tell stays empty: nothing is guessed but the kind, which is told by the driver where there is
one, and else by the name. Nothing is opened, so no board is restarted and no robot hears anything.
"""

from __future__ import annotations

import sys
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path

from serial.tools.list_ports_common import ListPortInfo

from hil.transports.port_names import is_pseudo_terminal
from hil.transports.port_trouble import holders
from hil.transports.serial_url import callout_name
from hil.transports.turns import listed_ports


class PortKind(StrEnum):
    """What is behind a port; it decides what opening it does to a robot."""

    CDC = "USB, by the controller itself"
    BRIDGE = "USB serial bridge"
    BLUETOOTH = "Bluetooth"
    BUILT_IN = "built into the machine"
    PSEUDO_TERMINAL = "pseudo-terminal"
    NETWORK = "network"
    UNKNOWN = "unknown"

    @property
    def advice(self) -> str:
        """What to know before a robot is opened there, "" where there is nothing."""
        return _ADVICE.get(self, "")


_ADVICE = {
    PortKind.CDC: "it speaks only while DTR is on (the default), and goes away for a moment when the board restarts",
    PortKind.BRIDGE: "opening it may restart the board (boot and on_open in the protocol file)",
    PortKind.BLUETOOTH: "pair first; of two ports the outgoing one works; opening may take ten seconds",
}

_CDC_DRIVERS = {"cdc_acm", "usbmodem"}
_BRIDGE_DRIVERS = {"ftdi_sio", "cp210x", "ch341", "ch341-uart", "pl2303", "usbserial", "mos7720", "ark3116"}
_BUILT_IN_DRIVERS = {"serial8250", "serial", "8250", "pl011", "uart-pl011", "port"}
# Beginnings of device names, on Linux and macOS. Windows names tell nothing.
_BY_NAME: Mapping[str, PortKind] = {
    "ttyACM": PortKind.CDC,
    "cu.usbmodem": PortKind.CDC,
    "tty.usbmodem": PortKind.CDC,
    "ttyUSB": PortKind.BRIDGE,
    "cu.usbserial": PortKind.BRIDGE,
    "tty.usbserial": PortKind.BRIDGE,
    "rfcomm": PortKind.BLUETOOTH,
    "cu.Bluetooth": PortKind.BLUETOOTH,
    "tty.Bluetooth": PortKind.BLUETOOTH,
    "ttyS": PortKind.BUILT_IN,
    "ttyAMA": PortKind.BUILT_IN,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """A port and what is known of it; texts are as the device tells them, so not to be shown raw.

    `by_id` is a name that stays the same whatever the port is called next time. `opens_as` is the name to open, where
    it is another than `device`.
    """

    device: str
    kind: PortKind
    description: str = ""
    manufacturer: str = ""
    product: str = ""
    vid: int | None = None
    pid: int | None = None
    serial_number: str = ""
    location: str = ""
    interface: str = ""
    driver: str = ""
    by_id: str = ""
    holders: tuple[str, ...] = ()
    opens_as: str = ""

    @property
    def usb_id(self) -> str:
        """Vendor and product in hex (`1a86:7523`), "" where it is no USB device."""
        return "" if self.vid is None or self.pid is None else f"{self.vid:04x}:{self.pid:04x}"


def find_candidates(root: Path = Path("/"), platform: str = sys.platform) -> tuple[Candidate, ...]:
    """Return the ports of this machine; `root` is where `dev` and `sys` are looked for."""
    links = _links_by_device(root)
    return tuple(_candidate(port, root, platform, links) for port in listed_ports())


def describe_port(name: str, root: Path = Path("/"), platform: str = sys.platform) -> Candidate:
    """Return what is known of one port that the user names, listed by the system or not."""
    if "://" in name:
        return Candidate(device=name, kind=PortKind.NETWORK)
    try:
        device = str(Path(name).resolve()) if platform != "win32" else name
    except OSError:
        device = name
    for candidate in find_candidates(root, platform):
        if candidate.device in (name, device):
            return candidate
    return _candidate(ListPortInfo(device, skip_link_detection=True), root, platform, _links_by_device(root))


def _candidate(port: ListPortInfo, root: Path, platform: str, links: Mapping[str, str]) -> Candidate:
    driver = _driver(port.device, root)
    opened = callout_name(port.device, platform)
    return Candidate(
        device=port.device,
        kind=_kind(port, driver),
        description=_text(port.description),
        manufacturer=_text(port.manufacturer),
        product=_text(port.product),
        vid=port.vid,
        pid=port.pid,
        serial_number=_text(port.serial_number),
        location=_text(port.location),
        interface=_text(port.interface),
        driver=driver,
        by_id=links.get(port.device, ""),
        holders=holders(port.device),
        opens_as=opened if opened != port.device else "",
    )


def _kind(port: ListPortInfo, driver: str) -> PortKind:
    name = Path(port.device).name
    if is_pseudo_terminal(port.device):
        return PortKind.PSEUDO_TERMINAL
    for drivers, kind in (
        (_CDC_DRIVERS, PortKind.CDC),
        (_BRIDGE_DRIVERS, PortKind.BRIDGE),
        (_BUILT_IN_DRIVERS, PortKind.BUILT_IN),
    ):
        if driver in drivers:
            return kind
    if "BTHENUM" in str(port.hwid) or "bluetooth" in str(port.description).lower():
        return PortKind.BLUETOOTH
    return next((kind for start, kind in _BY_NAME.items() if name.startswith(start)), PortKind.UNKNOWN)


def _driver(device: str, root: Path) -> str:
    """Return the kernel's driver of a port, "" where the system has no such list (Linux has)."""
    link = root / "sys" / "class" / "tty" / Path(device).name / "device" / "driver"
    try:
        return link.resolve(strict=True).name
    except OSError:
        return ""


def _links_by_device(root: Path) -> dict[str, str]:
    """Return the names under /dev/serial/by-id by the device they lead to (Linux)."""
    found = {}
    for link in sorted((root / "dev" / "serial" / "by-id").glob("*")):
        try:
            found[f"/dev/{link.resolve().name}"] = str(link)
        except OSError:
            continue
    return found


def _text(value: object) -> str:
    """Return what the system says of a device, with its ways of saying nothing as nothing."""
    return "" if value is None or value == "n/a" else str(value)
