"""Answers kept in a trace: with how they were read, corrected where they belong, and never lost."""

from __future__ import annotations

import io
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from hil.catalogue import Catalogue, data_folder
from hil.engine.answering import Answering
from hil.engine.recorder import Recorder
from hil.engine.terminal_operator import TerminalOperator
from hil.measure.evidence import Evidence
from hil.measure.model import CellPose, Heading
from hil.measure.series import evidence_from
from hil.measure.trace import AnswerGiven, Mark
from hil.spec.kinds import Kind
from hil.spec.loading import load_course, load_protocol, load_robot
from hil.spec.suite_values import Instrument, Observe, Observed
from hil.store.trace import TraceWriter
from hil.timing import FakeClock

HERE = CellPose(x=0, y=3, heading=Heading.NORTH)
OFFSET = Observe(what=Observed.OFFSET, name="offset", prompt="", instrument=Instrument.RULER, u=0.5)
ALONG = Observe(what=Observed.ALONG, name="along", prompt="", instrument=Instrument.RULER, u=0.5)
ANGLE = Observe(what=Observed.ANGLE, name="angle", prompt="", instrument=Instrument.TWO_OFFSETS, u=0.5, apart_mm=100.0)

Begun = Callable[[str], Answering]


@pytest.fixture
def recorder(tmp_path: Path) -> Iterator[Recorder]:
    clock = FakeClock()
    with TraceWriter(tmp_path / "trace.sqlite", clock) as writer:
        yield Recorder(writer, clock)


@pytest.fixture
def typing(recorder: Recorder) -> Begun:
    """A case answered by a person who types these lines."""

    def begun(typed: str) -> Answering:
        person = TerminalOperator(io.StringIO(typed).readline, io.StringIO())
        return Answering(operator=person, recorder=recorder, case="stops")

    return begun


def answers(recorder: Recorder) -> list[AnswerGiven]:
    return [record for record in recorder.records if isinstance(record, AnswerGiven)]


def evidence(recorder: Recorder) -> Evidence:
    dialect = load_protocol(data_folder() / "protocols" / "tagged-lines" / "tagged-lines.protocol.yaml")
    catalogue = Catalogue()
    robot = load_robot(catalogue.find(Kind.ROBOT, "virtual"), catalogue).robot
    course = load_course(catalogue.find(Kind.COURSE, "corner"))
    return evidence_from(recorder.records, dialect, robot, course, "stops")


def test_a_correction_belongs_to_the_repeat_of_what_it_corrects_and_both_are_kept(
    typing: Begun, recorder: Recorder
) -> None:
    answering = typing("1.5\nb\n2.5\n4\n")
    answering.observe(OFFSET, HERE, 0)
    answering.observe(ALONG, HERE, 1)
    kept = [(one.name, one.value, one.repeat, one.corrects) for one in answers(recorder)]
    assert kept == [("offset", 1.5, 0, False), ("offset", 2.5, 0, True), ("along", 4.0, 1, False)]
    assert [(one.name, one.value) for one in evidence(recorder).answers] == [("offset", 2.5), ("along", 4.0)]


def test_a_reading_taken_back_counts_no_more_and_stays_in_the_trace(typing: Begun, recorder: Recorder) -> None:
    answering = typing("1.5\nb\n-\n4\n")
    answering.observe(OFFSET, HERE, 0)
    answering.observe(ALONG, HERE, 0)
    found = evidence(recorder)
    assert [one.name for one in found.answers] == ["along"]
    assert found.unseen == ("offset",)
    assert [one.name for one in answers(recorder)] == ["offset", "along"]


def test_what_was_not_seen_at_first_and_then_was_is_a_reading(typing: Begun, recorder: Recorder) -> None:
    answering = typing("-\nb\n1.5\n4\n")
    assert not answering.observe(OFFSET, HERE, 0)
    assert answering.observe(ALONG, HERE, 0)
    found = evidence(recorder)
    assert [(one.name, one.value) for one in found.answers] == [("offset", 1.5), ("along", 4.0)]
    assert found.unseen == ()


def test_a_correction_of_a_case_that_is_over_is_kept_as_a_note(typing: Begun, recorder: Recorder) -> None:
    before = typing("1.5\nb\n2.5\n4\n")
    before.observe(OFFSET, HERE, 0)
    after = Answering(operator=before.operator, recorder=recorder, case="turns")
    after.observe(ALONG, HERE, 0)
    (late,) = [
        record for record in recorder.records if isinstance(record, Mark) and record.step == "corrected too late"
    ]
    assert (late.name, late.fields["said"]) == ("offset", "2.5")
    assert [one.value for one in answers(recorder)] == [1.5, 4.0]


def test_two_offsets_are_kept_raw_with_how_they_were_read(typing: Begun, recorder: Recorder) -> None:
    typing("2\n-1\n").observe(ANGLE, HERE, 0)
    kept = answers(recorder)
    assert [(one.name, one.value, one.how["part"]) for one in kept] == [
        ("angle.front", 2.0, "front"),
        ("angle.rear", -1.0, "rear"),
    ]
    assert {one.how["apart_mm"] for one in kept} == {100.0}
    assert {one.how["instrument"] for one in kept} == {"two offsets"}
