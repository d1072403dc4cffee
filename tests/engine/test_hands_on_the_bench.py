"""The person's hands on the bench: boards, wheels and lamps, at a terminal, from a file, and from a trace."""

from __future__ import annotations

import io
import math
from collections.abc import Callable
from pathlib import Path

import pytest

from hil.engine.answers_operator import AnswersFileOperator
from hil.engine.bench_words import read_distance
from hil.engine.operator import how_read, nothing_to_do, question_of, u_of
from hil.engine.replayed_hands import ReplayedHands
from hil.engine.terminal_operator import TerminalOperator
from hil.errors import OperatorAbsent
from hil.measure.model import CellPose, Heading
from hil.measure.trace import Mark, MarkKind
from hil.quantities import QuantityError
from hil.spec.suite_values import Instrument, Observe, Observed

HERE = CellPose(x=0, y=0, heading=Heading.NORTH)


def at_terminal(*typed: str) -> tuple[TerminalOperator, io.StringIO]:
    lines, shown = [f"{line}\n" for line in typed], io.StringIO()

    def echoed() -> str:
        line = lines.pop(0) if lines else ""
        shown.write(line)  # as a terminal does
        return line

    return TerminalOperator(echoed, shown), shown


def meter(at: str = "supply.motor", u: float = 0.02 / math.sqrt(3), share: float = 0.005) -> Observe:
    return Observe(
        what=Observed.METER, name="rail", prompt="", instrument=Instrument.METER, u=u, shown_in="V", at=at, share=share
    )


@pytest.mark.parametrize(
    ("typed", "distance_mm"),
    [("", 49.0), ("49", 49.0), ("4.9 cm", 49.0), ("0.049 m", 49.0), ("49,5", 49.5), ("52 mm", 52.0), ("  ", 49.0)],
)
def test_a_distance_is_taken_as_it_was_set_in_any_unit_of_length(typed: str, distance_mm: float) -> None:
    assert read_distance(typed, 49.0) == (pytest.approx(distance_mm), "")


@pytest.mark.parametrize("typed", ["49 V", "49 deg", "49 %", "forty-nine", "-49", "0", "49 50", "nan"])
def test_what_is_no_distance_is_refused(typed: str) -> None:
    with pytest.raises(QuantityError):
        read_distance(typed, 49.0)


@pytest.mark.parametrize("typed", ["490", "94", "4.9", "49 cm", "20"])
def test_a_distance_far_from_the_one_asked_for_is_doubted(typed: str) -> None:
    assert "far from the 49 mm asked for" in read_distance(typed, 49.0)[1]


@pytest.mark.parametrize(
    ("typed", "distance_mm"),
    [(["94", "49"], 49.0), (["94", "94"], 94.0), (["49 V", "49"], 49.0), (["what", "9.4 cm", "94 mm"], 94.0)],
)
def test_a_doubtful_distance_is_believed_when_it_is_typed_once_more(typed: list[str], distance_mm: float) -> None:
    person, shown = at_terminal(*typed)
    assert person.set_jig("wall.left", "white", 49.0, math.radians(5), "") == pytest.approx(distance_mm)
    assert "set the board of white before wall.left at 49 mm, turned by 5 deg" in shown.getvalue()
    assert not [line for line in shown.getvalue().splitlines() if len(line) > 79]


def test_a_person_who_cannot_give_a_distance_ends_it() -> None:
    person, _ = at_terminal(*["what"] * 20)
    with pytest.raises(OperatorAbsent, match=r"no readable answer for 'the distance before wall.left' in 20 tries"):
        person.set_jig("wall.left", "white", 49.0, 0.0, "")


def test_a_board_is_taken_away_with_enter_and_a_doubt_is_told_in_lines_that_fit() -> None:
    person, shown = at_terminal("")
    doubt = "wall.left on white without a board reads 512, much as at 119 mm (520); expected: less than half of that."
    assert math.isinf(person.set_jig("wall.left", "white", math.inf, 0.0, doubt))
    assert "take the board away" in shown.getvalue()
    assert "Again: wall.left on white without a board reads 512" in shown.getvalue()
    assert not [line for line in shown.getvalue().splitlines() if len(line) > 79]


@pytest.mark.parametrize(
    ("typed", "is_kept"),
    [("", True), ("k", True), ("r", False), ("R", False), ("read it", False), ("no\ny\nr", False), ("no\n", True)],
)
def test_what_is_doubtful_is_kept_with_enter_and_read_again_with_r(typed: str, is_kept: bool) -> None:
    person, shown = at_terminal(*typed.split("\n"))
    assert person.keeps("grey reads what white read") is is_kept
    assert "Doubtful: grey reads what white read" in shown.getvalue()


@pytest.mark.parametrize(
    ("act", "words"),
    [
        (lambda person: person.stand(), "Put the robot on its stand"),
        (lambda person: person.turn_wheel("left", 12.0), "Turn the left wheel by hand, forward and evenly, 12 turns"),
        (lambda person: person.spin(0.3, -0.3, 2.0), "its free wheels at 30% left and -30% right for 2 s"),
        (lambda person: person.set_lamps(are_on=False), "Switch the room's lamps off"),
    ],
)
def test_each_thing_to_do_is_said_and_waited_for(act: Callable[[TerminalOperator], None], words: str) -> None:
    person, shown = at_terminal("")
    act(person)
    assert words in " ".join(shown.getvalue().split())
    with pytest.raises(OperatorAbsent):
        act(person)  # nobody presses Enter any more


def test_a_meter_is_asked_for_where_it_is_held_and_carries_its_share_of_the_reading() -> None:
    person, shown = at_terminal("6.04")
    reading = person.observe(meter(), HERE)
    assert reading is not None
    # 0.5 % of 6.04 V and 20 mV together bound the error; a bound a has u = a/sqrt(3) (JCGM 100:2008 4.3.7).
    assert (reading.value, reading.unit) == (6.04, "V")
    assert reading.u == pytest.approx((0.005 * 6.04 + 0.02) / math.sqrt(3))
    assert "What does the meter show for the motor rail voltage (supply.motor)?" in shown.getvalue()
    assert "good to 0.5 % + 0.02 V, as its maker states" in shown.getvalue()
    assert how_read(meter()) == {"what": "meter", "instrument": "meter", "at": "supply.motor"}


@pytest.mark.parametrize(("typed", "value"), [("6040 mV", 6.04), ("6,04", 6.04), ("6.04 V", 6.04)])
def test_a_meter_may_be_read_in_any_unit_of_its_kind(typed: str, value: float) -> None:
    person, shown = at_terminal("6.04 mm", typed)
    reading = person.observe(meter(), HERE)
    assert reading is not None
    assert reading.value == pytest.approx(value)
    assert "cannot be expressed in V" in shown.getvalue()


def test_without_a_share_a_reading_is_as_good_at_any_value() -> None:
    assert u_of(meter(share=0.0), 100.0) == meter().u
    assert question_of(meter(at="")) == "What does the meter show?"


def test_a_file_of_answers_sets_no_boards_and_keeps_what_was_read() -> None:
    person = AnswersFileOperator(Path("answers.yaml"), {"rail": ["6.04"]})
    person.stand()
    person.set_lamps(are_on=True)
    assert person.keeps("something")
    with pytest.raises(OperatorAbsent, match=r"nobody is there to set a board before wall.left"):
        person.set_jig("wall.left", "white", 49.0, 0.0, "")
    reading = person.observe(meter(), HERE)
    assert reading is not None
    assert reading.u == pytest.approx((0.005 * 6.04 + 0.02) / math.sqrt(3))


def test_a_file_of_answers_beside_somebody_with_hands_has_them_do_it() -> None:
    hands, shown = at_terminal("", "", "", "", "", "r")
    person = AnswersFileOperator(Path("answers.yaml"), {}, hands)
    person.stand()
    person.turn_wheel("left", 3)
    person.spin(0.3, 0.3, 2.0)
    person.set_lamps(are_on=True)
    assert person.set_jig("wall.left", "white", 49.0, 0.0, "") == 49.0
    assert not person.keeps("doubtful")
    assert shown.getvalue().count("To do:") == 5


def mark(kind: MarkKind, step: str, name: str, **fields: object) -> Mark:
    return Mark(t_ns=0, kind=kind, step=step, name=name, fields=fields)  # type: ignore[arg-type]


def test_a_trace_sets_the_boards_as_they_were_stated_and_decides_on_doubts_as_then() -> None:
    records = [
        mark(MarkKind.BEGIN, "jig", "wall.left", distance_mm=49.0, remark=""),
        mark(MarkKind.END, "jig", "wall.left", distance_mm=52.5),
        mark(MarkKind.END, "jig", "wall.left", distance_mm="inf"),
        mark(MarkKind.NOTE, "doubt", "wall.left", said="grey reads as white", kept=False),
    ]
    hands = ReplayedHands(records, nothing_to_do, "trace")
    assert hands.set_jig("wall.left", "white", 49.0, 0.0, "") == 52.5
    assert math.isinf(hands.set_jig("wall.left", "white", math.inf, 0.0, ""))
    assert hands.keeps("another doubt")  # nobody had it then
    assert not hands.keeps("grey reads as white")
    with pytest.raises(OperatorAbsent, match=r"the trace holds no more board before wall.left"):
        hands.set_jig("wall.left", "white", 54.0, 0.0, "")
