"""From measurements to assertions: units that do not fit, and what two tell of the same drives and of others."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from hil.catalogue import Catalogue
from hil.engine.judging import Court, judge_case
from hil.judge.repeats import looks
from hil.measure.evidence import Answer, Drive, Event, Evidence, Samples
from hil.outcomes import Outcome
from hil.results import AssertionResult, Route
from hil.spec.kinds import Kind
from hil.spec.loading import load_robot, load_suite
from hil.spec.suite_values import Case

SUITE = """\
suite: two-witnesses
title: Two witnesses
why: Neither is believed more than the other.
course: corridor-six
cases:
  one:
    title: A straight
    program: driving
    sequence:
      - place: {at: start}
      - drive: {path: ahead 3 by both, front: counts, as: leg}
      - observe: {what: WHAT, as: read}
    measure:
      it: {MEASURE}
    assert:
      - {measurement: it, tolerance: "TOLERANCE", why: common practice}
"""

# Which unit a general method gives follows from what it is asked of, so that no file can be refused for it.
OF_TWO_UNITS = (
    "method: general.mean, of: leg, channel: wall.left, "
    "operator_method: observation.lateral_offset, operator_of: leg, offset: read"
)
TOUCHES = "method: tracking.contacts, of: leg, operator_method: observation.contacts, operator_of: leg, answer: read"


@pytest.fixture
def court(tmp_path: Path):
    def made(what: str, measure: str, tolerance: str) -> Court:
        text = SUITE.replace("WHAT", what).replace("MEASURE", measure)
        path = tmp_path / "two.suite.yaml"
        path.write_text(text.replace("TOLERANCE", tolerance))
        [case] = load_suite(path, Catalogue()).cases
        return Court(
            suite="two", case=case, route=Route.BOTH, robot_class="entry", source="robot", looks=looks(1, 1), done=1
        )

    return made


def drives(case: Case, number: int, *, by_person: bool = False, touches: int = 0) -> list[Drive]:
    step = case.sequence[1]
    rows = Samples(host_s=np.arange(3.0), values={"wall.left": np.array([10.0, 11.0, 12.0])})
    touch = Event(name="touched", time_s=1.0, host_s=1.0)
    blank = Drive(
        name="leg", case=case.name, repeat=0, path=step.path, front="counts", speed_mm_s=300.0,
        start=case.course.start, samples={"motion": rows}, events=(), by_person=by_person,
    )  # fmt: skip
    return [replace(blank, events=(touch,) * (at < touches)) for at in range(number)]


def answers(unit: str, *given: tuple[int, float]) -> tuple[Answer, ...]:
    return tuple(
        Answer(name="read", value=value, unit=unit, u=0.5, case="one", repeat=0, index=index, source="operator")
        for index, value in given
    )


def judged(court: Court, driven: list[Drive], said: tuple[Answer, ...]) -> AssertionResult:
    robot = load_robot(Catalogue().find(Kind.ROBOT, "virtual")).robot
    evidence = Evidence(robot=robot, course=court.case.course, drives=tuple(driven), answers=said)
    [found] = judge_case(court, evidence).assertions
    return found


def test_two_methods_in_units_that_do_not_fit_leave_the_one_that_fits_and_say_so(court) -> None:
    held = court("offset", OF_TWO_UNITS, "11 ± 100 count")
    found = judged(held, drives(held.case, 2), answers("mm", (0, 1.0), (1, 1.0)))
    assert found.value == pytest.approx(11.0)
    assert found.parts == ()
    assert "It was measured in mm (operator), and its tolerance is in count." in found.notes


def test_one_method_alone_in_a_unit_that_does_not_fit_is_undecided_and_says_so(court) -> None:
    held = replace(court("offset", OF_TWO_UNITS, "11 ± 100 count"), route=Route.OPERATOR)
    found = judged(held, drives(held.case, 1), answers("mm", (0, 1.0)))
    assert found.outcome is Outcome.UNDECIDED
    assert found.reason == "It was measured in mm (operator), and its tolerance is in count."


def test_another_unit_of_the_same_kind_is_converted(court) -> None:
    held = court("offset", "operator_method: general.mean, operator_of: leg, answer: read", "10 ± 5 mm")
    found = judged(replace(held, route=Route.OPERATOR), drives(held.case, 1), answers("cm", (0, 1.0)))
    assert found.unit == "mm"
    assert found.value == pytest.approx(10.0)
    assert found.u == pytest.approx(5.0)


def test_touches_in_the_robots_drives_and_in_the_persons_are_added(court) -> None:
    held = court("contacts", TOUCHES, "= 0")
    driven = drives(held.case, 4, touches=1) + drives(held.case, 3, by_person=True, touches=3)
    found = judged(held, driven, answers("", (4, 0.0), (5, 0.0), (6, 0.0)))
    # What the robot told in the person's drives is not counted beside what the person saw in them.
    assert (found.value, found.n, found.outcome) == (1, 7, Outcome.FAILED)
    assert [(part.value, part.n) for part in found.parts] == [(1, 4), (0, 3)]


def test_other_numbers_of_touches_in_the_same_drives_are_a_disagreement(court) -> None:
    held = court("contacts", TOUCHES, "= 0")
    found = judged(held, drives(held.case, 3, touches=1), answers("", (0, 0.0), (1, 0.0), (2, 0.0)))
    assert found.outcome is Outcome.UNDECIDED
    assert found.reason == (
        "Person and telemetry disagree by 1: 1 in 3 (robot) against 0 in 3 (operator). "
        "Neither is preferred; find out which is wrong."
    )
