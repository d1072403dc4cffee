"""The study of transfers: does one reading on an unknown wall give the calibration there, on virtual robots.

Every seed is another robot and another surface. The robot's left sensor is calibrated in full on surfaces at home, at a
jig whose boards are set by hand; then one board of an unknown surface is set at the set distance, once, and the
calibration that follows is held against what the sensor truly sees of that surface, and against a full calibration
there. The estimators see readings only; the truth is the light that the virtual sensor gets without noise.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from hil.measure.model import Course, Robot, SensorCalibration
from hil.measure.surface_transfer import transferred
from hil.measure.wall_blocks import BLOCK_SD_MM, Block
from hil.measure.wall_sensor import calibration_u_mm, fit_calibration
from hil.simulator.jig_board import before_board
from hil.simulator.optics import beam_light
from hil.simulator.parameters import nominal_truth, quiet
from hil.simulator.sight import Sight
from hil.simulator.streams import Source, stream
from hil.simulator.world import World

SENSOR = "wall.left"
SET_MM = 49.0  # half of a passage of 168 mm, less where the sensor stands
BLOCKS_MM = (44.0, 49.0, 54.0, 59.0, 69.0, 79.0, 99.0, 119.0)
READINGS = 60  # of each distance: half a second at 8 ms
# At home, one surface or as many as tell what surfaces differ by.
HOMES: Mapping[str, tuple[str, ...]] = {
    "one surface at home": ("matt-white",),
    "four surfaces at home": ("matt-white", "old-white", "red-top", "raw-board"),
}
AWAY_MM = (-9.0, 0.0, 10.0, 20.0)  # from the set distance, where the interval is held against the truth
_COVERED = 1.959964  # the normal's 97.5 %: the uncertainty is of known parts


@dataclass(frozen=True, slots=True, kw_only=True)
class Transfer:
    """One robot on one unknown surface.

    `beside_full_mm` is how much farther the carried-over calibration puts a wall at the set distance than a full one on
    that surface. `errors_mm` and `u_mm` are the carried-over one's, by distance, against the truth; `full_errors_mm`
    and `full_u_mm` the full one's.
    """

    seed: int
    share: float
    beside_full_mm: float
    errors_mm: Mapping[float, float]
    u_mm: Mapping[float, float]
    full_errors_mm: Mapping[float, float]
    full_u_mm: Mapping[float, float]


@dataclass
class VirtualJig:
    """A virtual robot at the jig. `readings` are what came of it, `truth_of` what it would see without noise."""

    robot: Robot
    course: Course
    seed: int
    _sight: Sight = field(init=False)

    def __post_init__(self) -> None:
        self._truth = nominal_truth(self.robot, self.seed)
        self._sight = Sight(self._truth, self.seed)
        self._hands = stream(self.seed, Source.JIG_BOARDS)
        self._world = World(self.course, self._truth.noises, self.seed)

    def block(self, surface: str, distance_mm: float) -> Block:
        """Set a board by hand and read it."""
        self._sight.scene = before_board(self._truth, SENSOR, surface, distance_mm, 0.0, self._hands)
        rows = [self._sight.read(Source.SENSORS_AT_REST, 0.0, 0.0, 0.0, self._world)[SENSOR] for _ in range(READINGS)]
        lit, dark = np.array(rows, dtype=np.float64).T
        return Block(
            sensor=SENSOR, lit=lit, dark=dark, is_paired=True, surface=surface, distance_mm=distance_mm,
            stood_before=SENSOR,
        )  # fmt: skip

    def calibration(self, surface: str) -> SensorCalibration:
        """Calibrate in full on a surface."""
        blocks = [self.block(surface, at) for at in BLOCKS_MM]
        return fit_calibration(
            SENSOR, surface, np.repeat(BLOCKS_MM, READINGS), np.concatenate([one.readings for one in blocks]),
            BLOCK_SD_MM,
        )  # fmt: skip

    def light(self, surface: str, distance_mm: float) -> float:
        """Return what the sensor truly gets back of a board squarely before it, in counts."""
        scene = before_board(quiet(self._truth), SENSOR, surface, distance_mm, 0.0, np.random.default_rng(0))
        at = [sensor.channel for sensor in self._truth.sensors].index(SENSOR)
        return float(
            beam_light(
                scene.x_mm, scene.y_mm, scene.theta_rad, scene.sensors[at], scene.pitch_mm, scene.boxes,
                scene.box_counts,
            )
        )  # fmt: skip


def make_transfers(robot: Robot, course: Course, homes: Sequence[str], seeds: Sequence[int]) -> Iterator[Transfer]:
    """Carry the calibration of every seed's robot from the surfaces at home to one that it has not met."""
    for seed in seeds:
        jig = VirtualJig(robot=robot, course=course, seed=seed)
        known = [jig.calibration(surface) for surface in homes]
        unknown = f"unknown-{seed}"
        reading = jig.block(unknown, SET_MM)
        carried = transferred(
            known, unknown, reading.reading, READINGS, SET_MM, sd_share=reading.sd_count / reading.reading
        )
        full = jig.calibration(unknown)
        yield Transfer(
            seed=seed, share=reading.reading / known[0].reading(SET_MM),
            beside_full_mm=carried.distance_mm(full.reading(SET_MM)) - SET_MM,
            errors_mm=_errors(jig, unknown, carried), u_mm=_uncertainties(carried),
            full_errors_mm=_errors(jig, unknown, full), full_u_mm=_uncertainties(full),
        )  # fmt: skip


def _errors(jig: VirtualJig, surface: str, calibration: SensorCalibration) -> dict[float, float]:
    return {away: calibration.distance_mm(jig.light(surface, SET_MM + away)) - SET_MM - away for away in AWAY_MM}


def _uncertainties(calibration: SensorCalibration) -> dict[float, float]:
    return {away: calibration_u_mm(calibration, SET_MM + away) for away in AWAY_MM}


def agreement_rows(transfers: Sequence[Transfer]) -> list[list[str]]:
    """Return a table's rows: each surface, how light it is, and how far the two calibrations there differ."""
    return [
        [
            f"{one.seed}", f"{100 * one.share:.0f} %", f"{one.beside_full_mm:+.2f}", f"{one.errors_mm[0.0]:+.2f}",
            f"{one.u_mm[0.0]:.2f}", f"{one.full_errors_mm[0.0]:+.2f}", f"{one.full_u_mm[0.0]:.2f}",
        ]
        for one in transfers
    ]  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Coverage:
    """How often of `count` the 95 % interval at one distance held the truth.

    `rms_mm` is of the errors, `rms_scaled` of the errors over their stated u.
    """

    away_mm: float
    held: int
    count: int
    rms_mm: float
    rms_scaled: float

    @property
    def share(self) -> float:
        """The share of intervals that held the truth."""
        return self.held / self.count


def coverage_of(transfers: Sequence[Transfer]) -> list[Coverage]:
    """Return the coverage of the carried-over calibrations by distance."""
    found = []
    for away in AWAY_MM:
        errors = np.array([one.errors_mm[away] for one in transfers])
        scaled = errors / np.array([one.u_mm[away] for one in transfers])
        found.append(
            Coverage(
                away_mm=away, held=int(np.sum(np.abs(scaled) <= _COVERED)), count=len(transfers),
                rms_mm=math.sqrt(float(np.mean(errors**2))), rms_scaled=math.sqrt(float(np.mean(scaled**2))),
            )
        )  # fmt: skip
    return found
