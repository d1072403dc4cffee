"""`hil records`: what is known of each robot on each surface, kept from runs, and written out for a firmware."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

import click

from hil.cli.bench_options import records_beside
from hil.errors import FileMistakes, UsageError

if TYPE_CHECKING:
    from hil.engine.kept_run import KeptRun
    from hil.spec.record_values import Record
    from hil.spec.robot_values import RobotFile

_HELP = """Look at the bench's records, keep some from a run, and write their numbers for a firmware.

A record holds what was found out about one robot on one surface: the sensors' calibrations with their uncertainties,
the numbers for the firmware, what the firmware and the room were then. What belongs to no surface (encoders, supply,
loop timing) is in the record called bench. They are written by runs of suites such as wall-sensors, and used by every
run on the same robot and surface while they hold: for 30 days, with the same firmware, and while the battery is within
10 % of what it was. A robot file may say otherwise ('records: {age: 14 days, battery: 5 %}').

\b
  hil records list
  hil records show 017 matt-white
  hil records keep runs/2026-05-01-101500-maple
  hil records text matt-white --robot mine.robot.yaml --out walls.h
"""

_records_option = click.option(
    "--records",
    type=click.Path(path_type=Path, file_okay=False),
    default=Path("records"),
    show_default=True,
    metavar="DIR",
    help="The folder of the records.",
)


@click.group(help=_HELP, short_help="Look at the bench's records, and write their numbers for a firmware.")
def records() -> None:
    """Group of what is done with records; the text a user sees is `_HELP`."""


@records.command("list", short_help="List all records: how old they are, and whether they hold.")
@_records_option
def list_records(records: Path) -> None:
    """List all records: robot, surface, age, the run they are from, and whether they hold.

    Whether firmware and battery are as they were is seen in a run only, and what a robot file says of its records is
    not known here. The folder of a virtual robot's records names its seed.
    """
    from hil.store.records import records_in

    now = _now()
    rows = [_row(records, path, now) for path in records_in(records)]
    if not rows:
        click.echo(f"There are no records in {records}. A run of the suite wall-sensors that passes writes some.")
        return
    rows.insert(0, ("robot", "surface", "age", "run", "holds"))
    widths = [max(len(row[column]) for row in rows) for column in range(4)]
    for row in rows:
        cells = [f"{cell:<{width}}" for cell, width in zip(row[:4], widths, strict=True)]
        click.echo("  ".join([*cells, row[4]]).rstrip())


def _row(records: Path, path: Path, now: datetime) -> tuple[str, str, str, str, str]:
    from hil.spec.record_file import ENDING, load_record
    from hil.spec.texts import BENCH

    folder, surface = path.parent.name, path.name.removesuffix(ENDING)
    try:
        record = load_record(path)
    except FileMistakes as error:
        return folder, surface, "", "", f"cannot be read: {_first_line(error)}"
    reason = _why_not(records, path, record, now)
    return folder, record.surface or BENCH, _age(now - record.taken), record.run, f"no: {reason}" if reason else "yes"


def _why_not(records: Path, path: Path, record: Record, now: datetime) -> str:
    """Return why a record does not hold, as far as can be told without its robot, or ""."""
    from hil.spec.record_values import Validity, why_stale
    from hil.store.records import path_of

    place = path_of(records, record.serial, record.surface, record.seed)
    if path.resolve() != place.resolve():
        return f"it belongs at {place.relative_to(records)}, and nobody looks for it here"
    return why_stale(record, now=now, firmware="", battery_v=None, seed=record.seed, validity=Validity())


def _age(age: timedelta) -> str:
    minutes = age.total_seconds() / 60
    if minutes < 0:
        return "to come"
    if minutes < 90:
        return f"{minutes:.0f} min old"
    return f"{minutes / 60:.0f} h old" if minutes < 48 * 60 else f"{age.days} days old"


def _first_line(error: FileMistakes) -> str:
    lines = str(error).splitlines()
    return lines[0] if len(lines) == 1 else f"{lines[0]} (and more)"


def _now() -> datetime:
    from hil.timing import SystemClock

    return SystemClock().now()


@records.command("show", short_help="Show one record.")
@click.argument("serial")
@click.argument("surface")
@_records_option
def show_record(serial: str, surface: str, records: Path) -> None:
    """Show the record of a robot, by its SERIAL number, on a SURFACE; the surface bench shows what belongs to none.

    Of virtual robots with several seeds name the folder, as in V-0001.seed-7.
    """
    from hil.spec.record_file import load_record
    from hil.spec.texts import BENCH
    from hil.store.records import earlier_in

    path = _record_of(records, serial, surface)
    record, now = load_record(path), _now()
    reason = _why_not(records, path, record, now)
    click.echo("\n".join(_shown(path, record, f"no: {reason}" if reason else "yes", _age(now - record.taken))))
    for earlier in earlier_in(path.parent, "" if surface == BENCH else surface):
        click.echo(f"earlier      {earlier}")


def _record_of(records: Path, serial: str, surface: str) -> Path:
    """Return the file of a record that a user names; raise `UsageError` where there is none, or are several."""
    from hil.spec.record_file import ENDING
    from hil.store.records import records_in
    from hil.store.runs import file_name

    stem = file_name(serial)
    of_robot = [
        path for path in records_in(records) if path.parent.name == stem or path.parent.name.startswith(f"{stem}.seed-")
    ]
    found = [path for path in of_robot if path.name == f"{file_name(surface)}{ENDING}"]
    exact = [path for path in found if path.parent.name == stem]
    if len(found) > 1 and not exact:
        raise UsageError(
            f"there are several virtual robots {serial} with a record of {surface}",
            where=str(records),
            expected=f"one of {', '.join(path.parent.name for path in found)}",
        )
    if found:
        return (exact or found)[0]
    known = [path.name.removesuffix(ENDING) for path in of_robot]
    raise UsageError(
        f"there is no record of {serial} on {surface}",
        where=str(records),
        expected=f"one of {', '.join(known)}" if known else "a robot that 'hil records list' shows",
    )


def _shown(path: Path, record: Record, holds: str, age: str) -> Iterator[str]:
    from hil.judge.rounding import rounded_pair, with_unit
    from hil.measure.wall_settings import in_order

    seed = f", virtual robot of seed {record.seed}" if record.seed is not None else ""
    yield f"record       {path}"
    yield f"robot        {record.robot} ({record.serial}{seed})"
    yield f"surface      {record.surface or 'none: what belongs to the bench'}"
    yield f"taken        {record.taken:%Y-%m-%d %H:%M} ({age}), in the run {record.run}, by hil {record.tool}"
    yield f"holds        {holds}"
    if record.firmware:
        yield f"firmware     {record.firmware}"
    if record.battery_v is not None:
        yield f"battery      {record.battery_v:.2f} V"
    if room := _room(record):
        yield f"room         {room}"
    for channel, one in sorted(record.sensors.items()):
        low_mm, high_mm = one.span_mm
        yield (
            f"sensor       {channel}: gain {one.gain:.4g}, exponent {one.exponent:.3f}, offset {one.offset_mm:.2f} mm, "
            f"within {one.residual_mm:.2f} mm over {low_mm:g} to {high_mm:g} mm, noise {one.noise:.1%} ({one.source})"
        )
    for name, value in sorted(record.values.items()):
        number, u = rounded_pair(value.value, value.u)
        told = with_unit(f"{number} (u {u})" if value.u else f"{value.value:g}", value.unit)
        yield f"value        {name}: {told}, {value.of}{f' in the run {value.run}' if value.run else ''}"
    for one_number in in_order(record.numbers):
        yield f"number       {one_number.name} = {one_number.value:g} {one_number.unit}".rstrip()
    for name, setting in record.settings.items():
        yield f"setting      {name} = {setting:g}"
    if record.loaded:
        yield f"loaded       {record.loaded.name}, SHA-256 {record.loaded.sha256}"
    if record.remark:
        yield f"remark       {record.remark}"


def _room(record: Record) -> str:
    room = record.environment
    told = [
        f"{value:g} {unit}".rstrip() + f" {what}".rstrip()
        for value, unit, what in (
            (room.temperature_c, "°C", ""),
            (room.humidity_percent, "%", "of humidity"),
            (room.illuminance_lux, "lx", ""),
            (room.floor_friction, "", "of friction"),
        )
        if value is not None
    ]
    return ", ".join(told)


@records.command("keep", short_help="Keep the records that a run gives.")
@click.argument("run", type=click.Path(path_type=Path), metavar="RUN")
@click.option(
    "--all", "is_all", is_flag=True, help="Also of cases that did not pass, and of virtual robots with faults."
)
@click.option(
    "--records",
    type=click.Path(path_type=Path, file_okay=False),
    metavar="DIR",
    help="The folder of the records.  [default: records, beside the folder of RUN's runs]",
)
def keep(run: Path, is_all: bool, records: Path | None) -> None:
    """Measure RUN, the folder of a run, again from its trace, and keep what its cases found out of the bench.

    A record of a later run keeps its place; an earlier one is kept beside it.
    """
    import io

    from hil.catalogue import Catalogue
    from hil.engine.bench_records import keep_records
    from hil.engine.kept_run import Changes, open_run
    from hil.engine.replay import replay

    catalogue = Catalogue()
    kept = open_run(run, Changes(), catalogue)
    _check_keepable(kept)
    folder = records or records_beside(kept.folder.resolve().parent)
    said = io.StringIO()
    written = keep_records(kept.folder, replay(kept), folder, catalogue, said, also_failed=is_all)
    click.echo(said.getvalue(), nl=False)
    if not written:
        why = "" if said.getvalue() else ": no case that keeps one was begun in it"
        click.echo(f"No record was written of {kept.description.run_id}{why}.")


def _check_keepable(kept: KeptRun) -> None:
    port = str(kept.description.options.get("port") or "")
    if port.startswith("trace:"):
        raise UsageError(
            "this run was played from the trace of another, and no robot was measured",
            where=str(kept.folder),
            expected=f"the run that was played, {port.removeprefix('trace:')}",
        )
    if not any(case.keeps for suite in kept.suites for case in suite.cases):
        raise UsageError(
            "no case of this run keeps anything",
            where=str(kept.folder),
            expected="a run of a suite such as wall-sensors, whose case says 'keeps: calibration'",
        )


@records.command("text", short_help="Write the numbers of a surface for a firmware.")
@click.argument("surface")
@click.option("--robot", required=True, metavar="FILE_OR_NAME", help="The robot file, or the name of one.")
@click.option("--out", type=click.Path(path_type=Path), metavar="FILE", help="Write them here.  [default: print them]")
@click.option("--old", is_flag=True, help="Also from a record that does not hold any more.")
@click.option("--seed", type=click.IntRange(0, 2**31 - 1), default=1, show_default=True, help="Of a virtual robot.")
@_records_option
def text(surface: str, robot: str, out: Path | None, old: bool, seed: int, records: Path) -> None:
    """Write the numbers of a robot on a SURFACE as the robot file's settings_file says: one line a number.

    A robot file without one gets the lines of a C header. Date, robot, surface and record stand in the first lines.
    Compile the file into the firmware, and name it with --settings-file in the runs that follow.
    """
    from hil.catalogue import Catalogue
    from hil.measure.wall_settings import in_order
    from hil.spec.kinds import Kind
    from hil.spec.loading import load_robot
    from hil.spec.robot_values import SettingsText
    from hil.spec.settings_text import Setting, settings_file_text
    from hil.store.runs import write_whole

    catalogue = Catalogue()
    robot_file = load_robot(catalogue.find(Kind.ROBOT, robot), catalogue)
    now = _now()
    record, remark = _serving(
        records, surface, robot_file, seed=seed if robot_file.virtual else None, now=now, is_old_good=old
    )
    form = robot_file.settings_text or SettingsText(name=out.name if out else "")
    written = settings_file_text(
        form,
        [Setting(name=n.name, value=n.value, unit=n.unit, meaning=n.meaning) for n in in_order(record.numbers)],
        robot=f"{robot_file.robot.name} ({record.serial})",
        surface=surface,
        date=now,
        record=f"record of {record.taken:%Y-%m-%d %H:%M}, run {record.run}",
    )
    if remark:
        click.echo(f"hil: the record of '{surface}' was used all the same: {remark}.", err=True)
    if out is None:
        click.echo(written, nl=False)
        return
    if out.is_dir() or not out.parent.is_dir():
        raise UsageError("no file can be written there", where=str(out), expected="a file in a folder that there is")
    if robot_file.settings_text is not None and out.name != form.name:
        click.echo(f"hil: the robot file calls its file with settings {form.name}, and this is {out.name}.", err=True)
    write_whole(out, written)
    click.echo(f"Written: {out} ({len(record.numbers)} numbers of {surface})")


def _serving(
    records: Path, surface: str, robot: RobotFile, *, seed: int | None, now: datetime, is_old_good: bool
) -> tuple[Record, str]:
    """Return the record that serves, and why it is old; raise `UsageError` where there is none with numbers."""
    from hil.spec.texts import BENCH
    from hil.store.records import Circumstances, pick_record

    where = Circumstances(serial=robot.robot.serial, now=now, seed=seed, validity=robot.validity)
    picked = pick_record(records, "" if surface == BENCH else surface, where, is_old_good=is_old_good)
    if picked.record is None:
        is_there = picked.path.is_file()
        raise UsageError(
            picked.reason,
            where=str(picked.path),
            expected="one that holds" if is_there else "a record that a run of the suite wall-sensors has written",
            todo="Take it anew, or say --old to write its numbers all the same" if is_there else "",
        )
    if not picked.record.numbers:
        raise UsageError("there are no numbers for a firmware in this record", where=str(picked.path))
    return picked.record, picked.reason
