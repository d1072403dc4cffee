"""What a run leaves in the bench's records: calibrations by surface, and what the bench itself was found to be.

A case that says `keeps` is asked for its findings when the run is over, from the trace and in the same way when the
run is judged again. They become a record only where the case passed: what failed is not to be driven by. An earlier
record goes to the earlier ones, and nothing of it is lost.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TextIO

from hil import __version__
from hil.catalogue import Catalogue
from hil.engine.bench import Bench
from hil.engine.evidence import evidence_of
from hil.engine.kept_run import Changes, KeptRun, open_run
from hil.engine.replay import segments_of
from hil.engine.session import readable
from hil.engine.settings_check import SETTINGS
from hil.errors import HilError
from hil.measure.evidence import Evidence
from hil.measure.model import SensorCalibration
from hil.measure.trace import Mark, MarkKind
from hil.measure.values import CannotMeasureError
from hil.measure.wall_settings import WallKeeping, keeping_of
from hil.outcomes import Outcome
from hil.results import AssertionResult, CaseResult, LoadedFile, RunResult, UnjudgedResult
from hil.spec.record_values import Record, Value
from hil.spec.suite_values import Case
from hil.store.records import beside, path_of, write_record
from hil.store.trace import TraceReader
from hil.timing import SystemClock

CALIBRATION = "calibration"
LATER = " (among the earlier ones, since a later record stands there)"
BATTERY = "battery"  # the step of the note in a trace that says its voltage


def battery_of(bench: Bench) -> float | None:
    """Return the battery's voltage as the robot told it last, None where it tells none."""
    session = bench.line.open_session
    return session.values.get("supply.battery") if session is not None else None


def firmware_name(said: str) -> str:
    """Return what a robot said to `identify` as records keep it: what is printable of it, and not too much."""
    return readable(said).strip()


def keep_records(
    folder: Path, result: RunResult, records: Path, catalogue: Catalogue, output: TextIO, *, also_failed: bool = False
) -> list[Path]:
    """Write the records that a run gives, say each on `output`, and return their files.

    With `also_failed` those of cases that did not pass, and of virtual robots with faults, too.
    """
    run = open_run(folder, Changes(), catalogue)
    todo = f"'hil records keep {folder} --all' does all the same"
    found: list[Record] = []
    on_bench: dict[str, Value] = {}
    for case, made, evidence in _findings(run, result):
        if made.outcome is not Outcome.PASSED and not also_failed:
            output.write(f"hil: {case.name} {made.outcome.value}, so no record was written of it; {todo}.\n")
        elif result.faults and not also_failed:
            output.write(f"hil: the virtual robot had faults, so no record was written of {case.name}; {todo}.\n")
        elif case.keeps == CALIBRATION:
            found += _calibrations(run, result, case, made, evidence, output)
        else:
            on_bench = beside(on_bench, _values(made))
    if on_bench:
        found.append(_record(run, result, "", values=on_bench))
    written = []
    for record in found:
        path = write_record(records, record, now=SystemClock().now(), joins=not record.surface)
        later = "" if path == path_of(records, record.serial, record.surface, record.seed) else LATER
        output.write(f"hil: record written: {path}{later}\n")
        written.append(path)
    return written


def _findings(run: KeptRun, result: RunResult) -> Iterator[tuple[Case, CaseResult, Evidence]]:
    """Yield the cases that keep something, with what came of them and their evidence."""
    keeping = {(suite.name, case.name): case for suite in run.suites for case in suite.cases if case.keeps}
    if not keeping:
        return
    made = {(suite.name, case.name): case for suite in result.suites for case in suite.cases}
    is_real = run.description.is_paced
    with TraceReader(run.trace) as reader:
        for segment in segments_of(reader):
            case = keeping.get((segment.suite, segment.case))
            if case is None or segment.skipped or (segment.suite, segment.case) not in made:
                continue
            robot = run.robot_on(case.course.surface)
            evidence = evidence_of(segment.records, run.speech, robot, case, host_is_real=is_real)
            yield case, made[segment.suite, segment.case], evidence


def _values(made: CaseResult) -> dict[str, Value]:
    """Return what a case measured, by measurement."""
    told: tuple[AssertionResult | UnjudgedResult, ...] = (*made.assertions, *made.measured)
    return {
        one.measurement: Value(value=one.value, unit=one.unit, u=one.u or 0.0, of=f"{one.suite}/{one.case}")
        for one in told
        if one.value is not None
    }


def _calibrations(
    run: KeptRun, result: RunResult, case: Case, made: CaseResult, evidence: Evidence, output: TextIO
) -> Iterator[Record]:
    try:
        kept = keeping_of(evidence)
    except (CannotMeasureError, HilError) as error:
        output.write(f"hil: no record was written of {case.name}: {error}\n")
        return
    for note in kept.notes:
        output.write(f"hil: {note}\n")
    yield from _of_surfaces(run, result, kept, _values(made))


def _of_surfaces(run: KeptRun, result: RunResult, kept: WallKeeping, values: dict[str, Value]) -> Iterator[Record]:
    numbers = {settings.surface: settings.values() for settings in kept.settings}
    for surface in dict.fromkeys(one.surface for one in kept.calibrations):
        yield _record(
            run,
            result,
            surface,
            values=values,
            sensors={one.channel: one for one in kept.calibrations if one.surface == surface},
            numbers=dict(numbers.get(surface, {})),
        )


def _record(
    run: KeptRun,
    result: RunResult,
    surface: str,
    *,
    values: dict[str, Value],
    sensors: dict[str, SensorCalibration] | None = None,
    numbers: dict[str, float] | None = None,
) -> Record:
    about = _about(run.trace)
    loaded = run.description.loaded
    return Record(
        robot=result.robot.name,
        serial=result.robot.serial,
        surface=surface,
        taken=result.started,
        tool=__version__,
        run=result.run_id,
        trace=result.trace.sha256 if result.trace else "",
        seed=result.seed,
        firmware=about.firmware,
        battery_v=about.battery_v,
        environment=result.environment,
        sensors=sensors or {},
        values=values,
        numbers=numbers or {},
        settings=about.settings,
        loaded=LoadedFile(name=loaded["name"], sha256=loaded["sha256"]) if loaded else None,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _About:
    """What the robot said of itself in a run."""

    firmware: str
    battery_v: float | None
    settings: dict[str, float]


def _about(trace: Path) -> _About:
    """Read from a trace what the robot said of itself when the run began."""
    firmware, battery = "", None
    settings: dict[str, float] = {}
    with TraceReader(trace) as reader:
        for record in reader:
            if not isinstance(record, Mark):
                continue
            if record.step == "case":
                break
            if record.kind is not MarkKind.NOTE:
                continue
            fields: dict[str, Any] = dict(record.fields)
            if record.step == "identify" and not firmware:
                firmware = firmware_name(record.name)
            elif record.step == BATTERY and battery is None:
                battery = float(fields["volts"])
            elif record.step == SETTINGS and not settings:
                settings = {str(name): float(value) for name, value in fields["values"].items()}
    return _About(firmware=firmware, battery_v=battery, settings=settings)
