"""A run as it is on the disk when its process was killed."""

from __future__ import annotations

import shutil
import sqlite3
from pathlib import Path


def cut(run: Path, to: Path, at: str) -> Path:
    """Copy a run as if its process had been killed at the first record for which `at` (SQL) holds."""
    shutil.copytree(run, to)
    for name in ("run.json", "report.md", "junit.xml"):
        (to / name).unlink()
    database = sqlite3.connect(to / "trace.sqlite", isolation_level=None)
    database.execute(f"DELETE FROM record WHERE seq >= (SELECT min(seq) FROM record WHERE {at})")  # noqa: S608
    database.execute("DELETE FROM meta WHERE key IN ('ended', 'closed_ns')")
    database.close()
    return to
