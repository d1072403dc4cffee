"""`hil listen`: what comes from a port, decoded, live, with a word about what may be wrong."""

from __future__ import annotations

import shutil
import sys
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import click

from hil.errors import HilError, PortLost, UsageError
from hil.quantities import counted

if TYPE_CHECKING:
    from hil.cli.listen_view import Block
    from hil.engine.ear import Ear
    from hil.timing import Clock
    from hil.wire.dialect import Dialect, PortSettings

_HELP = """Show what comes from a port, decoded, until Ctrl-C.

With --protocol every message is shown with its rate and its last values, lost and bad lines are counted with an
example of each, and where the robot tells the time, its clock is held against this machine's. Without a protocol the
port is listened to at the rate of every protocol known, and the one that fits is taken.

Nothing is sent, so nothing moves. --ask sends the protocol's requests for its name and its values, which no wheel
turns for, and measures how long an answer takes.

\b
  hil listen /dev/ttyUSB0 --protocol plain-prints
  hil listen /dev/ttyACM0 --raw --for '10 s'
  hil listen /dev/ttyUSB0 --try-bauds
  hil listen socket://127.0.0.1:4000 --protocol tagged-lines --ask

At a terminal the values are drawn in place; elsewhere, or with --plain, one line is printed a second.
"""

DRAW_EVERY_S = 0.2
LINE_EVERY_S = 1.0
_LOOK_S = 0.05
_ASKED_PERIOD_S = 0.02
_LINES = ("keep", "on", "off", "pulse")


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """How long to listen and how to show it; 0 stands for no end."""

    for_s: float
    lines: int
    raw: bool
    plain: bool
    ask: bool


def _duration_s(_: click.Context, __: click.Parameter, value: str | None) -> float:
    from hil.quantities import QuantityError, parse_quantity

    if value is None:
        return 0.0
    try:
        quantity = parse_quantity(value)
        found = quantity.to("s") if quantity.unit else quantity.value
    except QuantityError as error:
        raise click.BadParameter(f"{error}") from None
    if not found > 0:
        raise click.BadParameter("it is to be above 0 s")
    return found


@click.command(help=_HELP)
@click.argument("port", metavar="PORT")
@click.option("--protocol", metavar="FILE_OR_NAME", help="The protocol it speaks.  [default: the one that fits]")
@click.option("--raw", is_flag=True, help="Show the bytes, in hexadecimal and as text.")
@click.option("--baud", type=click.IntRange(50, 20_000_000), help="Another rate than the protocol's.")
@click.option("--dtr", type=click.Choice(_LINES), help="What is done with DTR at opening.  [default: the protocol's]")
@click.option("--rts", type=click.Choice(_LINES), help="What is done with RTS at opening.  [default: the protocol's]")
@click.option("--for", "for_s", metavar="TIME", callback=_duration_s, help="End after so long, such as '10 s'.")
@click.option("--lines", type=click.IntRange(1), default=None, help="End after so many lines.")
@click.option("--plain", is_flag=True, help="One line a second instead of values drawn in place.")
@click.option("--ask", is_flag=True, help="Send the requests for its name and its values; nothing moves.")
@click.option("--try-bauds", is_flag=True, help="Listen at the usual rates and say at which text comes.")
def listen(
    port: str,
    protocol: str | None,
    raw: bool,
    baud: int | None,
    dtr: str | None,
    rts: str | None,
    for_s: float,
    lines: int | None,
    plain: bool,
    ask: bool,
    try_bauds: bool,
) -> None:
    """Open, listen, show; the text a user sees is `_HELP`."""
    from hil.timing import SystemClock

    if ask and raw:
        raise UsageError("--ask needs a protocol and --raw has none", expected="one of the two")
    clock = SystemClock()
    if try_bauds:
        _try_bauds(port, clock, _with_lines(None, None, dtr, rts))
        return
    wanted = Wanted(for_s=for_s, lines=lines or 0, raw=raw, plain=plain or raw or not sys.stdout.isatty(), ask=ask)
    dialect = None if raw and protocol is None else _dialect(port, protocol, clock, ask)
    settings = _with_lines(dialect, baud, dtr, rts)
    _listen(port, dialect, settings, clock, wanted)


def _with_lines(dialect: Dialect | None, baud: int | None, dtr: str | None, rts: str | None) -> PortSettings:
    from hil.wire.dialect import LineState, PortSettings

    settings = dialect.port if dialect else PortSettings(baud=115200)
    return replace(
        settings,
        baud=baud or settings.baud,
        dtr=LineState(dtr) if dtr else settings.dtr,
        rts=LineState(rts) if rts else settings.rts,
    )


def _dialect(port: str, protocol: str | None, clock: Clock, may_ask: bool) -> Dialect:
    """Return the protocol named, or the shipped or own one that fits what comes (or in which somebody answers)."""
    from hil.cli.protocols import all_dialects, fit_lines
    from hil.engine.port_survey import survey, who_answers
    from hil.spec.kinds import Kind

    catalogue, dialects = all_dialects(protocol)
    if protocol is not None:
        from hil.spec.loading import load_protocol

        return load_protocol(catalogue.find(Kind.PROTOCOL, protocol))
    fits, rates = survey(port, dialects.values(), clock, _say)
    for line in fit_lines(fits, rates, port):
        _say(line)
    if fits and fits[0].fits:
        return dialects[fits[0].protocol]
    something = any(rate.total for rate in rates)
    who = who_answers(port, dialects.values(), clock, _say) if may_ask and not something else None
    if who is None:
        raise UsageError(
            "no protocol known here fits what came" if something else "nothing came to be recognised",
            where=port,
            expected="--protocol FILE_OR_NAME, or --raw"
            if something or may_ask
            else "--ask, for a robot that must be asked",
            todo="See 'hil listen PORT --raw', and 'hil listen PORT --try-bauds'",
        )
    return who[0]


def _say(line: str) -> None:
    click.echo(line, err=True)


def _try_bauds(port: str, clock: Clock, settings: PortSettings) -> None:
    from hil.cli.listen_view import shown_bytes
    from hil.engine.port_survey import LISTEN_S, try_rates
    from hil.transports.port_names import has_no_line

    if has_no_line(port):
        _listen_without_rate(port, clock, settings)
        return
    click.echo(f"Listening at each rate for {LISTEN_S:g} s; the port is opened anew each time.")
    heard = try_rates(port, clock, settings)
    for one in heard:
        what = "nothing" if not one.total else f"{counted(one.total, 'byte')}, {100 * one.text_share:.0f} % text"
        sample = f"   {shown_bytes(one.data.strip()[:40])}" if one.is_text else ""
        click.echo(f"{one.baud:>9} baud  {what}{sample}")
    good = [str(one.baud) for one in heard if one.is_text]
    click.echo(f"Text appears at {' and '.join(good)} baud." if good else "No rate gave text.")


def _listen_without_rate(port: str, clock: Clock, settings: PortSettings) -> None:
    """Listen once to a port that has no rate, and say whether text comes, for which a rate would have been tried."""
    from hil.cli.listen_view import shown_bytes
    from hil.engine.port_survey import LISTEN_S, listen_at
    from hil.transports.port_names import is_pseudo_terminal

    kind = "A pseudo-terminal" if is_pseudo_terminal(port) else "The network" if "://" in port else "A trace"
    click.echo(f"{kind} has no baud rate: what comes is the same at each. Listening once, for {LISTEN_S:g} s.")
    one = listen_at(port, settings, clock)
    if one.is_text:
        sample = shown_bytes(one.data.strip()[:40])
        click.echo(f"{counted(one.total, 'byte')} came, {100 * one.text_share:.0f} % text   {sample}")
    elif one.total:
        click.echo(f"{counted(one.total, 'byte')} came, {100 * one.text_share:.0f} % text; --raw shows them.")
    else:
        click.echo("Nothing came. A robot that must be asked is asked by --ask.")


def _listen(port: str, dialect: Dialect | None, settings: PortSettings, clock: Clock, wanted: Wanted) -> None:
    """Open the port and show what comes until the end that was asked for, Ctrl-C, or the loss of the port."""
    from hil.cli.listen_view import Block
    from hil.engine.ear import Ear
    from hil.transports.port_names import has_no_line
    from hil.transports.serial_url import open_port
    from hil.transports.trace_port import is_trace
    from hil.wire.dialect import Dialect, LineFraming

    known = dialect or Dialect(
        name="bytes", title="no protocol", port=settings, framing=LineFraming(), check=None, messages=(), commands={}
    )
    block = None if wanted.plain else Block(sys.stdout, *shutil.get_terminal_size())
    with open_port(port, settings, clock) as transport:
        ear = Ear(transport, known, clock)
        shows = Shower(ear, dialect, 0 if has_no_line(port) else settings.baud, wanted, block)
        lost: HilError | None = None
        try:
            if wanted.ask:
                _ask(ear)
            shows.until_the_end()
        except KeyboardInterrupt:
            click.echo("", err=True)
        except PortLost as error:
            lost = error
        finally:
            if wanted.ask and lost is None:
                _stop_asking(ear)
        shows.summary()
    if lost is not None and not is_trace(port):  # a trace has an end, which is no loss
        raise lost


def _ask(ear: Ear) -> None:
    """Ask for the name a few times, which tells how long an answer takes, and for the values."""
    from hil.cli.listen_view import shown_bytes
    from hil.engine.ear import first_questions

    for line in first_questions(ear, _ASKED_PERIOD_S):
        _say(shown_bytes(line.encode("utf-8", "replace"), 400))


def _stop_asking(ear: Ear) -> None:
    from hil.errors import BenchError

    if "stream" in ear.listening.dialect.commands:
        try:
            ear.ask("stream", {"period": 0.0})
        except BenchError as error:
            _say(f"the robot could not be told to stop sending ({error.what})")


class Shower:
    """Shows what an ear hears, at the pace of a person's eyes."""

    def __init__(self, ear: Ear, dialect: Dialect | None, baud: int, wanted: Wanted, block: Block | None) -> None:
        self._ear = ear
        self._dialect = dialect
        self._baud = baud
        self._wanted = wanted
        self._block = block
        self._said: set[str] = set()
        self._fitting: tuple[str, ...] | None = None
        self._raw_begun_s = ear.now_s()

    def until_the_end(self) -> None:
        """Listen and show until the time or the number of lines asked for is over."""
        every_s = LINE_EVERY_S if self._block is None else DRAW_EVERY_S
        begun_s = next_s = self._ear.now_s()
        next_s += every_s
        while not self._is_over(begun_s):
            self._ear.pump(_LOOK_S)
            self._show_news()
            if self._ear.now_s() >= next_s:
                next_s += every_s
                self._show()

    def summary(self) -> None:
        """Show the whole of it once more, with every example and hint."""
        from hil.cli.listen_view import full_lines, raw_summary

        self._show_news()
        now_s = self._ear.now_s()
        lines = [raw_summary(self._ear.listening.heard)]
        if self._dialect is not None:
            lines = full_lines(self._ear.listening.picture(now_s), [])
        lines += [f"hint: {hint}" for hint in self._hints(now_s)]
        if self._block is not None:
            self._block.draw([])
        else:
            lines.insert(0, "")
        click.echo("\n".join(lines))

    def _is_over(self, begun_s: float) -> bool:
        counters = self._ear.listening.link.counters
        lines = counters.good + counters.bad_total + counters.skipped
        if self._wanted.lines and lines >= self._wanted.lines:
            return True
        return bool(self._wanted.for_s) and self._ear.now_s() - begun_s >= self._wanted.for_s

    def _show_news(self) -> None:
        from hil.cli.listen_view import hex_lines
        from hil.reports.wording import visible

        lines = [visible(line) for line in self._ear.listening.news()] if self._dialect is not None else []
        if self._wanted.raw:
            while self._ear.raw:
                t_s, data = self._ear.raw.popleft()
                lines += hex_lines(t_s - self._raw_begun_s, data)
        if self._block is not None:
            self._block.say(lines)
        elif lines:
            click.echo("\n".join(lines))

    def _show(self) -> None:
        from hil.cli.listen_view import full_lines, plain_line

        now_s = self._ear.now_s()
        hints = self._hints(now_s)
        if self._block is not None:
            self._block.draw(full_lines(self._ear.listening.picture(now_s), hints))
            return
        if self._dialect is not None:
            click.echo(plain_line(self._ear.listening.picture(now_s)))
        for hint in hints:
            # In lines that stay, one hint is enough; its numbers may change, so that its beginning tells it again.
            if hint[:12] not in self._said:
                self._said.add(hint[:12])
                click.echo(f"hint: {hint}")
        sys.stdout.flush()

    def _hints(self, now_s: float) -> list[str]:
        from hil.engine.listening_hints import hints, is_other

        listening = self._ear.listening
        counters = listening.link.counters
        if self._fitting is None and self._dialect is not None and is_other(counters):
            self._fitting = _which_fit(bytes(listening.heard.kept))
        return hints(
            listening.heard,
            counters,
            self._dialect,
            self._baud,
            now_s,
            self._fitting or (),
            was_asked=self._wanted.ask,
        )


def _which_fit(data: bytes) -> tuple[str, ...]:
    """Return the names of the protocols known here that fit what came, the best first."""
    from hil.cli.protocols import all_dialects
    from hil.engine.port_survey import score
    from hil.engine.recognising import ranked

    _, dialects = all_dialects(None)
    return tuple(fit.protocol for fit in ranked(score(data, 0, dialects.values())) if fit.fits)
