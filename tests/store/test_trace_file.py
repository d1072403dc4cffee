"""Traces of every layout, and what befalls their file: how it appears, grows, and is read without its log."""

from __future__ import annotations

import hashlib
import shutil
import sqlite3
import struct
from pathlib import Path

import pytest

from hil.measure.trace import AnswerGiven, Chunk, Direction, Mark, MarkKind, PortEntry
from hil.store.trace import TraceReader, TraceWriter
from hil.timing import FakeClock

ROBOT = PortEntry(name="robot", url="/dev/ttyUSB0", protocol="tagged-lines", program="run")


def seen_by_another(path: Path) -> int:
    """Count the records that a reader of its own sees at this moment."""
    with TraceReader(path) as reader:
        return sum(1 for _ in reader)


# As the first layout was written, in the words of its writer.
FIRST_LAYOUT = """
BEGIN;
CREATE TABLE meta (key TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID;
CREATE TABLE port (id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE, url TEXT NOT NULL, protocol TEXT NOT NULL,
                   digest TEXT NOT NULL, virtual INTEGER NOT NULL);
CREATE TABLE record (seq INTEGER PRIMARY KEY, t_ns INTEGER NOT NULL, kind INTEGER NOT NULL, port INTEGER,
                     body BLOB NOT NULL);
PRAGMA application_id = 1212763220;
PRAGMA user_version = 1;
INSERT INTO meta VALUES ('started', '"2026-01-01T00:00:00+00:00"');
INSERT INTO port (name, url, protocol, digest, virtual) VALUES ('robot', '/dev/ttyUSB0', 'tagged-lines', 'ab12', 1);
INSERT INTO record (t_ns, kind, port, body) VALUES (2, 0, 1, X'00FF0D0A');
INSERT INTO record (t_ns, kind, port, body) VALUES (3, 3, NULL,
  '{"name":"offset","value":-1.25,"unit":"mm","u":0.5,"case":"c","repeat":2,"source":"operator","said":"-1.25"}');
COMMIT;
"""


def test_a_trace_of_the_first_layout_is_read_and_keeps_its_digest(tmp_path: Path) -> None:
    path = tmp_path / "old.trace"
    database = sqlite3.connect(path, isolation_level=None)
    database.executescript(FIRST_LAYOUT)
    database.close()
    answer = (
        b'{"name":"offset","value":-1.25,"unit":"mm","u":0.5,"case":"c","repeat":2,"source":"operator","said":"-1.25"}'
    )
    with TraceReader(path) as reader:
        assert reader.ports == (
            PortEntry(name="robot", url="/dev/ttyUSB0", protocol="tagged-lines", digest="ab12", virtual=True),
        )
        assert list(reader) == [
            Chunk(t_ns=2, port="robot", direction=Direction.IN, data=b"\x00\xff\r\n"),
            AnswerGiven(
                t_ns=3,
                name="offset",
                value=-1.25,
                unit="mm",
                u=0.5,
                case="c",
                repeat=2,
                source="operator",
                said="-1.25",
            ),
        ]
        assert (
            reader.digest()
            == hashlib.sha256(
                b'[["robot","/dev/ttyUSB0","tagged-lines","ab12",true]]'
                + struct.pack("<qBiQ", 2, 0, 1, 4)
                + b"\x00\xff\r\n"
                + struct.pack("<qBiQ", 3, 3, -1, len(answer))
                + answer
            ).hexdigest()
        )


def test_the_digest_sees_the_program_of_a_port(tmp_path: Path) -> None:
    digests = set()
    for program in ("sense", "run"):
        with TraceWriter(tmp_path / program, FakeClock()) as writer:
            writer.add_port(PortEntry(name="robot", url="x", protocol="p", program=program))
        with TraceReader(tmp_path / program) as reader:
            digests.add(reader.digest())
    assert len(digests) == 2


def test_a_trace_appears_readable_and_described(tmp_path: Path) -> None:
    # A copy of the one file, without the log beside it, as if the power had gone at once.
    writer = TraceWriter(tmp_path / "run.trace", FakeClock(), {"run": {"route": "telemetry"}})
    assert sorted(path.name for path in tmp_path.iterdir() if path.suffix == ".trace") == ["run.trace"]
    shutil.copy(tmp_path / "run.trace", tmp_path / "copy.trace")
    writer.close()
    with TraceReader(tmp_path / "copy.trace") as reader:
        assert reader.meta["run"] == {"route": "telemetry"}
        assert list(reader) == []


def test_a_long_log_is_folded_in_while_it_is_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("hil.store.folding.FOLD_FROM_BYTES", 200_000)
    path = tmp_path / "run.trace"
    writer = TraceWriter(path, FakeClock())
    writer.add_port(ROBOT)
    mark = Mark(t_ns=0, kind=MarkKind.NOTE, step="", name="n" * 500)
    longest = 0
    for _ in range(2000):
        writer.mark(mark)
        longest = max(longest, (tmp_path / "run.trace-wal").stat().st_size)
        writer._folding.wait()
    # Without folding the log alone would hold some twenty megabytes.
    assert longest < 2_000_000
    assert path.stat().st_size > 500_000
    assert seen_by_another(path) == 2000
    writer.close()
    assert seen_by_another(path) == 2000


def test_a_port_that_is_opened_while_the_trace_is_read_is_known(tmp_path: Path) -> None:
    path = tmp_path / "run.trace"
    with TraceWriter(path, FakeClock()) as writer, TraceReader(path) as reader:
        writer.add_port(ROBOT)
        chunk = Chunk(t_ns=0, port="robot", direction=Direction.IN, data=b"x")
        writer.chunk(chunk)
        writer.commit()
        assert list(reader) == [chunk]
        assert reader.ports == (ROBOT,)
