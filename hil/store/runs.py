"""The folder of a run: one folder a run, named by date and robot, holding everything that shows what was done.

    run.json        the result, versioned, with its JSON Schema in the package
    trace.sqlite    all that crossed the ports, was answered or was marked
    report.md       the report for people
    junit.xml       the same for build servers
    answers.yaml    what the person answered, usable with --answers
    files/          the robot, course, suite and protocol files as they were, with an index
    calibration.json  the sensor calibrations used

The last two, and in the trace the description of the run, are written before anything moves, the results at its end.
Names of robots and suites become names of files only through `file_name`.
"""

from __future__ import annotations

import os
import re
from datetime import datetime
from pathlib import Path

from hil.errors import BenchError

_LONGEST_NAME = 60
_TRIES = 1000  # so many runs of one robot in one second are not made


def file_name(text: str) -> str:
    """Return `text` as a name of a file: letters, digits, dot, dash and underline, nothing that climbs or hides."""
    kept = re.sub(r"[^A-Za-z0-9._-]+", "-", text)[:_LONGEST_NAME].strip("-.")
    return kept or "unnamed"


def new_run_folder(root: Path, started: datetime, robot: str) -> Path:
    """Make a folder for a run and return it; a second run in the same second gets a number."""
    stem = f"{started:%Y-%m-%d-%H%M%S}-{file_name(robot)}"
    for number in range(1, _TRIES):
        folder = root / (stem if number == 1 else f"{stem}-{number}")
        try:
            folder.mkdir(parents=True)
        except FileExistsError:
            continue
        except OSError as error:
            raise BenchError(
                f"the run's folder cannot be made ({error.strerror})",
                where=str(folder),
                expected="a place that can be written to",
                todo="Name another one with --runs DIR",
            ) from None
        return folder
    raise BenchError("no free name is left for the run's folder", where=str(root), todo="Name another with --runs DIR")


def write_whole(path: Path, text: str) -> None:
    """Write a file so that it is there whole or not at all, also after a loss of power."""
    write_bytes_whole(path, text.encode())


def write_bytes_whole(path: Path, data: bytes) -> None:
    """Write a file so that it is there whole or not at all, also after a loss of power."""
    beside = path.with_name(f".{path.name}.part")
    try:
        with beside.open("wb") as stream:
            stream.write(data)
            stream.flush()
            os.fsync(stream.fileno())
        beside.replace(path)
        settle_names(path.parent)
    except OSError as error:
        raise BenchError(
            f"the file cannot be written ({error.strerror})", where=str(path), expected="a place that can be written to"
        ) from None


def settle_names(folder: Path) -> None:
    """Make the names in a folder survive a loss of power, which a file's own settling does not do."""
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
