"""Wheels that turn at a duty are brought to rest on every way out: Ctrl-C, a fault, a refusal, a port that goes."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from hil.measure.trace import Mark, MarkKind
from hil.store.trace import TraceReader
from hil.transports import Transport
from hil.wire.dialect import Dialect
from hil.wire.link import Link
from hil.wire.received import Commanded

from .conftest import Peer, Said, Scripted

_SLACK_S = 0.1  # of a machine that does other things too
SUITE = """\
suite: spins
title: Wheels, free
why: Wheels that turn must stand again, whatever happens.
course: corridor-six
cases:
  turning:
    title: Both wheels
    program: sensing
    setup:
      - stand: {}
    sequence:
      - spin: {left: 30 %, right: 30 %, for: 20 s, settle: 100 ms, as: turning}
    measure:
      voltage: {method: general.minimum, of: turning, channel: supply.battery}
    assert:
      - {measurement: voltage, tolerance: ">= 7 V", why: something was told}
"""


class Spinning(Scripted):
    """A robot whose wheels turn when it is told; `turning` is set while they do."""

    def __init__(self, dialect: Dialect, manner: str) -> None:
        super().__init__(dialect, manner)
        self.turning = threading.Event()
        self.stopped_s = 0.0
        self.seconds_per_round = 0.005  # as fast as the host's clock

    def _obey(self, far: Transport, link: Link, command: Commanded) -> None:
        super()._obey(far, link, command)
        if command.action == "spin":
            self.turning.set()
            if self._manner == "stops itself":
                far.write(link.event("fault", {"time": self._robot_s, "detail": "stalled"}))
            elif self._manner == "vanishes":
                far.close()
        elif command.action == "stop" and self.turning.is_set():
            self.stopped_s = self.stopped_s or time.monotonic()


@pytest.fixture
def words(tmp_path: Path, real_robot: Path) -> list[str]:
    (tmp_path / "spins.suite.yaml").write_text(SUITE)
    (tmp_path / "answers.yaml").write_text("answers: {}\n")
    return [
        "run", str(tmp_path / "spins.suite.yaml"), "--robot", str(real_robot), "--unattended",
        "--answers", str(tmp_path / "answers.yaml"), "--runs", str(tmp_path / "runs"), "--port",
    ]  # fmt: skip


def result_of(folder: Path) -> tuple[dict[str, Any], list[Mark]]:
    [run] = (folder / "runs").iterdir()
    with TraceReader(run / "trace.sqlite") as reader:
        marks = [record for record in reader if isinstance(record, Mark)]
    return dict(json.loads((run / "run.json").read_text())), marks


@pytest.mark.parametrize("sent", [signal.SIGINT, signal.SIGTERM])
def test_interrupt_in_a_spin_stops_the_motors_within_a_tenth_of_a_second(
    serving: Callable[[Peer], Peer], dialect: Dialect, words: list[str], tmp_path: Path, sent: signal.Signals
) -> None:
    robot = Spinning(dialect, "obeys")
    port = serving(robot).port
    command = [sys.executable, "-P", "-m", "hil.cli.main", *words, port]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        killer = threading.Timer(90, process.kill)
        killer.start()
        assert robot.turning.wait(60), (robot.heard, process.kill(), process.communicate())
        while "alive" not in robot.heard:  # a spin goes on for as long as the host is there
            time.sleep(0.01)
        process.send_signal(sent)
        sent_s = time.monotonic()
        _, said = process.communicate()
        killer.cancel()
    assert process.returncode == 130, said
    assert 0 <= robot.stopped_s - sent_s < 0.1 + _SLACK_S
    after = [action for action in robot.heard[robot.heard.index("spin") + 1 :] if action != "alive"]
    assert after[0] == "stop"  # before anything else is undone
    result, marks = result_of(tmp_path)
    assert (result["interrupted"], result["outcome"]) == (True, "skipped")
    kinds = [mark.kind for mark in marks if mark.step == "drive"]
    assert kinds in ([], [MarkKind.BEGIN, MarkKind.END])


@pytest.mark.parametrize(
    ("manner", "reason"),
    [("stops itself", "the wheels stopped by themselves (stalled)"), ("vanishes", "the port went away after")],
)
def test_a_spin_that_goes_wrong_is_an_error_of_its_case_and_the_robot_is_told_to_stop(
    serving: Callable[[Peer], Peer], dialect: Dialect, words: list[str], tmp_path: Path, hil: Callable[..., Said],
    manner: str, reason: str,
) -> None:  # fmt: skip
    robot = Spinning(dialect, manner)
    port = serving(robot).port
    assert hil(*words, port).status == 3
    result, _ = result_of(tmp_path)
    [case] = result["suites"][0]["cases"]
    assert case["outcome"] == "error"
    assert reason in case["reason"]
    if manner != "vanishes":
        assert robot.heard[-1] == "stop"


def test_a_spin_ends_with_duty_nought_and_what_came_before_is_measured(
    serving: Callable[[Peer], Peer], dialect: Dialect, words: list[str], tmp_path: Path, hil: Callable[..., Said]
) -> None:
    suite = Path(words[1])
    suite.write_text(SUITE.replace("for: 20 s", "for: 1 s"))

    asked: list[tuple[object, object]] = []

    class Resting(Spinning):
        def _obey(self, far: Transport, link: Link, command: Commanded) -> None:
            super()._obey(far, link, command)
            if command.action == "spin":
                asked.append((command.values["left"], command.values["right"]))
                if asked[-1] == (0.0, 0.0):
                    far.write(link.event("idle", {"time": self._robot_s}))

    robot = Resting(dialect, "obeys")
    assert hil(*words, serving(robot).port).status == 0
    assert asked == [(0.3, 0.3), (0.0, 0.0)]
    result, marks = result_of(tmp_path)
    assert result["outcome"] == "passed"
    [begun] = [mark for mark in marks if mark.step == "drive" and mark.kind is MarkKind.BEGIN]
    assert begun.fields["conditions"] == {"board_mm": 0.0, "duty.left": 0.3, "duty.right": 0.3}
