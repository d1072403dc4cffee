"""What may be wrong with a port that says nothing, or nothing that its protocol knows.

Each hint is one sentence with what was seen and what to try; the order is that of a person looking for the fault. A
hint is a guess and says so by its words: only the person can look at the robot.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from hil.engine.heard import Heard
from hil.quantities import counted
from hil.wire.dialect import Dialect, LineState
from hil.wire.received import Counters

# After so long without a byte (or without an ending) the port is said to be silent (or the line endless).
SILENT_S = 2.0
# serial.md B 18: above this share of unprintable bytes for a second, the rate is the first suspect.
GARBAGE_SHARE = 0.3
_FEWEST_BYTES = 20  # a share of fewer is chance
_FEWEST_BAD = 3

_PROMPT = re.compile(rb"(?:[>#$:?%\]]\s?|press .{0,40}|hit .{0,40})$", re.IGNORECASE)
_ENDING_NAMES = {b"\r\n": "crlf", b"\n": "lf", b"\r": "cr"}


def hints(
    heard: Heard,
    counters: Counters,
    dialect: Dialect | None,
    baud: int,
    now_s: float,
    fitting: Sequence[str] = (),
    *,
    was_asked: bool = False,
) -> list[str]:
    """Return the hints for the moment `now_s`, none where all is well or too little is known yet.

    `fitting` names the protocols that fit what was heard, where somebody has looked. `baud` is 0 where the port has no
    serial line behind it, so no rate and no modem lines. `was_asked` says that requests were sent.
    """
    if heard.total == 0:
        silent_s = heard.silent_s(now_s)
        return [_nothing(dialect, silent_s, baud, was_asked=was_asked)] if silent_s >= SILENT_S else []
    if (hint := _garbage(heard, baud, now_s)) is not None:
        return [hint]
    found = [_endings(heard, dialect, now_s), None if was_asked else _prompt(heard, counters, now_s)]
    if not any(found):
        found = [_other_protocol(counters, dialect, fitting, was_asked=was_asked), _went_silent(heard, now_s)]
    return [hint for hint in found if hint is not None]


def _nothing(dialect: Dialect | None, silent_s: float, baud: int, *, was_asked: bool) -> str:
    said = (
        f"The port is open and nothing came in {silent_s:.0f} s. Is the robot switched on, and does its program print?"
    )
    if was_asked:
        said += " It was asked, and did not answer either: it may speak another protocol."
    elif dialect is not None and "stream" in dialect.commands and not dialect.prints_unasked:
        said += f" A robot that speaks {dialect.name} sends its values only when asked to: --ask asks it."
    if baud:
        state = dialect.port.dtr if dialect else LineState.ON
        other = "off" if state is not LineState.OFF else "on"
        said += f" Some boards speak only with DTR on, others stand in reset with it on: try --dtr {other}."
    return said


def _garbage(heard: Heard, baud: int, now_s: float) -> str | None:
    share = heard.unprintable_share(now_s)
    if heard.total < _FEWEST_BYTES or share <= GARBAGE_SHARE:
        return None
    said = f"{100 * share:.0f} % of the bytes are no text"
    if not baud:
        return f"{said}, and the port has no baud rate that could be wrong: the protocol may be a binary one."
    return (
        f"{said}, as with a wrong baud rate (now {baud}). --try-bauds listens at "
        "the usual rates and says where text appears. A board that starts at another rate looks the same for a moment."
    )


def _endings(heard: Heard, dialect: Dialect | None, now_s: float) -> str | None:
    endings = heard.endings
    if endings.total == 0:
        if now_s - heard.begun_s < SILENT_S or heard.total < (dialect.framing.max_length if dialect else 256):
            return None
        return (
            f"{counted(heard.total, 'byte')} came and no line ended: the firmware ends its lines in another way or not "
            "at all, or the protocol is a binary one."
        )
    if dialect is None:
        return None
    wanted = dialect.framing.ending
    if wanted != b"\r" and endings.crlf + endings.lf == 0:
        return (
            f"Lines end with a carriage return alone, and {dialect.name} expects {_ENDING_NAMES[wanted]}: they run "
            "together. Say 'ending: cr' under framing in the protocol file."
        )
    if wanted == b"\r" and endings.cr + endings.crlf == 0:
        return (
            f"Lines end with a line feed alone, and {dialect.name} expects cr: they run together. Say 'ending: lf' "
            "under framing in the protocol file."
        )
    return None


def _prompt(heard: Heard, counters: Counters, now_s: float) -> str | None:
    if counters.good or heard.silent_s(now_s) < SILENT_S or not _PROMPT.search(heard.tail):
        return None
    return "The last line waits for a key, as a console does. Nothing is sent unless --ask is given."


def is_other(counters: Counters) -> bool:
    """Whether lines come and none is one of the protocol."""
    return not counters.good and counters.bad_total >= _FEWEST_BAD


def _other_protocol(
    counters: Counters, dialect: Dialect | None, fitting: Sequence[str], *, was_asked: bool
) -> str | None:
    if dialect is None or not is_other(counters):
        return None
    said = f"It is text, and none of {counted(counters.bad_total, 'line')} is one of {dialect.name}"
    if fitting:
        return f"{said}; what came fits {' and '.join(fitting)}: --protocol {fitting[0]}."
    if was_asked:
        return (
            f"{said}: the robot may speak another protocol and refuse these requests. --ask without --protocol asks in "
            "each protocol known here."
        )
    return f"{said}: another protocol or another program, and none of the protocols known here fits either."


def _went_silent(heard: Heard, now_s: float) -> str | None:
    silent_s = heard.silent_s(now_s)
    return f"Nothing has come for {silent_s:.0f} s." if silent_s >= SILENT_S else None
