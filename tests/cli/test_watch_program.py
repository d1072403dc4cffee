"""Which program `hil watch` looks at where none is named, and what it refuses, on the robot files that hil brings."""

from __future__ import annotations

import pytest
from click.testing import CliRunner

from hil.catalogue import Catalogue
from hil.cli.watch import _dialect, _program, watch
from hil.engine.taking import sampling_s
from hil.errors import UsageError
from hil.spec.kinds import Kind
from hil.spec.loading import load_robot


@pytest.mark.parametrize(("subject", "program"), [("encoder", "sense"), ("walls", "run"), ("supply", "sense")])
def test_the_program_that_tells_most_of_a_subject_is_watched(subject: str, program: str) -> None:
    catalogue = Catalogue()
    robot = load_robot(catalogue.find(Kind.ROBOT, "virtual-prints"), catalogue)
    assert _program(robot, "", subject, catalogue).name == program


@pytest.mark.parametrize(("robot_name", "period_s"), [("virtual", 0.001), ("virtual-menu", 0.002)])
def test_levels_are_asked_for_at_the_period_that_the_protocol_sends_them_at(robot_name: str, period_s: float) -> None:
    catalogue = Catalogue()
    robot = load_robot(catalogue.find(Kind.ROBOT, robot_name), catalogue)
    assert sampling_s(_dialect(robot, robot.programs["main"], catalogue)) == period_s


def test_a_port_that_tells_only_when_its_lines_came_says_nothing_of_loop_timing() -> None:
    result = CliRunner().invoke(watch, ["timing", "--robot", "virtual-prints", "--port", "loop://"])
    assert isinstance(result.exception, UsageError)
    assert "of the cable and this computer, not of the robot's control loop" in str(result.exception)
