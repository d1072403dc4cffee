"""The trace file: what goes in comes out, it survives a killed writer, and strangers are refused."""

from __future__ import annotations

import hashlib
import json
import shutil
import sqlite3
import struct
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from hil.errors import BenchError, InternalError, UsageError
from hil.measure.trace import AnswerGiven, Chunk, Direction, Mark, MarkKind, PortEntry, TraceRecord
from hil.store.trace import APPLICATION_ID, COMMIT_EVERY_S, LAYOUT, ROWS_AT_A_TIME, TraceReader, TraceWriter
from hil.timing import FakeClock

ROBOT = PortEntry(name="robot", url="/dev/ttyUSB0", protocol="tagged-lines", digest="ab12", virtual=True, program="run")
SCALE = PortEntry(name="scale", url="socket://bench:7000", protocol="csv")

RECORDS: tuple[TraceRecord, ...] = (
    Mark(
        t_ns=1,
        kind=MarkKind.BEGIN,
        step="drive",
        name="out",
        fields={
            "case": "straight",
            "repeat": 0,
            "path": [["ahead", 3, "both"], ["about left", 0, ""]],
            "start": [0, 0, "north"],
            "conditions": {"board_mm": 5.0},
            "none": None,
            "yes": True,
        },
    ),
    Chunk(t_ns=2, port="robot", direction=Direction.OUT, data=bytes(range(256))),
    Chunk(t_ns=9_000_000_000_000_000_000, port="scale", direction=Direction.IN, data=b""),
    Chunk(t_ns=3, port="robot", direction=Direction.IN, data=b"\xff\x00\r\n"),
    AnswerGiven(
        t_ns=4,
        name="offset",
        value=-1.25,
        unit="mm",
        u=0.5,
        case="straight",
        repeat=2,
        source="operator",
        said="−1,25 mm “about”",
        how={"instrument": "two offsets", "apart_mm": 90.0, "parts": [1.0, 2.25]},
        corrects=True,
    ),
    Mark(t_ns=5, kind=MarkKind.NOTE, step="", name="battery"),
    Mark(t_ns=6, kind=MarkKind.END, step="drive", name="out"),
)


def append(writer: TraceWriter, record: TraceRecord) -> None:
    if isinstance(record, Chunk):
        writer.chunk(record)
    elif isinstance(record, Mark):
        writer.mark(record)
    else:
        writer.answer(record)


def write_all(path: Path, records: tuple[TraceRecord, ...] = RECORDS) -> None:
    with TraceWriter(path, FakeClock()) as writer:
        writer.add_port(ROBOT)
        writer.add_port(SCALE)
        writer.describe("robot", {"name": "virtual", "seed": 7})
        for record in records:
            append(writer, record)


def test_everything_comes_back_as_it_was_written_and_in_that_order(tmp_path: Path) -> None:
    path = tmp_path / "run.trace"
    write_all(path)
    with TraceReader(path) as reader:
        assert tuple(reader) == RECORDS
        assert tuple(reader) == RECORDS, "a second pass starts at the beginning"
        assert reader.ports == (ROBOT, SCALE)
        assert reader.is_complete
        assert reader.meta == {
            "started": "2026-01-01T00:00:00+00:00",
            "started_ns": 0,
            "robot": {"name": "virtual", "seed": 7},
            "closed_ns": 0,
        }
        first = next(iter(reader))
    assert isinstance(first, Mark)
    assert isinstance(first.kind, MarkKind)


def test_a_closed_trace_is_one_file_that_can_be_copied(tmp_path: Path) -> None:
    path = tmp_path / "run.trace"
    write_all(path)
    assert [file.name for file in tmp_path.iterdir()] == ["run.trace"]
    # SQLite database file format, 1.3.3: 2 would mean write-ahead mode, which needs files beside it even to be read.
    assert path.read_bytes()[18:20] == b"\x01\x01"
    copy = tmp_path / "elsewhere" / "a ?#% name.trace"
    copy.parent.mkdir()
    shutil.copy(path, copy)
    with TraceReader(path) as one, TraceReader(copy) as other:
        assert tuple(other) == RECORDS
        assert one.digest() == other.digest()


def test_a_finished_trace_in_a_folder_that_cannot_be_written_to_is_read(tmp_path: Path) -> None:
    path = tmp_path / "run.trace"
    write_all(path)
    path.chmod(0o444)
    tmp_path.chmod(0o555)
    try:
        with TraceReader(path) as reader:
            assert tuple(reader) == RECORDS
    finally:
        tmp_path.chmod(0o755)


def test_a_metadata_entry_is_replaced_by_a_later_one(tmp_path: Path) -> None:
    path = tmp_path / "run.trace"
    with TraceWriter(path, FakeClock()) as writer:
        writer.describe("outcome", "running")
        writer.describe("outcome", "passed")
    with TraceReader(path) as reader:
        assert reader.meta["outcome"] == "passed"


def seen_by_another(path: Path) -> int:
    """Count the records that a reader of its own sees at this moment."""
    with TraceReader(path) as reader:
        return sum(1 for _ in reader)


def test_marks_and_answers_are_kept_at_once_and_chunks_after_a_tenth_of_a_second(tmp_path: Path) -> None:
    clock = FakeClock()
    path = tmp_path / "run.trace"
    writer = TraceWriter(path, clock)
    writer.add_port(ROBOT)
    chunk = Chunk(t_ns=0, port="robot", direction=Direction.IN, data=b"x")
    writer.chunk(chunk)
    assert seen_by_another(path) == 0
    writer.mark(Mark(t_ns=0, kind=MarkKind.NOTE, step="", name="n"))
    assert seen_by_another(path) == 2
    writer.chunk(chunk)
    clock.advance(COMMIT_EVERY_S - 0.001)
    writer.chunk(chunk)
    assert seen_by_another(path) == 2
    clock.advance(0.001)
    writer.commit_due()
    assert seen_by_another(path) == 4
    writer.chunk(chunk)
    clock.advance(10.0)
    writer.chunk(chunk)
    assert seen_by_another(path) == 6
    writer.commit_due()
    writer.close()
    writer.close()
    assert seen_by_another(path) == 6


def test_a_trace_is_read_while_it_is_written(tmp_path: Path) -> None:
    path = tmp_path / "run.trace"
    writer = TraceWriter(path, FakeClock())
    writer.add_port(ROBOT)
    mark = Mark(t_ns=0, kind=MarkKind.NOTE, step="", name="n")
    for _ in range(3 * ROWS_AT_A_TIME):
        writer.mark(mark)
    with TraceReader(path) as reader:
        records = iter(reader)
        next(records)
        writer.mark(mark)
        writer.close()
        assert sum(1 for _ in records) == 3 * ROWS_AT_A_TIME - 1, "one pass sees one moment"
        assert not reader.is_complete
    assert seen_by_another(path) == 3 * ROWS_AT_A_TIME + 1


WRITE_FOR_EVER = """
import sys
from pathlib import Path
from hil.measure.trace import Chunk, Direction, Mark, MarkKind, PortEntry
from hil.store.trace import TraceWriter
from hil.timing import SystemClock

writer = TraceWriter(Path(sys.argv[1]), SystemClock())
writer.add_port(PortEntry(name="robot", url="x", protocol="p"))
number = 0
while True:
    for _ in range(int(sys.argv[2])):
        writer.chunk(Chunk(t_ns=number, port="robot", direction=Direction.IN, data=b"%08d" % number * 20))
        number += 1
    writer.mark(Mark(t_ns=number, kind=MarkKind.NOTE, step="", name="here"))
    number += 1
    print(number, flush=True)
"""


@pytest.mark.parametrize(("chunks_between_marks", "lines_before_the_kill"), [(1, 7), (40, 25), (3000, 3)])
def test_a_killed_writer_loses_nothing_before_its_last_mark(
    tmp_path: Path, chunks_between_marks: int, lines_before_the_kill: int
) -> None:
    path = tmp_path / "run.trace"
    arguments = [sys.executable, "-c", WRITE_FOR_EVER, str(path), str(chunks_between_marks)]
    with subprocess.Popen(arguments, stdout=subprocess.PIPE, text=True) as writer:
        assert writer.stdout is not None
        told = [int(writer.stdout.readline()) for _ in range(lines_before_the_kill)]
        writer.kill()
        told += [int(line) for line in writer.stdout.read().split("\n")[:-1]]
    assert (tmp_path / "run.trace-wal").exists(), "the writer was killed in the middle"
    # A copy of two of the three files is enough: the third is an index that is made again.
    copy = tmp_path / "copy" / "run.trace"
    copy.parent.mkdir()
    for end in ("", "-wal"):
        shutil.copy(f"{path}{end}", f"{copy}{end}")
    with TraceReader(path) as reader, TraceReader(copy) as copied:
        times = [record.t_ns for record in reader]
        assert not reader.is_complete
        assert copied.digest() == reader.digest()
    assert times == list(range(len(times))), "no record is missing or doubled"
    assert len(times) >= told[-1]
    database = sqlite3.connect(path)
    assert database.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    database.close()


def test_the_digest_is_what_the_docstring_says(tmp_path: Path) -> None:
    path = tmp_path / "run.trace"
    with TraceWriter(path, FakeClock()) as writer:
        writer.add_port(SCALE)
        writer.chunk(Chunk(t_ns=-5, port="scale", direction=Direction.OUT, data=b"ab"))
        writer.mark(Mark(t_ns=7, kind=MarkKind.NOTE, step="s", name="ä"))
    mark = json.dumps(
        {"kind": "note", "step": "s", "name": "ä", "fields": {}}, ensure_ascii=False, separators=(",", ":")
    )
    expected = hashlib.sha256(
        b'[["scale","socket://bench:7000","csv","",false,""]]'
        + struct.pack("<qBiQ", -5, 1, 1, 2)
        + b"ab"
        + struct.pack("<qBiQ", 7, 2, -1, len(mark.encode()))
        + mark.encode()
    )
    with TraceReader(path) as reader:
        assert reader.digest() == expected.hexdigest()


def test_the_digest_sees_every_part_of_a_record(tmp_path: Path) -> None:
    def digest_with(name: str, record: TraceRecord) -> str:
        path = tmp_path / name
        write_all(path, (record,))
        with TraceReader(path) as reader:
            return reader.digest()

    variants: tuple[TraceRecord, ...] = (
        Chunk(t_ns=1, port="robot", direction=Direction.IN, data=b"a"),
        Chunk(t_ns=2, port="robot", direction=Direction.IN, data=b"a"),
        Chunk(t_ns=1, port="scale", direction=Direction.IN, data=b"a"),
        Chunk(t_ns=1, port="robot", direction=Direction.OUT, data=b"a"),
        Chunk(t_ns=1, port="robot", direction=Direction.IN, data=b"b"),
    )
    digests = {digest_with(f"{number}.trace", record) for number, record in enumerate(variants)}
    assert len(digests) == len(variants)


def test_an_existing_file_is_never_written_over(tmp_path: Path) -> None:
    path = tmp_path / "run.trace"
    path.write_text("precious")
    with pytest.raises(BenchError) as caught:
        TraceWriter(path, FakeClock())
    assert str(caught.value) == (
        f"{path}: the trace cannot be created (File exists); expected a folder that can be written to, and no trace of "
        "that name in it."
    )
    assert path.read_text() == "precious"


def test_a_chunk_of_an_unknown_port_and_a_port_added_twice_are_faults_of_the_caller(tmp_path: Path) -> None:
    with TraceWriter(tmp_path / "run.trace", FakeClock()) as writer:
        writer.add_port(ROBOT)
        with pytest.raises(InternalError, match="the port robot is already in the trace"):
            writer.add_port(ROBOT)
        with pytest.raises(InternalError, match="the port other is not in the trace"):
            writer.chunk(Chunk(t_ns=0, port="other", direction=Direction.IN, data=b""))


def test_a_full_disk_is_a_fault_of_the_bench_and_keeps_what_was_committed(tmp_path: Path) -> None:
    path = tmp_path / "run.trace"
    writer = TraceWriter(path, FakeClock())
    writer.add_port(ROBOT)
    writer.mark(Mark(t_ns=0, kind=MarkKind.NOTE, step="", name="n"))
    # SQLite's own limit on the number of pages fails in the same way as a disk without space.
    writer._db.execute("PRAGMA max_page_count = 20")
    with pytest.raises(BenchError, match=r"the trace cannot be written \(database or disk is full\)"):
        writer.chunk(Chunk(t_ns=1, port="robot", direction=Direction.IN, data=b"x" * 200_000))
    with pytest.raises(BenchError):
        writer.close()
    assert seen_by_another(path) >= 1


def edited(path: Path, *statements: str) -> Path:
    """Write a trace and then change it behind the writer's back."""
    write_all(path)
    database = sqlite3.connect(path, isolation_level=None)
    for statement in statements:
        database.execute(statement)
    database.close()
    return path


def missing(path: Path) -> Path:
    return path


def text(path: Path) -> Path:
    path.write_text("t,l,r\n1,2,3\n" * 200)
    return path


def empty(path: Path) -> Path:
    path.touch()
    return path


def of_another_program(path: Path) -> Path:
    return edited(path, "PRAGMA application_id = 1")


def newer(path: Path) -> Path:
    return edited(path, f"PRAGMA user_version = {LAYOUT + 1}")


EXPECTED = f"expected a trace of this tool, of layout 1 to {LAYOUT}"
NEWER = f"this trace has layout {LAYOUT + 1}, written by a newer version of this tool"


@pytest.mark.parametrize(
    ("make", "sentence"),
    [
        (missing, "there is no such trace; expected the trace file of a run."),
        (text, f"this is not a trace (file is not a database); {EXPECTED}."),
        (empty, f"this file is empty; {EXPECTED}. Use another copy of it."),
        (of_another_program, f"this is a database of another program; {EXPECTED}."),
        (newer, f"{NEWER}; {EXPECTED}. Read it with that version."),
    ],
)
def test_what_is_not_a_readable_trace_is_refused_with_a_sentence(
    tmp_path: Path, make: Callable[[Path], Path], sentence: str
) -> None:
    path = make(tmp_path / "found.trace")
    with pytest.raises(UsageError) as caught:
        TraceReader(path)
    assert str(caught.value) == f"{path}: {sentence}"


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE record SET kind = 9",
        "UPDATE record SET port = 77 WHERE kind < 2",
        "UPDATE record SET body = '{' WHERE kind = 2",
        "UPDATE record SET body = '[1]' WHERE kind = 2",
        'UPDATE record SET body = \'{"kind":"sideways"}\' WHERE kind = 2',
        "UPDATE record SET body = '{\"surprise\":1}' WHERE kind = 3",
        "UPDATE record SET body = 12 WHERE kind < 2",
        "UPDATE record SET body = 'text' WHERE kind < 2",
        "UPDATE record SET port = NULL",
        "UPDATE record SET body = replace(body, '0.5', '\"half\"') WHERE kind = 3",
        "UPDATE record SET body = json_remove(body, '$.corrects') WHERE kind = 3",
        "UPDATE record SET t_ns = 'noon'",
        "UPDATE record SET body = zeroblob(17000000) WHERE seq = 2",
        "DROP TABLE record",
    ],
)
def test_a_damaged_trace_is_told_and_not_trusted(tmp_path: Path, statement: str) -> None:
    path = edited(tmp_path / "damaged.trace", statement)
    with TraceReader(path) as reader, pytest.raises(BenchError, match="the trace is damaged"):
        list(reader)


def test_a_file_cut_short_is_told(tmp_path: Path) -> None:
    path = tmp_path / "cut.trace"
    write_all(path, RECORDS * 200)
    with path.open("r+b") as file:
        file.truncate(path.stat().st_size // 2)
    half = path.stat().st_size
    with pytest.raises(BenchError, match=f"cut short: {half} bytes of it are there; expected {2 * half} bytes"):
        TraceReader(path)


def test_what_lies_in_the_log_beside_a_file_is_not_missed_in_it(tmp_path: Path) -> None:
    # A log is folded in page by page, the head of the file among the first: for a moment the file is shorter than that.
    path = tmp_path / "going-on.trace"
    write_all(path, RECORDS * 200)
    with path.open("r+b") as file:
        file.truncate(path.stat().st_size // 2)
    path.with_name(f"{path.name}-wal").touch()
    with pytest.raises(BenchError) as told, TraceReader(path) as reader:
        list(reader)
    assert "cut short" not in str(told.value)


def test_the_mark_of_the_file_is_found_where_sqlite_says_it_is(tmp_path: Path) -> None:
    # SQLite database file format, 1.3: application id at byte 68, big endian.
    path = tmp_path / "run.trace"
    write_all(path)
    assert path.read_bytes()[68:72] == b"HILT" == struct.pack(">I", APPLICATION_ID)
