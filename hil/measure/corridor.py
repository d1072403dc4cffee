"""Where the robot truly was between the walls: pose and curvature of a straight, fitted to its side sensors.

With y0, th0 the pose at the begin of the straight and kappa the curvature that odometry does not know,

    y(s) = y0 + integral of sin(theta) ds,  theta(s) = th0 + theta_odo(s) + kappa s,
    m(s) = y + l theta,  l the look-ahead of the sensor's spot on the wall,

so m - (y_odo + l theta_odo) = y0 + (l + s) th0 + (l s + s^2/2) kappa for small angles. The variance of the quadratic
fit is that of Gluckstern, Nucl. Instr. Meth. 24 (1963) 381. Ranges and sines are taken exactly and the fit is repeated
at the pose found, so a robot that bends by ten degrees is fitted as well as a straight one. Odometry carries the
commanded shape, so blind and tracked straights are fitted alike.

A sensor whose calibration has aged, or a passage of another width than drawn, sets the offsets by the left and by the
right wall apart by a constant. Where a stretch goes from both walls to one of them that would read as a slope and a
bend, so each wall has an intercept of its own: the left reads y + delta, the right y - delta. Every row gives the mean
of its readings, and half their difference where it sees both walls; the latter tells delta alone, so rows of both walls
are fitted as if there were none. y0 is the mean of both walls; where a stretch sees one wall only it is by that wall,
without delta. Heading and curvature are those of the walls' slopes.

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

from hil.measure.corridor_rows import Rows, usable_rows
from hil.measure.course_walls import PANEL_SEEN_MM
from hil.measure.evidence import Floats
from hil.measure.straight_data import SideData, StraightData, integrated, straight_data
from hil.measure.values import CannotMeasureError
from hil.measure.wall_scale import at_true_width

__all__ = ["CorridorFit", "Pose", "StraightData", "fit_corridor", "offsets", "pose_at", "straight_data"]

_ROUNDS = 12  # the pose settles in three, the weights in a few more
# Of y0, theta0, kappa and delta: each then moves the path by about a millimetre.
_SCALES = np.array([1.0, 100.0, 1e5, 1.0])
_SETTLED = 1e-5
_WEIGHTS_SETTLED = 0.02
# Weights are for what is no wall, and not for panels out of place: these must weigh alike out and back, or they would
# not fall out of the robot's curvature. So the scale is never below their placement, and clipping begins at three.
_HUBER = 3.0
_TRIM = 6.0
# What is held of delta before the readings tell it: a sensor that lost half its light is 10 mm off half the width.
_DELTA_PRIOR_MM = 10.0
_PRIOR_WEIGHT = (PANEL_SEEN_MM / _DELTA_PRIOR_MM) ** 2  # against a reading, of which no one is better than its panel
_WORST_CONDITION = 1e12  # of the scaled normal equations, in double precision


@dataclass(frozen=True, slots=True, kw_only=True)
class CorridorFit:
    """Pose at the straight's first row and curvature unknown to odometry, with covariance (y0, theta0, kappa).

    `covariance` is the sum of `components`: "fit" (residuals with their autocorrelation), "calibration" (of the
    sensors), "panels" (placement and paint of the wall panels) and, with a given curvature, "curvature". `white`
    is the part of "fit" that no repetition can share: sample noise alone. `n_eff` samples count among `n`.
    `delta_mm` is half of what the left wall reads further left than the right one, 0 where only one wall is seen.
    `panels` says for each panel how the parameters move when it stands a millimetre further to the left.
    """

    y0_mm: float
    theta0_rad: float
    kappa_per_mm: float
    delta_mm: float
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
    rows = usable_rows(data, s_from_mm, s_to_mm, is_curvature_given=kappa is not None, both_walls=both_walls)
    data = at_true_width(data)
    estimate = np.array([0.0, 0.0, kappa[0] if kappa else 0.0, 0.0])
    free, readings = rows.free(kappa is not None), rows.readings
    prior = (free == 3) * math.sqrt(_PRIOR_WEIGHT)
    weights = np.ones(readings.size)
    moved = math.inf
    for _ in range(_ROUNDS):
        if moved > _SETTLED:
            design, values = _linearised(data, rows, estimate)
            if kappa:
                values = values - design[:, 2] * kappa[0]
        root = np.sqrt(readings * weights)
        lines = np.vstack((design[:, free] * root[:, None], prior))
        solved = np.linalg.lstsq(lines, np.append(values * root, 0.0), rcond=None)[0]
        moved = float(np.max(np.abs(solved - estimate[free]) * _SCALES[free]))
        estimate[free] = solved
        residuals = values - design[:, free] @ solved
        fresh = _weights(residuals * np.sqrt(readings))
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


def _offset(side: SideData, width_mm: float, distance_mm: Floats, theta: Floats, is_left: bool) -> Floats:
    """Return y from one range, exactly (the right sensor is mirrored)."""
    x, y, phi = side.sensor.x_mm, abs(side.sensor.y_mm), abs(side.sensor.angle_rad)
    forward = x * np.sin(theta)
    if is_left:
        from_left: Floats = width_mm / 2 - forward - y * np.cos(theta) - distance_mm * np.sin(phi + theta)
        return from_left
    from_right: Floats = distance_mm * np.sin(phi - theta) - width_mm / 2 - forward + y * np.cos(theta)
    return from_right


def _linearised(data: StraightData, rows: Rows, estimate: Floats) -> tuple[Floats, Floats]:
    """Return design (y0, theta0, kappa, delta) and values of the linear model around `estimate`, a row for a line."""
    y0, theta0, kappa, _ = estimate
    lines = rows.chosen[rows.of_line]
    s = data.s_mm[lines]
    theta_all = theta0 + data.theta_odo_rad + kappa * data.s_mm
    path = integrated(data.s_mm, theta_all)[lines]
    theta = theta_all[lines]
    total, look = np.zeros(s.size), np.zeros(s.size)
    for side, is_left in ((data.left, True), (data.right, False)):
        if side is None:
            continue
        share = rows.share(is_left)
        distance = np.where(share != 0.0, side.distance_mm[lines], 0.0)
        offset = _offset(side, data.course.free_width_mm, distance, theta, is_left)
        total += share * (offset + side.look_ahead_mm * theta)
        look += share * side.look_ahead_mm
    ones, delta = rows.share(True) + rows.share(False), rows.share(True) - rows.share(False)
    design = np.column_stack((ones, look + ones * s, look * s + ones * s**2 / 2, delta))
    # What the linear model says at the estimate is put back, so that the step to the solution is exact there.
    predicted = ones * (y0 + path) + look * theta
    values = total - predicted + design[:, :3] @ estimate[:3]
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
    rows: Rows,
    estimate: Floats,
    design: Floats,
    residuals: Floats,
    weights: Floats,
    kappa: tuple[float, float] | None,
) -> CorridorFit:
    free, count, readings = rows.free(kappa is not None), rows.chosen.size, rows.readings
    columns = design[:, free]
    prior = np.diag((free == 3) * _PRIOR_WEIGHT)
    normal = columns.T @ (columns * (readings * weights)[:, None]) + prior
    means = weights[:count] > 0  # the lines of means carry the noise that moves the path
    n = int(means.sum())
    if n <= free.size or _condition(normal) > _WORST_CONDITION:
        raise CannotMeasureError(f"drive {data.drive.name}: the samples of the straight do not tell its pose apart")
    inverse = np.linalg.inv(normal)
    gain = np.zeros((4, readings.size))
    gain[free] = inverse @ (columns * (readings * weights)[:, None]).T
    clipped = (weights * residuals * np.sqrt(readings))[:count][means]
    inflation = _inflation(clipped)
    kept = weights > 0
    spread = np.zeros((4, 4))
    spread[np.ix_(free, free)] = np.linalg.inv(columns[kept].T @ (columns[kept] * readings[kept, None]) + prior)
    variance, white = _variance(clipped, free.size, float(np.mean(weights[:count][means] >= 1.0)))
    panels = _panels(data, rows, gain)
    components = {
        "fit": (spread * variance * inflation)[:3, :3],
        "calibration": (_calibration(data, rows, gain) + _unknown_delta(spread))[:3, :3],
        "panels": PANEL_SEEN_MM**2 * np.sum([np.outer(one, one) for one in panels.values()], axis=0),
    }
    if kappa:
        components["curvature"] = _carried(design, gain, kappa[1])
    return CorridorFit(
        y0_mm=float(estimate[0]),
        theta0_rad=float(estimate[1]),
        kappa_per_mm=float(estimate[2]),
        delta_mm=float(estimate[3]),
        covariance=np.sum(list(components.values()), axis=0),
        components=components,
        white=(spread * white)[:3, :3],
        n=n,
        n_eff=n / inflation,
        residual_sd_mm=math.sqrt(float(np.mean(residuals[:count][means] ** 2))),
        s_from_mm=float(data.s_mm[rows.chosen[0]]),
        s_to_mm=float(data.s_mm[rows.chosen[-1]]),
        panels=panels,
    )


def _carried(design: Floats, gain: Floats, kappa_u: float) -> Floats:
    """Return what the uncertainty of a curvature that is given makes of the pose's."""
    carried = -(gain @ design[:, 2])[:3] * kappa_u
    carried[2] = kappa_u
    return np.outer(carried, carried)


def _condition(normal: NDArray[np.floating[Any]]) -> float:
    """Return the condition of normal equations whose parameters are brought to one scale."""
    scale = np.sqrt(np.diag(normal))
    return float(np.linalg.cond(normal / np.outer(scale, scale)))


def _variance(clipped: Floats, parameters: int, unclipped: float) -> tuple[float, float]:
    """Return the variance of independent residuals, and the part of it that is noise from sample to sample.

    That of Huber's estimate: the mean square of the clipped residuals over the squared share of those not clipped.
    """
    variance = float(np.sum(clipped**2)) / max(1.0, clipped.size - parameters)
    white = min(variance, float(np.mean(np.diff(clipped) ** 2)) / 2)
    return variance / max(0.5, unclipped) ** 2, white / max(0.5, unclipped) ** 2


def _unknown_delta(spread: Floats) -> Floats:
    """Return what the prior of delta leaves: next to nothing, unless the readings do not tell delta."""
    moved = spread[:, 3] * _PRIOR_WEIGHT * _DELTA_PRIOR_MM
    return np.outer(moved, moved)


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


def _calibration(data: StraightData, rows: Rows, gain: Floats) -> Floats:
    """Carry the covariance of each sensor's (ln gain, exponent, offset) to the parameters of `gain`."""
    total = np.zeros((gain.shape[0], gain.shape[0]))
    lines = rows.chosen[rows.of_line]
    for side, is_left in ((data.left, True), (data.right, False)):
        share = rows.share(is_left)
        if side is None or not share.any():
            continue
        calibration = data.robot.calibrations[side.sensor.channel]
        reach = np.where(share != 0.0, side.distance_mm[lines] + calibration.offset_mm, 1.0)
        exponent = calibration.exponent
        slopes = np.column_stack((reach / exponent, -reach * np.log(reach) / exponent, -np.ones(reach.size)))
        sign = -1.0 if is_left else 1.0
        carried = gain @ (slopes * (sign * math.sin(abs(side.sensor.angle_rad)) * share)[:, None])
        total += carried @ np.asarray(calibration.covariance) @ carried.T
    return total


def _panels(data: StraightData, rows: Rows, gain: Floats) -> dict[int, Floats]:
    """Return how the parameters (y0, theta0, kappa) move when a panel stands a millimetre further to the left."""
    found: dict[int, Floats] = {}
    lines = rows.chosen[rows.of_line]
    for side, is_left in ((data.left, True), (data.right, False)):
        if side is None:
            continue
        share, numbers = rows.share(is_left), side.panel[lines]
        for panel in map(int, np.unique(numbers[share != 0.0])):
            found[panel] = -(gain @ np.where(numbers == panel, share, 0.0))[:3]
    return found
