"""The files loaded: one function a kind, and any mix of them at once. What is wrong comes as one `FileMistakes`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

from hil.errors import FileMistakes, Mistake
from hil.measure.model import Course
from hil.spec.checking import Document
from hil.spec.course_file import compile_course
from hil.spec.kinds import Finder, Kind, kind_of
from hil.spec.protocol_compile import compile_protocol
from hil.spec.robot_file import compile_robot
from hil.spec.robot_values import RobotFile
from hil.spec.suite_compile import Courses, compile_suite
from hil.spec.suite_values import Suite
from hil.wire.dialect import Dialect

T = TypeVar("T")


@dataclass(frozen=True, slots=True, kw_only=True)
class Loaded:
    """What came of several files, by kind and in the order given."""

    protocols: tuple[Dialect, ...] = ()
    robots: tuple[RobotFile, ...] = ()
    courses: tuple[Course, ...] = ()
    suites: tuple[Suite, ...] = ()


def load_protocol(path: Path) -> Dialect:
    """Read a protocol file; raise `FileMistakes` with all that is wrong in it."""
    document = Document(path)
    return _checked(document, compile_protocol(document))


def load_robot(path: Path, finder: Finder | None = None) -> RobotFile:
    """Read a robot file; with a `finder` its protocols must be found. Raises `FileMistakes`."""
    document = Document(path)
    return _checked(document, compile_robot(document, finder))


def load_course(path: Path) -> Course:
    """Read a course file; raise `FileMistakes` with all that is wrong in it."""
    document = Document(path)
    return _checked(document, compile_course(document))


def load_suite(path: Path, finder: Finder) -> Suite:
    """Read a suite and the courses it names; raise `FileMistakes` with all that is wrong in any of them."""
    document = Document(path)
    return _checked(document, compile_suite(document, Courses(finder)))


def load_run(robot: Path, suites: Sequence[Path], finder: Finder) -> tuple[RobotFile, tuple[Suite, ...]]:
    """Read a robot and its suites, one for every path given; raise `FileMistakes` with the mistakes of all of them."""
    loading = _Loading(finder)
    robot_file = loading.load(robot, Kind.ROBOT)
    found = [loading.load(path, Kind.SUITE) for path in suites]
    loading.raise_mistakes()
    assert isinstance(robot_file, RobotFile)  # noqa: S101  (without mistakes every file has its value)
    return robot_file, tuple(suite for suite in found if isinstance(suite, Suite))


def load_many(paths: Sequence[Path], finder: Finder) -> Loaded:
    """Read files of any kinds, told by the ends of their names; raise `FileMistakes` with the mistakes of all."""
    loading = _Loading(finder)
    values = [loading.load(path, kind_of(path)) for path in dict.fromkeys(paths)]
    loading.raise_mistakes()
    return Loaded(
        protocols=tuple(value for value in values if isinstance(value, Dialect)),
        robots=tuple(value for value in values if isinstance(value, RobotFile)),
        courses=tuple(value for value in values if isinstance(value, Course)),
        suites=tuple(value for value in values if isinstance(value, Suite)),
    )


class _Loading:
    """Several files being read, each once, with the mistakes of all."""

    def __init__(self, finder: Finder) -> None:
        self._finder = finder
        self._courses = Courses(finder)
        self._mistakes: list[Mistake] = []
        self._read: dict[Path, Dialect | RobotFile | Course | Suite | None] = {}

    def load(self, path: Path, kind: Kind) -> Dialect | RobotFile | Course | Suite | None:
        """Return what a file holds, or None with its mistakes kept."""
        if path not in self._read:
            document = Document(path)
            self._read[path] = self._compiled(document, kind)
            self._mistakes += [mistake for mistake in document.mistakes if mistake not in self._mistakes]
        return self._read[path]

    def _compiled(self, document: Document, kind: Kind) -> Dialect | RobotFile | Course | Suite | None:
        if kind is Kind.SUITE:
            return compile_suite(document, self._courses)
        if kind is Kind.COURSE:
            return compile_course(document)
        if kind is Kind.PROTOCOL:
            return compile_protocol(document)
        return compile_robot(document, self._finder)

    def raise_mistakes(self) -> None:
        """Raise `FileMistakes` if there are any."""
        if self._mistakes:
            raise FileMistakes(self._mistakes)


def _checked(document: Document, value: T | None) -> T:
    if value is None or document.source.mistakes:
        raise FileMistakes(document.mistakes)
    return value
