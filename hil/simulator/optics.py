"""What a wall sensor sees: a beam of rays cast against the boxes that panels, posts and boards are.

A ray walks from cell to cell and is tried against the boxes of that cell only, so its cost does not grow with the
course. Reading: mean over the rays of gain * reflectance * cos(incidence) / (distance + offset)^exponent for matt
walls; a glossy one has a lobe of cos(incidence)^200 on top. Because the beam is wide, wall ends and posts blur of
themselves. Lengths mm, angles rad, light in counts of the converter.

Emitters fire in turn, each while its own detector is read, or one of them alone while all detectors are. What an
emitter throws into a detector within the robot comes on top (crosstalk), and so does the light of the room, on lit and
dark alike. The beams of two sensors do not overlap where boards and walls stand: what comes back of one emitter is seen
by its own detector only.
"""

from __future__ import annotations

import math
from typing import Protocol, get_type_hints

import numpy as np
from numpy.typing import NDArray

from hil.simulator.compiled import compiled
from hil.simulator.parameters import SensorTruth
from hil.simulator.surfaces import Surface, curve_on

RAYS = 7
RANGE_MM = 600.0  # beyond, less than a hundredth of the light at 49 mm comes back
BOXES_PER_CELL = 12  # four panels, four posts, four boards
IN_TURN = -1  # in place of an emitter's index
LOBE = 200.0  # exponent of a glossy lobe: half its height at 5 deg
_TINY = 1e-12  # stands in for a direction component of zero, so that no division needs a case of its own


class Sensor(Protocol):
    """A sensor as the compiled functions take it."""

    x: float
    y: float
    angle: float
    gain: float
    offset: float
    exponent: float
    dark: float
    half_beam: float
    alive: float
    gloss: float


SENSOR = np.dtype([(name, np.float64) for name in get_type_hints(Sensor)])


def sensor_table(
    sensors: tuple[SensorTruth, ...], surface_gain: float, surface: Surface | None = None
) -> NDArray[np.void]:
    """Return the sensors as the compiled functions take them, gains as they are now, on a matt surface or another."""
    rows = []
    for sensor in sensors:
        half_beam = math.radians(sensor.half_beam_deg)
        gain, exponent, offset = sensor.gain * sensor.drift * surface_gain, sensor.exponent, sensor.offset_mm
        if surface is not None:
            gain, exponent, offset = curve_on(surface, gain, exponent, offset)
            gain /= 1 + surface.gloss * _mean_lobe(half_beam)
        rows.append(
            (
                sensor.x_mm,
                sensor.y_mm,
                sensor.angle_rad,
                gain,
                offset,
                exponent,
                sensor.dark_counts,
                half_beam,
                0.0 if sensor.dead else 1.0,
                0.0 if surface is None else surface.gloss,
            )
        )
    return np.array(rows, dtype=SENSOR)


def _mean_lobe(half_beam: float) -> float:
    """Return the height of a glossy lobe over the matt part, over a beam that faces the surface squarely."""
    cosines = [math.cos(half_beam * (2 * k / (RAYS - 1) - 1)) for k in range(RAYS)]
    return math.fsum(math.pow(cosine, LOBE) for cosine in cosines) / math.fsum(cosines)


@compiled
def cast_ray(
    x: float,
    y: float,
    direction_x: float,
    direction_y: float,
    pitch: float,
    boxes: NDArray[np.float64],
    counts: NDArray[np.int64],
) -> tuple[float, float, float]:
    """Return distance, cosine of the incidence and reflectance of the first box a ray meets; infinity where none is.

    The direction is a unit vector, `boxes` (columns, rows, BOXES_PER_CELL, 5) holds x0, y0, x1, y1 and reflectance. A
    ray that starts inside a box is at distance zero from it.
    """
    dx = direction_x if abs(direction_x) > _TINY else _TINY
    dy = direction_y if abs(direction_y) > _TINY else _TINY
    per_x, per_y = 1.0 / dx, 1.0 / dy
    step_x, step_y = (1 if dx > 0.0 else -1), (1 if dy > 0.0 else -1)
    column, row = math.floor(x / pitch + 0.5), math.floor(y / pitch + 0.5)
    leaves = 0.0
    nearest, cosine, reflectance = math.inf, 0.0, 0.0
    while leaves < RANGE_MM and 0 <= column < counts.shape[0] and 0 <= row < counts.shape[1]:
        leaves_x = ((column + 0.5 * step_x) * pitch - x) * per_x
        leaves_y = ((row + 0.5 * step_y) * pitch - y) * per_y
        leaves = min(leaves_x, leaves_y)
        nearest, cosine, reflectance = math.inf, 0.0, 0.0
        for k in range(counts[column, row]):
            box = boxes[column, row, k]
            to_x0, to_x1 = (box[0] - x) * per_x, (box[2] - x) * per_x
            to_y0, to_y1 = (box[1] - y) * per_y, (box[3] - y) * per_y
            enters_x, enters_y = min(to_x0, to_x1), min(to_y0, to_y1)
            enters = max(enters_x, enters_y)
            ends = min(max(to_x0, to_x1), max(to_y0, to_y1))
            if enters <= ends and ends >= 0.0 and enters < nearest:
                nearest, reflectance = enters, box[4]
                cosine = 1.0 if enters < 0.0 else (abs(dx) if enters_x > enters_y else abs(dy))
        # A box may reach over the boundary; what lies beyond it is found from the next cell, nearest first.
        if nearest <= leaves + 1e-9:
            return max(0.0, nearest), cosine, reflectance
        if leaves_x < leaves_y:
            column += step_x
        else:
            row += step_y
    # Outside the course there is nothing left to meet but what reaches over its edge.
    return nearest, cosine, reflectance


@compiled
def beam_light(
    x: float,
    y: float,
    theta: float,
    sensor: Sensor,
    pitch: float,
    boxes: NDArray[np.float64],
    counts: NDArray[np.int64],
) -> float:
    """Return the light one sensor of a robot at (x, y, theta) gets back, in counts, without noise or dark level."""
    c, s = math.cos(theta), math.sin(theta)
    at_x = x + c * sensor.x - s * sensor.y
    at_y = y + s * sensor.x + c * sensor.y
    light = 0.0
    for k in range(RAYS):
        angle = theta + sensor.angle + sensor.half_beam * (2.0 * k / (RAYS - 1) - 1.0)
        distance, cosine, reflectance = cast_ray(at_x, at_y, math.cos(angle), math.sin(angle), pitch, boxes, counts)
        if distance < RANGE_MM:
            away = distance + sensor.offset
            fall = away * away if sensor.exponent == 2.0 else away**sensor.exponent
            if sensor.gloss != 0.0:
                cosine += sensor.gloss * cosine**LOBE
            light += reflectance * cosine / fall
    return float(sensor.gain * light / RAYS)


@compiled
def convert(value: float, full_scale: int) -> int:
    """Return what the converter makes of a level: a whole count from 0 to full scale."""
    return int(min(max(math.floor(value + 0.5), 0), full_scale))


@compiled
def read_sensors(
    x: float,
    y: float,
    theta: float,
    sensors: NDArray[np.void],
    pitch: float,
    boxes: NDArray[np.float64],
    counts: NDArray[np.int64],
    full_scale: int,
    share_sd: float,
    count_sd: float,
    normals: NDArray[np.float64],
    emitter: int,
    crosstalk: NDArray[np.float64],
    room_dark: float,
    room_lit: float,
    readings: NDArray[np.int64],
) -> None:
    """Read every sensor: fill `readings` (n, 2) with lit and dark counts, using `normals` (n, 3) for noise.

    Noise has two parts: a share of the light (lit only) and a level of its own (lit and dark). `emitter` is the index
    of the one that fires alone, or IN_TURN. `crosstalk` (n, n) holds the counts that emitter i throws into detector j,
    `room_dark` and `room_lit` the counts that the room adds to the dark level of every living sensor at either sample.
    """
    for i in range(sensors.shape[0]):
        sensor = sensors[i]
        level = sensor.dark
        if sensor.alive == 0.0:
            readings[i, 0] = readings[i, 1] = convert(level, full_scale)
            continue
        light, fires = 0.0, i if emitter == IN_TURN else emitter
        if fires == i:
            light = beam_light(x, y, theta, sensor, pitch, boxes, counts) * (1.0 + share_sd * normals[i, 0])
        # A cell that is zero leaves the sum as it was, to the last bit.
        lit = level + light + crosstalk[fires, i] + room_lit
        readings[i, 0] = convert(lit + count_sd * normals[i, 1], full_scale)
        readings[i, 1] = convert(level + room_dark + count_sd * normals[i, 2], full_scale)


def plane_light(sensor: SensorTruth, distance_mm: float) -> float:
    """Return the light from an endless wall squarely before a sensor as its calibration knew it, in counts."""
    light = 0.0
    for k in range(RAYS):
        cosine = math.cos(math.radians(sensor.half_beam_deg) * (2 * k / (RAYS - 1) - 1))
        light += cosine / (distance_mm / cosine + sensor.offset_mm) ** sensor.exponent
    return sensor.gain * light / RAYS
