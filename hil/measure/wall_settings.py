"""The numbers about walls that go into a firmware: what each sensor reads where, and from which reading on is a wall.

A firmware wants whole counts and distances, by name: `wall.left.set` (reading at the set distance), `wall.left.nothing`
(reading with no wall), `wall.left.threshold`, and a table of readings over distance for linearisation. Their text is
one line a number, `name = value unit`, which people can read and copy, and which is read back the same.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from hil.measure.detection import Rule
from hil.measure.evidence import Evidence
from hil.measure.method import Parameters
from hil.measure.model import SensorCalibration
from hil.measure.values import CannotMeasureError
from hil.measure.wall_blocks import by_sensor_and_surface, jig_blocks, set_distance_mm
from hil.measure.wall_changes import carried_over
from hil.measure.wall_fits import Fitted, fits_of
from hil.measure.wall_presence import Presence, presences_by

TABLE_STEP_MM = 10.0
_MEANINGS = {
    "distance": ("mm", "set distance from the wall"),
    "set": ("count", "reading there"),
    "nothing": ("count", "no wall reads less"),
    "threshold": ("count", "from here on is a wall"),
}
_PART = re.compile(r"(?P<sensor>wall(?:\.[a-z]+)+?)\.(?P<what>distance|set|nothing|threshold|at\.\d+(?:\.\d+)?)")
_LINE = re.compile(r"(?P<name>[a-z][a-z0-9.]*) = (?P<value>-?\d+(?:\.\d+)?)(?: (?P<unit>[A-Za-z]+))?")


@dataclass(frozen=True, slots=True, kw_only=True)
class Number:
    """One number for the firmware: name, value, unit ("count" or "mm") and what it means."""

    name: str
    value: float
    unit: str
    meaning: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorNumbers:
    """One sensor's numbers on one surface, in whole counts.

    `set_reading` is what it reads at `set_mm` from the wall, `nothing` what it reads at most without one, `threshold`
    the reading from which on there is a wall. `table` holds (distance in mm, reading). None: not known.
    """

    sensor: str
    set_mm: float
    set_reading: int
    table: tuple[tuple[float, int], ...]
    nothing: int | None = None
    threshold: int | None = None

    def numbers(self) -> Iterator[Number]:
        """Give the numbers by name, in a fixed order."""
        yield number_named(f"{self.sensor}.distance", self.set_mm)
        yield number_named(f"{self.sensor}.set", self.set_reading)
        if self.nothing is not None:
            yield number_named(f"{self.sensor}.nothing", self.nothing)
        if self.threshold is not None:
            yield number_named(f"{self.sensor}.threshold", self.threshold)
        for distance_mm, reading in self.table:
            yield number_named(f"{self.sensor}.at.{distance_mm:g}", reading)


@dataclass(frozen=True, slots=True, kw_only=True)
class WallSettings:
    """The numbers of all sensors on one surface; thresholds are for every surface that was read."""

    surface: str
    sensors: tuple[SensorNumbers, ...]

    def numbers(self) -> tuple[Number, ...]:
        """Return all numbers, sensor by sensor."""
        return tuple(number for sensor in self.sensors for number in sensor.numbers())

    def values(self) -> Mapping[str, float]:
        """Return the numbers by name."""
        return {number.name: number.value for number in self.numbers()}

    def text(self) -> str:
        """Return the numbers as text, one a line."""
        return "".join(f"{one.name} = {one.value:g} {one.unit}\n" for one in self.numbers())


def number_named(name: str, value: float) -> Number:
    """Return a number of a record with the unit and the meaning that its name tells; others have neither."""
    match = _PART.fullmatch(name)
    if match is None:
        return Number(name=name, value=value, unit="", meaning="")
    if match["what"].startswith("at."):
        at_mm = float(match["what"].removeprefix("at."))
        return Number(name=name, value=value, unit="count", meaning=f"reading at {at_mm:g} mm")
    unit, meaning = _MEANINGS[match["what"]]
    return Number(name=name, value=value, unit=unit, meaning=meaning)


def in_order(values: Mapping[str, float]) -> list[Number]:
    """Return numbers by name in the order of `SensorNumbers.numbers`, sensor by sensor; others come last."""

    def place(number: Number) -> tuple[object, ...]:
        match = _PART.fullmatch(number.name)
        if match is None:
            return (1, number.name, 0, 0.0)
        what = match["what"]
        at = float(what.removeprefix("at.")) if what.startswith("at.") else 0.0
        return (0, match["sensor"], [*_MEANINGS, what].index(what), at)

    return sorted((number_named(name, value) for name, value in values.items()), key=place)


def settings_from_text(surface: str, text: str) -> WallSettings:
    """Read the text of `WallSettings.text` back; raise `ValueError` with the line that is none of it."""
    found: dict[str, dict[str, float]] = {}
    for at, line in enumerate(text.splitlines(), 1):
        if not line.strip():
            continue
        match = _LINE.fullmatch(line.strip())
        parts = _PART.fullmatch(match["name"]) if match else None
        if match is None or parts is None:
            raise ValueError(f"line {at}, {line.strip()!r}, is not a number such as 'wall.left.set = 600 count'")
        found.setdefault(parts["sensor"], {})[parts["what"]] = float(match["value"])
    sensors = []
    for sensor, values in found.items():
        if "set" not in values or "distance" not in values:
            raise ValueError(f"{sensor} lacks its set distance or its reading there")
        sensors.append(_numbers(sensor, values))
    return WallSettings(surface=surface, sensors=tuple(sensors))


def _numbers(sensor: str, values: Mapping[str, float]) -> SensorNumbers:
    whole = {what: int(values[what]) for what in ("nothing", "threshold") if what in values}
    return SensorNumbers(
        sensor=sensor, set_mm=values["distance"], set_reading=int(values["set"]),
        table=tuple(
            (float(what.removeprefix("at.")), int(reading)) for what, reading in values.items() if what[:3] == "at."
        ),
        nothing=whole.get("nothing"), threshold=whole.get("threshold"),
    )  # fmt: skip


def table_of(calibration: SensorCalibration, step_mm: float = TABLE_STEP_MM) -> tuple[tuple[float, int], ...]:
    """Return readings at whole steps of distance within the span that the curve was fitted over, both ends included."""
    low, high = calibration.span_mm
    places = np.arange(np.ceil(low / step_mm), np.floor(high / step_mm) + 1) * step_mm
    return tuple((float(at), round(calibration.reading(float(at)))) for at in places)


def settings_of(
    calibrations: Sequence[SensorCalibration],
    set_mm: Mapping[str, float],
    decisions: Sequence[Presence] = (),
    rule: Rule = Rule.EVEN_RATIO,
) -> tuple[WallSettings, ...]:
    """Return the numbers for each surface of the calibrations.

    `set_mm` are set distances by sensor; a sensor without one is left out. `decisions` give the thresholds.
    """
    by_sensor = {one.sensor: one for one in decisions}
    surfaces: dict[str, list[SensorNumbers]] = {}
    for one in calibrations:
        if one.channel not in set_mm:
            continue
        decision = by_sensor.get(one.channel)
        surfaces.setdefault(one.surface, []).append(
            SensorNumbers(
                sensor=one.channel, set_mm=set_mm[one.channel], set_reading=round(one.reading(set_mm[one.channel])),
                table=table_of(one), nothing=round(decision.nothing.highest) if decision else None,
                threshold=round(decision.threshold(rule)) if decision else None,
            )
        )  # fmt: skip
    return tuple(WallSettings(surface=surface, sensors=tuple(of)) for surface, of in surfaces.items())


@dataclass(frozen=True, slots=True, kw_only=True)
class WallKeeping:
    """What a case at the jig leaves for the bench's records: curves, the firmware's numbers, and what is missing."""

    calibrations: tuple[SensorCalibration, ...]
    settings: tuple[WallSettings, ...]
    notes: tuple[str, ...]


def keeping_of(evidence: Evidence, parameters: Parameters | None = None) -> WallKeeping:
    """Return what the evidence of a case tells of every sensor and surface; refuse where it tells of none.

    A surface read at too few distances for a curve of its own, and not yet on record, gets the one that is carried
    over from the others by its reading at the set distance.
    """
    asked = parameters or Parameters()
    fits, notes = _curves(evidence, asked)
    calibrations = tuple(fit.calibration for fit in fits)
    set_mm: dict[str, float] = {}
    for channel in dict.fromkeys(one.channel for one in calibrations):
        try:
            set_mm[channel] = set_distance_mm(evidence, asked, channel)
        except CannotMeasureError as error:
            notes.append(f"No numbers for {channel}: {error}.")
    known = [fit for fit in fits if fit.calibration.channel in set_mm]
    try:
        settings = settings_of(calibrations, set_mm, presences_by(evidence, asked, known))
    except CannotMeasureError as error:
        notes.append(f"No thresholds: {error}.")
        settings = settings_of(calibrations, set_mm)
    return WallKeeping(calibrations=calibrations, settings=settings, notes=tuple(notes))


def _curves(evidence: Evidence, parameters: Parameters) -> tuple[list[Fitted], list[str]]:
    """Return curves fitted, and where that cannot be carried over; refuse where there are none of either."""
    try:
        fits, notes = fits_of(evidence, parameters)
    except CannotMeasureError as error:
        fits, notes = [], [f"Left out: {error}."]
    fitted = {(fit.calibration.channel, fit.calibration.surface) for fit in fits}
    carried: list[Fitted] = []
    told: list[str] = []
    if len(fitted) < len(by_sensor_and_surface(jig_blocks(evidence, parameters))):
        carried, told = carried_over(evidence, parameters)
    new = [fit for fit in carried if (fit.calibration.channel, fit.calibration.surface) not in fitted]
    if not fits and not new:
        raise CannotMeasureError(notes[0].removeprefix("Left out: ").removesuffix("."))
    return [*fits, *new], [*notes, *told] if new else notes
