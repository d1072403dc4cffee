"""Records of the bench in whole runs: written by a run at the jig, used by the next that drives, refused with a reason.

The virtual robot's optics are the same for the same seed, so that a record of seed 1 is of another robot than one of
seed 2, and what is read at the jig must be what is driven by.
"""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from hil.results import LoadedFile
from hil.spec.record_file import load_record
from hil.spec.record_values import Record

from .conftest import Said
from .cut_runs import cut

Call = Callable[..., Said]

JIG = """\
suite: at-the-jig
title: Reading against distance
why: a record in little time
course: bench
surfaces: [matt-white]
cases:
  curves:
    title: Reading against distance on every surface
    program: sensing
    keeps: calibration
    repeat: {over: surfaces}
    sequence:
      - jig: {sensors: [wall.left], surface: each,
              as: l, for: 0.2 s, distances: [44 mm, 49 mm, 59 mm, 79 mm, 119 mm, none]}
      - jig: {sensors: [wall.right], surface: each,
              as: r, for: 0.2 s, distances: [44 mm, 49 mm, 59 mm, 79 mm, 119 mm, none]}
      - jig: {sensors: [wall.front], surface: each,
              as: f, for: 0.2 s, distances: [34 mm, 44 mm, 60 mm, 84 mm, 134 mm, none]}
    measure:
      residual: {method: walls.residual}
    assert:
      - {measurement: residual, tolerance: <= 2 mm, why: half of what centring asks for}
"""
DRIVE = """\
suite: between-walls
title: One corridor
why: a drive whose distances to walls are told by calibrations
course: corridor-six
cases:
  ahead:
    title: Straights by both walls
    setup:
      - place: {at: start}
    sequence:
      - drive: {path: "ahead 5 by both, about left, ahead 5 by both, about right", front: counts, as: legs}
    measure:
      offset: {method: straight.lateral_offset, of: [legs]}
    assert:
      - {measurement: offset, tolerance: 0 ± 6 mm, why: as in straight-line}
"""


@pytest.fixture
def bench(hil: Call, tmp_path: Path) -> Callable[..., dict[str, Any]]:
    """Run one of the two suites on the virtual robot and return run.json; records lie beside the runs."""
    for name, text in (("jig", JIG), ("drive", DRIVE)):
        (tmp_path / f"{name}.suite.yaml").write_text(text)

    def run(suite: str, *words: str) -> dict[str, Any]:
        said = hil("run", tmp_path / f"{suite}.suite.yaml", "--virtual", "--json", "--runs", tmp_path / "runs", *words)
        assert said.out, said.err
        result: dict[str, Any] = json.loads(said.out)
        return result

    return run


@pytest.fixture(scope="module")
def kept() -> dict[str, Path]:
    """Hold what the first test of this module has made, for those that begin where it ends."""
    return {}


@pytest.fixture
def recorded(bench: Callable[..., dict[str, Any]], kept: dict[str, Path], tmp_path: Path,
             tmp_path_factory: pytest.TempPathFactory) -> Path:  # fmt: skip
    """Return a folder of records with one of seed 1 on matt-white, from a run of the jig."""
    if not kept:
        header = tmp_path / "walls.h"
        header.write_text("#define WALL_LEFT_SET 550\n")
        words = ("--environment", "temperature=21 degC", "--environment", "light=300 lux")
        result = bench("jig", *words, "--settings-file", str(header))
        assert result["outcome"] == "passed"
        store = tmp_path_factory.mktemp("kept")
        shutil.copytree(tmp_path / "records", store / "records")
        shutil.copytree(tmp_path / "runs" / result["run"], store / "runs" / result["run"])
        kept["at"] = store
    for folder in ("records", "runs"):
        shutil.rmtree(tmp_path / folder, ignore_errors=True)
    shutil.copytree(kept["at"] / "records", tmp_path / "records")
    return tmp_path / "records"


def record_in(records: Path) -> Record:
    return load_record(records / "V-0001.seed-1" / "matt-white.record.yaml")


def walls_said(result: dict[str, Any]) -> list[str]:
    return [note for note in result["notes"] if "alls of" in note or "record" in note or "calibrations" in note]


def test_a_run_at_the_jig_leaves_a_record_and_the_next_run_drives_by_it(
    recorded: Path, bench: Callable[..., dict[str, Any]], hil: Call, tmp_path: Path
) -> None:
    record = record_in(recorded)
    assert (record.seed, record.surface, record.environment.temperature_c) == (1, "matt-white", 21.0)
    assert set(record.sensors) == {"wall.left", "wall.right", "wall.front"}
    assert record.settings["wheel-base"] == 70000
    assert record.numbers["wall.left.set"] == pytest.approx(record.sensors["wall.left"].reading(49.0), abs=0.5)
    result = bench("drive")
    assert walls_said(result) == [
        f"Walls of matt-white: record of {record.taken:%Y-%m-%d %H:%M} from the run {record.run}."
    ]
    [folder] = (tmp_path / "runs").iterdir()
    again = json.loads(hil("replay", folder, "--json").out)
    assert walls_said(again)[0] == walls_said(result)[0]
    assert [s["cases"] for s in again["suites"]] == [s["cases"] for s in result["suites"]]
    played = json.loads(hil("run", "--port", f"trace:{folder}", "--json", "--runs", tmp_path / "played").out)
    assert walls_said(played) == walls_said(result)
    assert not (tmp_path / "played" / "records").exists()


@pytest.mark.whole
def test_without_records_the_virtual_robots_own_jig_stands_in(
    recorded: Path, bench: Callable[..., dict[str, Any]]
) -> None:
    for words in (("--no-records",), ("--seed", "2")):
        [note] = walls_said(bench("drive", *words))
        assert note.startswith("Sensor calibrations: wall.front (virtual jig on matt-white)")


@pytest.mark.parametrize(
    ("found", "instead", "reason"),
    [
        (r'taken: ".*"', 'taken: "2020-01-01T00:00:00+00:00"', "days old, and records are good for 30 days"),
        pytest.param(
            r'firmware: ".*"',
            'firmware: "virtual V-0001 hil-virtual-0"',
            "it was taken with the firmware",
            marks=pytest.mark.whole,
        ),
        (r"battery_v: .*", "battery_v: 6.9", "it was taken at 6.90 V of battery, which is now at 7.80 V"),
        pytest.param(r"seed: 1 .*", "seed: 2", "it is of the virtual robot of seed 2", marks=pytest.mark.whole),
        pytest.param(r'serial: ".*"', 'serial: "V-0009"', "is of V-0009 on matt-white", marks=pytest.mark.whole),
        pytest.param(
            r"  wall.front:\n    gain",
            "  wall.up:\n    gain",
            "is of wall.up, which the robot has not",
            marks=pytest.mark.whole,
        ),
        (r"sensors:", "sensors", "cannot be read: "),
    ],
)
def test_a_record_that_does_not_fit_is_not_driven_by_and_the_reason_is_said(
    recorded: Path, bench: Callable[..., dict[str, Any]], found: str, instead: str, reason: str
) -> None:
    path = recorded / "V-0001.seed-1" / "matt-white.record.yaml"
    text, count = re.subn(found, instead, path.read_text(), count=1)
    assert count == 1
    path.write_text(text)
    notes = walls_said(bench("drive"))
    assert any(reason in note and note.startswith("The record of the surface 'matt-white' ") for note in notes)
    assert any(note.startswith("Sensor calibrations: wall.front (virtual jig on matt-white)") for note in notes)


def test_an_old_record_is_driven_by_where_that_is_asked_for_and_said(
    recorded: Path, bench: Callable[..., dict[str, Any]]
) -> None:
    path = recorded / "V-0001.seed-1" / "matt-white.record.yaml"
    path.write_text(re.sub(r'taken: ".*"', 'taken: "2020-01-01T00:00:00+00:00"', path.read_text()))
    notes = walls_said(bench("drive", "--old-records"))
    assert len(notes) == 2
    assert notes[0].startswith("The record of the surface 'matt-white' was used all the same: it is ")
    assert notes[1].startswith("Walls of matt-white: record of 2020-01-01 00:00 from the run ")


@pytest.mark.whole
def test_a_second_run_keeps_the_first_ones_record_beside_its_own(
    recorded: Path, bench: Callable[..., dict[str, Any]]
) -> None:
    first = record_in(recorded)
    result = bench("jig")
    assert record_in(recorded).run == result["run"]
    [earlier] = (recorded / "V-0001.seed-1" / "earlier").iterdir()
    assert load_record(earlier) == first


def test_a_kept_run_gives_the_same_record_again(recorded: Path, kept: dict[str, Path], hil: Call) -> None:
    before = (recorded / "V-0001.seed-1" / "matt-white.record.yaml").read_bytes()
    [run] = (kept["at"] / "runs").iterdir()
    shutil.rmtree(recorded)
    assert hil("records", "keep", run, "--records", recorded).status == 0
    assert (recorded / "V-0001.seed-1" / "matt-white.record.yaml").read_bytes() == before
    hil("records", "keep", run, "--records", recorded)
    assert not (recorded / "V-0001.seed-1" / "earlier").exists()


def test_a_run_that_was_cut_off_gives_its_records_where_that_is_asked_for_and_says_why_not(
    recorded: Path, kept: dict[str, Path], hil: Call, tmp_path: Path
) -> None:
    [run] = (kept["at"] / "runs").iterdir()
    whole = record_in(recorded)
    shutil.rmtree(recorded)
    before = cut(run, tmp_path / "before" / run.name, 'kind = 2 AND body LIKE \'{"kind":"begin","step":"case"%\'')
    said = hil("records", "keep", before, "--records", recorded)
    assert "No record was written" in said.out
    assert said.out.endswith(": no case that keeps one was begun in it.\n")
    late = cut(run, tmp_path / "late" / run.name, 'kind = 2 AND body LIKE \'{"kind":"end","step":"case"%\'')
    said = hil("records", "keep", late, "--records", recorded)
    assert "curves skipped, so no record was written of it" in said.out
    assert not recorded.exists()
    assert hil("records", "keep", late, "--records", recorded, "--all").status == 0
    assert record_in(recorded).sensors == whole.sensors  # all of it had been read before the end


@pytest.mark.whole
def test_a_faulty_robot_leaves_a_record_only_where_that_is_asked_for(
    bench: Callable[..., dict[str, Any]], hil: Call, tmp_path: Path
) -> None:
    result = bench("jig", "--fault", "crosstalk=1 %")
    assert result["outcome"] == "passed"
    assert not (tmp_path / "records").exists()
    said = hil("records", "keep", tmp_path / "runs" / result["run"])
    assert "the virtual robot had faults, so no record was written" in said.out
    assert hil("records", "keep", tmp_path / "runs" / result["run"], "--all").status == 0
    assert record_in(tmp_path / "records").run == result["run"]
    assert hil("records", "keep", tmp_path / "runs" / result["run"], "--all").out.count("record written") == 1


def test_the_loaded_settings_and_the_room_stand_in_run_record_and_replay(
    recorded: Path, kept: dict[str, Path], hil: Call
) -> None:
    [folder] = (kept["at"] / "runs").iterdir()
    result = json.loads((folder / "run.json").read_text())
    # The digest is that of another program: printf '#define WALL_LEFT_SET 550\n' | sha256sum
    digest = "7864af0213c18ddf8405a8b44753a8ca42cf3c1383494abce7aee1f97389b284"
    assert result["loaded"] == {"name": "walls.h", "sha256": digest}
    assert (result["environment"]["temperature_c"], result["environment"]["illuminance_lux"]) == (21, 300)
    assert record_in(recorded).loaded == LoadedFile(name="walls.h", sha256=digest)
    again = json.loads(hil("replay", folder, "--json").out)
    assert (again["loaded"], again["environment"]) == (result["loaded"], result["environment"])
    assert f"walls.h, SHA-256 {digest}" in (folder / "report.md").read_text()


def test_a_run_that_is_played_takes_no_records_and_says_why(
    recorded: Path, kept: dict[str, Path], hil: Call, tmp_path: Path
) -> None:
    [folder] = (kept["at"] / "runs").iterdir()
    said = hil("run", "--port", f"trace:{folder}", "--records", recorded, "--runs", tmp_path / "played")
    assert said.status == 2
    assert "a run that is played from its trace has the calibrations that it had then" in said.sentence
