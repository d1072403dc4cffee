"""One template that both parses and formats a message.

A template is literal text with `{name}` standing for a field. It accepts exactly what it could have written: no
leading blanks, no trailing junk, single blanks where it has single blanks. A template that could be taken apart in
two ways is refused when it is built: whatever follows a field must begin with a character that cannot go on with it,
and a field of free text stands last.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping

from hil.errors import WireError
from hil.wire.dialect import FieldSpec, FieldType
from hil.wire.fields import Field, OutOfRangeError, Value

_PIECE = re.compile(r"\{([A-Za-z][A-Za-z0-9._-]*)\}|([^{}]+)|(.)", re.DOTALL)


class Template:
    """A compiled template; `fields` are in the order in which they stand in the text."""

    def __init__(self, text: str, specs: Iterable[FieldSpec]) -> None:
        self.text = text
        self._literals: list[str] = [""]  # one more than fields: before, between and after them
        self.fields: tuple[Field, ...] = tuple(self._take_apart({spec.name: spec for spec in specs}))
        self._refuse_ambiguity()
        pattern = re.escape(self._literals[0])
        for field, literal in zip(self.fields, self._literals[1:], strict=True):
            pattern += f"({field.pattern})" + re.escape(literal)
        self._match = re.compile(pattern.encode("ascii")).fullmatch
        self._readers = tuple((field.name, field.read) for field in self.fields)

    @property
    def names(self) -> tuple[str, ...]:
        """The names of the fields in order."""
        return tuple(field.name for field in self.fields)

    @property
    def pattern(self) -> str:
        """The regular expression of one such message, without groups, for scanning."""
        pairs = zip(self.fields, self._literals[1:], strict=True)
        return re.escape(self._literals[0]) + "".join(f"{field.pattern}{re.escape(after)}" for field, after in pairs)

    @property
    def first_word(self) -> bytes | None:
        """The word that every such message begins with, `None` where it begins with a field."""
        head, blank, _ = self._literals[0].partition(" ")
        if not head or (self.fields and not blank):
            return None
        return head.encode("ascii")

    def parse(self, message: bytes) -> dict[str, Value] | None:
        """Return the values of `message`, or `None` where it is not exactly of this form."""
        match = self._match(message)
        if match is None:
            return None
        try:
            return {name: read(text) for (name, read), text in zip(self._readers, match.groups(), strict=True)}
        except OutOfRangeError:
            return None

    def format(self, values: Mapping[str, Value]) -> bytes:
        """Return the message that carries `values`; raise `WireError` for a missing, unknown or unfit value."""
        if len(values) != len(self.fields) or any(field.name not in values for field in self.fields):
            self._refuse_names(values)
        pieces = [self._literals[0]]
        for field, literal in zip(self.fields, self._literals[1:], strict=True):
            pieces += (field.write(values[field.name]), literal)
        return "".join(pieces).encode("ascii")

    def _refuse_names(self, values: Mapping[str, Value]) -> None:
        missing = [name for name in self.names if name not in values]
        unknown = [name for name in values if name not in self.names]
        what = [f"no value for {', '.join(missing)}"] if missing else []
        what += [f"no place for {', '.join(unknown)}"] if unknown else []
        raise WireError(" and ".join(what), where=f"message {self.text!r}", expected=", ".join(self.names) or "nothing")

    def _take_apart(self, specs: dict[str, FieldSpec]) -> Iterable[Field]:
        unused = dict(specs)
        for match in _PIECE.finditer(self.text):
            name, literal, stray = match.groups()
            if stray is not None:
                raise WireError(f"a stray {stray!r} in the template {self.text!r}", expected="{name} of a field")
            if literal is not None:
                if not (literal.isascii() and literal.isprintable()):
                    raise WireError(f"the template {self.text!r} is not plain", expected="printable ASCII")
                self._literals[-1] += literal
                continue
            if name not in unused:
                fault = "stands twice" if name in specs else "is not among the fields"
                raise WireError(f"{{{name}}} {fault}", where=f"template {self.text!r}")
            self._literals.append("")
            yield Field(unused.pop(name))
        if unused:
            raise WireError(f"the fields {', '.join(unused)} have no place", where=f"template {self.text!r}")

    def _refuse_ambiguity(self) -> None:
        for index, field in enumerate(self.fields):
            after = self._literals[index + 1]
            follower = self.fields[index + 1] if index + 1 < len(self.fields) else None
            if not after and follower is None:
                continue
            if field.spec.type is FieldType.TEXT:
                raise WireError(f"{{{field.name}}} is free text and does not stand last", where=f"{self.text!r}")
            begins = {after[0]} if after else follower.first if follower else frozenset()
            if field.further & begins:
                raise WireError(
                    f"the end of {{{field.name}}} cannot be found",
                    where=f"template {self.text!r}",
                    expected="something after it that cannot belong to it, such as a blank",
                )
