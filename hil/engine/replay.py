"""A run measured and judged again from its trace, without a robot.

The records of each case go through the same functions as in the run, cut where the run looked at its repeats, so that
the same version gives the same numbers to the last bit. Other suites may be laid on the records: a case is found by
the names of suite and case. What the trace cannot show is said and never guessed: a case that was cut off is
*skipped*, and so is one that the trace does not hold.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from hil import __version__
from hil.engine.calibrating import calibration_notes
from hil.engine.evidence import evidence_of
from hil.engine.judging import Court, Judgement, ends_repeats, judge_case, unjudged, unmeasured_note
from hil.engine.kept_run import TRACE, KeptRun
from hil.engine.settings_check import Reading, readings_in, settings_notes, settings_read
from hil.errors import BenchError
from hil.judge.repeats import Looks
from hil.measure.trace import AnswerGiven, Mark, MarkKind, TraceRecord
from hil.outcomes import Outcome
from hil.plan.rounds import looks_of, rounds_of, surfaces_of
from hil.quantities import counted
from hil.results import (
    CaseResult,
    LoadedFile,
    ReplayOf,
    RobotUnderTest,
    RunResult,
    SuiteResult,
    TraceFile,
)
from hil.spec.suite_values import Case, DriveStep, Suite
from hil.store.trace import TraceReader

CUT_OFF = "The recording ends in this case: the run was cut off"
_CASE = "case"
_DRIVE = "drive"
_LOOK = "look"


@dataclass(slots=True)
class Segment:
    """What the trace holds of one case: its records, and what its end mark says (None: it was cut off)."""

    suite: str
    case: str
    records: list[TraceRecord] = field(default_factory=list)
    ended: dict[str, Any] | None = None
    skipped: str = ""


def replay(run: KeptRun) -> RunResult:
    """Measure and judge a run again; raise `BenchError` where its trace is damaged."""
    return _Replay(run).result()


class _Replay:
    """A run being judged again; holds the records of one case at a time, as the run did."""

    def __init__(self, run: KeptRun) -> None:
        self._run = run
        self._route = run.description.route
        self._class = run.robot.robot_class
        self._wanted: dict[tuple[str, str], list[tuple[Suite, Case]]] = defaultdict(list)
        for suite in run.suites:
            for case in suite.cases:
                self._wanted[suite.name, case.name].append((suite, case))
        self._made: dict[tuple[str, str], list[CaseResult]] = defaultdict(list)
        self._skipped: dict[tuple[str, str], list[str]] = defaultdict(list)
        self._outcomes: dict[tuple[str, str], Outcome] = {}

    def result(self) -> RunResult:
        run, described, ending = self._run, self._run.description, self._run.ending
        seen = _Seen()
        with TraceReader(run.trace) as reader:
            for segment in segments_of(seen.passing(reader)):
                self._take(segment)
            digest = reader.digest()
        readings = seen.readings
        robot = run.robot
        return RunResult(
            run_id=described.run_id,
            started=datetime.fromisoformat(described.started),
            tool_version=__version__,
            robot=RobotUnderTest(
                name=robot.name, serial=robot.serial, robot_class=robot.robot_class, is_virtual=run.robot_file.virtual
            ),
            route=self._route,
            suites=tuple(
                SuiteResult(
                    name=suite.name,
                    title=suite.title,
                    cases=tuple(self._case(suite, case) for case in suite.cases),
                )
                for suite in run.suites
            ),
            faults=described.faults,
            seed=described.seed,
            trouble=ending.trouble if ending else None,
            reason=ending.reason if ending else "",
            is_interrupted=ending.is_interrupted if ending else False,
            trace=TraceFile(file=TRACE, sha256=digest),
            robot_s=ending.robot_s if ending else None,
            wall_s=ending.wall_s if ending else seen.wall_s,
            lines=ending.lines if ending else (),
            environment=described.environment,
            settings=settings_read(readings, run.robot_file.settings),
            loaded=LoadedFile(**described.loaded) if described.loaded else None,
            notes=tuple(self._notes(readings)),
            replay_of=ReplayOf(run=described.run_id, tool_version=described.tool_version),
        )

    def _notes(self, readings: Mapping[str, Reading]) -> list[str]:
        run, ending = self._run, self._run.ending
        told = list(ending.notes) if ending else ["The run was cut off; what its trace holds was judged."]
        told += settings_notes(readings, run.robot_file.settings, was_cut_short=ending is None)
        told += calibration_notes(run.robot_file.robot, run.calibrations, run.suites, self._route)
        return [*told, f"Measured and judged again from the trace of the run {run.description.run_id}.", *run.notes]

    # From the trace to the results of cases, in the order of the trace

    def _take(self, segment: Segment) -> None:
        key = (segment.suite, segment.case)
        if segment.skipped:
            self._skipped[key].append(segment.skipped)
            return
        number = len(self._made[key])
        if number < len(self._wanted[key]):
            suite, case = self._wanted[key][number]
            self._made[key].append(self._judged(suite, case, segment))

    def _judged(self, suite: Suite, case: Case, segment: Segment) -> CaseResult:
        ended = segment.ended
        if ended is None:
            return self._without(suite, case, Outcome.SKIPPED, self._cut_off(case, segment), _rounds_begun(segment))
        trouble = Outcome(ended["trouble"]) if ended["trouble"] else None
        reason, repeats = str(ended["reason"]), int(ended["repeats"])
        is_own = self._run.are_own_suites
        notes: tuple[str, ...] = tuple(map(str, ended["notes" if is_own else "left_out"]))
        if trouble is not None:
            assertions = unjudged(suite.name, case, trouble, reason, self._class, self._route)
            assertions = tuple(one for one in assertions if not is_own or one.measurement in ended["asserted"])
            made = Judgement(assertions=assertions)
        elif is_own:
            made = self._look_again(suite, case, segment)
        else:
            made, said = self._look(suite, case, segment, repeats)
            notes += (*said, *unmeasured_note(case, self._route))
        return CaseResult(
            name=case.name,
            title=case.title,
            assertions=made.assertions,
            measured=made.measured,
            trouble=trouble,
            reason=reason,
            repeats=repeats,
            surfaces=surfaces_of(case, self._route, repeats),
            robot_s=None if ended["robot_s"] is None else float(ended["robot_s"]),
            wall_s=float(ended["wall_s"]),
            notes=notes,
        )

    def _look_again(self, suite: Suite, case: Case, segment: Segment) -> Judgement:
        """Judge at the last look of the run, as the run did."""
        places = [number for number, record in enumerate(segment.records) if _is_look(record)]
        if not places:
            raise BenchError(
                f"the trace does not say when the repeats of the case '{case.name}' were looked at",
                where=str(self._run.trace),
                todo="Judge it with the version of hil that made it",
            )
        fields: Mapping[str, Any] = _fields_of(segment.records[places[-1]])
        plan = Looks(after=tuple(map(int, fields["after"])))
        return self._judge_at(suite, case, segment.records[: places[-1]], plan, fields)

    def _cut_off(self, case: Case, segment: Segment) -> str:
        rounds = len(rounds_of(case, self._route))
        begun = _rounds_begun(segment)
        return f"{CUT_OFF}{f' in repeat {begun} of {rounds}' if rounds > 1 else ''}."

    def _look(self, suite: Suite, case: Case, segment: Segment, repeats: int) -> tuple[Judgement, tuple[str, ...]]:
        """Judge at the looks of another suite that the run came to; return what was made and what is to be said."""
        plan = looks_of(case, self._route)
        made = Judgement()
        due = [done for done in plan.after if done <= repeats] or [repeats]
        for done in due:
            records = segment.records[: _end_of_round(segment.records, done)]
            reported = {**_last_look(segment.records), "repeats": done}
            made = self._judge_at(suite, case, records, plan, reported)
            if ends_repeats(made.assertions, plan, done):
                break
        notes = [f"The trace holds no drive '{name}' of this case." for name in self._lacking(case, segment)]
        if not ends_repeats(made.assertions, plan, due[-1]):
            held = counted(repeats, "repeat")
            notes.append(f"The trace holds {held}; by this suite up to {plan.after[-1]} would be made.")
        return made, tuple(notes)

    def _judge_at(
        self, suite: Suite, case: Case, records: Sequence[TraceRecord], plan: Looks, look: Mapping[str, Any]
    ) -> Judgement:
        court = Court(
            suite=suite.name,
            case=case,
            route=self._route,
            robot_class=self._class,
            source="virtual robot" if self._run.robot_file.virtual else "robot",
            looks=plan,
            done=int(look["repeats"]),
            reported=look.get("reported"),
        )
        evidence = evidence_of(
            records,
            self._run.speech,
            self._run.robot_on(case.course.surface),
            case,
            host_is_real=self._run.description.is_paced,
        )
        return judge_case(court, evidence)

    def _lacking(self, case: Case, segment: Segment) -> list[str]:
        """Return the names of drives of another suite's case that the trace does not hold."""
        held = {record.name for record in segment.records if isinstance(record, Mark) and _begins(record, _DRIVE)}
        steps = [*case.setup, *(step for one in rounds_of(case, self._route) for step in one.steps)]
        wanted = dict.fromkeys(step.name for step in steps if isinstance(step, DriveStep))
        return [name for name in wanted if name not in held]

    # Cases in the order of the suites

    def _case(self, suite: Suite, case: Case) -> CaseResult:
        made = self._made[suite.name, case.name]
        result = made.pop(0) if made else self._not_made(suite, case)
        self._outcomes[suite.name, case.name] = result.outcome
        return result

    def _not_made(self, suite: Suite, case: Case) -> CaseResult:
        noted = self._skipped[suite.name, case.name]
        reason = noted.pop(0) if noted else ""
        unmet = [need for need in case.needs if self._outcomes[suite.name, need] is not Outcome.PASSED]
        if not self._run.are_own_suites:
            if unmet:
                reason = f"Not run: it needs the case '{unmet[0]}', which {self._outcomes[suite.name, unmet[0]].value}."
            elif reason:
                reason = f"The trace does not hold this case; in the run it said: {reason}"
            else:
                reason = f"The trace does not hold the case '{case.name}' of the suite '{suite.name}'."
        return self._without(
            suite, case, Outcome.SKIPPED, reason or "Not run: the run was cut off before this case.", 0
        )

    def _without(self, suite: Suite, case: Case, outcome: Outcome, reason: str, repeats: int) -> CaseResult:
        return CaseResult(
            name=case.name,
            title=case.title,
            assertions=unjudged(suite.name, case, outcome, reason, self._class, self._route),
            trouble=outcome,
            reason=reason,
            repeats=repeats,
        )


def segments_of(records: Iterable[TraceRecord]) -> Iterator[Segment]:
    """Cut a trace into its cases, in the order they were run; one without an end is yielded last."""
    segment: Segment | None = None
    for record in records:
        if isinstance(record, Mark) and record.step == _CASE:
            suite = str(record.fields.get("suite", ""))
            if record.kind is MarkKind.BEGIN:
                segment = Segment(suite=suite, case=record.name)
            elif record.kind is MarkKind.NOTE:
                yield Segment(suite=suite, case=record.name, skipped=str(record.fields.get("skipped", "")))
            elif segment is not None:
                segment.records.append(record)
                segment.ended = _ending_of(record)
                yield segment
                segment = None
        if segment is not None:
            segment.records.append(record)
    if segment is not None:
        yield segment


@dataclass(slots=True)
class _Seen:
    """What a whole trace says beside its cases: what the firmware's settings were, and how long it is."""

    readings: dict[str, Reading] = field(default_factory=dict)
    first_ns: int | None = None
    last_ns: int = 0

    def passing(self, records: Iterable[TraceRecord]) -> Iterator[TraceRecord]:
        """Look at records and pass them on."""
        for record in records:
            self.first_ns = record.t_ns if self.first_ns is None else self.first_ns
            self.last_ns = record.t_ns
            self.readings |= readings_in([record])
            yield record

    @property
    def wall_s(self) -> float:
        """From the first record to the last [s]."""
        return 0.0 if self.first_ns is None else (self.last_ns - self.first_ns) / 1e9


def _ending_of(mark: Mark) -> dict[str, Any]:
    wanted = {"trouble", "reason", "repeats", "robot_s", "wall_s", "left_out", "notes", "asserted"}
    ended: dict[str, Any] = dict(mark.fields)
    if missing := wanted - ended.keys():
        raise BenchError(
            f"the end mark of the case '{mark.name}' does not say {', '.join(sorted(missing))}",
            where="the trace",
            todo="Judge it with the version of hil that made it",
        )
    return ended


def _begins(record: TraceRecord, step: str) -> bool:
    return isinstance(record, Mark) and record.step == step and record.kind is MarkKind.BEGIN


def _round_of(record: TraceRecord) -> int:
    """Return the repeat a record belongs to, counted from 0; -1 where it does not say."""
    if isinstance(record, AnswerGiven):
        return record.repeat
    if isinstance(record, Mark) and _begins(record, _DRIVE):
        repeat: Any = record.fields.get("repeat", -1)
        return int(repeat)
    return -1


def _is_look(record: TraceRecord) -> bool:
    return isinstance(record, Mark) and record.step == _LOOK


def _fields_of(record: TraceRecord) -> Mapping[str, Any]:
    return record.fields if isinstance(record, Mark) else {}


def _last_look(records: Sequence[TraceRecord]) -> Mapping[str, Any]:
    return next((_fields_of(record) for record in reversed(records) if _is_look(record)), {})


def _end_of_round(records: Sequence[TraceRecord], done: int) -> int:
    """Return how many records there were when `done` repeats had been made: by the look's mark, or what follows."""
    for number, record in enumerate(records):
        if _is_look(record) and _fields_of(record).get("repeats") == done:
            return number
    return next((number for number, record in enumerate(records) if _round_of(record) >= done), len(records))


def _rounds_begun(segment: Segment) -> int:
    return 1 + max((0, *map(_round_of, segment.records)))
