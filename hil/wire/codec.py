"""Whole lines: the check around a message, and which message a line is.

A line is taken apart in this order: check, then the message by its first word, then its fields. What fails is
`NoiseReason.CHECK`, `UNPARSED`, or `UNDECODABLE` where so many bytes are not printable that the port speaks
something else, at another speed most likely. Nothing here raises on what came from the wire.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from enum import StrEnum
from typing import Generic, Protocol, TypeVar

from hil.errors import WireError
from hil.wire.checks import find_check
from hil.wire.dialect import LineCheck, LineFraming
from hil.wire.fields import Value

Key = TypeVar("Key")


class Form(Protocol):
    """What parses and formats one message: a template, or pairs."""

    @property
    def names(self) -> tuple[str, ...]:
        """The names of its fields."""

    @property
    def first_word(self) -> bytes | None:
        """The word that every such message begins with, `None` where there is none."""

    def parse(self, message: bytes) -> dict[str, Value] | None:
        """Return the values of a message, or `None` where it is not of this form."""

    def format(self, values: Mapping[str, Value]) -> bytes:
        """Return the message that carries values."""


# Above this share of unprintable bytes a bad line says "wrong speed" rather than "a bit was flipped".
GARBAGE_SHARE = 0.3
_UNPRINTABLE = re.compile(rb"[^\x20-\x7e\t]")


class NoiseReason(StrEnum):
    """Why a line was not taken."""

    CHECK = "check"  # the check is missing or wrong
    OVERLONG = "overlong"  # no ending within the longest line allowed
    UNPARSED = "unparsed"  # the check is right, and no message of the dialect looks so
    UNDECODABLE = "undecodable"  # not text at all


class Envelope:
    """The check and the ending around a message."""

    def __init__(self, framing: LineFraming, check: LineCheck | None) -> None:
        self._ending = framing.ending
        self._longest = framing.max_length
        self.open: Callable[[bytes], bytes | None] = _nothing_to_check
        self._trailer: Callable[[bytes], bytes] = _no_trailer
        if check is not None:
            self._take(check)

    def _take(self, spec: LineCheck) -> None:
        check = find_check(spec.name)
        if spec.digits < check.digits:
            raise WireError(f"{spec.digits} digits do not hold {check.name}", expected=f"{check.digits} or more")
        if not spec.separator.isascii() or b"\r" in spec.separator or b"\n" in spec.separator:
            raise WireError(f"the check cannot stand after {spec.separator!r}", expected="printable ASCII")
        compute, separator = check.compute, spec.separator
        form = b"%s%%0%dX" % (separator.replace(b"%", b"%%"), spec.digits)
        length = len(separator) + spec.digits

        def open_checked(line: bytes) -> bytes | None:
            body = line[:-length]
            # An empty message is refused: with some checks its check is a row of zeros, which a dead line can fake.
            return body if body and line[-length:] == form % compute(body) else None

        self.open = open_checked
        self._trailer = lambda body: form % compute(body)

    def seal(self, body: bytes) -> bytes:
        """Return `body` with its check and ending; raise `WireError` where the line would be too long."""
        line = body + self._trailer(body)
        if len(line) > self._longest:
            raise WireError(
                f"the message is {len(line)} bytes long with its check",
                where=f"message {body[:40].decode('ascii', 'replace')!r}",
                expected=f"at most {self._longest}",
                todo="Shorten it, or drive the path in two parts",
            )
        return line + self._ending


def _nothing_to_check(line: bytes) -> bytes | None:
    return line or None


def _no_trailer(_: bytes) -> bytes:
    return b""


class Codec(Generic[Key]):
    """Lines to values and back, over a set of templates each known by a key."""

    def __init__(self, envelope: Envelope, templates: Mapping[Key, Form]) -> None:
        self._envelope = envelope
        self._templates = dict(templates)
        anywhere: list[tuple[Key, Form]] = []
        self._by_word: dict[bytes, list[tuple[Key, Form]]] = {}
        for key, template in self._templates.items():
            if template.first_word is None:
                anywhere.append((key, template))
            else:
                self._by_word.setdefault(template.first_word, []).append((key, template))
        for candidates in self._by_word.values():
            candidates += anywhere
        self._anywhere = anywhere

    def decode(self, line: bytes) -> tuple[Key, dict[str, Value], bytes] | NoiseReason:
        """Return the key, the values and the bare message of `line` (without its ending), or why it is noise."""
        body = self._envelope.open(line)
        if body is None:
            return NoiseReason.UNDECODABLE if looks_like_garbage(line) else NoiseReason.CHECK
        for key, template in self._by_word.get(body.partition(b" ")[0], self._anywhere):
            values = template.parse(body)
            if values is not None:
                return key, values, body
        return NoiseReason.UNDECODABLE if looks_like_garbage(line) else NoiseReason.UNPARSED

    def encode(self, key: Key, values: Mapping[str, Value]) -> bytes:
        """Return the whole line that carries `values`; raise `WireError` for what it cannot carry."""
        return self._envelope.seal(self._templates[key].format(values))

    def names(self, key: Key) -> tuple[str, ...]:
        """Return the names of the fields of the message `key`."""
        return self._templates[key].names


def looks_like_garbage(line: bytes) -> bool:
    """Whether so much of `line` is unprintable that it is not text."""
    return len(_UNPRINTABLE.findall(line)) > GARBAGE_SHARE * len(line)
