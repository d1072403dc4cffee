"""The person's part of a run that is played from a trace: what was done counts as done, what was said is said again.

The person comes back from something to do when the trace has given out everything that came until then, and takes as
long for it as in the trace. A question is answered by the trace's answers of that name, in order, with the words, the
uncertainty and the source they had; one that the trace does not hold has nobody to answer it.
"""

from __future__ import annotations

from collections import defaultdict, deque
from collections.abc import Iterable, Sequence
from pathlib import Path

from hil.engine.operator import DriveOrder, Reading, nothing_to_do
from hil.errors import OperatorAbsent
from hil.measure.model import CellPose
from hil.measure.trace import AnswerGiven
from hil.spec.robot_values import Program
from hil.spec.suite_values import Board, Observe
from hil.transports.tape import Tape


class ReplayedPerson:
    """Whoever did the person's part in a trace."""

    def __init__(self, tape: Tape, answers: Iterable[AnswerGiven]) -> None:
        self.idle = nothing_to_do
        self.source = "operator"
        self._tape = tape
        self._answers: dict[str, deque[AnswerGiven]] = defaultdict(deque)
        for answer in answers:
            self._answers[answer.name].append(answer)

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

    def observe(self, step: Observe, pose: CellPose) -> Reading:
        """Read again what was read."""
        return self._next(step.name)

    def ask(self, name: str, question: str, unit: str) -> Reading:
        """Answer again what was answered."""
        return self._next(name)

    def consent(self, cautions: Sequence[str]) -> None:
        """Nobody can be hurt by a trace."""

    def _next(self, name: str) -> Reading:
        self._come_back()
        if not self._answers[name]:
            raise OperatorAbsent(
                f"the trace holds no more answers to '{name}'",
                where=self._tape.name,
                expected="the suites of the run that was recorded",
                todo="Judge the trace by another suite with hil replay --suite",
            )
        answer = self._answers[name].popleft()
        self.source = answer.source
        return Reading(value=answer.value, unit=answer.unit, u=answer.u, said=answer.said)
