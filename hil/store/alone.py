"""One process at a time in a folder: two runs that end together must not write over each other's records.

The lock is the system's (`flock`) on a hidden file, and goes with the process that holds it, however that ends.
"""

from __future__ import annotations

import fcntl
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from hil.errors import BenchError

_LOCK = ".lock"


@contextmanager
def alone_in(folder: Path) -> Iterator[None]:
    """Make a folder if there is none, and hold it alone; wait for whoever is in it. Raises `BenchError`."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        stream = (folder / _LOCK).open("ab")
    except OSError as error:
        raise BenchError(
            f"nothing can be written there ({error.strerror})",
            where=str(folder),
            expected="a folder that can be written to",
        ) from None
    with stream:
        fcntl.flock(stream, fcntl.LOCK_EX)
        yield
