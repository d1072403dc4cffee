"""The steps of a case, carried out one after the other on an open bench.

Where the robot should stand is followed through the steps: `place` says it, every drive moves it on by its path. A
drive is left out where the suite's condition for it does not hold; the trace then says so. If its path would have
ended elsewhere than it began, the drives and readings after it are left out too, until the robot is placed again.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import singledispatchmethod
from itertools import pairwise

from hil.engine.answering import Answering
from hil.engine.bench import Bench
from hil.engine.bench_steps import BenchSteps
from hil.engine.collecting import collect
from hil.engine.driving import Driving, PlannedDrive
from hil.engine.evidence import evidence_so_far
from hil.engine.meanwhile import listening
from hil.engine.settings_check import settings_answer
from hil.errors import MoveUnfinished, UsageError
from hil.judge.distributions import coverage_factor
from hil.judge.verdict import CONFIDENCE
from hil.measure.clearance import clearance_by_readings, predicted_clearance
from hil.measure.model import CellPose
from hil.measure.trace import Json
from hil.measure.values import CannotMeasureError
from hil.quantities import counted
from hil.results import Route
from hil.spec.bench_values import HandTurn, Jig, Lamps, LoadResistor, Spin, Stand
from hil.spec.suite_values import (
    Ask,
    Case,
    ChangeSettings,
    Collect,
    Do,
    DriveStep,
    Load,
    Observe,
    Observed,
    OnlyWhile,
    Pause,
    Place,
    Retether,
    Step,
    Tell,
    Untether,
    Wait,
)


@dataclass(slots=True)
class CaseState:
    """What a case in progress knows: where the robot should stand, the boards that lie, what was left out."""

    pose: CellPose
    repeat: int = 0
    by_person: bool = False  # whether this round is the person's
    board_mm: float = 0.0
    surface: str = ""  # of the round, where the case is repeated over surfaces
    left_out: list[str] = field(default_factory=list)
    is_adrift: bool = False  # the robot stands where the steps that come do not expect it
    read_here: set[str] = field(default_factory=set)  # what was read since the robot last moved
    changed: dict[str, float] = field(default_factory=dict)  # settings as they were before the case
    owed: int = 0  # quarter turns to the right that the next drive begins with (robots driven by goals)
    uncollected: int = 0  # drives without a cable whose log was not taken over yet
    notes: list[str] = field(default_factory=list)


class StepRunner:
    """Carries out the steps of one case. `tick` is called while the robot drives, for progress."""

    def __init__(self, bench: Bench, case: Case, tick: Callable[[], None]) -> None:
        self._bench = bench
        self._case = case
        self._driving = Driving(bench, case, tick, self._set)
        self._read_in_spin: Observe | None = None
        self._answering = Answering(
            operator=bench.operator, recorder=bench.recorder, case=case.name, supply=bench.robot_file.supply
        )
        self.state = CaseState(pose=case.course.start)
        self._on_bench = BenchSteps(bench, case, self.state.notes)

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
        self._answering.ask(step, self.state.repeat)

    @_run.register
    def _place(self, step: Place) -> None:
        pose = self._case.course.start if step.at_start else step.pose
        recorder = self._bench.recorder
        recorder.begin("place", "", {"pose": [pose.x, pose.y, int(pose.heading)]})
        self._bench.operator.place(self._case.course_file, self._case.course_title, pose)
        recorder.end("place")
        self._on_bench.parts.left_jig()
        self.state.pose, self.state.owed = pose, 0
        self.state.is_adrift = False
        self.state.read_here.clear()

    @_run.register
    def _change_settings(self, step: ChangeSettings) -> None:
        for name, value in step.values.items():
            self._set(name, value)

    def _set(self, name: str, value: float | str) -> None:
        """Change a setting for the rest of the case."""
        line, changed = self._bench.line, self.state.changed
        if name not in changed:
            changed[name] = settings_answer(line.ask("get", {"name": name}), name)
        self._bench.recorder.note("set", name, {"value": value, "before": changed[name]})
        line.ask("set", {"name": name, "value": value})

    def restore_settings(self) -> None:
        """Give the robot back the settings it had before the case, and call off what goes on still."""
        self._on_bench.taking.call_off()
        while self.state.changed:
            name, value = self.state.changed.popitem()
            self._bench.recorder.note("set", name, {"value": value})
            self._bench.line.ask("set", {"name": name, "value": value})

    @_run.register
    def _do(self, step: Do) -> None:
        self._bench.recorder.begin("do", step.action, dict(step.values))
        self._bench.line.ask(step.action, step.values)
        self._bench.recorder.end("do", step.action)

    @_run.register
    def _load(self, step: Load) -> None:
        program = self._bench.program_for(step.program)
        if program is None:
            raise UsageError(
                f"the robot has no program '{step.program}'",
                where=f"case {self._case.name}",
                expected=f"one of {', '.join(self._bench.robot_file.programs)}",
            )
        self._bench.line.load(program)

    @_run.register
    def _untether(self, step: Untether) -> None:
        self._bench.line.untether(step.say)

    @_run.register
    def _retether(self, step: Retether) -> None:
        self._bench.line.retether(step.say, step.timeout_s)

    @_run.register
    def _collect(self, step: Collect) -> None:
        self._take_over(step.what, step.timeout_s)

    def _take_over(self, what: str, timeout_s: float) -> None:
        self._bench.line.plug_in()
        collected = collect(self._bench, what, timeout_s)
        self.state.uncollected = 0
        if collected.reason:
            rows = "1 row of it is" if collected.rows == 1 else f"{collected.rows} rows of it are"
            self.state.notes.append(f"The {what} was cut short twice ({collected.reason}); {rows} kept.")

    def end_of_round(self) -> None:
        """Take over what a robot logged that drove without its cable, where the run takes numbers from the robot."""
        if self.state.uncollected and self._bench.route is not Route.OPERATOR:
            log = Collect()
            self._take_over(log.what, log.timeout_s)

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
        repeat = f" in repeat {state.repeat + 1}" if state.by_person else ""
        state.left_out.append(f"{step.name}{number} was left out{repeat}: {reason}")
        end = state.pose
        for element in step.path * times:
            end = self._case.course.after(end, element)
        state.is_adrift = end != state.pose

    def _drive_once(self, step: DriveStep) -> None:
        state, bench = self.state, self._bench
        drive = self._driving.planned(step, state.pose, state.owed)
        self._driving.begin(drive)
        bench.recorder.begin("drive", step.name, self._described(drive))
        returns, gone_s = bench.line.returns, bench.line.gone_s
        try:
            self._driving.carry_out(drive)
        finally:
            bench.recorder.end("drive", step.name)
        if bench.line.returns > returns:
            away_s = bench.line.gone_s - gone_s
            state.notes.append(f"While '{step.name}' was driven the port was away for {away_s:.1f} s.")
        if drive.path != step.path:
            driven = f"'{step.name}' was driven as {_spelled(drive)}, since the robot goes to cells by its own logic."
            if driven not in state.notes:
                state.notes.append(driven)
        state.uncollected += bench.line.is_untethered
        state.pose, state.owed = drive.end, drive.owed
        state.read_here.clear()

    def _described(self, drive: PlannedDrive) -> dict[str, Json]:
        start = drive.start
        goals: dict[str, Json] = {"goals": [len(goal.way) for goal in drive.goals]} if drive.goals else {}
        return {
            **goals,
            "case": self._case.name,
            "repeat": self.state.repeat,
            "by_person": self.state.by_person,
            "path": [[element.kind.value, element.cells, element.tracking] for element in drive.path],
            "front": drive.step.front,
            "speed_mm_s": drive.speed_mm_s,
            "start": [start.x, start.y, int(start.heading)],
            "conditions": {"board_mm": self.state.board_mm},
        }

    def _why_not(self, condition: OnlyWhile | None) -> str:
        """Return why a drive may not begin, or "" where it may."""
        if condition is None:
            return ""
        by_person = self.state.by_person
        if by_person and not {"offset", "angle"} <= self.state.read_here:
            return "offset and angle were not read where the robot stands, so its clearance could not be predicted"
        predict = clearance_by_readings if by_person else predicted_clearance
        self.end_of_round()
        try:
            evidence = listening(self._bench.line.listen, lambda: evidence_so_far(self._bench, self._case))
            predicted = predict(evidence, condition.clearance_over_cells)
        except CannotMeasureError as error:
            return f"its clearance could not be predicted ({error})"
        surely_mm = predicted.value - coverage_factor(predicted.dof, CONFIDENCE) * predicted.u
        if surely_mm >= condition.at_least_mm:
            return ""
        cells = condition.clearance_over_cells
        return (
            f"after {counted(cells, 'blind cell')} the body's corner would be {predicted.value:.0f} mm "
            f"from the wall ({surely_mm:.0f} mm at 95 %), and {condition.at_least_mm:.0f} mm are kept free"
        )

    @_run.register
    def _observe(self, step: Observe) -> None:
        at_rest = not self.is_loaded and step is not self._read_in_spin
        if self._answering.observe(step, self.state.pose, self.state.repeat, at_rest=at_rest):
            self.state.read_here.add(step.name)
        else:
            self.state.notes.append(f"'{step.name}' could not be seen in repeat {self.state.repeat + 1}.")

    @_run.register
    def _wait(self, step: Wait) -> None:
        condition, line = step.condition, self._bench.line
        line.plug_in()
        if condition is None:
            came = line.at_rest(lambda session: session.wait_for_event(step.event, step.timeout_s))
            what = f"the event '{step.event}'"
        else:
            channel, met = condition.channel, condition.holds

            def holds(values: Mapping[str, float]) -> bool:
                return channel in values and met(values[channel])

            came = line.at_rest(lambda session: session.wait_until(holds, step.timeout_s))
            what = f"{channel} {condition.comparison} {condition.value:g}"
        if not came:
            raise MoveUnfinished(
                f"{what} did not come within {step.timeout_s:g} s",
                where=f"case {self._case.name}",
                todo="See whether the robot reports it at all (its protocol file), and whether the time is long enough",
            )

    @_run.register
    def _pause(self, step: Pause) -> None:
        if not step.name:
            self._bench.line.pause(step.duration_s)
            return
        self._told_bench().pause(step, self.state.pose)

    @_run.register
    def _stand(self, step: Stand) -> None:
        self._on_bench.stand(step)

    @_run.register
    def _load_resistor(self, step: LoadResistor) -> None:
        self._on_bench.load_resistor(step)

    @property
    def is_loaded(self) -> bool:
        """Whether something is still clipped across the battery."""
        return self._on_bench.parts.resistor_ohm is not None

    def unload(self) -> None:
        """Have what is still clipped across the battery taken off."""
        self._on_bench.unload()

    @_run.register
    def _lamps(self, step: Lamps) -> None:
        self._on_bench.lamps(step)

    @_run.register
    def _spin(self, step: Spin) -> None:
        self._read_in_spin = self._read_after(step)
        self._told_bench().spin(step, self.state.pose, self._read_in_spin)

    @_run.register
    def _hand_turn(self, step: HandTurn) -> None:
        self._told_bench().hand_turn(step, self.state.pose)

    @_run.register
    def _jig(self, step: Jig) -> None:
        self._told_bench().jig(step, self.state.pose)

    def _read_after(self, step: Spin) -> Observe | None:
        """Return the reading of a meter that stands behind a spin: it is taken while the wheels turn."""
        steps = [*self._case.setup, *self._case.steps(by_person=self.state.by_person)]
        after = next((two for one, two in pairwise(steps) if one is step), None)
        return after if isinstance(after, Observe) and after.what is Observed.METER else None

    def _told_bench(self) -> BenchSteps:
        """Return the steps of the bench, told which round this is."""
        parts, state = self._on_bench.parts, self.state
        parts.repeat, parts.by_person, parts.board_mm = state.repeat, state.by_person, state.board_mm
        parts.surface = state.surface
        return self._on_bench


def _spelled(drive: PlannedDrive) -> str:
    """Return a path in the words of suites."""
    words = []
    for element in drive.path:
        by = {"none": "blind"}.get(element.tracking, f"by {element.tracking}")
        words.append(f"ahead {element.cells} {by}" if element.cells else element.kind.value)
    return ", ".join(words)
