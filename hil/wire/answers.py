"""The robot's memory of the requests it has answered, so that a request sent twice is done once.

A request counts as repeated when both its number and its text are those of one that is remembered: numbers come
round again, and a host that was started anew may begin with one that is still remembered. A stop is never counted
as repeated. Stopping twice does no harm, and not stopping does.
"""

from __future__ import annotations

from collections import OrderedDict

# The host repeats a request within a few deadlines; by then no more than a handful of others can have come. It is
# also what an 8-bit micro-controller can spare.
REMEMBERED_ANSWERS = 8
ALWAYS_DONE = frozenset({"stop"})


class Answers:
    """Number → (text of the request, line of the answer); the oldest goes first."""

    def __init__(self) -> None:
        self._kept: OrderedDict[int, tuple[bytes, bytes]] = OrderedDict()

    def __len__(self) -> int:
        return len(self._kept)

    def seen(self, tag: int, action: str, request: bytes) -> bytes | None:
        """Return `None` for a new request, which is remembered; else the answer given, b"" if still to come."""
        known = self._kept.get(tag)
        if known is not None and known[0] == request and action not in ALWAYS_DONE:
            return known[1]
        self._kept[tag] = (request, b"")
        self._kept.move_to_end(tag)
        while len(self._kept) > REMEMBERED_ANSWERS:
            self._kept.popitem(last=False)
        return None

    def given(self, tag: int, answer: bytes) -> None:
        """Keep the answer to `tag`, where its request is still remembered."""
        if tag in self._kept:
            self._kept[tag] = (self._kept[tag][0], answer)
