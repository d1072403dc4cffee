"""The device end of a pseudo-terminal: the host opens `path` like any serial port.

A pseudo-terminal has no modem lines and no baud rate; a simulated device spends the time on the wire itself.
"""

from __future__ import annotations

import os
import tty

from hil.errors import PortUnavailable
from hil.timing import Clock
from hil.transports.descriptor import DescriptorTransport
from hil.transports.transport import Transport, said_by

WRITE_TIMEOUT_S = 0.5


def open_pseudo_terminal(clock: Clock, *, write_timeout_s: float = WRITE_TIMEOUT_S) -> tuple[Transport, str]:
    """Open a pseudo-terminal; return the device's end and the path that the host opens.

    The host may close and open its end as often as it likes: this end also holds the host's side open, and so
    sees no end of file in between (nor would a real device). Bytes sent while nobody has opened the host's side
    wait there up to the system's buffer; opening it discards them, as with a real port.

    Raises `PortUnavailable` when the system has no pseudo-terminal left.
    """
    try:
        device_end, host_end = os.openpty()
    except OSError as error:
        raise PortUnavailable(
            f"no pseudo-terminal can be opened ({said_by(error)})",
            where="virtual port",
            expected="a system with pseudo-terminals (/dev/ptmx)",
            todo="Close programs that use many terminals, or serve the virtual robot on a socket",
        ) from error
    # Without this the terminal would echo the device's own bytes back to it until the host opens its side.
    tty.setraw(host_end)
    path = os.ttyname(host_end)

    def shut() -> None:
        os.close(device_end)
        os.close(host_end)

    transport = DescriptorTransport(
        f"{path} (device end)", clock, device_end, write_timeout_s=write_timeout_s, shut=shut
    )
    return transport, path
