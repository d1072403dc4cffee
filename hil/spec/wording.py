"""Words for mistakes: near misses, lists of what was expected, a user's text in quotes."""

from __future__ import annotations

import difflib
from collections.abc import Iterable


def near(name: object, known: Iterable[str]) -> str:
    """Return the known name most like `name`, or "" where none is."""
    best = difflib.get_close_matches(str(name), list(known), n=1, cutoff=0.6)
    return best[0] if best else ""


def one_of(words: Iterable[str]) -> str:
    """Return *a, b or c* for a mistake's *expected*."""
    listed = list(words)
    return listed[0] if len(listed) == 1 else f"{', '.join(listed[:-1])} or {listed[-1]}"


def quoted(text: str) -> str:
    """Return a user's text in quotes, on one line, shortened and with control characters shown."""
    printable = shown(text)
    return f"'{printable[:57]}…'" if len(printable) > 60 else f"'{printable}'"


def shown(text: str) -> str:
    """Return a text of at most some hundred characters whose control characters reach no terminal raw."""
    printable = "".join(c if c.isprintable() else repr(c)[1:-1] for c in text[:400])
    return printable if len(text) <= 400 else f"{printable}…"
