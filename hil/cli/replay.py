"""`hil replay`: measure and judge a run again from its trace, without a robot."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from hil.errors import UsageError

if TYPE_CHECKING:
    from hil.results import RunResult

_HELP = """Measure and judge a run again from its trace, without a robot.

RUN is the folder of a run, or the trace.sqlite in it. The files of the run are taken from its folder, so that the same
version of hil gives the same numbers to the last digit. A run that was killed is judged as far as its trace goes:
cases that were cut off are skipped, with the reason.

\b
  hil replay runs/2026-05-01-101500-maple
  hil replay runs/2026-05-01-101500-maple --suite strict.suite.yaml

With --suite the cases of other suites are held against the records; a case is found by the names of its suite and
itself. Such a suite may have other tolerances and other measurements. With --robot another geometry is used, with
--calibration other sensor calibrations. What the trace does not hold is said.

Nothing is written unless --runs, --report, --junit or --json ask for it, and never into the run.

\b
Exit status: as of hil run.
"""


@click.command(help=_HELP, short_help="Measure and judge a run again from its trace.")
@click.argument("run", type=click.Path(path_type=Path), metavar="RUN")
@click.option("--suite", "suites", multiple=True, metavar="FILE_OR_NAME", help="Judge by this suite; several may be.")
@click.option("--robot", metavar="FILE_OR_NAME", default="", help="Take the geometry from this robot file.")
@click.option("--calibration", type=click.Path(path_type=Path), metavar="FILE", help="Take these calibrations.")
@click.option("--runs", type=click.Path(path_type=Path), metavar="DIR", help="Write a folder with the results here.")
@click.option("--report", type=click.Path(path_type=Path), metavar="FILE", help="Write the report for people here.")
@click.option("--junit", type=click.Path(path_type=Path), metavar="FILE", help="Write the JUnit XML here.")
@click.option("--json", "as_json", is_flag=True, help="Print run.json on standard output, all else on standard error.")
def replay(
    run: Path,
    suites: tuple[str, ...],
    robot: str,
    calibration: Path | None,
    runs: Path | None,
    report: Path | None,
    junit: Path | None,
    as_json: bool,
) -> int:
    """Judge the run again and print what came of it; the text a user sees is `_HELP`."""
    _check_places(report, junit)
    from hil.catalogue import Catalogue
    from hil.engine.kept_run import Changes, open_run
    from hil.engine.replay import replay as judge_again
    from hil.reports.run_json import run_to_json
    from hil.reports.terminal import run_table

    kept = open_run(run, Changes(suites=suites, robot=robot, calibration=calibration), Catalogue())
    for place in (runs, report, junit):
        _refuse_inside(place, kept.folder)
    result = judge_again(kept)
    _write(result, runs, report, junit)
    if as_json:
        click.echo(run_to_json(result))
    click.echo(run_table(result), err=as_json)
    if result.reason:
        sys.stdout.flush()
        click.echo(f"hil: {result.reason}", err=True)
    return result.exit_status


def _check_places(*places: Path | None) -> None:
    for place in places:
        if place is not None and not place.parent.is_dir():
            raise UsageError("there is no such folder", where=str(place.parent), expected=f"one for {place.name}")


def _refuse_inside(place: Path | None, folder: Path) -> None:
    """Refuse to write into the run that is judged again: it stays as it was made."""
    if place is not None and place.resolve().is_relative_to(folder.resolve()):
        raise UsageError(
            "this lies in the run that is judged again, which is never written to",
            where=str(place),
            expected="a place outside of it",
        )


def _write(result: RunResult, runs: Path | None, report: Path | None, junit: Path | None) -> None:
    from hil.reports.junit import run_to_junit
    from hil.reports.markdown import run_to_markdown
    from hil.reports.run_json import run_to_json
    from hil.store.runs import new_run_folder, write_whole
    from hil.timing import SystemClock

    if runs is not None:
        folder = new_run_folder(runs, SystemClock().now(), f"{result.robot.name}-replay")
        write_whole(folder / "run.json", run_to_json(result))
        write_whole(folder / "report.md", run_to_markdown(result))
        write_whole(folder / "junit.xml", run_to_junit(result))
        click.echo(f"The results are in {folder}", err=True)
    if report is not None:
        write_whole(report, run_to_markdown(result))
    if junit is not None:
        write_whole(junit, run_to_junit(result))
