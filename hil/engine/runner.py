"""A run: suites and their cases on an open bench, in order, with the stop path around everything that moves.

The stop is the first thing on the stack of what must be undone, so it runs last on every way out: at the end, at an
error, at Ctrl-C, at a lost port. A bench error ends the run: its case is an *error*, what could not be run any more is
*skipped* with the reason, and what was measured before stays. A case whose needs did not pass is skipped.
"""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import ExitStack, suppress
from dataclasses import dataclass

from hil.engine.bench import Bench
from hil.engine.evidence import evidence_so_far
from hil.engine.judging import Court, ends_repeats, judge_case, unjudged, unmeasured_note
from hil.engine.keeping import case_ending, look_fields
from hil.engine.meanwhile import listening
from hil.engine.progress import Progress
from hil.engine.safety import no_interrupt
from hil.engine.steps import StepRunner
from hil.errors import BenchError, HilError, PortLost
from hil.judge.repeats import Looks, looks
from hil.outcomes import Outcome
from hil.plan import case_time_s
from hil.results import AssertionResult, CaseResult, Route, SuiteResult
from hil.spec.suite_values import Case, Suite

STREAM_PERIOD_S = 0.008  # 125 lines a second: below 60 % of 115200 baud, and 2.4 mm apart at 0.3 m/s
_HEALTH_WAIT_S = 1.5  # how long the battery's voltage is waited for before the first motion


@dataclass(frozen=True, slots=True, kw_only=True)
class Ran:
    """What became of the suites; `trouble` is the error that ended the run early, `notes` are for the report."""

    suites: tuple[SuiteResult, ...]
    trouble: HilError | None
    is_interrupted: bool
    notes: tuple[str, ...]


class Runner:
    """Runs suites on a bench. It raises nothing of `hil.errors`: what went wrong is in the result."""

    def __init__(self, bench: Bench, suites: Sequence[Suite], progress: Progress) -> None:
        self._bench = bench
        self._suites = suites
        self._progress = progress
        self._trouble: HilError | None = None
        self._is_interrupted = False
        self._notes: list[str] = []
        self._outcomes: dict[tuple[str, str], Outcome] = {}

    def run(self) -> Ran:
        """Run everything and return what became of it."""
        results: list[SuiteResult] = []
        with ExitStack() as stack:
            stack.callback(self._stop)  # first on, last off
            try:
                self._begin(stack)
            except (KeyboardInterrupt, HilError) as error:
                self._end_early(error)
            for suite in self._suites:
                cases = tuple(self._case(suite, case) for case in suite.cases)
                results.append(SuiteResult(name=suite.name, title=suite.title, cases=cases))
        self._progress.clear()
        if jumps := self._bench.session.clock_jumps:
            self._notes.append(f"The robot's clock jumped {jumps} times by more than a line can take.")
        if unsaid := self._bench.session.unsaid_ends:
            self._notes.append(f"The line that ends a drive was lost {unsaid} times; the wheels told the end.")
        return Ran(
            suites=tuple(results),
            trouble=self._trouble,
            is_interrupted=self._is_interrupted,
            notes=tuple(self._notes),
        )

    def _begin(self, stack: ExitStack) -> None:
        """Before the first motion: who is there, is it charged, start the telemetry."""
        session, recorder = self._bench.session, self._bench.recorder
        if "identify" in session.dialect.commands:
            said = session.ask("identify")
            recorder.note("identify", said)
            self._notes.append(f"The robot identified itself as '{said}'.")
            self._check_identity(said)
        if self._bench.route is Route.TELEMETRY and "stream" in session.dialect.commands:
            stack.callback(self._quietly, "stream", {"period": 0.0})
            session.ask("stream", {"period": STREAM_PERIOD_S})
            session.is_streaming = True
        self._check_battery()

    def _check_identity(self, said: str) -> None:
        """Say where a robot is not the one of the file; what is called virtual must say so itself."""
        robot = self._bench.robot
        if not robot.serial or robot.serial in said:
            return
        if self._bench.robot_file.virtual:
            raise BenchError(
                f"the robot file says that the robot is virtual, and what answered is '{said}'",
                where=self._bench.session.port,
                expected=f"the serial number {robot.serial} in its answer",
                todo="For a real robot write 'virtual: no' and its serial number into its robot file",
            )
        self._notes.insert(0, f"Another robot? Its answer does not hold the serial number {robot.serial}.")

    def _check_battery(self) -> None:
        supply, session = self._bench.robot_file.supply, self._bench.session
        if supply is None or "supply.battery" not in session.dialect.channels or self._bench.route is Route.OPERATOR:
            return
        if not session.wait_until(lambda values: "supply.battery" in values, _HEALTH_WAIT_S):
            self._notes.append("The battery's voltage was not reported before the first motion.")
            return
        voltage = session.values["supply.battery"]
        if voltage < supply.lowest_v:
            raise BenchError(
                f"the battery is at {voltage:.2f} V",
                where=f"robot {self._bench.robot.name}",
                expected=f"at least {supply.lowest_v:.2f} V ({supply.cells} cells, {supply.chemistry})",
                todo="Charge it with a charger made for it, watched, and run again; nothing has moved",
            )
        self._notes.append(f"Battery at the start: {voltage:.2f} V.")

    def _stop(self) -> None:
        """Stop the robot. A second Ctrl-C may not cut this short: it takes less than a second by itself."""
        with no_interrupt():
            trouble = self._bench.session.stop()
            self._bench.recorder.note("stop", "", {"trouble": trouble})
        note = f"At the end {trouble}."
        if trouble and note not in self._notes:
            self._notes.append(note)

    def _quietly(self, action: str, values: dict[str, float | str]) -> None:
        """Undo something at the end; a link that is gone needs no undoing."""
        try:
            if not self._is_lost:
                self._bench.session.ask(action, values)
        except HilError as error:
            self._notes.append(f"'{action}' could not be undone: {error}")

    @property
    def _is_lost(self) -> bool:
        return isinstance(self._trouble, PortLost)

    def _end_early(self, error: BaseException) -> None:
        """Stop the robot before anything else is done, and remember why the run ends."""
        self._stop()
        if isinstance(error, HilError):
            self._trouble = self._trouble or error
        else:
            self._is_interrupted = True

    def _case(self, suite: Suite, case: Case) -> CaseResult:
        bench, reason = self._bench, self._why_not(suite, case)
        if reason:
            with suppress(BenchError):  # a disk that is full has ended the run already
                bench.recorder.note("case", case.name, {"suite": suite.name, "skipped": reason})
            result = CaseResult(
                name=case.name,
                title=case.title,
                assertions=unjudged(suite.name, case, Outcome.SKIPPED, reason, self._class, bench.route),
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
        if self._bench.route is Route.OPERATOR and not case.operator_sequence:
            return "Not run: the suite has no operator route for this case."
        return ""

    def _run_case(self, suite: Suite, case: Case) -> CaseResult:
        bench = self._bench
        bench.recorder.forget()
        steps = StepRunner(bench, case, self._progress.tick)
        began_ns, began_robot_s = bench.clock.monotonic_ns(), bench.session.robot_s
        bench.recorder.begin("case", case.name, {"suite": suite.name, "course": case.course.name})
        assertions: tuple[AssertionResult, ...] = ()
        reason, outcome = "", None
        try:
            assertions = self._steps(suite, case, steps)
        except KeyboardInterrupt as error:
            self._end_early(error)
            reason, outcome = "The run was interrupted in this case.", Outcome.SKIPPED
        except HilError as error:
            self._end_early(error)
            reason, outcome = str(error), Outcome.ERROR
        self._give_back(steps)
        if outcome is not None:
            assertions = unjudged(suite.name, case, outcome, reason, self._class, bench.route)
        result = CaseResult(
            name=case.name,
            title=case.title,
            assertions=assertions,
            trouble=outcome,
            reason=reason,
            repeats=steps.state.repeat + 1,
            robot_s=bench.session.robot_s - began_robot_s,
            wall_s=(bench.clock.monotonic_ns() - began_ns) / 1e9,
            notes=(*steps.state.left_out, *unmeasured_note(case, bench.route)),
        )
        bench.recorder.end("case", case.name, case_ending(suite.name, result, steps.state.left_out))
        return result

    def _steps(self, suite: Suite, case: Case, steps: StepRunner) -> tuple[AssertionResult, ...]:
        """Go through the case's steps as often as needed, and return its assertions judged."""
        by_person = self._bench.route is Route.OPERATOR
        rounds = case.rounds(by_person=by_person)
        plan = looks(rounds.at_least, rounds.at_most)
        for step in case.setup:
            steps.run(step)
        for repeat in range(rounds.at_most):
            steps.state.repeat = repeat
            times = f", repeat {repeat + 1} of {rounds.at_most}" if rounds.at_most > 1 else ""
            self._progress.begin(f"{suite.name}: {case.title}{times}")
            for step in case.steps(by_person=by_person):
                steps.run(step)
            self._progress.done(case_time_s(case, by_person=by_person) / rounds.at_most)
            if plan.is_due(repeat + 1):
                assertions = self._judge(suite, case, plan, repeat + 1)
                if ends_repeats(assertions, plan, repeat + 1):
                    return assertions
        return self._judge(suite, case, plan, rounds.at_most)

    def _give_back(self, steps: StepRunner) -> None:
        """Give the robot back the settings that the case changed, once it stands."""
        try:
            if not self._is_lost:
                steps.restore_settings()
        except HilError as error:
            self._notes.append(f"The settings could not be given back: {error}")

    def _judge(self, suite: Suite, case: Case, plan: Looks, done: int) -> tuple[AssertionResult, ...]:
        court = Court(
            suite=suite.name,
            case=case,
            route=self._bench.route,
            robot_class=self._class,
            source="virtual robot" if self._bench.robot_file.virtual else "robot",
            looks=plan,
            done=done,
        )
        self._bench.recorder.note("look", case.name, look_fields(plan, done, court.reported))
        return listening(self._bench.session.listen, lambda: judge_case(court, evidence_so_far(self._bench, case)))

    @property
    def _class(self) -> str:
        return self._bench.robot.robot_class
