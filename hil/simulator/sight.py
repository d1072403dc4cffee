"""What all wall sensors read, one after the other: of the course or of a board at the jig, in the light of the room.

A robot that is placed in the course sees its walls; at the jig it sees what stands there. Where left and right are
swapped, a name stands for the whole sensor that is plugged in there, its emitter too.
"""

from __future__ import annotations

import itertools
import math

import numpy as np
from numpy.typing import NDArray

from hil.errors import UsageError
from hil.simulator.jig_board import Scene
from hil.simulator.optics import IN_TURN, plane_light, read_sensors, sensor_table
from hil.simulator.parameters import Truth
from hil.simulator.streams import Source, stream
from hil.simulator.surfaces import REFERENCE_MM
from hil.simulator.world import World

_BLOCK = 1024  # readings that random numbers are drawn for at a time
_READERS = (Source.SENSORS_MOVING, Source.SENSORS_AT_REST, Source.SENSORS_TOLD, Source.SENSORS_LOGGED)
_SIDES = {"left": "right", "right": "left"}


class Sight:
    """The wall sensors of a robot. `scene` stands in place of the course where the robot is not in it.

    `lamps_on` is whether the room's lamps are.
    """

    def __init__(self, truth: Truth, seed: int) -> None:
        self.channels = tuple(
            opposite(sensor.channel) if truth.swapped_sensors else sensor.channel for sensor in truth.sensors
        )
        self.lamps_on = True
        self.scene: Scene | None = None
        self._truth = truth
        self._emitter = IN_TURN
        self._sensors = sensor_table(truth.sensors, truth.surface_gain)
        self._crosstalk = crosstalk_counts(truth)
        self._readings: NDArray[np.int64] = np.zeros((len(self.channels), 2), dtype=np.int64)
        self._chance = {source: stream(seed, source) for source in _READERS}
        self._lamps = {source: stream(seed, Source.LAMPS, source.value) for source in _READERS}
        self._noise = {source: self._noise_block(source) for source in _READERS}
        self._noise_used = dict.fromkeys(self._noise, 0)

    def fire(self, channel: str | None) -> None:
        """Fire the emitter of one sensor alone, or all in turn (None); raise `UsageError` where there is none such."""
        if channel is not None and channel not in self.channels:
            raise UsageError(
                f"there is no emitter of {channel!r}",
                expected=f"one of {', '.join(self.channels) or 'none: it has none'}",
            )
        self._emitter = IN_TURN if channel is None else self.channels.index(channel)

    def read(
        self, source: Source, x_mm: float, y_mm: float, theta_rad: float, world: World
    ) -> dict[str, tuple[int, int]]:
        """Return lit and dark counts by channel for a robot at that place of a course, or at the jig where it is."""
        used = self._noise_used[source]
        if used >= len(self._noise[source]):
            self._noise[source] = self._noise_block(source)
            used = 0
        self._noise_used[source] = used + 1
        scene, noises, full_scale = self.scene, self._truth.noises, self._truth.robot.adc_full_scale
        room_dark, room_lit = self._room(source, full_scale)
        read_sensors(
            x_mm if scene is None else scene.x_mm,
            y_mm if scene is None else scene.y_mm,
            theta_rad if scene is None else scene.theta_rad,
            self._sensors if scene is None else scene.sensors,
            world.course.pitch_mm if scene is None else scene.pitch_mm,
            world.boxes if scene is None else scene.boxes,
            world.box_counts if scene is None else scene.box_counts,
            full_scale,
            noises.sensor_share_sd,
            noises.sensor_count_sd,
            self._noise[source][used],
            self._emitter,
            self._crosstalk,
            room_dark,
            room_lit,
            self._readings,
        )
        return {
            channel: (lit, dark) for channel, (lit, dark) in zip(self.channels, self._readings.tolist(), strict=True)
        }

    def _room(self, source: Source, full_scale: int) -> tuple[float, float]:
        """Return the counts that the room adds at the dark and at the lit sample, beside those of its usual lamps.

        Nothing holds the robot's clock to the mains, so that a reading falls anywhere in the flicker.
        """
        room = self._truth.room
        if not self.lamps_on:
            return -room.lamps * full_scale, -room.lamps * full_scale
        if room.ambient == 0.0:
            return 0.0, 0.0
        steady = room.ambient * full_scale
        turn = 2 * math.pi * room.flicker_hz
        phase = float(self._lamps[source].uniform(0.0, 2 * math.pi))
        ripple = room.flicker * steady
        return steady + ripple * math.sin(phase), steady + ripple * math.sin(phase + turn * room.lit_after_s)

    def _noise_block(self, source: Source) -> NDArray[np.float64]:
        return self._chance[source].standard_normal((_BLOCK, len(self.channels), 3))


def crosstalk_counts(truth: Truth) -> NDArray[np.float64]:
    """Return (n, n) counts that emitter i throws straight into detector j, in the order of the truth's sensors."""
    sensors = truth.sensors
    counts: NDArray[np.float64] = np.zeros((len(sensors), len(sensors)))
    apart = [
        (i, j, math.dist((sensors[i].x_mm, sensors[i].y_mm), (sensors[j].x_mm, sensors[j].y_mm)))
        for i, j in itertools.permutations(range(len(sensors)), 2)
    ]
    nearest = min((distance for _, _, distance in apart), default=0.0)
    for i, j, distance in apart:
        counts[i, j] = truth.stray.neighbour * ((nearest / distance) ** 2 if distance > 0 else 1.0)
    for i in range(len(sensors)):
        counts[i, i] = truth.stray.own
    files = [truth.robot.sensor(sensor.channel) for sensor in sensors]
    walls = [
        plane_light(sensor, (file.wall_mm if file else 0.0) or REFERENCE_MM)
        for sensor, file in zip(sensors, files, strict=True)
    ]
    counts *= np.array(walls)
    return counts


def opposite(channel: str) -> str:
    """Return the channel of the sensor on the other side; the same for one in the middle."""
    return ".".join(_SIDES.get(part, part) for part in channel.split("."))
