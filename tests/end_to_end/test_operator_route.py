"""The operator's route: a person's readings alone carry the suites, and robots that say nothing can be tested."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest

from hil.catalogue import Catalogue
from hil.measure.trace import AnswerGiven, Chunk, Direction
from hil.spec.kinds import Kind
from hil.store.trace import TraceReader

from .conftest import Babbler, Peer, Said

Run = Callable[..., tuple[Said, dict[str, Any], Path]]


@pytest.fixture
def by_person(hil: Callable[..., Said], tmp_path: Path) -> Run:
    """Run by the operator's route; return what was said, the result and the run's folder."""

    def run(*words: str | Path) -> tuple[Said, dict[str, Any], Path]:
        runs = tmp_path / "runs"
        before = set(runs.iterdir()) if runs.exists() else set()
        said = hil("run", *words, "--route", "operator", "--json", "--runs", runs)
        [folder] = set(runs.iterdir()) - before
        return said, json.loads(said.out), folder

    return run


def assertions_of(result: dict[str, Any]) -> dict[str, dict[str, Any]]:
    return {a["measurement"]: a for suite in result["suites"] for case in suite["cases"] for a in case["assertions"]}


def records_of(folder: Path, kind: type[Any]) -> list[Any]:
    with TraceReader(folder / "trace.sqlite") as reader:
        return [record for record in reader if isinstance(record, kind)]


def heard_in(folder: Path) -> list[bytes]:
    chunks = records_of(folder, Chunk)
    return b"".join(chunk.data for chunk in chunks if chunk.direction == Direction.IN).splitlines()


@pytest.mark.whole
def test_nominal_robot_passes_the_three_suites_by_a_persons_readings(by_person: Run) -> None:
    said, result, folder = by_person("--virtual", "--seed", "1")
    found = assertions_of(result)
    assert {name: a["outcome"] for name, a in found.items() if a["outcome"] != "passed"} == {}
    assert said.status == 0
    assert len(found) == 24
    assert {a["source"] for a in found.values()} == {"virtual person"}
    # Not one number came from the robot: it was never asked for telemetry, and sent none.
    assert not any(line.startswith((b"m ", b"h ")) for line in heard_in(folder))
    assert "Not measured by this route: width_residual, settle_distance." in said.err
    assert "Not measured by this route: width_residual, settle_distance." in (folder / "report.md").read_text()


@pytest.mark.whole
def test_wheel_that_is_larger_is_caught_by_hand_and_the_same_answers_catch_it_again(by_person: Run) -> None:
    said, result, folder = by_person("--virtual", "straight-line/blind-legs", "--fault", "wheel-mismatch=1 %")
    found = assertions_of(result)
    assert said.status == 1
    assert found["wheel_mismatch"]["outcome"] == "failed"
    assert found["wheel_mismatch"]["value"] == pytest.approx(1.0, abs=0.25)  # kappa = eps/b, closed form
    # Another robot, and the same answers: the numbers are the answers'.
    said, result, _ = by_person(
        "--virtual", "straight-line/blind-legs", "--seed", "2", "--answers", folder / "answers.yaml"
    )
    again = assertions_of(result)
    assert said.status == 1
    assert {name: (a["value"], a["u"]) for name, a in again.items()} == {
        name: (a["value"], a["u"]) for name, a in found.items()
    }
    assert {a["source"] for a in again.values()} == {"answers file"}


def test_a_robot_that_would_reach_the_wall_is_not_driven_on(by_person: Run) -> None:
    # 4 % curve by 4/70 per metre: 9 mm over the first blind cell and 37 mm over two, with 44 mm to the wall.
    said, result, folder = by_person("--virtual", "straight-line/blind-legs", "--fault", "wheel-mismatch=4 %")
    [case] = [case for suite in result["suites"] for case in suite["cases"]]
    left_out = [note for note in case["notes"] if "was left out" in note]
    assert len(left_out) == 5  # once a repeat, each of which begins with the robot placed anew
    assert all("out was left out in repeat" in note and "10 mm are kept free" in note for note in left_out)
    assert said.status == 1
    assert assertions_of(result)["wheel_mismatch"]["outcome"] == "failed"
    assert len(records_of(folder, AnswerGiven)) == 5 * 4  # offset and angle before and after the first cell


@pytest.mark.parametrize(
    ("fault", "suite", "measurement"),
    [
        pytest.param("wheel-base=4 %", "straight-line/tracked-legs", "half_turn_error", marks=pytest.mark.whole),
        ("front-reset=off", "front-wall-reset/boards", "reset_slope"),
    ],
)
def test_wrong_robot_is_failed_for_the_right_reason(by_person: Run, fault: str, suite: str, measurement: str) -> None:
    said, result, _ = by_person("--virtual", suite, "--fault", fault)
    assert said.status == 1
    assert assertions_of(result)[measurement]["outcome"] == "failed"


def test_answers_that_end_before_the_case_does_are_the_benchs_trouble(by_person: Run, tmp_path: Path) -> None:
    (tmp_path / "few.yaml").write_text("answers: {}\n")
    said, result, _ = by_person("--virtual", "front-wall-reset/boards", "--answers", tmp_path / "few.yaml")
    assert said.status == 3
    assert "no answer is left for 'along'" in result["reason"]


def test_answers_that_are_too_few_are_told_before_anything_moves(hil: Callable[..., Said], tmp_path: Path) -> None:
    (tmp_path / "few.yaml").write_text("answers: {along: [0, -5]}\n")
    words = ("front-wall-reset/boards", "--virtual", "--route", "operator", "--answers", tmp_path / "few.yaml")
    said = hil("run", *words, "--runs", tmp_path / "runs")
    assert said.status == 2
    assert "'along' has 2 answers and is asked for 40 times at least" in said.err
    assert not (tmp_path / "runs").exists()


PRINTER = """\
protocol: printer
title: A robot that prints where it is and hears nothing
port:
  {baud: 115200, data_bits: 8, parity: none, stop_bits: 1, write_timeout: 1 s, settle: 0 ms,
   on_open: {dtr: on, rts: on}}
framing: {kind: lines, ending: lf, max_length: 80}
messages:
  state: {role: telemetry, every: 100 ms, template: "state {state}", fields: {state: {type: unsigned}}}
"""


@pytest.fixture
def typed(monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[[str], None]]:
    """Type ahead, on a real pipe."""
    with ExitStack() as stack:

        def type_ahead(text: str) -> None:
            read, write = os.pipe()
            with os.fdopen(write, "w") as stream:
                stream.write(text)
            monkeypatch.setattr(sys, "stdin", stack.enter_context(os.fdopen(read)))

        yield type_ahead


@pytest.fixture
def pressed_robot(tmp_path: Path) -> Path:
    """A robot whose program knows no command: somebody presses its button, and stands at its switch."""
    text = Catalogue().find(Kind.ROBOT, "virtual").read_text()
    for old, new in (
        ("robot: virtual\n", "robot: maple\n"),
        ("virtual: yes\n", "virtual: no\n"),
        ("protocol: tagged-lines", "protocol: printer"),
        ("drives_by: command", "drives_by: operator"),
        ("stop: {by: command, dead_man: 500 ms}", "stop: {by: operator}"),
    ):
        assert old in text
        text = text.replace(old, new)
    (tmp_path / "printer.protocol.yaml").write_text(PRINTER)
    path = tmp_path / "maple.robot.yaml"
    path.write_text(text)
    return path


# What is confirmed before a stop, and the board's thickness.
STOPS = (("\n\n\n", 0), ("\n\n", 0), ("\n\n\n", 5), ("\n\n\n", 10))


@pytest.mark.parametrize(
    "peer",
    [pytest.param(Peer, marks=pytest.mark.whole), lambda: Babbler(b"state 3\n")],
    ids=["says nothing", "only prints"],
)
def test_a_robot_that_hears_nothing_is_driven_and_read_by_a_person(
    hil: Callable[..., Said],
    pressed_robot: Path,
    tmp_path: Path,
    serving: Callable[[Peer], Peer],
    typed: Callable[[str], None],
    peer: Callable[[], Peer],
) -> None:
    # For every stop: placed, board laid, robot started, each confirmed by Enter; then how far past the mark it stands.
    # The corner's other wall, which has no board, comes after the first.
    stops = "".join(f"{board}{0.5 - thickness} mm\n" for _ in range(10) for board, thickness in STOPS)
    typed(f"yes\n{stops}")
    port = serving(peer()).port
    said = hil("run", "front-wall-reset/boards", "--robot", pressed_robot, "--port", port, "--runs", tmp_path / "runs")
    assert said.status == 0, said.out + said.err
    assert said.err.count("Start the robot with its button and let it drive: ahead 3 by both.") == 40
    assert said.err.count("Lay the board of 5 mm flat") == 10
    assert "Charge with a charger made for this battery" in " ".join(said.err.split())  # the robot file says LiPo
    assert "somebody must stand at the switch" in " ".join(said.out.split())
    assert "virtual" not in said.out
    [folder] = (tmp_path / "runs").iterdir()
    result = json.loads((folder / "run.json").read_text())
    found = assertions_of(result)
    assert found["reset_slope"]["value"] == pytest.approx(1.0)
    assert found["stop_position"]["value"] == pytest.approx(0.5)
    assert {a["source"] for a in found.values()} == {"operator"}


def test_the_person_who_does_not_agree_keeps_the_robot_where_it_is(
    hil: Callable[..., Said],
    pressed_robot: Path,
    tmp_path: Path,
    serving: Callable[[Peer], Peer],
    typed: Callable[[str], None],
) -> None:
    typed("no\n")
    port = serving(Peer()).port
    said = hil("run", "front-wall-reset/boards", "--robot", pressed_robot, "--port", port, "--runs", tmp_path / "runs")
    assert said.status == 3
    assert "the cautions were not agreed to" in said.sentence
    assert not (tmp_path / "runs").exists()
