"""Ports of every kind behind one face: `open_port` for the host, a pseudo-terminal or a memory pair for devices.

open_port(url, settings, clock) -> Transport        a device, socket://, rfc2217://, loop://, any pyserial URL
open_pseudo_terminal(clock) -> (Transport, path)    the device's end, and the path the host opens
memory_pair(clock) -> (Transport, Transport)

Transport.read(timeout_s) -> Stamped(t_ns, data) | None     raises PortLost after the last byte
Transport.write(data), Transport.close(), Transport.name
"""

from hil.transports.memory import memory_pair
from hil.transports.pseudo_terminal import open_pseudo_terminal
from hil.transports.serial_url import open_port
from hil.transports.transport import Stamped, Transport

__all__ = ["Stamped", "Transport", "memory_pair", "open_port", "open_pseudo_terminal"]
