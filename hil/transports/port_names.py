"""What the name of a port tells before anything is opened: that it has no line behind it, or that it is not there.

A name in the file system may be a link (the system keeps some, and `hil simulate --link` makes one), so what it leads
to is looked at, and not its letters.
"""

from __future__ import annotations

import os
import re
import stat
import sys
from pathlib import Path

from hil.errors import PortUnavailable
from hil.transports.port_trouble import EXPECTED, ports_that_exist
from hil.transports.trace_port import is_trace

# Linux, then macOS, whose call-out devices are /dev/cu.* and /dev/tty.* (from memory).
_PSEUDO_TERMINAL = re.compile(r"/dev/pts/\d+|/dev/ttys\d{3}")


def is_address(url: str) -> bool:
    """Whether it names something that is no device of this machine: an address on the network, or a trace."""
    return "://" in url or is_trace(url)


def is_pseudo_terminal(url: str) -> bool:
    """Whether the port is a pseudo-terminal: it has no baud rate, no modem lines and no adapter."""
    if is_address(url):
        return False
    try:
        device = str(Path(url).resolve())
    except (OSError, RuntimeError, ValueError):  # a circle of links, a name that no system takes
        device = url
    return _PSEUDO_TERMINAL.fullmatch(device) is not None


def has_no_line(url: str) -> bool:
    """Whether there is no serial line behind the port, so that rates and modem lines mean nothing there."""
    return is_address(url) or is_pseudo_terminal(url)


def why_absent(url: str, platform: str = sys.platform) -> PortUnavailable | None:
    """Return the error for a device that is not there, or is something else; None where it may be opened.

    Windows tells of its ports by opening them only, and an address by being connected to.
    """
    if is_address(url) or platform == "win32":
        return None
    try:
        mode = Path(url).stat().st_mode
    except (OSError, ValueError):
        return PortUnavailable(_absent(url), where=url, expected=EXPECTED, todo=ports_that_exist())
    if stat.S_ISCHR(mode):
        return None
    return PortUnavailable("this is not a serial port", where=url, expected=EXPECTED, todo=ports_that_exist())


def _absent(url: str) -> str:
    if Path(url).is_symlink():
        return f"this link leads to {os.fspath(Path(url).readlink())}, which is not there"
    return "there is no such port"
