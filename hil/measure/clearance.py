"""How near to a wall a blind run would end: what decides whether the next longer one is driven at all.

From the latest blind drives come the robot's curvature and the pose in which its blind stretches began; a run of so
many cells from there ends at y + theta L + kappa L^2/2, and its nearest corner of the body stands as far from the wall
as the prediction says. Its uncertainty holds the curvature's, the start pose's and the random walk of the new run.

By the operator's route the curvature comes from the blind legs read so far, and the start is where the robot stands.
"""

from __future__ import annotations

import math

import numpy as np

from hil.measure.corridor import fit_corridor, pose_at
from hil.measure.evidence import Drive, Evidence
from hil.measure.legs import WALK_ROOT_MM, curvature_of, fitted_legs, longest_blind, straights, whole
from hil.measure.method import Method, Parameters, ParameterSpec, drives_of
from hil.measure.model import Robot
from hil.measure.observed import in_unit
from hil.measure.observed_legs import blind_legs, curvature_read
from hil.measure.uncertainty import Part, join
from hil.measure.values import CannotMeasureError, Measurement

_LATEST = 8  # so many of the latest blind drives of one name are used


def predicted_clearance(evidence: Evidence, cells: float) -> Measurement:
    """Return the predicted distance [mm] of the body's nearest corner from a wall, at the end of `cells` blind cells.

    Of all starts seen the worst is taken. A caution is kept by comparing value - U (95 %) with what must remain.
    Raises `CannotMeasureError` where no blind stretch was driven yet, or its walls do not show the curvature.
    """
    drives = _latest_blind(evidence.drives)
    found = straights(evidence, drives)
    known = curvature_of(fitted_legs(found, whole))
    kappa = known.robot_per_mm, known.robot.u
    length = cells * evidence.course.pitch_mm
    base = evidence.robot.wheel_base_mm
    walk = Part(WALK_ROOT_MM / base * math.sqrt(2 * length**3 / 3))
    worst: tuple[float, float, float] | None = None
    for data in found:
        ends = longest_blind(data)
        if ends is None:
            continue
        start = pose_at(data, fit_corridor(data, *whole(data), kappa), ends[0])
        y = start.y_mm + start.theta_rad * length + kappa[0] * length**2 / 2
        clearance = _clearance(evidence.robot, evidence.course.free_width_mm, y, start.theta_rad + kappa[0] * length)
        row = np.array([1.0, length])
        u_start = math.sqrt(float(row @ start.covariance @ row))
        if worst is None or clearance < worst[0]:
            worst = clearance, u_start, start.y_mm
    if worst is None:
        raise CannotMeasureError("no straight was driven blind yet, so nothing tells how the next one would end")
    part = join(known.robot.times(length**2 / 2), Part(worst[1]), walk)
    told = f"{cells:g} blind {'cell' if cells == 1 else 'cells'} from a start {worst[2]:+.1f} mm off the centre line"
    return Measurement(value=worst[0], unit="mm", u=part.u, dof=part.dof, n=known.n, notes=(told, *known.notes))


def clearance_by_readings(evidence: Evidence, cells: float) -> Measurement:
    """Return the same prediction [mm] from a person's readings, for a run from where the robot now stands.

    The readings are those named `offset` and `angle`. Raises `CannotMeasureError` where no blind leg was read yet.
    """
    last = len(evidence.drives) - 1
    here = [
        next((in_unit(one, unit) for one in reversed(evidence.answers) if (one.name, one.index) == (name, last)), None)
        for name, unit in (("offset", "mm"), ("angle", "rad"))
    ]
    if here[0] is None or here[1] is None:
        raise CannotMeasureError("offset and angle were not read where the robot stands")
    known, notes = curvature_read(evidence, blind_legs(evidence, Parameters()))
    length, (offset, angle) = cells * evidence.course.pitch_mm, (here[0], here[1])
    y = offset.value + angle.value * length + known.value * length**2 / 2
    clearance = _clearance(evidence.robot, evidence.course.free_width_mm, y, angle.value + known.value * length)
    # The angle here may also have ended the leg that tells the curvature, so the two do not add as squares.
    curve = known.part.times(length**2 / 2)
    part = join(
        Part(curve.u + angle.u * length, curve.dof),
        Part(offset.u),
        Part(WALK_ROOT_MM / evidence.robot.wheel_base_mm * math.sqrt(2 * length**3 / 3)),
    )
    return Measurement(value=clearance, unit="mm", u=part.u, dof=part.dof, n=known.n, notes=notes, source=offset.source)


def _latest_blind(drives: tuple[Drive, ...]) -> tuple[Drive, ...]:
    blind = [drive for drive in drives if any(element.cells and element.tracking == "none" for element in drive.path)]
    if not blind:
        raise CannotMeasureError("no straight was driven blind yet, so nothing tells how the next one would end")
    last = blind[-1]
    return tuple(drive for drive in blind if (drive.name, drive.case) == (last.name, last.case))[-_LATEST:]


def _clearance(robot: Robot, width_mm: float, y_mm: float, theta_rad: float) -> float:
    """Return the distance of the body's nearest corner from the nearer wall; negative where it would be in it."""
    corners = [
        abs(y_mm + along * math.sin(theta_rad) + across * math.cos(theta_rad))
        for along in (robot.body_front_mm, -robot.body_rear_mm)
        for across in (robot.body_width_mm / 2, -robot.body_width_mm / 2)
    ]
    return width_mm / 2 - max(corners)


def _measured(evidence: Evidence, parameters: Parameters) -> Measurement:
    chosen = Evidence(robot=evidence.robot, course=evidence.course, drives=drives_of(evidence, parameters))
    return predicted_clearance(chosen, parameters.number("cells", 3.0))


METHODS_OF_SUBJECT: tuple[Method, ...] = (
    Method(
        name="straight.predicted_clearance",
        unit="mm",
        run=_measured,
        needs=("wall.left", "wall.right", "encoder.left", "encoder.right"),
        summary="distance of the body's nearest corner from a wall, predicted for the end of a blind run",
        source="y + theta L + kappa L^2/2 from the corridor fits",
        parameters=(ParameterSpec(name="cells", meaning="length of the blind run in cells", default=3.0),),
    ),
)
