"""The port of a virtual robot as it comes and goes: unplugged, lost and back again, each time under another name.

While a host does not take what is sent, an unpaced robot waits with it; after `PATIENCE_S` without a byte taken it
waits no longer, and what is not taken is dropped, as on a line that nobody listens to. So nothing that a host does, or
leaves, holds the process up. A name in the file system (`link`) can lead to the current pseudo-terminal, like those
that systems keep for a device by what it is.
"""

from __future__ import annotations

import os
from contextlib import suppress
from pathlib import Path

from hil.errors import UsageError
from hil.transports.far_end import open_far_end

PATIENCE_S = 3.0  # a host on a busy machine may be late by a second; later than this it has left


class ServedPort:
    """One port after another, of one kind (`pty` or `socket`), never two at once."""

    def __init__(self, kind: str, link: Path | None, now_ns: int) -> None:
        if link is not None and kind != "pty":
            raise UsageError("only a pseudo-terminal can be linked to", where=str(link), expected="serve on a pty")
        if link is not None and link.exists() and not link.is_symlink():
            raise UsageError("there is something else of that name", where=str(link), expected="a name not in use")
        self._kind = kind
        self._link = link
        self._end = open_far_end(kind)
        self._point()
        self._taken = 0
        self._watches = False
        self._since_ns = now_ns  # when a byte was last taken, or nothing waited

    @property
    def address(self) -> str | None:
        """What the host opens, None while there is no port."""
        return self._end.address if self._end.is_open else None

    @property
    def readable(self) -> list[int]:
        """Descriptors that mean work for `read` when they are readable."""
        return self._end.readable

    @property
    def writable(self) -> list[int]:
        """Descriptors that mean work for `flush` when they are writable."""
        return self._end.writable

    @property
    def waiting_bytes(self) -> int:
        """How many bytes somebody has not taken yet who may still take them."""
        return self._end.waiting_bytes

    def read(self) -> bytes:
        """Return what the host has sent, b"" if nothing."""
        return self._end.read()

    def write(self, data: bytes) -> None:
        """Send without blocking; without a port it is lost."""
        self._end.write(data)

    def flush(self) -> None:
        """Send of what waits as much as is taken."""
        self._end.flush()

    def watch_hosts(self, *, watches: bool) -> None:
        """Notice from now on when a host opens the port, or not from the next port on."""
        self._watches = watches
        if watches:
            self._end.watch_hosts()

    def has_opened(self) -> bool:
        """Whether a host has opened the port since this was asked before, where hosts are watched."""
        return self._end.has_opened() and self._watches

    def discard(self) -> None:
        """Forget what the host has not taken."""
        self._end.discard()

    def look(self, now_ns: int) -> None:
        """See whether anything was taken of late; after too long nobody is waited for."""
        end = self._end
        if not end.waiting_bytes or end.taken_bytes != self._taken:
            self._taken, self._since_ns = end.taken_bytes, now_ns
        elif (now_ns - self._since_ns) / 1e9 > PATIENCE_S:
            end.give_up()

    def take_away(self) -> None:
        """Close the port; the host sees it vanish. Does nothing where there is none."""
        if self._end.is_open:
            self._end.close()
            self._end.discard()
            self._unpoint()

    def bring_back(self) -> str:
        """Open a port under another name and return it; the one that is open goes away first."""
        self.take_away()
        self._end = open_far_end(self._kind, unlike=self._end.address)
        self._taken = 0
        if self._watches:
            self._end.watch_hosts()
        self._point()
        return self._end.address

    def _point(self) -> None:
        if self._link is None:
            return
        beside = self._link.with_name(f".{self._link.name}.{os.getpid()}")
        beside.symlink_to(self._end.address)
        beside.replace(self._link)

    def _unpoint(self) -> None:
        if self._link is not None:
            with suppress(FileNotFoundError):
                self._link.unlink()
