"""Blocks of wall readings: what a sensor read while a board stood before it at one distance, or none did.

A block is one segment of a case (a distance of a jig, a pause with one emitter lit, a pause under the lamps) as one
sensor saw it: lit and dark levels in counts of the converter. Its reading is lit minus dark. Many robots tell the dark
level in another line and less often than the lit one; lit and dark then pair by their means. A robot that tells no dark
level has readings with its dark level in them, which is said.

A board stands where the person said: its place is good to `BLOCK_SD_MM`, one error for the whole block, which more
readings do not average away.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

import numpy as np

from hil.measure.evidence import DARK, Drive, Evidence, Floats
from hil.measure.method import Parameters, drives_of
from hil.measure.uncertainty import effective_number
from hil.measure.values import CannotMeasureError

BLOCK_SD_MM = 0.2  # of a board's place against the jig's scale; common practice, no source
COUNT_SD = 1 / math.sqrt(12)  # of rounding to a count
SAME_DISTANCE_MM = 0.05  # distances nearer to each other than this are the same mark of a jig
_SURE = 5.0  # standard uncertainties above the dark level that count as light
_LEAST_COUNTS = 3.0  # light of less is lost in rounding
_STRAIGHT_RAD = math.radians(1.0)  # a board turned by less stands squarely


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Block:
    """One sensor's readings in one segment.

    `lit` and `dark` are levels in counts, of any lengths; `dark` is empty where the robot tells none. `distance_mm` is
    infinite where no board stands before it. `emitter` is the sensor whose emitter alone was lit ("": all in turn),
    `lamps` "on", "off" or "". `stood_before` is the sensor that the board stood before. `beside` holds the readings of
    the robot's other sensors in the same segment. `name` is the segment's.
    """

    sensor: str
    lit: Floats
    dark: Floats
    surface: str = ""
    distance_mm: float = math.inf
    angle_rad: float = 0.0
    stood_before: str = ""
    emitter: str = ""
    lamps: str = ""
    name: str = ""
    is_paired: bool = False  # lit and dark came in the same lines
    beside: Mapping[str, float] = field(default_factory=dict)

    @property
    def dark_level(self) -> float:
        """Mean dark level in counts; 0 where none is told."""
        return float(np.mean(self.dark)) if self.dark.size else 0.0

    @property
    def reading(self) -> float:
        """Mean of lit minus dark in counts."""
        return float(np.mean(self.lit)) - self.dark_level

    @property
    def readings(self) -> Floats:
        """Lit minus dark, one value a lit level: paired where they came together, else less the mean dark level."""
        away: Floats = self.lit - (self.dark if self.is_paired else self.dark_level)
        return away

    @property
    def sd_count(self) -> float:
        """Standard deviation of one lit minus dark [count], at least what rounding leaves; nan below two values."""
        if self.lit.size < 2:
            return math.nan
        variance = float(np.var(self.readings, ddof=1))
        if not self.is_paired and self.dark.size > 1:
            variance += float(np.var(self.dark, ddof=1))
        return math.sqrt(max(variance, 2 * COUNT_SD**2 if self.dark.size else COUNT_SD**2))

    @property
    def u_count(self) -> float:
        """Standard uncertainty of `reading` [count] by scatter and rounding, the board's place left out."""
        if self.lit.size < 2:
            return math.hypot(COUNT_SD, COUNT_SD)
        lit = _u_of_mean(self.readings)
        return math.hypot(lit, _u_of_mean(self.dark)) if self.dark.size and not self.is_paired else lit

    @property
    def sees_light(self) -> bool:
        """Whether more than noise comes back, so that a share of the reading means something."""
        return self.reading > max(_SURE * self.u_count, _LEAST_COUNTS)

    @property
    def is_straight(self) -> bool:
        """Whether the board stood squarely."""
        return abs(self.angle_rad) < _STRAIGHT_RAD

    @property
    def has_board(self) -> bool:
        """Whether a board stood before the sensor itself."""
        return math.isfinite(self.distance_mm) and self.stood_before in ("", self.sensor)

    def told(self) -> str:
        """Return the block in words: sensor, surface and distance."""
        away = f"at {self.distance_mm:g} mm" if math.isfinite(self.distance_mm) else "without a board"
        return f"{self.sensor}{f' on {self.surface}' if self.surface else ''} {away}"


def _u_of_mean(values: Floats) -> float:
    """Return the standard uncertainty of a mean; equal values are all rounded alike, and averaging gains nothing."""
    if values.size < 2:
        return COUNT_SD
    scatter = float(np.std(values, ddof=1)) / math.sqrt(max(1.0, effective_number(values)))
    return max(scatter, COUNT_SD / math.sqrt(values.size)) if scatter > 0 else COUNT_SD


def wall_sensors(evidence: Evidence) -> tuple[str, ...]:
    """Return the channels of the robot's wall sensors, in the robot file's order."""
    return tuple(sensor.channel for sensor in evidence.robot.sensors)


def blocks_of(drive: Drive, sensors: Iterable[str]) -> tuple[Block, ...]:
    """Return what each of the sensors read in one segment; those that were not told there are left out."""
    rows = {sensor: _levels(drive, sensor) for sensor in sensors}
    told = {sensor: levels for sensor, levels in rows.items() if levels is not None}
    means = {sensor: float(np.mean(lit)) - (float(np.mean(dark)) if dark.size else 0.0)
             for sensor, (lit, dark, _) in told.items()}  # fmt: skip
    return tuple(
        Block(
            sensor=sensor, lit=lit, dark=dark, is_paired=paired, name=drive.name,
            surface=drive.labels.get("surface", ""), stood_before=drive.labels.get("sensor", ""),
            emitter=drive.labels.get("emitter", ""), lamps=drive.labels.get("lamps", ""),
            distance_mm=drive.conditions.get("distance_mm", math.inf),
            angle_rad=drive.conditions.get("angle_rad", 0.0),
            beside={other: mean for other, mean in means.items() if other != sensor},
        )
        for sensor, (lit, dark, paired) in told.items()
    )  # fmt: skip


def _levels(drive: Drive, sensor: str) -> tuple[Floats, Floats, bool] | None:
    """Return lit and dark levels and whether they came in the same lines; None where no lit level came."""
    dark_name = f"{sensor}{DARK}"
    for rows in drive.samples.values():
        if sensor in rows.values and dark_name in rows.values:
            lit, dark = rows.values[sensor], rows.values[dark_name]
            both = np.isfinite(lit) & np.isfinite(dark)
            if np.any(both):
                return lit[both], dark[both], True
    found = drive.channel(sensor)
    if found is None:
        return None
    dark_rows = drive.channel(dark_name)
    if dark_rows is not None:
        return found[1], dark_rows[1], False
    level = drive.level(dark_name)
    return found[1], np.array([] if level is None else [level]), False


def all_blocks(evidence: Evidence, parameters: Parameters) -> tuple[Block, ...]:
    """Return every sensor's block of every segment the parameters name; refuse where no wall reading came."""
    sensors = wall_sensors(evidence)
    found = tuple(block for drive in drives_of(evidence, parameters) for block in blocks_of(drive, sensors))
    if not found:
        named = ", ".join(sensors) or "none in the robot file"
        raise CannotMeasureError(f"no reading of a wall sensor ({named}) was received in any of the segments asked of")
    return found


def jig_blocks(
    evidence: Evidence, parameters: Parameters, *, straight: bool = True, boards: bool = True
) -> tuple[Block, ...]:
    """Return blocks whose board stood before the sensor itself, of the sensor and surface the parameters name.

    With `straight` those of turned boards are left out, with `boards` those without a board too. Blocks of one emitter
    alone are left out always, and of a sensor and surface that were read with the lamps on and not on, those with them
    on: one curve is of one light.
    """
    sensor, surface = parameters.word("sensor", ""), parameters.word("surface", "")
    found = tuple(
        block for block in all_blocks(evidence, parameters)
        if block.sensor == (sensor or block.sensor) and block.stood_before == block.sensor
        and (not surface or block.surface == surface) and not block.emitter
        and (block.is_straight or not straight) and (block.has_board or not boards)
    )  # fmt: skip
    if not found:
        asked = f"{sensor or 'any sensor'}{f' on {surface}' if surface else ''}"
        raise CannotMeasureError(f"no block of a jig with a board before {asked} was read in the segments asked of")
    unlit = {(block.sensor, block.surface) for block in found if block.lamps != "on" and block.has_board}
    return tuple(block for block in found if block.lamps != "on" or (block.sensor, block.surface) not in unlit)


def by_sensor_and_surface(blocks: Iterable[Block]) -> dict[tuple[str, str], list[Block]]:
    """Return the blocks in groups of one sensor and surface, in the order read."""
    groups: dict[tuple[str, str], list[Block]] = {}
    for block in blocks:
        groups.setdefault((block.sensor, block.surface), []).append(block)
    return groups


def set_distance_mm(evidence: Evidence, parameters: Parameters, sensor: str) -> float:
    """Return the distance asked for (`at`), or else the one at which the firmware decides on a wall."""
    asked = parameters.number("at", 0.0)
    if asked > 0:
        return asked
    known = evidence.robot.sensor(sensor)
    if known is None or known.wall_mm <= 0:
        raise CannotMeasureError(
            f"the robot file does not say how far {sensor} is from the wall where the firmware decides on it; "
            f"give 'wall' at the sensor in the robot file, or 'at' at the measurement"
        )
    return known.wall_mm
