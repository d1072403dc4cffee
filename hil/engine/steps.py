"""The steps of a case, carried out one after the other on an open bench.

Where the robot should stand is followed through the steps: `place` says it, every drive moves it on by its path. A
drive is left out where the suite's condition for it does not hold; the trace then says so. If its path would have
ended elsewhere than it began, the drives and readings after it are left out too, until the robot is placed again.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import singledispatchmethod

from hil.engine.bench import Bench
from hil.engine.evidence import evidence_so_far
from hil.engine.meanwhile import listening
from hil.engine.odometer import is_short, travelled_mm, way_mm
from hil.engine.operator import Reading
from hil.errors import BenchError, MoveUnfinished, UsageError
from hil.judge.distributions import coverage_factor
from hil.judge.verdict import CONFIDENCE
from hil.measure.clearance import clearance_by_readings, predicted_clearance
from hil.measure.model import CellPose
from hil.measure.trace import Json
from hil.measure.values import CannotMeasureError
from hil.plan import drive_time_s
from hil.results import Route
from hil.spec.robot_values import Drives
from hil.spec.suite_values import (
    Ask,
    Case,
    ChangeSettings,
    Do,
    DriveStep,
    Observe,
    OnlyWhile,
    Pause,
    Place,
    Step,
    Tell,
    Wait,
)
from hil.wire.fields import Value
from hil.wire.path import PathCodec

_TAKEN_IN_S = 0.05  # in which what a robot printed while the person was away is taken in, or its lost port noticed


@dataclass(slots=True)
class CaseState:
    """What a case in progress knows: where the robot should stand, the boards that lie, what was left out."""

    pose: CellPose
    repeat: int = 0
    board_mm: float = 0.0
    left_out: list[str] = field(default_factory=list)
    is_adrift: bool = False  # the robot stands where the steps that come do not expect it
    read_here: set[str] = field(default_factory=set)  # what was read since the robot last moved
    changed: dict[str, float] = field(default_factory=dict)  # settings as they were before the case


class StepRunner:
    """Carries out the steps of one case. `tick` is called while the robot drives, for progress."""

    def __init__(self, bench: Bench, case: Case, tick: Callable[[], None]) -> None:
        self._bench = bench
        self._case = case
        self._tick = tick
        self.state = CaseState(pose=case.course.start)

    def run(self, step: Step) -> None:
        """Carry out one step."""
        if not (self.state.is_adrift and isinstance(step, DriveStep | Observe | Ask | Wait)):
            self._run(step)

    @singledispatchmethod
    def _run(self, step: Step) -> None:
        raise UsageError(f"the step {type(step).__name__} cannot be carried out", where=self._case.name)

    @_run.register
    def _tell(self, step: Tell) -> None:
        recorder = self._bench.recorder
        fields: dict[str, Json] = {"say": step.say}
        if step.board is not None:
            self.state.board_mm = step.board.thickness_mm
            fields["board_mm"] = step.board.thickness_mm
        recorder.begin("tell", "", fields)
        self._bench.operator.tell(step.say, step.board)
        recorder.end("tell")

    @_run.register
    def _ask(self, step: Ask) -> None:
        reading = self._bench.operator.ask(step.name, step.question, step.unit)
        self._keep(step.name, reading)

    @_run.register
    def _place(self, step: Place) -> None:
        pose = self._case.course.start if step.at_start else step.pose
        recorder = self._bench.recorder
        recorder.begin("place", "", {"pose": [pose.x, pose.y, int(pose.heading)]})
        self._bench.operator.place(self._case.course_file, self._case.course_title, pose)
        recorder.end("place")
        self.state.pose = pose
        self.state.is_adrift = False
        self.state.read_here.clear()

    @_run.register
    def _change_settings(self, step: ChangeSettings) -> None:
        session = self._bench.session
        for name, value in step.values.items():
            if name not in self.state.changed:
                self.state.changed[name] = _as_setting(session.ask("get", {"name": name}), name)
            self._bench.recorder.note("set", name, {"value": value, "before": self.state.changed[name]})
            session.ask("set", {"name": name, "value": value})

    def restore_settings(self) -> None:
        """Give the robot back the settings it had before the case."""
        while self.state.changed:
            name, value = self.state.changed.popitem()
            self._bench.recorder.note("set", name, {"value": value})
            self._bench.session.ask("set", {"name": name, "value": value})

    @_run.register
    def _do(self, step: Do) -> None:
        self._bench.recorder.begin("do", step.action, dict(step.values))
        self._bench.session.ask(step.action, step.values)
        self._bench.recorder.end("do", step.action)

    @_run.register
    def _drive(self, step: DriveStep) -> None:
        for time in range(step.times):
            reason = self._why_not(step.only_while)
            if reason:
                self._bench.recorder.note("left out", step.name, {"reason": reason})
                self._leave_out(step, step.times - time, reason)
                return
            self._drive_once(step)

    def _leave_out(self, step: DriveStep, times: int, reason: str) -> None:
        state, number = self.state, f" ({times} of {step.times})" if step.times > 1 else ""
        repeat = f" in repeat {state.repeat + 1}" if self._bench.route is Route.OPERATOR else ""
        state.left_out.append(f"{step.name}{number} was left out{repeat}: {reason}")
        end = state.pose
        for element in step.path * times:
            end = self._case.course.after(end, element)
        state.is_adrift = end != state.pose

    def _drive_once(self, step: DriveStep) -> None:
        state, bench = self.state, self._bench
        speed_mm_s = step.speed_mm_s or bench.robot.speed_mm_s
        fields: dict[str, Json] = {
            "case": self._case.name,
            "repeat": state.repeat,
            "path": [[element.kind.value, element.cells, element.tracking] for element in step.path],
            "front": step.front,
            "speed_mm_s": speed_mm_s,
            "start": [state.pose.x, state.pose.y, int(state.pose.heading)],
            "conditions": {"board_mm": state.board_mm},
        }
        bench.recorder.begin("drive", step.name, fields)
        try:
            self._move(step, speed_mm_s)
        finally:
            bench.recorder.end("drive", step.name)
        for element in step.path:
            state.pose = self._case.course.after(state.pose, element)
        state.read_here.clear()

    def _move(self, step: DriveStep, speed_mm_s: float) -> None:
        bench = self._bench
        program = bench.robot_file.program_for(self._case.program)
        if program is not None and program.drives_by is Drives.OPERATOR:
            start = "Start the robot with its button and let it drive"
            bench.operator.tell(f"{start}: {step.path_text}. Come back when it stands.", None)
            bench.session.pause(_TAKEN_IN_S)
            return
        coding = bench.session.dialect.path
        if coding is None:
            raise UsageError(
                f"the protocol {bench.session.dialect.name} has no way to write a path",
                where=f"robot {bench.robot.name}, program {self._case.program}",
                expected="drives_by: operator in the robot file, or a protocol with a path coding",
            )
        words = [(element.kind.value, element.cells, element.tracking) for element in step.path]
        values: dict[str, Value] = {"speed": speed_mm_s, "front": step.front, "path": PathCodec(coding).encode(words)}
        pitch_mm, odometer = self._case.course.pitch_mm, bench.session.odometer
        before = dict(odometer.counts)
        bench.session.drive("drive", values, drive_time_s(step.path, pitch_mm, speed_mm_s), self._tick)
        way, travelled = way_mm(step.path, pitch_mm, bench.robot), travelled_mm(before, odometer.counts, bench.robot)
        if bench.session.is_streaming and odometer.is_reported and is_short(travelled, way):
            raise MoveUnfinished(
                f"the robot said that it had driven '{step.name}', and its wheels had turned {travelled:.0f} mm",
                where=f"case {self._case.name}",
                expected=f"about {way:.0f} mm by its counts",
                todo="Nothing more was driven. See where it stands, and whether motors and encoders work",
            )

    def _why_not(self, condition: OnlyWhile | None) -> str:
        """Return why a drive may not begin, or "" where it may."""
        if condition is None:
            return ""
        by_person = self._bench.route is Route.OPERATOR
        if by_person and not {"offset", "angle"} <= self.state.read_here:
            return "offset and angle were not read where the robot stands, so its clearance could not be predicted"
        predict = clearance_by_readings if by_person else predicted_clearance
        try:
            evidence = listening(self._bench.session.listen, lambda: evidence_so_far(self._bench, self._case))
            predicted = predict(evidence, condition.clearance_over_cells)
        except CannotMeasureError as error:
            return f"its clearance could not be predicted ({error})"
        surely_mm = predicted.value - coverage_factor(predicted.dof, CONFIDENCE) * predicted.u
        if surely_mm >= condition.at_least_mm:
            return ""
        cells = condition.clearance_over_cells
        return (
            f"after {cells} blind cell{'s' if cells > 1 else ''} the body's corner would be {predicted.value:.0f} mm "
            f"from the wall ({surely_mm:.0f} mm at 95 %), and {condition.at_least_mm:.0f} mm are kept free"
        )

    @_run.register
    def _observe(self, step: Observe) -> None:
        reading = self._bench.operator.observe(step, self.state.pose)
        self.state.read_here.add(step.name)
        self._keep(step.name, reading)

    def _keep(self, name: str, reading: Reading) -> None:
        """Record what a person said."""
        self._bench.recorder.answer(
            name=name,
            value=reading.value,
            unit=reading.unit,
            u=reading.u,
            case=self._case.name,
            repeat=self.state.repeat,
            source=self._bench.operator.source,
            said=reading.said,
        )

    @_run.register
    def _wait(self, step: Wait) -> None:
        session = self._bench.session
        condition = step.condition
        if condition is None:
            came = session.wait_for_event(step.event, step.timeout_s)
            what = f"the event '{step.event}'"
        else:
            met = condition.holds
            came = session.wait_until(
                lambda values: condition.channel in values and met(values[condition.channel]), step.timeout_s
            )
            what = f"{condition.channel} {condition.comparison} {condition.value:g}"
        if not came:
            raise MoveUnfinished(
                f"{what} did not come within {step.timeout_s:g} s",
                where=f"case {self._case.name}",
                todo="See whether the robot reports it at all (its protocol file), and whether the time is long enough",
            )

    @_run.register
    def _pause(self, step: Pause) -> None:
        self._bench.session.pause(step.duration_s)


def _as_setting(answer: str, name: str) -> float:
    """Read the robot's answer to `get`: the value is its last word."""
    try:
        return float(answer.split()[-1])
    except (ValueError, IndexError):
        raise BenchError(
            f"the robot answered '{answer[:40]}' to the question for the setting '{name}'",
            expected="a number",
            todo="Check the setting's name in the suite against the firmware",
        ) from None
