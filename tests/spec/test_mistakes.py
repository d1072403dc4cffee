"""All mistakes of a file are told at once, each with its place, what was found, what was expected and a near miss.

The sentences are compared by equality: they are what a user has in hand, and a change of one is a change of the tool.
"""

# ruff: noqa: E501  (the sentences stand as the user sees them, each on a line)

from __future__ import annotations

from pathlib import Path

import pytest

from hil.catalogue import Catalogue
from hil.errors import FileMistakes
from hil.spec.kinds import Kind
from hil.spec.loading import load_course, load_many, load_protocol, load_robot, load_run, load_suite
from hil.wire.dialect import LineState

TWELVE = """\
suite: twelve
titel: A suite with twelve mistakes
why: To see that all of them are told at once.
course: corridor-six
cases:
  first:
    title: First
    needs: [secnd]
    course: corridor-sx
    setup:
      - place: {at: start}
    sequence:
      - drive: {path: ahead 2 blnd, front: cuonts, as: bent, speed: 3 deg}
      - wait: {for: idel, timeout: 10}
    measure:
      mismatch: {method: straight.wheel_mismtch, of: [bennt]}
      heading: {method: straight.start_heading, of: [bent]}
    assert:
      - measurement: heading
        entry: {tolerance: 0 ± 2 mm, why: because}
        fast: {tolerance: about 2 deg, why: because}
  second:
    title: Second
    setup:
      - place: {at: start}
    sequence:
      - drive: {path: ahead 6, as: a}
    measure:
      heading: {method: straight.start_heading, of: [a]}
    assert:
      - {measurement: heading, tolerance: 0 ± 2 deg, why: because}
"""

SENTENCES = """\
twelve.suite.yaml:1:1: title: found nothing, expected text
twelve.suite.yaml:2:1: titel: found the unknown key 'titel', expected cases, cautions, course, suite, surfaces, title or why \
(did you mean title?)
twelve.suite.yaml:8:13: cases.first.needs[0]: found 'secnd', expected a case of this suite (second) \
(did you mean second?)
twelve.suite.yaml:9:13: cases.first.course: found 'corridor-sx', expected a course \
(bench, corner, corner-open, corridor-six or u-shape) (did you mean corridor-six?)
twelve.suite.yaml:13:23: cases.first.sequence[0].drive.path: found 'ahead 2 blnd', expected 'ahead N', with 'by none', \
'by left', 'by right', 'by both' or 'blind', or a turn: left, right, about (did you mean blind?)
twelve.suite.yaml:13:44: cases.first.sequence[0].drive.front: found 'cuonts', expected wall or counts \
(did you mean counts?)
twelve.suite.yaml:13:69: cases.first.sequence[0].drive.speed: found '3 deg', whose unit does not fit, expected a quantity \
such as '0.3 m/s'
twelve.suite.yaml:14:21: cases.first.sequence[1].wait.for: found 'idel', expected an event (did you mean idle?)
twelve.suite.yaml:14:36: cases.first.sequence[1].wait.timeout: found '10', which has no unit, expected a quantity such as \
'10 s'
twelve.suite.yaml:16:26: cases.first.measure.mismatch.method: found 'straight.wheel_mismtch', expected a method \
(did you mean straight.wheel_mismatch?)
twelve.suite.yaml:16:55: cases.first.measure.mismatch.of[0]: found 'bennt', expected the name of a step ('as') (bent) \
(did you mean bent?)
twelve.suite.yaml:20:28: cases.first.assert[0].entry.tolerance: found '0 ± 2 mm', where mm cannot be expressed in deg, \
expected a unit that converts to deg
twelve.suite.yaml:21:27: cases.first.assert[0].fast.tolerance: found 'about 2 deg', expected one of '0 ± 5 mm', \
'10 +2/-1 mm', '30..70 %', '<= 20 ms', '>= 2 V', '= 0'
twelve.suite.yaml:27:23: cases.second.sequence[0].drive.path: found 'ahead 6 by both' from [0, 0] north into a wall north \
of the cell [0, 5], expected a path that is free in the course corridor-six
14 mistakes in the files given."""


@pytest.fixture(autouse=True)
def _in_a_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


def mistakes(name: str, text: str) -> list[str]:
    """Return the sentences for a file with this text."""
    path = Path(name)
    path.write_text(text, encoding="utf-8")
    with pytest.raises(FileMistakes) as caught:
        load_many([path], Catalogue())
    return [str(mistake) for mistake in caught.value.mistakes]


def test_a_suite_with_a_dozen_mistakes_gives_a_dozen_sentences_and_more() -> None:
    Path("twelve.suite.yaml").write_text(TWELVE, encoding="utf-8")
    with pytest.raises(FileMistakes) as caught:
        load_suite(Path("twelve.suite.yaml"), Catalogue())
    assert str(caught.value) == SENTENCES
    assert caught.value.exit_status == 2


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("a: 1\n\tb: 2\n", "2:1: file: found a tab, expected blanks as indentation"),
        (
            "a: &x 1\nb: *x\n",
            "1:4: file: found the anchor '&x', expected the value alone; anchors and aliases are not used",
        ),
        ("b: *x\n", "1:4: file: found the alias '*x', expected the value itself; anchors and aliases are not used"),
        (
            "a: !!python/name:os.system x\n",
            "1:4: file: found the tag 'tag:yaml.org,2002:python/name:os.system', expected the value alone; tags are not used",
        ),
        ("a: 1\n---\nb: 2\n", "2:1: file: found a second document ('---'), expected one document in a file"),
        ("a: >= 2 V\n", "1:5: file: found a text that begins with '>', expected it in quotes, such as \">= 2 V\""),
        ("a: [1, 2\nb: }\n", "2:2: file: found ':', expected ',' or ']'"),
        ("a: \x01\n", "1:4: file: found the control character 0x01, expected plain text"),
        ("? [a]\n: 1\n", "1:3: file: found a key that is a mapping or a list, expected a name as key"),
        ("", "1:1: file: found nothing, expected a mapping"),
        ("- a\n", "1:1: file: found a list of 1, expected a mapping"),
        (
            "[" * 40,
            "1:17: [0][0][0][0][0][0][0][0][0][0][0][0][0][0][0]: found more than 16 levels of nesting, expected a flatter file",
        ),
        ("a: " + "x" * 300_000, "1:1: file: found more than 256 KiB, expected at most 256 KiB"),
        ("a: [" + "1," * 20_001 + "]", "1:39999: a: found more than 20000 values, expected a smaller file"),
    ],
)
def test_text_that_is_no_plain_yaml_is_refused_with_its_place(text: str, sentence: str) -> None:
    assert mistakes("x.robot.yaml", text) == [f"x.robot.yaml:{sentence}"]


def test_bytes_that_are_no_text_are_refused_with_their_place() -> None:
    Path("x.course.yaml").write_bytes(b"course: x\ntitle: a\xff\n")
    with pytest.raises(FileMistakes) as caught:
        load_course(Path("x.course.yaml"))
    assert [str(mistake) for mistake in caught.value.mistakes] == [
        "x.course.yaml:2:9: file: found the byte 0xff, expected text in UTF-8"
    ]


def test_a_file_that_is_not_there_is_a_mistake_too() -> None:
    with pytest.raises(
        FileMistakes, match=r"gone\.robot\.yaml:1:1: file: found no such file or directory, expected a file"
    ):
        load_robot(Path("gone.robot.yaml"))


def test_ten_lines_that_unfold_to_gigabytes_are_refused_at_the_first() -> None:
    bomb = "a: &a [x, x, x, x, x, x, x, x, x]\n" + "".join(
        f"{b}: &{b} [{', '.join([f'*{a}'] * 9)}]\n" for a, b in zip("abcdefgh", "bcdefghi", strict=True)
    )
    assert len(mistakes("x.suite.yaml", bomb)) == 1


def test_a_file_of_nothing_but_mistakes_ends_after_some_of_them() -> None:
    found = mistakes("x.robot.yaml", "".join(f"key{index}: 1\n" for index in range(5000)))
    assert len(found) == 201
    assert found[-1].endswith("found more than 200 mistakes, expected these to be mended first")


def test_control_characters_of_a_file_reach_no_terminal() -> None:
    found = mistakes("x.robot.yaml", '"\\e[31mred": "\\e]0;x"\ntitle: "\\e[2J"\n')
    assert all(sentence.isprintable() for sentence in found)
    assert any("found '\\x1b[2J', expected text without control characters" in sentence for sentence in found)


def test_mistakes_of_several_files_are_told_together() -> None:
    Path("x.course.yaml").write_text("course: x\n")
    Path("y.robot.yaml").write_text("robot: y\n")
    with pytest.raises(FileMistakes) as caught:
        load_many([Path("x.course.yaml"), Path("y.robot.yaml")], Catalogue())
    assert {mistake.file for mistake in caught.value.mistakes} == {"x.course.yaml", "y.robot.yaml"}


def test_mistakes_in_a_course_are_told_with_the_suite_that_names_it() -> None:
    catalogue = Catalogue()
    text = catalogue.find(Kind.SUITE, "straight-line").read_text()
    Path("mine.suite.yaml").write_text(text.replace("course: corridor-six", "course: broken"))
    Path("broken.course.yaml").write_text("course: broken\n")
    robot = catalogue.find(Kind.ROBOT, "virtual")
    with pytest.raises(FileMistakes) as caught:
        load_run(robot, [Path("mine.suite.yaml")], catalogue)
    assert {mistake.file for mistake in caught.value.mistakes} == {"broken.course.yaml"}


def test_off_and_on_stay_words_and_numbers_keep_their_writing() -> None:
    catalogue = Catalogue()
    text = catalogue.find(Kind.PROTOCOL, "tagged-lines").read_text()
    Path("p.protocol.yaml").write_text(text.replace("dtr: on", "dtr: off"))
    assert load_protocol(Path("p.protocol.yaml")).port.dtr is LineState.OFF
    text = catalogue.find(Kind.ROBOT, "virtual").read_text()
    Path("r.robot.yaml").write_text(text.replace("serial: V-0001", "serial: 0012"))
    assert load_robot(Path("r.robot.yaml")).robot.serial == "0012"


@pytest.mark.parametrize(
    ("tolerance", "told"),
    [
        ("0 +- mm", ["the assertion", "found '0 +- mm', where 'mm' is not a number with a unit"]),
        ("0 ± 5 mm/s", ["the assertion"]),
        ("0 ± 0.02 1/m", ["the assertion"]),
        ("= 0", ["the assertion"]),
    ],
)
def test_tolerance_is_read_even_where_its_measurement_is_unknown(tolerance: str, told: list[str]) -> None:
    text = (
        TWELVE[: TWELVE.index("cases:")] + "cases:\n  one:\n    title: t\n    sequence:\n      - place: {at: start}\n"
    )
    text = text.replace("titel: A suite with twelve mistakes\n", "title: t\n")
    text += "      - drive: {path: ahead 1, front: counts, as: x}\n"
    text += "    measure:\n      m: {method: straight.lateral_offset, of: [x]}\n"
    text += f"    assert:\n      - measurement: n\n        tolerance: {tolerance}\n        why: z\n"
    sentences = [one for one in mistakes("y.suite.yaml", text) if ".assert[0]" in one]
    assert len(sentences) == len(told)
    assert "found 'n', expected a measurement of this case" in sentences[0]
    assert all(words in sentence for words, sentence in zip(told[1:], sentences[1:], strict=True))
