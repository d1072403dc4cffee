"""Listening to a port that nobody has described yet: at which rates text comes, and which protocol it is.

Rates are tried one after the other, each with the port opened anew, since that is how a run will open it. On a port
without a rate (the network, a pseudo-terminal) one listening serves all. Nothing is sent but by `who_answers`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace

from hil.engine.ear import Ear
from hil.engine.heard import Heard
from hil.engine.recognising import Fit, how_it_fits, ranked
from hil.errors import PortLost, WireError
from hil.timing import Clock
from hil.transports.booting import wait_for_boot
from hil.transports.port_names import has_no_line
from hil.transports.serial_url import open_port
from hil.wire.dialect import Dialect, PortSettings

# What small controllers are set to; 9600 and 115200 first, since most stand at one of the two.
USUAL_BAUDS = (9600, 115200, 38400, 57600, 19200, 230400, 250000, 460800, 500000, 1_000_000)
LISTEN_S = 2.0  # of a robot that prints 24 lines a second that is 48 lines
RESTART_S = 2.0  # a board that starts anew when its port is opened says nothing for about so long
_LOOK_S = 0.1
_TEXT_SHARE = 0.9
_FEWEST_BYTES = 16

Say = Callable[[str], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class RateHeard:
    """What came at one rate: how many bytes, and which share of them was text."""

    baud: int
    total: int
    text_share: float
    data: bytes

    @property
    def is_text(self) -> bool:
        """Whether it looks like text at all."""
        return self.total >= _FEWEST_BYTES and self.text_share >= _TEXT_SHARE


def listen_at(
    url: str, settings: PortSettings, clock: Clock, duration_s: float = LISTEN_S, restart_s: float = 0.0
) -> RateHeard:
    """Open, listen for so long, and close; a board that restarts may be silent for `restart_s` before that.

    Raises `PortUnavailable`; a port that goes away ends the listening.
    """
    with open_port(url, settings, clock) as transport:
        begun_s = clock.monotonic_ns() / 1e9
        heard, end_s = Heard(begun_s), begun_s + duration_s + restart_s
        try:
            while (left_s := end_s - clock.monotonic_ns() / 1e9) > 0:
                stamped = transport.read(min(_LOOK_S, left_s))
                if stamped is None:
                    continue
                t_s = stamped.t_ns / 1e9
                if heard.total == 0:
                    end_s = min(end_s, t_s + duration_s)
                heard.take(t_s, stamped.data)
        except PortLost:
            pass  # what came before is still worth a look
    share = 1.0 - heard.unprintable / heard.total if heard.total else 0.0
    return RateHeard(baud=settings.baud, total=heard.total, text_share=share, data=bytes(heard.kept))


def try_rates(url: str, clock: Clock, settings: PortSettings, rates: Sequence[int] = USUAL_BAUDS) -> list[RateHeard]:
    """Listen at each rate in turn."""
    tried = rates[:1] if has_no_line(url) else rates
    return [listen_at(url, replace(settings, baud=baud), clock) for baud in tried]


def survey(url: str, dialects: Iterable[Dialect], clock: Clock, say: Say) -> tuple[tuple[Fit, ...], list[RateHeard]]:
    """Listen at the rate of every protocol and return how each fits, the best first, and what came at each rate."""
    by_settings: dict[PortSettings, list[Dialect]] = {}
    for dialect in dialects:
        by_settings.setdefault(_listening_settings(url, dialect), []).append(dialect)
    fits: list[Fit] = []
    rates: list[RateHeard] = []
    for settings, group in by_settings.items():
        say(f"listening for {LISTEN_S:g} s" + ("" if has_no_line(url) else f" at {settings.baud} baud"))
        heard = listen_at(url, settings, clock, restart_s=0.0 if has_no_line(url) else RESTART_S)
        rates.append(heard)
        fits += score(heard.data, settings.baud, group)
    return ranked(fits), rates


def score(data: bytes, baud: int, dialects: Iterable[Dialect]) -> list[Fit]:
    """Return how each protocol fits what came; one that cannot be spoken at all is left out."""
    fits = []
    for dialect in dialects:
        try:
            fits.append(how_it_fits(data, dialect.port.baud if baud == 0 else baud, dialect))
        except WireError:
            continue
    return fits


def who_answers(url: str, dialects: Iterable[Dialect], clock: Clock, say: Say) -> tuple[Dialect, str] | None:
    """Ask in each protocol who is there; return the first that is answered, with the answer."""
    for dialect in dialects:
        if "identify" not in dialect.commands:
            continue
        say(f"asking who is there in {dialect.name}")
        with open_port(url, dialect.port, clock) as transport:
            ear = Ear(transport, dialect, clock)
            try:
                wait_for_boot(dialect.boot, ear.pump, ear.now_s)
                answer = ear.ask("identify")
            except PortLost:
                continue
        if answer is not None:
            return dialect, answer
    return None


def _listening_settings(url: str, dialect: Dialect) -> PortSettings:
    """Return how to open for a protocol; where there is no rate, all protocols share one opening."""
    return PortSettings(baud=9600) if has_no_line(url) else replace(dialect.port, settle_s=0.0)
