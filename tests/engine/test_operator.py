"""The person's part: what is asked at a terminal or of a file, and what becomes of answers that cannot be read."""

from __future__ import annotations

import io
import math
from collections.abc import Callable
from pathlib import Path

import pytest

from hil.engine.answers_file import Asked, check_answers, read_answers, write_answers
from hil.engine.answers_operator import AnswersFileOperator
from hil.engine.terminal_operator import TerminalOperator
from hil.errors import OperatorAbsent, UsageError
from hil.measure.model import CellPose, Heading
from hil.measure.trace import AnswerGiven, Mark, MarkKind
from hil.spec.suite_values import Board, Instrument, Observe, Observed

HERE = CellPose(x=0, y=3, heading=Heading.NORTH)


def observed(what: Observed = Observed.OFFSET, name: str = "offset", prompt: str = "") -> Observe:
    instrument, u = {
        "mm": (Instrument.RULER, 0.5), "deg": (Instrument.SQUARE, 0.4), "": (Instrument.EYE, 0.0),
        "s": (Instrument.STOPWATCH, 0.1),
    }[what.unit]  # fmt: skip
    return Observe(what=what, name=name, prompt=prompt, instrument=instrument, u=u, passage_mm=168.0)


@pytest.fixture
def terminal() -> Callable[[str], tuple[TerminalOperator, io.StringIO]]:
    """A person who types these lines and then goes away."""

    def opened(typed: str) -> tuple[TerminalOperator, io.StringIO]:
        shown = io.StringIO()
        return TerminalOperator(io.StringIO(typed).readline, shown), shown

    return opened


def test_a_reading_is_asked_for_by_what_and_with_which_instrument(terminal) -> None:
    person, shown = terminal("-1.5\n")
    reading = person.observe(observed(), HERE)
    assert (reading.value, reading.unit, reading.u, reading.said) == (-1.5, "mm", 0.5, "-1.5")
    assert "left of it is positive" in " ".join(shown.getvalue().split())
    assert "  By ruler, in mm; good to 1 mm, two standard uncertainties.\n" in shown.getvalue()


def test_the_suites_own_words_come_first(terminal) -> None:
    person, shown = terminal("1\n")
    person.observe(observed(prompt="How far is the left wheel from the tape?"), HERE)
    assert "\n  How far is the left wheel from the tape?\n" in shown.getvalue()


@pytest.mark.parametrize(
    ("typed", "value"), [("2", 2.0), ("2 mm", 2.0), ("0.2 cm", 2.0), (" −3,", None), ("+4.5 mm", 4.5), ("2 deg", None)]
)
def test_a_number_is_in_the_unit_asked_for_unless_it_names_its_own(terminal, typed: str, value: float | None) -> None:
    person, shown = terminal(f"{typed}\n7\n")
    reading = person.observe(observed(), HERE)
    assert reading.value == pytest.approx(7.0 if value is None else value)
    assert ("expected a number in mm, such as '1.5 mm'" in shown.getvalue()) is (value is None)


def test_a_mistyped_answer_is_asked_for_again(terminal) -> None:
    person, shown = terminal("two\n\n2\n")
    assert person.observe(observed(), HERE).value == 2.0
    assert shown.getvalue().count("offset [mm]: ") == 3
    assert shown.getvalue().count("expected a number in mm") == 2


def test_a_person_who_gives_no_readable_answer_twenty_times_ends_the_run(terminal) -> None:
    person, _ = terminal("what?\n" * 25)
    with pytest.raises(OperatorAbsent, match="no readable answer for 'offset' in 20 tries"):
        person.observe(observed(), HERE)


@pytest.mark.parametrize("typed", ["1.5", "-1", "2 mm"])
def test_times_are_counted_in_whole_numbers(terminal, typed: str) -> None:
    person, shown = terminal(f"{typed}\n0\n")
    assert person.observe(observed(Observed.CONTACTS, "contacts"), HERE).value == 0.0
    assert "expected a number of times, 0 for none." in shown.getvalue()


def test_the_end_of_the_input_ends_the_run_and_says_what_to_do(terminal) -> None:
    for ask in (
        lambda person: person.observe(observed(), HERE),
        lambda person: person.ask("warmth", "How warm is it?", "K"),
        lambda person: person.tell("Lay the board.", Board(cell=(0, 3), side=Heading.NORTH, thickness_mm=5.0)),
        lambda person: person.place(Path("corner.course.yaml"), "corner", HERE),
        lambda person: person.consent(["Hands are clear."]),
    ):
        person, _ = terminal("")
        with pytest.raises(OperatorAbsent, match=r"the input has ended(.|\n)*--answers FILE"):
            ask(person)


def test_what_is_to_be_done_waits_for_the_enter_key(terminal) -> None:
    person, shown = terminal("\n\n")
    person.place(Path("corner.course.yaml"), "corner", HERE)
    person.tell("Lay the board.", None)
    words = " ".join(shown.getvalue().split())
    assert "centre of cell (0, 3), looking north, on the course 'corner'" in words
    assert shown.getvalue().count("Press Enter when it is done.") == 2


@pytest.mark.parametrize("typed", ["no", "", "yess", "ok"])
def test_anything_but_yes_to_the_cautions_ends_the_run_before_it_moves(terminal, typed: str) -> None:
    person, shown = terminal(f"{typed}\n")
    with pytest.raises(OperatorAbsent, match=r"not agreed to(.|\n)*Nothing has moved"):
        person.consent(["Hands are clear.", "The edge is closed."])
    assert "  - Hands are clear.\n  - The edge is closed.\n" in shown.getvalue()


@pytest.mark.parametrize("typed", ["yes", " YES ", "y"])
def test_yes_to_the_cautions_is_consent(terminal, typed: str) -> None:
    person, _ = terminal(f"{typed}\n")
    person.consent(["Hands are clear."])


def written(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "answers.yaml"
    path.write_text(text, encoding="utf-8")
    return path


def by_file(path: Path) -> AnswersFileOperator:
    return AnswersFileOperator(path, read_answers(path))


def test_a_file_answers_by_name_in_order(tmp_path: Path) -> None:
    person = by_file(written(tmp_path, "answers: {offset: [1.5 mm, -2, 0.1 cm], angle: 3 deg, contacts: [0]}"))
    assert [person.observe(observed(), HERE).value for _ in range(3)] == pytest.approx([1.5, -2.0, 1.0])
    angle = person.observe(observed(Observed.ANGLE, "angle"), HERE)
    assert (angle.value, angle.unit, angle.u) == (3.0, "deg", 0.4)
    assert person.observe(observed(Observed.CONTACTS, "contacts"), HERE).value == 0.0
    assert person.source == "answers file"


def test_too_few_answers_are_told_with_what_is_left(tmp_path: Path) -> None:
    person = by_file(written(tmp_path, "answers: {offset: [1], angle: [2, 3]}"))
    person.observe(observed(), HERE)
    with pytest.raises(OperatorAbsent, match=r"no answer is left for 'offset'(.|\n)*names with answers left: angle"):
        person.observe(observed(), HERE)
    with pytest.raises(OperatorAbsent, match="no answer is left for 'along'"):
        person.observe(observed(Observed.ALONG, "along"), HERE)


@pytest.mark.parametrize("answer", ["about 2", "2 deg", "''"])
def test_an_answer_that_cannot_be_read_is_a_mistake_in_the_file(tmp_path: Path, answer: str) -> None:
    path = written(tmp_path, f"answers: {{offset: [{answer}]}}")
    with pytest.raises(UsageError, match=r"answers.yaml: the answer for 'offset' cannot be read: "):
        by_file(path).observe(observed(), HERE)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("answers: [1, 2", "the file is not YAML"),
        ("- 1\n- 2\n", "the file holds no answers"),
        ("answers: 3", "the file holds no answers"),
        ("answers: {offset: [1]}\nmore: 1\n", "the file holds no answers"),
        ("answers: {offset: [{mm: 1}]}", "the answers under 'offset' are not numbers"),
        ("answers: {offset: [yes, no, true]}", "the answers under 'offset' are not numbers"),
        ("answers: !!python/name:os.system {}", "the file is not YAML"),
        ("answers: {offset: ['" + "1" * (1 << 20) + "']}", "too large for answers"),
    ],
)
def test_a_file_without_answers_is_refused_in_one_sentence(tmp_path: Path, text: str, said: str) -> None:
    with pytest.raises(UsageError, match=said):
        read_answers(written(tmp_path, text))


def test_a_missing_file_is_told(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="the answers cannot be read"):
        read_answers(tmp_path / "none.yaml")


def test_a_file_cannot_agree_to_cautions(tmp_path: Path) -> None:
    with pytest.raises(OperatorAbsent, match=r"cannot agree(.|\n)*--unattended"):
        by_file(written(tmp_path, "answers: {}")).consent(["Hands are clear."])


def test_answers_that_were_written_are_read_as_they_were_given(tmp_path: Path) -> None:
    def given(name: str, value: float, unit: str) -> AnswerGiven:
        return AnswerGiven(
            t_ns=0, name=name, value=value, unit=unit, u=0.5, case="c", repeat=0, source="operator", said=""
        )

    values = [0.1 + 0.2, -1e-17, 1e22, 41.25]
    path = tmp_path / "answers.yaml"
    write_answers(path, [given("offset", value, "mm") for value in values] + [given("contacts", 3.0, "")])
    person = by_file(path)
    assert [person.observe(observed(), HERE).value for _ in values] == values
    assert person.observe(observed(Observed.CONTACTS, "contacts"), HERE).value == 3.0


def test_the_reading_before_can_be_corrected_at_the_next_prompt(terminal) -> None:
    person, _ = terminal("1.5\nb\n2.5\n4\n")
    assert person.observe(observed(), HERE).value == 1.5
    assert not person.corrections()
    assert person.observe(observed(Observed.ALONG, "along"), HERE).value == 4.0
    (corrected,) = person.corrections()
    assert (corrected.step.name, corrected.reading.value) == ("offset", 2.5)
    assert not person.corrections()


def test_there_is_nothing_to_correct_before_the_first_reading_and_after_a_placement(terminal) -> None:
    person, shown = terminal("b\n1\n\nb\n2\n")
    person.observe(observed(), HERE)
    person.place(Path("corner.course.yaml"), "corner", HERE)
    person.observe(observed(), HERE)
    assert shown.getvalue().count("There is no reading before that could be corrected.") == 2
    assert not person.corrections()


@pytest.mark.parametrize("typed", ["-", "not seen"])
def test_what_could_not_be_seen_is_no_number(terminal, typed: str) -> None:
    person, _ = terminal(f"{typed}\n")
    assert person.observe(observed(), HERE) is None


def test_a_value_that_no_robot_shows_is_believed_when_it_is_said_twice(terminal) -> None:
    person, shown = terminal("150\n150\n")
    assert person.observe(observed(), HERE).value == 150.0
    assert "150 mm is nothing that a robot in this maze shows" in shown.getvalue()
    person, _ = terminal("150\n15.0\n")
    assert person.observe(observed(), HERE).value == 15.0


def two_offsets_step() -> Observe:
    return Observe(
        what=Observed.ANGLE, name="angle", prompt="", instrument=Instrument.TWO_OFFSETS, u=0.5, apart_mm=100.0
    )


def test_an_angle_by_two_offsets_is_asked_for_as_two_and_kept_as_two(terminal) -> None:
    person, shown = terminal("2.0\n-1.0\n")
    reading = person.observe(two_offsets_step(), HERE)
    assert {name: part.value for name, part in reading.parts.items()} == {"front": 2.0, "rear": -1.0}
    assert reading.value == pytest.approx(math.degrees(math.asin(0.03)))
    assert "100 mm apart" in shown.getvalue()


def test_two_offsets_that_no_line_has_are_asked_for_again(terminal) -> None:
    person, shown = terminal("70\n-70\n1\n0\n")
    reading = person.observe(two_offsets_step(), HERE)
    assert reading.parts["front"].value == 1.0
    assert "both again" in shown.getvalue()


def test_a_file_holds_two_lists_for_two_offsets_and_says_what_was_not_seen(tmp_path: Path) -> None:
    person = by_file(
        written(tmp_path, "answers:\n  angle.front: [2 mm, not seen]\n  angle.rear: [-1 mm, 0]\n  offset: [not seen]\n")
    )
    first = person.observe(two_offsets_step(), HERE)
    assert first is not None
    assert first.parts["rear"].value == -1.0
    assert person.observe(two_offsets_step(), HERE) is None
    assert person.observe(observed(), HERE) is None


def test_a_reading_can_be_taken_back_as_not_seen(terminal) -> None:
    person, _ = terminal("1.5\nb\n-\n4\n")
    person.observe(observed(), HERE)
    person.observe(observed(Observed.ALONG, "along"), HERE)
    (corrected,) = person.corrections()
    assert corrected.reading is None


@pytest.mark.parametrize(
    ("answers", "said"),
    [
        ({"offset": ["1"] * 5}, "'offset' has 5 answers and is asked for 4 times at most"),
        ({"offset": ["1"]}, "'offset' has 1 answer and is asked for 2 times at least"),
        ({"lamp": ["maybe"]}, "'lamp': 'maybe' is not a number with a unit"),
        ({"hits": ["1.5"]}, "'hits': '1.5' is not a number of times"),
        ({"other": ["1"]}, "nothing asks for 'other'"),
    ],
)
def test_what_is_wrong_with_a_file_of_answers_is_known_before_anything_moves(
    answers: dict[str, list[str]], said: str
) -> None:
    asked = {
        "offset": Asked(unit="mm", what=Observed.OFFSET, least=2, most=4),
        "lamp": Asked(unit="", what=Observed.LIGHT, most=1),
        "hits": Asked(unit="", what=Observed.CONTACTS, most=1),
    }
    with pytest.raises(UsageError) as refused:
        check_answers(Path("answers.yaml"), answers, asked)
    assert said in str(refused.value)
    check_answers(Path("answers.yaml"), {"offset": ["1", "not seen"], "lamp": ["on"], "hits": ["0"]}, asked)


def test_what_was_not_seen_keeps_its_place_in_the_file_that_a_run_writes(tmp_path: Path) -> None:
    def given(name: str, value: float, *, corrects: bool = False) -> AnswerGiven:
        return AnswerGiven(
            t_ns=0, name=name, value=value, unit="mm", u=0.5, case="c", repeat=0, source="operator", said="",
            corrects=corrects,
        )  # fmt: skip

    def unseen(name: str, **fields: str | bool) -> Mark:
        return Mark(t_ns=0, kind=MarkKind.NOTE, step="not seen", name=name, fields={"case": "c", **fields})

    path = tmp_path / "answers.yaml"
    write_answers(
        path,
        [
            given("offset", 1.0),
            unseen("offset"),
            given("offset", 3.0),
            given("offset", 4.0, corrects=True),
            given("angle.front", 2.0),
            given("angle.rear", 1.0),
            unseen("angle", instrument="two offsets"),
            given("along", 5.0),
            unseen("along", corrects=True),
        ],
    )
    assert read_answers(path) == {
        "offset": ["1.0 mm", "not seen", "4.0 mm"],
        "angle.front": ["2.0 mm", "not seen"],
        "angle.rear": ["1.0 mm", "not seen"],
        "along": ["not seen"],
    }


def test_what_is_typed_out_of_step_is_no_leave_to_go_on(terminal) -> None:
    person, shown = terminal("9500 mA\nn\n\n")
    person.tell("Take the resistor off.", None)
    assert shown.getvalue().count("Press Enter when it is done.") == 3
    assert "That is no answer here ('9500 ma'); Enter alone goes on." in shown.getvalue()
