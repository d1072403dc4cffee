"""A person who reads along: what robot and person agree on is judged as one, and what they do not is said of both."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from .conftest import Said

SUITE = """\
suite: two-witnesses
title: A stop at a wall, by the robot and by a ruler
why: Neither of two witnesses is believed more than the other.
course: corner
cases:
  stops:
    title: Stops at the wall ahead
    program: driving
    sequence:
      - place: {at: start}
      - drive:
          path: ahead 3 by both, right, ahead 3 by both, about right, ahead 3 by both, left, ahead 3 by both, about left
          front: wall
          as: shuttle
          times: 2
      - place: {at: start}
      - drive: {path: ahead 3 by both, front: wall, as: stop}
      - observe: {what: along, as: along}
    repeat: 4
    measure:
      stop_position:
        method: front_wall.stop_position
        of: [shuttle]
        operator_method: observation.stop_position
        operator_of: [stop]
    assert:
      - {measurement: stop_position, tolerance: 0 ± 5 mm, why: it is the sideways error of the next straight}
"""

# The same, the person's stops in a sequence of their own.
APART = SUITE.replace("          times: 2\n", "          times: 2\n    operator_repeat: 4\n    operator_sequence:\n")

Judged = Callable[..., tuple[dict[str, Any], Path]]


@pytest.fixture
def judged(hil: Callable[..., Said], tmp_path: Path) -> Judged:
    """Run the suite with these answers (none: the virtual person's) and return its assertion and the run's folder."""

    def run(*answers: str, route: str = "") -> tuple[dict[str, Any], Path]:
        (tmp_path / "two.suite.yaml").write_text(APART if route else SUITE)
        words: list[str | Path] = [tmp_path / "two.suite.yaml", "--virtual", "--json", "--runs", tmp_path / "runs"]
        words += ["--route", route] if route else []
        if answers:
            (tmp_path / "answers.yaml").write_text(f"answers:\n  along: [{', '.join(answers)}]\n")
            words += ["--answers", tmp_path / "answers.yaml"]
        said = hil("run", *words)
        [folder] = (tmp_path / "runs").iterdir()
        return json.loads(said.out)["suites"][0]["cases"][0]["assertions"][0], folder

    return run


def test_robot_and_person_that_agree_are_judged_as_one(judged: Judged) -> None:
    found, _ = judged()
    robot, person = found["parts"]
    assert found["outcome"] == "passed"
    assert found["source"] == "virtual robot + virtual person"
    assert [robot["source"], person["source"]] == ["virtual robot", "virtual person"]
    # The mean weighted by inverse variances, and its uncertainty (Bevington and Robinson 4.1, from memory).
    weights = [1 / robot["u"] ** 2, 1 / person["u"] ** 2]
    mean = (weights[0] * robot["value"] + weights[1] * person["value"]) / sum(weights)
    assert found["value"] == pytest.approx(mean, abs=1e-6)
    assert found["u"] == pytest.approx(sum(weights) ** -0.5, rel=1e-3)


@pytest.mark.parametrize(
    "route", [pytest.param("", marks=pytest.mark.whole), "both"], ids=["as the robot's steps ask", "by both routes"]
)
def test_robot_and_person_that_disagree_by_10_mm_are_both_told_and_neither_is_preferred(
    judged: Judged, route: str
) -> None:
    found, folder = judged("9.5 mm", "10.5 mm", "10", "'1,0 cm'", route=route)
    robot, person = found["parts"]
    assert (found["outcome"], found["value"]) == ("undecided", None)
    assert person["value"] == pytest.approx(10.0)
    assert abs(robot["value"]) < 3
    assert [robot["outcome"], person["outcome"]] == ["passed", "failed"]
    assert found["reason"].startswith("Person and telemetry disagree by ")
    # Both values with their uncertainties; the ruler's is 0.5 mm, of four readings (t = 1.96 for a known one).
    assert re.search(r": -?\d\.\d+ ± \d\.\d+ mm \(virtual robot\) against 10\.00 ± 0\.49 mm", found["reason"])
    assert "(answers file)" in found["reason"]
    assert "Neither is preferred" in found["reason"]
    report = " ".join((folder / "report.md").read_text().split())
    assert "Person and telemetry disagree by " in report
    assert "answers file" in report


@pytest.mark.whole
def test_what_the_person_could_not_see_leaves_the_robots_word_alone(judged: Judged) -> None:
    found, folder = judged("not seen", "not seen", "not seen", "not seen")
    assert (found["outcome"], found["source"], found["parts"]) == ("passed", "virtual robot", [])
    assert (folder / "answers.yaml").read_text().count("    - not seen\n") == 4
