"""The trace of a run as one SQLite file: written while the run goes on, read by everything that comes after.

Rules of this file:

- The file is append-only, and readable at any moment, also after the writing process was killed. It is written
  in write-ahead mode; what is not yet committed is lost with the process, and that is at most `COMMIT_EVERY_S` of
  writing, because marks and answers commit at once and everything else when that time has passed. The caller's
  loop calls `commit_due` so that the time also passes when nothing more is written.
- The file appears under its name when it is readable and says what the run is. So a run that is killed has no trace,
  or one that can be judged again.
- The write-ahead log is folded into the file beside the writing (`hil.store.folding`), which never waits for the disk.
- `close` folds the write-ahead log into the file, so that the one file can be copied. While a run is going on, or
  after a crash, `-wal` (and `-shm`, an index) beside it belong to it: copy them too.
- A trace from elsewhere is untrusted: another program's file, a newer layout or a damaged record is refused with a
  sentence, nothing in the file is executed, and no value above `LARGEST_BODY` is read.
"""

from __future__ import annotations

import errno
import hashlib
import json
import os
import sqlite3
import struct
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from types import TracebackType
from typing import Self
from urllib.parse import quote

from hil.errors import BenchError, InternalError, UsageError
from hil.measure.trace import AnswerGiven, Chunk, Json, Mark, PortEntry, TraceRecord
from hil.store.folding import Folding
from hil.store.runs import settle_names
from hil.store.trace_layout import (
    ANSWER,
    APPLICATION_ID,
    KINDS,
    LAYOUT,
    MARK,
    OLDEST_LAYOUT,
    TABLES,
    answer_body,
    as_json,
    mark_body,
    port_columns,
    port_of,
    port_row,
    record_of,
)
from hil.timing import Clock

# A killed run may lose the last 250 ms. This much of it is the writer's; the rest is for bytes on their way from the
# port to it, and for the time until the caller's loop comes round again.
COMMIT_EVERY_S = 0.1

# Chunks are at most 64 KiB and marks a few kilobytes; this stops a forged file from filling the memory.
LARGEST_BODY = 16 * 1024 * 1024

_HEAD_BYTES = 100  # of an SQLite file
_EXPECTED = f"a trace of this tool, of layout {OLDEST_LAYOUT} to {LAYOUT}"
_OTHER_COPY = (
    "Use another copy of it, with the -wal file beside it if there is one; no part of this one should be trusted. What "
    "the run came to stands in its run.json and report.md all the same"
)

# How many records the reader holds at a time.
ROWS_AT_A_TIME = 256


class TraceWriter:
    """Writes a new trace. Used from one thread; every method may raise `BenchError` when the disk fails."""

    def __init__(self, path: Path, clock: Clock, described: Mapping[str, Json] | None = None) -> None:
        """Create the file; refuse one that exists (`BenchError`).

        It appears under its name only when it can be read and holds the metadata `described`, safely on the disk.
        """
        self.path = path
        self._clock = clock
        self._ports: dict[str, int] = {}
        self._began_ns: int | None = None  # when the oldest uncommitted record was written
        first = {"started": clock.now().isoformat(), "started_ns": clock.monotonic_ns(), **(described or {})}
        beside = path.with_name(f".{path.name}.part")
        try:
            if path.exists():
                raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST))
            beside.open("xb").close()
        except OSError as error:
            raise BenchError(
                f"the trace cannot be created ({error.strerror})",
                where=str(path),
                expected="a folder that can be written to, and no trace of that name in it",
            ) from error
        with self._writing():
            _make_empty(beside, first)
            beside.replace(path)
            settle_names(path.parent)
            self._db = sqlite3.connect(path, isolation_level=None)
            self._db.execute("PRAGMA synchronous = NORMAL")
            self._db.execute("PRAGMA wal_autocheckpoint = 0")
        self._folding = Folding(path)
        self._open = True

    def describe(self, key: str, value: Json) -> None:
        """Set one entry of the run's metadata; a later value takes the place of an earlier one."""
        text = as_json(value)
        with self._writing():
            self._begin()
            self._db.execute("INSERT OR REPLACE INTO meta VALUES (?, ?)", (key, text))
        self.commit()

    def add_port(self, entry: PortEntry) -> None:
        """Add a port, before its first chunk."""
        if entry.name in self._ports:
            raise InternalError(f"the port {entry.name} is already in the trace", where=str(self.path))
        with self._writing():
            self._begin()
            columns = port_columns(LAYOUT)
            cursor = self._db.execute(
                f"INSERT INTO port ({', '.join(columns)}) VALUES ({', '.join('?' * len(columns))})",  # noqa: S608
                port_row(entry),
            )
        if cursor.lastrowid is None:
            raise InternalError("the database gave no number to a new port", where=str(self.path))
        self._ports[entry.name] = cursor.lastrowid
        self.commit()

    def chunk(self, chunk: Chunk) -> None:
        """Append bytes that crossed a port that was added before."""
        number = self._ports.get(chunk.port)
        if number is None:
            raise InternalError(f"the port {chunk.port} is not in the trace", where=str(self.path))
        self._append(chunk.t_ns, KINDS[chunk.direction], number, chunk.data)
        self.commit_due()

    def mark(self, mark: Mark) -> None:
        """Append a mark, and commit."""
        self._append(mark.t_ns, MARK, None, mark_body(mark))
        self.commit()

    def answer(self, answer: AnswerGiven) -> None:
        """Append an answer, and commit."""
        self._append(answer.t_ns, ANSWER, None, answer_body(answer))
        self.commit()

    def commit_due(self) -> None:
        """Commit if the oldest uncommitted record is `COMMIT_EVERY_S` old; cheap otherwise. For the caller's loop."""
        if self._began_ns is not None and self._clock.monotonic_ns() - self._began_ns >= COMMIT_EVERY_S * 1e9:
            self.commit()

    def commit(self) -> None:
        """Make everything written so far survive the end of the process."""
        if self._began_ns is None:
            return
        with self._writing():
            self._db.execute("COMMIT")
        self._began_ns = None
        self._folding.look()

    def close(self) -> None:
        """Commit, fold everything into the one file, and close it. May be called again."""
        if not self._open:
            return
        self._open = False
        try:
            self.describe("closed_ns", self._clock.monotonic_ns())
            # A reader that has the file open keeps the log alive; everything is safe in either place, so that there
            # is nothing to wait for.
            self._folding.wait()
            with suppress(sqlite3.OperationalError):
                self._db.execute("PRAGMA busy_timeout = 0")
                self._db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
                self._db.execute("PRAGMA journal_mode = DELETE")
        finally:
            self._db.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, traceback: TracebackType | None
    ) -> None:
        self.close()

    def _append(self, t_ns: int, kind: int, port: int | None, body: bytes | str) -> None:
        with self._writing():
            self._begin()
            self._db.execute(
                "INSERT INTO record (t_ns, kind, port, body) VALUES (?, ?, ?, ?)", (t_ns, kind, port, body)
            )

    def _begin(self) -> None:
        if self._began_ns is None:
            self._db.execute("BEGIN")
            self._began_ns = self._clock.monotonic_ns()

    @contextmanager
    def _writing(self) -> Iterator[None]:
        try:
            yield
        except (sqlite3.Error, OSError) as error:
            raise BenchError(
                f"the trace cannot be written ({error})",
                where=str(self.path),
                todo="Check the free space and the state of the disk; what was committed before stays readable",
            ) from error


def _make_empty(path: Path, described: Mapping[str, Json]) -> None:
    """Make a trace that holds nothing but its metadata, whole and on the disk when this comes back."""
    db = sqlite3.connect(path, isolation_level=None)
    try:
        db.execute("PRAGMA journal_mode = WAL")
        db.execute("PRAGMA synchronous = FULL")
        db.executescript(
            f"BEGIN;\n{TABLES}PRAGMA application_id = {APPLICATION_ID};\nPRAGMA user_version = {LAYOUT};\nCOMMIT;"
        )
        rows = [(key, as_json(value)) for key, value in described.items()]
        db.execute("BEGIN")
        db.executemany("INSERT INTO meta VALUES (?, ?)", rows)
        db.execute("COMMIT")
    finally:
        db.close()  # the last connection folds the log into the file


def _refuse_cut_short(path: Path) -> None:
    """Refuse a file that is shorter than its own head says (SQLite file format, 1.3: the header's size in pages).

    What is still to be folded in from a log beside it may be missing in the file.
    """
    if path.with_name(f"{path.name}-wal").exists():
        return
    has = path.stat().st_size
    with path.open("rb") as file:
        head = file.read(_HEAD_BYTES)
    if not head:
        raise UsageError("this file is empty", where=str(path), expected=_EXPECTED, todo="Use another copy of it")
    whole = 0
    if len(head) == _HEAD_BYTES and head.startswith(b"SQLite format 3\0") and head[24:28] == head[92:96]:
        page, pages = struct.unpack(">H", head[16:18])[0], struct.unpack(">I", head[28:32])[0]
        whole = pages * (65536 if page == 1 else page)
    if has < whole:
        raise BenchError(
            f"the trace is cut short: {has} bytes of it are there",
            where=str(path),
            expected=f"{whole} bytes",
            todo=_OTHER_COPY,
        )


class TraceReader:
    """Reads a trace, finished or not. Iterating gives the records in the order they were written."""

    def __init__(self, path: Path) -> None:
        """Open the file; refuse what is not a trace, or one of a newer layout (`UsageError`)."""
        self.path = path
        if not path.is_file():
            raise UsageError("there is no such trace", where=str(path), expected="the trace file of a run")
        _refuse_cut_short(path)
        self._db = self._opened()
        try:
            self.layout = self._checked_layout()
            with self._reading():
                self.meta: Mapping[str, Json] = {
                    str(key): json.loads(value) for key, value in self._db.execute("SELECT key, value FROM meta")
                }
                self._ports = self._read_ports()
        except BaseException:
            self._db.close()
            raise

    @property
    def ports(self) -> tuple[PortEntry, ...]:
        """The ports in the order they were added."""
        return tuple(self._ports.values())

    @property
    def is_complete(self) -> bool:
        """Whether the writer closed it; False for a run that goes on or was killed."""
        return "closed_ns" in self.meta

    def __iter__(self) -> Iterator[TraceRecord]:
        rows = self._rows()
        while True:
            with self._reading():
                row = next(rows, None)
                if row is None:
                    return
                if row[2] is not None and row[2] not in self._ports:
                    self._ports = self._read_ports()  # opened since, by a run that goes on
                record = record_of(*row, self._ports, self.layout)
            yield record

    def digest(self) -> str:
        """Return the sha-256 (hex) over the ports and records, which is the same for every copy of the trace.

        Each record enters as time, kind, port number and length of its body (little endian, 8 + 1 + 4 + 8 bytes)
        followed by the body; before them the port table as JSON.
        """
        total = hashlib.sha256()
        table: Json = [port_row(port, self.layout) for port in self.ports]
        total.update(as_json(table).encode())
        with self._reading():
            for t_ns, kind, port, body in self._rows():
                data = body.encode() if isinstance(body, str) else bytes(body)
                total.update(struct.pack("<qBiQ", t_ns, kind, -1 if port is None else port, len(data)))
                total.update(data)
        return total.hexdigest()

    def close(self) -> None:
        """Close the file. May be called again."""
        self._db.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, traceback: TracebackType | None
    ) -> None:
        self.close()

    def _opened(self) -> sqlite3.Connection:
        try:
            # Reading a killed run's log needs the small shared index beside it, which a read-only opening may
            # create; the trace itself is never changed.
            db = sqlite3.connect(f"file:{quote(str(self.path.absolute()))}?mode=ro", uri=True, isolation_level=None)
            db.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, LARGEST_BODY)
            db.execute("PRAGMA trusted_schema = OFF")
        except sqlite3.Error as error:
            raise BenchError(f"the trace cannot be opened ({error})", where=str(self.path)) from error
        return db

    def _read_ports(self) -> dict[int, PortEntry]:
        columns = ", ".join(port_columns(self.layout))
        rows = self._db.execute(f"SELECT id, {columns} FROM port ORDER BY id")  # noqa: S608
        return {int(number): port_of(row, self.layout) for number, *row in rows}

    def _checked_layout(self) -> int:
        where = str(self.path)
        expected = _EXPECTED
        try:
            (application,) = self._db.execute("PRAGMA application_id").fetchone()
            (layout,) = self._db.execute("PRAGMA user_version").fetchone()
        except sqlite3.DatabaseError as error:
            if error.sqlite_errorcode == sqlite3.SQLITE_NOTADB:
                raise UsageError(f"this is not a trace ({error})", where=where, expected=expected) from error
            if error.sqlite_errorcode & 0xFF == sqlite3.SQLITE_CORRUPT:
                raise BenchError(f"the trace is damaged ({error})", where=where, todo=_OTHER_COPY) from error
            raise BenchError(
                f"the trace cannot be read ({error})",
                where=where,
                todo="Copy it, with the -wal and -shm files beside it, to a folder that can be written to",
            ) from error
        if application != APPLICATION_ID:
            raise UsageError("this is a database of another program", where=where, expected=expected)
        if layout > LAYOUT:
            raise UsageError(
                f"this trace has layout {layout}, written by a newer version of this tool",
                where=where,
                expected=expected,
                todo="Read it with that version",
            )
        if layout < OLDEST_LAYOUT:
            raise UsageError(f"this trace has the unknown layout {layout}", where=where, expected=expected)
        return int(layout)

    def _rows(self) -> Iterator[tuple[int, int, int | None, bytes | str]]:
        cursor = self._db.execute("SELECT t_ns, kind, port, body FROM record ORDER BY seq")
        cursor.arraysize = ROWS_AT_A_TIME
        while rows := cursor.fetchmany():
            yield from rows

    @contextmanager
    def _reading(self) -> Iterator[None]:
        try:
            yield
        except (sqlite3.Error, ValueError, TypeError, KeyError, RecursionError, OverflowError) as error:
            raise BenchError(
                f"the trace is damaged ({error})",
                where=str(self.path),
                todo=_OTHER_COPY,
            ) from error
