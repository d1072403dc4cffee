"""The trace of a run as one SQLite file: written while the run goes on, read by everything that comes after.

Rules of this file:

- The file is append-only, and readable at any moment, also after the writing process was killed. It is written
  in write-ahead mode; what is not yet committed is lost with the process, and that is at most `COMMIT_EVERY_S` of
  writing, because marks and answers commit at once and everything else when that time has passed. The caller's
  loop calls `commit_due` so that the time also passes when nothing more is written.
- `close` folds the write-ahead log into the file, so that the one file can be copied. While a run is going on, or
  after a crash, `-wal` (and `-shm`, an index) beside it belong to it: copy them too.
- A trace from elsewhere is untrusted: another program's file, a newer layout or a damaged record is refused with a
  sentence, nothing in the file is executed, and no value above `LARGEST_BODY` is read.

Layout 1: `record(seq, t_ns, kind, port, body)` holds bytes for chunks (kind 0 in, 1 out) and JSON text for marks (2)
and answers (3); `port(id, name, url, protocol, digest, virtual)`; `meta(key, value)`, values as JSON.
"""

from __future__ import annotations

import hashlib
import json
import sqlite3
import struct
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from types import TracebackType
from typing import Any, Self
from urllib.parse import quote

from hil.errors import BenchError, InternalError, UsageError
from hil.measure.trace import AnswerGiven, Chunk, Direction, Json, Mark, MarkKind, PortEntry, TraceRecord
from hil.timing import Clock

# "HILT": how SQLite files of this kind are told from others.
APPLICATION_ID = 0x48494C54
LAYOUT = 1

# At most this much writing is lost when the process is killed.
COMMIT_EVERY_S = 0.25

# Chunks are at most 64 KiB and marks a few kilobytes; this stops a forged file from filling the memory.
LARGEST_BODY = 16 * 1024 * 1024

# How many records the reader holds at a time.
ROWS_AT_A_TIME = 256

_IN, _OUT, _MARK, _ANSWER = range(4)
_MARK_FIELDS: Mapping[str, type | tuple[type, ...]] = {"kind": str, "step": str, "name": str, "fields": dict}
_ANSWER_FIELDS: Mapping[str, type | tuple[type, ...]] = {
    "name": str,
    "value": (int, float),
    "unit": str,
    "u": (int, float),
    "case": str,
    "repeat": int,
    "source": str,
    "said": str,
}
_KINDS = {Direction.IN: _IN, Direction.OUT: _OUT}
_DIRECTIONS = {_IN: Direction.IN, _OUT: Direction.OUT}

_TABLES = """
CREATE TABLE meta (key TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID;
CREATE TABLE port (id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE, url TEXT NOT NULL, protocol TEXT NOT NULL,
                   digest TEXT NOT NULL, virtual INTEGER NOT NULL);
CREATE TABLE record (seq INTEGER PRIMARY KEY, t_ns INTEGER NOT NULL, kind INTEGER NOT NULL, port INTEGER,
                     body BLOB NOT NULL);
"""


class TraceWriter:
    """Writes a new trace. Used from one thread; every method may raise `BenchError` when the disk fails."""

    def __init__(self, path: Path, clock: Clock) -> None:
        """Create the file; refuse one that exists (`BenchError`)."""
        self.path = path
        self._clock = clock
        self._ports: dict[str, int] = {}
        self._began_ns: int | None = None  # when the oldest uncommitted record was written
        try:
            path.open("xb").close()
        except OSError as error:
            raise BenchError(
                f"the trace cannot be created ({error.strerror})",
                where=str(path),
                expected="a folder that can be written to, and no trace of that name in it",
            ) from error
        with self._writing():
            self._db = sqlite3.connect(path, isolation_level=None)
            self._db.execute("PRAGMA journal_mode = WAL")
            self._db.execute("PRAGMA synchronous = NORMAL")
            self._db.executescript(
                f"BEGIN;\n{_TABLES}PRAGMA application_id = {APPLICATION_ID};\nPRAGMA user_version = {LAYOUT};\nCOMMIT;"
            )
        self._open = True
        self.describe("started", clock.now().isoformat())
        self.describe("started_ns", clock.monotonic_ns())

    def describe(self, key: str, value: Json) -> None:
        """Set one entry of the run's metadata; a later value takes the place of an earlier one."""
        text = _as_json(value)
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
            row = (entry.name, entry.url, entry.protocol, entry.digest, entry.virtual)
            cursor = self._db.execute(
                "INSERT INTO port (name, url, protocol, digest, virtual) VALUES (?, ?, ?, ?, ?)", row
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
        self._append(chunk.t_ns, _KINDS[chunk.direction], number, chunk.data)
        self.commit_due()

    def mark(self, mark: Mark) -> None:
        """Append a mark, and commit."""
        body: dict[str, Json] = {"kind": mark.kind, "step": mark.step, "name": mark.name, "fields": mark.fields}
        self._append(mark.t_ns, _MARK, None, _as_json(body))
        self.commit()

    def answer(self, answer: AnswerGiven) -> None:
        """Append an answer, and commit."""
        body = {name: getattr(answer, name) for name in _ANSWER_FIELDS}
        self._append(answer.t_ns, _ANSWER, None, _as_json(body))
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

    def close(self) -> None:
        """Commit, fold everything into the one file, and close it. May be called again."""
        if not self._open:
            return
        self._open = False
        try:
            self.describe("closed_ns", self._clock.monotonic_ns())
            # A reader that has the file open keeps the log alive; everything is safe in either place, so that there
            # is nothing to wait for.
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
        except sqlite3.Error as error:
            raise BenchError(
                f"the trace cannot be written ({error})",
                where=str(self.path),
                todo="Check the free space and the state of the disk; what was committed before stays readable",
            ) from error


class TraceReader:
    """Reads a trace, finished or not. Iterating gives the records in the order they were written."""

    def __init__(self, path: Path) -> None:
        """Open the file; refuse what is not a trace, or one of a newer layout (`UsageError`)."""
        self.path = path
        if not path.is_file():
            raise UsageError("there is no such trace", where=str(path), expected="the trace file of a run")
        self._db = self._opened()
        try:
            self._check_layout()
            with self._reading():
                self.meta: Mapping[str, Json] = {
                    str(key): json.loads(value) for key, value in self._db.execute("SELECT key, value FROM meta")
                }
                rows = self._db.execute("SELECT id, name, url, protocol, digest, virtual FROM port ORDER BY id")
                self._ports = {
                    int(number): PortEntry(
                        name=str(name),
                        url=str(url),
                        protocol=str(protocol),
                        digest=str(digest),
                        virtual=bool(virtual),
                    )
                    for number, name, url, protocol, digest, virtual in rows
                }
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
                record = self._record(*row)
            yield record

    def digest(self) -> str:
        """Return the sha-256 (hex) over the ports and records, which is the same for every copy of the trace.

        Each record enters as time, kind, port number and length of its body (little endian, 8 + 1 + 4 + 8 bytes)
        followed by the body; before them the port table as JSON.
        """
        total = hashlib.sha256()
        table: Json = [[p.name, p.url, p.protocol, p.digest, p.virtual] for p in self.ports]
        total.update(_as_json(table).encode())
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

    def _check_layout(self) -> None:
        where = str(self.path)
        expected = f"a trace of this tool, of layout {LAYOUT}"
        try:
            (application,) = self._db.execute("PRAGMA application_id").fetchone()
            (layout,) = self._db.execute("PRAGMA user_version").fetchone()
        except sqlite3.DatabaseError as error:
            if error.sqlite_errorcode == sqlite3.SQLITE_NOTADB:
                raise UsageError(f"this is not a trace ({error})", where=where, expected=expected) from error
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
        if layout < LAYOUT:
            raise UsageError(f"this trace has the unknown layout {layout}", where=where, expected=expected)

    def _rows(self) -> Iterator[tuple[int, int, int | None, bytes | str]]:
        cursor = self._db.execute("SELECT t_ns, kind, port, body FROM record ORDER BY seq")
        cursor.arraysize = ROWS_AT_A_TIME
        while rows := cursor.fetchmany():
            yield from rows

    def _record(self, t_ns: int, kind: int, port: int | None, body: bytes | str) -> TraceRecord:
        """Build the record of a row; raise one of the errors that `_reading` takes for damage."""
        if not isinstance(t_ns, int):
            raise TypeError(f"a time that is no number: {t_ns!r}")
        if kind in _DIRECTIONS:
            if port is None or not isinstance(body, bytes):
                raise TypeError("a chunk without port or bytes")
            return Chunk(t_ns=t_ns, port=self._ports[port].name, direction=_DIRECTIONS[kind], data=body)
        if kind == _MARK:
            values = _checked(json.loads(body), _MARK_FIELDS)
            return Mark(t_ns=t_ns, **(values | {"kind": MarkKind(values["kind"])}))
        if kind == _ANSWER:
            return AnswerGiven(t_ns=t_ns, **_checked(json.loads(body), _ANSWER_FIELDS))
        raise ValueError(f"a record of unknown kind {kind}")

    @contextmanager
    def _reading(self) -> Iterator[None]:
        try:
            yield
        except (sqlite3.Error, ValueError, TypeError, KeyError, RecursionError, OverflowError) as error:
            raise BenchError(
                f"the trace is damaged ({error})",
                where=str(self.path),
                todo="Use another copy of it; no part of this one should be trusted",
            ) from error


def _as_json(value: Json) -> str:
    return json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":"))


def _checked(values: Any, types: Mapping[str, type | tuple[type, ...]]) -> dict[str, Any]:
    """Return the fields of a mark or an answer; raise TypeError unless they are exactly those it must have."""
    if not isinstance(values, dict) or values.keys() != types.keys():
        raise TypeError(f"a record without its fields {', '.join(types)}")
    for name, wanted in types.items():
        if not isinstance(values[name], wanted):
            raise TypeError(f"a record whose {name} is {values[name]!r:.40}")
    return values
