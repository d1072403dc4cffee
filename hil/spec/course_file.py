"""Course files: the model, the drawing grammar, and the course as a plain value.

A drawing has a line of posts and panels, then a line of cells, and so on, ending with a line of posts; the first line
is the north side. Every cell takes four columns: a post `*` stands in columns 0, 4, 8 …, a panel between two posts is
`===`, a panel beside a cell is `H` in a post's column, and the inside of a cell is blank but for the robot's arrow
(`^ > v <`) in the middle of one cell. Posts may be missing where no panel ends; lines may be short, since editors cut
blanks off. Refused: a panel without a post at each end, other characters, no arrow or two.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

from pydantic import Field

from hil.measure.model import CellPose, Course, Heading
from hil.quantities import counted
from hil.spec.checking import Document, FilePart
from hil.spec.texts import Cell, InUnit, Name, RawText, Surface, Text
from hil.spec.wording import quoted

MOST_CELLS = 32  # in each direction: the largest maze of the half-size contests (32 x 32)

Length = Annotated[float, InUnit("mm", "180 mm", above=0)]
Position = Annotated[float, InUnit("mm", "20 mm")]


class MarkPart(FilePart):
    """A mark on the floor: a cell and where in it, along the start's direction and across it (left positive)."""

    cell: Cell
    along: Position = 0.0
    across: Position = 0.0
    note: Text = ""


class CourseFile(FilePart):
    """A course file."""

    course: Name
    title: Text
    pitch: Length
    wall: Length
    surface: Surface
    drawing: RawText
    marks: Annotated[dict[Name, MarkPart], Field(default_factory=dict)]


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawn:
    """What a drawing says."""

    columns: int
    rows: int
    walls: frozenset[tuple[int, int, Heading]]
    posts: frozenset[tuple[int, int]]
    start: CellPose | None


_ARROWS = {"^": Heading.NORTH, ">": Heading.EAST, "v": Heading.SOUTH, "<": Heading.WEST}


class _Reader:
    """Reads a drawing line by line and reports each mistake at its line and column in the file."""

    def __init__(self, document: Document, text: str) -> None:
        self._document = document
        self.lines = [line.rstrip() for line in text.rstrip("\n").split("\n")]
        node = document.node(("drawing",))
        self._block = node is not None and node.style in ("|", "|-")
        self._line, self._column = (node.line, node.column) if node else (1, 1)
        self.walls: set[tuple[int, int, Heading]] = set()
        self.posts: set[tuple[int, int]] = set()
        self.starts: list[CellPose] = []
        longest = max((len(line) for line in self.lines), default=0)
        self.columns = max(1, (longest + 2) // 4) if longest else 0
        self.rows = len(self.lines) // 2

    def wrong(self, index: int, column: int, found: str, expected: str) -> None:
        """Report a mistake at a place of the drawing."""
        line = self._line
        if self._block:
            line = self._line + 1 + index
            written = self._document.source.lines[line - 1]
            column += max(0, len(written.rstrip()) - len(self.lines[index])) + 1
        else:
            column = self._column
        path = f"drawing line {index + 1}"
        self._document.source.report(line, column, path, found=found, expected=expected)

    def read(self) -> None:
        """Read all lines."""
        if len(self.lines) < 3 or len(self.lines) % 2 == 0:
            found = counted(len(self.lines), "line")
            self.wrong(len(self.lines) - 1, 0, found, "an odd number of lines, three at least")
        for index, line in enumerate(self.lines):
            row = self.rows - 1 - index // 2
            padded = line.ljust(4 * self.columns + 1)
            if index % 2:
                self._read_cells(index, row, padded)
            else:
                self._read_posts(index, row, padded)

    def _read_posts(self, index: int, row: int, line: str) -> None:
        for column in range(self.columns):
            self._read_post(index, row, column, line)
            between = line[4 * column + 1 : 4 * column + 4]
            if between == "===":
                self.walls.add((column, row, Heading.NORTH))
                for end in (column, column + 1):
                    if line[4 * end : 4 * end + 1] != "*":
                        self.wrong(index, 4 * end, "no post at the end of a panel", "'*' there")
            elif between.strip():
                self.wrong(index, 4 * column + 1, quoted(between), "'===' or three blanks between two posts")
        self._read_post(index, row, self.columns, line)
        self._beyond(index, line)

    def _read_post(self, index: int, row: int, column: int, line: str) -> None:
        character = line[4 * column : 4 * column + 1]
        if character == "*":
            self.posts.add((column, row + 1))
        elif character.strip():
            self.wrong(index, 4 * column, quoted(character), "a post '*' or a blank in this column")

    def _read_cells(self, index: int, row: int, line: str) -> None:
        for column in range(self.columns + 1):
            character = line[4 * column : 4 * column + 1]
            if character == "H":
                self.walls.add((column - 1, row, Heading.EAST))
                for beside in (index - 1, index + 1):
                    above = self.lines[beside] if beside < len(self.lines) else ""
                    if above[4 * column : 4 * column + 1] != "*":
                        self.wrong(index, 4 * column, "a panel without a post at each end", "'*' above and below it")
                        break
            elif character.strip():
                self.wrong(index, 4 * column, quoted(character), "a panel 'H' or a blank in this column")
            inside = line[4 * column + 1 : 4 * column + 4] if column < self.columns else ""
            if inside.strip():
                self._read_inside(index, row, column, inside)
        self._beyond(index, line)

    def _read_inside(self, index: int, row: int, column: int, inside: str) -> None:
        heading = _ARROWS.get(inside[1])
        if heading is None or inside.strip() != inside[1]:
            self.wrong(
                index, 4 * column + 1, quoted(inside), "blanks, or one arrow (^ > v <) in the middle of the cell"
            )
            return
        self.starts.append(CellPose(x=column, y=row, heading=heading))
        if len(self.starts) > 1:
            self.wrong(index, 4 * column + 2, "a second arrow", "one start in a course")

    def _beyond(self, index: int, line: str) -> None:
        surplus = line[4 * self.columns + 1 :]
        if surplus.strip():
            self.wrong(index, 4 * self.columns + 1, quoted(surplus), "a drawing that ends with a post's column")


def read_drawing(document: Document, text: str) -> Drawn:
    """Read a drawing, reporting every mistake in it to the document."""
    reader = _Reader(document, text)
    reader.read()
    if max(reader.columns, reader.rows) > MOST_CELLS:
        found = f"{reader.columns} x {reader.rows} cells"
        document.report(("drawing",), found=found, expected=f"at most {MOST_CELLS} x {MOST_CELLS} cells")
    if not reader.starts:
        document.report(("drawing",), found="no arrow", expected="the robot's start as an arrow (^ > v <) in a cell")
    return Drawn(
        columns=reader.columns,
        rows=reader.rows,
        walls=frozenset(reader.walls),
        posts=frozenset(reader.posts),
        start=reader.starts[0] if reader.starts else None,
    )


def compile_course(document: Document) -> Course | None:
    """Return the course of a document, or None with the mistakes reported."""
    parts = document.fit(CourseFile)
    if parts is None:
        return None
    drawn = read_drawing(document, parts.drawing) if document.node(("drawing",)) is not None else None
    if parts.wall >= parts.pitch:
        document.report(("wall",), expected=f"a wall thinner than the pitch of {parts.pitch:g} mm")
    if drawn is None or drawn.start is None or document.source.mistakes:
        return None
    marks = {name: _mark(document, name, mark, parts.pitch, drawn) for name, mark in parts.marks.items()}
    return Course(
        name=parts.course,
        pitch_mm=parts.pitch,
        wall_mm=parts.wall,
        columns=drawn.columns,
        rows=drawn.rows,
        walls=drawn.walls,
        posts=drawn.posts,
        surface=parts.surface,
        start=drawn.start,
        marks=marks,
    )


def _mark(document: Document, name: str, mark: MarkPart, pitch_mm: float, drawn: Drawn) -> tuple[float, float]:
    x, y = mark.cell
    if not (0 <= x < drawn.columns and 0 <= y < drawn.rows):
        document.report(
            ("marks", name, "cell"), expected=f"a cell of the course, [0, 0] to [{drawn.columns - 1}, {drawn.rows - 1}]"
        )
    assert drawn.start is not None  # noqa: S101  (the caller has seen the start)
    dx, dy = drawn.start.heading.step
    left_x, left_y = drawn.start.heading.turned(-1).step
    return (
        x * pitch_mm + dx * mark.along + left_x * mark.across,
        y * pitch_mm + dy * mark.along + left_y * mark.across,
    )
