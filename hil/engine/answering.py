"""What a person answers, kept: readings with how they were taken, corrections, and what could not be seen.

A reading that is computed from several raw ones is kept as those, named NAME.front and NAME.rear. What could not be
seen is a mark in the trace, never a number.
"""

from __future__ import annotations

from dataclasses import dataclass

from hil.engine.operator import Operator, Reading, how_read
from hil.engine.recorder import Recorder
from hil.measure.model import CellPose
from hil.measure.trace import Json
from hil.spec.suite_values import Ask, Observe


@dataclass(frozen=True, slots=True, kw_only=True)
class Answering:
    """Asks `operator` for the readings of one case and keeps them with `recorder`."""

    operator: Operator
    recorder: Recorder
    case: str

    def observe(self, step: Observe, pose: CellPose, repeat: int) -> bool:
        """Take a reading and tell whether there is one."""
        reading = self.operator.observe(step, pose)
        for correction in self.operator.corrections():
            self._keep_all(correction.step, correction.reading, repeat, corrects=True)
        if reading is None:
            fields: dict[str, Json] = {"case": self.case, "repeat": repeat, **how_read(step)}
            self.recorder.note("not seen", step.name, fields)
            return False
        self._keep_all(step, reading, repeat, corrects=False)
        return True

    def ask(self, step: Ask, repeat: int) -> None:
        """Ask for a number that the person knows."""
        self._keep(step.name, self.operator.ask(step.name, step.question, step.unit), repeat, {}, corrects=False)

    def _keep_all(self, step: Observe, reading: Reading, repeat: int, *, corrects: bool) -> None:
        how = how_read(step)
        for part, raw in reading.parts.items():
            self._keep(f"{step.name}.{part}", raw, repeat, {**how, "part": part}, corrects=corrects)
        if not reading.parts:
            self._keep(step.name, reading, repeat, how, corrects=corrects)

    def _keep(self, name: str, reading: Reading, repeat: int, how: dict[str, Json], *, corrects: bool) -> None:
        self.recorder.answer(
            name=name,
            value=reading.value,
            unit=reading.unit,
            u=reading.u,
            case=self.case,
            repeat=repeat,
            source=self.operator.source,
            said=reading.said,
            how=how,
            corrects=corrects,
        )
