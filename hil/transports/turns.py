"""Listing the ports of the machine and opening one, each in its turn.

On some systems a port cannot be opened while another call looks at every port there is. So both take turns: whoever
lists or opens goes through `turn`. A port that hangs while it opens (a Bluetooth peer that is away) holds its turn for
seconds; whoever waits longer than `TURN_LIMIT_S` goes on without, since a list that is late is worse than one that
disturbs an opening which is failing already.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager

from serial.tools import list_ports
from serial.tools.list_ports_common import ListPortInfo

# Listing takes some ten milliseconds, opening about as much; a tenth of a second would be long for either.
TURN_LIMIT_S = 2.0

_TURN = threading.Lock()


@contextmanager
def turn(limit_s: float = TURN_LIMIT_S) -> Iterator[None]:
    """Wait for the turn, at most `limit_s`, and give it back at the end."""
    held = _TURN.acquire(timeout=limit_s)
    try:
        yield
    finally:
        if held:
            _TURN.release()


def listed_ports(limit_s: float = TURN_LIMIT_S) -> tuple[ListPortInfo, ...]:
    """Return the serial ports that the system tells of, in the order of their names."""
    with turn(limit_s):
        found = list_ports.comports()
    return tuple(sorted(found, key=lambda port: port.device))
