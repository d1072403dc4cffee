"""The fields of messages and commands in protocol files, compiled, with types, units and words checked."""

from __future__ import annotations

from collections.abc import Iterable

from hil.quantities import QuantityError, convert
from hil.spec.arguments import FRONTS, INNER_UNITS
from hil.spec.checking import Document, Key
from hil.spec.protocol_file import CommandPart, FieldPart, MessagePart
from hil.spec.protocol_templates import PLACEHOLDER
from hil.vocabulary import CHANNELS, EVENTS
from hil.wire.dialect import FieldSpec, FieldType, Role

_NUMERIC = ("unsigned", "signed", "hex", "decimal")
_CALLED = {
    "unsigned": "an unsigned number",
    "signed": "a signed number",
    "hex": "a hexadecimal number",
    "decimal": "a decimal",
    "word": "a word",
    "text": "a text",
}
_VALUES = (Role.TELEMETRY, Role.ROW)  # of channels
# Channels that a firmware may name by words: what they mean is a closed set of words, or its own affair.
_WORDED = ("tracking", "state", "heading")


def ordered_fields(part: MessagePart | CommandPart) -> list[tuple[str, FieldPart]]:
    """Return the fields in the order of the template, so that a reader of the dialect may go by position."""
    order = {name: index for index, name in enumerate(PLACEHOLDER.findall(part.template))}
    return sorted(part.fields.items(), key=lambda item: order.get(item[0], len(order)))


def compile_field(document: Document, at: Key, name: str, part: FieldPart, role: Role | None) -> FieldSpec:
    """Return a field of a message of that role (None: of a command), with what is wrong in it reported."""
    kind = document.node((*at, "type"))
    if kind is not None and not kind.stands_in:  # what else the field says fits a type that is not known yet
        _check_shape(document, at, part)
        _check_meaning(document, at, name, part, role)
    return FieldSpec(
        name=name,
        type=FieldType(part.type),
        scale=part.scale * _factor(document, at, name, part, role),
        offset=part.offset,
        modulus=part.modulus,
        choices=dict(part.choices),
        places=part.places,
        key=part.key,
        optional=part.optional,
        repeated_by=part.repeated,
    )


def _check_shape(document: Document, at: Key, part: FieldPart) -> None:
    """Check what only some types may have."""
    called = _CALLED[part.type]
    if part.type not in _NUMERIC:
        for key in ("unit", "scale", "offset", "modulus"):
            if document.node((*at, key)) is not None:
                document.report((*at, key), found=f"'{key}' for {called}", expected="it for numbers only", key=True)
    if part.type != "decimal" and document.node((*at, "places")) is not None:
        document.report((*at, "places"), found=f"'places' for {called}", expected="it for decimals only", key=True)
    if part.type == "decimal" and part.modulus:
        document.report(
            (*at, "modulus"), found=f"'modulus' for {called}", expected="it for whole numbers only", key=True
        )
    if part.repeated and part.type == "text":
        document.report(
            (*at, "repeated"), found=f"'repeated' for {called}", expected="it for numbers and words", key=True
        )
    elif part.repeated and not (part.repeated.isascii() and part.repeated.isprintable()):
        document.report((*at, "repeated"), expected="printable characters")
    if part.choices and part.type != "word":
        document.report((*at, "choices"), expected="choices for words only", key=True)


def _check_meaning(document: Document, at: Key, name: str, part: FieldPart, role: Role | None) -> None:
    """Check that the type and the words of a field fit what its name stands for."""
    if name == "event":
        _check_choices(document, at, part, EVENTS, "an event")
    if role is None and name == "front":
        _check_choices(document, at, part, FRONTS, "what ends a straight")
    if role in _VALUES and part.type not in _NUMERIC and name in CHANNELS and name not in _WORDED:
        document.report((*at, "type"), expected=f"unsigned, signed, hex or decimal, since {name} is a number")


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
