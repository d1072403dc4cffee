"""`hil ports`: the ports of this machine, with everything known of each."""

from __future__ import annotations

import json
from dataclasses import asdict
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from hil.transports.candidates import Candidate

_HELP = """List the ports of this machine that a robot may be on, with what is known of each.

Nothing is opened, so that no board is restarted. With PORTs only those are described, whether the system lists them or
not; one that is not there is told, and the exit status is 3. For every port: what kind it is and what that means for
opening it, the numbers that name its USB device, a name that stays when the port's number changes, who has it open,
and which service of the system may take it.

\b
  hil ports
  hil ports /dev/ttyUSB0 --json
"""

NO_PORTS = (
    "No port was found. Check that the robot is switched on, that the cable carries data (many only charge), and with\n"
    "a Bluetooth robot that it is paired. On Linux, 'dmesg | tail' right after plugging in says what the system saw.\n"
    "A port on the network (socket://HOST:PORT) or a virtual robot's ('hil simulate') is named by its address."
)


@click.command(help=_HELP)
@click.argument("names", nargs=-1, metavar="[PORT]...")
@click.option("--json", "as_json", is_flag=True, help="Print a list of objects.")
def ports(names: tuple[str, ...], as_json: bool) -> None:
    """Print the candidates; the text a user sees is `_HELP`."""
    from hil.transports.candidates import describe_port, find_candidates
    from hil.transports.port_names import why_absent
    from hil.transports.services import probers

    troubles = [trouble for trouble in map(why_absent, names) if trouble is not None]
    absent = {trouble.where for trouble in troubles}
    found = tuple(describe_port(name) for name in names if name not in absent) if names else find_candidates()
    services = probers()
    if as_json:
        click.echo(json.dumps([_as_json(candidate, services) for candidate in found], indent=2))
    elif not found and not names:
        click.echo(NO_PORTS)
    else:
        for candidate in found:
            click.echo("\n".join(lines_of(candidate, services)))
    for trouble in troubles[:-1]:
        click.echo(f"hil: {trouble}", err=True)
    if troubles:
        raise troubles[-1]


def lines_of(candidate: Candidate, services: tuple[str, ...]) -> list[str]:
    """Return what is said of one port: its name and kind, then what is known, a line each."""
    from hil.reports.wording import visible
    from hil.transports.services import prober_hint

    rows = [
        ("what", candidate.description or candidate.product),
        ("made by", candidate.manufacturer),
        ("USB", candidate.usb_id),
        ("serial number", candidate.serial_number),
        ("interface", candidate.interface),
        ("location", candidate.location),
        ("driver", candidate.driver),
        ("stays named", candidate.by_id),
        ("open with", candidate.opens_as),
        ("held by", ", ".join(candidate.holders)),
        ("note", candidate.kind.advice),
    ]
    if candidate.vid is not None:
        rows += [("service", prober_hint(name, candidate.vid, candidate.pid)) for name in services]
    head = f"{visible(candidate.device)}  ({candidate.kind})"
    return [head, *(f"    {name:<14}{visible(text)}" for name, text in rows if text)]


def _as_json(candidate: Candidate, services: tuple[str, ...]) -> dict[str, object]:
    values = asdict(candidate)
    values["usb_id"] = candidate.usb_id
    values["services"] = list(services) if candidate.vid is not None else []
    return values
