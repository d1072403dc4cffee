"""Boards set by somebody at a terminal: mistyped distances, other units, a board that was not moved, and Ctrl-C."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from hil.catalogue import Catalogue
from hil.measure.series import SET_ASIDE
from hil.measure.trace import Mark, MarkKind
from hil.spec.kinds import Kind
from hil.store.trace import TraceReader

from .conftest import Said
from .typist import ServedRobot, Typist

SUITE = """\
suite: boards
title: Boards before one sensor
why: A sensor is read where its board was set, and people mistype.
course: corridor-six
cases:
  curve:
    title: One sensor
    program: sensing
    sequence:
      - jig: {sensors: [wall.left], distances: [39 mm, 44 mm, 49 mm, 54 mm, 59 mm, none], surface: white, as: left}
    measure:
      residual: {method: walls.residual, of: left}
    assert:
      - {measurement: residual, tolerance: <= 2 mm, why: common practice}
"""
DISTANCE = r"Distance as set \[Enter: (\d+) mm\]: "


@pytest.fixture
def words(tmp_path: Path) -> tuple[str, ...]:
    (tmp_path / "boards.suite.yaml").write_text(SUITE)
    text = Catalogue().find(Kind.ROBOT, "virtual").read_text()
    text = text.replace("robot: virtual\n", "robot: maple\n").replace("virtual: yes\n", "virtual: no\n")
    (tmp_path / "maple.robot.yaml").write_text(text)
    return ("run", "boards.suite.yaml", "--robot", "maple.robot.yaml", "--port")


def begin(person: Typist) -> None:
    assert person.see("Type yes to go on: ") == 0, person.shown
    person.type("yes")


def asked(person: Typist, prompt: str = DISTANCE) -> None:
    assert person.see(prompt) == 0, person.shown


def made(folder: Path) -> tuple[dict[str, Any], list[Mark]]:
    """Return the one case of the one run, and the marks of its trace."""
    [run] = (folder / "runs").iterdir()
    [case] = json.loads((run / "run.json").read_text())["suites"][0]["cases"]
    with TraceReader(run / "trace.sqlite") as reader:
        return case, [record for record in reader if isinstance(record, Mark)]


def parts_of(marks: list[Mark]) -> list[object]:
    begun = [mark for mark in marks if mark.step == "drive" and mark.kind is MarkKind.BEGIN]
    return [dict(mark.fields["conditions"])["distance_mm"] for mark in begun]  # type: ignore[call-overload]


@pytest.mark.whole
def test_slips_of_the_fingers_and_of_the_hand_are_asked_again_and_nothing_is_lost(
    words: tuple[str, ...], tmp_path: Path, hil: Any
) -> None:
    with ServedRobot(folder=tmp_path) as robot, Typist(*words, robot.port, folder=tmp_path) as person:
        begin(person)
        asked(person, r"set the board of white before\s+wall.left at 39 mm")
        robot.do("jig wall.left white 39")
        asked(person)
        person.type("39 V")
        asked(person, r"cannot be expressed in mm; expected a distance such as '39 mm', or Enter\.")
        asked(person)
        person.type("390")
        asked(person, r"390 mm is far from the 39 mm asked for\. If it is so, type it once more\.")
        asked(person)
        person.type("")
        for board, typed in (("44", "4.4 cm"), ("49", "49")):
            asked(person)
            robot.do(f"jig wall.left white {board}")
            person.type(typed)
        # The board stays where it was, and is said to stand 5 mm further.
        asked(person, r"at 54 mm")
        asked(person)
        person.type("")
        asked(person, r"Again: wall.left on white at 54 mm")
        for board, typed in (("54", "54,0 mm"), ("59", "")):
            asked(person)
            robot.do(f"jig wall.left white {board}")
            person.type(typed)
        asked(person, "take the board away")
        robot.do("jig wall.left white none")
        asked(person, "Press Enter when it is done")
        person.type("")
        status = person.answer([])
    assert status == 0, person.shown
    case, marks = made(tmp_path)
    assert case["outcome"] == "passed"
    assert parts_of(marks) == [39.0, 44.0, 49.0, 54.0, 54.0, 59.0, "inf"]
    [aside] = [mark for mark in marks if mark.step == SET_ASIDE]
    assert aside.fields["part"] == 3
    assert "wall.left on white at 54 mm" in str(aside.fields["why"])
    [run] = (tmp_path / "runs").iterdir()
    again: Said = hil("run", "--port", f"trace:{run}", "--runs", tmp_path / "again", "--json")
    [played] = json.loads(again.out)["suites"][0]["cases"]
    assert [one["value"] for one in played["assertions"]] == [one["value"] for one in case["assertions"]]
    replayed: Said = hil("replay", run, "--json")
    [judged] = json.loads(replayed.out)["suites"][0]["cases"]
    assert [one["value"] for one in judged["assertions"]] == [one["value"] for one in case["assertions"]]


@pytest.mark.whole
def test_boards_out_of_order_are_told_and_the_earlier_one_is_read_again(words: tuple[str, ...], tmp_path: Path) -> None:
    with ServedRobot(folder=tmp_path) as robot, Typist(*words, robot.port, folder=tmp_path) as person:
        begin(person)
        # At 44 mm and 49 mm the boards are taken for each other.
        stands_mm = {"39": "39", "44": "49", "49": "44", "54": "54", "59": "59"}
        again = 0
        while (which := person.see(DISTANCE, "Press Enter when it is done", "Enter to keep it", "Again: ")) >= 0:
            if which == 0:
                said = person.shown[: person.shown.rindex("mm]: ")].rsplit("Enter: ", 1)[1].strip()
                robot.do(f"jig wall.left white {said if again else stands_mm[said]}")
                person.type("")
            elif which == 1:
                robot.do("jig wall.left white none")
                person.type("")
            elif which == 2:
                person.type("")
            else:
                again += 1
        status = person.answer([])
    case, marks = made(tmp_path)
    assert status == 0, person.shown
    assert again >= 1
    assert case["outcome"] == "passed"
    # What was doubted beside a board that was wrong itself, and is right, leaves no doubt behind.
    assert not [note for note in case["notes"] if "doubtful" in note]
    aside = [mark for mark in marks if mark.step == SET_ASIDE]
    assert len(parts_of(marks)) == 6 + len(aside)
    assert 1 <= len(aside) <= 3


@pytest.mark.whole
def test_a_board_that_was_left_where_none_should_stand_is_taken_away_when_the_next_is_set(
    words: tuple[str, ...], tmp_path: Path
) -> None:
    suite = SUITE.replace(", none]", "]").replace("[39 mm", "[none, 39 mm")
    (tmp_path / "boards.suite.yaml").write_text(suite)
    with ServedRobot(folder=tmp_path) as robot, Typist(*words, robot.port, folder=tmp_path) as person:
        begin(person)
        asked(person, "Press Enter when it is done")
        robot.do("jig wall.left white 49")
        person.type("")
        asked(person)
        robot.do("jig wall.left white 39")
        person.type("")
        asked(person, "Again: wall.left on white without a board read")
        asked(person, "Press Enter when it is done")
        robot.do("jig wall.left white none")
        person.type("")
        while person.see(DISTANCE, "Again: ") == 0:
            robot.do(f"jig wall.left white {person.shown.rsplit('[Enter: ', 1)[1].split()[0]}")
            person.type("")
        status = person.answer([])
    case, marks = made(tmp_path)
    assert status == 0, person.shown
    assert parts_of(marks) == ["inf", 39.0, "inf", 44.0, 49.0, 54.0, 59.0]
    assert [mark.fields["part"] for mark in marks if mark.step == SET_ASIDE] == [0]
    assert not [note for note in case["notes"] if "doubtful" in note]


def test_ctrl_c_at_a_board_keeps_what_was_read(words: tuple[str, ...], tmp_path: Path) -> None:
    with ServedRobot(folder=tmp_path) as robot, Typist(*words, robot.port, folder=tmp_path) as person:
        begin(person)
        robot.do("jig wall.left white 39")
        asked(person)
        person.type("")
        asked(person)
        status = person.interrupt()
    assert status == 130
    case, marks = made(tmp_path)
    assert case["outcome"] == "skipped"
    assert parts_of(marks) == [39.0]


def test_a_surface_that_is_set_twice_under_two_names_is_doubted_and_all_of_it_can_be_read_again(
    words: tuple[str, ...], tmp_path: Path
) -> None:
    suite = SUITE.replace("    sequence:", "    repeat: {over: surfaces}\n    sequence:").replace("white", "each")
    (tmp_path / "boards.suite.yaml").write_text(suite.replace(", none]", "]"))
    words = (*words[:-1], "--surface", "white", "--surface", "red", words[-1])
    with ServedRobot(folder=tmp_path) as robot, Typist(*words, robot.port, folder=tmp_path) as person:
        begin(person)
        stands = "white"
        while (which := person.see(DISTANCE, "Doubtful: ", "Enter to keep it, r to read it again: ")) >= 0:
            if which == 0:
                asked_mm = person.shown.rsplit("[Enter: ", 1)[1].split()[0]
                robot.do(f"jig wall.left {stands} {asked_mm}")
                person.type("")
            elif which == 1:
                stands = "red"  # the board of red is fetched at last
            else:
                person.type("r")
        status = person.answer([])
    assert "reads at all 5 distances what it read on white" in " ".join(person.shown.split())
    case, marks = made(tmp_path)
    assert status == 0, person.shown
    assert case["surfaces"] == ["white", "red"]
    begun = [mark for mark in marks if mark.step == "drive" and mark.kind is MarkKind.BEGIN]
    assert [dict(mark.fields["labels"])["surface"] for mark in begun] == ["white"] * 5 + ["red"] * 10  # type: ignore[call-overload]
    assert [mark.fields["part"] for mark in marks if mark.step == SET_ASIDE] == [5, 6, 7, 8, 9]
