"""Which calibrations a run goes by: those of a file, of the bench's records, or of a virtual robot's jig.

Records are picked before the robot is reached, by its serial number and their age, so that they are on the disk before
anything moves. What the robot then says of itself, its firmware and its battery, may put some of them aside.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from pathlib import Path

from hil.engine.bench import Bench
from hil.engine.bench_records import battery_of, firmware_name
from hil.engine.calibrating import (
    Calibrations,
    jig_calibrations,
    kept_calibrations,
    recorded_calibrations,
    source_of,
    surfaces_wanted,
)
from hil.engine.run_order import RunOrder
from hil.results import Route
from hil.spec.robot_values import RobotFile
from hil.spec.suite_values import Suite
from hil.store.calibrations import write_calibrations
from hil.store.records import Circumstances

Jig = Mapping[str, Sequence[Sequence[float]]]  # by sensor: rows of (distance in mm, lit, dark)


def calibrations_for(order: RunOrder, started: datetime, jig: Jig | None) -> Calibrations:
    """Return the sensor calibrations of a run; `jig` is a virtual robot's own, for what no record serves."""
    robot = order.robot.robot
    if order.calibration is not None:
        given = kept_calibrations(order.calibration, robot)
        return Calibrations(usual=given.sensors, given=given)
    surfaces = [case.course.surface for suite in order.suites for case in suite.cases]
    found = Calibrations()
    if order.records is not None:
        now = circumstances(order, started)
        found = recorded_calibrations(order.records, surfaces, now, robot)
        found.refuse_stale(now, is_old_good=order.is_old_good)
    if jig is not None:
        found.usual = jig_calibrations(jig, surfaces[0], robot)
    return found


def foreseen_lines(
    records: Path, suites: Sequence[Suite], robot: RobotFile, now: datetime, seed: int | None
) -> list[str]:
    """Say for each surface whose record a run needs by which it would go, or why by none.

    Nothing of it can be held against firmware and battery before the robot is reached. Records of other surfaces,
    which tell how the sensors are on surfaces known well, are named last.
    """
    surfaces = surfaces_wanted(suites)
    if not surfaces:
        return []
    where = Circumstances(serial=robot.robot.serial, now=now, seed=seed, validity=robot.validity)
    found = recorded_calibrations(records, surfaces, where, robot.robot)
    found.refuse_stale(where, is_old_good=False)
    others = [name for name in (*found.records, *found.refused) if name not in surfaces]
    stand_in = "the virtual robot's own jig would stand in" if robot.virtual else "distances to walls would not be told"
    lines = [f"Records of the surfaces ({records}):"]
    for surface in (*surfaces, *dict.fromkeys(others)):
        record = found.records.get(surface)
        if record is not None:
            other = "" if surface in surfaces else ", beside these"
            lines.append(f"  {surface}: {source_of(record)}{other}")
        else:
            because = "" if surface in others else f"; {stand_in}"
            lines.append(f"  {surface}: {found.refused[surface]}{because}")
    return lines


def circumstances(
    order: RunOrder, started: datetime, firmware: str = "", battery_v: float | None = None
) -> Circumstances:
    """Return what a record must fit to serve a run."""
    return Circumstances(
        serial=order.robot.robot.serial,
        now=started,
        seed=order.seed if order.virtual else None,
        firmware=firmware_name(firmware),
        battery_v=battery_v,
        validity=order.robot.validity,
    )


def look_at_records(order: RunOrder, folder: Path, started: datetime, bench: Bench) -> list[str]:
    """Put records aside that do not fit the robot as it says it is; return what is to be said of them."""
    if order.records is None or bench.route is Route.OPERATOR:
        return []
    calibrations = bench.calibrations
    now = circumstances(order, started, bench.line.firmware, battery_of(bench))
    if calibrations.refuse_stale(now, is_old_good=order.is_old_good):
        write_calibrations(folder / "calibration.json", calibrations.kept())
    return calibrations.told(order.suites)
