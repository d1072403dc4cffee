"""What each fault must do: closed forms of the truth that moves and of what the instruments then read.

The two differ wherever the sensor that steers is also the one that measures: a robot that keeps 49 mm from a darker
wall reads 49 mm and stands nearer. The forms are those of differential drive (a pivot of commanded angle A on a wheel
base b(1 + beta) turns A/(1 + beta)), of the curve of unequal wheels (kappa = eps/b) and of an inverse-square sensor (a
gain g makes a distance d read (d + d0)/sqrt(g) - d0); textbook relations, computed by no simulator code.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

# The nominal robot and course that the forms are written for (suites/robots/virtual.robot.yaml, corridor-six, u-shape).
WHEEL_BASE_MM = 70.0
SIDE_MM = 49.0  # side sensor to the wall's face, robot in the middle: 168/2 - 35
OFFSET_MM = 2.0  # of the sensor's own law, reading = gain / (d + 2 mm)^2
FRONT_TRIGGER_MM = 90.0  # front sensor to the wall where the stop is triggered
CELLS_MM = 720.0  # four cells, over which an error of distance is stated


@dataclass(frozen=True, slots=True, kw_only=True)
class Moves:
    """A measurement that a fault moves: the truth in words, and the expected change of the reading.

    With `is_level` it is the reading itself that is expected, whatever it was before: a hold takes the place of the
    longest gap, it does not add to it.
    """

    measurement: str
    truth: str
    expected: float
    unit: str
    is_level: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultRow:
    """One fault: what it moves, and the measurements that must stay where they are.

    `suites` are those it is looked for in (none: the three driving suites), `fails` the measurements whose assertions
    must be failed, whatever else they do.
    """

    fault: str
    moves: tuple[Moves, ...]
    stays: tuple[str, ...]
    suites: tuple[str, ...] = ()
    fails: tuple[str, ...] = ()


def _apparent(distance_mm: float, gain: float) -> float:
    """Return what a sensor of changed gain makes of a distance."""
    return (distance_mm + OFFSET_MM) / math.sqrt(gain) - OFFSET_MM


def _held(gain: float) -> float:
    """Return the true distance at which a sensor of changed gain reads the nominal one: where tracking settles."""
    return (SIDE_MM + OFFSET_MM) * math.sqrt(gain) - OFFSET_MM


def _mismatch(percent: float) -> FaultRow:
    return FaultRow(
        fault=f"wheel-mismatch={percent:g} %",
        moves=(
            Moves(measurement="wheel_mismatch", truth=f"eps {percent:+g} %", expected=percent, unit="%"),
            Moves(
                measurement="curvature",
                truth="kappa = eps/b",
                expected=percent / 100 / WHEEL_BASE_MM * 1000,
                unit="1/m",
            ),
        ),
        stays=("course_bow", "leg_distance", "half_turn_error", "width_residual", "turn_error"),
    )


def _base(percent: float) -> FaultRow:
    def lost(angle_deg: float) -> float:
        return angle_deg / (1 + percent / 100) - angle_deg

    return FaultRow(
        fault=f"wheel-base={percent:g} %",
        moves=(
            Moves(measurement="half_turn_error", truth="180/(1+beta) - 180", expected=lost(180), unit="deg"),
            Moves(measurement="turn_error", truth="90/(1+beta) - 90", expected=lost(90), unit="deg"),
        ),
        stays=("wheel_mismatch", "curvature", "course_bow", "leg_distance", "width_residual", "turn_difference"),
    )


def _left_gain(gain: float) -> FaultRow:
    reads_mm = _apparent(SIDE_MM, gain) - SIDE_MM  # while the right wall is tracked
    moved_mm = SIDE_MM - _held(gain)  # while the left wall is tracked
    return FaultRow(
        fault=f"sensor-gain-left={gain:g}",
        moves=(
            Moves(
                measurement="width_residual",
                truth="none by the right wall",
                expected=(reads_mm + moved_mm) / 2,
                unit="mm",
            ),
            Moves(
                measurement="offset_left_wall",
                truth=f"y {moved_mm:+.2f} mm by the left wall",
                expected=moved_mm,
                unit="mm",
            ),
            Moves(measurement="offset_right_wall", truth="none by the right wall", expected=-reads_mm, unit="mm"),
            Moves(
                measurement="offset_difference",
                truth=f"y_L - y_R {moved_mm:+.2f} mm",
                expected=moved_mm + reads_mm,
                unit="mm",
            ),
        ),
        stays=("wheel_mismatch", "course_bow", "leg_distance", "offset_sum", "turn_error", "half_turn_error"),
    )


def _surface(gain: float) -> FaultRow:
    moved_mm = SIDE_MM - _held(gain)
    other_mm = _apparent(SIDE_MM + moved_mm, gain)  # the untracked wall is further away and darker too
    late_mm = (FRONT_TRIGGER_MM + OFFSET_MM) * (1 - math.sqrt(gain))
    return FaultRow(
        fault=f"surface-gain={gain:g}",
        moves=(
            Moves(measurement="width_residual", truth="none", expected=other_mm - SIDE_MM, unit="mm"),
            Moves(
                measurement="offset_difference",
                truth=f"y_L - y_R {2 * moved_mm:+.2f} mm",
                expected=2 * (other_mm - SIDE_MM),
                unit="mm",
            ),
            Moves(measurement="reset_intercept", truth="stop later", expected=late_mm, unit="mm"),
            Moves(measurement="stop_position", truth="stop later", expected=late_mm, unit="mm"),
        ),
        stays=("wheel_mismatch", "offset_sum", "half_turn_error"),
    )


def _diameter(percent: float) -> FaultRow:
    share = percent / 100
    return FaultRow(
        fault=f"mean-diameter={percent:g} %",
        moves=(
            Moves(measurement="leg_distance", truth=f"distance {percent:+g} %", expected=CELLS_MM * share, unit="mm"),
            Moves(measurement="half_turn_error", truth="180 delta", expected=180 * share, unit="deg"),
            Moves(measurement="turn_error", truth="90 delta", expected=90 * share, unit="deg"),
        ),
        stays=("wheel_mismatch", "curvature", "course_bow", "width_residual", "offset_difference"),
    )


def _late(distance_mm: float) -> FaultRow:
    return FaultRow(
        fault=f"front-trigger={distance_mm:g} mm",
        moves=(
            Moves(measurement="reset_intercept", truth="stop later", expected=distance_mm, unit="mm"),
            Moves(measurement="stop_position", truth="stop later", expected=distance_mm, unit="mm"),
        ),
        stays=("reset_slope", "wheel_mismatch", "turn_error", "half_turn_error", "width_residual"),
    )


def _dropped(percent: float) -> FaultRow:
    share = percent / 100
    return FaultRow(
        fault=f"drop-counts-right={percent:g} %",
        moves=(
            Moves(measurement="wheel_mismatch", truth="acts as eps = p", expected=percent, unit="%"),
            Moves(measurement="half_turn_error", truth="180 p/2", expected=180 * share / 2, unit="deg"),
            Moves(
                measurement="leg_distance", truth="mean of the wheels, p/2", expected=CELLS_MM * share / 2, unit="mm"
            ),
        ),
        stays=("width_residual", "offset_difference"),
    )


FAULT_ROWS: tuple[FaultRow, ...] = (
    _mismatch(0.25),
    _mismatch(1.0),
    _base(2.0),
    _base(4.0),
    _diameter(1.0),
    _left_gain(0.9),
    _surface(0.75),
    _late(10.0),
    FaultRow(
        fault="front-reset=off",
        moves=(Moves(measurement="reset_slope", truth="counts end the straight", expected=-1.0, unit=""),),
        stays=("wheel_mismatch", "leg_distance", "turn_error", "half_turn_error", "width_residual"),
    ),
    _dropped(1.0),
)

# The outcome that the suites must give, beside the shifts.
MUST_PASS: Mapping[str, str] = {"wheel-mismatch=0.25 %": "wheel_mismatch"}
MUST_FAIL: Mapping[str, str] = {
    "wheel-mismatch=1 %": "wheel_mismatch",
    "wheel-base=2 %": "half_turn_error",
    "wheel-base=4 %": "half_turn_error",
    "mean-diameter=1 %": "leg_distance",
    "surface-gain=0.75": "width_residual",
    "front-trigger=10 mm": "reset_intercept",
    "front-reset=off": "reset_slope",
    "drop-counts-right=1 %": "wheel_mismatch",
}
