"""Duty at the test speed: what the motors take of the battery while the robot runs straight at a steady speed.

What is left over is the reserve with which it is steered: a robot at full duty no longer follows. Duty is told seldom,
and counts often; a reading of it counts where both wheels, by their counts around it, went forward at the speed asked
for. Readings in turns, in starts and in stops are left out.
"""

from __future__ import annotations

import numpy as np

from hil.measure.evidence import Drive, Evidence, Floats
from hil.measure.method import Method, Parameters, ParameterSpec
from hil.measure.model import Robot
from hil.measure.uncertainty import Mean, Part, join, mean_by_scatter
from hil.measure.values import CannotMeasureError, Measurement

WHEELS = ("left", "right")
_AROUND_S = 0.1  # before and after a reading, over which the speed is taken
_AT_SPEED = 0.1  # of the speed asked for: steered along a wall, a wheel goes as much faster or slower
_FEWEST = 5  # readings


def cruising_duty(robot: Robot, drive: Drive) -> dict[str, Floats]:
    """Return, by wheel, the size of its duty (0 to 1) at each reading at which `drive` went straight at its speed.

    Readings of the two wheels that were not told together are left out. Empty where duty or counts are not told.
    """
    told = {wheel: drive.channel(f"duty.{wheel}") for wheel in WHEELS}
    counted = {wheel: drive.channel(f"encoder.{wheel}") for wheel in WHEELS}
    scales = {"left": robot.mm_per_count_left, "right": robot.mm_per_count_right}
    left, right = told["left"], told["right"]
    if left is None or right is None:
        return {}
    time_s, at_left, at_right = np.intersect1d(left[0], right[0], return_indices=True)
    is_steady = np.ones(time_s.size, dtype=bool)
    for wheel, rows in counted.items():
        if rows is None:
            return {}
        before, after = time_s - _AROUND_S, time_s + _AROUND_S
        way = (np.interp(after, *rows) - np.interp(before, *rows)) * scales[wheel]
        off = np.abs(way / (2 * _AROUND_S) - drive.speed_mm_s)
        is_steady &= (before >= rows[0][0]) & (after <= rows[0][-1]) & (off <= _AT_SPEED * drive.speed_mm_s)
    return {"left": np.abs(left[1][at_left][is_steady]), "right": np.abs(right[1][at_right][is_steady])}


def _means(evidence: Evidence, parameters: Parameters) -> dict[str, Mean]:
    """Return each wheel's mean duty; its uncertainty is from drive to drive where there are several."""
    name = parameters.word("in", "")
    found = [cruising_duty(evidence.robot, drive) for drive in evidence.named(name)]
    rows = [one for one in found if one and one["left"].size]
    readings = sum(one["left"].size for one in rows)
    if readings < _FEWEST:
        raise CannotMeasureError(
            f"in '{name}' {readings} readings of duty were told while it went straight at its speed; at least "
            f"{_FEWEST} are needed (longer straights, or duty told more often)"
        )
    means = {}
    for wheel in WHEELS:
        every = np.concatenate([one[wheel] for one in rows])
        single = mean_by_scatter([float(value) for value in every], f"duty.{wheel}")
        if len(rows) > 1:
            drives = mean_by_scatter([float(np.mean(one[wheel])) for one in rows], f"duty.{wheel}")
            single = max(single, drives, key=lambda one: one.part.u)
        means[wheel] = Mean(value=float(np.mean(every)), part=single.part, sd=single.sd, n=readings)
    return means


def _duty(evidence: Evidence, parameters: Parameters) -> Measurement:
    wheel, mean = max(_means(evidence, parameters).items(), key=lambda pair: pair[1].value)
    part = mean.part.times(100)
    return Measurement(
        value=100 * mean.value, unit="%", u=part.u, dof=part.dof, n=mean.n, notes=(f"The {wheel} wheel's.",)
    )


def _difference(evidence: Evidence, parameters: Parameters) -> Measurement:
    means = _means(evidence, parameters)
    left, right = means["left"], means["right"]
    middle = (left.value + right.value) / 2
    if middle == 0:
        raise CannotMeasureError(f"the duty was zero throughout '{parameters.word('in', '')}'")
    part: Part = join(left.part, right.part).times(100 / middle)
    return Measurement(value=100 * (left.value - right.value) / middle, unit="%", u=part.u, dof=part.dof, n=left.n)


_IN = ParameterSpec(name="in", meaning="drive that it is taken in", is_word=True)
_NEEDS = ("duty.left", "duty.right", "encoder.left", "encoder.right")

METHODS_OF_SUBJECT = (
    Method(
        name="supply.duty_at_speed", unit="%", run=_duty, needs=_NEEDS, source="definition",
        summary="Mean duty of the busier wheel, straight at the speed asked for.", parameters=(_IN,),
    ),
    Method(
        name="supply.duty_difference_at_speed", unit="%", run=_difference, needs=_NEEDS, source="definition",
        summary="Left less right mean duty, of their mean, straight at the speed asked for.", parameters=(_IN,),
    ),
)  # fmt: skip
