"""A jig drawn from closed forms: sensors of known curves before boards of known surfaces, noise of known size."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from hil.measure.evidence import Drive, Evidence, Samples
from hil.measure.model import CellPose, Course, Heading, Robot, SensorCalibration, WallSensor

SENSORS = ("wall.left", "wall.right", "wall.front")
SET_MM = {"wall.left": 49.0, "wall.right": 49.0, "wall.front": 90.0}
BEYOND_MM = {"wall.left": 229.0, "wall.right": 229.0, "wall.front": 270.0}
SIDE_MM = (44.0, 49.0, 54.0, 59.0, 69.0, 79.0)
FRONT_MM = (50.0, 60.0, 75.0, 90.0, 105.0, 120.0)
FULL_SCALE = 1023

_COURSE = Course(
    name="jig", pitch_mm=180.0, wall_mm=12.0, columns=1, rows=1, walls=frozenset(), posts=frozenset(), surface="white",
    start=CellPose(x=0, y=0, heading=Heading.NORTH),
)  # fmt: skip


@dataclass
class Bench:
    """A robot before boards. Its truth is what the attributes say; `pause` and `jig` give segments as a trace would."""

    seed: int = 1
    gains: dict[str, float] = field(default_factory=lambda: dict.fromkeys(SENSORS, 1.0))  # beside what all have
    surfaces: dict[str, float] = field(default_factory=lambda: {"white": 1.0, "grey": 0.86, "red": 0.93})
    exponent: float = 2.0
    offset_mm: float = 2.0
    dark: float = 51.0
    share_sd: float = 0.01
    count_sd: float = 0.5
    block_sd_mm: float = 0.2
    room: float = 0.0  # counts that the lamps put on lit and dark alike
    flicker: float = 0.0  # amplitude in counts of what lit and dark differ by, under the lamps
    crosstalk: Mapping[tuple[str, str], float] = field(default_factory=dict)  # counts of an emitter into a detector
    wired: dict[str, str] = field(default_factory=dict)  # which sensor's light a channel really carries
    each: int = 60
    calibrations: dict[str, SensorCalibration] = field(default_factory=dict)
    home: tuple[SensorCalibration, ...] = ()

    def __post_init__(self) -> None:
        self.rng = np.random.default_rng(self.seed)

    def light(self, sensor: str, distance_mm: float, surface: str = "white") -> float:
        """The exact light of a board squarely before a sensor: 600 counts at its set distance on white, 250 ahead."""
        if math.isinf(distance_mm):
            return 0.0
        counts = 250.0 if sensor == "wall.front" else 600.0
        fall = ((SET_MM[sensor] + self.offset_mm) / (distance_mm + self.offset_mm)) ** self.exponent
        return self.gains[sensor] * self.surfaces[surface] * counts * fall

    def segment(
        self, name: str, labels: Mapping[str, str], conditions: Mapping[str, float], lights: Mapping[str, float]
    ) -> Drive:
        """A segment in which each sensor gets this much light."""
        values: dict[str, np.ndarray] = {"time": 10.0 + 0.008 * np.arange(self.each)}
        lamps = labels.get("lamps") == "on"
        for channel in SENSORS:
            light = lights.get(self.wired.get(channel, channel), 0.0)
            level = self.dark + (self.room if lamps else 0.0)
            wave = self.flicker * np.sin(self.rng.uniform(0, 2 * np.pi, self.each)) if lamps else 0.0
            seen = light * (1 + self.share_sd * self.rng.normal(size=self.each))
            lit = level + seen + wave + self.count_sd * self.rng.normal(size=self.each)
            dark = level + self.count_sd * self.rng.normal(size=self.each)
            values[channel] = np.clip(np.round(lit), 0, FULL_SCALE)
            values[f"{channel}.dark"] = np.clip(np.round(dark), 0, FULL_SCALE)
        return Drive(
            name=name, case="drawn", repeat=0, path=(), front="", speed_mm_s=0.0, start=_COURSE.start,
            samples={"readings": Samples(host_s=values["time"], values=values)}, events=(),
            labels=dict(labels), conditions=dict(conditions),
        )  # fmt: skip

    def board(
        self, sensor: str, surface: str, distance_mm: float, *, stated_mm: float | None = None, name: str = "jig",
        lamps: str = "", angle_rad: float = 0.0, factor: float = 1.0,
    ) -> Drive:  # fmt: skip
        """One distance of a jig; the board stands a little off its mark, by `block_sd_mm`."""
        true = distance_mm + self.rng.normal(0.0, self.block_sd_mm) if math.isfinite(distance_mm) else math.inf
        lights = {sensor: factor * self.light(sensor, true, surface)}
        lights = {one: lights.get(one, 0.0) + self.crosstalk.get((one, one), 0.0) for one in SENSORS}
        labels = {"sensor": sensor, "surface": surface} | ({"lamps": lamps} if lamps else {})
        stated = distance_mm if stated_mm is None else stated_mm
        return self.segment(name, labels, {"distance_mm": stated, "angle_rad": angle_rad}, lights)

    def jig(
        self, sensors: Sequence[str] = SENSORS, surfaces: Sequence[str] | None = None, *, none: bool = True
    ) -> list[Drive]:
        """Every distance of each sensor on each surface, and without a board."""
        return [
            self.board(sensor, surface, at)
            for surface in (self.surfaces if surfaces is None else surfaces)
            for sensor in sensors
            for at in (*(FRONT_MM if sensor == "wall.front" else SIDE_MM), *([math.inf] if none else []))
        ]

    def emit(self, emitter: str, name: str = "alone") -> Drive:
        """A segment in open space with one emitter alone."""
        lights = {sensor: self.crosstalk.get((emitter, sensor), 0.0) for sensor in SENSORS}
        return self.segment(name, {"emitter": emitter}, {}, lights)

    def evidence(self, drives: Sequence[Drive]) -> Evidence:
        """The evidence of these segments."""
        angles = {"wall.left": 90.0, "wall.right": -90.0, "wall.front": 0.0}
        robot = Robot(
            name="drawn", serial="D-1", robot_class="entry", body_width_mm=80.0, body_front_mm=50.0,
            body_rear_mm=50.0, wheel_diameter_left_mm=28.0, wheel_diameter_right_mm=28.0, wheel_base_mm=70.0,
            counts_per_turn=360.0, adc_full_scale=FULL_SCALE, calibrations=self.calibrations, home=self.home,
            sensors=tuple(
                WallSensor(
                    channel=one, x_mm=30.0, y_mm=0.0, angle_rad=math.radians(angles[one]), wall_mm=SET_MM[one],
                    beyond_mm=BEYOND_MM[one],
                )
                for one in SENSORS
            ),
        )  # fmt: skip
        return Evidence(robot=robot, course=_COURSE, drives=tuple(drives))
