"""A run as tables for other programs."""

from __future__ import annotations

import csv
import json
from collections.abc import Callable
from pathlib import Path

import pyarrow.parquet
import pytest

from hil.cli.main import main

from .conftest import Said


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("export")
    with pytest.raises(SystemExit):
        main(["run", "--virtual", "straight-line/tracked-legs", "--runs", str(folder)])
    [made] = folder.iterdir()
    return made


def test_every_good_line_of_a_run_is_a_row(hil: Callable[..., Said], run: Path, tmp_path: Path) -> None:
    said = hil("export", run, "--to", "csv", "--out", tmp_path / "out")
    assert said.status == 0
    found = {}
    for path in (tmp_path / "out").iterdir():
        with path.open(encoding="utf-8", newline="") as stream:
            found[path.stem] = list(csv.DictReader(stream))
    assert set(found) == {"motion", "health", "events"}
    [lines] = json.loads((run / "run.json").read_text())["lines"]
    events = [row for row in found["events"] if row["source"] == "robot"]
    replies = lines["good"] - len(found["motion"]) - len(found["health"]) - len(events)
    assert 0 < replies < 40
    times_s = [float(row["time_s [s]"]) for row in found["motion"]]
    assert times_s == sorted(times_s)
    drives = {row["drive"] for row in found["motion"]}
    assert drives == {"", "tracked"}


def test_the_named_channels_alone_as_parquet(hil: Callable[..., Said], run: Path, tmp_path: Path) -> None:
    channels = "encoder.left,supply.battery"
    said = hil("export", run / "trace.sqlite", "--to", "parquet", "--out", tmp_path / "out", "--channels", channels)
    assert said.status == 0
    table = pyarrow.parquet.read_table(tmp_path / "out" / "motion.parquet")
    assert table.schema.names == ["host_s", "time_s", "port", "program", "case", "drive", "repeat", "encoder.left"]
    assert table.schema.field("encoder.left").metadata[b"unit"] == b"count"
    assert f"{table.num_rows} rows" in said.out


def test_an_unknown_channel_and_a_place_in_the_run_are_refused(hil: Callable[..., Said], run: Path) -> None:
    said = hil("export", run, "--channels", "encoder.middle")
    assert said.status == 2
    assert "no message of the run carries 'encoder.middle'" in said.sentence
    before = sorted(run.rglob("*"))
    said = hil("export", run, "--out", run / "tables")
    assert said.status == 2
    assert "this lies in the run" in said.sentence
    assert sorted(run.rglob("*")) == before
