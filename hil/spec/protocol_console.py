"""What a protocol file says beside its messages: blocks, the console and its menus, boot, the host's clock."""

from __future__ import annotations

from hil.spec.checking import Document, Key
from hil.spec.patterns import PatternError, check_pattern
from hil.spec.protocol_file import BootPart, ConsolePart, HostClockPart, ProtocolFile
from hil.spec.protocol_templates import PLACEHOLDER
from hil.wire.console import MOST_TRIMMINGS
from hil.wire.dialect import BlockSpec, BootSpec, ConsoleSpec, HostClock, MenuSpec

BLOCKS = ("log", "map", "edges", "ticks")
_COUNT = "count"


def compile_blocks(document: Document, parts: ProtocolFile) -> tuple[BlockSpec, ...]:
    """Return the block messages, with what is wrong in them reported."""
    rows = {name for name, part in parts.messages.items() if part.role == "row"}
    used: set[str] = set()
    for name, part in parts.blocks.items():
        at: Key = ("blocks", name)
        if name not in BLOCKS:
            document.report_name(at, "a block", name, BLOCKS, key=True)
        for index, row in enumerate(part.rows):
            if row in part.rows[:index]:
                document.report((*at, "rows", index), expected="every message once")
            used.add(row)
            if document.is_doubtful(("messages", row)):
                continue
            if row in parts.messages and row not in rows:
                document.report(
                    (*at, "rows", index),
                    found=f"'{row}', whose role is {parts.messages[row].role}",
                    expected="a message with role: row",
                )
            elif row not in rows:
                document.report_name((*at, "rows", index), "a message with role: row", row, rows)
        names = PLACEHOLDER.findall(part.header)
        if any(placeholder != _COUNT for placeholder in names) or len(names) > 1:
            document.report((*at, "header"), expected="a line with no placeholder but {count}, once")
        for member, text in (("header", part.header), ("end", part.end)):
            if not (text.isascii() and text.isprintable()):
                document.report((*at, member), expected="printable characters")
        if part.end and part.end == part.header:
            document.report((*at, "end"), expected="another line than the header")
    for name in sorted(rows - used) if _rows_are_read(document, parts) else ():
        document.report(
            ("messages", name, "role"),
            found="a row of no block",
            expected="the name of this message under 'rows' of a block",
        )
    _check_headers(document, parts)
    return tuple(
        BlockSpec(name=name, header=part.header, rows=tuple(part.rows), end=part.end, timeout_s=part.timeout)
        for name, part in parts.blocks.items()
    )


def _rows_are_read(document: Document, parts: ProtocolFile) -> bool:
    """Whether the lists of rows are as they were written, so that a message missing there is missing in the file."""
    lists = (document.node(("blocks", name, "rows")) for name in parts.blocks)
    return not any(one is None or one.stands_in or any(row.pruned for row in one.items) for one in lists)


def _check_headers(document: Document, parts: ProtocolFile) -> None:
    """Check that every block is told by its header."""
    headers: dict[str, str] = {}
    for name, part in parts.blocks.items():
        if part.header in headers:
            document.report(("blocks", name, "header"), expected=f"another line than that of {headers[part.header]}")
        headers.setdefault(part.header, name)


def compile_console(document: Document, parts: ProtocolFile) -> ConsoleSpec | None:
    """Return the console, if there is one, with wrong menus and references to them reported."""
    part = parts.console
    menus = {} if part is None else part.menus
    for action, command in parts.commands.items():
        if command.menu and command.menu not in menus:
            document.report_name(("commands", action, "menu"), "a menu of the console", command.menu, menus)
    if part is None:
        return None
    _check_menus(document, parts, part)
    _check_sent(document, ("console", "prompt"), part.prompt)
    if part.key_by_key:
        _check_keys(document, parts, part)
    return ConsoleSpec(
        echo=part.echo,
        prompt=part.prompt,
        colours=part.colours,
        menus={name: MenuSpec(enter=one.enter, leave=one.leave, prompt=one.prompt) for name, one in menus.items()},
        key_by_key=part.key_by_key,
    )


def _check_menus(document: Document, parts: ProtocolFile, part: ConsolePart) -> None:
    main = {command.template: f"the command {name}" for name, command in parts.commands.items() if not command.menu}
    for name, menu in part.menus.items():
        at: Key = ("console", "menus", name)
        for member in ("enter", "leave", "prompt"):
            _check_sent(document, (*at, member), getattr(menu, member))
        if menu.prompt and menu.prompt == part.prompt:
            document.report(
                (*at, "prompt"),
                expected="another prompt than that of the console, or none, since a menu without one has the console's",
            )
        if menu.enter in main:
            document.report((*at, "enter"), expected=f"something else than {main[menu.enter]} of the main menu")
        main.setdefault(menu.enter, f"the menu {name}")
        for action, command in parts.commands.items():
            if command.menu == name and command.template == menu.leave:
                document.report((*at, "leave"), expected=f"something else than the command {action} of this menu")


def _check_sent(document: Document, at: Key, text: str) -> None:
    """Check a text that stands in a line as it is, beside a message at worst; "" where there is none."""
    if not (text.isascii() and text.isprintable()):
        document.report(at, expected="printable characters")
    if len(text) > MOST_TRIMMINGS:
        document.report(at, found=f"{len(text)} characters", expected=f"at most {MOST_TRIMMINGS} characters")


def _check_keys(document: Document, parts: ProtocolFile, part: ConsolePart) -> None:
    """Check that everything sent is one key, since each acts as soon as it is pressed."""
    for action, command in parts.commands.items():
        if len(command.template) != 1:
            document.report(("commands", action, "template"), expected="one key, as key_by_key says")
    for name, menu in part.menus.items():
        for member in ("enter", "leave"):
            if len(getattr(menu, member)) != 1:
                document.report(("console", "menus", name, member), expected="one key, as key_by_key says")


def compile_boot(document: Document, part: BootPart | None, longest_line: int) -> BootSpec:
    """Return what happens at opening and start."""
    if part is None:
        return BootSpec()
    if part.banner:
        check_banner(document, ("boot", "banner"), part.banner, longest_line)
    return BootSpec(resets_on_open=part.resets_on_open, banner=part.banner, timeout_s=part.timeout)


def check_banner(document: Document, at: Key, pattern: str, longest_line: int) -> None:
    """Check that the pattern of a line compiles and cannot take for ever."""
    try:
        check_pattern(pattern, longest_line)
    except PatternError as error:
        document.report(at, expected=str(error))


def compile_host_clock(document: Document, part: HostClockPart | None, *, has_clock: bool) -> HostClock:
    """Return how well the host's time stands for the robot's."""
    if part is None:
        return HostClock()
    if has_clock:
        document.report(
            ("host_clock",),
            found="'host_clock' beside 'clock'",
            expected="one of the two: the robot tells its own time",
            key=True,
        )
    return HostClock(latency_s=part.latency, adapter=part.adapter)
