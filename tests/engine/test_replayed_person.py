"""The person of a trace: says again what was said, in order, with corrections, and nothing that was not."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import pytest

from hil.engine.answering import Answering
from hil.engine.operator import Correction, Reading
from hil.engine.recorder import Recorder
from hil.engine.replayed_person import ReplayedPerson
from hil.errors import OperatorAbsent
from hil.measure.model import CellPose, Heading
from hil.measure.trace import TraceRecord
from hil.spec.suite_values import Ask, Instrument, Observe, Observed
from hil.store.trace import TraceReader, TraceWriter
from hil.timing import FakeClock
from hil.transports.tape import Tape

HERE = CellPose(x=0, y=0, heading=Heading.NORTH)
OFFSET = Observe(what=Observed.OFFSET, name="offset", prompt="", instrument=Instrument.RULER, u=0.5)
ANGLE = Observe(what=Observed.ANGLE, name="angle", prompt="", instrument=Instrument.TWO_OFFSETS, u=0.5, apart_mm=90.0)


def millimetres(value: float) -> Reading:
    return Reading(value=value, unit="mm", u=0.5, said=f"{value} mm")


class Scripted(ReplayedPerson):
    """Somebody who reads twice, could not see once, reads an angle in parts, and corrects the first two at the end."""

    def __init__(self) -> None:
        self.source = "somebody"
        parts = {"front": millimetres(1.0), "rear": millimetres(-1.0)}
        self._angle = Reading(value=1.3, unit="deg", u=0.4, said="1 / -1", parts=parts)
        self._readings: list[Reading | None] = [millimetres(1.0), None, self._angle, millimetres(2.0)]

    def observe(self, step: Observe, pose: CellPose) -> Reading | None:
        return self._readings.pop(0)

    def ask(self, name: str, question: str, unit: str) -> Reading:
        return Reading(value=7.5, unit=unit, u=0.0, said="7.5")

    def corrections(self) -> Sequence[Correction]:
        if self._readings:
            return ()
        new = {"front": millimetres(3.0), "rear": millimetres(-3.0)}
        return [
            Correction(step=OFFSET, reading=millimetres(10.0)),
            Correction(step=ANGLE, reading=Reading(value=3.8, unit="deg", u=0.4, said="3 / -3", parts=new)),
        ]


def asked(person: ReplayedPerson | Scripted, path: Path) -> list[TraceRecord]:
    """Let somebody answer, and return what was recorded of it, times left out."""
    writer = TraceWriter(path, FakeClock())
    recorder = Recorder(writer, FakeClock())
    answering = Answering(operator=person, recorder=recorder, case="c")
    for repeat, step in enumerate((OFFSET, OFFSET, ANGLE, OFFSET)):
        answering.observe(step, HERE, repeat)
    answering.ask(Ask(question="?", name="battery", unit="V"), 0)
    writer.close()
    return recorder.records


def test_what_was_said_is_recorded_the_same_when_it_is_said_again(tmp_path: Path) -> None:
    first = asked(Scripted(), tmp_path / "first.trace")
    assert len(first) == 9  # an offset, one not seen, two parts, three corrected values, an offset, a number
    with TraceReader(tmp_path / "first.trace") as reader:
        person = ReplayedPerson(Tape(tmp_path / "first.trace"), reader)
    assert asked(person, tmp_path / "second.trace") == first
    with pytest.raises(OperatorAbsent, match="the trace holds no more answers to 'offset'"):
        person.observe(OFFSET, HERE)
    with pytest.raises(OperatorAbsent, match="the trace holds no more answers to 'battery'"):
        person.ask("battery", "?", "V")
