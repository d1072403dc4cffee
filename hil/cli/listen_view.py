"""What `hil listen` shows: a block that is drawn over itself at a terminal, or one line a second for everything else.

All that came from a port is made harmless before it is shown, and cut to the width of a line.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TextIO

from hil.engine.heard import Heard
from hil.engine.listening import Latest, Picture
from hil.quantities import counted
from hil.reports.wording import visible
from hil.vocabulary import CHANNELS
from hil.wire.fields import Value

_WORDS = 24  # characters of a word or text that a robot sent
_EXAMPLE = 60  # characters of a bad line


def shown_bytes(data: bytes, most: int = _EXAMPLE) -> str:
    """Return bytes as text that no terminal acts on: printable ASCII as it is, the rest as escapes."""
    text = "".join(chr(byte) if 0x20 <= byte < 0x7F else f"\\x{byte:02x}" for byte in data[:most])
    return text[:most] + ("…" if len(data) > most or len(text) > most else "")


def hex_lines(t_s: float, data: bytes) -> list[str]:
    """Return bytes in hexadecimal beside their printable characters, sixteen a line, the first with its time [s]."""
    lines = []
    for at in range(0, len(data), 16):
        part = data[at : at + 16]
        text = "".join(chr(byte) if 0x20 <= byte < 0x7F else "." for byte in part)
        lines.append(f"{f'{t_s:9.3f}' if at == 0 else '':>9}  {part.hex(' '):<47}  {text}")
    return lines


def shown_value(channel: str, value: Value) -> str:
    """Return a value with its unit."""
    if isinstance(value, str):
        return visible(value[:_WORDS])
    if isinstance(value, tuple):
        return ",".join(f"{one:g}" if isinstance(one, int | float) else visible(str(one)[:_WORDS]) for one in value[:8])
    unit = CHANNELS[channel].unit if channel in CHANNELS else ""
    number = f"{value:d}" if isinstance(value, int) else f"{value:.6g}"
    return f"{number} {unit}".rstrip()


def message_lines(latest: Latest) -> list[str]:
    """Return a message with its rate, and its channels, a line each."""
    head = f"{visible(latest.name):<14} {latest.rate_hz:7.1f}/s  {counted(latest.count, 'line')}"
    return [head, *(f"    {visible(name):<18} {shown_value(name, value)}" for name, value in latest.values.items())]


def loss_line(picture: Picture) -> str:
    """Return how many lines were good, lost, bad for which reason, and how often the robot began anew."""
    counters = picture.counters
    bad = ", ".join(f"{count} {reason.value}" for reason, count in counters.bad.items() if count)
    parts = [f"{counters.good} good", f"{counters.lost} lost", f"bad: {bad}" if bad else "0 bad"]
    parts += [counted(counters.restarts, "restart")] if counters.restarts else []
    parts += [f"{counted(counters.stale, 'answer')} that nobody waited for"] if counters.stale else []
    return "lines: " + ", ".join(parts)


def skew_line(picture: Picture) -> str:
    """Return how the robot's clock runs beside the host's, "" where that is not known."""
    if picture.skew is None:
        return ""
    fast = "fast" if picture.skew.ppm >= 0 else "slow"
    return (
        f"robot's clock: {abs(picture.skew.ppm):.0f} ± {2 * picture.skew.u_ppm:.0f} ppm {fast}, "
        f"lines come within {1000 * picture.skew.scatter_s:.1f} ms of it"
    )


def example_lines(picture: Picture) -> list[str]:
    """Return one bad line for each reason."""
    return [f"{reason.value}: {shown_bytes(raw)}" for reason, raw in picture.examples.items()]


def full_lines(picture: Picture, hints: Sequence[str]) -> list[str]:
    """Return everything known, a line each."""
    lines = [f"{picture.elapsed_s:6.1f} s  {counted(picture.total_bytes, 'byte')}  {loss_line(picture)}"]
    for latest in picture.messages:
        lines += message_lines(latest)
    lines += [line for line in (skew_line(picture),) if line]
    lines += example_lines(picture)
    return lines + [f"hint: {visible(hint)}" for hint in hints]


def plain_line(picture: Picture) -> str:
    """Return the moment in one line, for a pipe, a log or somebody who has it read aloud."""
    parts = [f"{picture.elapsed_s:.0f} s"]
    for latest in picture.messages:
        values = ", ".join(f"{name} {shown_value(name, value)}" for name, value in latest.values.items())
        parts.append(f"{latest.name} {latest.rate_hz:.1f}/s: {values}")
    parts.append(
        loss_line(picture) if picture.messages else f"{counted(picture.total_bytes, 'byte')}, {loss_line(picture)}"
    )
    return visible("; ".join(parts))


def raw_summary(heard: Heard) -> str:
    """Return what the bytes looked like."""
    endings = heard.endings
    text = heard.total - heard.unprintable
    share = 100 * text / heard.total if heard.total else 0
    return (
        f"{counted(heard.total, 'byte')}, {share:.0f} % of them text; lines ended {counted(endings.crlf, 'time')} with "
        f"crlf, {counted(endings.lf, 'time')} with lf alone, {counted(endings.cr, 'time')} with cr alone"
    )


class Block:
    """Lines that are drawn over themselves at a terminal (ECMA-48: cursor up, erase line).

    Never more of them than the terminal is high: what has scrolled away cannot be drawn over.
    """

    def __init__(self, out: TextIO, width: int, height: int) -> None:
        self._out = out
        self._width = max(20, width)
        self._most = max(4, height - 1)
        self._height = 0

    def draw(self, lines: Sequence[str]) -> None:
        """Draw the lines over those of last time."""
        shown = [line[: self._width - 1] for line in lines[: self._most]]
        up = f"\x1b[{self._height}F" if self._height else ""
        gone = "\x1b[2K\n" * max(0, self._height - len(shown))
        back = f"\x1b[{self._height - len(shown)}F" if self._height > len(shown) else ""
        self._out.write(up + "".join(f"\x1b[2K{line}\n" for line in shown) + gone + back)
        self._out.flush()
        self._height = len(shown)

    def say(self, lines: Sequence[str]) -> None:
        """Put lines above the block, where they stay."""
        if not lines:
            return
        up = f"\x1b[{self._height}F\x1b[0J" if self._height else ""
        self._out.write(up + "".join(f"{line[: self._width - 1]}\n" for line in lines))
        self._height = 0
