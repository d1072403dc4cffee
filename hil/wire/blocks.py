"""Messages of many lines as a host takes them in: a header, rows, an end.

One block is open at a time. It ends with its end line, or after the number of rows that its header announced, or, where
it has neither, after silence; a header in the middle ends it as cut short, and so does silence before its end was due.
What is lost in it is seen where the header said how many rows there are. A line that cannot be read counts as one of
them, since it most likely was one.
"""

from __future__ import annotations

from dataclasses import dataclass

from hil.quantities import counted
from hil.wire.dialect import BlockSpec
from hil.wire.received import BlockBegun, BlockEnded


@dataclass(slots=True)
class _Open:
    spec: BlockSpec
    count: int | None
    rows: int = 0
    spoilt: int = 0
    heard_s: float | None = None


class BlockReader:
    """Follows the block that is open, if one is."""

    def __init__(self) -> None:
        self._open: _Open | None = None
        self.open_block = ""  # its name, "" while none is open

    def begin(self, spec: BlockSpec, count: int | None, now_s: float | None) -> list[BlockBegun | BlockEnded]:
        """Take in a header."""
        found: list[BlockBegun | BlockEnded] = self.cut("another block began")
        found.append(BlockBegun(block=spec.name, count=count))
        self._open, self.open_block = _Open(spec=spec, count=count, heard_s=now_s), spec.name
        if count == 0 and not spec.end:
            found += self._ended("")
        return found

    def row(self, now_s: float | None) -> list[BlockEnded]:
        """Take in a good row."""
        if self._open is None:
            return []
        self._open.rows += 1
        return self._heard(self._open, now_s)

    def spoilt_row(self, now_s: float | None) -> list[BlockEnded]:
        """Take in a line that is no row of it and nothing else either."""
        if self._open is None:
            return []
        self._open.spoilt += 1
        return self._heard(self._open, now_s)

    def end(self) -> list[BlockEnded]:
        """Take in its end line."""
        return self._whole()

    def cut(self, reason: str) -> list[BlockBegun | BlockEnded]:
        """End the open block before its end."""
        return [*self._ended(reason)] if self._open is not None else []

    def due(self, now_s: float) -> list[BlockEnded]:
        """End the open block where it has been silent for too long."""
        if self._open is None:
            return []
        if self._open.heard_s is None:
            self._open.heard_s = now_s
        if now_s < self._open.heard_s + self._open.spec.timeout_s:
            return []
        if self._open.spec.end or self._open.count is not None:
            return self._ended(f"nothing came for {self._open.spec.timeout_s:g} s before its end")
        return self._whole()

    @property
    def next_due_s(self) -> float | None:
        """When `due` has something to say, `None` while no block is open."""
        if self._open is None:
            return None
        return float("-inf") if self._open.heard_s is None else self._open.heard_s + self._open.spec.timeout_s

    def _heard(self, block: _Open, now_s: float | None) -> list[BlockEnded]:
        block.heard_s = now_s
        return self._whole() if not block.spec.end and block.rows + block.spoilt == block.count else []

    def _whole(self) -> list[BlockEnded]:
        if self._open is None:
            return []
        count, rows, spoilt = self._open.count, self._open.rows, self._open.spoilt
        if count is not None:
            return self._ended(f"{rows} of {counted(count, 'row')} came" if rows != count else "")
        return self._ended(f"{spoilt} of its lines could not be read" if spoilt else "")

    def _ended(self, reason: str) -> list[BlockEnded]:
        if self._open is None:
            return []
        ended = BlockEnded(block=self._open.spec.name, rows=self._open.rows, reason=reason)
        self._open, self.open_block = None, ""
        return [ended]
