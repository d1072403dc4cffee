"""Where the robot truly was between the walls: pose and curvature of a straight, fitted to its side sensors.

With y0, th0 the pose at the begin of the straight and kappa the curvature that odometry does not know,

    y(s) = y0 + integral of sin(theta) ds,  theta(s) = th0 + theta_odo(s) + kappa s,
    m(s) = y + l theta,  l the look-ahead of the sensor's spot on the wall,

so m - (y_odo + l theta_odo) = y0 + (l + s) th0 + (l s + s^2/2) kappa for small angles. The variance of the quadratic
fit is that of Gluckstern, Nucl. Instr. Meth. 24 (1963) 381. Ranges and sines are taken exactly and the fit is repeated
at the pose found, so a robot that bends by ten degrees is fitted as well as a straight one. Odometry carries the
commanded shape, so blind and tracked straights are fitted alike.

Wall gaps and posts that the course's drawing does not show are held off by Huber's weights and trimming. Neighbouring
residuals are alike, so the number of samples that count is taken from their autocorrelation. Calibration and panel
placement stand in components of their own: they repeat from leg to leg and do not average.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hil.measure.course_walls import PANEL_SEEN_MM, Flags, Integers
from hil.measure.evidence import Floats
from hil.measure.straight_data import SideData, StraightData, integrated, straight_data
from hil.measure.values import CannotMeasureError

__all__ = ["CorridorFit", "Pose", "StraightData", "fit_corridor", "offsets", "pose_at", "straight_data"]

_ROUNDS = 12  # the pose settles in three, the weights in a few more
_SCALES = np.array([1.0, 100.0, 1e5])  # of y0, theta0 and kappa, in which each moves the path by about a millimetre
_SETTLED = 1e-5
_WEIGHTS_SETTLED = 0.02
# Weights are for what is no wall, and not for panels out of place: these must weigh alike out and back, or they would
# not fall out of the robot's curvature. So the scale is never below their placement, and clipping begins at three.
_HUBER = 3.0
_TRIM = 6.0
_FEWEST_ROWS = 12
_STANDING_MM = 1e-6  # rows in which the wheels did not move say nothing new
_WORST_CONDITION = 1e12  # of the scaled normal equations, in double precision


@dataclass(frozen=True, slots=True, kw_only=True)
class CorridorFit:
    """Pose at the straight's first row and curvature unknown to odometry, with covariance (y0, theta0, kappa).

    `covariance` is the sum of `components`: "fit" (residuals with their autocorrelation), "calibration" (of the
    sensors), "panels" (placement and paint of the wall panels) and, with a given curvature, "curvature". `white`
    is the part of "fit" that no repetition can share: sample noise alone. `n_eff` samples count among `n`.
    `panels` says for each panel how the parameters move when it stands a millimetre further to the left.
    """

    y0_mm: float
    theta0_rad: float
    kappa_per_mm: float
    covariance: Floats
    components: Mapping[str, Floats]
    white: Floats
    n: int
    n_eff: float
    residual_sd_mm: float
    s_from_mm: float
    s_to_mm: float
    panels: Mapping[int, Floats]

    @property
    def u_kappa_per_mm(self) -> float:
        """Standard uncertainty of the curvature."""
        return math.sqrt(float(self.covariance[2, 2]))


@dataclass(frozen=True, slots=True, kw_only=True)
class Pose:
    """Offset from the centre line and heading, with covariance (y, theta)."""

    y_mm: float
    theta_rad: float
    covariance: Floats


@dataclass(frozen=True, slots=True)
class _Rows:
    """The rows of a stretch that a fit may use; `left` and `right` say which sensors count in each."""

    chosen: Integers
    left: Flags
    right: Flags

    @property
    def sides(self) -> Floats:
        sides: Floats = self.left.astype(float) + self.right.astype(float)
        return sides


def fit_corridor(
    data: StraightData,
    s_from_mm: float,
    s_to_mm: float,
    kappa: tuple[float, float] | None = None,
    *,
    both_walls: bool = False,
) -> CorridorFit:
    """Fit pose and curvature to the rows from `s_from_mm` to `s_to_mm` (odometric distance from the first row).

    With `kappa` (value and standard uncertainty, 1/mm) the curvature is held there and its uncertainty carried on.
    With `both_walls` only rows that see wall on both sides are used. Raises `CannotMeasureError` where too few rows
    see a wall, or where no sensor is calibrated.
    """
    rows = _usable(data, s_from_mm, s_to_mm, both_walls)
    s = data.s_mm[rows.chosen]
    estimate = np.array([0.0, 0.0, kappa[0] if kappa else 0.0])
    count = 2 if kappa else 3
    weights = np.ones(s.size)
    moved = math.inf
    for _ in range(_ROUNDS):
        if moved > _SETTLED:
            design, values = _linearised(data, rows, estimate)
            if kappa:
                values = values - design[:, 2] * kappa[0]
        root = np.sqrt(rows.sides * weights)
        solved = np.linalg.lstsq(design[:, :count] * root[:, None], values * root, rcond=None)[0]
        moved = float(np.max(np.abs(solved - estimate[:count]) * _SCALES[:count]))
        estimate[:count] = solved
        residuals = values - design[:, :count] @ solved
        fresh = _weights(residuals * np.sqrt(rows.sides))
        done = moved < _SETTLED and float(np.max(np.abs(fresh - weights))) < _WEIGHTS_SETTLED
        weights = fresh
        if done:
            break
    return _finished(data, rows, estimate, design, residuals, weights, kappa)


def pose_at(data: StraightData, fit: CorridorFit, s_mm: float, component: str | None = None) -> Pose:
    """Return the true pose at an odometric distance; the covariance is the fit's, or one component of it, carried on.

    Beyond the straight's rows odometry is held at its last value.
    """
    theta = fit.theta0_rad + data.theta_odo_rad + fit.kappa_per_mm * data.s_mm
    y = fit.y0_mm + integrated(data.s_mm, theta)
    distance, order = np.unique(data.s_mm, return_index=True)
    jacobian = np.array([[1.0, s_mm, s_mm**2 / 2], [0.0, 1.0, s_mm]])
    covariance = fit.covariance if component is None else fit.components[component]
    return Pose(
        y_mm=float(np.interp(s_mm, distance, y[order])),
        theta_rad=float(np.interp(s_mm, distance, theta[order])),
        covariance=jacobian @ covariance @ jacobian.T,
    )


def offsets(data: StraightData, fit: CorridorFit, side: SideData) -> Floats:
    """Return the offset from the centre line that one sensor alone reads in every row, at the fitted headings."""
    theta = fit.theta0_rad + data.theta_odo_rad + fit.kappa_per_mm * data.s_mm
    return _offset(side, data.course.free_width_mm, side.distance_mm, theta, side is data.left)


def _usable(data: StraightData, s_from_mm: float, s_to_mm: float, both_walls: bool) -> _Rows:
    inside = (data.s_mm >= s_from_mm) & (data.s_mm <= s_to_mm)
    inside &= np.diff(data.s_mm, prepend=data.s_mm[0] - 1.0) > _STANDING_MM
    half = data.course.free_width_mm / 2
    seen = []
    for side in (data.left, data.right):
        near = np.zeros(inside.shape, dtype=bool)
        if side is not None:
            across = side.distance_mm * math.sin(abs(side.sensor.angle_rad)) + abs(side.sensor.y_mm)
            near = side.wall & side.usable & np.isfinite(across) & (side.distance_mm > 0) & (across < 2 * half)
        seen.append(near)
    left, right = seen
    inside &= (left & right) if both_walls else (left | right)
    chosen = np.nonzero(inside)[0]
    if chosen.size < _FEWEST_ROWS:
        raise CannotMeasureError(
            f"drive {data.drive.name}: from {s_from_mm:.0f} to {s_to_mm:.0f} mm of the straight only {chosen.size} "
            f"samples see {'both walls' if both_walls else 'a wall'} with a calibrated sensor that is "
            f"not at full scale; at least {_FEWEST_ROWS} are needed"
        )
    return _Rows(chosen, left[chosen], right[chosen])


def _offset(side: SideData, width_mm: float, distance_mm: Floats, theta: Floats, is_left: bool) -> Floats:
    """Return y from one range, exactly (the right sensor is mirrored)."""
    x, y, phi = side.sensor.x_mm, abs(side.sensor.y_mm), abs(side.sensor.angle_rad)
    forward = x * np.sin(theta)
    if is_left:
        from_left: Floats = width_mm / 2 - forward - y * np.cos(theta) - distance_mm * np.sin(phi + theta)
        return from_left
    from_right: Floats = distance_mm * np.sin(phi - theta) - width_mm / 2 - forward + y * np.cos(theta)
    return from_right


def _linearised(data: StraightData, rows: _Rows, estimate: Floats) -> tuple[Floats, Floats]:
    """Return design (y0, theta0, kappa) and values of the linear model around `estimate`."""
    y0, theta0, kappa = estimate
    chosen = rows.chosen
    s = data.s_mm[chosen]
    theta_all = theta0 + data.theta_odo_rad + kappa * data.s_mm
    path = integrated(data.s_mm, theta_all)[chosen]
    theta = theta_all[chosen]
    total, look = np.zeros(s.size), np.zeros(s.size)
    for side, used, is_left in ((data.left, rows.left, True), (data.right, rows.right, False)):
        if side is None:
            continue
        distance = np.where(used, side.distance_mm[chosen], 0.0)
        offset = _offset(side, data.course.free_width_mm, distance, theta, is_left)
        total += np.where(used, offset + side.look_ahead_mm * theta, 0.0)
        look += np.where(used, side.look_ahead_mm, 0.0)
    total, look = total / rows.sides, look / rows.sides
    curved = look * s + s**2 / 2
    design = np.column_stack((np.ones(s.size), look + s, curved))
    # What the linear model says at the estimate is put back, so that the step to the solution is exact there.
    predicted = y0 + path + look * theta
    values = total - predicted + design @ estimate
    return design, values


def _weights(scaled: Floats) -> Floats:
    """Return Huber's weights with far values trimmed; the scale is the median absolute deviation's."""
    scale = max(1.4826 * float(np.median(np.abs(scaled - np.median(scaled)))), PANEL_SEEN_MM)
    size = np.abs(scaled) / scale
    weights = np.minimum(1.0, _HUBER / np.maximum(size, _HUBER))
    weights[size > _TRIM] = 0.0
    return weights


def _finished(
    data: StraightData,
    rows: _Rows,
    estimate: Floats,
    design: Floats,
    residuals: Floats,
    weights: Floats,
    kappa: tuple[float, float] | None,
) -> CorridorFit:
    count = 2 if kappa else 3
    sides = rows.sides * weights
    kept = weights > 0
    columns, n = design[:, :count], int(kept.sum())
    normal = columns.T @ (columns * sides[:, None])
    if n < _FEWEST_ROWS or _condition(normal) > _WORST_CONDITION:
        raise CannotMeasureError(f"drive {data.drive.name}: the samples of the straight do not tell its pose apart")
    gain = np.linalg.inv(normal) @ (columns * sides[:, None]).T
    clipped = (weights * residuals * np.sqrt(rows.sides))[kept]
    inflation = _inflation(clipped)
    sampled, white = _sampled(columns[kept], rows.sides[kept], clipped, float(np.mean(weights[kept] >= 1.0)))
    panels = _panels(data, rows, gain)
    components = {
        "fit": _embedded(sampled * inflation),
        "calibration": _embedded(_calibration(data, rows, gain)),
        "panels": PANEL_SEEN_MM**2 * np.sum([np.outer(one, one) for one in panels.values()], axis=0),
    }
    if kappa:
        carried = kappa[1] * np.append(-(gain @ design[:, 2]), 1.0)
        components["curvature"] = np.outer(carried, carried)
    return CorridorFit(
        y0_mm=float(estimate[0]),
        theta0_rad=float(estimate[1]),
        kappa_per_mm=float(estimate[2]),
        covariance=np.sum(list(components.values()), axis=0),
        components=components,
        white=_embedded(white),
        n=n,
        n_eff=n / inflation,
        residual_sd_mm=math.sqrt(float(np.mean(residuals[kept] ** 2))),
        s_from_mm=float(data.s_mm[rows.chosen[0]]),
        s_to_mm=float(data.s_mm[rows.chosen[-1]]),
        panels=panels,
    )


def _condition(normal: NDArray[np.floating[Any]]) -> float:
    """Return the condition of normal equations whose parameters are brought to one scale."""
    scale = np.sqrt(np.diag(normal))
    return float(np.linalg.cond(normal / np.outer(scale, scale)))


def _sampled(columns: Floats, sides: Floats, clipped: Floats, free: float) -> tuple[Floats, Floats]:
    """Return the covariance for independent residuals, and the part of it that is noise from sample to sample.

    That of Huber's estimate: the mean square of the clipped residuals over the squared share of those not clipped.
    """
    n, count = columns.shape
    spread = np.linalg.inv(columns.T @ (columns * sides[:, None])) / max(0.5, free) ** 2
    variance = float(np.sum(clipped**2)) / max(1.0, n - count)
    white = min(variance, float(np.mean(np.diff(clipped) ** 2)) / 2)
    return np.asarray(spread * variance), np.asarray(spread * white)


def _embedded(covariance: NDArray[np.floating[Any]]) -> Floats:
    whole = np.zeros((3, 3))
    whole[: covariance.shape[0], : covariance.shape[0]] = covariance
    return whole


def _inflation(residuals: Floats) -> float:
    """Return n/n_eff = 1 + 2 sum of the autocorrelation up to where it first falls to zero (common practice)."""
    n = residuals.size
    centred = residuals - residuals.mean()
    power = float(centred @ centred)
    if power <= 0:
        return 1.0
    spectrum = np.fft.rfft(centred, 2 * n)
    correlation = np.fft.irfft(np.abs(spectrum) ** 2)[:n] / power
    negative = np.nonzero(correlation <= 0)[0]
    end = int(negative[0]) if negative.size else n
    return max(1.0, min(1.0 + 2.0 * float(np.sum(correlation[1:end])), n / 4))


def _calibration(data: StraightData, rows: _Rows, gain: Floats) -> Floats:
    """Carry the covariance of each sensor's (ln gain, exponent, offset) to the fitted parameters."""
    total = np.zeros((gain.shape[0], gain.shape[0]))
    for side, used, sign in ((data.left, rows.left, -1.0), (data.right, rows.right, 1.0)):
        if side is None or not used.any():
            continue
        calibration = data.robot.calibrations[side.sensor.channel]
        reach = np.where(used, side.distance_mm[rows.chosen] + calibration.offset_mm, 1.0)
        slopes = np.column_stack(
            (
                reach / calibration.exponent,
                -reach * np.log(reach) / calibration.exponent,
                -np.ones(reach.size),
            )
        )
        share = np.where(used, sign * math.sin(abs(side.sensor.angle_rad)) / rows.sides, 0.0)
        carried = gain @ (slopes * share[:, None])
        total += carried @ np.asarray(calibration.covariance) @ carried.T
    return total


def _panels(data: StraightData, rows: _Rows, gain: Floats) -> dict[int, Floats]:
    """Return how the parameters (y0, theta0, kappa) move when a panel stands a millimetre further to the left."""
    found: dict[int, Floats] = {}
    for side, used in ((data.left, rows.left), (data.right, rows.right)):
        if side is None:
            continue
        numbers = side.panel[rows.chosen]
        for panel in map(int, np.unique(numbers[used])):
            moved = np.zeros(3)
            moved[: gain.shape[0]] = -(gain @ np.where(used & (numbers == panel), 1.0 / rows.sides, 0.0))
            found[panel] = moved
    return found
