"""What a person may type, and what is asked for again."""

from __future__ import annotations

import os
from collections.abc import Callable

import pytest

from hil.engine.drawings import drawing_of
from hil.engine.entries import is_usual, read_entry
from hil.engine.line_input import LineInput
from hil.quantities import QuantityError
from hil.spec.suite_values import Instrument, Observed


@pytest.mark.parametrize(
    ("typed", "unit", "what", "value"),
    [
        ("1.5", "mm", Observed.OFFSET, 1.5),
        ("1,5", "mm", Observed.OFFSET, 1.5),
        ("-0,5 mm", "mm", Observed.OFFSET, -0.5),
        ("0.15 cm", "mm", Observed.OFFSET, 1.5),
        ("2 deg", "deg", Observed.ANGLE, 2.0),
        ("0.1 rad", "deg", Observed.ANGLE, 5.729577951308232),
        ("12.34", "s", Observed.LAP_TIME, 12.34),
        ("1:02.5", "s", Observed.LAP_TIME, 62.5),
        ("1:02,5 min", "s", Observed.LAP_TIME, 62.5),
        ("1:00:01", "s", Observed.LAP_TIME, 3601.0),
        ("0.5 min", "s", Observed.LAP_TIME, 30.0),
        ("3", "", Observed.CONTACTS, 3.0),
        ("on", "", Observed.LIGHT, 1.0),
        ("No", "", Observed.LIGHT, 0.0),
        ("7.41", "V", Observed.DISPLAY, 7.41),
    ],
)
def test_an_answer_is_taken_in_any_unit_that_fits(typed: str, unit: str, what: Observed, value: float) -> None:
    assert read_entry(typed, unit, what) == pytest.approx(value)


@pytest.mark.parametrize(
    ("typed", "unit", "what"),
    [
        ("", "mm", Observed.OFFSET),
        ("two", "mm", Observed.OFFSET),
        ("2 deg", "mm", Observed.OFFSET),
        ("1,000.5", "mm", Observed.OFFSET),
        ("1,2,3", "mm", Observed.OFFSET),
        ("1:02", "mm", Observed.OFFSET),
        ("nan", "mm", Observed.OFFSET),
        ("inf mm", "mm", Observed.OFFSET),
        ("1.5", "", Observed.CONTACTS),
        ("-1", "", Observed.CONTACTS),
        ("maybe", "", Observed.LIGHT),
        ("2", "", Observed.LIGHT),
        ("-3", "s", Observed.LAP_TIME),
    ],
)
def test_what_is_no_answer_is_refused(typed: str, unit: str, what: Observed) -> None:
    with pytest.raises(QuantityError):
        read_entry(typed, unit, what)


def test_what_no_robot_in_a_maze_shows_is_doubted() -> None:
    # The classic maze: cells of 180 mm and walls of 12 mm leave passages of 168 mm (contest rules, from memory).
    classic = {"passage_mm": 168.0, "pitch_mm": 180.0}
    assert is_usual(12.0, Observed.OFFSET, **classic)
    assert not is_usual(120.0, Observed.OFFSET, **classic)
    assert not is_usual(60.0, Observed.ANGLE, **classic)
    assert is_usual(1e9, Observed.DISPLAY, **classic)


def test_what_is_usual_is_half_as_much_in_a_maze_of_half_the_size() -> None:
    # Cells of 90 mm and walls of 6 mm leave passages of 84 mm.
    half = {"passage_mm": 84.0, "pitch_mm": 90.0}
    assert is_usual(41.0, Observed.OFFSET, **half)
    assert not is_usual(43.0, Observed.OFFSET, **half)
    assert not is_usual(85.0, Observed.CLEARANCE_LEFT, **half)
    assert not is_usual(-91.0, Observed.ALONG, **half)
    assert not is_usual(43.0, Observed.BOW, **half)


def test_nothing_is_doubted_by_the_size_of_a_maze_that_is_not_known() -> None:
    assert is_usual(500.0, Observed.OFFSET, passage_mm=0.0, pitch_mm=0.0)
    assert not is_usual(60.0, Observed.ANGLE, passage_mm=0.0, pitch_mm=0.0)


@pytest.mark.parametrize("what", list(Observed))
def test_a_drawing_fits_any_terminal(what: Observed) -> None:
    for instrument in (Instrument.RULER, Instrument.TWO_OFFSETS):
        lines = drawing_of(what, instrument, apart_mm=100.0, over_mm=540.0).strip("\n").splitlines()
        assert 3 <= len(lines) <= 9
        assert all(line.isascii() and len(line) <= 76 for line in lines)


@pytest.fixture
def pipe() -> Callable[[], tuple[LineInput, int]]:
    def opened() -> tuple[LineInput, int]:
        reading, writing = os.pipe()
        return LineInput(reading), writing

    return opened


def test_a_line_is_waited_for_while_the_ports_are_read(pipe: Callable[[], tuple[LineInput, int]]) -> None:
    lines, writing = pipe()
    looks = 0

    def idle() -> None:
        nonlocal looks
        looks += 1
        if looks == 3:
            os.write(writing, b"1.5")
        if looks == 5:
            os.write(writing, b" mm\n")

    assert lines.read(idle) == "1.5 mm\n"
    assert looks >= 5


def test_lines_typed_ahead_are_kept_and_the_end_is_an_empty_one(pipe: Callable[[], tuple[LineInput, int]]) -> None:
    lines, writing = pipe()
    os.write(writing, b"one\ntwo\nthree")
    os.close(writing)
    assert [lines.read(lambda: None) for _ in range(4)] == ["one\n", "two\n", "three", ""]
