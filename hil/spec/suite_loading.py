"""Suites loaded, and any mix of files loaded at once with the mistakes of all of them.

This stands apart from `hil.spec.loading`, since the methods that suites name bring numpy with them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

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


@dataclass(frozen=True, slots=True, kw_only=True)
class Loaded:
    """What came of several files, in the order given."""

    protocols: tuple[Dialect, ...] = ()
    robots: tuple[RobotFile, ...] = ()
    courses: tuple[Course, ...] = ()
    suites: tuple[Suite, ...] = ()


def load_suite(path: Path, finder: Finder) -> Suite:
    """Read a suite and the courses it names; raise `FileMistakes` with all that is wrong in any of them."""
    document = Document(path)
    suite = compile_suite(document, Courses(finder))
    if suite is None or document.source.mistakes:
        raise FileMistakes(document.mistakes)
    return suite


def load_many(paths: Sequence[Path], finder: Finder) -> Loaded:
    """Read files of any kinds, told by the ends of their names; raise `FileMistakes` with the mistakes of all of them.

    A robot's protocols must be known here; `hil.spec.loading.load_robot` leaves that to whoever opens the port.
    """
    mistakes: list[Mistake] = []
    values: dict[Kind, list[object]] = {kind: [] for kind in Kind}
    courses = Courses(finder)
    for path in dict.fromkeys(paths):
        kind = kind_of(path)
        document = Document(path)
        value: object | None
        if kind is Kind.SUITE:
            value = compile_suite(document, courses)
        elif kind is Kind.COURSE:
            value = compile_course(document)
        elif kind is Kind.PROTOCOL:
            value = compile_protocol(document)
        else:
            value = compile_robot(document, finder)
        mistakes += [mistake for mistake in document.mistakes if mistake not in mistakes]
        if value is not None:
            values[kind].append(value)
    if mistakes:
        raise FileMistakes(mistakes)
    return Loaded(
        protocols=tuple(value for value in values[Kind.PROTOCOL] if isinstance(value, Dialect)),
        robots=tuple(value for value in values[Kind.ROBOT] if isinstance(value, RobotFile)),
        courses=tuple(value for value in values[Kind.COURSE] if isinstance(value, Course)),
        suites=tuple(value for value in values[Kind.SUITE] if isinstance(value, Suite)),
    )
