"""A short case driven and read by somebody at a terminal: corrections, units, what was not seen, and Ctrl-C."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from hil.catalogue import Catalogue
from hil.spec.kinds import Kind

from .typist import ServedRobot, Typist

SUITE = """\
suite: by-hand
title: A stop between two walls, read by hand
why: A person sees more than a ruler shows.
course: corridor-six
cases:
  stop:
    title: A stop between two walls
    program: driving
    repeat: 2
    sequence:
      - place: {at: start}
      - drive: {path: ahead 1 by both, front: counts, as: leg}
      - observe: {what: offset, as: offset}
      - observe: {what: along, as: along}
    measure:
      offset: {operator_method: observation.lateral_offset, operator_of: [leg]}
      along: {operator_method: general.mean, operator_of: [leg], answer: along}
    assert:
      - {measurement: offset, tolerance: 0 ± 5 mm, why: common practice}
      - {measurement: along, tolerance: 0 ± 5 mm, why: common practice}
"""


@pytest.fixture
def words(tmp_path: Path) -> tuple[str, ...]:
    (tmp_path / "by-hand.suite.yaml").write_text(SUITE)
    text = Catalogue().find(Kind.ROBOT, "virtual").read_text()
    text = text.replace("robot: virtual\n", "robot: maple\n").replace("virtual: yes\n", "virtual: no\n")
    (tmp_path / "maple.robot.yaml").write_text(text)
    return ("run", "by-hand.suite.yaml", "--robot", "maple.robot.yaml", "--route", "operator", "--port")


def result_of(folder: Path) -> dict[str, Any]:
    [run] = (folder / "runs").iterdir()
    return dict(json.loads((run / "run.json").read_text()))


def agree_and_place(person: Typist, robot: ServedRobot) -> None:
    assert person.see("Type yes to go on: ", "Press Enter when it is done") >= 0
    if "Type yes" in person.shown[-30:]:
        person.type("yes")
        assert person.see("Press Enter when it is done") == 0
    robot.do("place")
    person.type("")


@pytest.mark.whole
def test_a_short_case_is_read_with_a_correction_in_three_units_and_one_not_seen(
    words: tuple[str, ...], tmp_path: Path
) -> None:
    with ServedRobot(folder=tmp_path) as robot, Typist(*words, robot.port, folder=tmp_path) as person:
        agree_and_place(person, robot)
        for prompt, typed in (
            (r"offset \[mm\]: ", "1,5"),
            (r"along \[mm\]: ", "b"),
            (r"Correcting 'offset' \(offset\)\.\n  offset \[mm\]: ", "0.2 cm"),
            (r"along \[mm\]: ", "-0.05 in"),
        ):
            assert person.see(prompt) == 0
            person.type(typed)
        agree_and_place(person, robot)
        for prompt, typed in (
            (r"offset \[mm\]: ", "300"),
            (r"300 mm is nothing that a robot in this maze shows", ""),
            (r"offset \[mm\]: ", "3"),
            (r"along \[mm\]: ", "-"),
        ):
            assert person.see(prompt) == 0
            if typed:
                person.type(typed)
        status = person.answer([])
    [case] = result_of(tmp_path)["suites"][0]["cases"]
    found = {one["measurement"]: one for one in case["assertions"]}
    assert status == 0, person.shown
    assert found["offset"]["value"] == pytest.approx((2.0 + 3.0) / 2)  # as corrected, and as said the second time
    assert found["along"]["value"] == pytest.approx(-0.05 * 25.4)  # the inch is 25.4 mm (international, 1959)
    assert (found["along"]["n"], found["along"]["source"]) == (1, "operator")
    assert "'along' could not be seen in repeat 2." in case["notes"]
    assert "Traceback" not in person.shown


def test_ctrl_c_at_a_prompt_ends_the_run_and_keeps_what_was_read(words: tuple[str, ...], tmp_path: Path) -> None:
    with ServedRobot(folder=tmp_path) as robot, Typist(*words, robot.port, folder=tmp_path) as person:
        agree_and_place(person, robot)
        assert person.see(r"offset \[mm\]: ") == 0
        person.type("1.5")
        assert person.see(r"along \[mm\]: ") == 0
        assert person.interrupt() == 130
    result = result_of(tmp_path)
    assert "interrupted in this case" in result["suites"][0]["cases"][0]["reason"]
    [run] = (tmp_path / "runs").iterdir()
    assert "- 1.5 mm" in (run / "answers.yaml").read_text()
