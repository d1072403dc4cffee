"""A message of pairs, key and value, which may come in any order.

`head`, then pairs joined by `between`, each a key, `equals`, and a value. Every key stands once; optional ones may be
missing, unknown ones refuse the message, and nothing may follow the last value. It is written in the order of the
fields. Refused when built: keys or values that the joining texts cannot tell apart, and free text.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping

from hil.errors import WireError
from hil.wire.dialect import FieldSpec, FieldType, PairsForm
from hil.wire.fields import WORD_CHARACTERS, Field, OutOfRangeError, Value


class Pairs:
    """A compiled message of pairs, with the face of a `Template`."""

    def __init__(self, form: PairsForm, specs: Iterable[FieldSpec]) -> None:
        self.text = form.head
        self._form = form
        self.fields: tuple[Field, ...] = tuple(Field(spec) for spec in specs)
        self._refuse_ambiguity()
        self._head = form.head.encode("ascii")
        self._between = form.between.encode("ascii")
        pairs = "|".join(f"{re.escape(_key(one) + form.equals)}({one.pattern})" for one in self.fields)
        self._pair = re.compile(pairs.encode("ascii")).match
        self._readers = ("", _nothing), *((one.name, one.read) for one in self.fields)
        self._needed = frozenset(one.name for one in self.fields if not one.spec.optional)

    @property
    def names(self) -> tuple[str, ...]:
        """The names of the fields in the order they are written in."""
        return tuple(one.name for one in self.fields)

    @property
    def first_word(self) -> bytes | None:
        """The word that every such message begins with, `None` where it begins with a pair."""
        head, blank, _ = self._form.head.partition(" ")
        return head.encode("ascii") if head and blank else None

    def parse(self, message: bytes) -> dict[str, Value] | None:
        """Return the values of `message`, or `None` where it is not exactly of this form."""
        if not message.startswith(self._head):
            return None
        at, end, values = len(self._head), len(message), dict[str, Value]()
        while (pair := self._pair(message, at)) is not None:
            name, read = self._readers[pair.lastindex or 0]
            if name in values:
                return None
            try:
                values[name] = read(pair[pair.lastindex or 0])
            except OutOfRangeError:
                return None
            at = pair.end()
            if at == end:
                return values if self._needed <= values.keys() else None
            if not message.startswith(self._between, at):
                return None
            at += len(self._between)
        return None

    def format(self, values: Mapping[str, Value]) -> bytes:
        """Return the message that carries `values`; raise `WireError` for a missing, unknown or unfit value."""
        missing = [name for name in self.names if name in self._needed and name not in values]
        unknown = [name for name in values if name not in self.names]
        if missing or unknown or not values:
            what = [f"no value for {', '.join(missing)}"] if missing else []
            what += [f"no place for {', '.join(unknown)}"] if unknown else []
            raise WireError(
                " and ".join(what) or "no values",
                where=f"message {self._form.head!r}",
                expected=", ".join(self.names),
            )
        pairs = [
            f"{_key(one)}{self._form.equals}{one.write(values[one.name])}" for one in self.fields if one.name in values
        ]
        return (self._form.head + self._form.between.join(pairs)).encode("ascii")

    def _refuse_ambiguity(self) -> None:
        form, where = self._form, f"message {self._form.head!r}"
        joining = (form.head, form.between, form.equals)
        if not all(text.isascii() and text.isprintable() for text in joining) or not form.between or not form.equals:
            raise WireError("the pairs are not joined by plain text", where=where, expected="printable ASCII")
        keys = [_key(one) for one in self.fields]
        if not keys or len(set(keys)) < len(keys):
            raise WireError("the pairs have no keys, or one key twice", where=where, expected="every key once")
        for key, one in zip(keys, self.fields, strict=True):
            if not key or not set(key) <= WORD_CHARACTERS or form.equals[0] in key or form.between[0] in key:
                raise WireError(
                    f"{key!r} cannot be a key",
                    where=where,
                    expected=f"a word without {form.equals!r} or {form.between!r}",
                )
            if one.spec.type is FieldType.TEXT or form.between[0] in one.first | one.further:
                raise WireError(
                    f"the end of the value of {key!r} cannot be found", where=where, expected="a number or word"
                )


def _nothing(_: bytes) -> Value:
    return ""


def _key(one: Field) -> str:
    return one.spec.key or one.name
