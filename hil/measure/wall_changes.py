"""The walls of the day against those at home: what changed, in per cent and in millimetres, and the calibration there.

A reading now is held against the curve on record for the same sensor and surface: ratio to what the curve says at that
distance, and the distance error that a robot makes which still trusts the record, dd = (d + d0) (ratio^(-1/n) - 1)
(positive: it believes the wall farther away than it is; to first order -(d + d0)/n ln(ratio)). A surface without a
record takes the curve of the others through its one reading, see `hil.measure.surface_transfer`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from hil.measure.evidence import Evidence
from hil.measure.method import Method, Parameters, ParameterSpec
from hil.measure.model import SensorCalibration
from hil.measure.surface_transfer import transferred
from hil.measure.values import CannotMeasureError, Measurement
from hil.measure.wall_blocks import BLOCK_SD_MM, Block, by_sensor_and_surface, jig_blocks, set_distance_mm
from hil.measure.wall_fits import Fitted, nearest_block, refuse_saturated, title_of
from hil.measure.wall_levels import AT, BLOCK_SD, PRACTICE, SENSOR, SURFACE, worst
from hil.measure.wall_sensor import calibration_u_mm, distance_with_u

_TRANSFER = "transfer"  # begins the source of a calibration that was carried over and not fitted
_FEWEST_FOR_NOISE = 10  # readings that tell their own scatter better than the record does


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """A reading now over the one on record, and the distance error that follows [mm], each with its uncertainty."""

    sensor: str
    surface: str
    at_mm: float
    ratio: float
    u_ratio: float
    shift_mm: float
    u_shift_mm: float
    n: int

    @property
    def title(self) -> str:
        """Sensor and surface in words."""
        return title_of(self.sensor, self.surface)


def home_of(evidence: Evidence, sensor: str, surface: str) -> SensorCalibration | None:
    """Return the calibration on record of a sensor and surface; None where there is none."""
    for one in evidence.robot.home:
        if (one.channel, one.surface) == (sensor, surface):
            return one
    used = evidence.robot.calibrations.get(sensor)
    return used if used is not None and used.surface == surface else None


def change_of(block: Block, home: SensorCalibration, block_sd_mm: float = BLOCK_SD_MM) -> Change:
    """Return how a block reads against a record; its noise, its place and the record's covariance are in the u."""
    if block.reading <= 0:
        raise CannotMeasureError(f"{block.told()} reads {block.reading:.0f}; no wall was seen")
    at = block.distance_mm
    per_mm = home.exponent / (at + home.offset_mm)
    ratio, believed = block.reading / home.reading(at), home.distance_mm(block.reading)
    u_log = math.hypot(block.u_count / block.reading, per_mm * block_sd_mm, per_mm * calibration_u_mm(home, at))
    return Change(
        sensor=block.sensor, surface=block.surface, at_mm=at, ratio=ratio, u_ratio=ratio * u_log,
        shift_mm=believed - at, u_shift_mm=u_log * (believed + home.offset_mm) / home.exponent, n=int(block.lit.size),
    )  # fmt: skip


def changes_of(evidence: Evidence, parameters: Parameters) -> tuple[list[Change], list[str]]:
    """Return the change of every sensor and surface that has a record, and sentences on those that have none."""
    found, reasons = [], []
    for sensor, surface, block in _set_blocks(evidence, parameters):
        home = home_of(evidence, sensor, surface)
        if home is None:
            reasons.append(f"Left out: there is no record of {title_of(sensor, surface)}.")
        else:
            refuse_saturated(evidence, block)
            found.append(change_of(block, home, _block_sd(parameters)))
    if not found:
        raise CannotMeasureError(reasons[0].removeprefix("Left out: ").removesuffix("."))
    return found, reasons


def _set_blocks(evidence: Evidence, parameters: Parameters) -> list[tuple[str, str, Block]]:
    groups = by_sensor_and_surface(jig_blocks(evidence, parameters))
    return [
        (sensor, surface, nearest_block(blocks, set_distance_mm(evidence, parameters, sensor)))
        for (sensor, surface), blocks in groups.items()
    ]


def transfers_of(evidence: Evidence, parameters: Parameters | None = None) -> list[SensorCalibration]:
    """Return the calibration on every surface of the evidence, each from its reading nearest to the set distance.

    The shape is that of the full calibrations on record, which are those not transferred themselves. Refuses where a
    sensor has none.
    """
    asked = parameters or Parameters()
    return [_transfer(evidence, asked, *one) for one in _set_blocks(evidence, asked)]


def carried_over(evidence: Evidence, parameters: Parameters) -> tuple[list[Fitted], list[str]]:
    """Return the curve of every sensor on every surface that has none on record, by one reading, and sentences on it.

    What stands on record is not replaced by a reading.
    """
    found, told = [], []
    for sensor, surface, block in _set_blocks(evidence, parameters):
        if home_of(evidence, sensor, surface) is not None:
            told.append(f"{title_of(sensor, surface)} stands on record, which one reading does not replace.")
            continue
        try:
            calibration = _transfer(evidence, parameters, sensor, surface, block)
        except CannotMeasureError as error:
            told.append(f"Left out: {title_of(sensor, surface)}: {error}.")
            continue
        found.append(Fitted(calibration=calibration, blocks=(block,), block_sd_mm=_block_sd(parameters)))
        homes = ", ".join(one.surface for one in full_calibrations(evidence, sensor))
        told.append(f"{title_of(sensor, surface)} is carried over from {homes}.")
    return found, told


def _block_sd(parameters: Parameters) -> float:
    return parameters.number("block_sd", BLOCK_SD_MM)


def _transfer(evidence: Evidence, parameters: Parameters, sensor: str, surface: str, block: Block) -> SensorCalibration:
    homes = full_calibrations(evidence, sensor)
    if not homes:
        raise CannotMeasureError(
            f"there is no full calibration of {sensor} on record; read it at five distances on one surface first"
        )
    sd_share = block.sd_count / block.reading if block.lit.size >= _FEWEST_FOR_NOISE and block.reading > 0 else None
    return transferred(
        homes, surface, block.reading, int(block.lit.size), block.distance_mm,
        sd_share=sd_share, block_sd_mm=_block_sd(parameters),
    )  # fmt: skip


def full_calibrations(evidence: Evidence, sensor: str) -> Sequence[SensorCalibration]:
    """Return the calibrations of a sensor on record that were fitted over distances."""
    known = [one for one in evidence.robot.home if one.channel == sensor]
    used = evidence.robot.calibrations.get(sensor)
    if used is not None and all(one.surface != used.surface for one in known):
        known.append(used)
    return [one for one in known if not one.source.startswith(_TRANSFER)]


def _all_changes(evidence: Evidence, parameters: Parameters) -> list[Change]:
    """Return the change of every sensor and surface; refuse where one has no record, with what the others show."""
    changes, missing = changes_of(evidence, parameters)
    if missing:
        of = [one.removeprefix("Left out: there is no record of ").removesuffix(".") for one in missing]
        most = max(changes, key=lambda one: abs(one.ratio - 1))
        raise CannotMeasureError(
            f"{len(changes)} of {len(changes) + len(missing)} walls have a record to be held against, and not "
            f"{', '.join(of)}; of those that have, {most.title} changed most, by {100 * (most.ratio - 1):+.1f} % or "
            f"{most.shift_mm:+.1f} mm"
        )
    return changes


def _change(evidence: Evidence, parameters: Parameters) -> Measurement:
    changes = _all_changes(evidence, parameters)
    found = [
        (one.title, Measurement(
            value=100 * (one.ratio - 1), unit="%", u=100 * one.u_ratio, n=one.n,
            notes=(f"At {one.at_mm:g} mm; in distance {one.shift_mm:+.1f} mm.",),
        ))
        for one in changes
    ]  # fmt: skip
    return worst(found)


def _change_mm(evidence: Evidence, parameters: Parameters) -> Measurement:
    changes = _all_changes(evidence, parameters)
    found = [
        (one.title, Measurement(
            value=one.shift_mm, unit="mm", u=one.u_shift_mm, n=one.n,
            notes=(f"At {one.at_mm:g} mm; of the reading {100 * (one.ratio - 1):+.1f} %.",),
        ))
        for one in changes
    ]  # fmt: skip
    return worst(found)


def _transfer_error(evidence: Evidence, parameters: Parameters) -> Measurement:
    """Return how far a distance by the transferred curve is uncertain [mm] at the set distance; the largest."""
    away = parameters.number("away", 0.0)
    found = []
    for one in transfers_of(evidence, parameters):
        at = set_distance_mm(evidence, parameters, one.channel) + away
        _, u = distance_with_u(one, one.reading(at))
        found.append((title_of(one.channel, one.surface), Measurement(
            value=u, unit="mm", u=u / math.sqrt(2 * max(1, one.n - 1)), n=one.n,
            notes=(f"At {at:g} mm, one reading with its noise. {one.source}.",),
        )))  # fmt: skip
    return worst(found)


_AWAY = ParameterSpec(name="away", meaning="how far beyond the set distance (nearer: negative)", unit="mm", default=0.0)

METHODS_OF_SUBJECT: tuple[Method, ...] = (
    Method(
        name="walls.change", unit="%", run=_change, needs=(), source=PRACTICE,
        parameters=(SENSOR, SURFACE, AT, BLOCK_SD),
        summary="How much a wall's reading has changed since its record; the largest.",
    ),
    Method(
        name="walls.change_mm", unit="mm", run=_change_mm, needs=(), parameters=(SENSOR, SURFACE, AT, BLOCK_SD),
        source="dd = (d + d0) (ratio^(-1/n) - 1), from reading = gain/(d + d0)^n; derived",
        summary="By how much a robot that trusts the record misjudges a wall's distance now; the largest.",
    ),
    Method(
        name="walls.transfer_u", unit="mm", run=_transfer_error, needs=(),
        parameters=(SENSOR, SURFACE, AT, BLOCK_SD, _AWAY),
        source="gain by one reading, exponent and offset shared with their scatter between surfaces; derived",
        summary="Standard uncertainty of a distance by a calibration carried over by one reading; the largest.",
    ),
)  # fmt: skip
