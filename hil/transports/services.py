"""Services of the system that take a new serial port to see whether a modem or a braille display is behind it.

They hold the port for some seconds after it is plugged in, and what they send may start a robot that acts on single
letters. `probers` names those that run; the hint says how the system is told to leave one device alone.
"""

from __future__ import annotations

from pathlib import Path

# Program names as /proc tells them (cut at 15 characters), and what they look for.
_LOOK_FOR = {"ModemManager": "modems", "brltty": "braille displays"}


def probers(proc: Path = Path("/proc")) -> tuple[str, ...]:
    """Return the names of the services that run and may take a new port (Linux; elsewhere none are seen)."""
    found = set()
    for entry in proc.glob("[0-9]*/comm"):
        try:
            name = entry.read_text(encoding="utf-8", errors="replace").strip()
        except OSError:  # the process has gone
            continue
        if name in _LOOK_FOR:
            found.add(name)
    return tuple(sorted(found))


def is_prober(holder: str) -> bool:
    """Whether a holder (`name (process N)`) is such a service."""
    return holder.partition(" (process ")[0] in _LOOK_FOR


def prober_hint(name: str, vid: int | None = None, pid: int | None = None) -> str:
    """Return what to do so that a service leaves the device alone: a rule of udev, with its numbers where known."""
    vendor = f"{vid:04x}" if vid is not None else "VVVV"
    product = f"{pid:04x}" if pid is not None else "PPPP"
    match = f'ATTRS{{idVendor}}=="{vendor}", ATTRS{{idProduct}}=="{product}"'
    what = f"{name} looks for {_LOOK_FOR[name]} on every new port and may hold the robot's for some seconds"
    if name == "ModemManager":
        return (
            f"{what}. To have it leave this device alone, put this line into /etc/udev/rules.d/99-robot.rules: "
            f'{match}, ENV{{ID_MM_DEVICE_IGNORE}}="1"; then unplug the robot and plug it in again'
        )
    return f"{what}. Where no such device is used, switch the service off (systemctl mask {name})"
