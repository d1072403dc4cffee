"""What is typed at a served virtual robot: understood, or answered with what was nearly meant and what may be typed."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pytest

from hil.cli.simulated_person import HELP, LONGEST_LINE, READINGS, SimulatedPerson
from hil.cli.typed_lines import TypedLines
from hil.errors import UsageError


class Bench:
    """Keeps what it is asked and answers every reading with one number."""

    def __init__(self, value: float = 0.28648, u: float = 0.421686, unit: str = "deg") -> None:
        self.asked: list[dict[str, object]] = []
        self._answer = {"value": value, "u": u, "unit": unit, "port": "/dev/pts/9", "program": "main", "took_s": 1.5}
        self.person = SimulatedPerson(self._ask, "six.course.yaml", [0, 0, 0], 400.0)

    def _ask(self, request: Mapping[str, object]) -> Mapping[str, Any]:
        self.asked.append(dict(request))
        return self._answer


@pytest.mark.parametrize(
    ("line", "meant"),
    [
        ("startt", "start"),
        ("plase 0 1 north", "place"),
        ("OFFSET", "offset"),
        ("clearence left", "clearance left"),
        ("switchoff", "switch off"),
        ("halp", "help"),
    ],
)
def test_a_misspelt_word_is_answered_with_the_word_that_was_meant_and_the_list(line: str, meant: str) -> None:
    bench = Bench()
    said = bench.person.obey(line)
    assert said.startswith(f"not known: '{line}' (did you mean '{meant}'?). What can be typed is place, start, ")
    assert said.endswith("; 'help' tells what each does.")
    assert "\n" not in said
    assert not bench.asked


@pytest.mark.parametrize(
    ("line", "form"),
    [
        ("place 0 1", "'place' alone, or 'place X Y SIDE'"),
        ("start", "'start PATH', such as 'start ahead 2 by both'"),
        ("goal 3", "'goal X Y', such as 'goal 0 4'"),
        ("clearance left at 0 1", "'clearance left' alone, or 'clearance left at X Y SIDE'"),
        ("where at 0 1 north", "'where' alone"),
        ("display V now", "'display V' alone"),
        ("jig wall.left 49", "'jig SENSOR SURFACE MM', such as 'jig wall.left white 49', or 'none' for MM"),
        ("meter", "'meter at CHANNEL UNIT', such as 'meter at supply.motor V'"),
    ],
)
def test_a_known_word_with_the_wrong_words_behind_it_is_answered_with_its_form(line: str, form: str) -> None:
    bench = Bench()
    assert bench.person.obey(line) == f"not understood: '{line}'; expected {form}."
    assert not bench.asked


@pytest.mark.parametrize(
    ("line", "sentence"),
    [
        ("offset at 0 1 up", "'up' is no side; expected north, east, south or west."),
        ("place 0 0 nrth", "'nrth' is no side; expected north, east, south or west. Did you mean 'north'?"),
        ("board 0 5 \x1b[A 5", r"'\x1b[A' is no side; expected north, east, south or west."),
        ("place a 0 north", "'a' is no number of a cell; expected a whole number, such as 0."),
        ("goal 99999999999 1", "'99999999999' is no number of a cell; expected a whole number, such as 0."),
        ("turn left many", "'many' is no number of turns; expected a number, such as 12."),
        ("spin fast 0 3", "'fast' is no duty; expected per cent as a number, such as 30."),
        ("spin 30 30 long", "'long' is no number of seconds; expected a number, such as 3."),
        ("board 0 5 north nan", "'nan' is no thickness; expected millimetres as a number, such as 5."),
        (
            "start ahead 2 by bot",
            "'ahead 2 by bot' is no part of a path; expected by none, left, right or both. Did you mean 'both'?",
        ),
    ],
)
def test_a_word_that_cannot_stand_there_is_named_before_the_robot_is_asked(line: str, sentence: str) -> None:
    bench = Bench()
    with pytest.raises(UsageError) as refused:
        bench.person.obey(line)
    assert str(refused.value) == sentence
    assert not bench.asked


@pytest.mark.parametrize(
    ("value", "u", "unit", "said"),
    [
        # Two digits of the uncertainty, and the value to the same place: JCGM 100:2008, 7.2.6.
        (0.28648, 0.421686, "deg", "0.29 deg (standard uncertainty 0.42)"),
        (8.16, 0.00288675, "V", "8.1600 V (standard uncertainty 0.0029)"),
        (1, 0.0, "", "1 (exact)"),
    ],
)
def test_a_reading_is_shown_to_the_place_of_its_uncertainty(value: float, u: float, unit: str, said: str) -> None:
    assert Bench(value, u, unit).person.obey("angle") == said


def test_help_lists_every_word_and_how_to_end() -> None:
    said = Bench().person.obey("help")
    assert said == HELP
    for word in (
        *READINGS,
        "place",
        "start",
        "stand",
        "turn",
        "spin",
        "lamps",
        "board",
        "goal",
        "load",
        "untether",
        "dump",
        "reset",
        "where",
        "Ctrl-C",
    ):
        assert word in said
    assert Bench().person.obey("quit") == "Ctrl-C ends it."


def test_a_side_is_understood_in_capitals_and_the_robot_is_then_read_where_it_was_placed() -> None:
    bench = Bench()
    assert bench.person.obey("place 0 1 North") == "placed in cell (0, 1), looking north."
    bench.person.obey("offset")
    assert bench.asked[-1] == {"do": "observe", "what": "offset", "pose": [0, 1, "north"]}


@pytest.mark.parametrize(
    ("line", "asked", "said"),
    [
        ("stand", {"do": "stand"}, "it stands on the stand, its wheels free."),
        ("turn Left 12", {"do": "turn wheel", "wheel": "left", "turns": 12.0}, "it stands, after 1.5 s."),
        ("spin 30 -12.5% 3", {"do": "spin", "left": 0.3, "right": -0.125, "for_s": 3.0}, "it stands, after 1.5 s."),
        ("lamps off", {"do": "lamps", "on": False}, "lamps off."),
    ],
)
def test_what_is_done_at_the_bench_is_typed_in_a_line(line: str, asked: dict[str, object], said: str) -> None:
    bench = Bench()
    assert bench.person.obey(line) == said
    assert bench.asked == [asked]


def test_lines_are_the_same_whatever_pieces_they_come_in() -> None:
    text = "place\r\nöffset \udcff\n\nwhere".encode("utf-8", "surrogateescape")
    whole, split = TypedLines(), TypedLines()
    lines = [line for byte in text for line in split.receive(bytes([byte]))] + split.end()
    assert whole.receive(text) + whole.end() == lines == ["place\r", "öffset \\xff", "", "where"]


def test_a_line_without_end_is_kept_short_and_none_of_it_is_carried_out() -> None:
    typed = TypedLines()
    for _ in range(1000):
        assert typed.receive(b"place " * 700) == []
    (line,) = typed.receive(b"\n")
    assert len(line) == LONGEST_LINE + 1
    bench = Bench()
    assert bench.person.obey(line).startswith("a line of more than 400 characters is not read.")
    assert not bench.asked
    assert typed.receive(b"where\n") == ["where"]


@pytest.mark.parametrize(
    ("line", "asked"),
    [
        ("jig wall.left white 49", {"do": "jig", "sensor": "wall.left", "surface": "white", "distance_mm": 49.0}),
        ("jig wall.front red none", {"do": "jig", "sensor": "wall.front", "surface": "red", "distance_mm": None}),
        ("meter at supply.motor V", {"do": "observe", "what": "meter", "at": "supply.motor", "unit": "V"}),
    ],
)
def test_boards_and_a_meter_are_at_hand_too(line: str, asked: dict[str, object]) -> None:
    bench = Bench()
    bench.person.obey(line)
    assert bench.asked == [asked]
