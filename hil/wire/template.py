"""One template that both parses and formats a message.

A template is literal text with `{name}` standing for a field. Text in square brackets is optional, with the fields that
stand in it; `[[` and `]]` are brackets of the message itself. A template accepts exactly what it could have written: no
leading blanks, no trailing junk, single blanks where it has single blanks. A template that could be taken apart in
two ways is refused when it is built: whatever may follow a field must begin with a character that cannot go on with it,
an optional part begins otherwise than what stands there without it, and a field of free text stands last.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field

from hil.errors import WireError
from hil.wire.dialect import FieldSpec, FieldType
from hil.wire.fields import Field, OutOfRangeError, Value

_PIECE = re.compile(r"\{([A-Za-z][A-Za-z0-9._-]*)\}|(\[\[|\]\])|(\[|\])|([^{}\[\]]+)|(.)", re.DOTALL)


@dataclass(slots=True)
class _Part:
    """A stretch of the template: literals before, between and after its fields (one more than fields)."""

    is_optional: bool
    literals: list[str] = field(default_factory=lambda: [""])
    fields: list[Field] = field(default_factory=list)

    @property
    def pattern(self) -> str:
        """The regular expression of the part, one group a field."""
        pairs = zip(self.fields, self.literals[1:], strict=True)
        inner = re.escape(self.literals[0]) + "".join(f"({f.pattern}){re.escape(after)}" for f, after in pairs)
        return f"(?:{inner})?" if self.is_optional else inner

    @property
    def is_empty(self) -> bool:
        """Whether nothing stands in it."""
        return not self.fields and not self.literals[0]

    @property
    def first(self) -> frozenset[str]:
        """The characters that it may begin with."""
        return (
            frozenset(self.literals[0][0]) if self.literals[0] else self.fields[0].first if self.fields else frozenset()
        )

    def written(self, values: Mapping[str, Value]) -> str:
        """Return its text; "" for an optional part none of whose fields are given."""
        if self.is_optional and not any(one.name in values for one in self.fields):
            return ""
        pieces = [self.literals[0]]
        for one, literal in zip(self.fields, self.literals[1:], strict=True):
            pieces += (one.write(values[one.name]), literal)
        return "".join(pieces)


class Template:
    """A compiled template; `fields` are in the order in which they stand in the text."""

    def __init__(self, text: str, specs: Iterable[FieldSpec]) -> None:
        self.text = text
        self._parts = [part for part in self._take_apart({spec.name: spec for spec in specs}) if not part.is_empty]
        self.fields: tuple[Field, ...] = tuple(one for part in self._parts for one in part.fields)
        self._refuse_ambiguity()
        self._match = re.compile("".join(part.pattern for part in self._parts).encode("ascii")).fullmatch
        self._readers = tuple((one.name, one.read) for one in self.fields)
        self._needed = frozenset(one.name for part in self._parts if not part.is_optional for one in part.fields)
        self._has_options = any(part.is_optional for part in self._parts)

    @property
    def names(self) -> tuple[str, ...]:
        """The names of the fields in order."""
        return tuple(one.name for one in self.fields)

    @property
    def pattern(self) -> str:
        """The regular expression of one such message, without groups, for scanning."""
        text = ""
        for part in self._parts:
            pairs = zip(part.fields, part.literals[1:], strict=True)
            inner = re.escape(part.literals[0]) + "".join(f"{f.pattern}{re.escape(after)}" for f, after in pairs)
            text += f"(?:{inner})?" if part.is_optional else inner
        return text

    @property
    def first_word(self) -> bytes | None:
        """The word that every such message begins with, `None` where it begins with a field."""
        if not self._parts or self._parts[0].is_optional:
            return None
        start = self._parts[0]
        head, blank, _ = start.literals[0].partition(" ")
        goes_on = bool(start.fields) or len(self._parts) > 1
        if not head or (goes_on and not blank and not self._blank_follows()):
            return None
        return head.encode("ascii")

    def _blank_follows(self) -> bool:
        """Whether the first literal is a word of its own: only optional parts that begin with a blank follow it."""
        start, rest = self._parts[0], self._parts[1:]
        return not start.fields and all(part.is_optional and part.first == frozenset(" ") for part in rest)

    def parse(self, message: bytes) -> dict[str, Value] | None:
        """Return the values of `message`, or `None` where it is not exactly of this form."""
        match = self._match(message)
        if match is None:
            return None
        try:
            if not self._has_options:
                return {name: read(text) for (name, read), text in zip(self._readers, match.groups(), strict=True)}
            pairs = zip(self._readers, match.groups(), strict=True)
            return {name: read(text) for (name, read), text in pairs if text is not None}
        except OutOfRangeError:
            return None

    def format(self, values: Mapping[str, Value]) -> bytes:
        """Return the message that carries `values`; raise `WireError` for a missing, unknown or unfit value."""
        known = self.names
        if any(name not in values for name in self._needed) or any(name not in known for name in values):
            self._refuse_names(values, [name for name in known if name in self._needed and name not in values])
        for part in self._parts:
            given = [one.name in values for one in part.fields]
            if part.is_optional and any(given) and not all(given):
                self._refuse_names(values, [one.name for one in part.fields if one.name not in values])
        return "".join(part.written(values) for part in self._parts).encode("ascii")

    def _refuse_names(self, values: Mapping[str, Value], missing: list[str]) -> None:
        unknown = [name for name in values if name not in self.names]
        what = [f"no value for {', '.join(missing)}"] if missing else []
        what += [f"no place for {', '.join(unknown)}"] if unknown else []
        raise WireError(" and ".join(what), where=f"message {self.text!r}", expected=", ".join(self.names) or "nothing")

    def _take_apart(self, specs: dict[str, FieldSpec]) -> Iterator[_Part]:
        unused, part = dict(specs), _Part(is_optional=False)
        for match in _PIECE.finditer(self.text):
            name, doubled, bracket, literal, stray = match.groups()
            if stray is not None:
                raise WireError(f"a stray {stray!r} in the template {self.text!r}", expected="{name} of a field")
            if bracket is not None:
                if (bracket == "]") is not part.is_optional:
                    raise WireError(f"a stray {bracket!r} in the template {self.text!r}", expected="brackets in pairs")
                if part.is_optional and not part.fields:
                    raise WireError(
                        f"brackets without a field in the template {self.text!r}", expected="a field in them"
                    )
                yield part
                part = _Part(is_optional=bracket == "[")
            elif name is None:
                plain = doubled[0] if doubled else literal
                if not (plain.isascii() and plain.isprintable()):
                    raise WireError(f"the template {self.text!r} is not plain", expected="printable ASCII")
                part.literals[-1] += plain
            else:
                if name not in unused:
                    fault = "stands twice" if name in specs else "is not among the fields"
                    raise WireError(f"{{{name}}} {fault}", where=f"template {self.text!r}")
                part.literals.append("")
                part.fields.append(Field(unused.pop(name)))
        if part.is_optional:
            raise WireError(f"a bracket is not closed in the template {self.text!r}", expected="brackets in pairs")
        yield part
        if unused:
            raise WireError(f"the fields {', '.join(unused)} have no place", where=f"template {self.text!r}")

    def _followers(self, index: int) -> frozenset[str]:
        """Return what may begin behind the part before `index`."""
        found: frozenset[str] = frozenset()
        for part in self._parts[index:]:
            found |= part.first
            if not part.is_optional:
                break
        return found

    def _refuse_ambiguity(self) -> None:
        for index, part in enumerate(self._parts):
            may_be_nothing = part.is_optional and part.fields[0].spec.type is FieldType.TEXT and not part.literals[0]
            if part.is_optional and (may_be_nothing or part.first & self._followers(index + 1)):
                raise WireError(
                    f"it cannot be told whether the optional part {index} is there",
                    where=f"template {self.text!r}",
                    expected="optional parts that are not empty and begin otherwise than what follows them",
                )
            for place, one in enumerate(part.fields):
                after = part.literals[place + 1]
                if after:
                    begins = frozenset(after[0])
                elif place + 1 < len(part.fields):
                    begins = part.fields[place + 1].first
                else:
                    begins = self._followers(index + 1)
                self._refuse_endless(one, begins)

    def _refuse_endless(self, one: Field, begins: frozenset[str]) -> None:
        if not begins:
            return
        if one.spec.type is FieldType.TEXT:
            raise WireError(f"{{{one.name}}} is free text and does not stand last", where=f"{self.text!r}")
        if one.further & begins:
            raise WireError(
                f"the end of {{{one.name}}} cannot be found",
                where=f"template {self.text!r}",
                expected="something after it that cannot belong to it, such as a blank",
            )
