"""A run that was made before, opened again: its trace, and the files, calibrations and description beside it.

Files named by the user take the place of the run's own. The run itself is never written to.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from hil import __version__
from hil.catalogue import Catalogue
from hil.engine.calibrating import kept_calibrations, robot_with
from hil.errors import UsageError
from hil.measure.model import Robot
from hil.measure.series import Speech
from hil.measure.trace import PortEntry
from hil.plan.bench_problems import leave_out
from hil.spec.kinds import Kind
from hil.spec.loading import load_protocol, load_robot, load_suite
from hil.spec.robot_values import RobotFile
from hil.spec.suite_values import Suite
from hil.store.calibrations import KeptCalibrations
from hil.store.description import Description, Ending, KeptSuite, read_description, read_ending
from hil.store.run_files import KeptFiles
from hil.store.trace import TraceReader
from hil.wire.dialect import Dialect

TRACE = "trace.sqlite"


@dataclass(frozen=True, slots=True, kw_only=True)
class Changes:
    """What takes the place of the run's own: suites and a robot by file or name, calibrations by file."""

    suites: tuple[str, ...] = ()
    robot: str = ""
    calibration: Path | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptRun:
    """A run opened again. `notes` say what is not as it was in the run.

    `dialects` are by program, `ports` as in the trace, `files` finds the run's own. `ending` is None where the run was
    cut off.
    """

    trace: Path
    description: Description
    ending: Ending | None
    ports: tuple[PortEntry, ...]
    robot_file: RobotFile
    robot: Robot
    suites: tuple[Suite, ...]
    are_own_suites: bool
    dialects: Mapping[str, Dialect]
    calibrations: KeptCalibrations
    files: KeptFiles
    notes: tuple[str, ...]

    @property
    def speech(self) -> Mapping[str, Speech]:
        """What was spoken on each port of the trace, by its name there."""
        known = {dialect.name: dialect for dialect in self.dialects.values()}
        return {
            port.name: Speech(dialect=known[port.protocol], program=port.program)
            for port in self.ports
            if port.protocol in known
        }

    def robot_on(self, surface: str) -> Robot:
        """Return the robot with the calibrations that the run had for a surface."""
        return robot_with(self.robot, self.calibrations, surface)

    @property
    def folder(self) -> Path:
        """The run's folder."""
        return self.trace.parent


def trace_in(path: Path) -> Path:
    """Return the trace of a run's folder, or the trace itself; raise `UsageError` where there is none."""
    trace = path / TRACE if path.is_dir() else path
    if not trace.is_file():
        raise UsageError(
            "there is no such run", where=str(path), expected=f"the folder of a run, or the {TRACE} in one"
        )
    return trace


def open_run(path: Path, changes: Changes, catalogue: Catalogue, *, is_judged: bool = True) -> KeptRun:
    """Open a run; raise `UsageError` (or `FileMistakes`) where it, or what takes its place, cannot be used.

    Its calibrations are looked for only where it `is_judged`.
    """
    trace = trace_in(path)
    with TraceReader(trace) as reader:
        description, ports = read_description(reader.meta, str(trace)), reader.ports
        ending = read_ending(reader.meta, str(trace))
    kept = KeptFiles(trace.parent, catalogue, may_be_gone=bool(changes.robot and changes.suites))
    robot_path = kept.find(Kind.ROBOT, changes.robot) if changes.robot else kept.file(description.robot)
    robot_file = load_robot(robot_path, kept)
    calibration = changes.calibration or trace.parent / "calibration.json"
    calibrations = kept_calibrations(calibration, robot_file.robot) if is_judged else KeptCalibrations()
    dialects = (
        _spoken(ports, robot_file, catalogue)
        if kept.are_gone
        else {program: load_protocol(kept.file(name)) for program, name in description.protocols.items()}
    )
    suites = _suites(description, changes, kept)
    left_out: tuple[str, ...] = ()
    if changes.suites:  # in the run's own they were left out by the run
        suites, said = leave_out(suites, robot_file.robot)
        left_out = tuple(sentence for sentence in said if ending is None or sentence not in ending.notes)
    return KeptRun(
        trace=trace,
        description=description,
        ending=ending,
        ports=ports,
        robot_file=robot_file,
        robot=robot_file.robot,
        suites=suites,
        are_own_suites=not changes.suites,
        dialects=dialects,
        calibrations=calibrations,
        files=kept,
        notes=(*_notes(description, changes, kept), *left_out),
    )


def _spoken(ports: Sequence[PortEntry], robot: RobotFile, catalogue: Catalogue) -> dict[str, Dialect]:
    """Return by program what was spoken on the ports, from files elsewhere; refuse one that is not as it was."""
    dialects: dict[str, Dialect] = {}
    for port in ports:
        path = catalogue.find(Kind.PROTOCOL, port.protocol, beside=robot.file)
        dialects[port.program] = load_protocol(path)
        if dialects[port.program].digest != port.digest:
            raise UsageError(
                f"this is not the protocol {port.protocol} that was spoken in the run",
                where=str(path),
                expected=f"the file with the SHA-256 {port.digest}",
                todo="Put the folder files of the run back beside its trace, or that file beside the robot file",
            )
    return dialects


def _suites(description: Description, changes: Changes, kept: KeptFiles) -> tuple[Suite, ...]:
    if changes.suites:
        paths = [kept.find(Kind.SUITE, name) for name in changes.suites]
        return tuple(load_suite(path, kept) for path in dict.fromkeys(paths))
    return tuple(_chosen(load_suite(kept.file(entry.file), kept), entry) for entry in description.suites)


def _chosen(suite: Suite, entry: KeptSuite) -> Suite:
    """Return the suite with the cases that were ordered, and with what each of them needed then."""
    cases = []
    for name, needs in entry.cases:
        case = suite.case(name)
        if case is None:
            raise UsageError(
                f"the suite has no case '{name}' any more",
                where=str(suite.file),
                expected="the file as it was in the run",
                todo="Name another suite with --suite, or put the file back",
            )
        cases.append(replace(case, needs=needs))
    return replace(suite, cases=tuple(cases)).on_surfaces(entry.surfaces)


def _notes(description: Description, changes: Changes, kept: KeptFiles) -> list[str]:
    notes = []
    if description.tool_version != __version__:
        notes.append(
            f"The run was made with hil {description.tool_version} and measured again with hil {__version__}; numbers "
            "may differ."
        )
    if kept.changed:
        notes.append(f"Changed in the run's folder since the run: {', '.join(kept.changed)}.")
    if kept.are_gone:
        notes.append("The files of the run are gone; its protocol was found by name and is the one that was spoken.")
    given = [*changes.suites, changes.robot, str(changes.calibration or "")]
    if any(given):
        notes.append(f"Not the run's own: {', '.join(word for word in given if word)}.")
    return notes
