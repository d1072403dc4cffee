"""Protocol files compiled to dialects, with what the model cannot say checked: templates, names, units, references.

The value of a telemetry field comes in the unit of its channel. The value of a command's argument goes in the units
used inside the package: lengths in mm, speeds in mm/s, times in s, angles in rad, voltages in V; the field's unit is
what is written on the wire.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping

from hil.errors import WireError
from hil.quantities import QuantityError, convert
from hil.spec.arguments import ARGUMENTS, FRONTS, INNER_UNITS
from hil.spec.checking import Document, Key
from hil.spec.protocol_file import CheckPart, CommandPart, FieldPart, MessagePart, PathPart, PortPart, ProtocolFile
from hil.spec.wording import quoted
from hil.vocabulary import ACTIONS, CHANNELS, EVENTS, TRACKINGS
from hil.wire.checks import CHECK_NAMES, find_check
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
    Role,
    Verdict,
)
from hil.wire.template import Template

_LONGEST_BANNER = 200  # characters of a regular expression; a boot banner is one line
_ENDINGS = {"crlf": b"\r\n", "lf": b"\n", "cr": b"\r"}
_PLACEHOLDER = re.compile(r"\{([^{}]*)\}")
_NUMERIC = ("unsigned", "signed", "hex")


def compile_protocol(document: Document) -> Dialect | None:
    """Return the dialect of a document, or None with the mistakes reported."""
    parts = document.fit(ProtocolFile)
    if parts is None:
        return None
    messages = tuple(_message(document, name, part) for name, part in parts.messages.items())
    commands = {action: _command(document, action, part) for action, part in parts.commands.items()}
    check = None if parts.check is None else _check(document, parts.check)
    path = None if parts.path is None else _path(document, parts.path)
    _check_whole(document, parts)
    if not document.source.mistakes:
        _check_readable(document, messages, commands)
    if document.source.mistakes:
        return None
    return Dialect(
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
    )


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


def _message(document: Document, name: str, part: MessagePart) -> MessageSpec:
    at: Key = ("messages", name)
    role = Role(part.role)
    if role is Role.REPLY and part.verdict is None:
        document.report(at, found="nothing", expected="accepted or refused", member="verdict")
    if role is not Role.REPLY and part.verdict is not None:
        document.report((*at, "verdict"), expected="none, since only replies have a verdict", key=True)
    allowed = {
        Role.TELEMETRY: tuple(CHANNELS),
        Role.EVENT: ("sequence", "time", "event", "detail"),
        Role.REPLY: ("sequence", "time", "tag", "answer"),
    }[role]
    kind = "a channel" if role is Role.TELEMETRY else f"a field of {'an event' if role is Role.EVENT else 'a reply'}"
    for field in part.fields:
        if field not in allowed:
            document.report_name((*at, "fields", field), kind, field, allowed, key=True)
    if role is Role.EVENT and "event" not in part.fields:
        document.report((*at, "template"), expected="a template with {event}")
    if role is Role.REPLY and "tag" not in part.fields:
        document.report((*at, "template"), expected="a template with {tag}")
    _check_template(document, at, part.template, part.fields)
    fields = tuple(_field(document, (*at, "fields", field), field, spec, role) for field, spec in _ordered(part))
    return MessageSpec(
        name=name,
        role=role,
        template=part.template,
        fields=fields,
        verdict=None if part.verdict is None else Verdict(part.verdict),
    )


def _ordered(part: MessagePart | CommandPart) -> list[tuple[str, FieldPart]]:
    """Return the fields in the order of the template, so that a reader of the dialect may go by position."""
    order = {name: index for index, name in enumerate(_PLACEHOLDER.findall(part.template))}
    return sorted(part.fields.items(), key=lambda item: order.get(item[0], len(order)))


def _field(document: Document, at: Key, name: str, part: FieldPart, role: Role | None) -> FieldSpec:
    if part.type not in _NUMERIC:
        for key in ("unit", "scale", "offset", "modulus"):
            if document.node((*at, key)) is not None:
                document.report(
                    (*at, key), found=f"'{key}' for a {part.type}", expected="it for numbers only", key=True
                )
    if part.choices and part.type != "word":
        document.report((*at, "choices"), expected="choices for words only", key=True)
    if name == "event":
        _check_choices(document, at, part, EVENTS, "an event")
    if role is None and name == "front":
        _check_choices(document, at, part, FRONTS, "what ends a straight")
    if role is Role.TELEMETRY and part.type not in _NUMERIC and name in CHANNELS and name != "tracking":
        document.report((*at, "type"), expected=f"unsigned, signed or hex, since {name} is a number")
    return FieldSpec(
        name=name,
        type=FieldType(part.type),
        scale=part.scale * _factor(document, at, name, part, role),
        offset=part.offset,
        modulus=part.modulus,
        choices=dict(part.choices),
    )


def _check_choices(document: Document, at: Key, part: FieldPart, known: Iterable[str], kind: str) -> None:
    if not part.choices:
        document.report(at, found="nothing", expected=f"the firmware's words, each with {kind}", member="choices")
    for word, meaning in part.choices.items():
        if meaning not in known:
            document.report_name((*at, "choices", word), kind, meaning, known)


def _factor(document: Document, at: Key, name: str, part: FieldPart, role: Role | None) -> float:
    """Return what a number of the field's unit is in the unit that values have."""
    if part.type not in _NUMERIC:
        return 1.0
    if role is None or name not in CHANNELS:
        targets: tuple[str, ...] = INNER_UNITS
    else:
        targets = (CHANNELS[name].unit,)
    for target in targets:
        try:
            return convert(1.0, part.unit, target)
        except QuantityError:
            continue
    member = "unit" if document.node((*at, "unit")) is None else ""
    expected = f"a unit that converts to {targets[0] or 'a plain number'}" if len(targets) == 1 else "a known unit"
    where: Key = at if member else (*at, "unit")
    document.report(where, found="nothing" if member else "", expected=expected, member=member)
    return 1.0


def _check_template(document: Document, at: Key, template: str, fields: Mapping[str, FieldPart], *implied: str) -> None:
    """Check that the placeholders are the fields, each once, told apart by text between them."""
    here = (*at, "template")
    placeholders = _PLACEHOLDER.findall(template)
    raw = document.node((*at, "fields"))
    known = [*(raw.entries if raw else fields), *implied]
    for name in dict.fromkeys(placeholders):
        if name not in known:
            document.report_name(here, "a field of the message", name, known)
        if placeholders.count(name) > 1:
            document.report(here, found=f"{{{name}}} twice", expected="every field once")
    for name in fields:
        if name not in placeholders:
            document.report(
                (*at, "fields", name),
                found=f"a field that the template lacks, {quoted(name)}",
                expected=f"{{{name}}} in the template",
                key=True,
            )
    if re.search(r"[{}]", _PLACEHOLDER.sub("", template)):
        document.report(here, expected="braces in pairs around names")
    if "}{" in template:
        document.report(here, expected="some text between two fields, since nothing else tells where one ends")
    if not template.isprintable():
        document.report(here, expected="printable characters")
    for name in placeholders[:-1]:
        if name in fields and fields[name].type == "text":
            document.report(here, found=f"{{{name}}}, a text, before other fields", expected="a text at the end only")
    if (
        placeholders
        and placeholders[-1] in fields
        and fields[placeholders[-1]].type == "text"
        and not template.endswith("}")
    ):
        document.report(here, expected="nothing behind a field of text")


def _command(document: Document, action: str, part: CommandPart) -> CommandSpec:
    at: Key = ("commands", action)
    if action not in ACTIONS:
        document.report_name(at, "an action", action, ACTIONS, key=True)
    else:
        needed, optional = ARGUMENTS.get(action, ((), ()))
        for name in part.fields:
            if name not in (*needed, *optional):
                document.report_name(
                    (*at, "fields", name), f"an argument of {action}", name, (*needed, *optional), key=True
                )
        raw = document.node((*at, "fields"))
        for name in needed:
            if name not in (raw.entries if raw else {}):
                document.report(
                    at, found="nothing", expected=f"the argument '{name}' of {action}", member=f"fields.{name}"
                )
    _check_template(document, at, part.template, part.fields, "tag")
    if part.replied and "{tag}" not in part.template:
        document.report((*at, "template"), expected="a template with {tag}, or replied: no")
    fields = tuple(_field(document, (*at, "fields", name), name, spec, None) for name, spec in _ordered(part))
    return CommandSpec(
        action=action,
        template=part.template,
        fields=fields,
        replied=part.replied,
        deadline_s=part.deadline,
        tries=part.tries,
    )


def _path(document: Document, part: PathPart) -> PathCoding:
    at: Key = ("path",)
    for tracking in part.trackings:
        if tracking not in TRACKINGS:
            document.report_name((*at, "trackings", tracking), "a tracking", tracking, TRACKINGS, key=True)
    names = _PLACEHOLDER.findall(part.ahead)
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
    """Build every template as the wire will, so that one that can be taken apart in two ways is told here."""
    tag = FieldSpec(name="tag", type=FieldType.UNSIGNED)
    templates: list[tuple[Key, str, tuple[FieldSpec, ...]]] = [
        (("messages", message.name), message.template, message.fields) for message in messages
    ]
    for action, command in commands.items():
        tagged = (tag, *command.fields) if "{tag}" in command.template else command.fields
        templates.append((("commands", action), command.template, tagged))
    for at, text, fields in templates:
        try:
            Template(text, fields)
        except WireError as error:
            expected = f"{error.expected or 'a template that can be read'} ({error.what})"
            document.report((*at, "template"), expected=expected)


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
    if any(command.replied for command in parts.commands.values()):
        verdicts = {message.verdict for message in parts.messages.values()}
        if "accepted" not in verdicts and "messages" in _raw_keys(document):
            document.report(
                ("messages",), expected="a reply with the verdict accepted, since commands are replied to", key=True
            )
    if len(parts.banner) > _LONGEST_BANNER:
        document.report(("banner",), expected=f"at most {_LONGEST_BANNER} characters")
    elif parts.banner:
        try:
            re.compile(parts.banner)
        except re.error as error:
            document.report(("banner",), expected=f"a regular expression ({error})")


def _raw_keys(document: Document) -> set[str]:
    return set() if document.root is None else set(document.root.entries)
