"""The files loaded: one function a kind, and one for many files at once. What is wrong comes as one `FileMistakes`."""

from __future__ import annotations

from pathlib import Path
from typing import TypeVar

from hil.errors import FileMistakes
from hil.measure.model import Course
from hil.spec.checking import Document
from hil.spec.course_file import compile_course
from hil.spec.protocol_compile import compile_protocol
from hil.spec.robot_file import compile_robot
from hil.spec.robot_values import RobotFile
from hil.wire.dialect import Dialect

T = TypeVar("T")


def load_protocol(path: Path) -> Dialect:
    """Read a protocol file; raise `FileMistakes` with all that is wrong in it."""
    document = Document(path)
    return _checked(document, compile_protocol(document))


def load_robot(path: Path) -> RobotFile:
    """Read a robot file; raise `FileMistakes` with all that is wrong in it."""
    document = Document(path)
    return _checked(document, compile_robot(document))


def load_course(path: Path) -> Course:
    """Read a course file; raise `FileMistakes` with all that is wrong in it."""
    document = Document(path)
    return _checked(document, compile_course(document))


def _checked(document: Document, value: T | None) -> T:
    document.raise_mistakes()
    if value is None:
        raise FileMistakes(document.mistakes)
    return value
