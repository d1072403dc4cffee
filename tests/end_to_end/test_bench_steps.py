"""Steps of a bench on virtual robots: recordings are of their part, doubts are kept, a replay comes to the same.

The virtual person sets every board as told, so that what is doubtful here is the robot's doing.
"""

from __future__ import annotations

import itertools
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from hil.catalogue import Catalogue
from hil.engine.evidence import evidence_of
from hil.engine.kept_run import Changes, open_run
from hil.measure.evidence import Evidence
from hil.measure.series import SET_ASIDE
from hil.measure.trace import Mark, MarkKind
from hil.store.trace import TraceReader

from .conftest import Said

HEAD = """\
suite: bench
title: Steps of a bench
why: to see them through
course: corridor-six
surfaces: [white, grey]
cases:
"""
WHEELS = """\
  wheels:
    title: Wheels, free
    program: sensing
    setup: [{stand: {}}]
    sequence:
      - spin: {left: 8 %, right: -8 %, for: 1 s, as: spun, take: edges}
      - spin: {left: 30 %, right: 30 %, for: 1 s, as: ticking, take: ticks, provoke: flash-write}
      - pause: {for: 500 ms, as: resting, take: ticks}
      - hand_turn: {wheel: left, turns: 3, as: turned}
    measure: {longest: {method: loop.longest, of: ticking}}
    assert: [{measurement: longest, tolerance: <= 1 s, why: it ran}]
"""
BOARDS = """\
  boards:
    title: Boards on every surface
    program: sensing
    repeat: {over: surfaces}
    setup: [{lamps: off}]
    sequence:
      - jig: {sensors: [wall.left], distances: [39 mm, 44 mm, 49 mm, 54 mm, 59 mm, none], surface: each, as: boards}
    measure: {dark: {method: walls.dark, of: boards}}
    assert: [{measurement: dark, tolerance: <= 50 %, why: it read}]
"""
SINGLE = """\
  light:
    title: One emitter
    program: sensing
    sequence:
      - jig: {sensors: [wall.left], distances: [49 mm], surface: white, as: board}
      - pause: {for: 500 ms, as: other, emitter: wall.front}
      - pause: {for: 500 ms, as: own, emitter: wall.left}
      - pause: {for: 500 ms, as: after}
    measure: {dark: {method: walls.dark, of: board}}
    assert: [{measurement: dark, tolerance: <= 50 %, why: it read}]
"""


@pytest.fixture
def ran(hil: Callable[..., Said], tmp_path: Path) -> Callable[..., tuple[dict[str, Any], Path]]:
    """Run a suite of one case on a virtual robot; return the case's result and the run's folder."""

    def run(case: str, *words: str) -> tuple[dict[str, Any], Path]:
        (tmp_path / "bench.suite.yaml").write_text(HEAD + case)
        said = hil("run", tmp_path / "bench.suite.yaml", "--virtual", "--unattended", "--json", *words,
                   "--runs", tmp_path / "runs")  # fmt: skip
        assert said.out, said.err
        [folder] = (tmp_path / "runs").iterdir()
        return dict(json.loads(said.out)["suites"][0]["cases"][0]), folder

    return run


def evidence_in(folder: Path) -> Evidence:
    run = open_run(folder, Changes(), Catalogue(), is_judged=False)
    with TraceReader(run.trace) as reader:
        records = list(reader)
    [suite] = run.suites
    is_real = run.description.is_paced
    return evidence_of(records, run.speech, run.robot, suite.cases[0], host_is_real=is_real)


def marks_in(folder: Path) -> list[Mark]:
    with TraceReader(folder / "trace.sqlite") as reader:
        return [record for record in reader if isinstance(record, Mark)]


@pytest.mark.whole
def test_what_is_taken_down_is_of_its_part_and_covers_its_time(
    ran: Callable[..., tuple[dict[str, Any], Path]], hil: Callable[..., Said], tmp_path: Path
) -> None:
    case, folder = ran(WHEELS)
    assert case["outcome"] == "passed", case
    spun, ticking, resting, turned = evidence_in(folder).drives
    for wheel, levels in (("left", [1, 3, 2, 0]), ("right", [2, 3, 1, 0])):
        time_s, after = spun.channel(f"encoder.{wheel}.edge")  # type: ignore[misc]
        # The second of the part, and what a loaded machine is late in ending it; by itself it ends after five more.
        assert 0.9 < time_s[-1] - time_s[0] < 6.5
        begin = levels.index(int(after[0]))
        order = [levels[(begin + n) % 4] for n in range(after.size)]
        assert after.astype(int).tolist() == order  # forward left, backward right: A leads or B does
    assert (spun.conditions["duty.left"], spun.conditions["duty.right"]) == (0.08, -0.08)
    counts = spun.channel("encoder.left")
    assert counts is not None
    assert (counts[1][-1] - counts[1][0]) / (counts[0][-1] - counts[0][0]) > 0  # it never ran down within its part
    end_s, period_s = ticking.channel("loop.periods")  # type: ignore[misc]
    assert period_s.sum() == pytest.approx(end_s[-1] - end_s[0] + period_s[0], abs=1e-4)
    assert ticking.labels["provocation"] == "flash-write"
    quiet = resting.channel("loop.periods")
    assert quiet is not None
    assert period_s.max() > 1.2 * quiet[1].max()
    time_s, levels_left = turned.channel("encoder.left.levels")  # type: ignore[misc]
    # Three turns of 90 cycles of four states. Steps back count against steps forward, since the wheel slips back a
    # little where the hand takes a new grip.
    place = [[1, 3, 2, 0].index(int(level)) for level in levels_left]
    steps = sum((after - before + 1) % 4 - 1 for before, after in itertools.pairwise(place))
    assert steps == pytest.approx(4 * 90 * 3, rel=0.01)
    assert turned.labels["wheel"] == "left"
    again = json.loads(hil("run", "--port", f"trace:{folder}", "--json", "--runs", tmp_path / "again").out)
    [played] = again["suites"][0]["cases"]
    assert [one["value"] for one in played["assertions"]] == [one["value"] for one in case["assertions"]]


@pytest.mark.whole
def test_surfaces_of_the_command_line_take_the_place_of_the_suite_s_and_are_kept_for_a_replay(
    ran: Callable[..., tuple[dict[str, Any], Path]], hil: Callable[..., Said]
) -> None:
    case, folder = ran(BOARDS, "--surface", "matt-grey", "--surface", "red-top")
    assert case["surfaces"] == ["matt-grey", "red-top"]
    assert "Its rounds were on: matt-grey, red-top." in case["notes"]
    assert "Its rounds were on: matt-grey, red-top." in (folder / "report.md").read_text()
    drives = evidence_in(folder).drives
    assert [drive.labels["surface"] for drive in drives] == ["matt-grey"] * 6 + ["red-top"] * 6
    assert {drive.labels["lamps"] for drive in drives} == {"off"}
    [replayed] = json.loads(hil("replay", folder, "--json").out)["suites"][0]["cases"]
    assert replayed == {**case, "notes": replayed["notes"]}


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (("--surface", "white", "--surface", "white"), "this surface is named twice"),
        (("--surface", "each"), "that is no name of a surface"),
        (("--surface", "red top"), "that is no name of a surface"),
    ],
)
def test_a_surface_that_cannot_be_meant_is_refused_before_anything_moves(
    hil: Callable[..., Said], tmp_path: Path, words: tuple[str, ...], sentence: str
) -> None:
    (tmp_path / "bench.suite.yaml").write_text(HEAD + BOARDS)
    said = hil("run", tmp_path / "bench.suite.yaml", "--virtual", "--runs", tmp_path / "runs", *words)
    assert said.status == 2
    assert sentence in said.sentence
    assert not (tmp_path / "runs").exists()


def test_a_surface_is_refused_where_no_case_goes_over_surfaces(hil: Callable[..., Said], tmp_path: Path) -> None:
    said = hil("run", "u-turn", "--virtual", "--surface", "white", "--runs", tmp_path / "runs")
    assert (said.status, "no case of these suites is repeated over surfaces" in said.sentence) == (2, True)


@pytest.mark.whole
def test_what_is_doubted_twice_is_kept_and_said_and_what_was_read_first_is_set_aside(
    ran: Callable[..., tuple[dict[str, Any], Path]], hil: Callable[..., Said]
) -> None:
    case, folder = ran(BOARDS, "--fault", "dead-sensor=wall.left", "--surface", "white")
    doubts = [note for note in case["notes"] if note.startswith("Kept, though doubtful: wall.left on white at ")]
    assert len({note.split(" mm ")[0] for note in doubts}) == 5  # every board; without one nothing should be seen
    aside = {int(str(mark.fields["part"])) for mark in marks_in(folder) if mark.step == SET_ASIDE}
    begun = [mark for mark in marks_in(folder) if mark.step == "drive" and mark.kind is MarkKind.BEGIN]
    assert len(aside) >= 5
    assert len(begun) == 6 + len(aside)
    assert len(evidence_in(folder).drives) == 6
    [replayed] = json.loads(hil("replay", folder, "--json").out)["suites"][0]["cases"]
    assert replayed["notes"] == case["notes"]
    assert [one["value"] for one in replayed["assertions"]] == [one["value"] for one in case["assertions"]]


@pytest.mark.whole
def test_swapped_wires_are_said_once_and_nobody_is_asked_to_set_the_board_again(
    ran: Callable[..., tuple[dict[str, Any], Path]],
) -> None:
    case, folder = ran(BOARDS, "--fault", "swapped-sensors=on", "--surface", "white")
    assert any("the two sensors are swapped in wiring or firmware" in note for note in case["notes"])
    assert not [mark for mark in marks_in(folder) if mark.step == SET_ASIDE]


def test_while_one_emitter_is_fired_alone_a_sensor_gets_its_light_only(
    ran: Callable[..., tuple[dict[str, Any], Path]],
) -> None:
    _, folder = ran(SINGLE)
    board, other, own, after = evidence_in(folder).drives
    level = {drive.name: drive.level("wall.left") for drive in (board, other, own, after)}
    assert (other.labels["emitter"], own.labels["emitter"], after.labels.get("emitter")) == (
        "wall.front",
        "wall.left",
        None,
    )
    # Before a board its own emitter gives its whole reading, another's next to nothing (crosstalk).
    assert level["own"] == pytest.approx(level["board"], rel=0.05)
    assert level["after"] == pytest.approx(level["board"], rel=0.05)
    assert level["other"] is not None
    assert level["board"] is not None
    assert level["other"] < 0.2 * level["board"]
    lit = other.channel("wall.left")
    assert lit is not None
    assert lit[1].max() < 0.2 * level["board"]  # not one line of before
