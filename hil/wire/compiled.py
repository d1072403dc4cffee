"""What a link makes of a dialect before anything is said: templates, codecs, and what it refuses.

Refused is a dialect in which an answer could be taken for another: one of numbered requests whose replies carry no
number, and one in which some requests are numbered and others not. So are keys of a console that are not one key.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from hil.errors import WireError
from hil.wire.codec import Codec, Envelope
from hil.wire.counting import Numbering
from hil.wire.dialect import CommandSpec, Dialect, FieldSpec, FieldType, MessageSpec, Role
from hil.wire.fields import Value
from hil.wire.pairs import Pairs
from hil.wire.template import Template

TAG = "tag"
ANSWER = "answer"
EVENT = "event"
DETAIL = "detail"
COUNT = "count"
# An event whose detail is one word still needs that word when there is nothing to tell.
NO_DETAIL = "-"

Form = Template | Pairs


@dataclass(frozen=True, slots=True)
class Edge:
    """A line that begins or ends the block message `block`; it stands among the names of messages."""

    block: str
    is_end: bool = False


def form_of(message: MessageSpec) -> Form:
    """Return what parses and formats a message."""
    if message.pairs is not None:
        return Pairs(message.pairs, message.fields)
    return Template(message.template, message.fields)


def reports_of(dialect: Dialect, envelope: Envelope) -> Codec[str | Edge]:
    """Return the codec of what a robot says outside of blocks: messages by name, and headers."""
    forms: dict[str | Edge, Form] = {
        Edge(block.name): Template(block.header, _count_field(block.header)) for block in dialect.blocks
    }
    forms |= {message.name: form_of(message) for message in dialect.messages if message.role is not Role.ROW}
    return Codec(envelope, forms)


def rows_of(dialect: Dialect, envelope: Envelope) -> dict[str, Codec[str | Edge]]:
    """Return, for every block, the codec of what stands in it: its end, and rows by the names of their messages."""
    messages = {message.name: message for message in dialect.messages if message.role is Role.ROW}
    codecs: dict[str, Codec[str | Edge]] = {}
    for block in dialect.blocks:
        forms: dict[str | Edge, Form] = {Edge(block.name, is_end=True): Template(block.end, ())} if block.end else {}
        forms |= {name: form_of(messages[name]) for name in block.rows if name in messages}
        codecs[block.name] = Codec(envelope, forms)
    return codecs


def _count_field(header: str) -> tuple[FieldSpec, ...]:
    return (FieldSpec(name=COUNT, type=FieldType.UNSIGNED),) if "{" + COUNT + "}" in header else ()


def command_template(command: CommandSpec, dialect: Dialect) -> Template:
    """Return the template of a request."""
    tag = FieldSpec(name=TAG, type=FieldType.UNSIGNED, modulus=dialect.tag_modulus)
    has_tag = is_numbered(command) and all(field.name != TAG for field in command.fields)
    return Template(command.template, (tag, *command.fields) if has_tag else command.fields)


def is_numbered(command: CommandSpec) -> bool:
    """Tell whether a request carries a number."""
    return "{" + TAG + "}" in command.template


def commands_by_menu(dialect: Dialect, envelope: Envelope) -> dict[str, Codec[str]]:
    """Return, for every menu of a console (only "" without one), the codec of the requests that it takes."""
    menus = ["", *(dialect.console.menus if dialect.console else ())]
    return {menu: Codec(envelope, _templates(dialect, menu)) for menu in menus}


def _templates(dialect: Dialect, menu: str) -> dict[str, Template]:
    commands = dialect.commands.items()
    return {name: command_template(command, dialect) for name, command in commands if command.menu == menu}


def refuse_untold_answers(dialect: Dialect) -> None:
    """Raise `WireError` where an answer could not be told from another."""
    replied = [command for command in dialect.commands.values() if command.replied]
    numbered = [command for command in replied if is_numbered(command)]
    replies = [message for message in dialect.messages if message.role is Role.REPLY]
    untold = [message.template for message in replies if not _has_tag(message)] if numbered else []
    if replied and not numbered and any(map(_has_tag, replies)):
        untold = [replied[0].template]
    if untold:
        raise WireError(
            f"an answer to {untold[0]!r} could not be told from a late one",
            where=f"protocol {dialect.name!r}",
            expected="{tag} in every request that is answered and in every reply, or in none",
        )
    if numbered and len(numbered) < len(replied):
        alone = next(command.template for command in replied if not is_numbered(command))
        raise WireError(
            f"an answer to {alone!r} could not be told from a late one",
            where=f"protocol {dialect.name!r}",
            expected="{tag} in every request that is answered and in every reply, or in none",
        )
    if numbered and dialect.tag_modulus < 2:
        raise WireError(
            f"requests are numbered modulo {dialect.tag_modulus}",
            where=f"protocol {dialect.name!r}",
            expected="2 or more",
        )


def _has_tag(message: MessageSpec) -> bool:
    return any(field.name == TAG for field in message.fields)


def banner_pattern(banner: str) -> re.Pattern[bytes] | None:
    """Return the pattern of a line of boot text, `None` where there is none."""
    if not banner:
        return None
    try:
        return re.compile(banner.encode())
    except re.error as error:
        raise WireError(f"the banner {banner!r} is not a regular expression ({error})") from None


def field_of(spec: MessageSpec, name: str) -> FieldSpec:
    """Return the field of that name."""
    return next(field for field in spec.fields if field.name == name)


def _first_field(messages: Iterable[MessageSpec], name: str) -> FieldSpec | None:
    if not name:
        return None
    return next((field for m in messages for field in m.fields if field.name == name), None)


def numbering_of(dialect: Dialect) -> Numbering | None:
    """Return what follows the numbers of lines, `None` where there are none that tell a gap."""
    sequence = _first_field(dialect.messages, dialect.sequence_field)
    clock = _first_field(dialect.messages, dialect.clock_field)
    if sequence is None or sequence.modulus < 4:  # with fewer numbers a gap cannot be told from a step back
        return None
    return Numbering(sequence.modulus, clock.modulus * abs(clock.scale) if clock else 0.0)


def sequence_scaling(dialect: Dialect) -> tuple[float, float]:
    """Return scale and offset of the field that numbers lines."""
    sequence = _first_field(dialect.messages, dialect.sequence_field)
    return (sequence.scale, sequence.offset) if sequence else (1.0, 0.0)


def refuse_long_keys(dialect: Dialect) -> None:
    """Raise `WireError` where a console that takes keys is given more than one at a time."""
    console = dialect.console
    if console is None or not console.key_by_key:
        return
    keys = [command.template for command in dialect.commands.values()]
    keys += [key for menu in console.menus.values() for key in (menu.enter, menu.leave)]
    wrong = [key for key in keys if len(key) != 1] or ([keys[0]] if keys and dialect.check else [])
    if wrong:
        raise WireError(
            f"{wrong[0]!r} is not one key",
            where=f"protocol {dialect.name!r}",
            expected="one character for every command and menu, and no check behind it",
        )


def detail_for(spec: MessageSpec, values: Mapping[str, Value]) -> dict[str, Value]:
    """Return values with what stands for no detail where it is needed and none is given."""
    filled = dict(values)
    if any(field.name == DETAIL for field in spec.fields) and not filled.get(DETAIL):
        filled.pop(DETAIL, None)
        field = field_of(spec, DETAIL)
        if not field.optional:
            filled[DETAIL] = NO_DETAIL if field.type is FieldType.WORD else ""
    return filled
