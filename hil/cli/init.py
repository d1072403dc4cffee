"""`hil init`: a folder for one's own robot, from a dozen questions and a few seconds of listening."""

from __future__ import annotations

import shutil
import sys
import tempfile
from collections.abc import Mapping
from pathlib import Path

import click

from hil.errors import UsageError

_HELP = """Make a folder for your robot: a robot file, a first suite, and what an editor needs to complete them.

The port is listened to and every protocol known is tried on what comes. A dozen questions follow, each with a default
and a reason; every one can be answered by an option instead, and with --yes the defaults answer the rest. An option
that cannot be used is refused and never left out; --ask alone is for a robot that says nothing by itself. What is made
has no mistakes by 'hil check'. Nothing that exists is overwritten unless you say so, and nothing is written before the
last answer.

\b
  hil init                        ask, and write into ./bench
  hil init mine --port /dev/ttyUSB0
  hil init mine --port none --protocol plain-prints --name runner --yes

\b
Where several values belong together they are written with commas:
  --body     width, front and rear from the wheel axle    '80 mm, 50 mm, 50 mm'
  --wheels   diameter, and base (between their middles)   '28 mm, 70 mm'
"""

# option -> what it answers
_OPTIONS = {
    "port": "The port the robot is on, or none.",
    "ask": "Whether a silent robot may be asked who it is (yes, no).",
    "protocol": "The protocol it speaks.",
    "name": "The robot's name.",
    "serial": "Its serial number.",
    "class": "Which tolerances apply (entry, fast).",
    "body": "Width, front, rear.",
    "wheels": "Wheel diameter, wheel base.",
    "counts": "Encoder counts for one turn of a wheel.",
    "sensors": "The layout of its wall sensors (three, four, six, none).",
    "cells": "Lithium cells of its battery (0: another kind).",
    "drives-by": "How it is driven (command, goal, operator).",
    "stop-by": "How it is stopped (command, dead man, operator).",
    "cable": "Whether the cable stays on while it drives (yes, no).",
    "second": "The protocol of a second program that reads the sensors, or none.",
}


def _with_answers(command: click.Command) -> click.Command:
    """Give the command an option for every question."""
    for name, meaning in _OPTIONS.items():
        command.params.append(
            click.Option([f"--{name}", f"answer_{name}".replace("-", "_")], metavar="ANSWER", help=meaning)
        )
    return command


@click.command(help=_HELP)
@click.argument("folder", default="bench", metavar="[DIR]", type=click.Path(path_type=Path))
@click.option("--yes", "defaults", is_flag=True, help="Ask nothing: defaults answer what no option does.")
@click.option("--overwrite", is_flag=True, help="Replace files of the same names in DIR.")
def init(folder: Path, defaults: bool, overwrite: bool, **answers: str | None) -> None:
    """Ask, listen, write; the text a user sees is `_HELP`."""
    from hil.cli.init_interview import interview
    from hil.cli.questions import Questions
    from hil.spec.new_bench import files_of
    from hil.timing import SystemClock

    if not defaults and not sys.stdin.isatty():
        raise UsageError(
            "nobody can be asked here, since the input is no terminal",
            expected="--yes, with an option for every answer that is not its default",
            todo="See 'hil init --help'",
        )
    _refuse_a_file(folder)
    questions = Questions(
        {name.removeprefix("answer_").replace("_", "-"): text for name, text in answers.items()}, defaults=defaults
    )
    bench = interview(questions, SystemClock())
    files = files_of(bench)
    _ask_before_overwriting(folder, files, overwrite, questions.is_talking)
    _write_whole(folder, files)
    _say_what_next(folder, bench.name, bench.driving.port)


_with_answers(init)


def _refuse_a_file(folder: Path) -> None:
    if folder.exists() and not folder.is_dir():
        raise UsageError("this is a file", where=str(folder), expected="a folder, or the name of a new one")


def _ask_before_overwriting(folder: Path, files: Mapping[str, str], overwrite: bool, is_talking: bool) -> None:
    there = [name for name, text in files.items() if (folder / name).exists() and not _same(folder / name, text)]
    if not there or overwrite:
        return
    listed = ", ".join(there)
    if is_talking and click.confirm(
        f"\n{folder} holds other files of these names: {listed}. Replace them?", default=False
    ):
        return
    raise UsageError(
        f"it holds other files of these names: {listed}",
        where=str(folder),
        expected="another folder, or --overwrite",
        todo="Nothing was changed",
    )


def _same(path: Path, text: str) -> bool:
    try:
        return path.read_text(encoding="utf-8") == text
    except (OSError, ValueError):
        return False


def _write_whole(folder: Path, files: Mapping[str, str]) -> None:
    """Write all files beside their place, have them checked there, and move them in: whole, or not at all."""
    folder.parent.mkdir(parents=True, exist_ok=True)
    beside = Path(tempfile.mkdtemp(prefix=f".{folder.name}-", dir=folder.parent))
    try:
        for name, text in files.items():
            (beside / name).parent.mkdir(exist_ok=True)
            (beside / name).write_text(text, encoding="utf-8")
        _check(beside, files)
        if not folder.exists():
            beside.chmod(0o755)  # a folder for temporary files is closed to others, this one is an ordinary one
            beside.rename(folder)
            return
        for name in files:
            (folder / name).parent.mkdir(exist_ok=True)
            (beside / name).replace(folder / name)
    finally:
        shutil.rmtree(beside, ignore_errors=True)


def _check(folder: Path, files: Mapping[str, str]) -> None:
    """Load what was made as a run would; a mistake in it is told with its place, and nothing is kept."""
    from hil.catalogue import Catalogue
    from hil.spec.loading import load_many

    load_many([folder / name for name in files if name.endswith(".yaml")], Catalogue(folder))


def _say_what_next(folder: Path, name: str, port: str) -> None:
    click.echo(
        f"\nThe bench is in {folder}. Next:\n"
        f"  cd {folder}\n"
        f"  hil check first-run.suite.yaml --robot {name}\n"
        f"  hil run first-run --robot {name}{'' if port else ' --port PORT'}\n"
        "What you took from the defaults stands in the robot file: measure it before the numbers count."
    )
