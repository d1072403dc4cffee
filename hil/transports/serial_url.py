"""Opens whatever a user can write after `--port`: a device path or any address that pyserial knows.

Devices and `socket://` are read through their descriptor. The other handlers of pyserial have none: `loop://` and
`rfc2217://` fill a queue, on which the reader blocks; any further handler (`spy://` and the like) is read with a
bounded time-out, because a blocked `read` of theirs cannot be woken.

A port that is busy though nobody is seen to hold it is tried again for some seconds: a driver that was just closed
may take that long to let go, and services that look for modems hold a new port until they have asked it. A port that
a program holds is refused at once, with the program's name.

Rules: exclusive, always with a write time-out, never `readline` (one system call a byte), never `flush` (it may hang
for ever on a dead peer), opening bounded in time, settings as the protocol file says and nothing else.
"""

from __future__ import annotations

import queue
import sys
import threading
from contextlib import nullcontext, suppress
from functools import partial
from typing import Protocol

import serial

from hil.errors import InternalError, PortBusy, PortUnavailable
from hil.timing import Clock
from hil.transports import terminal
from hil.transports.descriptor import DescriptorTransport
from hil.transports.port_trouble import is_ours, opening_took_too_long, rate_refused, why_unavailable
from hil.transports.services import is_prober
from hil.transports.trace_port import is_trace, open_trace_port
from hil.transports.transport import LOSS, READ_BYTES, Transport
from hil.transports.turns import turn
from hil.wire.dialect import LineState, PortSettings

# A Bluetooth port waits that long for a peer that is away; an unreachable network host may wait for minutes.
OPEN_LIMIT_S = 10.0

# What is waited between tries of a port that is busy without a holder: 3 s in all, after which no driver still lets go.
BUSY_WAITS_S = (0.1, 0.2, 0.4, 0.8, 1.5)

# A service that looks for modems keeps a new port for about ten seconds, then leaves it.
PROBER_WAITS_S = (1.0,) * 15

# How often a handler without descriptor looks up from its wait; it bounds how long closing such a port takes.
LOOK_UP_S = 0.1

# pyserial's `loop://` takes no more than a write time-out's worth of line time at once, so longer writes are cut.
HANDLER_WRITE_BYTES = 256

# Long enough for the reset circuit of any board, short enough for nobody to notice.
PULSE_S = 0.1

_PARITIES = {"none": serial.PARITY_NONE, "even": serial.PARITY_EVEN, "odd": serial.PARITY_ODD}


def open_port(url: str, settings: PortSettings, clock: Clock, *, open_limit_s: float = OPEN_LIMIT_S) -> Transport:
    """Open `url` for this program alone, wait `settings.settle_s`, and return the port, already being read.

    Raises `PortUnavailable` with a sentence when it cannot be opened (or not within `open_limit_s`); `PortBusy` where
    another program has it.
    """
    if is_trace(url):
        return open_trace_port(url, clock)
    name = callout_name(url, sys.platform)
    port = _open_patiently(name, settings, clock, open_limit_s)
    try:
        transport = _transport_over(name, port, settings, clock)
    except BaseException:
        _close(port)
        raise
    try:
        _pulse_lines(port, settings, clock)
        if settings.settle_s > 0.0:
            clock.sleep(settings.settle_s)
    except BaseException:
        transport.close()
        raise
    return transport


def callout_name(url: str, platform: str) -> str:
    """Return the name to open: on macOS the call-out device, since `/dev/tty.*` waits for a carrier for ever."""
    if platform == "darwin" and url.startswith("/dev/tty."):
        return "/dev/cu." + url.removeprefix("/dev/tty.")
    return url


def _open_patiently(url: str, settings: PortSettings, clock: Clock, limit_s: float) -> serial.Serial:
    """Open, trying again as long as the port is busy and likely to become free by itself."""
    for tries in range(1 + len(PROBER_WAITS_S)):
        try:
            return _open_within(url, settings, limit_s)
        except PortBusy as error:
            waits_s = _waits_for(error, url)
            if tries >= len(waits_s):
                raise
            clock.sleep(waits_s[tries])
    raise InternalError("a busy port was tried for ever", where=url)


def _waits_for(busy: PortBusy, url: str) -> tuple[float, ...]:
    """Return the waits between the tries of a busy port: none where a program means to keep it."""
    if busy.holders:
        return PROBER_WAITS_S if all(map(is_prober, busy.holders)) else ()
    return () if is_ours(url) else BUSY_WAITS_S


def _open_within(url: str, settings: PortSettings, limit_s: float) -> serial.Serial:
    """Open in a thread of its own, since no system call that opens a port can be given a deadline."""
    outcome: queue.SimpleQueue[serial.Serial | PortUnavailable] = queue.SimpleQueue()
    abandoned = threading.Event()

    def work() -> None:
        try:
            port = _opened(url, settings)
        except PortUnavailable as error:
            outcome.put(error)
            return
        except Exception as error:  # whatever a handler raises, the port is not open: its words go in the sentence
            outcome.put(why_unavailable(url, error))
            return
        if abandoned.is_set():
            _close(port)
        else:
            outcome.put(port)

    threading.Thread(target=work, name=f"opening {url}", daemon=True).start()
    try:
        found = outcome.get(timeout=limit_s)
    except BaseException as error:
        abandoned.set()
        # The port may have been opened in the instant before the flag went up.
        with suppress(queue.Empty):
            late = outcome.get_nowait()
            if not isinstance(late, PortUnavailable):
                _close(late)
        if isinstance(error, queue.Empty):
            raise opening_took_too_long(url, limit_s) from None
        raise
    if isinstance(found, PortUnavailable):
        raise found
    return found


def _opened(url: str, settings: PortSettings) -> serial.Serial:
    """Open and set up the port."""
    own_rate = "://" not in url and sys.platform.startswith("linux") and not terminal.rate_is_standard(settings.baud)
    port = serial.serial_for_url(url, do_not_open=True)
    port.baudrate = 38400 if own_rate else settings.baud
    port.bytesize = settings.data_bits
    port.parity = _PARITIES[settings.parity]
    port.stopbits = settings.stop_bits
    port.timeout = LOOK_UP_S
    # The telnet handler refuses a write time-out when it opens; it gets one on its socket afterwards.
    is_telnet = url.lower().startswith("rfc2217://")
    port.write_timeout = None if is_telnet else settings.write_timeout_s
    port.exclusive = True
    # KEEP leaves what the system does when it opens a port, which is to raise both lines.
    port.dtr = settings.dtr is not LineState.OFF
    port.rts = settings.rts is not LineState.OFF
    # Only devices take turns: a host on the network that does not answer disturbs no list of ports.
    with turn() if "://" not in url else nullcontext():
        port.open()
    try:
        if is_telnet:
            # Bounds the `sendall` of its writes; its own reader takes the time-out as a pause.
            vars(port)["_socket"].settimeout(settings.write_timeout_s)
        if own_rate:
            _set_own_rate(url, port, settings.baud)
        if type(port) is serial.Serial:
            _set_up_terminal(port, settings)
    except BaseException:
        _close(port)
        raise
    return port


def _set_own_rate(url: str, port: serial.Serial, baud: int) -> None:
    try:
        terminal.set_any_rate(port.fileno(), baud)
    except OSError as error:
        raise rate_refused(url, baud, error, terminal.standard_rates()) from error


def _set_up_terminal(port: serial.Serial, settings: PortSettings) -> None:
    with suppress(OSError):  # where the system cannot mark a terminal, the advisory lock still stands
        terminal.claim(port.fileno())
    if LineState.KEEP in (settings.dtr, settings.rts):
        terminal.keep_lines_at_close(port.fileno())
    # Some USB bridges hold bytes back for 16 ms unless told otherwise; most other ports refuse to be told.
    with suppress(*LOSS, ValueError, NotImplementedError, AttributeError):
        port.set_low_latency_mode(True)


def _pulse_lines(port: serial.Serial, settings: PortSettings, clock: Clock) -> None:
    """Drop and raise the lines that the protocol file wants pulsed. A port without such lines has no pulse."""
    pulsed = [name for name in ("dtr", "rts") if getattr(settings, name) is LineState.PULSE]
    if not pulsed:
        return
    with suppress(*LOSS):
        for name in pulsed:
            setattr(port, name, False)
        clock.sleep(PULSE_S)
        for name in pulsed:
            setattr(port, name, True)


def _transport_over(url: str, port: serial.Serial, settings: PortSettings, clock: Clock) -> Transport:
    if type(port) is serial.Serial or url.lower().startswith("socket://"):
        return DescriptorTransport(
            url, clock, port.fileno(), write_timeout_s=settings.write_timeout_s, shut=partial(_close, port)
        )
    for attribute in ("queue", "_read_buffer"):  # of loop:// and of rfc2217://
        filled = getattr(port, attribute, None)
        if isinstance(filled, queue.Queue):
            return QueueTransport(url, clock, port, filled)
    return HandlerTransport(url, clock, port)


def _close(port: serial.Serial) -> None:
    """Close the port and whatever pyserial leaves behind."""
    if type(port) is serial.Serial:
        with suppress(*LOSS):  # a device that has gone has no mark to take away
            terminal.set_claim(port.fileno(), claimed=False)
    # When the far end went first, the network handlers fail half-way through closing and leave their socket open.
    connection = vars(port).get("_socket")
    try:
        port.close()
    finally:
        if connection is not None:
            connection.close()


class HandlerTransport(Transport):
    """A port behind a handler of pyserial that has no descriptor: read with a bounded time-out."""

    def __init__(self, name: str, clock: Clock, port: serial.Serial) -> None:
        super().__init__(name, clock)
        self._port = port
        self._start()

    def _receive(self) -> bytes:
        data = self._port.read(1)
        # What came with the first byte is taken in the same breath. Should the port go away between the two, the
        # first byte is kept, and the next call meets the error again.
        with suppress(*LOSS):
            if data and (waiting := self._port.in_waiting):
                data += self._port.read(waiting)
        return data

    def _send(self, data: bytes) -> None:
        for at in range(0, len(data), HANDLER_WRITE_BYTES):
            self._port.write(data[at : at + HANDLER_WRITE_BYTES])

    def _wake(self) -> None:
        """Nothing to do: a read looks up every `LOOK_UP_S`."""

    def _shut(self) -> None:
        _close(self._port)


class _Filled(Protocol):
    def get(self, block: bool = ..., timeout: float | None = ...) -> bytes | None: ...


class QueueTransport(HandlerTransport):
    """A port behind a handler that collects bytes, one by one, in a queue (`loop://`, `rfc2217://`).

    Reading the queue instead of calling `read` loses nothing: when the far end of a telnet port goes away, `read`
    throws away what it has already taken out of the queue, and refuses to hand over the rest.
    """

    def __init__(self, name: str, clock: Clock, port: serial.Serial, filled: _Filled) -> None:
        self._filled = filled
        self._gone = False
        super().__init__(name, clock, port)

    def _receive(self) -> bytes:
        if self._gone:
            raise serial.SerialException("the far end closed the connection")
        try:
            first = self._filled.get(True, LOOK_UP_S)
        except queue.Empty:
            # A telnet reader that died without a word leaves no mark in the queue; its `read` tells.
            self._port.timeout = 0
            return self._port.read(1)
        data = bytearray()
        item: bytes | None = first
        while item is not None and len(data) < READ_BYTES:
            data += item
            try:
                item = self._filled.get(False)
            except queue.Empty:
                break
        # The handler puts None behind the last byte when the connection has gone.
        self._gone = item is None
        return bytes(data)
