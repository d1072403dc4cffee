"""The folder of a run: one folder a run, named by date and robot, holding everything that shows what was done.

    run.json        the result, versioned, with its JSON Schema in the package
    trace.sqlite    all that crossed the ports, was answered or was marked
    report.md       the report for people
    junit.xml       the same for build servers
    answers.yaml    what the person answered, usable with --answers
    files/          the robot, course, suite and protocol files as they were
    calibration.json  the sensor calibrations used

Names of robots and suites become names of files only through `file_name`.
"""

from __future__ import annotations

import os
import re
import shutil
from collections.abc import Iterable
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


def keep_files(folder: Path, files: Iterable[Path]) -> None:
    """Copy the files a run was made from into its folder, each once, under its own name or with a number."""
    kept = folder / "files"
    kept.mkdir(exist_ok=True)
    for file in dict.fromkeys(path.resolve() for path in files):
        target, number = kept / file_name(file.name), 1
        while target.exists():
            number += 1
            target = kept / f"{number}-{file_name(file.name)}"
        shutil.copyfile(file, target)


def write_whole(path: Path, text: str) -> None:
    """Write a file so that it is there whole or not at all."""
    beside = path.with_name(f".{path.name}.part")
    try:
        with beside.open("w", encoding="utf-8") as stream:
            stream.write(text)
            stream.flush()
            os.fsync(stream.fileno())
        beside.replace(path)
    except OSError as error:
        raise BenchError(
            f"the file cannot be written ({error.strerror})", where=str(path), expected="a place that can be written to"
        ) from None
