"""Whole runs in which a line breaks: another robot at its end, in a person's drive, at a load, and with the process."""

from __future__ import annotations

import json
import signal
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from hil.measure.trace import Chunk, Direction, Mark, MarkKind
from hil.store.trace import TraceReader
from hil.transports import Transport
from hil.wire.dialect import Dialect, Verdict
from hil.wire.link import Link
from hil.wire.received import Commanded

from .conftest import Peer, Said, Scripted, run_that_waits
from .test_ports_that_come_and_go import DRIVES
from .wanderers import PortLink, Wanderer

LEGS = """\
suite: breaks
title: Legs
why: a line may break in any of them
course: corridor-six
cases:
  legs:
    title: Straights
    program: driving
    setup:
      - place: {at: start}
    sequence:
      - drive: {path: "ahead 5 by both, about left, ahead 5 by both, about right", front: counts, as: legs, times: 2}
    measure:
      offset: {method: straight.lateral_offset, of: legs}
    assert:
      - {measurement: offset, tolerance: 0 ± 5 mm, why: as in straight-line}
"""
LOADS = LEGS.replace(
    '      - drive: {path: "ahead 5',
    """\
      - load: sense
      - place: {cell: [0, 1], heading: north}
      - pause: {for: 500 ms, as: look}
      - load: run
      - place: {at: start}
      - drive: {path: "ahead 5""",
).replace(
    "    assert:\n",
    """\
      left: {method: general.mean, of: look, channel: wall.left}
    assert:
      - {measurement: left, tolerance: 10..1000 count, why: neither near the noise nor at the converter's end}
""",
)


def marks_of(folder: Path) -> list[Mark]:
    with TraceReader(folder / "trace.sqlite") as reader:
        return [record for record in reader if isinstance(record, Mark)]


def assertions_of(result: dict[str, Any]) -> list[dict[str, Any]]:
    return [one for suite in result["suites"] for case in suite["cases"] for one in case["assertions"]]


class Impostor(Wanderer):
    """A robot whose cable is pulled in its first drive; at the port that comes back hangs another robot."""

    def _obey(self, far: Transport, link: Link, command: Commanded) -> None:
        if command.action == "identify" and command.tag is not None and not command.repeated:
            name = "maple V-0001 1" if len(self.ports) == 1 else "birch V-0002 1"
            far.write(link.reply(command.tag, Verdict.ACCEPTED, name))
        else:
            super()._obey(far, link, command)


def test_another_robot_at_a_port_that_came_back_ends_the_run_and_drives_nothing(
    hil: Callable[..., Said], serving: Callable[[Peer], Peer], dialect: Dialect, real_robot: Path, tmp_path: Path
) -> None:
    robot = Impostor(dialect, PortLink(tmp_path / "robot-port"))
    serving(robot)
    (tmp_path / "s.suite.yaml").write_text(DRIVES)
    (tmp_path / "answers.yaml").write_text("answers: {warmth: [295 K]}\n")
    said = hil(
        "run", tmp_path / "s.suite.yaml", "--robot", real_robot, "--port", tmp_path / "robot-port", "--unattended",
        "--answers", tmp_path / "answers.yaml", "--runs", tmp_path / "runs", "--json",
    )  # fmt: skip
    assert said.status == 3
    result = json.loads(said.out)
    (suite,) = result["suites"]
    assert {case["name"]: case["outcome"] for case in suite["cases"]} == {
        "broken": "error", "needing": "skipped", "other": "skipped",
    }  # fmt: skip
    (told,) = [note for note in result["notes"] if "could not go on" in note]
    assert "what answers is 'birch V-0002 1'; expected the robot of before, 'maple V-0001 1'" in told
    assert robot.heard.count("drive") == 1
    assert "stop" in robot.heard[robot.heard.index("drive") :]


@pytest.mark.whole
def test_a_program_that_a_step_asks_for_is_loaded_in_the_middle_of_a_case(
    hil: Callable[..., Said], tmp_path: Path
) -> None:
    (tmp_path / "loads.suite.yaml").write_text(LOADS)
    words = (tmp_path / "loads.suite.yaml", "--virtual", "--robot", "virtual-prints", "--json")
    said = hil("run", *words, "--runs", tmp_path / "runs")
    assert said.status == 0, said.err
    (folder,) = (tmp_path / "runs").iterdir()
    made = assertions_of(json.loads(said.out))
    assert {one["measurement"]: one["outcome"] for one in made} == {"left": "passed", "offset": "passed"}
    marks = marks_of(folder)
    loads = [mark for mark in marks if mark.step == "load" and mark.kind is MarkKind.BEGIN]
    assert [(mark.name, mark.fields["before"]) for mark in loads] == [("sense", "run"), ("run", "sense")]
    with TraceReader(folder / "trace.sqlite") as reader:
        assert {port.program for port in reader.ports} == {"run", "sense"}
    assert assertions_of(json.loads(hil("replay", folder, "--json").out)) == made


@pytest.mark.whole
def test_a_drive_that_a_person_started_goes_on_while_its_port_is_away(hil: Callable[..., Said], tmp_path: Path) -> None:
    (tmp_path / "breaks.suite.yaml").write_text(LEGS)
    # Sixteen seconds of driving in all, after some that the port was opened; it is away for a blink of the host's time.
    faults = ("--fault", "port-lost-at=4 s", "--fault", "port-returns=0.3 s")
    words = (tmp_path / "breaks.suite.yaml", "--virtual", "--robot", "virtual-prints", *faults, "--json")
    said = hil("run", *words, "--runs", tmp_path / "runs")
    (folder,) = (tmp_path / "runs").iterdir()
    result = json.loads(said.out)
    told = [str(mark.fields.get("what")) for mark in marks_of(folder) if mark.step == "port"]
    assert "lost" in told
    assert told.count("back") == told.count("lost")
    (case,) = result["suites"][0]["cases"]
    assert any(note.startswith("While 'legs' was driven the port was away for ") for note in case["notes"])
    assert case["outcome"] in ("passed", "undecided"), case  # what is left of the drive may be too little, never wrong
    assert any("went away and came back" in note for note in result["notes"])
    assert assertions_of(json.loads(hil("replay", folder, "--json").out)) == assertions_of(result)


def test_a_run_that_is_killed_while_a_person_is_waited_for_is_judged_as_far_as_it_went(
    hil: Callable[..., Said], serving: Callable[[Peer], Peer], dialect: Dialect, real_robot: Path, tmp_path: Path
) -> None:
    port = serving(Scripted(dialect, "obeys")).port
    with run_that_waits(real_robot, port, tmp_path / "runs") as process:
        process.kill()
        process.communicate()
    assert process.returncode == -signal.SIGKILL
    (folder,) = (tmp_path / "runs").iterdir()
    assert not (folder / "run.json").exists()
    with TraceReader(folder / "trace.sqlite") as reader:
        assert not reader.is_complete
        records = list(reader)
    assert any(isinstance(one, Chunk) and one.direction is Direction.OUT for one in records)
    begun = [one.step for one in records if isinstance(one, Mark) and one.kind is MarkKind.BEGIN]
    assert begun[-1] == "drive"  # for which the person was asked
    said = hil("replay", folder, "--json")
    result = json.loads(said.out)
    assert (said.status, result["outcome"]) == (4, "skipped")
    (case,) = result["suites"][0]["cases"]
    assert case["reason"].startswith("The recording ends in this case: the run was cut off")
    assert hil("export", folder, "--out", tmp_path / "tables").status == 0
