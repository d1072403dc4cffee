"""Protocol files compiled to dialects, with what the model cannot say checked: templates, names, units, references.

The value of a telemetry field comes in the unit of its channel. The value of a command's argument goes in the units
used inside the package: lengths in mm, speeds in mm/s, times in s, angles in rad, voltages in V; the field's unit is
what is written on the wire.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager

from hil.errors import WireError
from hil.spec.checking import Document, Key
from hil.spec.protocol_console import (
    check_banner,
    compile_blocks,
    compile_boot,
    compile_console,
    compile_host_clock,
)
from hil.spec.protocol_file import CheckPart, PathPart, PortPart, ProtocolFile
from hil.spec.protocol_lengths import check_longest, check_speed
from hil.spec.protocol_messages import check_answers, compile_command, compile_message
from hil.spec.protocol_templates import PLACEHOLDER
from hil.vocabulary import ACTIONS, TRACKINGS
from hil.wire.checks import CHECK_NAMES, find_check
from hil.wire.compiled import form_of
from hil.wire.dialect import (
    CommandSpec,
    Dialect,
    FieldSpec,
    FieldType,
    LineCheck,
    LineFraming,
    LineState,
    MessageSpec,
    PathCoding,
    PortSettings,
)
from hil.wire.link import End, Link
from hil.wire.template import Template

_ENDINGS = {"crlf": b"\r\n", "lf": b"\n", "cr": b"\r"}


def compile_protocol(document: Document) -> Dialect | None:
    """Return the dialect of a document, or None with the mistakes reported."""
    parts = document.fit(ProtocolFile)
    if parts is None:
        return None
    messages = tuple(compile_message(document, name, part) for name, part in parts.messages.items())
    commands = {action: compile_command(document, action, part) for action, part in parts.commands.items()}
    check_answers(document, parts)
    blocks = compile_blocks(document, parts)
    console = compile_console(document, parts)
    boot = compile_boot(document, parts.boot, parts.framing.max_length)
    host_clock = compile_host_clock(document, parts.host_clock, has_clock=parts.clock is not None)
    check = None if parts.check is None else _check(document, parts.check)
    path = None if parts.path is None else _path(document, parts.path)
    _check_whole(document, parts)
    if not document.source.mistakes:
        _check_readable(document, messages, commands)
    if document.source.mistakes:
        return None
    dialect = Dialect(
        name=parts.protocol,
        title=parts.title,
        port=_port(parts.port),
        framing=LineFraming(ending=_ENDINGS[parts.framing.ending], max_length=parts.framing.max_length),
        check=check,
        messages=messages,
        commands=commands,
        path=path,
        tag_modulus=parts.tags.modulus,
        sequence_field=parts.sequence.field if parts.sequence else "",
        clock_field=parts.clock.field if parts.clock else "",
        keep_alive_s=parts.keep_alive.every if parts.keep_alive else 0.0,
        banner=parts.banner,
        digest=document.source.digest,
        boot=boot,
        host_clock=host_clock,
        blocks=blocks,
        console=console,
    )
    _check_linked(document, dialect)
    check_longest(document, dialect)
    check_speed(document, dialect)
    return None if document.source.mistakes else dialect


def _port(part: PortPart) -> PortSettings:
    return PortSettings(
        baud=part.baud,
        data_bits=part.data_bits,
        parity=part.parity,
        stop_bits=part.stop_bits,
        write_timeout_s=part.write_timeout,
        settle_s=part.settle,
        dtr=LineState(part.on_open.dtr),
        rts=LineState(part.on_open.rts),
    )


def _check(document: Document, part: CheckPart) -> LineCheck:
    try:
        check = find_check(part.name)
    except WireError:
        document.report_name(("check", "name"), "a line check", part.name, CHECK_NAMES)
    else:
        if check.digits != part.digits:
            document.report(("check", "digits"), expected=f"{check.digits}, the width of {check.name}")
    return LineCheck(name=part.name, separator=part.separator.encode(), digits=part.digits)


def _path(document: Document, part: PathPart) -> PathCoding:
    at: Key = ("path",)
    for tracking in part.trackings:
        if tracking not in TRACKINGS:
            document.report_name((*at, "trackings", tracking), "a tracking", tracking, TRACKINGS, key=True)
    names = PLACEHOLDER.findall(part.ahead)
    if sorted(names) != ["cells", "tracking"]:
        document.report((*at, "ahead"), expected="a template with {tracking} and {cells}, each once")
    seen: dict[str, str] = {}
    words = {f"trackings.{name}": word for name, word in part.trackings.items()}
    words |= {name: getattr(part, name) for name in ("left", "right", "about_left", "about_right")}
    for name, word in words.items():
        if word in seen:
            document.report((*at, *name.split(".")), expected=f"another word than that of {seen[word]}")
        seen.setdefault(word, name)
    return PathCoding(
        ahead=part.ahead,
        trackings=dict(part.trackings),
        left=part.left,
        right=part.right,
        about_left=part.about_left,
        about_right=part.about_right,
        joiner=part.joiner,
    )


def _check_readable(document: Document, messages: Iterable[MessageSpec], commands: Mapping[str, CommandSpec]) -> None:
    """Build every message and request as the wire will, so that one that can be read in two ways is told here."""
    tag = FieldSpec(name="tag", type=FieldType.UNSIGNED)
    for message in messages:
        with _told_at(document, ("messages", message.name, "template" if message.pairs is None else "pairs")):
            form_of(message)
    for action, command in commands.items():
        tagged = (tag, *command.fields) if "{tag}" in command.template else command.fields
        with _told_at(document, ("commands", action, "template")):
            Template(command.template, tagged)


def _check_linked(document: Document, dialect: Dialect) -> None:
    """See that both ends of a link take the dialect as a whole."""
    with _told_at(document, ()):
        Link(dialect, End.HOST)
        Link(dialect, End.ROBOT)


@contextmanager
def _told_at(document: Document, at: Key) -> Iterator[None]:
    """Report what the wire refuses at a place of the document."""
    try:
        yield
    except WireError as error:
        document.report(at, expected=f"{error.expected or 'a template that can be read'} ({error.what})")


def _check_whole(document: Document, parts: ProtocolFile) -> None:
    """Check what concerns several parts of the file."""
    fields = {name for message in parts.messages.values() for name in message.fields}
    for key, part in (("sequence", parts.sequence), ("clock", parts.clock)):
        if part is not None and part.field not in fields:
            document.report_name((key, "field"), "a field of a message", part.field, fields)
    if parts.sequence is not None:
        for name, message in parts.messages.items():
            spec = message.fields.get(parts.sequence.field)
            if spec is not None and not spec.modulus:
                at = ("messages", name, "fields", parts.sequence.field)
                document.report(at, found="nothing", expected="the number at which it begins anew", member="modulus")
    if "drive" in parts.commands and document.node(("path",)) is None and "path" not in _raw_keys(document):
        document.report(
            (), found="nothing", expected="how a path is written, since there is a command drive", member="path"
        )
    if parts.keep_alive is not None and "alive" not in parts.commands:
        document.report(("keep_alive",), found="nothing", expected="a command 'alive' to send", member="")
    for name, message in parts.messages.items():
        if message.asked_by in ACTIONS and message.asked_by not in parts.commands:
            document.report_name(
                ("messages", name, "asked_by"), "a command of this protocol", message.asked_by, parts.commands
            )
    if "stream" not in parts.commands and "stream" not in _raw_keys(document, "commands"):
        for name, message in parts.messages.items():
            unasked = not message.asked_by and document.node(("messages", name, "every")) is None
            if message.role == "telemetry" and unasked:
                _report_unasked(document, name)
    if any(command.replied for command in parts.commands.values()):
        verdicts = {message.verdict for message in parts.messages.values()}
        is_told = any(document.is_broken(("messages", name)) for name in parts.messages)
        if "accepted" not in verdicts and "messages" in _raw_keys(document) and not is_told:
            document.report(
                ("messages",), expected="a reply with the verdict accepted, since commands are replied to", key=True
            )
    if parts.banner:
        check_banner(document, ("banner",), parts.banner, parts.framing.max_length)


def _report_unasked(document: Document, name: str) -> None:
    """Report telemetry that comes neither asked for nor by itself, unless what says so was wrong already."""
    if "every" not in _raw_keys(document, "messages", name):
        document.report(
            ("messages", name),
            found="nothing",
            expected="how often it is sent, since no command 'stream' asks for it",
            member="every",
        )


def _raw_keys(document: Document, *at: str) -> set[str]:
    """Return the keys that stand at a place, be their values right or wrong."""
    node = document.root if not at else document.node(at)
    return set() if node is None else set(node.entries)
