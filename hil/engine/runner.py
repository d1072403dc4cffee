"""A run: suites and their cases on an open bench, in order, with the stop path around everything that moves.

The stop is the first thing on the stack of what must be undone, so it runs last on every way out: at the end, at an
error, at Ctrl-C, at a lost port. A bench error ends the run: its case is an *error*, what could not be run any more is
*skipped* with the reason, and what was measured before stays. A case whose needs did not pass is skipped. A port that
was lost in the middle of a drive and came back ends the case and not the run.

Cases run in the order in which programs change seldom; results stand in the order of the suites.
"""

from __future__ import annotations

from collections import defaultdict, deque
from collections.abc import Callable, Mapping, Sequence
from contextlib import ExitStack, suppress
from dataclasses import dataclass

from hil.engine.battery_check import refuse_empty
from hil.engine.bench import Bench
from hil.engine.driving import why_not_by_goals
from hil.engine.evidence import evidence_so_far
from hil.engine.judging import Court, Judgement, ends_repeats, judge_case, unjudged, unmeasured_note
from hil.engine.keeping import case_ending, look_fields
from hil.engine.meanwhile import listening
from hil.engine.progress import Progress
from hil.engine.robot_line import RobotLine
from hil.engine.safety import no_interrupt
from hil.engine.settings_check import AFTER, BEFORE, Reading, read_settings
from hil.engine.steps import StepRunner
from hil.errors import BenchError, HilError, InternalError, PortLost
from hil.judge.repeats import Looks
from hil.outcomes import Outcome
from hil.plan import case_time_s, reported_in
from hil.plan.bench_problems import why_no_rail, why_not_on_bench
from hil.plan.cable import why_not_without_cable
from hil.plan.programs import order_cases
from hil.plan.rounds import looks_of, rounds_of, surfaces_of
from hil.quantities import counted
from hil.results import CaseResult, Route, SuiteResult
from hil.spec.robot_values import Drives
from hil.spec.suite_values import Case, Suite
from hil.wire.dialect import MessageSpec

_HEALTH_WAIT_S = 1.5  # how long the battery's voltage is waited for before the first motion
_HEALTH_PERIODS = 1.5  # and so many periods of what is printed unasked


@dataclass(frozen=True, slots=True, kw_only=True)
class Ran:
    """What became of the suites; `trouble` is the error that ended the run early, `notes` are for the report."""

    suites: tuple[SuiteResult, ...]
    trouble: HilError | None
    is_interrupted: bool
    notes: tuple[str, ...]
    settings: Mapping[str, Reading]  # of the firmware as read, by moment


class Runner:
    """Runs suites on a bench. It raises nothing of `hil.errors`: what went wrong is in the result."""

    def __init__(
        self,
        bench: Bench,
        suites: Sequence[Suite],
        progress: Progress,
        greeted: Callable[[], list[str]] = list,
        *,
        reads_settings: bool = True,
        starts_within_s: float = 0.0,
    ) -> None:
        """Take over an open bench; `greeted` is called when the robot has said who it is, and returns notes.

        `starts_within_s` is how long a program that was just loaded may take to speak (0: it should speak already).
        """
        self._starts_within_s = starts_within_s
        self._bench = bench
        self._suites = suites
        self._progress = progress
        self._greeted = greeted
        self._reads_settings = reads_settings
        self._settings: dict[str, Reading] = {}
        self._trouble: HilError | None = None
        self._is_interrupted = False
        self._notes: list[str] = []
        self._outcomes: dict[tuple[str, str], Outcome] = {}

    def run(self) -> Ran:
        """Run everything and return what became of it."""
        made: dict[tuple[int, int], deque[CaseResult]] = defaultdict(deque)
        line = self._bench.line
        with ExitStack() as stack:
            stack.callback(self._stop)  # first on, last off
            try:
                self._begin()
                stack.callback(self._quieten)
            except (KeyboardInterrupt, HilError) as error:
                self._end_early(error)
            loaded = line.program.name if line.program else ""
            for suite, case in order_cases(self._suites, self._bench.robot_file, loaded):
                made[id(suite), id(case)].append(self._case(suite, case))
            self._read_settings_again()
        self._progress.clear()
        self._notes += _befell(line)
        suites = tuple(
            SuiteResult(
                name=suite.name,
                title=suite.title,
                cases=tuple(made[id(suite), id(case)].popleft() for case in suite.cases),
            )
            for suite in self._suites
        )
        return Ran(
            suites=suites,
            trouble=self._trouble,
            is_interrupted=self._is_interrupted,
            notes=(*line.notes, *self._notes),
            settings=self._settings,
        )

    def _begin(self) -> None:
        """Before the first motion: who is there, start the telemetry, is it charged."""
        self._bench.line.greet(within_s=self._starts_within_s)
        self._check_battery()
        self._notes += self._greeted()
        self._read_settings(BEFORE)

    def _read_settings(self, moment: str) -> None:
        bench = self._bench
        reading = read_settings(bench.line, bench.robot_file, bench.recorder, moment) if self._reads_settings else None
        if reading is not None:
            self._settings[moment] = reading

    def _read_settings_again(self) -> None:
        """Read the settings back at the end of a run that came to it, where the robot still hangs on its port."""
        if self._trouble is not None or self._is_interrupted or self._bench.line.open_session is None:
            return
        try:
            self._read_settings(AFTER)
        except KeyboardInterrupt as error:
            self._end_early(error)
        except HilError:
            return  # what was not read is said; everything that was to be measured is there

    def _quieten(self) -> None:
        self._bench.line.quieten()

    def _check_battery(self) -> None:
        supply, session = self._bench.robot_file.supply, self._bench.session
        if supply is None or "supply.battery" not in session.dialect.channels or not session.is_streaming:
            return
        periods = [message.period_s for message in session.dialect.messages if "supply.battery" in _names(message)]
        wait_s = max(_HEALTH_WAIT_S, _HEALTH_PERIODS * min(periods, default=0.0))
        if not session.wait_until(lambda values: "supply.battery" in values, wait_s):
            self._notes.append("The battery's voltage was not reported before the first motion.")
            return
        voltage = session.values["supply.battery"]
        refuse_empty(supply, voltage, f"robot {self._bench.robot.name}")
        self._bench.recorder.note("battery", "", {"volts": voltage})
        self._notes.append(f"Battery at the start: {voltage:.2f} V.")

    def _stop(self, *, urgent: bool = False) -> None:
        """Stop the robot. A second Ctrl-C may not cut this short: it takes less than a second by itself."""
        with no_interrupt():
            trouble = self._bench.line.stop(urgent=urgent)
            self._bench.recorder.note("stop", "", {"trouble": trouble})
        note = f"At the end {trouble}."
        if trouble and note not in self._notes:
            self._notes.append(note)

    def _end_early(self, error: BaseException) -> None:
        """Stop the robot before anything else is done, and remember why the run ends."""
        self._stop(urgent=True)
        if isinstance(error, HilError):
            self._trouble = self._trouble or error
        else:
            self._is_interrupted = True

    def _is_back(self, loss: PortLost) -> bool:
        """Wait for a port that was lost in a drive; tell whether it came back, its robot told to stop."""
        line = self._bench.line
        line.lost(loss)
        if not self._bench.robot_file.stop.dead_man_s:
            line.switch_off()
        try:
            return line.await_return()
        except HilError as error:  # who answers now is not the robot of before: the run ends by the loss
            self._notes.append(f"After a port was lost the run could not go on: {error}")
            return False

    def _case(self, suite: Suite, case: Case) -> CaseResult:
        bench, reason = self._bench, self._why_not(suite, case)
        if reason:
            with suppress(BenchError):  # a disk that is full has ended the run already
                bench.recorder.note("case", case.name, {"suite": suite.name, "skipped": reason})
            result = CaseResult(
                name=case.name,
                title=case.title,
                assertions=unjudged(
                    suite.name, case, Outcome.SKIPPED, reason, self._class, bench.route, self._reported(case)
                ),
                trouble=Outcome.SKIPPED,
                reason=reason,
                repeats=0,
            )
        else:
            result = self._run_case(suite, case)
        self._outcomes[suite.name, case.name] = result.outcome
        return result

    def _why_not(self, suite: Suite, case: Case) -> str:
        if self._is_interrupted:
            return "Not run: the run was interrupted."
        if self._trouble is not None:
            return "Not run: the run had ended early."
        for need in case.needs:
            if (outcome := self._outcomes[suite.name, need]) is not Outcome.PASSED:
                return f"Not run: it needs the case '{need}', which {outcome.value}."
        if self._bench.route is Route.OPERATOR and not case.has_person_route:
            return "Not run: the suite has no operator route for this case."
        return self._why_not_by_program(case)

    def _why_not_by_program(self, case: Case) -> str:
        bench = self._bench
        program = bench.program_for(case.program)
        if program is None:
            return ""
        if program.drives_by is Drives.GOAL and (reason := why_not_by_goals(case, program.maze_logic, bench.route)):
            return reason
        steps = [*case.setup, *(step for one in rounds_of(case, bench.route) for step in one.steps)]
        dialect = bench.dialect_of(program)
        reason = why_not_without_cable(steps, program, dialect) or why_not_on_bench(steps, bench.robot, dialect)
        reason = reason or why_no_rail(case, bench.robot)
        return f"Not run: {reason}." if reason else ""

    def _run_case(self, suite: Suite, case: Case) -> CaseResult:
        bench = self._bench
        bench.recorder.forget()
        steps = StepRunner(bench, case, self._progress.tick)
        began_ns, began_robot_s = bench.clock.monotonic_ns(), bench.line.totals.robot_s
        bench.recorder.begin("case", case.name, {"suite": suite.name, "course": case.course.name})
        made, outcome, reason = self._made(suite, case, steps)
        surfaces = surfaces_of(case, bench.route, steps.state.repeat + 1)
        left_out, noted = steps.state.left_out, steps.state.notes
        result = CaseResult(
            name=case.name,
            title=case.title,
            assertions=made.assertions,
            measured=made.measured,
            trouble=outcome,
            reason=reason,
            repeats=steps.state.repeat + 1,
            surfaces=surfaces,
            robot_s=None if bench.line.totals.is_partial else bench.line.totals.robot_s - began_robot_s,
            wall_s=(bench.clock.monotonic_ns() - began_ns) / 1e9,
            notes=(
                *((f"Its rounds were on: {', '.join(surfaces)}.",) if surfaces else ()),
                *left_out,
                *noted,
                *unmeasured_note(case, bench.route, self._reported(case)),
            ),
        )
        bench.recorder.end("case", case.name, case_ending(suite.name, result, left_out + noted))
        return result

    def _made(self, suite: Suite, case: Case, steps: StepRunner) -> tuple[Judgement, Outcome | None, str]:
        """Go through a case whatever befalls it; return what came of it, and what befell it with the reason."""
        made = Judgement()
        reason, outcome = "", None
        try:
            self._load_for(case)
            made = self._steps(suite, case, steps)
        except KeyboardInterrupt as error:
            self._end_early(error)
            reason, outcome = "The run was interrupted in this case.", Outcome.SKIPPED
        except PortLost as error:
            if not self._is_back(error):
                self._end_early(error)
            reason, outcome = str(error), Outcome.ERROR
        except HilError as error:
            self._end_early(error)
            reason, outcome = str(error), Outcome.ERROR
        except BaseException:  # a mistake of our own: what is hot is said before it is told
            self._unload(steps, is_whole=False)
            raise
        self._give_back(steps)
        self._unload(steps, is_whole=outcome is None)
        if outcome is not None:
            reported = self._reported(case)
            assertions = unjudged(suite.name, case, outcome, reason, self._class, self._bench.route, reported)
            made = Judgement(assertions=assertions)
        return made, outcome, reason

    def _load_for(self, case: Case) -> None:
        """Have the program loaded that the case runs on."""
        program = self._bench.program_for(case.program)
        if program is None:
            raise InternalError(f"the case {case.name} runs on no program of the robot, and was begun")
        if self._bench.line.program != program:
            self._progress.clear()
            self._bench.line.load(program)

    def _steps(self, suite: Suite, case: Case, steps: StepRunner) -> Judgement:
        """Go through the case's steps as often as needed, and return what came of it, judged."""
        rounds, plan = rounds_of(case, self._bench.route), looks_of(case, self._bench.route)
        for step in case.setup:
            steps.run(step)
        for one in rounds:
            steps.state.repeat, steps.state.by_person = one.number, one.by_person
            steps.state.surface = one.surface
            times = f", repeat {one.number + 1} of {len(rounds)}" if len(rounds) > 1 else ""
            times += f" on {one.surface}" if one.surface else ""
            self._progress.begin(f"{suite.name}: {case.title}{times}")
            for step in one.steps:
                steps.run(step)
            steps.end_of_round()
            alike = sum(other.by_person is one.by_person for other in rounds)
            self._progress.done(case_time_s(case, by_person=one.by_person) / alike)
            if plan.is_due(one.number + 1):
                made = self._judge(suite, case, plan, one.number + 1)
                if ends_repeats(made.assertions, plan, one.number + 1):
                    return made
        return self._judge(suite, case, plan, len(rounds))

    def _give_back(self, steps: StepRunner) -> None:
        """Give the robot back the settings that the case changed, once it stands."""
        try:
            if self._bench.line.program is not None and not isinstance(self._trouble, PortLost):
                steps.restore_settings()
        except HilError as error:
            self._notes.append(f"The settings could not be given back: {error}")

    def _unload(self, steps: StepRunner, *, is_whole: bool) -> None:
        """See that nothing stays clipped across the battery; after an error it is said, and nobody waited for."""
        if steps.is_loaded and is_whole:
            try:
                steps.unload()
            except (KeyboardInterrupt, HilError) as error:
                self._end_early(error)
        if not steps.is_loaded:
            return
        self._progress.say("Take the resistor off the battery at once. It is hot.")
        self._notes.append(
            "When the run ended early a resistor was still across the battery; it was told to be taken off."
        )

    def _judge(self, suite: Suite, case: Case, plan: Looks, done: int) -> Judgement:
        court = Court(
            suite=suite.name,
            case=case,
            route=self._bench.route,
            robot_class=self._class,
            source="virtual robot" if self._bench.robot_file.virtual else "robot",
            looks=plan,
            done=done,
            reported=self._reported(case),
        )
        self._bench.recorder.note("look", case.name, look_fields(plan, done, court.reported))
        return listening(self._bench.line.listen, lambda: judge_case(court, evidence_so_far(self._bench, case)))

    def _reported(self, case: Case) -> frozenset[str]:
        """Return what the robot can report of this case, by the program that it runs on."""
        program = self._bench.program_for(case.program)
        if program is None:
            return frozenset()
        return reported_in(case, program, self._bench.dialect_of(program), self._bench.robot)

    @property
    def _class(self) -> str:
        return self._bench.robot.robot_class


def _befell(line: RobotLine) -> list[str]:
    """Return what befell the line in a run, a sentence each."""
    notes = []
    if jumps := line.totals.clock_jumps:
        notes.append(f"The robot's clock jumped {counted(jumps, 'time')} by more than a line can take.")
    if unsaid := line.totals.unsaid_ends:
        notes.append(f"The line that ends a drive was lost {counted(unsaid, 'time')}; the wheels told the end.")
    if line.returns:
        notes.append(f"The port went away and came back {counted(line.returns, 'time')} ({line.gone_s:.1f} s in all).")
    return notes


def _names(message: MessageSpec) -> set[str]:
    return {field.name for field in message.fields}
