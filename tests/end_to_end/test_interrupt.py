"""Ctrl-C in the middle of a drive: the robot is stopped, what was recorded is kept, the status says interrupted."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from hil.measure.trace import Chunk
from hil.store.trace import TraceReader
from hil.transports import Transport
from hil.wire.dialect import Dialect
from hil.wire.link import Link
from hil.wire.received import Commanded

from .conftest import Peer, Scripted, run_that_waits

_SLACK_S = 0.1  # of a machine that does other things too


@pytest.mark.parametrize("sent", [signal.SIGINT, signal.SIGTERM])
def test_interrupt_stops_the_robot_and_keeps_the_trace(
    serving: Callable[[Peer], Peer], dialect: Dialect, real_robot: Path, tmp_path: Path, sent: signal.Signals
) -> None:
    robot = Scripted(dialect, "never ends")
    robot.seconds_per_round = 0.001  # in time for the signal, not for a time-out
    port = serving(robot).port
    (tmp_path / "answers.yaml").write_text("answers: {}\n")
    words = ["run", "straight-line/tracked-legs", "--robot", real_robot, "--port", port, "--unattended"]
    words += ["--answers", tmp_path / "answers.yaml", "--runs", tmp_path / "runs"]
    command = [sys.executable, "-P", "-m", "hil.cli.main", *map(str, words)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        killer = threading.Timer(90, process.kill)
        killer.start()
        if not robot.told_to_drive.wait(60):
            process.kill()
            pytest.fail(f"it never drove; heard {robot.heard}; {process.communicate()}")
        process.send_signal(sent)
        _, said = process.communicate()
        killer.cancel()
    assert process.returncode == 130
    assert "Traceback" not in said
    assert robot.heard_after_drive()[0] == "stop"  # before anything else is undone
    assert robot.heard[-1] == "stop"
    [folder] = (tmp_path / "runs").iterdir()
    result = json.loads((folder / "run.json").read_text())
    assert result["interrupted"] is True
    assert result["outcome"] == "skipped"  # nothing was shown, and that is not passed
    with TraceReader(folder / "trace.sqlite") as reader:
        assert reader.is_complete
        assert sum(isinstance(record, Chunk) for record in reader) > 5


class Stamping(Scripted):
    """A robot that notes when it was told to stop."""

    stopped_s = 0.0

    def _obey(self, far: Transport, link: Link, command: Commanded) -> None:
        if command.action == "stop":
            self.stopped_s = self.stopped_s or time.monotonic()
        super()._obey(far, link, command)


def test_interrupt_while_a_person_is_waited_for_stops_the_robot_within_a_tenth_of_a_second(
    serving: Callable[[Peer], Peer], dialect: Dialect, real_robot: Path, tmp_path: Path
) -> None:
    robot = Stamping(dialect, "obeys")
    port = serving(robot).port
    with run_that_waits(real_robot, port, tmp_path / "runs") as process:
        process.send_signal(signal.SIGINT)
        sent_s = time.monotonic()
        _, rest = process.communicate()
    assert process.returncode == 130, rest.decode()
    assert 0 <= robot.stopped_s - sent_s < 0.1 + _SLACK_S
    [folder] = (tmp_path / "runs").iterdir()
    assert json.loads((folder / "run.json").read_text())["interrupted"] is True
