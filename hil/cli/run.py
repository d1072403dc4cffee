"""`hil run`: drive suites on a robot, judge them and write the report."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from hil.cli.bench_options import Asked, bench_of, bench_options
from hil.errors import UsageError

if TYPE_CHECKING:
    from hil.catalogue import Catalogue
    from hil.engine.kept_run import KeptRun
    from hil.results import RunResult
    from hil.spec.robot_values import RobotFile
    from hil.spec.suite_values import Suite

_HELP = """Drive suites on a robot, judge them and write the report.

SUITE is the name of a shipped suite, a suite file, or one case of it, as in straight-line/blind-legs.
With no SUITE the three driving suites are run: straight-line, u-turn and front-wall-reset.

A robot must be named: --virtual for the virtual robot, or --robot with a robot file (or the name of a
shipped one) and the port it is on. The port may also stand in the robot file. With --virtual --robot NAME
another virtual robot is started: virtual-block, virtual-menu, virtual-shuttle, virtual-prints or virtual-logger.

\b
Examples:
  hil run --virtual
  hil run --virtual straight-line --fault wheel-mismatch='1 %' --seed 7
  hil run u-turn --robot mine.robot.yaml --port /dev/ttyUSB0
  hil run --robot mine.robot.yaml --route operator

\b
Ports: a device such as /dev/ttyUSB0, socket://HOST:PORT, rfc2217://HOST:PORT, loop://, or trace:RUN, which plays
the trace of a run (its folder) as the robot and its person did then; robot, suites, route and calibrations are
that run's where they are not named

\b
Faults of the virtual robot (several may be given):
{faults}

\b
Examples of the bench:
  hil run wall-sensors --robot mine.robot.yaml --surface matt-white --environment temperature='21 degC'
  hil run u-turn --robot mine.robot.yaml --settings-file walls.h

What a case keeps of the bench (calibrations by surface, encoders, supply, loop timing) is written to the records
and used by the runs that come; see 'hil records --help'.

Every run leaves a folder under --runs: run.json, the trace of everything that crossed the port, report.md,
junit.xml, and the files it was made from. Nothing recorded is lost, also at an error or Ctrl-C; the robot
is stopped on every way out.

\b
Exit status:
  0    everything passed
  1    something failed: the robot's fault
  2    wrong usage, or mistakes in the files given
  3    the bench failed: port, file, operator or tool
  4    nothing failed, but something was undecided or skipped, or nothing was asserted
  130  interrupted
"""

_TRACE = "trace:"
DEFAULT_SUITES = ("straight-line", "u-turn", "front-wall-reset")


class _RunCommand(click.Command):
    """A command whose help lists the faults; their table loads only when the help is asked for."""

    def get_help(self, ctx: click.Context) -> str:
        from hil.simulator.faults import FAULTS

        rows = [f"{name}={spec.example}" for name, spec in FAULTS.items()]
        width = max(map(len, rows)) + 2
        lines = [f"  {row:<{width}}{spec.meaning}" for row, spec in zip(rows, FAULTS.values(), strict=True)]
        self.help = _HELP.format(faults="\n".join(lines))
        return super().get_help(ctx)


@click.command(cls=_RunCommand, help=_HELP)
@click.argument("suites", nargs=-1, metavar="[SUITE]...")
@click.option("--virtual", is_flag=True, help="Start the virtual robot and run on it.")
@click.option("--robot", metavar="FILE_OR_NAME", help="The robot file, or the name of one.")
@click.option(
    "--port",
    "given_ports",
    multiple=True,
    metavar="[PROGRAM=]URL",
    help="The robot's port, instead of the one in the robot file; of one of its programs, where one is named.",
)
@click.option("--fault", "faults", multiple=True, metavar="NAME=VALUE", help="A fault of the virtual robot.")
@click.option(
    "--seed", type=click.IntRange(0, 2**31 - 1), default=1, show_default=True, help="Seed of the virtual robot."
)
@click.option(
    "--runs",
    type=click.Path(path_type=Path),
    default=Path("runs"),
    show_default=True,
    metavar="DIR",
    help="Where the run's folder is made.",
)
@click.option("--junit", type=click.Path(path_type=Path), metavar="FILE", help="Write the JUnit XML here too.")
@click.option(
    "--answers", type=click.Path(path_type=Path), metavar="FILE", help="Take the operator's answers from a file."
)
@click.option(
    "--calibration",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Sensor calibrations to use (calibration.json of a run).",
)
@click.option(
    "--route",
    type=click.Choice(["telemetry", "operator", "both"]),
    help="Take the numbers from the robot, the person, or both.  [default: the robot, where it reports them]",
)
@click.option(
    "--unattended",
    is_flag=True,
    help="Ask for no consent: somebody has made the bench safe. Answers come from --answers only.",
)
@click.option(
    "--surface",
    "surfaces",
    multiple=True,
    metavar="NAME",
    help="Go over this surface, in the place of the suites' own; may be given several times.",
)
@bench_options
@click.option("--json", "as_json", is_flag=True, help="Print run.json on standard output, all else on standard error.")
@click.option("--truth", type=click.Path(path_type=Path), hidden=True, help="For studies of hil itself.")
def run(
    suites: tuple[str, ...],
    virtual: bool,
    robot: str | None,
    given_ports: tuple[str, ...],
    faults: tuple[str, ...],
    seed: int,
    runs: Path,
    junit: Path | None,
    answers: Path | None,
    calibration: Path | None,
    route: str | None,
    unattended: bool,
    surfaces: tuple[str, ...],
    bench: Asked,
    as_json: bool,
    truth: Path | None,
) -> int:
    """Check the command line, carry the run out, and print what came of it."""
    port, ports = _ports(given_ports)
    _check_usage(virtual, robot, port or next(iter(ports.values()), ""), faults, truth, junit)
    from hil.engine.run import carry_out
    from hil.engine.run_order import RunOrder
    from hil.results import Route

    catalogue, kept = _files(port)
    if kept is not None and not robot:
        catalogue, robot_file = kept.files, kept.robot_file
        loaded = _load(catalogue, str(robot_file.file), suites)[1] if suites else kept.suites
        calibration = calibration or kept.folder / "calibration.json"
        route = route or kept.description.route.value
    else:
        robot_file, loaded = _load(catalogue, robot or "virtual", suites or DEFAULT_SUITES)
    _check_robot(robot_file, virtual=virtual, has_port=bool(port or ports))
    if surfaces:
        loaded = _on_surfaces(loaded, surfaces)
    asked = bench_of(bench, robot_file, runs, kept)
    order = RunOrder(
        robot=robot_file,
        suites=loaded,
        virtual=virtual,
        runs=runs,
        port=port,
        ports=ports,
        faults=faults,
        seed=seed,
        answers=answers,
        calibration=calibration,
        unattended=unattended,
        route=Route(route) if route else None,
        truth_file=truth,
        junit=junit,
        records=asked.records,
        is_old_good=asked.is_old_good,
        environment=asked.environment,
        loaded=asked.loaded,
    )
    result, folder = carry_out(order, catalogue)
    _tell(result, folder, as_json=as_json)
    return result.exit_status


def _on_surfaces(suites: tuple[Suite, ...], surfaces: tuple[str, ...]) -> tuple[Suite, ...]:
    """Return the suites with their rounds over these surfaces; refuse names that are none, or stand twice."""
    from hil.spec.bench_steps import EACH
    from hil.spec.texts import is_surface

    for number, name in enumerate(surfaces):
        is_twice = name.lower() in (one.lower() for one in surfaces[:number])
        if is_twice or not is_surface(name) or name.lower() == EACH:
            raise UsageError(
                "this surface is named twice" if is_twice else "that is no name of a surface",
                where=f"--surface {name}",
                expected="each surface once, by a name such as matt-grey",
            )
    if not any(suite.is_over_surfaces for suite in suites):
        raise UsageError(
            "no case of these suites is repeated over surfaces",
            where=f"--surface {surfaces[0]}",
            expected="a suite such as wall-sensors, with 'repeat: {over: surfaces}'",
        )
    return tuple(suite.on_surfaces(surfaces) if suite.is_over_surfaces else suite for suite in suites)


def _check_robot(robot_file: RobotFile, *, virtual: bool, has_port: bool) -> None:
    """Refuse a robot file that is not of the kind of robot asked for, and a real robot without a port."""
    if virtual and not robot_file.virtual:
        raise UsageError(
            "this robot file is of a real robot, and --virtual starts the simulator",
            where=str(robot_file.file),
            expected="a robot file with 'virtual: yes' in it",
            todo="Leave --virtual out and name the robot's port",
        )
    if not virtual and not has_port and not any(program.port for program in robot_file.programs.values()):
        raise UsageError(
            "no port is named",
            where=f"robot {robot_file.robot.name}",
            expected="--port URL, or 'port' under its program in the robot file",
            todo="Plug the robot in and name its port, or use --virtual",
        )


def _tell(result: RunResult, folder: Path, *, as_json: bool) -> None:
    """Print what came of a run: the table, and with `as_json` its JSON alone on standard output."""
    from hil.reports.run_json import run_to_json
    from hil.reports.terminal import run_table
    from hil.reports.wording import NOTHING_SHOWN

    if as_json:
        click.echo(run_to_json(result))
    table = run_table(result)
    click.echo(table, err=as_json)
    click.echo(f"Everything is in {folder}", err=as_json)
    sys.stdout.flush()
    if result.reason:
        click.echo(f"hil: {result.reason}", err=True)
    elif result.shows_nothing:
        click.echo(f"hil: {NOTHING_SHOWN[:1].lower()}{NOTHING_SHOWN[1:]}", err=True)


def _ports(given: tuple[str, ...]) -> tuple[str, dict[str, str]]:
    """Return the address for all programs, "" where none is given, and those of single ones by name."""
    ports: dict[str, str] = {}
    port = ""
    for text in given:
        program, found, url = text.partition("=")
        # An address may hold an equals sign behind a question mark; a program's name holds none of these signs.
        named = bool(found) and not set(program) & set(":/?@\\")
        if (named and program in ports) or (not named and port):
            raise UsageError("a port is given twice", where=f"--port {text}", expected="one for each program")
        if named:
            ports[program] = url
        else:
            port = text
    return port, ports


def _check_usage(
    virtual: bool,
    robot: str | None,
    port: str,
    faults: tuple[str, ...],
    truth: Path | None,
    junit: Path | None,
) -> None:
    """Refuse options that mean nothing beside each other, and a folder that is not there."""
    if junit is not None and not junit.parent.is_dir():
        raise UsageError("there is no such folder", where=str(junit.parent), expected="one for the JUnit XML (--junit)")
    if not virtual and not robot and not port.startswith(_TRACE):
        raise UsageError(
            "no robot is named",
            expected="--virtual, or --robot with a robot file and its port",
            todo="See 'hil run --help'",
        )
    if virtual and port:
        raise UsageError(
            "--port is given for the virtual robot, which makes its own",
            expected="--virtual alone, or --robot virtual --port URL for one served by 'hil simulate'",
            todo="Leave one out",
        )
    if (faults or truth) and not virtual:
        raise UsageError(
            "faults can only be given to the virtual robot" if faults else "only the virtual robot knows its truth",
            expected="--virtual",
            todo="Leave it out for a real robot",
        )
    if faults:
        from hil.simulator.faults import parse_faults

        parse_faults(faults)  # wrong names and values are said before anything is started


def _files(port: str) -> tuple[Catalogue, KeptRun | None]:
    """Return where files are looked for, and the run whose trace is played where the port names one."""
    from hil.catalogue import Catalogue
    from hil.engine.playing import kept_run_of

    catalogue = Catalogue()
    return catalogue, kept_run_of(port, catalogue) if port.startswith(_TRACE) else None


def _load(catalogue: Catalogue, robot: str, wanted: tuple[str, ...]) -> tuple[RobotFile, tuple[Suite, ...]]:
    """Load the robot and the suites; all mistakes of all files are told together."""
    from dataclasses import replace

    from hil.spec.kinds import Kind
    from hil.spec.loading import load_many

    parts = [_split(name) for name in wanted]
    robot_path = catalogue.find(Kind.ROBOT, robot)
    paths = [catalogue.find(Kind.SUITE, name) for name, _ in parts]
    loaded = load_many([robot_path, *dict.fromkeys(paths)], catalogue)
    robot_file, by_file = loaded.robots[0], {suite.file.resolve(): suite for suite in loaded.suites}
    suites = [by_file[path.resolve()] for path in paths]
    chosen = []
    for suite, (name, case_name) in zip(suites, parts, strict=True):
        if not case_name:
            chosen.append(suite)
            continue
        case = suite.case(case_name)
        if case is None:
            known = ", ".join(case.name for case in suite.cases)
            raise UsageError(
                f"the suite {name} has no case '{case_name}'", where=str(suite.file), expected=f"one of {known}"
            )
        chosen.append(replace(suite, cases=(replace(case, needs=()),)))
    return robot_file, tuple(chosen)


def _split(name: str) -> tuple[str, str]:
    """Split `suite/case`; a path to a suite file stays whole."""
    if name.endswith(".yaml") or "/" not in name:
        return name, ""
    suite, _, case = name.rpartition("/")
    return suite, case
