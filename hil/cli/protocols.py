"""The protocols that commands without a named one try: those shipped, and the user's own in the working folder."""

from __future__ import annotations

from collections.abc import Sequence

import click

from hil.catalogue import Catalogue
from hil.engine.port_survey import RateHeard
from hil.engine.recognising import Fit
from hil.errors import FileMistakes
from hil.quantities import counted
from hil.spec.kinds import Kind
from hil.spec.loading import load_protocol
from hil.transports.port_names import has_no_line
from hil.wire.dialect import Dialect


def all_dialects(named: str | None) -> tuple[Catalogue, dict[str, Dialect]]:
    """Return the catalogue and, unless one protocol is `named`, every protocol that can be read, by its name."""
    catalogue = Catalogue()
    found: dict[str, Dialect] = {}
    for name in [] if named else catalogue.names(Kind.PROTOCOL):
        try:
            found[name] = load_protocol(catalogue.find(Kind.PROTOCOL, name))
        except FileMistakes as error:  # one's own unfinished file is no reason not to listen with the others
            click.echo(f"{name} is left out: {error.what}", err=True)
    return catalogue, found


def fit_lines(fits: Sequence[Fit], rates: Sequence[RateHeard], url: str = "") -> list[str]:
    """Return what was heard and how each protocol fits it, a line each."""
    lines = []
    for one in rates:
        at = "" if url and has_no_line(url) else f" at {one.baud} baud"
        what = f"{counted(one.total, 'byte')}, {100 * one.text_share:.0f} % text" if one.total else "nothing came"
        lines.append(f"  {what}{at}")
    for fit in fits:
        if fit.good or fit.bad:
            verdict = "fits" if fit.fits else "does not fit"
            lines.append(f"  {fit.protocol}: {counted(fit.good, 'good line')}, {counted(fit.bad, 'other')}, {verdict}")
    return lines
