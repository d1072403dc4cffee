"""Courses drawn in text: what a drawing says, and where it is wrong."""

from __future__ import annotations

from pathlib import Path

import pytest

from hil.catalogue import shipped
from hil.errors import FileMistakes
from hil.measure.model import CellPose, Course, Heading
from hil.spec.kinds import Kind
from hil.spec.loading import load_course

HEAD = "course: c\ntitle: C\npitch: 180 mm\nwall: 12 mm\nsurface: white\ndrawing: |\n"


def drawn(tmp_path: Path, *lines: str, head: str = HEAD, tail: str = "") -> Course:
    path = tmp_path / "c.course.yaml"
    path.write_text(head + "".join(f"  {line}\n" for line in lines) + tail)
    return load_course(path)


def sentences(tmp_path: Path, *lines: str, **parts: str) -> list[str]:
    with pytest.raises(FileMistakes) as caught:
        drawn(tmp_path, *lines, **parts)
    return [f"{m.line}:{m.column} {m.found} | {m.expected}" for m in caught.value.mistakes]


def test_walls_posts_and_start_are_read_from_a_drawing(tmp_path: Path) -> None:
    course = drawn(tmp_path, "*===*", "H > H", "*   *")
    assert (course.columns, course.rows) == (1, 1)
    assert course.walls == {(0, 0, Heading.NORTH), (-1, 0, Heading.EAST), (0, 0, Heading.EAST)}
    assert course.posts == {(0, 0), (1, 0), (0, 1), (1, 1)}
    assert course.start == CellPose(x=0, y=0, heading=Heading.EAST)
    assert course.has_wall(0, 0, Heading.WEST)
    assert not course.has_wall(0, 0, Heading.SOUTH)


def test_the_first_line_is_the_north_side_and_rows_count_from_the_south(tmp_path: Path) -> None:
    course = drawn(tmp_path, "*===*===*", "H       H", "*   *===*", "H v H", "*===*")
    assert (course.columns, course.rows) == (2, 2)
    assert course.start == CellPose(x=0, y=0, heading=Heading.SOUTH)
    assert course.has_wall(1, 1, Heading.SOUTH)
    assert not course.has_wall(0, 1, Heading.EAST)


def test_lines_cut_short_and_missing_posts_are_open_places(tmp_path: Path) -> None:
    course = drawn(tmp_path, "*===*", "H ^", "*")
    assert course.posts == {(0, 1), (1, 1), (0, 0)}
    assert not course.has_wall(0, 0, Heading.EAST)


def test_the_shipped_corridor_has_its_two_openings_and_nothing_else_open() -> None:
    course = load_course(shipped(Kind.COURSE)["corridor-six"])
    west = {y for y in range(6) if not course.has_wall(0, y, Heading.WEST)}
    assert west == {0, 4}
    assert all(course.has_wall(0, y, Heading.EAST) for y in range(6))
    assert course.marks["far-line"] == (0.0, 900.0)
    assert course.free_width_mm == 168.0


@pytest.mark.parametrize("name", sorted(shipped(Kind.COURSE)))
def test_every_shipped_course_is_read(name: str) -> None:
    assert load_course(shipped(Kind.COURSE)[name]).name == name


def test_marks_lie_along_the_start_and_across_to_the_left(tmp_path: Path) -> None:
    tail = "marks:\n  m: {cell: [0, 0], along: 10 mm, across: 3 mm}\n"
    assert drawn(tmp_path, "*===*", "H > H", "*===*", tail=tail).marks == {"m": (10.0, 3.0)}


def test_every_mistake_of_a_drawing_is_told_at_its_line_and_column(tmp_path: Path) -> None:
    assert sentences(tmp_path, "*===*===x", "H ^ H   I", "*==     *", "H ^  o  H", "    *===*") == [
        "7:11 no post at the end of a panel | '*' there",
        "7:11 'x' | a post '*' or a blank in this column",
        "8:7 a panel without a post at each end | '*' above and below it",
        "8:11 'I' | a panel 'H' or a blank in this column",
        "9:4 '== ' | '===' or three blanks between two posts",
        "10:3 a panel without a post at each end | '*' above and below it",
        "10:5 a second arrow | one start in a course",
        "10:8 'o  ' | blanks, or one arrow (^ > v <) in the middle of the cell",
    ]


def test_a_panel_without_posts_is_refused(tmp_path: Path) -> None:
    assert sentences(tmp_path, "*===", "H ^ H", "*===*") == [
        "7:7 no post at the end of a panel | '*' there",
        "8:7 a panel without a post at each end | '*' above and below it",
    ]


def test_a_line_that_ends_between_two_posts_is_refused(tmp_path: Path) -> None:
    assert sentences(tmp_path, "*===*=", "H ^ H", "*===*") == ["7:8 '=  ' | '===' or three blanks between two posts"]


def test_a_course_without_a_start_or_with_two_is_refused(tmp_path: Path) -> None:
    assert sentences(tmp_path, "*===*", "H   H", "*===*") == [
        "6:10 no arrow | the robot's start as an arrow (^ > v <) in a cell"
    ]
    assert sentences(tmp_path, "*===*", "H ^ H", "*   *", "H v H", "*===*") == [
        "10:5 a second arrow | one start in a course"
    ]


def test_an_even_number_of_lines_is_refused(tmp_path: Path) -> None:
    assert "8:3 2 lines | an odd number of lines, three at least" in sentences(tmp_path, "*===*", "H ^ H")


def test_a_wall_as_thick_as_the_pitch_is_refused(tmp_path: Path) -> None:
    head = HEAD.replace("12 mm", "180 mm")
    assert sentences(tmp_path, "*===*", "H ^ H", "*===*", head=head) == [
        "4:7 '180 mm' | a wall thinner than the pitch of 180 mm"
    ]


def test_a_mark_outside_the_course_is_refused(tmp_path: Path) -> None:
    found = sentences(tmp_path, "*===*", "H ^ H", "*===*", tail="marks:\n  m: {cell: [0, 1]}\n")
    assert found == ["11:13 a list of 2 | a cell of the course, [0, 0] to [0, 0]"]
