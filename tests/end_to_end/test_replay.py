"""A run judged again from its folder: the same to the last digit, by other files, after it was cut off."""

from __future__ import annotations

import hashlib
import json
import re
import shutil
import sqlite3
from collections.abc import Callable
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from hil.catalogue import Catalogue
from hil.cli.main import main
from hil.reports.run_json import run_from_json, run_schema
from hil.spec.kinds import Kind

from .conftest import Said
from .cut_runs import cut

# Short drives, looked at after five repeats and after ten; the second case needs the first.
REPEATED = """
suite: repeated
title: One lap, several times
why: Repeats are looked at after five of them and after ten.
course: corridor-six
cases:
  laps:
    title: There and back
    program: driving
    setup:
      - place: {at: start}
    repeat: {at_least: 5, at_most: 10}
    sequence:
      - drive: {path: "ahead 5 by both, about left, ahead 5 by both, about right", front: counts, as: lap}
    measure:
      leg_distance: {method: straight.leg_distance, of: lap}
    assert:
      - {measurement: leg_distance, tolerance: LIMITS, why: common practice}
  again:
    title: There and back again
    program: driving
    needs: [laps]
    setup:
      - place: {at: start}
    sequence:
      - drive: {path: "ahead 5 by both, about left, ahead 5 by both, about right", front: counts, as: lap}
    measure:
      leg_distance: {method: straight.leg_distance, of: lap}
    assert:
      - {measurement: leg_distance, tolerance: LIMITS, why: common practice}
"""


def run_in(folder: Path, *words: str | Path) -> Path:
    """Make a run by the command line and return its folder."""
    with pytest.raises(SystemExit) as left:
        main(["run", "--virtual", *map(str, words), "--runs", str(folder)])
    assert left.value.code in (0, 1, 4)
    [run] = folder.iterdir()
    return run


@pytest.fixture(scope="module")
def repeated(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A run of the suite above, with a limit that is clear at the first look."""
    folder = tmp_path_factory.mktemp("repeated")
    suite = folder / "repeated.suite.yaml"
    suite.write_text(REPEATED.replace("LIMITS", "0 ± 20 mm"))
    return run_in(folder / "runs", suite)


def content(folder: Path) -> dict[str, str]:
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in folder.rglob("*")
        if path.is_file()
    }


def assertions_of(result: dict[str, Any]) -> list[dict[str, Any]]:
    return [a for suite in result["suites"] for case in suite["cases"] for a in case["assertions"]]


@pytest.mark.parametrize("route", ["operator", "telemetry", "both"])
@pytest.mark.whole
def test_the_three_suites_judged_again_are_the_same_to_the_last_byte(
    hil: Callable[..., Said], tmp_path: Path, route: str
) -> None:
    hil("run", "--virtual", "--seed", "5", "--route", route, "--runs", tmp_path / "runs")
    [run] = (tmp_path / "runs").iterdir()
    before, made = content(run), json.loads((run / "run.json").read_text())
    said = hil("replay", run, "--json")
    again = json.loads(said.out)
    jsonschema.Draft7Validator(run_schema()).validate(again)
    assert json.dumps(again["suites"]) == json.dumps(made["suites"])
    assert len(assertions_of(again)) >= 24
    assert said.status == made["exit_status"]
    assert again["replay_of"] == {"run": run.name, "tool_version": made["tool_version"]}
    assert {key for key in made if again[key] != made[key]} == {"notes"}
    assert content(run) == before
    assert run_from_json(said.out).replay_of is not None


@pytest.mark.whole
def test_repeats_are_looked_at_where_the_run_looked(hil: Callable[..., Said], repeated: Path, tmp_path: Path) -> None:
    made = json.loads((repeated / "run.json").read_text())
    assert [case["repeats"] for case in made["suites"][0]["cases"]] == [5, 1]
    again = json.loads(hil("replay", repeated / "trace.sqlite", "--json").out)
    assert again["suites"] == made["suites"]
    # Near the limit the first look is not clear, so the run goes on to the tenth repeat, where its own rule decides.
    value = abs(assertions_of(made)[0]["value"])
    suite = tmp_path / "repeated.suite.yaml"
    suite.write_text(REPEATED.replace("LIMITS", f"0 ± {value + 0.01:.3f} mm"))
    hil("run", "--virtual", suite, "--runs", tmp_path / "runs")
    [long] = (tmp_path / "runs").iterdir()
    made = json.loads((long / "run.json").read_text())
    assert made["suites"][0]["cases"][0]["repeats"] == 10
    assert json.loads(hil("replay", long, "--json").out)["suites"] == made["suites"]


def test_other_tolerances_give_other_outcomes_on_the_same_records(
    hil: Callable[..., Said], repeated: Path, tmp_path: Path
) -> None:
    made = assertions_of(json.loads((repeated / "run.json").read_text()))
    strict = tmp_path / "strict.suite.yaml"
    strict.write_text(REPEATED.replace("LIMITS", "1000 ± 20 mm"))
    said = hil("replay", repeated, "--suite", strict, "--json")
    result = json.loads(said.out)
    again = assertions_of(result)
    assert said.status == 1
    assert [a["outcome"] for a in again] == ["failed", "failed"]
    assert [a["value"] for a in again] == [a["value"] for a in made]
    assert any("strict.suite.yaml" in note for note in result["notes"])


def test_a_suite_that_would_repeat_more_often_says_how_many_repeats_the_trace_holds(
    hil: Callable[..., Said], repeated: Path, tmp_path: Path
) -> None:
    value = abs(assertions_of(json.loads((repeated / "run.json").read_text()))[0]["value"])
    suite = tmp_path / "longer.suite.yaml"
    suite.write_text(REPEATED.replace("LIMITS", f"0 ± {value + 0.01:.3f} mm").replace("at_most: 10", "at_most: 20"))
    result = json.loads(hil("replay", repeated, "--suite", suite, "--json").out)
    case = result["suites"][0]["cases"][0]
    assert case["outcome"] == "undecided"
    assert case["notes"] == ["The trace holds 5 repeats; by this suite up to 20 would be made."]


def test_a_case_and_a_drive_that_the_trace_lacks_are_said(
    hil: Callable[..., Said], repeated: Path, tmp_path: Path
) -> None:
    suite = tmp_path / "other.suite.yaml"
    text = REPEATED.replace("LIMITS", "0 ± 20 mm").replace("  again:", "  anew:").replace("as: lap", "as: round")
    suite.write_text(text.replace("of: lap", "of: round").replace("needs: [laps]\n", "needs: []\n"))
    said = hil("replay", repeated, "--suite", suite, "--json")
    laps, anew = json.loads(said.out)["suites"][0]["cases"]
    assert said.status == 4
    assert laps["outcome"] == "undecided"
    assert "The trace holds no drive 'round' of this case." in laps["notes"]
    assert anew["outcome"] == "skipped"
    assert anew["reason"] == "The trace does not hold the case 'anew' of the suite 'repeated'."


def test_another_geometry_moves_the_numbers(hil: Callable[..., Said], repeated: Path, tmp_path: Path) -> None:
    robot = tmp_path / "larger.robot.yaml"
    text = Catalogue().find(Kind.ROBOT, "virtual").read_text()
    assert text.count("28 mm") == 2
    robot.write_text(text.replace("28 mm", "28.28 mm"))
    made = assertions_of(json.loads((repeated / "run.json").read_text()))[0]
    again = assertions_of(json.loads(hil("replay", repeated, "--robot", robot, "--json").out))[0]
    # By wheels that are 1 % larger the same counts make 1 % more way; true minus counted is stated over 720 mm.
    assert again["value"] - made["value"] == pytest.approx(-7.2, abs=0.05)


def test_a_run_that_was_cut_off_keeps_what_was_measured_before(
    hil: Callable[..., Said], repeated: Path, tmp_path: Path
) -> None:
    made = json.loads((repeated / "run.json").read_text())
    run = cut(repeated, tmp_path / "cut", 'kind = 2 AND body LIKE \'%"case":"again"%\'')
    said = hil("replay", run, "--json")
    told = json.loads(said.out)
    laps, again = told["suites"][0]["cases"]
    assert laps["wall_s"] < told["time"]["wall_s"] < made["time"]["wall_s"]  # as long as its trace is
    assert said.status == 4
    assert laps == made["suites"][0]["cases"][0]
    assert again["outcome"] == "skipped"
    assert again["reason"] == "The recording ends in this case: the run was cut off."
    run = cut(repeated, tmp_path / "shorter", "kind = 2 AND body LIKE '%\"repeat\":3%'")
    laps, again = json.loads(hil("replay", run, "--json").out)["suites"][0]["cases"]
    assert laps["reason"] == "The recording ends in this case: the run was cut off in repeat 3 of 10."
    assert again["reason"] == "Not run: the run was cut off before this case."


def test_an_error_and_what_it_kept_from_being_run_are_told_again(hil: Callable[..., Said], tmp_path: Path) -> None:
    suite = tmp_path / "ending.suite.yaml"
    suite.write_text(REPEATED.replace("LIMITS", "0 ± 20 mm").replace("      - place: {at: start}\n", PAUSED, 1))
    assert hil("run", "--virtual", suite, "--runs", tmp_path / "runs").status == 3
    [run] = (tmp_path / "runs").iterdir()
    made = json.loads((run / "run.json").read_text())
    assert made["suites"][0]["cases"][0]["outcome"] == "error"
    said = hil("replay", run, "--json")
    assert said.status == 3
    assert json.loads(said.out)["suites"] == made["suites"]
    assert json.loads(said.out)["reason"] == made["reason"]


PAUSED = """      - place: {at: start}
      - wait: {for: touched, timeout: 0.1 s}
"""


def test_results_are_written_only_where_they_are_asked_for(
    hil: Callable[..., Said], repeated: Path, tmp_path: Path
) -> None:
    before = content(repeated)
    said = hil(
        "replay", repeated, "--runs", tmp_path / "r", "--report", tmp_path / "r.md", "--junit", tmp_path / "j.xml"
    )
    assert said.status == 0
    [folder] = (tmp_path / "r").iterdir()
    assert sorted(path.name for path in folder.iterdir()) == ["junit.xml", "report.md", "run.json"]
    assert (folder / "report.md").read_text() == (tmp_path / "r.md").read_text()
    assert repeated.name in (tmp_path / "r.md").read_text()
    assert (folder / "junit.xml").read_text() == (tmp_path / "j.xml").read_text()
    assert content(repeated) == before
    said = hil("replay", repeated, "--runs", repeated / "again")
    assert said.status == 2
    assert "this lies in the run that is judged again" in said.sentence
    assert content(repeated) == before


def test_another_version_and_changed_files_are_said(hil: Callable[..., Said], repeated: Path, tmp_path: Path) -> None:
    run = tmp_path / "run"
    shutil.copytree(repeated, run)
    database = sqlite3.connect(run / "trace.sqlite", isolation_level=None)
    [(text,)] = database.execute("SELECT value FROM meta WHERE key = 'run'").fetchall()
    described = json.loads(text) | {"tool": "0.0.7"}
    database.execute("UPDATE meta SET value = ? WHERE key = 'run'", (json.dumps(described),))
    database.close()
    kept = run / "files" / "corridor-six.course.yaml"
    kept.write_text(kept.read_text() + "# measured again\n")
    result = json.loads(hil("replay", run, "--json").out)
    assert result["replay_of"]["tool_version"] == "0.0.7"
    told = " ".join(result["notes"])
    assert "The run was made with hil 0.0.7 and measured again with hil" in told
    assert "Changed in the run's folder since the run: corridor-six.course.yaml." in told


def test_a_run_that_was_carried_elsewhere_needs_nothing_but_its_folder(
    hil: Callable[..., Said], repeated: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    run = tmp_path / "elsewhere" / "run"
    shutil.copytree(repeated, run)
    monkeypatch.chdir(tmp_path)
    # A course of the same name beside the caller is not the one that was driven on.
    (tmp_path / "corridor-six.course.yaml").write_text("nonsense")
    said = hil("replay", run, "--json")
    made = json.loads((repeated / "run.json").read_text())
    assert json.loads(said.out)["suites"] == made["suites"]


@pytest.mark.parametrize(
    ("missing", "told"),
    [
        ("trace.sqlite", "there is no such run"),
        ("files/index.json", "the files of the run cannot be read.*Put the folder files of the run back"),
        ("files/repeated.suite.yaml", "the file repeated.suite.yaml of the run is not there"),
        ("calibration.json", "the calibrations cannot be read.*Put that file back, or name another with --calibration"),
    ],
)
def test_what_is_missing_in_the_folder_is_one_sentence(
    hil: Callable[..., Said], repeated: Path, tmp_path: Path, missing: str, told: str
) -> None:
    run = tmp_path / "run"
    shutil.copytree(repeated, run)
    (run / missing).unlink()
    said = hil("replay", run)
    assert said.status == 2
    assert re.search(told, said.sentence)


def test_a_run_without_its_files_is_judged_by_those_that_are_named(
    hil: Callable[..., Said], repeated: Path, tmp_path: Path
) -> None:
    run = tmp_path / "run"
    shutil.copytree(repeated, run)
    suite = tmp_path / "repeated.suite.yaml"
    suite.write_bytes((run / "files" / "repeated.suite.yaml").read_bytes())
    shutil.rmtree(run / "files")
    for words in (("replay", run), ("export", run, "--out", tmp_path / "tables"), ("run", "--port", f"trace:{run}")):
        said = hil(*words)
        assert said.status == 2
        assert "Put the folder files of the run back beside its trace" in said.sentence
    said = hil("replay", run, "--robot", "virtual", "--suite", suite, "--json")
    assert assertions_of(json.loads(said.out)) == assertions_of(json.loads((repeated / "run.json").read_text()))
    assert any("The files of the run are gone" in note for note in json.loads(said.out)["notes"])


def test_a_protocol_that_is_not_the_one_of_the_run_is_refused(
    hil: Callable[..., Said], repeated: Path, tmp_path: Path
) -> None:
    run = tmp_path / "run"
    shutil.copytree(repeated, run)
    suite = tmp_path / "repeated.suite.yaml"
    suite.write_bytes((run / "files" / "repeated.suite.yaml").read_bytes())
    robot = tmp_path / "virtual.robot.yaml"
    robot.write_bytes((run / "files" / "virtual.robot.yaml").read_bytes())
    protocol = (run / "files" / "tagged-lines.protocol.yaml").read_text()
    (tmp_path / "tagged-lines.protocol.yaml").write_text(f"{protocol}# written on\n")
    shutil.rmtree(run / "files")
    said = hil("replay", run, "--robot", robot, "--suite", suite)
    assert said.status == 2
    assert "this is not the protocol tagged-lines that was spoken in the run" in said.sentence


def test_tables_need_no_calibration(hil: Callable[..., Said], repeated: Path, tmp_path: Path) -> None:
    run = tmp_path / "run"
    shutil.copytree(repeated, run)
    (run / "calibration.json").unlink()
    assert hil("export", run, "--out", tmp_path / "tables").status == 0


def test_a_trace_that_is_cut_short_says_so_and_what_to_do(
    hil: Callable[..., Said], repeated: Path, tmp_path: Path
) -> None:
    run = tmp_path / "run"
    shutil.copytree(repeated, run)
    with (run / "trace.sqlite").open("r+b") as file:
        file.truncate((run / "trace.sqlite").stat().st_size // 3)
    for words in (("replay", run), ("export", run, "--out", tmp_path / "tables"), ("run", "--port", f"trace:{run}")):
        said = hil(*words)
        assert said.status == 3
        assert "the trace is cut short" in said.sentence
        assert "Use another copy of it" in said.sentence
    assert not (tmp_path / "tables").exists()


def test_a_trace_without_a_description_is_refused_with_a_sentence(
    hil: Callable[..., Said], repeated: Path, tmp_path: Path
) -> None:
    run = tmp_path / "run"
    shutil.copytree(repeated, run)
    database = sqlite3.connect(run / "trace.sqlite", isolation_level=None)
    database.execute("DELETE FROM meta WHERE key = 'run'")
    database.close()
    said = hil("replay", run)
    assert said.status == 2
    assert "the trace does not say which suites were run" in said.sentence
