"""A robot's line: opened, lost while nothing drives, found again or given up, let go for a program or a drive."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path

import pytest

from hil.catalogue import Catalogue
from hil.engine.answers_operator import AnswersFileOperator
from hil.engine.greeting import Greeting
from hil.engine.line_setting import Cable, LineSetting, Reach
from hil.engine.recorder import Recorder
from hil.engine.robot_line import RobotLine
from hil.errors import BenchError, PortLost, PortSilent
from hil.measure.trace import Mark
from hil.spec.kinds import Kind
from hil.spec.loading import load_protocol, load_robot
from hil.spec.robot_values import Program
from hil.store.trace import TraceWriter
from hil.timing import SystemClock
from hil.transports import Transport, open_pseudo_terminal

CLOCK = SystemClock()
READINGS = b"now n=%02X left=100 right=100 front=20 bat=7.80 is=sensing\r\n"
GLANCES = b"see 100 100 20 went 0 0\r\n"


class Printer:
    """A device that prints one line over and over on a pseudo-terminal that a link leads to."""

    def __init__(self, link: Path, line: bytes) -> None:
        self._link, self._line = link, line
        self._far: Transport | None = None
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._print, daemon=True)
        self.plug_in()
        self._thread.start()

    def plug_in(self) -> None:
        self._far, port = open_pseudo_terminal(CLOCK)
        beside = self._link.with_suffix(".next")
        beside.symlink_to(port)
        beside.replace(self._link)

    def pull(self) -> None:
        self._link.unlink()
        far, self._far = self._far, None
        if far is not None:
            far.close()

    def load(self, line: bytes) -> None:
        self._line = line

    def _print(self) -> None:
        number = 0
        while not self._over.wait(0.005):
            far, line = self._far, self._line
            try:
                if far is not None:
                    far.write(line % (number % 256) if b"%" in line else line)
            except PortLost:
                continue  # pulled in the middle of a line
            number += 1

    def close(self) -> None:
        self._over.set()
        self._thread.join(5)
        if self._far is not None:
            self._far.close()


@dataclass
class Hands(AnswersFileOperator):
    """A person who does what is told, and is seen doing it."""

    done: list[str] = field(default_factory=list)
    loads: Callable[[Program], None] = lambda _: None

    def __post_init__(self) -> None:
        super().__init__(Path("answers.yaml"), {})

    def load(self, program: Program) -> None:
        self.done.append(f"load {program.name}")
        self.loads(program)

    def untether(self, say: str) -> None:
        self.done.append("untether")

    def retether(self, say: str) -> None:
        self.done.append("retether")

    def switch_off(self) -> None:
        self.done.append("switch off")


@dataclass
class Bench:
    line: RobotLine
    device: Printer
    hands: Hands
    recorder: Recorder
    said: list[str]
    programs: dict[str, Program]
    greeting: Greeting

    @property
    def port_marks(self) -> list[str]:
        marks = [one for one in self.recorder.records if isinstance(one, Mark) and one.step == "port"]
        return [str(mark.fields["what"]) for mark in marks]


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    """The robot that only prints, on a real pseudo-terminal, with the program for driving."""
    catalogue = Catalogue()
    robot = replace(load_robot(catalogue.find(Kind.ROBOT, "virtual-prints")), virtual=False)
    link = tmp_path / "robot-port"
    device, hands, said = Printer(link, GLANCES), Hands(), []
    with TraceWriter(tmp_path / "trace.sqlite", CLOCK) as writer:
        recorder = Recorder(writer, CLOCK)
        dialects = {
            name: load_protocol(catalogue.find(Kind.PROTOCOL, program.protocol))
            for name, program in robot.programs.items()
        }
        programs = {name: replace(program, load_s=1.5) for name, program in robot.programs.items()}
        greeting = Greeting(robot_file=robot, dialects=dialects, recorder=recorder, clock=CLOCK, wants_telemetry=True)
        setting = LineSetting(
            recorder=recorder, operator=hands, clock=CLOCK, greeting=greeting, say=said.append, return_s=0.5
        )
        reaches = {
            name: Reach(program=program, dialect=dialects[name], url=str(link)) for name, program in programs.items()
        }
        line = RobotLine(reaches, setting)
        yield Bench(line, device, hands, recorder, said, programs, greeting)
        line.close()
        device.close()


def begin(bench: Bench) -> None:
    bench.line.open(bench.programs["run"])
    bench.line.greet()


def test_port_is_opened_and_heard(bench: Bench) -> None:
    begin(bench)
    assert bench.line.session.wait_until(lambda values: values.get("wall.front") == 20, 2.0)
    assert bench.port_marks == ["opened"]
    assert [program for _, program in bench.line.speech.values()] == ["run"]


def test_loss_while_a_person_is_waited_for_holds_nobody_up(bench: Bench) -> None:
    begin(bench)
    bench.device.pull()
    while bench.line.cable is not Cable.LOST:
        bench.line.listen()
    begun_ns = CLOCK.monotonic_ns()
    bench.line.listen()
    assert (CLOCK.monotonic_ns() - begun_ns) / 1e9 < 0.1
    bench.device.plug_in()
    while bench.line.cable is Cable.LOST:
        bench.line.listen()
    assert bench.line.session.wait_until(lambda values: "wall.left" in values, 2.0)
    assert bench.port_marks == ["opened", "lost", "back"]
    assert bench.line.returns == 1
    assert ["went away" in bench.said[0], "is back" in bench.said[1]] == [True, True]


def test_pause_goes_on_over_a_loss(bench: Bench) -> None:
    begin(bench)
    back = threading.Timer(0.2, bench.device.plug_in)
    bench.device.pull()
    back.start()
    bench.line.pause(0.6)
    back.join()
    assert bench.port_marks == ["opened", "lost", "back"]


def test_port_that_never_comes_back_is_given_up_with_its_loss(bench: Bench) -> None:
    begin(bench)
    bench.device.pull()
    with pytest.raises(PortLost, match=r"it did not come back within 0\.5 s"):
        bench.line.pause(5.0)
    with pytest.raises(PortLost):
        _ = bench.line.session
    assert bench.port_marks == ["opened", "lost", "gone for good"]
    bench.line.stop(urgent=True)
    assert bench.hands.done == ["switch off"]


def test_program_is_loaded_and_verified_by_its_lines(bench: Bench) -> None:
    begin(bench)
    bench.hands.loads = lambda _: bench.device.load(READINGS)
    bench.line.load(bench.programs["sense"])
    assert bench.hands.done == ["load sense"]
    assert bench.line.program == bench.programs["sense"]
    assert bench.line.session.wait_until(lambda values: "supply.battery" in values, 2.0)
    assert bench.port_marks == ["opened", "closed", "opened"]
    assert [program for _, program in bench.line.speech.values()] == ["run", "sense"]  # one port, two names


def test_program_that_was_not_loaded_is_told_by_what_it_says(bench: Bench) -> None:
    begin(bench)  # and nobody loads another
    with pytest.raises(PortSilent, match=r"lines of plain-prints, the protocol of its program 'run'") as told:
        bench.line.load(bench.programs["sense"])
    assert "Load the program" in str(told.value)


def test_port_that_stays_away_after_loading_is_told(bench: Bench) -> None:
    begin(bench)
    bench.hands.loads = lambda _: bench.device.pull()
    with pytest.raises(BenchError, match=r"did not come within 1\.5 s"):
        bench.line.load(bench.programs["sense"])


def test_wrong_program_at_the_start_is_told(bench: Bench) -> None:
    bench.device.load(READINGS)
    bench.line.open(bench.programs["run"])
    with pytest.raises(PortSilent, match=r"lines of plain-readings, the protocol of its program 'sense'"):
        bench.line.greet()


def test_robot_that_prints_nothing_is_only_noted_where_a_person_measures(bench: Bench) -> None:
    bench.device.load(b"")
    bench.greeting.wants_telemetry = False
    bench.line.open(bench.programs["run"])
    bench.line.greet()
    assert any("nothing came" in note for note in bench.line.notes)


def test_without_a_cable_nobody_may_ask_the_robot(bench: Bench) -> None:
    begin(bench)
    bench.line.untether()
    bench.device.pull()
    for use in (lambda: bench.line.session, lambda: bench.line.ask("get", {"name": "kp"})):
        with pytest.raises(BenchError, match=r"hangs on no cable(.|\n)*a step 'retether' before it"):
            use()
    bench.line.pause(0.05)  # which needs no robot
    bench.device.plug_in()
    bench.line.retether()
    assert bench.line.session.wait_until(lambda values: "wall.left" in values, 2.0)
    assert bench.hands.done == ["untether", "retether"]
    assert bench.port_marks == ["opened", "closed", "back"]


def test_cable_that_was_left_off_for_a_drive_is_plugged_in_when_it_is_needed(bench: Bench) -> None:
    begin(bench)
    bench.line.untether(by_itself=True)
    assert bench.line.is_untethered
    bench.line.plug_in()
    assert bench.hands.done == ["untether", "retether"]
    assert bench.line.cable is Cable.PLUGGED


def test_stop_without_a_cable_is_the_person_at_the_switch(bench: Bench) -> None:
    begin(bench)
    bench.line.untether()
    assert bench.line.stop(urgent=False) == ""  # it stands
    assert "without a cable" in bench.line.stop(urgent=True)
    assert bench.hands.done == ["untether", "switch off"]


def test_robot_that_hears_nothing_is_stopped_by_whoever_stands_at_the_switch(bench: Bench) -> None:
    begin(bench)
    assert bench.line.stop(urgent=True).endswith("somebody must stand at the switch (here the answers file)")
    assert bench.hands.done == ["switch off"]
