"""Everything that can be wrong with a bench ends in one sentence, a robot stopped, a trace kept, the right status."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from hil.measure.trace import Mark
from hil.store.trace import TraceReader
from hil.wire.dialect import Dialect

from .conftest import Babbler, Peer, Said, Scripted

Call = Callable[..., Said]
Serve = Callable[[Peer], Peer]


@pytest.fixture
def run(hil: Call, real_robot: Path, tmp_path: Path) -> Call:
    """Run one suite on the real robot's file, unattended."""

    def call(port: str, *more: str, suite: str = "straight-line/tracked-legs") -> Said:
        answers = tmp_path / "answers.yaml"
        answers.write_text("answers: {}\n")
        words = ("run", suite, "--robot", real_robot, "--port", port, "--unattended", "--answers", answers)
        return hil(*words, "--runs", tmp_path / "runs", *more)

    return call


def trace_of(tmp_path: Path) -> list[object]:
    [folder] = (tmp_path / "runs").iterdir()
    assert {file.name for file in folder.iterdir()} >= {"run.json", "report.md", "junit.xml", "trace.sqlite", "files"}
    with TraceReader(folder / "trace.sqlite") as reader:
        assert reader.is_complete
        return list(reader)


def test_missing_port_names_it_and_says_what_to_do(run: Call) -> None:
    said = run("/dev/no-such-port")
    assert said.status == 3
    assert "/dev/no-such-port" in said.sentence
    assert "no such" in said.sentence.lower() or "does not exist" in said.sentence.lower()


def test_silent_port_is_told_from_a_wrong_protocol(run: Call, serving: Serve, tmp_path: Path) -> None:
    said = run(serving(Peer()).port)
    assert said.status == 3
    assert "nothing came" in said.out
    assert "115200 baud" in said.out
    assert trace_of(tmp_path)


def test_port_that_speaks_another_language_is_told(run: Call, serving: Serve, tmp_path: Path) -> None:
    said = run(serving(Babbler(b"L 412 R 399 F 12\r\n")).port)
    assert said.status == 3
    assert "none of their lines is one of tagged-lines" in said.out
    assert "another protocol" in said.out
    assert trace_of(tmp_path)


def test_noise_of_a_wrong_baud_rate_is_told_as_such(run: Call, serving: Serve) -> None:
    said = run(serving(Babbler(bytes([0xF8, 0x00, 0xE6, 0x80, 0xFE, 0x1C, 0x00, 0xF0] * 8))).port)
    assert said.status == 3
    assert "wrong baud rate" in said.out


def test_endless_line_ends_and_is_kept(run: Call, serving: Serve, tmp_path: Path) -> None:
    said = run(serving(Babbler(b"x" * 512)).port)
    assert said.status == 3
    assert "none of their lines" in said.out
    assert trace_of(tmp_path)


@pytest.mark.parametrize(
    ("manner", "words"),
    [
        ("vanishes", "the port went away"),
        ("never ends", "had not ended after"),
        ("falls silent", "nothing came for 2 s"),
        ("stops itself", "stopped by itself in the middle of a drive (stalled)"),
        ("refuses", "the robot refused 'drive': bad-path"),
        ("stays", "its wheels had turned 0 mm"),
    ],
)
def test_robot_that_misbehaves_in_a_drive_is_stopped_and_recorded(
    run: Call, serving: Serve, dialect: Dialect, tmp_path: Path, manner: str, words: str
) -> None:
    robot = Scripted(dialect, manner)
    said = run(serving(robot).port)
    assert said.status == 3
    assert words in " ".join(said.out.split())
    if manner != "vanishes":  # to a port that is gone nothing can be said
        assert robot.heard_after_drive()[0] == "stop"  # before anything else is undone
        assert robot.heard[-1] == "stop"
    records = trace_of(tmp_path)
    assert any(isinstance(record, Mark) and record.step == "stop" for record in records)
    assert any(isinstance(record, Mark) and record.step == "drive" for record in records)


def test_low_battery_refuses_before_anything_moves(run: Call, serving: Serve, dialect: Dialect) -> None:
    robot = Scripted(dialect, "obeys", battery_v=6.1)
    said = run(serving(robot).port)
    assert said.status == 3
    assert "the battery is at 6.10 V" in said.out
    assert "drive" not in robot.heard
    assert robot.heard[-1] == "stop"


def test_real_robot_is_never_reported_as_the_virtual_one(
    hil: Call, serving: Serve, dialect: Dialect, tmp_path: Path
) -> None:
    robot = Scripted(dialect, "obeys")
    words = ("run", "straight-line/tracked-legs", "--robot", "virtual", "--port", serving(robot).port, "--unattended")
    said = hil(*words, "--runs", tmp_path / "runs")
    assert said.status == 3
    assert "says that the robot is virtual, and what answered is 'ok'" in said.sentence
    assert "drive" not in robot.heard
