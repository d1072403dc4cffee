"""Sensor calibrations for a run: from a record, from a virtual robot's jig, and what the report says of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

from hil.errors import UsageError
from hil.measure.model import Robot, SensorCalibration
from hil.measure.wall_sensor import calibrate_from_jig
from hil.results import Route
from hil.spec.suite_values import Suite
from hil.store.calibrations import read_calibrations


def given_calibrations(path: Path, robot: Robot) -> dict[str, SensorCalibration]:
    """Read calibrations and hold them against the robot's sensors; raise `UsageError` for one that it has not."""
    found = read_calibrations(path)
    known = [sensor.channel for sensor in robot.sensors]
    for channel in found:
        if channel not in known:
            raise UsageError(
                f"there is a calibration of '{channel}' and the robot has no such sensor",
                where=str(path),
                expected=f"calibrations of {', '.join(known)}",
            )
    return found


def jig_calibrations(
    jig: Mapping[str, Sequence[Sequence[float]]], surface: str, robot: Robot
) -> dict[str, SensorCalibration]:
    """Fit the calibrations of all sensors to a virtual robot's jig run, rows of (distance in mm, lit, dark)."""
    return {
        channel: calibrate_from_jig(channel, surface, rows, robot.adc_full_scale, source="virtual jig")
        for channel, rows in jig.items()
    }


def calibration_notes(
    robot: Robot, given: Mapping[str, SensorCalibration], suites: Sequence[Suite], route: Route
) -> list[str]:
    """Say which calibrations were used, and where they are of another surface than the course's."""
    if route is Route.OPERATOR:
        return []
    used = {**robot.calibrations, **given}
    if not used:
        return ["No sensor calibration was given, so distances to walls were not measured (--calibration)."]
    told = ", ".join(f"{channel} ({one.source} on {one.surface})" for channel, one in sorted(used.items()))
    notes = [f"Sensor calibrations: {told}."]
    surfaces = {case.course.surface for suite in suites for case in suite.cases}
    others = sorted({one.surface for one in used.values()} - surfaces)
    if others:
        notes.append(f"The calibrations are of {', '.join(others)}, the courses of {', '.join(sorted(surfaces))}.")
    return notes
