"""Folding a trace's write-ahead log into its file while the trace is still written, without holding up the writer.

The log grows by whole pages with every commit and has to be folded in now and then. That waits for the disk, which may
take longer than what a killed run may lose; so it is done beside the writer, by a connection and a thread of its own.
"""

from __future__ import annotations

import sqlite3
import threading
from contextlib import suppress
from pathlib import Path

# The log is folded in from this size on; a robot that reports all the time writes that in some minutes.
FOLD_FROM_BYTES = 16 * 1024 * 1024
_LOOK_EVERY = 50  # commits; ten a second are made at most while bytes come


class Folding:
    """Folds the log of one trace; `look` is called by the writer after every commit."""

    def __init__(self, trace: Path) -> None:
        self._trace = trace
        self._log = trace.with_name(f"{trace.name}-wal")
        self._thread: threading.Thread | None = None
        self._commits = 0

    def look(self) -> None:
        """Begin to fold the log in where it has become long."""
        self._commits += 1
        if self._commits % _LOOK_EVERY or (self._thread is not None and self._thread.is_alive()):
            return
        with suppress(OSError):
            if self._log.stat().st_size >= FOLD_FROM_BYTES:
                self._thread = threading.Thread(target=self._fold, name="folding of the trace", daemon=True)
                self._thread.start()

    def wait(self) -> None:
        """Wait until nothing is folded any more."""
        if self._thread is not None:
            self._thread.join()

    def _fold(self) -> None:
        # What goes wrong here is no loss: the log stays, and the end of the writing folds it in or tells why not.
        with suppress(sqlite3.Error):
            db = sqlite3.connect(self._trace, isolation_level=None)
            try:
                db.execute("PRAGMA synchronous = NORMAL")
                db.execute("PRAGMA wal_checkpoint(PASSIVE)")
            finally:
                db.close()
