"""The `hil` command. It stays light: the module of a command is imported when that command is called."""

from __future__ import annotations

import importlib
import io
import os
import sys
from collections.abc import Sequence
from typing import cast

import click

from hil import __version__
from hil.errors import HilError

# name -> (module, attribute, the line shown by `hil --help`)
_COMMANDS = {
    "run": ("hil.cli.run", "run", "Drive suites on a robot, judge them and write the report."),
    "check": ("hil.cli.check", "check", "Check files and show what would be done, without a robot."),
    "simulate": ("hil.cli.simulate", "simulate", "Serve a virtual robot on a port until Ctrl-C."),
    "init": ("hil.cli.init", "init", "Make a folder for your robot: listen to its port and ask a dozen questions."),
    "ports": ("hil.cli.ports", "ports", "List the ports a robot may be on, with what is known of each."),
    "listen": ("hil.cli.listen", "listen", "Show what comes from a port, decoded, with hints at what may be wrong."),
    "watch": ("hil.cli.watch", "watch", "Show encoders, walls, supply or loop timing live, while you adjust them."),
    "records": ("hil.cli.records", "records", "Look at the bench's records, and write their numbers for a firmware."),
    "replay": ("hil.cli.replay", "replay", "Measure and judge a run again from its trace."),
    "export": ("hil.cli.export", "export", "Write a run's decoded channels as tables."),
    "study": ("hil.cli.study", "study", "Repeat runs on virtual robots: seeds, faults, coverage."),
}

_HELP = """Test a small maze-running robot over its serial debug port.

hil drives a robot through suites of cases, records everything, computes measurements with their
uncertainties, holds each against a tolerance and reports what passed, what failed and what could not be decided.

\b
  hil run --virtual                  the three driving suites on the virtual robot
  hil run u-turn --robot mine.robot.yaml --port /dev/ttyUSB0
  hil check mine.robot.yaml my.suite.yaml

\b
Exit status of `hil run`:
  0  everything passed
  1  something failed: the robot's fault
  2  wrong usage, or mistakes in the files given
  3  the bench failed: port, file, operator or tool
  4  nothing failed, but something was undecided or skipped, or nothing was asserted
  130  interrupted; the robot was stopped and the recording kept
"""


class _LateGroup(click.Group):
    """A group that knows the names and one-line helps of its commands and imports a command only to call it."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(_COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in _COMMANDS:
            return None
        module, attribute, _ = _COMMANDS[cmd_name]
        command = getattr(importlib.import_module(module), attribute)
        return cast(click.Command, command)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, line) for name, (_, _, line) in _COMMANDS.items()])


@click.group(
    cls=_LateGroup, help=_HELP, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100}
)
@click.version_option(__version__, prog_name="hil")
def hil() -> None:
    """Group of all commands; the text a user sees is `_HELP`."""


def main(arguments: Sequence[str] | None = None) -> None:
    """Run the command line and leave with its exit status; every error a person can act on is one sentence."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")  # a terminal that cannot show ± still shows the rest
    try:
        status = hil.main(args=arguments, standalone_mode=False)
    except click.exceptions.Exit as leaving:
        status = leaving.exit_code
    except click.ClickException as error:
        error.show()
        status = 2
    except (KeyboardInterrupt, click.Abort):
        click.echo("hil: interrupted.", err=True)
        status = 130
    except HilError as error:
        click.echo(f"hil: {error}", err=True)
        status = error.exit_status
    except BrokenPipeError:
        # The reader of our output has gone; what is still buffered has nowhere to go.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        status = 3
    except OSError as error:
        if os.environ.get("HIL_TRACEBACK"):
            raise
        what = error.strerror or str(error)
        click.echo(
            f"hil: what was to be written or read cannot be ({what}): {error.filename or 'the output'}.", err=True
        )
        status = 3
    except Exception as error:
        if os.environ.get("HIL_TRACEBACK"):
            raise
        where = f"{type(error).__name__}: {error}"
        click.echo(
            f"hil: this is a fault of hil itself ({where}). Set HIL_TRACEBACK=1 to see where, and report it.", err=True
        )
        status = 3
    sys.exit(status if isinstance(status, int) else 0)


if __name__ == "__main__":
    main()
