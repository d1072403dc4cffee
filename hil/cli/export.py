"""`hil export`: the decoded channels of a run as tables for other programs."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from hil.errors import UsageError
from hil.quantities import counted

if TYPE_CHECKING:
    from collections.abc import Mapping

    from hil.measure.series import Speech

_HELP = """Write what a run recorded as tables: one a message, one of events and marks, one of answers.

RUN is the folder of a run, or the trace.sqlite in it. Each row has the host's time from the beginning of the trace
(host_s), the robot's unwrapped time where it tells one (time_s), and port, program, case, drive and repeat. Units
stand in the headings of csv, and in the columns' metadata of parquet. Numbers read back exactly; counters wrap as they
do in the firmware.

\b
  hil export runs/2026-05-01-101500-maple --to csv
  hil export runs/2026-05-01-101500-maple --to parquet --out tables --channels encoder.left,encoder.right
"""


@click.command(help=_HELP, short_help="Write a run's decoded channels as tables.")
@click.argument("run", type=click.Path(path_type=Path), metavar="RUN")
@click.option("--to", "form", type=click.Choice(["csv", "parquet"]), default="csv", show_default=True, help="The form.")
@click.option(
    "--out", type=click.Path(path_type=Path), metavar="DIR", help="Where to.  [default: RUN's name with -csv]"
)
@click.option("--channels", default="", metavar="A,B", help="These channels only.  [default: all]")
def export(run: Path, form: str, out: Path | None, channels: str) -> None:
    """Write the tables and say which; the text a user sees is `_HELP`."""
    from hil.catalogue import Catalogue
    from hil.engine.kept_run import Changes, open_run
    from hil.measure.tables import TraceTables
    from hil.store.table_files import TableFiles
    from hil.store.trace import TraceReader

    kept = open_run(run, Changes(), Catalogue(), is_judged=False)
    folder = out or Path(f"{kept.description.run_id}-{form}")
    if folder.resolve().is_relative_to(kept.folder.resolve()):
        raise UsageError(
            "this lies in the run, which is never written to", where=str(folder), expected="a place outside of it"
        )
    speech = kept.speech
    wanted = _wanted(channels, speech)
    with TraceReader(kept.trace) as reader, TableFiles(folder, form) as files:
        started = reader.meta.get("started_ns", 0)
        tables = TraceTables(speech, started if isinstance(started, int) else 0, wanted)
        for table, row in tables.rows(reader):
            files.add(table, row)
    for path, count in files.written:
        click.echo(f"{path}: {counted(count, 'row')}")
    if not files.written:
        click.echo("The trace holds nothing to be written.")


def _wanted(channels: str, speech: Mapping[str, Speech]) -> list[str]:
    wanted = [name.strip() for name in channels.split(",") if name.strip()]
    known = {spec.name for one in speech.values() for message in one.dialect.messages for spec in message.fields}
    for name in wanted:
        if name not in known:
            raise UsageError(
                f"no message of the run carries '{name}'",
                where="--channels",
                expected=f"some of {', '.join(sorted(known))}",
            )
    return wanted
