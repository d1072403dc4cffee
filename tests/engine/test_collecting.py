"""A robot's log taken over: whole, cut short, late, refused, or never; by a console on a real pseudo-terminal."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import pytest

from hil.catalogue import Catalogue
from hil.engine import collecting
from hil.engine.answers_operator import AnswersFileOperator
from hil.engine.bench import Bench
from hil.engine.collecting import Collected, collect
from hil.engine.greeting import Greeting
from hil.engine.line_setting import LineSetting, Reach
from hil.engine.recorder import Recorder
from hil.engine.robot_line import RobotLine
from hil.errors import MoveUnfinished, PortLost, RobotRefused, UsageError
from hil.measure.trace import Mark, MarkKind
from hil.results import Route
from hil.spec.kinds import Kind
from hil.spec.loading import load_protocol, load_robot
from hil.store.trace import TraceWriter
from hil.timing import SystemClock
from hil.transports import Transport, open_pseudo_terminal
from hil.wire.dialect import Dialect, Verdict
from hil.wire.link import End, Link
from hil.wire.received import Commanded

CLOCK = SystemClock()


class Keeper:
    """A console that is asked for its log and does, time after time, what `manners` says next."""

    def __init__(self, dialect: Dialect, *manners: str) -> None:
        self._far, self.port = open_pseudo_terminal(CLOCK)
        self._link = Link(dialect, End.ROBOT)
        self._manners = list(manners)
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._serve, args=(self._far,), daemon=True)
        self._thread.start()

    def _serve(self, far: Transport) -> None:
        try:
            while not self._over.is_set():
                stamped = far.read(0.02)
                for item in self._link.receive(stamped.data) if stamped else []:
                    far.write(self._link.said_unasked())
                    if isinstance(item, Commanded):
                        self._answer(far, item)
                far.write(self._link.said_unasked())
        except PortLost:
            return

    def _answer(self, far: Transport, item: Commanded) -> None:
        if item.action != "dump.log":
            far.write(self._link.reply(item.tag, Verdict.ACCEPTED, "maple", item.action))
            return
        manner = self._manners.pop(0)
        row = {"time": 0.5, "event": "idle", "detail": "0"}
        lines = self._link.block("log", [self._link.row("log", "kept_event", row)] * 3)
        if manner == "refuses":
            far.write(self._link.reply(item.tag, Verdict.REFUSED, "busy", item.action))
        elif manner in ("whole", "cut"):
            far.write(self._link.reply(item.tag, Verdict.ACCEPTED, "", item.action))
        if manner == "late":
            self._over.wait(0.5)  # longer than its answer is waited for
        if manner in ("whole", "late", "cut"):
            far.write(b"".join(lines[: 2 if manner == "cut" else None]))

    def close(self) -> None:
        self._over.set()
        self._thread.join(5)
        self._far.close()


@dataclass
class Rig:
    bench: Bench
    recorder: Recorder

    def collect(self, what: str = "log") -> Collected:
        return collect(self.bench, what, 1.0)

    @property
    def tries(self) -> list[object]:
        marks = [one for one in self.recorder.records if isinstance(one, Mark) and one.step == "collect"]
        return [mark.fields["reason"] for mark in marks if mark.kind is MarkKind.END]


@pytest.fixture
def rig(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[..., Rig]]:
    monkeypatch.setattr(collecting, "_LATE_S", 0.7)
    catalogue = Catalogue()
    robot = replace(load_robot(catalogue.find(Kind.ROBOT, "virtual-logger")), virtual=False)
    found = load_protocol(catalogue.find(Kind.PROTOCOL, "letter-menu"))
    dialect = replace(found, blocks=tuple(replace(spec, timeout_s=0.3) for spec in found.blocks))
    (program,) = robot.programs.values()
    undo: list[Callable[[], None]] = []

    def make(*manners: str) -> Rig:
        keeper = Keeper(dialect, *manners)
        writer = TraceWriter(tmp_path / "trace.sqlite", CLOCK)
        recorder, person = Recorder(writer, CLOCK), AnswersFileOperator(Path("answers.yaml"), {})
        greeting = Greeting(
            robot_file=robot, dialects={program.name: dialect}, recorder=recorder, clock=CLOCK, wants_telemetry=True
        )
        setting = LineSetting(recorder=recorder, operator=person, clock=CLOCK, greeting=greeting, say=lambda _: None)
        line = RobotLine({program.name: Reach(program=program, dialect=dialect, url=keeper.port)}, setting)
        line.open(program)
        line.greet()
        undo.extend((writer.close, line.close, keeper.close))
        bench = Bench(
            robot_file=robot, robot=robot.robot, line=line, operator=person, recorder=recorder, clock=CLOCK,
            route=Route.TELEMETRY,
        )  # fmt: skip
        return Rig(bench, recorder)

    yield make
    for act in reversed(undo):
        act()


def test_whole_log_is_asked_for_once(rig: Callable[..., Rig]) -> None:
    one = rig("whole")
    assert one.collect() == Collected(rows=3, reason="")
    assert one.tries == [""]


def test_log_that_was_cut_short_is_asked_for_again(rig: Callable[..., Rig]) -> None:
    one = rig("cut", "whole")
    assert one.collect() == Collected(rows=3, reason="")
    assert len(one.tries) == 2
    assert one.tries[0] != ""


def test_log_that_is_cut_short_twice_is_kept_as_far_as_it_came(rig: Callable[..., Rig]) -> None:
    found = rig("cut", "cut").collect()
    assert found.rows == 1
    assert found.reason


def test_log_whose_answer_was_late_is_waited_for(rig: Callable[..., Rig]) -> None:
    one = rig("late")
    assert one.collect() == Collected(rows=3, reason="")
    assert one.tries == [""]


def test_request_that_was_not_heeded_is_made_again(rig: Callable[..., Rig]) -> None:
    one = rig("silent", "whole")
    assert one.collect() == Collected(rows=3, reason="")
    assert one.tries == ["nothing came", ""]


def test_refusal_is_told_with_the_robots_word(rig: Callable[..., Rig]) -> None:
    with pytest.raises(RobotRefused, match="busy"):
        rig("refuses").collect()


def test_robot_that_is_busy_the_second_time_keeps_what_came_the_first(rig: Callable[..., Rig]) -> None:
    assert rig("cut", "refuses").collect().rows == 1


def test_log_that_never_comes_is_an_error_that_says_what_was_done(rig: Callable[..., Rig]) -> None:
    with pytest.raises(MoveUnfinished, match=r"was asked 2 times for its log, and within 1 s none came"):
        rig("silent", "silent").collect()


def test_protocol_without_such_a_block_is_told(rig: Callable[..., Rig]) -> None:
    with pytest.raises(UsageError, match=r"no block message 'film'; expected one of log, map"):
        rig().collect("film")
