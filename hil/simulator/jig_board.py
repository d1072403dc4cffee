"""The robot on a jig: one large flat board squarely before one of its sensors, and an open bench all around.

The board is seen by the same rays as the walls of a course. Its distance counts along the axis of the sensor's beam. It
is a little off where its block says, and a little turned, as hands set it. Without a board nothing is within range.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hil.errors import UsageError
from hil.simulator.optics import BOXES_PER_CELL, RANGE_MM, sensor_table
from hil.simulator.parameters import SensorTruth, Truth
from hil.simulator.surfaces import surface_of

WIDE_MM = 200.0
_THICK_MM = 10.0
_BENCH_MM = 4000.0  # the one cell of the bench, large enough that no ray leaves it within its range
NEAREST_MM = 5.0
_STEEPEST_RAD = math.radians(60)


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """What the sensors look at instead of a course: pose of the robot [mm, rad], boxes, and the sensors before them."""

    x_mm: float
    y_mm: float
    theta_rad: float
    pitch_mm: float
    boxes: NDArray[np.float64]
    box_counts: NDArray[np.int64]
    sensors: NDArray[np.void]


def open_bench(truth: Truth) -> Scene:
    """Return a bench without a board."""
    return _scene(sensor_table(truth.sensors, 1.0), 0.0, None)


def before_board(
    truth: Truth,
    channel: str,
    surface: str,
    distance_mm: float,
    angle_rad: float,
    chance: np.random.Generator,
) -> Scene:
    """Return a board of `surface` before a sensor, as `chance` sets it; raise `UsageError` where that cannot be done.

    An infinite distance takes the board away. A positive angle turns the board counter-clockwise, seen from above.
    """
    sensor = _sensor(truth, channel)
    if math.isinf(distance_mm):
        return open_bench(truth)
    if not surface:
        raise UsageError("it is not said of what surface the board is", expected="a name such as white")
    if not distance_mm >= NEAREST_MM:
        raise UsageError(f"a board cannot be set at {distance_mm:g} mm", expected=f"{NEAREST_MM:g} mm or more, or none")
    if not abs(angle_rad) <= _STEEPEST_RAD:
        raise UsageError(f"a board cannot be turned by {math.degrees(angle_rad):g} deg", expected="-60 to 60 deg")
    off_mm = float(chance.normal(0.0, truth.noises.jig_block_sd_mm))
    turned = angle_rad + math.radians(float(chance.normal(0.0, truth.noises.jig_angle_sd_deg)))
    known, away = surface_of(surface, truth.seed), distance_mm + off_mm
    if away >= RANGE_MM:
        return open_bench(truth)  # whatever stands there is not seen
    # Boxes stand along the axes, so that the robot is turned in place of the board.
    theta = -sensor.angle_rad - turned
    at_x = math.cos(theta) * sensor.x_mm - math.sin(theta) * sensor.y_mm
    at_y = math.sin(theta) * sensor.x_mm + math.cos(theta) * sensor.y_mm
    face, middle = at_x + away * math.cos(turned), at_y - away * math.sin(turned)
    board = (face, middle - WIDE_MM / 2, face + _THICK_MM, middle + WIDE_MM / 2, known.reflectance)
    return _scene(sensor_table(truth.sensors, truth.surface_gain, known), theta, board)


def _sensor(truth: Truth, channel: str) -> SensorTruth:
    found = next((sensor for sensor in truth.sensors if sensor.channel == channel), None)
    if found is None:
        raise UsageError(
            f"the robot {truth.robot.name} has no sensor {channel!r} to set a board before",
            expected=f"one of {', '.join(sensor.channel for sensor in truth.sensors) or 'none: it has none'}",
        )
    return found


def _scene(
    sensors: NDArray[np.void], theta_rad: float, board: tuple[float, float, float, float, float] | None
) -> Scene:
    boxes: NDArray[np.float64] = np.zeros((1, 1, BOXES_PER_CELL, 5))
    counts: NDArray[np.int64] = np.zeros((1, 1), dtype=np.int64)
    if board is not None:
        boxes[0, 0, 0] = board
        counts[0, 0] = 1
    return Scene(
        x_mm=0.0, y_mm=0.0, theta_rad=theta_rad, pitch_mm=_BENCH_MM, boxes=boxes, box_counts=counts, sensors=sensors
    )
