"""Sensor calibrations of a run: of the bench's records, a file, or a virtual robot's jig, and what is said of them.

A calibration belongs to robot and surface. A case takes that of its course's surface from the records; where there is
none that serves, the usual ones stand (those of a file, or a virtual robot's own jig run), and where there are none
either, distances to walls are not measured and the reason is told. A file given by hand stands before all records.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from hil.errors import FileMistakes, UsageError
from hil.measure.model import Robot, SensorCalibration
from hil.measure.wall_sensor import calibrate_from_jig
from hil.results import Route
from hil.spec.bench_values import Jig
from hil.spec.record_file import ENDING
from hil.spec.record_values import Record, why_stale
from hil.spec.suite_values import Suite
from hil.spec.texts import BENCH
from hil.store.calibrations import KeptCalibrations, read_calibrations
from hil.store.records import NO_RECORD, Circumstances, folder_of, pick_record, records_in

_AGAINST_RECORDS = "walls.change"  # methods whose names begin so compare a reading with the record of its surface


@dataclass(slots=True)
class Calibrations:
    """The calibrations of a run by surface.

    `usual` are for surfaces without a record, `given` are a file's with those of single surfaces, `records` are those
    that serve, `refused` why others do not, by surface.
    """

    usual: Mapping[str, SensorCalibration] = field(default_factory=dict)
    given: KeptCalibrations = field(default_factory=KeptCalibrations)
    records: dict[str, Record] = field(default_factory=dict)
    refused: dict[str, str] = field(default_factory=dict)
    remarks: list[str] = field(default_factory=list)

    def robot_on(self, robot: Robot, surface: str) -> Robot:
        """Return a robot with the calibrations that hold on a surface, and those of all surfaces as its home."""
        return robot_with(robot, self.kept(), surface)

    def kept(self) -> KeptCalibrations:
        """Return what the run's folder keeps of it."""
        return KeptCalibrations(
            sensors=self.usual,
            surfaces={
                **self.given.surfaces,
                **{surface: record.sensors for surface, record in self.records.items()},
            },
            sources={**self.given.sources, **{surface: source_of(record) for surface, record in self.records.items()}},
        )

    def refuse_stale(self, now: Circumstances, *, is_old_good: bool) -> bool:
        """Put records aside that do not fit the robot as it says it is; tell whether there were any."""
        changed = False
        for surface, record in list(self.records.items()):
            reason = why_stale(
                record,
                now=now.now,
                firmware=now.firmware,
                battery_v=now.battery_v,
                seed=now.seed,
                validity=now.validity,
            )
            if not reason:
                continue
            if is_old_good:
                remark = f"The record of the surface '{surface}' was used all the same: {reason}."
                self.remarks += [remark] if remark not in self.remarks else []
                continue
            del self.records[surface]
            self.refused[surface] = f"the record of the surface '{surface}' is not used: {reason}"
            changed = True
        return changed

    def told(self, suites: Sequence[Suite]) -> list[str]:
        """Say why records of the surfaces that a run needs are not used, and which are used that are old.

        That there never was a record is not said here: what follows from it is (`calibration_notes`).
        """
        wanted = [surface for surface in surfaces_wanted(suites) if surface not in self.records]
        reasons = [self.refused.get(surface, "") for surface in sorted(wanted)]
        worth = [reason for reason in reasons if reason and not reason.startswith(NO_RECORD)]
        return [*self.remarks, *(f"{reason[:1].upper()}{reason[1:]}." for reason in worth)]


def robot_with(robot: Robot, kept: KeptCalibrations, surface: str) -> Robot:
    """Return a robot with the calibrations that a run kept for a surface, and those of all surfaces as its home."""
    sensors = kept.surfaces.get(surface, kept.sensors)
    home = tuple(one for _, of in sorted(kept.surfaces.items()) for _, one in sorted(of.items()))
    return replace(robot, calibrations={**robot.calibrations, **sensors}, home=(*robot.home, *home))


def source_of(record: Record) -> str:
    """Return which record it is, in words."""
    return f"record of {record.taken:%Y-%m-%d %H:%M} from the run {record.run}"


def given_calibrations(path: Path, robot: Robot) -> dict[str, SensorCalibration]:
    """Read calibrations and hold them against the robot's sensors; raise `UsageError` for one that it has not."""
    return dict(kept_calibrations(path, robot).sensors)


def kept_calibrations(path: Path, robot: Robot) -> KeptCalibrations:
    """Read all that a run kept of its calibrations; raise `UsageError` for a sensor that the robot has not."""
    kept = read_calibrations(path)
    known = [sensor.channel for sensor in robot.sensors]
    for channel in (*kept.sensors, *(name for sensors in kept.surfaces.values() for name in sensors)):
        if channel not in known:
            raise UsageError(
                f"there is a calibration of '{channel}' and the robot has no such sensor",
                where=str(path),
                expected=f"calibrations of {', '.join(known)}",
            )
    return kept


def jig_calibrations(
    jig: Mapping[str, Sequence[Sequence[float]]], surface: str, robot: Robot
) -> dict[str, SensorCalibration]:
    """Fit the calibrations of all sensors to a virtual robot's jig run, rows of (distance in mm, lit, dark)."""
    return {
        channel: calibrate_from_jig(channel, surface, rows, robot.adc_full_scale, source="virtual jig")
        for channel, rows in jig.items()
    }


def recorded_calibrations(records: Path, surfaces: Iterable[str], now: Circumstances, robot: Robot) -> Calibrations:
    """Return what the bench's records hold for a robot: of the surfaces asked for, and of all others as its home.

    Records that cannot be read, or are of sensors that the robot has not, are told and not used.
    """
    found = Calibrations()
    known = {sensor.channel for sensor in robot.sensors}
    here = folder_of(records, now.serial, now.seed)
    others = [path.name.removesuffix(ENDING) for path in records_in(records) if path.parent == here]
    for surface in dict.fromkeys((*surfaces, *(name for name in others if name != BENCH))):
        try:
            picked = pick_record(records, surface, now, is_old_good=True)
        except FileMistakes as error:
            found.refused[surface] = f"the record of the surface '{surface}' cannot be read: {error}"
            continue
        record = picked.record
        if record is None:
            found.refused[surface] = picked.reason
        elif not record.sensors.keys() <= known:
            strange = ", ".join(sorted(record.sensors.keys() - known))
            found.refused[surface] = f"the record of the surface '{surface}' is of {strange}, which the robot has not"
        elif record.sensors:
            found.records[surface] = record
    return found


def calibration_notes(robot: Robot, kept: KeptCalibrations, suites: Sequence[Suite], route: Route) -> list[str]:
    """Say which calibrations were used, and where they are of another surface than the course's."""
    if route is Route.OPERATOR:
        return []
    surfaces = sorted({case.course.surface for suite in suites for case in suite.cases if uses_walls(case.name, suite)})
    wanted = sorted(surfaces_wanted(suites))
    notes = [f"Walls of {surface}: {kept.sources[surface]}." for surface in wanted if surface in kept.sources]
    without = [surface for surface in surfaces if surface not in kept.surfaces]
    if not without:
        return notes
    used = {**robot.calibrations, **kept.sensors}
    if not used:
        where = "" if len(without) == len(surfaces) else f" for {', '.join(without)}"
        what = f"No sensor calibration was given{where}, so distances to walls were not measured"
        return [*notes, f"{what} (--calibration, or a record made by the suite wall-sensors)."]
    told = ", ".join(f"{channel} ({one.source} on {one.surface})" for channel, one in sorted(used.items()))
    notes.append(f"Sensor calibrations: {told}.")
    others = sorted({one.surface for one in used.values()} - set(without))
    if others:
        notes.append(f"The calibrations are of {', '.join(others)}, the courses of {', '.join(without)}.")
    return notes


def surfaces_wanted(suites: Sequence[Suite]) -> list[str]:
    """Return the surfaces whose records a run needs: of walls driven between, and of boards held against records."""
    found: list[str] = []
    for case in (case for suite in suites for case in suite.cases):
        found += [case.course.surface] if case.course.walls else []
        if any(measure.method.startswith(_AGAINST_RECORDS) for measure in case.measures):
            jigs = [step.surface for step in (*case.setup, *case.sequence) if isinstance(step, Jig) and step.surface]
            found += [*case.surfaces, *jigs]
    return list(dict.fromkeys(found))


def uses_walls(name: str, suite: Suite) -> bool:
    """Tell whether a case is driven between walls; what stands at a jig or on a stand has no surface of its own."""
    case = suite.case(name)
    return case is not None and bool(case.course.walls)
