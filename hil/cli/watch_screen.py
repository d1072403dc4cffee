"""A page drawn in a terminal: one number large enough to be read from two metres, the rest as bars beneath it.

What is drawn fits into the terminal as it is at that moment: gauges that find no room are counted, never squeezed, and
the verdict is always there. Good and bad are told by words and by a sign as well as by colour.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from hil.engine.watch_page import Gauge, Page, State

if TYPE_CHECKING:
    from rich.console import Console
    from rich.text import Text

KEYS = "h hold   r reset   n next   d done"
_LEAST_BAR = 8  # cells; a shorter bar tells nothing
_GOOD_BAR = 11
_LEAST_TAIL = 9  # cells: the least and most seen
_MARGIN = 3  # cells around the large sign
_HEAD = 34  # cells of name, value and unit before a bar
_Row = tuple[tuple[str, str], ...]  # words and their style, side by side
_EMPTY: _Row = (("", ""),)
_SIGNS = {State.GOOD: "OK", State.BAD: "!!", State.UNKNOWN: ".."}
_COLOURS = {State.GOOD: "green", State.BAD: "red", State.UNKNOWN: "yellow"}

# Five rows of blocks for each character of a number; drawn for this display.
_BLOCKS = {
    "0": (" ### ", "#   #", "#   #", "#   #", " ### "), "1": ("  #  ", " ##  ", "  #  ", "  #  ", " ### "),
    "2": ("#### ", "    #", " ### ", "#    ", "#####"), "3": ("#### ", "    #", " ### ", "    #", "#### "),
    "4": ("#   #", "#   #", "#####", "    #", "    #"), "5": ("#####", "#    ", "#### ", "    #", "#### "),
    "6": (" ### ", "#    ", "#### ", "#   #", " ### "), "7": ("#####", "    #", "   # ", "  #  ", "  #  "),
    "8": (" ### ", "#   #", " ### ", "#   #", " ### "), "9": (" ### ", "#   #", " ####", "    #", " ### "),
    ".": ("  ", "  ", "  ", "  ", "# "), "-": ("    ", "    ", "### ", "    ", "    "),
    "+": ("     ", "  #  ", "#### ", "  #  ", "     "), " ": ("  ", "  ", "  ", "  ", "  "),
    "O": (" ### ", "#   #", "#   #", "#   #", " ### "), "K": ("#   #", "#  # ", "###  ", "#  # ", "#   #"),
    "!": ("##", "##", "##", "  ", "##"),
}  # fmt: skip
_LIGHT_ON = ("#########",) * 4
_LIGHT_OFF = (".........",) + (".       .",) * 2 + (".........",)


def large(text: str, times: int = 1) -> list[str]:
    """Return a number as rows of blocks, five times `times` of them; characters without a picture are left out."""
    known = [_BLOCKS[one] for one in text if one in _BLOCKS]
    rows = [(" " * times).join("".join(dot * times for dot in picture[row]) for picture in known) for row in range(5)]
    return [row.replace("#", "█") for row in rows for _ in range(times)]


def drawn(page: Page, width: int, height: int) -> Text:
    """Return the page as text of at most `height` lines, none longer than `width` cells."""
    from rich.text import Text

    rows = _rows(page, width, height)
    text = Text(no_wrap=True, overflow="crop", end="")
    for number, row in enumerate(rows[:height]):
        text.append("\n" if number else "")
        left = width
        for words, style in row:
            text.append(words[:left], style=style)
            left = max(0, left - len(words))
    return text


def _rows(page: Page, width: int, height: int) -> list[_Row]:
    colour = _COLOURS[page.state]
    verdict = f" {_SIGNS[page.state]}  {page.verdict}"
    foot = [*_wrapped(verdict, width, f"bold {colour}"), (_status(page), "dim"), (f" {KEYS}", "dim")]
    held = "   ** HELD: press h to go on **" if page.is_held else ""
    head = [(f" {page.title}{held}", "bold")]
    room = height - len(head) - len(foot)
    body: list[_Row] = []
    lights = [gauge for gauge in page.gauges if gauge.is_light]
    plain = [gauge for gauge in page.gauges if not gauge.is_light]
    if lights and room >= len(plain) + 6:
        body += [(row,) for row in _lights(lights)]
    main = plain[page.main] if 0 <= page.main < len(plain) else None
    times = 2 if width >= 100 and room - len(body) >= len(plain) + 12 else 1
    if main is not None and room - len(body) >= len(plain) + 7:
        body += [_EMPTY, *_main(main, times, page, width), _EMPTY]
    left = room - len(body)
    shown = plain if len(plain) <= left else plain[: max(0, left - 1)]
    # A bar is worth more than the words behind it: these are cut where both find no room.
    tail = min(max((len(_tail(gauge)) for gauge in shown), default=0), max(_LEAST_TAIL, width - _HEAD - 4 - _GOOD_BAR))
    body += [((_bar(gauge, width, tail, is_main=gauge is main), _style(gauge)),) for gauge in shown]
    if len(shown) < len(plain):
        body.append(((f" ({len(plain) - len(shown)} more find no room in this window)", "dim"),))
    body = body[: max(0, room)]
    return [*((row,) for row in head), *body, *[_EMPTY] * max(0, room - len(body)), *((row,) for row in foot)]


def _wrapped(text: str, width: int, style: str) -> list[tuple[str, str]]:
    import textwrap

    lines = textwrap.wrap(text, max(20, width), subsequent_indent="     ", drop_whitespace=True)
    return [(f" {line.strip()}" if not number else line, style) for number, line in enumerate(lines[:3])]


def _status(page: Page) -> str:
    age = "nothing came yet" if page.age_s is None else f"{page.rate_hz:.0f} lines/s, newest {page.age_s:.1f} s old"
    return f" {age}" + "".join(f"; {note}" for note in page.notes)


def _lights(lights: list[Gauge]) -> list[tuple[str, str]]:
    """Return lights side by side, each with its name beneath."""
    pictures = [(_LIGHT_ON if light.light else _LIGHT_OFF) for light in lights]
    rows = [
        ("  " + "   ".join(picture[row] for picture in pictures).replace("#", "█"), "bold yellow") for row in range(4)
    ]
    return [*rows, ("  " + "   ".join(f"{light.label:^9.9}" for light in lights), "")]


def _main(gauge: Gauge, times: int, page: Page, width: int) -> list[_Row]:
    """Return a number drawn large, and at the right, where there is room, how the page stands.

    A number of a moment ago, because nothing comes any more, has no colour of its own.
    """
    style = f"bold {_COLOURS[gauge.state]}" if gauge.band and not page.is_old else "bold"
    number = large(gauge.text if gauge.value is not None else "---", times)
    lines = [f"  {row}" for row in number]
    lines[-1] += f"   {gauge.label} {gauge.unit}".rstrip()
    sign = large(_SIGNS[page.state], times)
    at = width - len(sign[0]) - _MARGIN
    if page.state is State.UNKNOWN or at < max(map(len, lines)) + _MARGIN:
        return [((line, style),) for line in lines]
    colour = f"bold {_COLOURS[page.state]}"
    return [((f"{line:<{at}}", style), (row, colour)) for line, row in zip(lines, sign, strict=True)]


def _style(gauge: Gauge) -> str:
    return _COLOURS[gauge.state] if gauge.band and gauge.value is not None else ""


def _tail(gauge: Gauge) -> str:
    """Return what stands behind a bar: the least and most seen, and a word."""
    peak = "" if gauge.peak is None else f"{gauge.peak[0]:.{gauge.digits}f}..{gauge.peak[1]:.{gauge.digits}f}"
    return "  ".join(word for word in (f"{peak:<9}" if peak or gauge.also else "", gauge.also) if word).rstrip()


def _cut(text: str, cells: int) -> str:
    """Return as many whole remarks as find room."""
    while len(text) > cells and ", " in text:
        text = text.rpartition(", ")[0]
    return text[:cells]


def _bar(gauge: Gauge, width: int, tail: int, *, is_main: bool) -> str:
    """Return a gauge as one line: name, value, bar with its target band and peaks, what else there is to say.

    `tail` is the room that is kept behind the bar, the same for all gauges of a page.
    """
    sign = _SIGNS[gauge.state] if gauge.band and gauge.value is not None else "  "
    head = f"{'>' if is_main else ' '}{gauge.label:<14.14} {gauge.text:>8} {gauge.unit:<5.5} {sign} "
    room = width - len(head) - tail - 4
    if room < _LEAST_BAR:
        return f"{head}{_tail(gauge)}"
    return f"{head}[{_scale(gauge, room)}]  {_cut(_tail(gauge), tail)}".rstrip()


def _scale(gauge: Gauge, cells: int) -> str:
    """Return the bar itself: filled to the value, `-` where the target band lies, `|` at the peaks."""
    span = gauge.high - gauge.low or 1.0

    def cell(value: float) -> int:
        return min(cells - 1, max(0, round((value - gauge.low) / span * (cells - 1))))

    bar = [" "] * cells
    if gauge.band is not None:
        for at in range(cell(gauge.band[0]), cell(gauge.band[1]) + 1):
            bar[at] = "-"
    if gauge.value is not None:
        begin, end = sorted((cell(0.0 if gauge.low < 0 < gauge.high else gauge.low), cell(gauge.value)))
        for at in range(begin, end + 1):
            bar[at] = "▓" if bar[at] == "-" else "█"
    for value in gauge.peak or ():
        bar[cell(value)] = "|"
    return "".join(bar)


def draw_on(console: Console, page: Page) -> Text:
    """Return the page for a console of the size that it has now."""
    width, height = console.size
    return drawn(page, width, height)
