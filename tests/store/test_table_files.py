"""Tables as files: read by other programs, exact, whole or not at all."""

from __future__ import annotations

import csv
import math
import struct
import sys
from pathlib import Path

import pyarrow.parquet
import pytest

from hil.errors import UsageError
from hil.measure.tables import Cell, Column, Held, Table
from hil.store.table_files import TableFiles

TABLE = Table(
    name="motion",
    columns=(
        Column(name="time_s", unit="s", meaning="the robot's clock"),
        Column(name="repeat", held=Held.WHOLE),
        Column(name="said", held=Held.TEXT),
    ),
)
# The last line that was seen to break readers: quotes, a comma, both line endings, and a sign outside of ASCII.
ROWS: list[dict[str, Cell]] = [
    {"time_s": 0.1 + 0.2, "repeat": 0, "said": "plain"},
    {"time_s": 5e-324, "repeat": 12, "said": 'a "quoted", part\r\nand a second line\n°'},
    {"time_s": None, "repeat": None, "said": ""},
    {"time_s": math.pi * 1e300, "said": "no repeat"},
]


def write(folder: Path, form: str) -> Path:
    with TableFiles(folder, form) as files:
        for row in ROWS:
            files.add(TABLE, row)
    [(path, count)] = files.written
    assert count == len(ROWS)
    return path


def test_comma_separated_values_read_back_exactly(tmp_path: Path) -> None:
    path = write(tmp_path / "new" / "folder", "csv")
    # RFC 4180, 2: lines end with CRLF, the first may be a heading, fields with quotes, commas or breaks are quoted.
    assert path.read_bytes().startswith(b"time_s [s],repeat,said\r\n0.30000000000000004,0,plain\r\n")
    with path.open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert [row["said"] for row in rows] == [row["said"] for row in ROWS]
    assert [row["repeat"] for row in rows] == ["0", "12", "", ""]
    found = [float(row["time_s [s]"]) for row in rows if row["time_s [s]"]]
    wanted = [row["time_s"] for row in ROWS if isinstance(row["time_s"], float)]
    assert struct.pack("3d", *found) == struct.pack("3d", *wanted)


def test_parquet_files_read_back_exactly_with_units_beside_the_columns(tmp_path: Path) -> None:
    path = write(tmp_path, "parquet")
    table = pyarrow.parquet.read_table(path)
    assert table.to_pylist() == [
        {"time_s": row["time_s"], "repeat": row.get("repeat"), "said": row["said"]} for row in ROWS
    ]
    assert table.schema.field("time_s").metadata == {b"unit": b"s", b"meaning": b"the robot's clock"}


@pytest.mark.parametrize("form", ["csv", "parquet"])
def test_a_table_that_fails_halfway_leaves_no_file(tmp_path: Path, form: str) -> None:
    def fail() -> None:
        with TableFiles(tmp_path, form) as files:
            files.add(TABLE, ROWS[0])
            raise RuntimeError

    with pytest.raises(RuntimeError):
        fail()
    assert list(tmp_path.iterdir()) == []


def test_nothing_is_written_over(tmp_path: Path) -> None:
    path = write(tmp_path, "csv")
    before = path.read_bytes()
    with pytest.raises(UsageError, match="there is such a file already"):
        write(tmp_path, "csv")
    assert path.read_bytes() == before
    assert [file.name for file in tmp_path.iterdir()] == ["motion.csv"]


def test_parquet_without_its_library_is_one_sentence(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    with pytest.raises(UsageError) as caught:
        TableFiles(tmp_path, "parquet")
    assert str(caught.value) == (
        "--to parquet: Parquet files need the library pyarrow, which is not installed; expected hil installed with its "
        "extra 'parquet'. pip install 'hil[parquet]', or use --to csv."
    )
