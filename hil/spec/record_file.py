"""Record files: read back with every mistake told at its line, and written as text that people can read.

People may write the `remark` and correct a number; the schema is as strict as that of their own files. What a file does
not say is as it stands in the model.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Mapping
from datetime import datetime
from pathlib import Path
from typing import Annotated

from pydantic import Field

from hil.errors import FileMistakes
from hil.measure.model import SensorCalibration
from hil.results import Environment, LoadedFile
from hil.spec.checking import Document, FilePart, Key
from hil.spec.record_values import Record, Value
from hil.spec.texts import BENCH, Name, RawText, Text

ENDING = ".record.yaml"
MODEL = "reading = gain / (distance_mm + offset_mm) ^ exponent, in counts, lit less dark"

Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
Number = Annotated[float, Field(allow_inf_nan=False)]
Row = Annotated[list[Number], Field(min_length=3, max_length=3)]


class SensorPart(FilePart):
    """A sensor's calibration."""

    gain: Positive
    exponent: Positive
    offset_mm: Number
    covariance: Annotated[list[Row], Field(min_length=3, max_length=3)]
    noise: Annotated[float, Field(ge=0, allow_inf_nan=False)]
    residual_mm: Annotated[float, Field(ge=0, allow_inf_nan=False)]
    span_mm: Annotated[list[Number], Field(min_length=2, max_length=2)]
    readings: Annotated[int, Field(ge=1)]
    source: Text


class ValuePart(FilePart):
    """A measured value."""

    value: Number
    unit: RawText | None = None
    u: Annotated[float, Field(ge=0, allow_inf_nan=False)]
    of: Text = ""
    run: Text = ""


class LoadedPart(FilePart):
    """The file loaded into the robot."""

    name: Text
    sha256: Text


class EnvironmentPart(FilePart):
    """The room."""

    temperature_c: Number | None = None
    humidity_percent: Number | None = None
    illuminance_lux: Number | None = None
    floor_friction: Number | None = None


class RecordPart(FilePart):
    """A record file."""

    record: Name
    robot: Name
    serial: Text
    seed: int | None = None
    taken: Text
    tool: Text
    run: Text
    trace: Text
    firmware: Text = ""
    battery_v: Positive | None = None
    environment: EnvironmentPart = EnvironmentPart()
    sensors: Annotated[dict[Name, SensorPart], Field(default_factory=dict)]
    values: Annotated[dict[Name, ValuePart], Field(default_factory=dict)]
    numbers: Annotated[dict[Name, Number], Field(default_factory=dict)]
    settings: Annotated[dict[Name, Number], Field(default_factory=dict)]
    loaded: LoadedPart | None = None
    remark: Text = ""


def load_record(path: Path) -> Record:
    """Read a record; raise `FileMistakes` with all that is wrong in it."""
    document = Document(path)
    parts = document.fit(RecordPart)
    taken = _taken(document, parts.taken) if parts else None
    for channel, sensor in parts.sensors.items() if parts else ():
        _check_sensor(document, ("sensors", channel), sensor)
    if parts is None or taken is None or document.source.mistakes:
        raise FileMistakes(document.mistakes)
    return Record(
        robot=parts.robot,
        serial=parts.serial,
        surface="" if parts.record == BENCH else parts.record,
        seed=parts.seed,
        taken=taken,
        tool=parts.tool,
        run=parts.run,
        trace=parts.trace,
        firmware=parts.firmware,
        battery_v=parts.battery_v,
        environment=Environment(**parts.environment.model_dump()),
        sensors={name: _calibration(name, parts.record, one) for name, one in parts.sensors.items()},
        values={
            name: Value(value=one.value, unit=one.unit or "", u=one.u, of=one.of, run=one.run)
            for name, one in parts.values.items()
        },
        numbers=dict(parts.numbers),
        settings=dict(parts.settings),
        loaded=LoadedFile(name=parts.loaded.name, sha256=parts.loaded.sha256) if parts.loaded else None,
        remark=parts.remark,
    )


def _taken(document: Document, text: str) -> datetime | None:
    try:
        taken = datetime.fromisoformat(text)
    except ValueError:
        taken = None
    if taken is None or taken.tzinfo is None:
        document.report(("taken",), expected="a date with its time and zone, such as 2026-05-02T18:30:00+02:00")
        return None
    return taken


def _check_sensor(document: Document, at: Key, part: SensorPart) -> None:
    """Report a span without a length, and a covariance that no three numbers can have."""
    if part.span_mm[0] >= part.span_mm[1]:
        document.report((*at, "span_mm"), expected="the shorter distance first, as in [39, 129]")
    rows = part.covariance
    for i, j in ((0, 0), (1, 1), (2, 2), (0, 1), (0, 2), (1, 2)):
        # A number may be off by its last digits, where people have shortened them.
        room = 1e-6 * abs(rows[i][i] * rows[j][j])
        if (
            rows[i][i] < 0
            or abs(rows[i][j] - rows[j][i]) > room**0.5
            or rows[i][j] ** 2 > rows[i][i] * rows[j][j] + room
        ):
            document.report((*at, "covariance"), expected="a symmetric matrix with variances in its diagonal")
            return


def _calibration(channel: str, surface: str, part: SensorPart) -> SensorCalibration:
    return SensorCalibration(
        channel=channel,
        surface=surface,
        gain=part.gain,
        exponent=part.exponent,
        offset_mm=part.offset_mm,
        covariance=tuple((row[0], row[1], row[2]) for row in part.covariance),
        noise=part.noise,
        residual_mm=part.residual_mm,
        span_mm=(part.span_mm[0], part.span_mm[1]),
        n=part.readings,
        source=part.source,
    )


def record_text(record: Record) -> str:
    """Return the record as the text of its file; reading it gives the same record."""
    return "\n".join(_lines(record)) + "\n"


def _lines(record: Record) -> Iterator[str]:
    where = f"on the surface {record.surface}" if record.surface else "on the bench"
    yield f"# What was found out about {record.robot} ({record.serial}) {where}. Written by hil; the remark is yours."
    yield f"record: {_name(record.surface or BENCH)}"
    yield f"robot: {_name(record.robot)}"
    yield f"serial: {_quoted(record.serial)}"
    if record.seed is not None:
        yield f"seed: {record.seed}  # a virtual robot; another seed is another robot"
    yield f"taken: {_quoted(record.taken.isoformat(timespec='seconds'))}"
    yield f"tool: {_quoted(record.tool)}"
    yield f"run: {_quoted(record.run)}"
    yield f"trace: {_quoted(record.trace)}  # SHA-256 of what the record was measured from"
    if record.firmware:
        yield f"firmware: {_quoted(record.firmware)}"
    if record.battery_v is not None:
        yield f"battery_v: {record.battery_v!r}"
    yield from _plain("environment", _environment(record.environment))
    if record.sensors:
        yield f"# {MODEL}"
        yield "sensors:"
        for channel, one in sorted(record.sensors.items()):
            yield from _sensor(channel, one)
    if record.values:
        yield "values:"
        for name, value in sorted(record.values.items()):
            unit = f", unit: {_quoted(value.unit)}" if value.unit else ""
            of = f", of: {_quoted(value.of)}" if value.of else ""
            run = f", run: {_quoted(value.run)}" if value.run else ""
            yield f"  {_name(name)}: {{value: {value.value!r}{unit}, u: {value.u!r}{of}{run}}}"
    if record.numbers:
        yield "# What goes into the firmware"
    yield from _plain("numbers", record.numbers)
    if record.settings:
        yield "# What was read back from the firmware"
    yield from _plain("settings", record.settings)
    if record.loaded:
        yield f"loaded: {{name: {_quoted(record.loaded.name)}, sha256: {_quoted(record.loaded.sha256)}}}"
    if record.remark:
        yield f"remark: {_quoted(record.remark)}"


def _sensor(channel: str, one: SensorCalibration) -> Iterator[str]:
    yield f"  {channel}:"
    for name in ("gain", "exponent", "offset_mm", "noise", "residual_mm"):
        yield f"    {name}: {float(getattr(one, name))!r}"
    yield f"    span_mm: [{one.span_mm[0]!r}, {one.span_mm[1]!r}]"
    yield f"    readings: {one.n}"
    yield f"    source: {_quoted(one.source or 'unknown')}"
    yield "    covariance:  # of ln gain, exponent, offset_mm"
    for row in one.covariance:
        yield f"      - [{', '.join(repr(float(number)) for number in row)}]"


def _environment(environment: Environment) -> Mapping[str, float]:
    names = ("temperature_c", "humidity_percent", "illuminance_lux", "floor_friction")
    found = {name: getattr(environment, name) for name in names}
    return {name: number for name, number in found.items() if number is not None}


def _plain(key: str, numbers: Mapping[str, float]) -> Iterator[str]:
    if numbers:
        yield f"{key}:"
        for name, number in sorted(numbers.items()):
            yield f"  {_name(name)}: {_number(number)}"


def _number(number: float) -> str:
    """Return a number as YAML reads it back: whole ones without a point."""
    if not math.isfinite(number):
        raise ValueError(f"{number!r} is no number for a record")
    return str(int(number)) if float(number).is_integer() and abs(number) < 1e15 else repr(float(number))


def _name(name: str) -> str:
    """Return a name as YAML reads it back: bare but for the one that stands for nothing."""
    return _quoted(name) if name.lower() == "null" else name


def _quoted(text: str) -> str:
    """Return a text as a YAML scalar that is text whatever stands in it: JSON's strings are YAML's."""
    return json.dumps(text, ensure_ascii=False)
