"""The person's part of a run that is played from a trace: what was done counts as done, what was said is said again.

The person comes back from something to do when the trace has given out everything that came until then, and takes as
long for it as in the trace. A question is answered by the trace's answers of that name, in order, with the words, the
uncertainty and the source they had, where in the same case the robot was placed and driven alike before it; one that
the trace does not hold has nobody to answer it.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TypeGuard

from hil.engine.operator import Correction, DriveOrder, Reading, nothing_to_do
from hil.engine.replayed_hands import ReplayedHands
from hil.errors import OperatorAbsent
from hil.measure.model import CellPose
from hil.measure.trace import AnswerGiven, Mark, MarkKind, TraceRecord
from hil.spec.robot_values import Program
from hil.spec.suite_values import Board, Observe
from hil.transports.tape import Tape, event_of

Said = AnswerGiven | Mark
_NOT_SEEN = "not seen"
_DONE = ("case", "place", "drive")  # steps by which the place of a reading is known


class ReplayedPerson(ReplayedHands):
    """Whoever did the person's part in a trace."""

    def __init__(self, tape: Tape, records: Iterable[TraceRecord]) -> None:
        """Take of `records` what was answered, and what could not be seen."""
        records = list(records)
        super().__init__(records, self._come_back, tape.name)
        self.idle = nothing_to_do
        self.source = "operator"
        self._tape = tape
        self._here = 0  # stands for all that was done in the present case until now
        self._said: list[Said] = []
        self._after: dict[int, int] = {}  # the same for what was said in the trace, by its identity
        there = 0
        for record in records:
            there = _after(there, record)
            if _is_said(record):
                self._said.append(record)
                self._after[id(record)] = there
        self._asked: dict[str, Observe] = {}
        self._corrected: list[Correction] = []

    def saw(self, record: TraceRecord) -> None:
        """Take note of a mark that the host has recorded."""
        self._here = _after(self._here, record)

    def _come_back(self) -> None:
        """Be away until the trace has given out what came meanwhile."""
        self._tape.catch_up(self.idle)

    def tell(self, text: str, board: Board | None) -> None:
        """Count it as done."""
        self._come_back()

    def start_drive(self, order: DriveOrder) -> None:
        """Come back when the drive of the trace had ended."""
        self._come_back()

    def load(self, program: Program) -> None:
        """Count it as done."""
        self._come_back()

    def untether(self, say: str) -> None:
        """Count it as done."""
        self._come_back()

    def retether(self, say: str) -> None:
        """Count it as done."""
        self._come_back()

    def ask_for_dump(self, what: str) -> None:
        """Count it as done."""
        self._come_back()

    def switch_off(self) -> None:
        """Nothing drives that could be switched off."""

    def place(self, course_file: Path, course_title: str, pose: CellPose) -> None:
        """Count it as done."""
        self._come_back()

    def observe(self, step: Observe, pose: CellPose) -> Reading | None:
        """Read again what was read, or see again nothing."""
        self._asked[step.name] = step
        at = self._find(step.name)
        first = at
        while first > 0 and _corrects(self._said[first - 1]):
            first -= 1
        corrections = [self._said.pop(first) for _ in range(at - first)]
        taken = [self._said.pop(first)]
        if _base(taken[0]) != taken[0].name and first < len(self._said) and _base(self._said[first]) == step.name:
            taken.append(self._said.pop(first))
        self._corrected += self._corrections(corrections)
        answers = [one for one in taken if isinstance(one, AnswerGiven)]
        return self._reading(answers) if answers else None

    def corrections(self) -> Sequence[Correction]:
        """Return what was corrected before the reading that was given last."""
        found, self._corrected = self._corrected, []
        return found

    def ask(self, name: str, question: str, unit: str) -> Reading:
        """Answer again what was answered."""
        taken = self._said.pop(self._find(name))
        if not isinstance(taken, AnswerGiven):
            raise self._absent(name)
        return self._reading([taken])

    def consent(self, cautions: Sequence[str]) -> None:
        """Nobody can be hurt by a trace."""

    def _find(self, name: str) -> int:
        """Return the place of the first thing said to a question, once the trace has come to it."""
        self._come_back()
        for at, said in enumerate(self._said):
            if _base(said) == name and not _corrects(said) and self._after[id(said)] == self._here:
                return at
        raise self._absent(name)

    def _absent(self, name: str) -> OperatorAbsent:
        return OperatorAbsent(
            f"the trace holds no more answers to '{name}' after what was done here",
            where=self._tape.name,
            expected="the suites of the run that was recorded",
            todo="Judge the trace by another suite with hil replay --suite",
        )

    def _corrections(self, said: Sequence[Said]) -> list[Correction]:
        """Put corrections together, those of one reading in parts to one."""
        by_name: dict[str, list[AnswerGiven]] = {}
        for one in said:
            answers = by_name.setdefault(_base(one), [])
            if isinstance(one, AnswerGiven):
                answers.append(one)
        return [
            Correction(step=self._asked[name], reading=self._reading(answers) if answers else None)
            for name, answers in by_name.items()
            if name in self._asked
        ]

    def _reading(self, answers: Sequence[AnswerGiven]) -> Reading:
        self.source = answers[0].source
        readings = [Reading(value=one.value, unit=one.unit, u=one.u, said=one.said) for one in answers]
        if "part" not in answers[0].how:
            return readings[0]
        parts = {str(one.how["part"]): reading for one, reading in zip(answers, readings, strict=True)}
        return replace(readings[0], parts=parts)


def _after(before: int, record: TraceRecord) -> int:
    """Return what stands for all that was done in a case, after one more record."""
    if not isinstance(record, Mark) or record.kind is not MarkKind.BEGIN or record.step not in _DONE:
        return before
    return hash((0 if record.step == "case" else before, event_of(record)))


def _is_said(record: TraceRecord) -> TypeGuard[Said]:
    return isinstance(record, AnswerGiven) or (isinstance(record, Mark) and record.step == _NOT_SEEN)


def _corrects(said: Said) -> bool:
    return bool(said.corrects if isinstance(said, AnswerGiven) else said.fields.get("corrects"))


def _base(said: Said) -> str:
    """Return the name of the question that something was said to."""
    part = said.how.get("part") if isinstance(said, AnswerGiven) else None
    return said.name.removesuffix(f".{part}") if part else said.name
