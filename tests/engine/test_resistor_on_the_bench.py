"""A resistor across the battery, seen from the engine: when it counts as on, and what the person is told."""

from __future__ import annotations

import io
from typing import cast

import pytest

from hil.catalogue import Catalogue, shipped
from hil.engine.bench import Bench
from hil.engine.bench_steps import BenchSteps
from hil.engine.terminal_operator import TerminalOperator
from hil.spec.bench_values import LoadResistor
from hil.spec.kinds import Kind
from hil.spec.loading import load_robot, load_suite


class Recorded:
    """Stands in for the recorder, which is not looked at here."""

    def begin(self, name: str, word: str) -> None: ...
    def end(self, name: str, word: str) -> None: ...


class Interrupted:
    """A person who breaks off at the prompt for `ohm`."""

    def __init__(self, ohm: float | None) -> None:
        self.ohm = ohm

    def clip_resistor(self, ohm: float | None, battery_v: float) -> None:
        if ohm == self.ohm:
            raise KeyboardInterrupt


class Shell:
    """The parts of a bench that a resistor needs, on the virtual robot."""

    def __init__(self, operator: object) -> None:
        self.robot = load_robot(shipped(Kind.ROBOT)["virtual"], Catalogue()).robot
        self.operator, self.recorder, self.line = operator, Recorded(), None


@pytest.mark.parametrize("at", [10.0, None])
def test_a_resistor_counts_as_on_where_a_person_breaks_off_at_it(at: float | None) -> None:
    case = load_suite(shipped(Kind.SUITE)["supply"], Catalogue()).cases[1]
    steps = BenchSteps(cast(Bench, Shell(Interrupted(at))), case, [])
    if at is None:
        steps.load_resistor(LoadResistor(ohm=10.0))
    with pytest.raises(KeyboardInterrupt):
        steps.load_resistor(LoadResistor(ohm=at))
    assert steps.parts.resistor_ohm == 10.0


def test_a_person_is_told_its_value_its_power_and_that_it_is_hot() -> None:
    shown = io.StringIO()
    person = TerminalOperator(lambda: "\n", shown)
    person.clip_resistor(10.0, 8.4)
    person.clip_resistor(None, 8.4)
    said = " ".join(shown.getvalue().split())
    assert "Clip a resistor of 10 ohm, rated for 11 W or more" in said  # half as much again as 8.4^2/10
    assert "something that does not burn" in said
    assert "Take the resistor off the battery. It is hot." in said
