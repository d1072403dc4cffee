"""The records of a bench: one folder a robot, one file a surface, and one for what belongs to no surface.

    records/SERIAL/SURFACE.record.yaml     calibrations, thresholds, the numbers for the firmware
    records/SERIAL/bench.record.yaml       encoders, supply, loop timing

A virtual robot's folder carries its seed, since another seed is another robot. A record that is written again keeps
the earlier one beside it, under its date, so that nothing that was found out is lost and drift can be followed.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from hashlib import sha256
from pathlib import Path

from hil.errors import FileMistakes
from hil.spec.record_file import ENDING, load_record, record_text
from hil.spec.record_values import CLOCK_ROOM, Record, Validity, Value, why_stale
from hil.spec.texts import BENCH, is_name
from hil.store.alone import alone_in
from hil.store.runs import file_name, write_bytes_whole, write_whole

RECORDS = "records"
NO_RECORD = "there is no record"  # begins the reason where there never was one
_EARLIER = "earlier"


@dataclass(frozen=True, slots=True, kw_only=True)
class Circumstances:
    """What a record must fit: the robot as it is now, the moment, and how long records hold."""

    serial: str
    now: datetime
    firmware: str = ""
    battery_v: float | None = None
    seed: int | None = None
    validity: Validity = field(default_factory=Validity)


@dataclass(frozen=True, slots=True, kw_only=True)
class Picked:
    """The record that serves, or None with the reason; `path` is where it lies, or should."""

    path: Path
    record: Record | None
    reason: str = ""


def folder_of(records: Path, serial: str, seed: int | None = None) -> Path:
    """Return the folder of a robot's records.

    A serial number that no file can be called by has its digest behind it: two that look alike then share no folder.
    """
    name = file_name(serial)
    if name != serial:
        name = f"{name}-{sha256(serial.encode()).hexdigest()[:8]}"
    return records / (name if seed is None else f"{name}.seed-{seed}")


def path_of(records: Path, serial: str, surface: str, seed: int | None = None) -> Path:
    """Return the file of a robot's record on a surface ("": the bench's)."""
    return folder_of(records, serial, seed) / f"{file_name(surface or BENCH)}{ENDING}"


def write_record(records: Path, record: Record, *, now: datetime | None = None, joins: bool = False) -> Path:
    """Write a record, durably, and return its file; what stands there is kept among the earlier ones.

    The earlier one is copied first and replaced then, so that a record stands there at every moment. One that was
    taken later than this keeps its place, and this goes among the earlier ones. Writing the same again changes nothing.
    Processes that write at once wait for each other.

    `now`: one that is dated later than this moment was taken with a wrong clock and keeps its place from nobody.
    `joins`: values of the standing one that this does not have are carried over (`with_standing_values`).
    """
    path = path_of(records, record.serial, record.surface, record.seed)
    with alone_in(path.parent):
        return _write(path, with_standing_values(records, record) if joins else record, now)


def _write(path: Path, record: Record, now: datetime | None) -> Path:
    text = record_text(record)
    if not path.exists():
        write_whole(path, text)
        return path
    standing, taken = path.read_bytes(), _taken(path)
    if standing == text.encode():
        return path
    if taken is not None and taken > record.taken and (now is None or taken <= now + CLOCK_ROOM):
        return _put_by(path, text.encode(), record.taken)
    _put_by(path, standing, taken or datetime.fromtimestamp(path.stat().st_mtime).astimezone())
    write_whole(path, text)
    return path


def with_standing_values(records: Path, record: Record) -> Record:
    """Return a record with the values of the one that stands in its place and that this does not have.

    Encoders, supply and timing are measured by suites of their own, and one record holds what is known of all; each
    value that was carried over names its run. One that cannot be read, or was taken later, gives nothing.
    """
    path = path_of(records, record.serial, record.surface, record.seed)
    if not path.is_file():
        return record
    try:
        standing = load_record(path)
    except FileMistakes:
        return record
    if standing.taken > record.taken:
        return record
    kept = {name: replace(one, run=one.run or standing.run) for name, one in standing.values.items()}
    measured = {(one.of, name) for name, one in record.values.items()}
    old = {name: one for name, one in kept.items() if (one.of, name.rpartition(".")[2]) not in measured}
    return replace(record, values=beside(record.values, old))


def beside(values: Mapping[str, Value], more: Mapping[str, Value]) -> dict[str, Value]:
    """Return values with more of another case; of two measurements of one name the later comes under its case's."""
    found = dict(values)
    for name, one in more.items():
        is_free = name not in found or found[name].of == one.of
        key = name if is_free else f"{one.of.rpartition('/')[2]}.{name}"
        if is_name(key):
            found[key] = one
    return found


def _taken(path: Path) -> datetime | None:
    """Return when a record was taken, None where it cannot be read any more."""
    try:
        return load_record(path).taken
    except FileMistakes:
        return None


def _put_by(path: Path, content: bytes, taken: datetime) -> Path:
    """Put a record among the earlier ones of `path`, under its date; one that is there already is not put twice."""
    stem = path.name.removesuffix(ENDING)
    earlier = path.parent / _EARLIER
    earlier.mkdir(exist_ok=True)
    number = 1
    while True:
        mark = "" if number == 1 else f"-{number}"
        aside = earlier / f"{stem}-{taken:%Y-%m-%d-%H%M%S}{mark}{ENDING}"
        if not aside.exists():
            write_bytes_whole(aside, content)
            return aside
        if aside.read_bytes() == content:
            return aside
        number += 1


def pick_record(records: Path, surface: str, now: Circumstances, *, is_old_good: bool = False) -> Picked:
    """Return the record of a surface for a robot, or why there is none that serves.

    `is_old_good`: one that is stale is taken all the same, with the reason beside it. Raises `FileMistakes` for a file
    that cannot be read.
    """
    path = path_of(records, now.serial, surface, now.seed)
    what = f"the record of {_what(surface)}"
    if not path.is_file():
        return Picked(path=path, record=None, reason=f"{NO_RECORD} of {_what(surface)} for {now.serial}")
    record = load_record(path)
    if record.serial != now.serial or record.surface != surface:
        whose = f"{record.serial} on {record.surface or BENCH}"
        return Picked(path=path, record=None, reason=f"{what} is not used: the file {path.name} is of {whose}")
    stale = why_stale(
        record, now=now.now, firmware=now.firmware, battery_v=now.battery_v, seed=now.seed, validity=now.validity
    )
    if stale and not is_old_good:
        return Picked(path=path, record=None, reason=f"{what} is not used: {stale}")
    return Picked(path=path, record=record, reason=stale)


def _what(surface: str) -> str:
    return f"the surface '{surface}'" if surface else "the bench"


def records_in(records: Path) -> Sequence[Path]:
    """Return the files of all records, robot by robot, without the earlier ones."""
    return sorted(path for path in records.glob(f"*/*{ENDING}") if path.is_file())


def earlier_in(folder: Path, surface: str) -> Sequence[Path]:
    """Return the files of a robot's earlier records of a surface, oldest first."""
    return sorted((folder / _EARLIER).glob(f"{file_name(surface or BENCH)}-*{ENDING}"))
