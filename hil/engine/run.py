"""One run from its order to its folder: open everything, run, close everything, write the results.

What was recorded before an error or Ctrl-C is kept, and its results are written like those of any other run.
"""

from __future__ import annotations

import shutil
import sys
from collections.abc import Sequence
from contextlib import ExitStack, suppress
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import TextIO

from hil import __version__
from hil.catalogue import Catalogue
from hil.engine.answers_file import asked_by, check_answers, read_answers, write_answers
from hil.engine.answers_operator import AnswersFileOperator
from hil.engine.bench import Bench
from hil.engine.bench_records import keep_records
from hil.engine.calibrating import Calibrations, calibration_notes, given_calibrations
from hil.engine.greeting import Greeting
from hil.engine.keeping import Beginning, keep_beginning
from hil.engine.line_setting import LineSetting
from hil.engine.operator import Operator
from hil.engine.playing import Played, play
from hil.engine.progress import Progress
from hil.engine.reaching import Reached, reach_robot, route_of
from hil.engine.recorder import Recorder
from hil.engine.robot_line import RobotLine
from hil.engine.run_order import RunOrder
from hil.engine.run_records import calibrations_for, look_at_records
from hil.engine.runner import Ran, Runner
from hil.engine.safety import cautions_of, ended_as_interrupted
from hil.engine.settings_check import settings_notes, settings_read
from hil.engine.terminal_operator import TerminalOperator
from hil.engine.virtual import VirtualPerson, VirtualProcess, VirtualRobotOrder
from hil.errors import BenchError, HilError
from hil.measure.chemistry import cautions_of_battery
from hil.outcomes import Outcome
from hil.plan import route_time_s
from hil.plan.bench_problems import leave_out
from hil.reports.junit import run_to_junit
from hil.reports.markdown import run_to_markdown
from hil.reports.run_json import run_to_json
from hil.results import LineCounts, RobotUnderTest, Route, RunResult, TraceFile
from hil.store.description import ENDED, Ending
from hil.store.runs import new_run_folder, write_whole
from hil.store.trace import TraceReader, TraceWriter
from hil.timing import Clock, SystemClock


@dataclass(slots=True)
class _Opened:
    """What has been opened so far, for the results of a run that ends before it begins."""

    folder: Path
    started: datetime
    route: Route
    line: RobotLine | None = None
    played: Played | None = None
    calibrations: Calibrations = field(default_factory=Calibrations)


def carry_out(order: RunOrder, catalogue: Catalogue, output: TextIO | None = None) -> tuple[RunResult, Path]:
    """Carry out a run and return its result and its folder; progress goes to `output` (standard error).

    Raises what makes a run impossible before anything is recorded: wrong usage, files with mistakes, a port that
    cannot be opened.
    """
    output = output or sys.stderr
    suites, left_out = leave_out(order.suites, order.robot.robot)
    order = replace(order, suites=suites, left_out=left_out)
    reached = reach_robot(order.robot, order.suites, catalogue, order.port, order.ports)
    route = route_of(order.route, order.robot, reached)
    _check_inputs(order, route)
    with ExitStack() as stack:
        stack.enter_context(ended_as_interrupted())
        played = play(order.port, catalogue, stack)
        clock: Clock = played.tape.clock if played else SystemClock()
        began_ns = clock.monotonic_ns()
        opened = _Opened(folder=Path(), started=clock.now(), route=route, played=played)
        ran, writer = _run(order, reached, catalogue, opened, clock, stack, output)
        ending = _ending(opened, ran, (clock.monotonic_ns() - began_ns) / 1e9)
        writer.describe(ENDED, ending.to_json())
    result = _result(order, opened, ran, ending)
    _write(order, opened, result)
    if order.records is not None:
        _keep(order.records, opened, result, catalogue, output)
    return result, opened.folder


def _keep(records: Path, opened: _Opened, result: RunResult, catalogue: Catalogue, output: TextIO) -> None:
    """Write the run's records; where that fails the run is none the worse, and they can be kept later."""
    try:
        keep_records(opened.folder, result, records, catalogue, output)
    except (HilError, OSError) as error:
        output.write(f"hil: no record was written ({error}); 'hil records keep {opened.folder}' does when it can.\n")


def _idle_fault_notes(process: VirtualProcess | None) -> list[str]:
    """Say which faults of the virtual robot never acted: what they would have shown was not shown."""
    idle: tuple[tuple[str, str], ...] = ()
    if process is not None:
        with suppress(BenchError):  # a process that is gone has ended the run already
            idle = process.idle_faults()
    return [f"The fault {fault} never acted in this run: {why}." for fault, why in idle]


def _run(
    order: RunOrder,
    reached: Reached,
    catalogue: Catalogue,
    opened: _Opened,
    clock: Clock,
    stack: ExitStack,
    output: TextIO,
) -> tuple[Ran, TraceWriter]:
    """Open everything on the stack, what is stopped first last, and run the suites; the trace is still open then."""
    process = _start_virtual(order, reached, clock, stack)
    operator = opened.played.person if opened.played else _operator_of(order, process)
    cautions = cautions_of([cautions_of_battery(order.robot.supply), *(suite.cautions for suite in order.suites)])
    if not order.virtual and not order.unattended and not opened.played:
        operator.consent(cautions)
    opened.calibrations = calibrations_for(order, opened.started, process.hello["jig"] if process else None)
    writer = _begun_trace(order, opened, catalogue, clock, stack)
    recorder = Recorder(writer, clock)
    _note_consent(order, opened, recorder, cautions)
    progress = Progress(
        output, clock, route_time_s(order.suites, opened.route), _foretold(opened.route, is_virtual=order.virtual)
    )
    line = opened.line = _line_of(order, reached, opened, process, operator, recorder, clock, progress)
    operator.idle = line.listen
    if opened.played:
        opened.played.keep_step(recorder, line.listen)
    loads = process is None and not opened.played and len(order.robot.programs) > 1
    if loads:
        _load_first(reached, operator, recorder)
    # Only now, when nothing stands between the port and the trace: what a robot says unasked is not kept waiting.
    _open(line, reached, writer)
    stack.callback(line.close)
    bench = _bench_of(order, opened, line, operator, recorder, clock)
    ran = _ran(order, opened, bench, progress, reached.first.load_s if loads else 0.0)
    return replace(ran, notes=(*order.left_out, *ran.notes, *_idle_fault_notes(process))), writer


def _ran(order: RunOrder, opened: _Opened, bench: Bench, progress: Progress, starts_within_s: float) -> Ran:
    """Run the suites on an open bench, whose program may take `starts_within_s` to speak."""
    return Runner(
        bench,
        order.suites,
        progress,
        lambda: look_at_records(order, opened.folder, opened.started, bench),
        reads_settings=opened.played is None or opened.played.has_settings,
        starts_within_s=starts_within_s,
    ).run()


def _bench_of(
    order: RunOrder, opened: _Opened, line: RobotLine, operator: Operator, recorder: Recorder, clock: Clock
) -> Bench:
    return Bench(
        robot_file=order.robot,
        robot=order.robot.robot,
        line=line,
        operator=operator,
        recorder=recorder,
        clock=clock,
        route=opened.route,
        calibrations=opened.calibrations,
        host_is_real=_is_paced(order, opened),
    )


def _begun_trace(order: RunOrder, opened: _Opened, catalogue: Catalogue, clock: Clock, stack: ExitStack) -> TraceWriter:
    """Make the run's folder, keep in it what the run is made from, and begin its trace."""
    opened.folder = new_run_folder(order.runs, opened.started, order.robot.robot.name)
    described = keep_beginning(opened.folder, _beginning(order, opened), catalogue)
    writer = stack.enter_context(TraceWriter(opened.folder / "trace.sqlite", clock, described))
    _describe(writer, order)
    return writer


def _note_consent(order: RunOrder, opened: _Opened, recorder: Recorder, cautions: Sequence[str]) -> None:
    """Record who agreed to the cautions, where somebody had to."""
    if not order.virtual and not opened.played:
        given = "by option: unattended" if order.unattended else "by the operator"
        recorder.note("consent", given, {"cautions": list(cautions)})


def _load_first(reached: Reached, operator: Operator, recorder: Recorder) -> None:
    """Have the first program loaded into a robot that carries one of several: nobody knows which."""
    recorder.note("load", reached.first.name, {"before": "", "protocol": reached.first.protocol})
    operator.load(reached.first)


def _foretold(route: Route, *, is_virtual: bool) -> str:
    """Return the words around the time that a run is expected to take: whose time it is."""
    if route is Route.TELEMETRY:
        return "the robot will drive about {}"
    return "a person would need about {} with it" if is_virtual else "robot and person will need about {}"


def _line_of(
    order: RunOrder,
    reached: Reached,
    opened: _Opened,
    process: VirtualProcess | None,
    operator: Operator,
    recorder: Recorder,
    clock: Clock,
    progress: Progress,
) -> RobotLine:
    """Return the line to the robot, not yet open."""
    greeting = Greeting(
        robot_file=order.robot,
        dialects=reached.dialects,
        recorder=recorder,
        clock=clock,
        wants_telemetry=opened.route is not Route.OPERATOR,
    )
    setting = LineSetting(
        recorder=recorder,
        operator=operator,
        clock=clock,
        greeting=greeting,
        say=progress.say,
        is_virtual=order.robot.virtual,
        virtual_name=f"virtual {order.robot.robot.serial}",
        where=process.where if process else None,
    )
    return RobotLine(reached.reaches, setting)


def _open(line: RobotLine, reached: Reached, writer: TraceWriter) -> None:
    """Open the port; where that fails nothing was recorded, and the folder made for it goes again."""
    try:
        line.open(reached.first)
    except BaseException:
        writer.close()
        shutil.rmtree(writer.path.parent, ignore_errors=True)
        raise


def _beginning(order: RunOrder, opened: _Opened) -> Beginning:
    return Beginning(
        robot=order.robot,
        suites=order.suites,
        route=opened.route,
        calibrations=opened.calibrations.kept(),
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
        environment=order.environment,
        loaded={"name": order.loaded.name, "sha256": order.loaded.sha256} if order.loaded else {},
    )


def _is_paced(order: RunOrder, opened: _Opened) -> bool:
    """Whether the host's clock tells the robot's time; a virtual robot drives as fast as the machine can."""
    return opened.played.run.description.is_paced if opened.played else not order.virtual


def _start_virtual(order: RunOrder, reached: Reached, clock: Clock, stack: ExitStack) -> VirtualProcess | None:
    if not order.virtual:
        return None
    request = VirtualRobotOrder(
        robot_file=order.robot.file,
        protocol_file=reached.files[reached.first.name],
        course_file=order.suites[0].cases[0].course_file,
        seed=order.seed,
        faults=order.faults,
        truth_file=order.truth_file,
        unseen=order.unseen,
        program=reached.first.name,
        protocols=reached.files,
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


def _describe(writer: TraceWriter, order: RunOrder) -> None:
    writer.describe("tool", __version__)
    writer.describe(
        "robot", {"name": order.robot.robot.name, "file": order.robot.file.name, "sha256": order.robot.digest}
    )
    writer.describe("suites", [{"name": suite.name, "sha256": suite.digest} for suite in order.suites])
    writer.describe("faults", list(order.faults))
    writer.describe("seed", order.seed if order.virtual else None)


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
    if opened.line is not None:
        lines, robot_s = opened.line.totals.lines, opened.line.totals.known_robot_s
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
        environment=order.environment,
        settings=settings_read(ran.settings, order.robot.settings),
        loaded=order.loaded,
        notes=(
            *([opened.played.note] if opened.played else ()),
            *ending.notes,
            *settings_notes(ran.settings, order.robot.settings),
            *calibration_notes(robot, opened.calibrations.kept(), order.suites, opened.route),
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
