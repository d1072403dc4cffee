"""Files as text: read by the loader of their kind, and with one change, the sentences that this is told by."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from hil.catalogue import Catalogue
from hil.errors import FileMistakes
from hil.spec.kinds import Kind
from hil.spec.loading import load_protocol, load_robot, load_suite
from hil.spec.robot_values import RobotFile
from hil.spec.suite_values import Suite
from hil.wire.dialect import Dialect


def protocol_of(tmp_path: Path, text: str) -> Dialect:
    """Return the dialect of a protocol file with this text."""
    return load_protocol(_written(tmp_path, Kind.PROTOCOL, text))


def robot_of(tmp_path: Path, text: str) -> RobotFile:
    """Return the robot of a robot file with this text, beside the shipped files."""
    return load_robot(_written(tmp_path, Kind.ROBOT, text), Catalogue(tmp_path))


def suite_of(tmp_path: Path, text: str) -> Suite:
    """Return the suite of a suite file with this text, beside the shipped files."""
    return load_suite(_written(tmp_path, Kind.SUITE, text), Catalogue(tmp_path))


def sentences(read: Callable[[Path, str], object], tmp_path: Path, text: str, old: str, new: str) -> list[str]:
    """Return what is told, without file, line and column, when `old` stands as `new` where it comes first."""
    assert text.count(old) >= 1
    with pytest.raises(FileMistakes) as caught:
        read(tmp_path, text.replace(old, new, 1))
    return [str(mistake).split(": ", 1)[1] for mistake in caught.value.mistakes]


def _written(tmp_path: Path, kind: Kind, text: str) -> Path:
    path = tmp_path / f"changed{kind.ending}"
    path.write_text(text, encoding="utf-8")
    return path
