"""One run from its order to its folder: open everything, run, close everything, write the results.

What was recorded before an error or Ctrl-C is kept, and its results are written like those of any other run.
"""

from __future__ import annotations

import shutil
import sys
from collections.abc import Mapping
from contextlib import ExitStack
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import TextIO

from hil import __version__
from hil.catalogue import Catalogue
from hil.engine.answers_file import asked_by, check_answers, read_answers, write_answers
from hil.engine.answers_operator import AnswersFileOperator
from hil.engine.bench import Bench
from hil.engine.calibrating import calibration_notes, given_calibrations, jig_calibrations
from hil.engine.keeping import Beginning, keep_beginning
from hil.engine.operator import Operator
from hil.engine.playing import Played, play
from hil.engine.progress import Progress
from hil.engine.recorder import Recorder
from hil.engine.runner import Ran, Runner
from hil.engine.safety import cautions_of, ended_as_interrupted
from hil.engine.session import RobotSession
from hil.engine.terminal_operator import TerminalOperator
from hil.engine.virtual import VirtualPerson, VirtualProcess, VirtualRobotOrder
from hil.errors import UsageError
from hil.measure.model import Robot, SensorCalibration
from hil.measure.trace import PortEntry
from hil.outcomes import Outcome
from hil.plan import suites_time_s
from hil.reports.junit import run_to_junit
from hil.reports.markdown import run_to_markdown
from hil.reports.run_json import run_to_json
from hil.results import LineCounts, RobotUnderTest, Route, RunResult, TraceFile
from hil.spec.kinds import Kind
from hil.spec.loading import load_protocol
from hil.spec.robot_values import Drives, Program, RobotFile
from hil.spec.suite_values import Suite
from hil.store.description import ENDED, Ending
from hil.store.runs import new_run_folder, write_whole
from hil.store.trace import TraceReader, TraceWriter
from hil.timing import Clock, SystemClock
from hil.transports import Transport, open_port
from hil.wire.dialect import Dialect


@dataclass(frozen=True, slots=True, kw_only=True)
class RunOrder:
    """What is to be run: suites as loaded, the robot, its port, and how. `virtual` starts the virtual robot."""

    robot: RobotFile
    suites: tuple[Suite, ...]
    virtual: bool
    runs: Path
    port: str = ""
    faults: tuple[str, ...] = ()
    seed: int = 1
    answers: Path | None = None
    calibration: Path | None = None
    unattended: bool = False
    route: Route | None = None
    truth_file: Path | None = None  # for studies of the tool itself, on the virtual robot only
    junit: Path | None = None


@dataclass(slots=True)
class _Opened:
    """What has been opened so far, for the results of a run that ends before it begins."""

    folder: Path
    started: datetime
    route: Route
    session: RobotSession | None = None
    played: Played | None = None
    calibrations: Mapping[str, SensorCalibration] = field(default_factory=dict)


def carry_out(order: RunOrder, catalogue: Catalogue, output: TextIO | None = None) -> tuple[RunResult, Path]:
    """Carry out a run and return its result and its folder; progress goes to `output` (standard error).

    Raises what makes a run impossible before anything is recorded: wrong usage, files with mistakes, a port that
    cannot be opened.
    """
    output = output or sys.stderr
    program = _program_of(order)
    protocol_file = catalogue.find(Kind.PROTOCOL, program.protocol, beside=order.robot.file)
    dialect = load_protocol(protocol_file)
    route = _route_of(order, program, dialect)
    _check_inputs(order, route)
    with ExitStack() as stack:
        stack.enter_context(ended_as_interrupted())
        played = play(order.port, catalogue, stack)
        clock: Clock = played.tape.clock if played else SystemClock()
        began_ns = clock.monotonic_ns()
        opened = _Opened(folder=Path(), started=clock.now(), route=route, played=played)
        process = _start_virtual(order, protocol_file, clock, stack)
        url = process.port if process else (order.port or program.port)
        operator = played.person if played else _operator_of(order, process)
        cautions = cautions_of([suite.cautions for suite in order.suites])
        if not order.virtual and not order.unattended and not played:
            operator.consent(cautions)
        robot = _calibrated(order, process, opened)
        opened.folder = new_run_folder(order.runs, opened.started, order.robot.robot.name)
        described = keep_beginning(opened.folder, _beginning(order, opened), catalogue)
        writer = stack.enter_context(TraceWriter(opened.folder / "trace.sqlite", clock, described))
        # Only now, when nothing stands between the port and the trace: what a robot says unasked is not kept waiting.
        transport = _opened_port(url, dialect, clock, writer)
        stack.callback(transport.close)
        _describe(writer, order, dialect, transport.name)
        recorder = Recorder(writer, clock)
        if not order.virtual and not played:
            given = "by option: unattended" if order.unattended else "by the operator"
            recorder.note("consent", given, {"cautions": list(cautions)})
        opened.session = RobotSession(transport, dialect, recorder, clock)
        operator.idle = opened.session.listen
        if played:
            played.keep_step(recorder, opened.session.listen)
        progress = Progress(output, clock, suites_time_s(order.suites, by_person=opened.route is Route.OPERATOR))
        bench = Bench(
            robot_file=order.robot,
            robot=robot,
            session=opened.session,
            operator=operator,
            recorder=recorder,
            clock=clock,
            route=opened.route,
            host_is_real=_is_paced(order, opened),
        )
        ran = Runner(bench, order.suites, progress).run()
        ending = _ending(opened, ran, (clock.monotonic_ns() - began_ns) / 1e9)
        writer.describe(ENDED, ending.to_json())
    result = _result(order, opened, ran, ending)
    _write(order, opened, result)
    return result, opened.folder


def _opened_port(url: str, dialect: Dialect, clock: Clock, writer: TraceWriter) -> Transport:
    """Open the port; where that fails nothing was recorded, and the folder made for it goes again."""
    try:
        return open_port(url, dialect.port, clock)
    except BaseException:
        writer.close()
        shutil.rmtree(writer.path.parent, ignore_errors=True)
        raise


def _beginning(order: RunOrder, opened: _Opened) -> Beginning:
    return Beginning(
        robot=order.robot,
        suites=order.suites,
        route=opened.route,
        calibrations=opened.calibrations,
        started=opened.started,
        is_paced=_is_paced(order, opened),
        seed=order.seed if order.virtual else None,
        faults=order.faults,
        options={
            "virtual": order.virtual,
            "port": order.port,
            "route": order.route.value if order.route else None,
            "answers": order.answers.name if order.answers else None,
            "calibration": order.calibration.name if order.calibration else None,
            "unattended": order.unattended,
        },
    )


def _is_paced(order: RunOrder, opened: _Opened) -> bool:
    """Whether the host's clock tells the robot's time; a virtual robot drives as fast as the machine can."""
    return opened.played.run.description.is_paced if opened.played else not order.virtual


def _program_of(order: RunOrder) -> Program:
    """Return the one program the suites need; changing programs in a run is not offered."""
    wanted = {case.program for suite in order.suites for case in suite.cases}
    found = {name: order.robot.program_for(name) for name in sorted(wanted)}
    needed = {program.name: program for program in found.values() if program is not None}
    missing = [name for name, program in found.items() if program is None]
    if missing:
        raise UsageError(
            f"the suites need the program '{missing[0]}' and the robot has none of that name",
            where=str(order.robot.file),
            expected=f"one of {', '.join(sorted(order.robot.programs))}",
            todo="Name the program in the suite as in the robot file, or add it there",
        )
    if len(needed) > 1:
        raise UsageError(
            f"the suites need {len(needed)} programs ({', '.join(sorted(needed))}) and a run loads none",
            where=", ".join(suite.name for suite in order.suites),
            expected="suites that need the same program",
            todo="Run them one after the other",
        )
    return next(iter(needed.values()))


def _route_of(order: RunOrder, program: Program, dialect: Dialect) -> Route:
    """Take the route asked for; else telemetry where the robot reports counts and walls, else the person."""
    reports = {"encoder.left", "encoder.right"} <= dialect.channels and program.drives_by is Drives.COMMAND
    if order.route is Route.TELEMETRY and not reports:
        raise UsageError(
            f"the protocol {dialect.name} does not report wheel counts while the robot drives",
            where=f"robot {order.robot.robot.name}",
            expected="encoder.left and encoder.right among its telemetry",
            todo="Use --route operator",
        )
    return order.route or (Route.TELEMETRY if reports else Route.OPERATOR)


def _start_virtual(order: RunOrder, protocol_file: Path, clock: Clock, stack: ExitStack) -> VirtualProcess | None:
    if not order.virtual:
        return None
    request = VirtualRobotOrder(
        robot_file=order.robot.file,
        protocol_file=protocol_file,
        course_file=order.suites[0].cases[0].course_file,
        seed=order.seed,
        faults=order.faults,
        truth_file=order.truth_file,
    )
    return stack.enter_context(VirtualProcess(request, clock))


def _operator_of(order: RunOrder, process: VirtualProcess | None) -> Operator:
    if order.answers is not None:
        return AnswersFileOperator(
            order.answers, read_answers(order.answers), VirtualPerson(process) if process else None
        )
    if process is not None:
        return VirtualPerson(process)
    if order.unattended:
        return AnswersFileOperator(Path("(unattended)"), {}, None)
    return TerminalOperator()


def _describe(writer: TraceWriter, order: RunOrder, dialect: Dialect, port: str) -> None:
    writer.add_port(
        PortEntry(name=port, url=port, protocol=dialect.name, digest=dialect.digest, virtual=order.robot.virtual)
    )
    writer.describe("tool", __version__)
    writer.describe(
        "robot", {"name": order.robot.robot.name, "file": order.robot.file.name, "sha256": order.robot.digest}
    )
    writer.describe("suites", [{"name": suite.name, "sha256": suite.digest} for suite in order.suites])
    writer.describe("faults", list(order.faults))
    writer.describe("seed", order.seed if order.virtual else None)


def _calibrated(order: RunOrder, process: VirtualProcess | None, opened: _Opened) -> Robot:
    """Give the robot its sensor calibrations: from a record, or for the virtual robot from its noisy jig run."""
    robot = order.robot.robot
    if order.calibration is not None:
        opened.calibrations = given_calibrations(order.calibration, robot)
    elif process is not None:
        surface = order.suites[0].cases[0].course.surface
        opened.calibrations = jig_calibrations(process.hello["jig"], surface, robot)
    return replace(robot, calibrations={**robot.calibrations, **opened.calibrations})


def _check_inputs(order: RunOrder, route: Route) -> None:
    """Find what is wrong in the files given beside the suites, before anything is started or moves."""
    if order.calibration is not None:
        given_calibrations(order.calibration, order.robot.robot)
    if order.answers is None:
        return
    check_answers(order.answers, read_answers(order.answers), asked_by(order.suites, route))


def _ending(opened: _Opened, ran: Ran, wall_s: float) -> Ending:
    lines: tuple[LineCounts, ...] = ()
    robot_s = None
    if (session := opened.session) is not None:
        counters = session.link.counters
        lines = (LineCounts(port=session.port, good=counters.good, bad=counters.bad_total, lost=counters.lost),)
        robot_s = session.robot_s or None
    return Ending(
        trouble=Outcome.ERROR if ran.trouble else None,
        reason=str(ran.trouble) if ran.trouble else "",
        is_interrupted=ran.is_interrupted,
        notes=ran.notes,
        robot_s=robot_s,
        wall_s=wall_s,
        lines=lines,
    )


def _result(order: RunOrder, opened: _Opened, ran: Ran, ending: Ending) -> RunResult:
    robot = order.robot.robot
    return RunResult(
        run_id=opened.folder.name,
        started=opened.started,
        tool_version=__version__,
        robot=RobotUnderTest(
            name=robot.name, serial=robot.serial, robot_class=robot.robot_class, is_virtual=order.robot.virtual
        ),
        route=opened.route,
        suites=ran.suites,
        faults=order.faults,
        seed=order.seed if order.virtual else None,
        trouble=ending.trouble,
        reason=ending.reason,
        is_interrupted=ending.is_interrupted,
        trace=_trace_file(opened.folder),
        robot_s=ending.robot_s,
        wall_s=ending.wall_s,
        lines=ending.lines,
        notes=(
            *([opened.played.note] if opened.played else ()),
            *ending.notes,
            *calibration_notes(robot, opened.calibrations, order.suites, opened.route),
        ),
    )


def _trace_file(folder: Path) -> TraceFile:
    with TraceReader(folder / "trace.sqlite") as reader:
        return TraceFile(file="trace.sqlite", sha256=reader.digest())


def _write(order: RunOrder, opened: _Opened, result: RunResult) -> None:
    folder = opened.folder
    write_whole(folder / "run.json", run_to_json(result))
    write_whole(folder / "report.md", run_to_markdown(result))
    junit = run_to_junit(result)
    write_whole(folder / "junit.xml", junit)
    if order.junit is not None:
        write_whole(order.junit, junit)
    with TraceReader(folder / "trace.sqlite") as reader:
        write_answers(folder / "answers.yaml", reader)
