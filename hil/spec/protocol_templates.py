"""The text forms of messages in protocol files: templates with optional parts, and pairs in any order."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from hil.spec.checking import Document, Key
from hil.spec.protocol_file import FieldPart, PairsPart
from hil.spec.wording import quoted

PLACEHOLDER = re.compile(r"\{([^{}]*)\}")
_LITERAL_BRACKETS = re.compile(r"\[\[|\]\]")
_LITERAL_HINT = "([[ and ]] stand for brackets of the message itself)"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Piece:
    """A placeholder of a template, and the number of the optional part that it stands in (0: none)."""

    name: str
    part: int


def check_template(document: Document, at: Key, template: str, fields: Mapping[str, FieldPart], *implied: str) -> None:
    """Check that the placeholders are the fields, each once, told apart by text between them.

    `implied` are placeholders that need no field of the file.
    """
    here = (*at, "template")
    placeholders = PLACEHOLDER.findall(template)
    raw = document.node((*at, "fields"))
    known = [*(raw.entries if raw else fields), *implied]
    for name in dict.fromkeys(placeholders):
        if name not in known:
            document.report_name(here, "a field of the message", name, known)
        if placeholders.count(name) > 1:
            document.report(here, found=f"{{{name}}} twice", expected="every field once")
    for name, part in fields.items():
        if name not in placeholders:
            document.report(
                (*at, "fields", name),
                found=f"a field that the template lacks, {quoted(name)}",
                expected=f"{{{name}}} in the template",
                key=True,
            )
        if part.key:
            document.report((*at, "fields", name, "key"), expected="keys in pairs only, not in a template", key=True)
    if re.search(r"[{}]", PLACEHOLDER.sub("", template)):
        document.report(here, expected="braces in pairs around names")
    if re.search(r"\}[\[\]]*\{", template):
        document.report(here, expected="some text between two fields, since nothing else tells where one ends")
    if not template.isprintable():
        document.report(here, expected="printable characters")
    _check_brackets(document, at, template, fields)
    _check_text_at_end(document, here, template, fields)


def _check_text_at_end(document: Document, here: Key, template: str, fields: Mapping[str, FieldPart]) -> None:
    placeholders = PLACEHOLDER.findall(template)
    for name in placeholders[:-1]:
        if name in fields and fields[name].type == "text":
            document.report(here, found=f"{{{name}}}, a text, before other fields", expected="a text at the end only")
    last = placeholders[-1] if placeholders else ""
    if last in fields and fields[last].type == "text" and not template.endswith(("}", "}]")):
        document.report(here, expected="nothing behind a field of text")


def _check_brackets(document: Document, at: Key, template: str, fields: Mapping[str, FieldPart]) -> None:
    """Check that optional parts are what optional fields stand in, and nothing else is."""
    here = (*at, "template")
    template = _LITERAL_BRACKETS.sub("", template)
    brackets = re.sub(r"[^\[\]]", "", template)
    if brackets.replace("[]", ""):
        document.report(here, expected=f"square brackets in pairs, none inside another {_LITERAL_HINT}")
        return
    pieces = list(_pieces(template))
    inside = {piece.name for piece in pieces if piece.part}
    for name in dict.fromkeys(piece.name for piece in pieces if piece.name in fields):
        optional = fields[name].optional
        if optional and name not in inside:
            document.report(
                here, found=f"the optional field {{{name}}} outside of square brackets", expected=f"[ {{{name}}}]"
            )
        if not optional and name in inside:
            document.report(
                (*at, "fields", name),
                found="nothing",
                expected=f"optional: yes, since it stands in square brackets {_LITERAL_HINT}",
                member="optional",
            )
    for number, text in enumerate(re.findall(r"\[([^\]]*)\]", template), start=1):
        if not any(piece.part == number for piece in pieces):
            document.report(here, found=quoted(f"[{text}]"), expected="an optional field in every pair of brackets")


def _pieces(template: str) -> Iterator[_Piece]:
    """Yield the placeholders in order; the brackets are known to be in pairs."""
    part, inside = 0, False
    for found in re.finditer(r"\{([^{}]*)\}|[\[\]]", template):
        if found[0] == "[":
            part, inside = part + 1, True
        elif found[0] == "]":
            inside = False
        else:
            yield _Piece(name=found[1], part=part if inside else 0)


def check_pairs(document: Document, at: Key, form: PairsPart, fields: Mapping[str, FieldPart]) -> None:
    """Check that every field has a key of its own, and that keys and values can be told apart."""
    for name in ("head", "equals", "between"):
        text = getattr(form, name)
        if not (text.isascii() and text.isprintable()) and document.node((*at, "pairs", name)) is not None:
            document.report((*at, "pairs", name), expected="printable characters")
    if not fields:
        document.report(at, found="nothing", expected="a field at least", member="fields")
    seen: dict[str, str] = {}
    for name, part in fields.items():
        here = (*at, "fields", name)
        if not part.key:
            document.report(here, found="nothing", expected="its word in the pairs", member="key")
            continue
        if part.key in seen:
            document.report((*here, "key"), expected=f"another key than that of {seen[part.key]}")
        seen.setdefault(part.key, name)
        if form.equals in part.key or form.between in part.key or not re.fullmatch(r"[!-~]+", part.key):
            document.report(
                (*here, "key"), expected=f"a key without blanks, {quoted(form.equals)} and {quoted(form.between)}"
            )
        if part.type == "text":
            document.report((*here, "type"), expected="another type, since a text would run on into the next pair")
        if part.repeated and form.between.startswith(part.repeated):
            document.report((*here, "repeated"), expected=f"another text than {quoted(form.between)} between the pairs")
