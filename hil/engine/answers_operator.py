"""The person's part done by an answers file: things to do count as done, readings are taken by name, in order.

`not seen` stands for a reading that could not be taken. An angle by two offsets has two lists, NAME.front and
NAME.rear.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

from hil.engine.entries import NOT_SEEN, expected_entry, read_entry
from hil.engine.operator import Correction, DriveOrder, Operator, Reading, nothing_to_do, two_offsets, u_of
from hil.errors import OperatorAbsent, UsageError
from hil.measure.model import CellPose
from hil.measure.readings import FRONT, REAR
from hil.measure.values import CannotMeasureError
from hil.quantities import QuantityError
from hil.spec.robot_values import Program
from hil.spec.suite_values import Board, Instrument, Observe, Observed


class AnswersFileOperator:
    """Answers prepared in a file: things to do count as done, readings are taken by name, in order."""

    source = "answers file"

    def __init__(self, path: Path, answers: Mapping[str, Sequence[str]], hands: Operator | None = None) -> None:
        """`hands` is whoever does what has to be done, where that is not vouched for by the file's author."""
        self.idle = nothing_to_do
        self._path = path
        self._hands = hands
        self._answers = {name: deque(values) for name, values in answers.items()}

    def tell(self, text: str, board: Board | None) -> None:
        """Count it as done: whoever wrote the file vouches for it."""
        if self._hands is not None:
            self._hands.tell(text, board)

    def start_drive(self, order: DriveOrder) -> None:
        """Count it as done: whoever wrote the file vouches for it."""
        if self._hands is not None:
            self._hands.start_drive(order)

    def load(self, program: Program) -> None:
        """Count it as done: whoever wrote the file vouches for it."""
        if self._hands is not None:
            self._hands.load(program)

    def untether(self, say: str) -> None:
        """Count it as done: whoever wrote the file vouches for it."""
        if self._hands is not None:
            self._hands.untether(say)

    def retether(self, say: str) -> None:
        """Count it as done: whoever wrote the file vouches for it."""
        if self._hands is not None:
            self._hands.retether(say)

    def ask_for_dump(self, what: str) -> None:
        """Count it as done: whoever wrote the file vouches for it."""
        if self._hands is not None:
            self._hands.ask_for_dump(what)

    def switch_off(self) -> None:
        """Count it as done: whoever wrote the file vouches for it."""
        if self._hands is not None:
            self._hands.switch_off()

    def place(self, course_file: Path, course_title: str, pose: CellPose) -> None:
        """Count it as done: whoever wrote the file vouches for it."""
        if self._hands is not None:
            self._hands.place(course_file, course_title, pose)

    def stand(self) -> None:
        """Count it as done: whoever wrote the file vouches for it."""
        if self._hands is not None:
            self._hands.stand()

    def turn_wheel(self, wheel: str, turns: float) -> None:
        """Count it as done: whoever wrote the file vouches for it."""
        if self._hands is not None:
            self._hands.turn_wheel(wheel, turns)

    def spin(self, left: float, right: float, duration_s: float) -> None:
        """Count it as done: whoever wrote the file vouches for it."""
        if self._hands is not None:
            self._hands.spin(left, right, duration_s)

    def clip_resistor(self, ohm: float | None, battery_v: float) -> None:
        """Count it as done: whoever wrote the file vouches for it."""
        if self._hands is not None:
            self._hands.clip_resistor(ohm, battery_v)

    def set_lamps(self, *, are_on: bool) -> None:
        """Count it as done: whoever wrote the file vouches for it."""
        if self._hands is not None:
            self._hands.set_lamps(are_on=are_on)

    def set_jig(self, sensor: str, surface: str, distance_mm: float, angle_rad: float, remark: str) -> float:
        """Count it as done as it was asked for; refuse without anybody to do it, since boards are set one by one."""
        if self._hands is None:
            raise OperatorAbsent(
                f"nobody is there to set a board before {sensor}",
                where=str(self._path),
                expected="a person at the terminal, who sets each board in turn",
                todo="Run without --answers for the cases with a step 'jig'",
            )
        return self._hands.set_jig(sensor, surface, distance_mm, angle_rad, remark)

    def keeps(self, doubt: str) -> bool:
        """Keep what was read, unless somebody is there to ask."""
        return self._hands.keeps(doubt) if self._hands is not None else True

    def _next(self, name: str) -> str:
        if not self._answers.get(name):
            known = ", ".join(sorted(key for key, left in self._answers.items() if left)) or "none"
            raise OperatorAbsent(
                f"no answer is left for '{name}'",
                where=str(self._path),
                expected=f"one more value under '{name}' (names with answers left: {known})",
                todo="Add it to the file, or run without --answers at a terminal",
            )
        return self._answers[name].popleft()

    def observe(self, step: Observe, pose: CellPose) -> Reading | None:
        """Take the next value under the step's name, or under both names of an angle by two offsets."""
        if step.instrument is not Instrument.TWO_OFFSETS:
            found = self._number(step.name, step.unit, step.u, step.what)
            return found and replace(found, u=u_of(step, found.value))
        parts = [self._number(f"{step.name}.{part}", "mm", step.u, Observed.OFFSET) for part in (FRONT, REAR)]
        if parts[0] is None or parts[1] is None:
            return None
        try:
            return two_offsets(step, parts[0], parts[1])
        except CannotMeasureError as error:
            raise UsageError(str(error), where=str(self._path), todo=f"Correct '{step.name}' in the file") from None

    def corrections(self) -> Sequence[Correction]:
        """Return nothing: a file is corrected with an editor."""
        return ()

    def ask(self, name: str, question: str, unit: str) -> Reading:
        """Take the next value under the name."""
        found = self._number(name, unit, 0.0)
        if found is None:
            raise UsageError(
                f"the answer for '{name}' is not given", where=str(self._path), expected=expected_entry(unit)
            )
        return found

    def _number(self, name: str, unit: str, u: float, what: Observed | None = None) -> Reading | None:
        said = self._next(name)
        if said.strip().lower() in NOT_SEEN:
            return None
        try:
            return Reading(value=read_entry(said, unit, what), unit=unit, u=u, said=said)
        except QuantityError as error:
            raise UsageError(
                f"the answer for '{name}' cannot be read: {error}",
                where=str(self._path),
                expected=expected_entry(unit, what),
                todo="Correct the file",
            ) from None

    def consent(self, cautions: Sequence[str]) -> None:
        """Refuse: a file cannot see whether hands are clear. The caller asks only without --unattended."""
        raise OperatorAbsent(
            "an answers file cannot agree to the cautions",
            where=str(self._path),
            todo="Add --unattended if somebody has made the bench safe",
        )
