"""The robot's end of the serial line, in virtual time: a byte takes its time on the wire, both ways.

Outgoing messages wait in a queue of bounded length, as in a firmware. Telemetry is refused first, when the queue
holds more than a few lines, so that answers and events still find room; whoever numbers telemetry has by then given
the number away, and the host sees the gap. The line may lose bytes and flip bits, each direction with its own chance.
"""

from __future__ import annotations

from collections import deque

import numpy as np

from hil.simulator.streams import Source, stream

_TELEMETRY_BYTES = 256  # room for telemetry: the transmit buffer of a small controller
_TOTAL_BYTES = 1024  # with answers and events
_RECEIVE_BYTES = 4096  # what a host may send ahead of the wire; more is lost, as by an overrun


class Line:
    """One direction of the line: bytes that go in at one time come out later, and not always all of them."""

    def __init__(
        self, *, byte_s: float, lost_bytes: float, flipped_bits: float, chance: np.random.Generator, room: int
    ) -> None:
        self._byte_s = byte_s
        self._lost = lost_bytes
        self._flipped = flipped_bits
        self._chance = chance
        self._room = room
        self._free_at = 0.0
        self._under_way: deque[tuple[float, bytes]] = deque()
        self.has_lost = self.has_flipped = False

    @property
    def empty(self) -> bool:
        """Whether nothing is under way."""
        return not self._under_way

    def backlog_bytes(self, now_s: float) -> float:
        """Return how many bytes still wait for the wire."""
        return max(0.0, (self._free_at - now_s) / self._byte_s)

    def put(self, data: bytes, now_s: float, room: int = 0) -> bool:
        """Send `data`; False where the queue has no room for it (`room` bytes, or all there are)."""
        if self.backlog_bytes(now_s) + len(data) > (room or self._room):
            return False
        self._free_at = max(self._free_at, now_s) + len(data) * self._byte_s
        self._under_way.append((self._free_at, self._spoilt(data)))
        return True

    def take(self, now_s: float) -> bytes:
        """Return what has arrived by `now_s`."""
        under_way = self._under_way
        if not under_way or under_way[0][0] > now_s:
            return b""
        arrived = [under_way.popleft()[1]]
        while under_way and under_way[0][0] <= now_s:
            arrived.append(under_way.popleft()[1])
        return b"".join(arrived)

    def _spoilt(self, data: bytes) -> bytes:
        if not self._lost and not self._flipped:
            return data
        values = np.frombuffer(data, dtype=np.uint8)
        if self._flipped:
            struck = self._chance.random(values.size * 8) < self._flipped
            self.has_flipped = self.has_flipped or bool(struck.any())
            values = np.packbits(np.unpackbits(values) ^ struck)
        if self._lost:
            kept = self._chance.random(values.size) >= self._lost
            self.has_lost = self.has_lost or not kept.all()
            values = values[kept]
        return values.tobytes()


class Uart:
    """Both directions: `outgoing` from the robot, `incoming` to it."""

    def __init__(self, *, baud: int, bits_per_byte: int, lost_bytes: float, flipped_bits: float, seed: int) -> None:
        byte_s = bits_per_byte / baud

        def line(key: int, room: int) -> Line:
            chance = stream(seed, Source.WIRE, key)
            return Line(byte_s=byte_s, lost_bytes=lost_bytes, flipped_bits=flipped_bits, chance=chance, room=room)

        self.outgoing = line(0, _TOTAL_BYTES)
        self.incoming = line(1, _RECEIVE_BYTES)

    @property
    def has_lost(self) -> bool:
        """Whether a byte was lost, either way."""
        return self.outgoing.has_lost or self.incoming.has_lost

    @property
    def has_flipped(self) -> bool:
        """Whether a bit was flipped, either way."""
        return self.outgoing.has_flipped or self.incoming.has_flipped

    def send(self, data: bytes, now_s: float, *, is_telemetry: bool = False) -> bool:
        """Queue a message of the robot; False where it is dropped for want of room."""
        return self.outgoing.put(data, now_s, _TELEMETRY_BYTES if is_telemetry else 0)
