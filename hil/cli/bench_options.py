"""What the command line says of the bench: its records, the room, the file with settings that the robot carries.

Conditions of the room are those that ISO 18646-2:2019 asks a report to state. What cannot be is refused; what lies
outside of the standard's own range is taken, and the report says so.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import click

from hil.errors import UsageError

if TYPE_CHECKING:
    from hil.engine.kept_run import KeptRun
    from hil.results import Environment, LoadedFile
    from hil.spec.robot_values import RobotFile

_LARGEST_FILE = 1 << 24  # a file with settings has some hundred lines
_ABSOLUTE_ZERO_C = -273.15
# name -> (attribute of an environment, unit, lowest, highest, how it is written). The bounds are those of what can be
# in a room where people work, direct sun in a window included.
_CONDITIONS = {
    "temperature": ("temperature_c", "degC", -40.0, 60.0, "temperature='21 degC'"),
    "humidity": ("humidity_percent", "%", 0.0, 100.0, "humidity='45 %'"),
    "light": ("illuminance_lux", "lux", 0.0, 200_000.0, "light='300 lux'"),
    "friction": ("floor_friction", "", 0.0, 2.0, "friction=0.8"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Bench:
    """What was asked of the bench: `records` is the folder to use and write, None for none."""

    environment: Environment
    records: Path | None = None
    is_old_good: bool = False
    loaded: LoadedFile | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """The options as they were written."""

    records: Path | None = None
    no_records: bool = False
    old_records: bool = False
    environment: tuple[str, ...] = ()
    settings_file: Path | None = None


def bench_options(command: Callable[..., int]) -> Callable[..., int]:
    """Give a command the options of the bench; it is called with an `Asked` as `bench`."""
    import functools

    @click.option(
        "--records",
        type=click.Path(path_type=Path, file_okay=False),
        metavar="DIR",
        help="The bench's records: calibrations by robot and surface, used, and written where a case keeps some."
        "  [default: records, beside the folder of runs]",
    )
    @click.option("--no-records", is_flag=True, help="Use no records and write none.")
    @click.option("--old-records", is_flag=True, help="Use records all the same that do not hold any more; it is said.")
    @click.option(
        "--environment",
        multiple=True,
        metavar="NAME=VALUE",
        help="A condition of the room, kept in the run: temperature='21 degC', humidity='45 %', light='300 lux', "
        "friction=0.8.",
    )
    @click.option(
        "--settings-file",
        type=click.Path(path_type=Path),
        metavar="FILE",
        help="The file with settings (a C header, a text) that the robot carries; its name and SHA-256 are kept.",
    )
    @functools.wraps(command)
    def with_bench(
        *words: object,
        records: Path | None,
        no_records: bool,
        old_records: bool,
        environment: tuple[str, ...],
        settings_file: Path | None,
        **options: object,
    ) -> int:
        asked = Asked(
            records=records,
            no_records=no_records,
            old_records=old_records,
            environment=environment,
            settings_file=settings_file,
        )
        return command(*words, bench=asked, **options)

    return with_bench


def bench_of(asked: Asked, robot: RobotFile, runs: Path, kept: KeptRun | None) -> Bench:
    """Return what was asked, checked; of a trace that is played what that run had stands where nothing was asked.

    A run that is played uses no records and writes none: it is none of today's.
    """
    from hil.results import LoadedFile

    environment = environment_of(asked.environment)
    loaded = None if asked.settings_file is None else loaded_file(asked.settings_file, robot)
    records = _records(asked, runs)
    if kept is None:
        return Bench(environment=environment, records=records, is_old_good=asked.old_records, loaded=loaded)
    if asked.records is not None or asked.old_records:
        raise UsageError(
            "a run that is played from its trace has the calibrations that it had then",
            where="--records" if asked.records is not None else "--old-records",
            expected="no records, or another file with --calibration",
            todo="Keep what that run found out with 'hil records keep RUN'",
        )
    described = kept.description
    if loaded is None and described.loaded:
        loaded = LoadedFile(**described.loaded)
    return Bench(environment=environment if asked.environment else described.environment, loaded=loaded)


def records_beside(runs: Path) -> Path:
    """Return the folder of records beside a folder of runs."""
    beside = runs if runs.name not in ("", "..") else runs.resolve()
    return beside.parent / "records"


def _records(asked: Asked, runs: Path) -> Path | None:
    if asked.no_records and (asked.records is not None or asked.old_records):
        raise UsageError(
            "no records are to be used, and yet some are",
            where="--no-records",
            expected="it alone, or --records DIR and --old-records without it",
        )
    return None if asked.no_records else asked.records or records_beside(runs)


def environment_of(texts: tuple[str, ...]) -> Environment:
    """Read conditions of the room as `NAME=VALUE`; raise `UsageError` for one that is unknown, twice, or cannot be."""
    from hil.results import Environment

    found: dict[str, float] = {}
    for text in texts:
        name, _, written = text.partition("=")
        if name not in _CONDITIONS or not written.strip():
            examples = ", ".join(example for *_, example in _CONDITIONS.values())
            raise UsageError(
                "that is no condition of the room", where=f"--environment {text}", expected=f"one of {examples}"
            )
        attribute = _CONDITIONS[name][0]
        if attribute in found:
            raise UsageError("this condition is given twice", where=f"--environment {text}", expected="each once")
        found[attribute] = _condition(name, written.strip(), text)
    return Environment(**found)


def _condition(name: str, written: str, text: str) -> float:
    from hil.quantities import QuantityError, quantity_in

    _, unit, lowest, highest, example = _CONDITIONS[name]
    try:
        value = _celsius(written) if unit == "degC" else quantity_in(written, unit)
    except QuantityError as error:
        raise UsageError(str(error), where=f"--environment {text}", expected=example) from None
    if not lowest <= value <= highest:
        span = f"{lowest:g} to {highest:g} {unit}".rstrip()
        raise UsageError(f"there is no room with {name} {written}", where=f"--environment {text}", expected=span)
    return value


def _celsius(text: str) -> float:
    """Read a temperature, whose units have other zeros and are none of those that only scale."""
    from hil.quantities import QuantityError, parse_quantity

    quantity = parse_quantity(text)
    if quantity.unit in ("degC", "°C", "C"):
        return quantity.value
    if quantity.unit in ("K", "kelvin"):
        return quantity.value + _ABSOLUTE_ZERO_C
    if quantity.unit in ("degF", "°F", "F"):
        return (quantity.value - 32) / 1.8
    raise QuantityError(f"{text!r} is no temperature in degC, degF or K")


def loaded_file(path: Path, robot: RobotFile) -> LoadedFile:
    """Return name and SHA-256 of the file with settings; refuse another than the robot file names."""
    from hil.results import LoadedFile

    wanted = robot.settings_text
    if wanted is not None and path.name != wanted.name:
        raise UsageError(
            f"this is not the file with settings of {robot.robot.name}",
            where=f"--settings-file {path}",
            expected=f"a file with the name {wanted.name}, as the robot file says (settings_file)",
        )
    try:
        with path.open("rb") as stream:
            content = stream.read(_LARGEST_FILE + 1)
    except OSError as error:
        raise UsageError(
            f"the file with settings cannot be read ({error.strerror})",
            where=f"--settings-file {path}",
            expected="the file that was loaded into the robot",
        ) from None
    if not content or len(content) > _LARGEST_FILE:
        raise UsageError(
            "the file with settings is empty" if not content else "the file with settings is larger than 16 MiB",
            where=f"--settings-file {path}",
            expected="the C header or the text that was loaded into the robot",
        )
    return LoadedFile(name=path.name, sha256=hashlib.sha256(content).hexdigest())
