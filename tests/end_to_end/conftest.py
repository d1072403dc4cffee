"""Peers for whole runs: a command line called in process, and robots of all manners on real pseudo-terminals."""

from __future__ import annotations

import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest

from hil.catalogue import Catalogue
from hil.cli.main import main
from hil.errors import PortLost
from hil.spec.kinds import Kind
from hil.spec.loading import load_protocol
from hil.timing import SystemClock
from hil.transports import Transport, open_pseudo_terminal
from hil.wire.dialect import Dialect, Verdict
from hil.wire.link import End, Link
from hil.wire.received import Commanded


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """What a command line came to."""

    status: int
    out: str
    err: str

    @property
    def sentence(self) -> str:
        """The last line on standard error: the one sentence of an error."""
        return self.err.strip().splitlines()[-1] if self.err.strip() else ""


@pytest.fixture
def hil(capsys: pytest.CaptureFixture[str]) -> Callable[..., Said]:
    """Call the command line as a user does and return what it said."""

    def call(*words: str | Path) -> Said:
        with pytest.raises(SystemExit) as left:
            main([str(word) for word in words])
        captured = capsys.readouterr()
        assert "Traceback" not in captured.err
        assert isinstance(left.value.code, int)
        return Said(status=left.value.code, out=captured.out, err=captured.err)

    return call


@pytest.fixture
def dialect() -> Dialect:
    return load_protocol(Catalogue().find(Kind.PROTOCOL, "tagged-lines"))


@pytest.fixture
def real_robot(tmp_path: Path) -> Path:
    """A robot file of a real robot: that of the virtual one, not called virtual."""
    text = Catalogue().find(Kind.ROBOT, "virtual").read_text()
    path = tmp_path / "maple.robot.yaml"
    path.write_text(text.replace("robot: virtual\n", "robot: maple\n").replace("virtual: yes\n", "virtual: no\n"))
    return path


class Peer:
    """A robot's end of a pseudo-terminal that a thread serves until the test is over."""

    def __init__(self) -> None:
        self._far, self.port = open_pseudo_terminal(SystemClock())
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._guarded, daemon=True)

    def start(self) -> None:
        self._thread.start()

    def _guarded(self) -> None:
        try:
            self.serve(self._far)
        except PortLost:
            return

    def serve(self, far: Transport) -> None:
        """Do nothing, as a robot that is switched off."""
        self._over.wait()

    @property
    def is_over(self) -> bool:
        return self._over.is_set()

    def close(self) -> None:
        self._over.set()
        self._far.close()
        if self._thread.is_alive():
            self._thread.join(5)


class Babbler(Peer):
    """A robot that sends the same bytes over and over, with a breath in between, whatever it is asked."""

    def __init__(self, said: bytes) -> None:
        super().__init__()
        self._said = said

    def serve(self, far: Transport) -> None:
        while not self._over.wait(0.002):
            far.write(self._said)


class Scripted(Peer):
    """A robot that answers as its protocol says and misbehaves in one way once it is told to drive.

    Its clock runs a hundred times as fast as the host's (`seconds_per_round`), so that waits on its time are short.
    """

    def __init__(self, dialect: Dialect, manner: str, battery_v: float = 7.8) -> None:
        super().__init__()
        self._dialect = dialect
        self._manner = manner
        self._battery_v = battery_v
        self.heard: list[str] = []
        self.told_to_drive = threading.Event()
        self.seconds_per_round = 0.5
        self._robot_s = 0.0
        self._driving = False

    def heard_after_drive(self) -> list[str]:
        """What came after the drive, signs of life left out."""
        after = self.heard[len(self.heard) - self.heard[::-1].index("drive") :]
        return [action for action in after if action != "alive"]

    def serve(self, far: Transport) -> None:
        link = Link(self._dialect, End.ROBOT)
        while not self.is_over:
            stamped = far.read(0.005)
            for item in link.receive(stamped.data) if stamped else []:
                if isinstance(item, Commanded):
                    self.heard.append(item.action)
                    self._obey(far, link, item)
            self._robot_s += self.seconds_per_round
            # Not before it is asked: a port that nobody reads yet takes a few kilobytes and then no more.
            if "stream" in self.heard and not (self._driving and self._manner == "falls silent"):
                far.write(self._report(link))

    def _obey(self, far: Transport, link: Link, command: Commanded) -> None:
        if command.tag is None:
            return
        if command.repeated:
            far.write(command.again)
        elif command.action == "drive" and self._manner == "refuses":
            far.write(link.reply(command.tag, Verdict.REFUSED, "bad-path"))
        else:
            far.write(link.reply(command.tag, Verdict.ACCEPTED, "ok"))
            if command.action == "drive" and self._manner == "stays":
                far.write(link.event("idle", {"time": self._robot_s}))
        if command.action == "stop":
            self._driving = False
        elif command.action == "drive" and self._manner != "refuses":
            self._driving = True
            self.told_to_drive.set()
            far.write(link.event("move.begin", {"time": self._robot_s, "detail": "0"}))
            if self._manner == "vanishes":
                far.close()
            elif self._manner == "stops itself":
                far.write(link.event("fault", {"time": self._robot_s, "detail": "stalled"}))

    def _report(self, link: Link) -> bytes:
        counts = {"encoder.left": 0, "encoder.right": 0, "wall.left": 600, "wall.right": 600, "wall.front": 60}
        dark = {"wall.left.dark": 50, "wall.right.dark": 50, "wall.front.dark": 50}
        health = {"supply.battery": self._battery_v, "duty.left": 0, "duty.right": 0, "loop.period": 0.001, **dark}
        return link.telemetry("motion", {"time": self._robot_s, **counts}) + link.telemetry(
            "health", {"time": self._robot_s, **health}
        )


@pytest.fixture
def serving() -> Iterator[Callable[[Peer], Peer]]:
    """Serve peers for the length of a test."""
    served: list[Peer] = []

    def serve(peer: Peer) -> Peer:
        served.append(peer)
        peer.start()
        return peer

    yield serve
    for peer in served:
        peer.close()


@contextmanager
def run_that_waits(robot_file: Path, port: str, runs: Path) -> Iterator[subprocess.Popen[bytes]]:
    """Start a run by hand whose robot is started by its button, and yield it once a person is waited for there."""
    robot_file.write_text(robot_file.read_text().replace("drives_by: command", "drives_by: operator"))
    words = ["run", "front-wall-reset/no-wall", "--robot", robot_file, "--port", port, "--route", "operator"]
    command = [sys.executable, "-P", "-m", "hil.cli.main", *map(str, words), "--runs", str(runs)]
    pipe = subprocess.PIPE
    with subprocess.Popen(command, stdin=pipe, stdout=pipe, stderr=pipe, bufsize=0) as process:
        assert process.stdin is not None
        assert process.stderr is not None
        killer = threading.Timer(90, process.kill)
        killer.start()
        process.stdin.write(b"yes\n")
        said = b""
        while b"with its button" not in said:
            byte = process.stderr.read(1)
            assert byte, f"it ended: {said.decode()}"
            said += byte
            if said.endswith(b"is done. "):
                process.stdin.write(b"\n")
        yield process
        killer.cancel()
