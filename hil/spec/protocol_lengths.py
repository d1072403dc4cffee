"""How long the lines of a protocol are at least, held against what its framing lets through and its port carries."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence

from hil.spec.checking import Document
from hil.spec.protocol_templates import PLACEHOLDER
from hil.spec.wording import quoted
from hil.wire.dialect import Dialect, FieldSpec, FieldType, MessageSpec

_TAG = "{tag}"


def check_longest(document: Document, dialect: Dialect) -> None:
    """Check that no line is always longer than the framing lets through."""
    least, what = max(_lines(dialect), default=(0, ""))
    longest = dialect.framing.max_length
    if least > longest:
        written = document.node(("framing", "max_length")) is not None
        document.report(
            ("framing", "max_length") if written else ("framing",),
            found="" if written else f"{longest}, which is the default",
            member="" if written else "max_length",
            expected=f"{least} at least, since {what} is never shorter",
        )


def check_speed(document: Document, dialect: Dialect) -> None:
    """Check that what is sent unasked fits the line, if every message were as short as it can be."""
    ending = len(dialect.framing.ending)
    shares = {
        one.name: (_shortest_message(one, dialect) + ending) / one.period_s for one in dialect.messages if one.period_s
    }
    carried = dialect.port.baud / dialect.port.bits_per_byte
    if sum(shares.values()) > carried:
        largest = max(shares, key=lambda name: shares[name])
        document.report(
            ("messages", largest, "every"),
            expected=f"fewer lines, since {dialect.port.baud} baud carry {carried:.0f} bytes a second "
            f"and all that is sent unasked has {sum(shares.values()):.0f} at least",
        )


def _lines(dialect: Dialect) -> Iterator[tuple[int, str]]:
    """Yield the least number of bytes of every line, its ending not counted, and what line it is."""
    for message in dialect.messages:
        yield _shortest_message(message, dialect), f"the message {message.name}"
    check = _check_bytes(dialect)
    for action, command in dialect.commands.items():
        tag = 1 if _TAG in command.template else 0
        yield _shortest_template(command.template, command.fields) + tag + check, f"the command {action}"
    for block in dialect.blocks:
        for part, text in (("header", block.header), ("end", block.end)):
            count = 1 if PLACEHOLDER.search(text) else 0
            yield len(PLACEHOLDER.sub("", text)) + count + check, f"the {part} of the block {quoted(block.name)}"


def _shortest_message(message: MessageSpec, dialect: Dialect) -> int:
    """Return the least number of bytes of a message, its ending not counted."""
    form = message.pairs
    if form is None:
        return _shortest_template(message.template, message.fields) + _check_bytes(dialect)
    needed = [field for field in message.fields if not field.optional]
    literal = len(form.head) + sum(len(field.key + form.equals + form.between) for field in needed)
    return max(0, literal - len(form.between)) + _shortest_values(needed) + _check_bytes(dialect)


def _shortest_template(template: str, fields: Sequence[FieldSpec]) -> int:
    bare = re.sub(r"\[[^\[\]]*\]", "", template.replace("[[", "-").replace("]]", "-"))
    return len(PLACEHOLDER.sub("", bare)) + _shortest_values([field for field in fields if not field.optional])


def _shortest_values(needed: Sequence[FieldSpec]) -> int:
    return sum(min(map(len, field.choices), default=1) for field in needed if field.type is not FieldType.TEXT)


def _check_bytes(dialect: Dialect) -> int:
    return dialect.check.digits + len(dialect.check.separator) if dialect.check else 0
