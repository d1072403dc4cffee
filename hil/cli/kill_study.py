"""Runs killed at random moments, and what is left of them held against what a witness at the port saw.

Each run is the command line in a process of its own, on a virtual robot behind a `PortTee`, with a person at a
terminal who takes a while for everything. It is killed (SIGKILL) so long after its trace has appeared as a seeded
generator says. Then three things must hold: the trace opens; everything that had crossed the port, or had been typed,
a quarter of a second before the kill is in it, byte for byte; and the run can be judged again.
"""

from __future__ import annotations

import json
import os
import random
import signal
import statistics
import subprocess
import sys
import tempfile
import threading
import time
import tty
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

from hil.catalogue import Catalogue
from hil.cli.port_tee import Crossed, PortTee
from hil.engine.calibrating import jig_calibrations
from hil.engine.virtual import VirtualProcess, VirtualRobotOrder
from hil.errors import BenchError, HilError
from hil.measure.trace import AnswerGiven, Chunk, Direction, Mark, MarkKind
from hil.spec.kinds import Kind
from hil.spec.loading import load_course, load_robot
from hil.store.calibrations import write_calibrations
from hil.store.trace import TraceReader
from hil.timing import SystemClock

ALLOWED_S = 0.25
_COURSE = "corridor-six"
_SUITE = "straight-line/tracked-legs"
_BETWEEN = "a reading, or between steps"
_APPEARS_S = 60.0  # how long the trace of a run is waited for
_LONGEST_RUN_S = 60.0
_LOOK_S = 0.002
_PERSON_TAKES_S = 0.5  # at most, for one thing


@dataclass(frozen=True, slots=True, kw_only=True)
class Way:
    """A kind of run: its robot file, its route ("": the robot's own), and within how long it is killed."""

    name: str
    robot: str
    route: str
    within_s: float


WAYS = (
    Way(name="telemetry", robot="virtual", route="telemetry", within_s=4.0),
    Way(name="a person's readings", robot="virtual", route="operator", within_s=6.0),
    Way(name="prints unasked", robot="virtual-prints", route="operator", within_s=6.0),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Kill:
    """What was left of a killed run. Ages [ms] are of the oldest thing that is missing, 0 where nothing is.

    `during` is what the trace's last step was. `trouble` is "" where everything holds.
    """

    number: int
    way: str
    after_s: float
    during: str
    in_bytes: int
    in_age_ms: float
    out_age_ms: float
    typed_age_ms: float
    outcome: str
    trouble: str

    @property
    def age_ms(self) -> float:
        """The age of the oldest thing that is missing."""
        return max(self.in_age_ms, self.out_age_ms, self.typed_age_ms)


def make_kills(count: int, seed: int, jobs: int, ways: Sequence[Way] = WAYS) -> Iterator[Kill]:
    """Kill `count` runs, `jobs` at a time; yield what was left of each in their order."""
    with ThreadPoolExecutor(max_workers=jobs) as pool:
        yield from pool.map(lambda number: _kill(number, ways[number % len(ways)], seed), range(count))


class _Person:
    """A person at a terminal, who answers every prompt after a while; `typed` has when each number was given."""

    def __init__(self, chance: random.Random) -> None:
        self._chance = chance
        self._near, self.terminal = os.openpty()
        tty.setraw(self.terminal)
        self.typed_ns: list[int] = []
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._serve, name="person", daemon=True)
        self._thread.start()

    def _serve(self) -> None:
        shown = ""
        while not self._over.is_set():
            try:
                shown = (shown + os.read(self._near, 4096).decode(errors="replace"))[-400:]
            except OSError:
                return
            if not shown.rstrip(" ").endswith((":", "done.")):
                continue
            self._over.wait(self._chance.uniform(0.0, _PERSON_TAKES_S))
            is_number = "Enter" not in shown and "yes" not in shown
            os.write(self._near, b"yes\n" if "yes" in shown else b"0\n" if is_number else b"\n")
            if is_number:
                self.typed_ns.append(time.monotonic_ns())
            shown = ""

    def close(self) -> None:
        self._over.set()
        os.close(self.terminal)
        self._thread.join(5)
        os.close(self._near)


def _kill(number: int, way: Way, seed: int) -> Kill:
    chance = random.Random(f"{seed}/{number}")
    after_s = chance.uniform(0.0, way.within_s)
    with ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="hil-kills-")))
        process = stack.enter_context(_robot(way, seed + number, folder))
        tee = stack.enter_context(PortTee(process.port))
        person = _Person(chance)
        stack.callback(person.close)
        killed_ns = _run_and_kill(way, tee.path, person.terminal, folder, after_s)
        [run] = (folder / "runs").iterdir()
        try:
            left = _Left(run / "trace.sqlite")
        except HilError as error:
            left, trouble = None, f"the trace does not open: {error}"
        else:
            trouble = ""
        if left is None:
            return _told(number, way, after_s, trouble)
        came, in_age_ms = oldest_missing(tee.to_host, left.came, left.opened_ns, killed_ns)
        went, out_age_ms = oldest_missing(tee.from_host, left.went, 0, killed_ns)
        typed = person.typed_ns[left.answers :]
        typed_age_ms = max((0.0, *((killed_ns - t_ns) / 1e6 for t_ns in typed)))
        outcome, replayed = _replayed(run)
        oldest_ms = max(in_age_ms, out_age_ms, typed_age_ms)
        late = f"something {oldest_ms:.0f} ms old is missing" if oldest_ms > ALLOWED_S * 1e3 else ""
        return Kill(
            number=number,
            way=way.name,
            after_s=after_s,
            during=left.during,
            in_bytes=len(left.came),
            in_age_ms=in_age_ms,
            out_age_ms=out_age_ms,
            typed_age_ms=typed_age_ms,
            outcome=outcome,
            trouble="; ".join(word for word in (came, went, late, replayed) if word),
        )


def _told(number: int, way: Way, after_s: float, trouble: str) -> Kill:
    return Kill(
        number=number,
        way=way.name,
        after_s=after_s,
        during="",
        in_bytes=0,
        in_age_ms=0.0,
        out_age_ms=0.0,
        typed_age_ms=0.0,
        outcome="",
        trouble=trouble,
    )


def _robot(way: Way, seed: int, folder: Path) -> VirtualProcess:
    catalogue = Catalogue(folder)
    robot_file, course_file = catalogue.find(Kind.ROBOT, way.robot), catalogue.find(Kind.COURSE, _COURSE)
    loaded, course = load_robot(robot_file), load_course(course_file)
    program = loaded.program_for("driving") or next(iter(loaded.programs.values()))
    order = VirtualRobotOrder(
        robot_file=robot_file,
        protocol_file=catalogue.find(Kind.PROTOCOL, program.protocol, beside=robot_file),
        course_file=course_file,
        seed=seed,
    )
    process = VirtualProcess(order, SystemClock())
    start = [course.start.x, course.start.y, int(course.start.heading)]
    process.ask({"do": "place", "course_file": str(course_file), "pose": start})
    calibrations = jig_calibrations(process.hello["jig"], course.surface, loaded.robot)
    write_calibrations(folder / "calibration.json", calibrations)
    return process


def _run_and_kill(way: Way, port: str, terminal: int, folder: Path, after_s: float) -> int:
    """Start a run and kill it so long after its trace has appeared; return when [ns]."""
    words = ["run", _SUITE, "--robot", way.robot, "--port", port, "--runs", str(folder / "runs"), "--route", way.route]
    words += ["--calibration", str(folder / "calibration.json")]
    # Our own interpreter and module; nothing of a user's file is executed.
    run = subprocess.Popen(  # noqa: S603
        [sys.executable, "-P", "-m", "hil.cli.main", *words], stdin=terminal, stdout=terminal, stderr=terminal
    )
    try:
        end_ns = time.monotonic_ns() + int(_APPEARS_S * 1e9)
        while not any((folder / "runs").glob("*/trace.sqlite")):
            if run.poll() is not None or time.monotonic_ns() > end_ns:
                raise BenchError("a run to be killed did not begin", where=way.name, todo=f"Try: hil {' '.join(words)}")
            time.sleep(_LOOK_S)
        try:
            run.wait(after_s)
        except subprocess.TimeoutExpired:
            run.send_signal(signal.SIGKILL)
        killed_ns = time.monotonic_ns()
    finally:
        run.kill()
        run.wait(_LONGEST_RUN_S)
    return killed_ns


class _Left:
    """What the trace of a killed run holds."""

    def __init__(self, trace: Path) -> None:
        came, went = bytearray(), bytearray()
        self.answers = 0
        self.opened_ns = 0
        self.during = "before the first step"
        with TraceReader(trace) as reader:
            for record in reader:
                if isinstance(record, Chunk):
                    (came if record.direction is Direction.IN else went).extend(record.data)
                elif isinstance(record, AnswerGiven):
                    self.answers += 1
                    self.during = _BETWEEN
                else:
                    self._mark(record)
            if reader.is_complete:
                self.during = "after its end"
        self.came, self.went = bytes(came), bytes(went)

    def _mark(self, mark: Mark) -> None:
        if mark.step == "port" and not self.opened_ns:
            self.opened_ns = mark.t_ns
        if mark.kind is MarkKind.BEGIN:
            self.during = f"a {mark.step}"
        elif mark.kind is MarkKind.END:
            self.during = _BETWEEN
        elif mark.step == "look":
            self.during = "a judgement"


def oldest_missing(crossed: Crossed, kept: bytes, opened_ns: int, killed_ns: int) -> tuple[str, float]:
    """Hold what a trace kept against what crossed; return what is wrong, and the age of the oldest missing byte [ms].

    Opening a port drops what had come before, so the first kept byte need not be the first that crossed; from there on
    nothing may lack.
    """
    before = crossed.place_at(killed_ns)
    data = crossed.data
    if kept:
        begin = data.find(kept)
        if begin < 0:
            return "what the trace holds did not cross the port like that", 0.0
    else:
        begin = crossed.place_at(opened_ns) if opened_ns else before
    place = begin + len(kept)
    if place >= before:
        return "", 0.0
    t_ns = crossed.time_of(place)
    return "", 0.0 if t_ns is None else max(0.0, (killed_ns - t_ns) / 1e6)


def _replayed(run: Path) -> tuple[str, str]:
    """Judge a run again by the command line; return the outcome, and what is wrong."""
    words = [sys.executable, "-P", "-m", "hil.cli.main", "replay", str(run), "--json"]
    done = subprocess.run(words, capture_output=True, text=True, timeout=_LONGEST_RUN_S, check=False)  # noqa: S603
    try:
        return str(json.loads(done.stdout)["outcome"]), ""
    except ValueError:
        return "", f"it cannot be judged again ({done.stderr.strip()[-200:]})"


def table_of(kills: Sequence[Kill]) -> list[list[str]]:
    """Return a row for every way and what was going on: how many kills, bytes kept, ages missing, outcomes."""
    rows = []
    for way, during in sorted({(kill.way, kill.during) for kill in kills}):
        group = [kill for kill in kills if (kill.way, kill.during) == (way, during)]
        outcomes = [kill.outcome or "none" for kill in group]
        rows.append(
            [
                way,
                during or "no trace",
                str(len(group)),
                str(sum(kill.in_bytes for kill in group)),
                f"{statistics.median(kill.age_ms for kill in group):.0f}",
                f"{max(kill.age_ms for kill in group):.0f}",
                ", ".join(f"{outcomes.count(word)} {word}" for word in dict.fromkeys(outcomes)),
            ]
        )
    return rows
