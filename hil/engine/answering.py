"""What a person answers, kept: readings with how they were taken, corrections, and what could not be seen.

A reading that is computed from several raw ones is kept as those, named NAME.front and NAME.rear. What could not be
seen is a mark in the trace, never a number. A correction is kept behind what it corrects, which stays.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from hil.engine.answers_file import UNSEEN
from hil.engine.battery_check import BATTERY, refuse_empty
from hil.engine.operator import Correction, Operator, Reading, how_read
from hil.engine.recorder import Recorder
from hil.measure.model import CellPose, Supply
from hil.measure.trace import Json
from hil.spec.suite_values import Ask, Observe


@dataclass(frozen=True, slots=True, kw_only=True)
class Answering:
    """Asks `operator` for the readings of one case and keeps them with `recorder`."""

    operator: Operator
    recorder: Recorder
    case: str
    supply: Supply | None = None
    _asked: dict[str, int] = field(default_factory=dict)  # in which repeat a name was asked for last

    def observe(self, step: Observe, pose: CellPose, repeat: int, *, at_rest: bool = True) -> bool:
        """Take a reading and tell whether there is one; raise `BenchError` for a battery at rest below its lowest.

        Under a load a good battery may sag below what it must have at rest, and an old one is there to be measured.
        """
        supply = self.supply if step.at == BATTERY and at_rest else None
        if supply is not None:
            step = replace(step, lowest=supply.lowest_v)
        reading = self.operator.observe(step, pose)
        for correction in self.operator.corrections():
            self._correct(correction)
        self._asked[step.name] = repeat
        self._keep_all(step, reading, repeat, corrects=False)
        if reading is not None and supply is not None:
            refuse_empty(supply, reading.value, f"case {self.case}, '{step.name}' by a meter")
        return reading is not None

    def ask(self, step: Ask, repeat: int) -> None:
        """Ask for a number that the person knows."""
        self._keep(step.name, self.operator.ask(step.name, step.question, step.unit), repeat, {}, corrects=False)

    def _correct(self, correction: Correction) -> None:
        """Keep a correction with the repeat it belongs to; one of a case that is over comes too late for it."""
        repeat = self._asked.get(correction.step.name)
        if repeat is None:
            said = correction.reading.said if correction.reading else UNSEEN
            self.recorder.note("corrected too late", correction.step.name, {"case": self.case, "said": said})
        else:
            self._keep_all(correction.step, correction.reading, repeat, corrects=True)

    def _keep_all(self, step: Observe, reading: Reading | None, repeat: int, *, corrects: bool) -> None:
        how = how_read(step)
        if reading is None:
            fields: dict[str, Json] = {"case": self.case, "repeat": repeat, **how}
            self.recorder.note(UNSEEN, step.name, {**fields, "corrects": True} if corrects else fields)
            return
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
