"""Distances at the scale of the passage: what both walls together say of the surface, taken out of a straight's fit.

A darker or brighter surface, or a common change of gain, makes every distance plus the sensor's offset too long by one
factor. Where both walls are seen their sum is known, since the passage has a known free width; the factor that brings
it there brings offsets and slopes to their true size, whatever the surface. Changes of less than a twentieth are left
alone. What the factor was is not lost: the width residual is measured from the readings as they are.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from hil.measure.evidence import Floats
from hil.measure.straight_data import SideData, StraightData

# So much of the way must see both walls; less may be the ends of walls. Dense rows and sparse ones.
_SEEN_MM = 50.0
_FEWEST_ROWS, _DENSE_ROWS = 4, 20
# A heading of ten degrees or one stale sensor lengthens the sum by less, and the fit accounts for both.
_LEAST_CHANGE = 0.05
_LARGEST_FACTOR = 1.6  # a surface of two fifths of the light; beyond, one of the two walls is not what is looked at


def at_true_width(data: StraightData) -> StraightData:
    """Return the straight with its side distances at the scale of the passage; as it is where one wall is not seen."""
    left, right = data.left, data.right
    if left is None or right is None:
        return data
    both = left.wall & right.wall & left.usable & right.usable
    both &= np.isfinite(left.distance_mm) & np.isfinite(right.distance_mm)
    if np.count_nonzero(both) < _rows_needed(data.s_mm[both]):
        return data
    sides = [(side, _offset_mm(data, side)) for side in (left, right)]
    expected = sum(_reach_mm(data, side) + offset for side, offset in sides)
    seen: Floats = sides[0][0].distance_mm[both] + sides[1][0].distance_mm[both] + sides[0][1] + sides[1][1]
    factor = float(np.median(seen)) / expected
    if abs(factor - 1) < _LEAST_CHANGE or not 1 / _LARGEST_FACTOR < factor < _LARGEST_FACTOR:
        return data
    scaled = [replace(side, distance_mm=(side.distance_mm + offset) / factor - offset) for side, offset in sides]
    return replace(data, left=scaled[0], right=scaled[1])


def _rows_needed(s_mm: Floats) -> int:
    if s_mm.size < 2:
        return _DENSE_ROWS
    spacing = float(np.median(np.diff(s_mm)))
    return max(_FEWEST_ROWS, min(_DENSE_ROWS, round(_SEEN_MM / spacing))) if spacing > 0 else _DENSE_ROWS


def _offset_mm(data: StraightData, side: SideData) -> float:
    calibration = data.robot.calibrations.get(side.sensor.channel)
    return calibration.offset_mm if calibration is not None else 0.0


def _reach_mm(data: StraightData, side: SideData) -> float:
    """Return the distance a side sensor reads with the robot on the centre line."""
    across = data.course.free_width_mm / 2 - abs(side.sensor.y_mm)
    return across / math.sin(abs(side.sensor.angle_rad))
