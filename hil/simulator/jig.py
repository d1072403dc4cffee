"""A session at the jig: each wall sensor reads a white wall at known distances, as its owner would do it.

The jig is taken on the healthy robot on the reference surface. What drifts later (a fault of gain, other walls) is
not in it: the calibration made from it is then stale, as it would be. The blocks that set the distances are not
exact, and their error is the same for all readings of one block. A block that nearly saturates a sensor is left out,
as its owner would leave it out.
"""

from __future__ import annotations

import numpy as np

from hil.simulator.optics import convert, plane_light
from hil.simulator.parameters import SensorTruth, Truth
from hil.simulator.streams import Source, stream

READINGS = 50  # of each distance
NEARLY_SATURATED = 0.95  # of full scale; common practice, no source
FRONT_MM = (30.0, 44.0, 60.0, 84.0, 100.0, 134.0)
_SIDEWAYS_MM = (-10.0, -5.0, 0.0, 5.0, 10.0)  # of the centre of a passage
_FARTHER_MM = (30.0, 70.0)  # beyond the place at the wall, so that the curve has a span to be fitted over
_PASSAGE_MM = 168.0

JigRow = tuple[float, int, int]


def jig_distances_mm(sensor: SensorTruth) -> tuple[float, ...]:
    """Return the distances a sensor is read at: fixed for one that looks ahead, about its place in a passage else."""
    if sensor.channel.startswith("wall.front"):
        return FRONT_MM
    squarely = abs(np.sin(sensor.angle_rad))
    centred_mm = (_PASSAGE_MM / 2 - abs(sensor.y_mm)) / max(squarely, 0.1)
    return tuple(float(centred_mm + shift) for shift in (*_SIDEWAYS_MM, *_FARTHER_MM))


def jig_readings(truth: Truth, seed: int) -> dict[str, list[JigRow]]:
    """Return for every sensor rows of stated distance [mm], lit and dark counts, all sensors being alive then."""
    return {
        sensor.channel: _rows(sensor, truth, stream(seed, Source.JIG, index))
        for index, sensor in enumerate(truth.sensors)
    }


def _rows(sensor: SensorTruth, truth: Truth, chance: np.random.Generator) -> list[JigRow]:
    noises, full_scale = truth.noises, truth.robot.adc_full_scale
    rows: list[JigRow] = []
    for stated_mm in jig_distances_mm(sensor):
        true_mm = stated_mm + float(chance.normal(0.0, noises.jig_block_sd_mm))
        light = plane_light(sensor, true_mm)
        block: list[JigRow] = []
        for share, lit, dark in chance.standard_normal((READINGS, 3)).tolist():
            seen = light * (1 + noises.sensor_share_sd * share)
            lit_level = sensor.dark_counts + seen + noises.sensor_count_sd * lit
            dark_level = sensor.dark_counts + noises.sensor_count_sd * dark
            block.append((stated_mm, convert(lit_level, full_scale), convert(dark_level, full_scale)))
        if max(lit for _, lit, _ in block) < NEARLY_SATURATED * full_scale:
            rows += block
    return rows
