"""Ports that go away in a run and come back under other names: nothing is lost, every gap is told, the run goes on."""

from __future__ import annotations

import itertools
import json
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from hil.measure.trace import Chunk, Direction, Mark
from hil.store.trace import TraceReader
from hil.wire.dialect import Dialect

from .conftest import Peer, Said
from .test_operator_route import PRINTER
from .wanderers import PortLink, Wanderer, WanderingPrinter

SUITE = """\
suite: waits
title: A robot that prints
why: its port comes and goes
course: corridor-six
cases:
  waits:
    title: Waits for a line
    sequence:
      - wait: {until: state >= 99999, timeout: 60 s}
      - ask: {question: How warm is it?, as: warmth, unit: K}
    operator_sequence:
      - wait: {until: state >= 99999, timeout: 60 s}
      - ask: {question: How warm is it?, as: warmth, unit: K}
    measure:
      warm: {method: general.last, of: [warmth], answer: warmth, operator_method: general.last}
    assert:
      - {measurement: warm, tolerance: 290..300 K, why: mild}
"""
DRIVES = """\
suite: drives
title: A robot that drives
why: its port goes away in the middle
course: corridor-six
cases:
  broken:
    title: A drive in which the port goes
    setup:
      - place: {at: start}
    sequence:
      - drive: {path: ahead 2, front: counts, as: there}
    measure:
      heading: {method: straight.start_heading, of: there}
    assert:
      - {measurement: heading, tolerance: 0 ± 2 deg, why: small}
  needing:
    title: What needs that
    needs: broken
    setup:
      - place: {at: start}
    sequence:
      - ask: {question: How warm is it?, as: warmth, unit: K}
    measure:
      warm: {method: general.last, answer: warmth}
    assert:
      - {measurement: warm, tolerance: 290..300 K, why: mild}
  other:
    title: What does not need it
    setup:
      - place: {at: start}
    sequence:
      - ask: {question: How warm is it?, as: warmth, unit: K}
    measure:
      warm: {method: general.last, answer: warmth}
    assert:
      - {measurement: warm, tolerance: 290..300 K, why: mild}
"""


@pytest.fixture
def link(tmp_path: Path) -> PortLink:
    return PortLink(tmp_path / "robot-port")


@pytest.fixture
def run(hil: Callable[..., Said], tmp_path: Path, link: PortLink) -> Callable[..., tuple[Said, Path]]:
    def call(robot: Path, suite: str, *words: str) -> tuple[Said, Path]:
        (tmp_path / "s.suite.yaml").write_text(suite)
        (tmp_path / "answers.yaml").write_text("answers: {warmth: [295 K]}\n")
        said = hil(
            "run", tmp_path / "s.suite.yaml", "--robot", robot, "--port", link.path, "--unattended",
            "--answers", tmp_path / "answers.yaml", "--runs", tmp_path / "runs", *words,
        )  # fmt: skip
        folders = list((tmp_path / "runs").glob("*"))
        assert len(folders) == 1, said.out + said.err
        return said, folders[0]

    return call


@pytest.fixture
def printing_robot(real_robot: Path) -> Path:
    text = real_robot.read_text()
    for old, new in (
        ("protocol: tagged-lines", "protocol: printer"),
        ("drives_by: command", "drives_by: operator"),
        ("stop: {by: command, dead_man: 500 ms}", "stop: {by: operator}"),
    ):
        assert old in text
        text = text.replace(old, new)
    (real_robot.parent / "printer.protocol.yaml").write_text(PRINTER)
    real_robot.write_text(text)
    return real_robot


def port_marks(folder: Path) -> Iterator[Mark]:
    with TraceReader(folder / "trace.sqlite") as reader:
        for record in reader:
            if isinstance(record, Mark) and record.step == "port":
                yield record


def test_port_that_goes_and_comes_fifty_times_loses_nothing(
    run: Callable[..., tuple[Said, Path]],
    printing_robot: Path,
    serving: Callable[[Peer], Peer],
    link: PortLink,
) -> None:
    robot = WanderingPrinter(link, moves=50)
    serving(robot)
    said, folder = run(printing_robot, SUITE)
    assert said.status == 0, said.out + said.err
    ports = list(robot.sent)
    assert len(ports) == 51
    with TraceReader(folder / "trace.sqlite") as reader:
        assert [port.name for port in reader.ports] == ports
        assert {port.program for port in reader.ports} == {"main"}
        came = dict.fromkeys(ports, b"")
        for record in reader:
            if isinstance(record, Chunk) and record.direction == Direction.IN:
                came[record.port] += record.data
    # What waited in a port before it was opened is thrown away by opening it; from there on all is kept.
    assert {port: came[port] for port in ports if not (came[port] and robot.sent[port].endswith(came[port]))} == {}
    marks = list(port_marks(folder))
    assert [mark.fields["what"] for mark in marks] == ["opened", *["lost", "back"] * 50]
    assert [mark.name for mark in marks] == [ports[0], *(port for move in itertools.pairwise(ports) for port in move)]
    gaps = [float(str(mark.fields["gap_s"])) for mark in marks if mark.fields["what"] == "back"]
    assert all(0 <= gap_s < 2 for gap_s in gaps)
    result = json.loads((folder / "run.json").read_text())
    assert any("went away and came back 50 times" in note for note in result["notes"])
    assert sum(line["good"] for line in result["lines"]) >= 51 * 10


def test_port_that_goes_in_a_drive_ends_the_case_and_not_the_run(
    run: Callable[..., tuple[Said, Path]],
    real_robot: Path,
    serving: Callable[[Peer], Peer],
    dialect: Dialect,
    link: PortLink,
) -> None:
    robot = Wanderer(dialect, link)
    serving(robot)
    said, folder = run(real_robot, DRIVES)
    assert said.status == 3
    [suite] = json.loads((folder / "run.json").read_text())["suites"]
    cases = {case["name"]: case for case in suite["cases"]}
    assert {name: case["outcome"] for name, case in cases.items()} == {
        "broken": "error", "needing": "skipped", "other": "passed",
    }  # fmt: skip
    assert "the port went away" in cases["broken"]["reason"]
    assert "needs the case 'broken'" in cases["needing"]["reason"]
    after = robot.heard[robot.heard.index("drive") + 1 :]
    assert after[0] == "stop"  # before it is asked anything else
    assert "stream" in after
    assert [mark.fields["what"] for mark in port_marks(folder)] == ["opened", "lost", "back"]
    assert robot.heard.count("drive") == 1
