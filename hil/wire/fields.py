"""One field of a message: text on the wire on one side, a value in the channel's unit on the other.

The grammar of each type, and nothing else, is accepted:
  unsigned  decimal digits of ASCII, leading zeros allowed (firmware pads), at most `MOST_DIGITS` of them
  signed    the same with an optional minus; "-0" is refused, since no integer prints so
  hex       upper-case hexadecimal digits
  decimal   the digits of signed, and behind them maybe a point with digits; "-0.00" is taken, since firmware prints it
  word      letters, digits and . _ + : , - / ; with `choices`, only those
  text      printable ASCII and blanks to the end of the message, maybe nothing

Numbers lie in 0 to modulus-1, signed ones in -modulus/2 to modulus/2-1; without a modulus, in what 32 bits hold,
since that is the widest number small firmware prints. Reading refuses a number outside. Writing wraps a number that
has a modulus (counters and clocks are meant to wrap) and refuses one without.

A number that is not scaled stays an `int`; a scaled one is `raw * scale + offset`, and so is every decimal.

A repeated field is one or more of these, at most `MOST_REPEATED`, joined by a text that none of them can hold; its
value is a tuple.
"""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Callable

from hil.errors import InternalError, WireError
from hil.wire.dialect import FieldSpec, FieldType

Scalar = int | float | str
Value = Scalar | tuple[Scalar, ...]
Reader = Callable[[bytes], Value]
Writer = Callable[[Value], str]

MOST_DIGITS = 10  # 32 bits need ten decimal digits; padding beyond that is noise
MOST_PLACES = 9  # behind a point: more than any sensor of a small robot resolves
MOST_REPEATED = 64  # of one field on a line: a row of the largest maze has half as many cells
_WIDEST = 1 << 32

DIGITS = frozenset("0123456789")
HEX_DIGITS = DIGITS | frozenset("ABCDEF")
WORD_CHARACTERS = DIGITS | frozenset("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ._+:,-/")
TEXT_CHARACTERS = frozenset(map(chr, range(0x20, 0x7F)))

_PATTERNS = {
    FieldType.UNSIGNED: rf"[0-9]{{1,{MOST_DIGITS}}}",
    FieldType.SIGNED: rf"(?!-0+(?![0-9]))-?[0-9]{{1,{MOST_DIGITS}}}",
    FieldType.HEX: rf"[0-9A-F]{{1,{MOST_DIGITS}}}",
    FieldType.DECIMAL: rf"-?[0-9]{{1,{MOST_DIGITS}}}(?:\.[0-9]{{1,{MOST_PLACES}}})?",
    FieldType.WORD: r"[A-Za-z0-9._+:,/\-]+",
    FieldType.TEXT: r"[\x20-\x7e]*",
}
_CHARACTERS = {
    FieldType.UNSIGNED: DIGITS,
    FieldType.SIGNED: DIGITS,
    FieldType.HEX: HEX_DIGITS,
    FieldType.DECIMAL: DIGITS | {"."},
    FieldType.WORD: WORD_CHARACTERS,
    FieldType.TEXT: TEXT_CHARACTERS,
}
INTEGERS = frozenset({FieldType.UNSIGNED, FieldType.SIGNED, FieldType.HEX})
NUMBERS = INTEGERS | {FieldType.DECIMAL}
_WITH_A_SIGN = frozenset({FieldType.SIGNED, FieldType.DECIMAL})


class OutOfRangeError(ValueError):
    """A number read from the wire lies outside its range."""


class Field:
    """A compiled `FieldSpec`: `pattern` for the regular expression, `read` and `write` for the value.

    `first` holds the characters that may begin the field, `further` those that may go on with it; a template uses
    them to see that every line can be taken apart in one way only.
    """

    def __init__(self, spec: FieldSpec) -> None:
        self.spec = spec
        self.name = spec.name
        if spec.choices and spec.type is not FieldType.WORD:
            raise WireError(f"the field {spec.name!r} has choices and is not a word", expected="type: word")
        if spec.type in NUMBERS:
            _check_number(spec)
        self.lowest, self.highest = number_range(spec)
        self.pattern, self.first, self.further = self._grammar()
        self.read: Reader = self._reader()
        self.write: Writer = self._writer()
        if spec.repeated_by:
            self._repeat(spec.repeated_by)

    def _writer(self) -> Writer:
        if self.spec.type is FieldType.DECIMAL:
            return self._decimal_writer()
        return self._number_writer() if self.spec.type in INTEGERS else self._word_writer()

    def _repeat(self, between: str) -> None:
        """Make a field of one value one of several, told apart by `between`."""
        if not (between.isascii() and between.isprintable()) or self.spec.type is FieldType.TEXT:
            raise WireError(
                f"the field {self.name!r} cannot be repeated so", expected="numbers or words, and plain text"
            )
        if between[0] in self.first | self.further:
            raise WireError(
                f"the values of {self.name!r} cannot be told apart by {between!r}",
                expected="something that none of them can hold",
            )
        one, read, write = self.pattern, self.read, self.write
        self.pattern = f"{one}(?:{re.escape(between)}{one}){{0,{MOST_REPEATED - 1}}}"
        self.further = self.further | {between[0]}
        apart = between.encode("ascii")

        def read_all(text: bytes) -> Value:
            return tuple(_scalar(read(piece)) for piece in text.split(apart))

        def write_all(value: Value) -> str:
            values = value if isinstance(value, tuple) else (value,)
            if not 0 < len(values) <= MOST_REPEATED:
                raise WireError(
                    f"{len(values)} values do not fit the field {self.name!r}", expected=f"1 to {MOST_REPEATED}"
                )
            return between.join(write(one) for one in values)

        self.read, self.write = read_all, write_all

    def _grammar(self) -> tuple[str, frozenset[str], frozenset[str]]:
        spec = self.spec
        if spec.choices:
            for word in spec.choices:
                if not word or not set(word) <= WORD_CHARACTERS:
                    raise WireError(f"{word!r} cannot be a choice of the field {spec.name!r}", expected="a word")
            # The longest first: of two choices that begin alike the longer one must be tried before the shorter.
            words = sorted(spec.choices, key=len, reverse=True)
            pattern = "|".join(map(re.escape, words))
            return f"(?:{pattern})", frozenset(w[0] for w in words), frozenset("".join(w[1:] for w in words))
        further = _CHARACTERS[spec.type]
        return _PATTERNS[spec.type], further - {"."} | {"-"} if spec.type in _WITH_A_SIGN else further, further

    def _reader(self) -> Reader:
        spec, name = self.spec, self.name
        if spec.type is FieldType.TEXT:
            return lambda text: text.decode("ascii")
        if spec.choices:
            canonical = {word.encode(): meaning for word, meaning in spec.choices.items()}
            return canonical.__getitem__
        if spec.type is FieldType.WORD:
            return lambda text: text.decode("ascii")
        if spec.type is FieldType.DECIMAL:
            return self._decimal_reader()
        base = 16 if spec.type is FieldType.HEX else 10
        low, high, scale, offset = self.lowest, self.highest, spec.scale, spec.offset
        plain = scale == 1.0 and offset == 0.0

        def read(text: bytes) -> Value:
            raw = int(text, base)
            if raw < low or raw > high:
                raise OutOfRangeError(f"{name} is {raw}, outside {low} to {high}")
            return raw if plain else raw * scale + offset

        return read

    def _decimal_reader(self) -> Reader:
        name, scale, offset = self.name, self.spec.scale, self.spec.offset

        def read(text: bytes) -> Value:
            raw = float(text)
            if abs(raw) >= _WIDEST:
                raise OutOfRangeError(f"{name} is {raw}, which is no number of a small firmware")
            return raw * scale + offset

        return read

    def _decimal_writer(self) -> Writer:
        spec = self.spec

        def write(value: Value) -> str:
            if isinstance(value, str | tuple) or not math.isfinite(value):
                raise WireError(f"{value!r} does not fit the field {spec.name!r}", expected="a number")
            text = f"{(value - spec.offset) / spec.scale:.{spec.places}f}"
            if abs(float(text)) >= _WIDEST:
                raise WireError(f"{value} does not fit the field {spec.name!r}", expected=f"less than {_WIDEST}")
            return text

        return write

    def _number_writer(self) -> Writer:
        spec = self.spec
        form = "X" if spec.type is FieldType.HEX else "d"

        def write(value: Value) -> str:
            raw = self._raw(value)
            if spec.modulus:
                raw = (raw - self.lowest) % spec.modulus + self.lowest
            elif not self.lowest <= raw <= self.highest:
                raise WireError(
                    f"{value} does not fit the field {spec.name!r}",
                    expected=f"{self.lowest} to {self.highest}" + (" after scaling" if spec.scale != 1.0 else ""),
                )
            return format(raw, form)

        return write

    def _raw(self, value: Value) -> int:
        spec = self.spec
        if isinstance(value, str | tuple) or not math.isfinite(value):
            raise WireError(f"{value!r} does not fit the field {spec.name!r}", expected="a number")
        if spec.scale == 1.0 and spec.offset == 0.0:
            return round(value)
        return round((value - spec.offset) / spec.scale)

    def _word_writer(self) -> Writer:
        spec = self.spec
        if spec.choices:
            # Several words of a firmware may mean the same; the first one listed is the one that is sent.
            words: dict[str, str] = {}
            for word, meaning in spec.choices.items():
                words.setdefault(meaning, word)
            return lambda value: _chosen(spec.name, words, value)
        allowed = _CHARACTERS[spec.type]
        may_be_empty = spec.type is FieldType.TEXT

        def write(value: Value) -> str:
            if not isinstance(value, str) or not set(value) <= allowed or not (value or may_be_empty):
                raise WireError(
                    f"{value!r} does not fit the field {spec.name!r}",
                    expected="printable ASCII" if may_be_empty else "letters, digits and . _ + : , - / without blanks",
                )
            return value

        return write


def number_range(spec: FieldSpec) -> tuple[int, int]:
    """Return the lowest and the highest number that may stand on the wire."""
    size = spec.modulus or _WIDEST
    lowest = -(size // 2) if spec.type is FieldType.SIGNED else 0
    return lowest, lowest + size - 1


def _scalar(value: Value) -> Scalar:
    if isinstance(value, tuple):
        raise InternalError("a field of one value gave several")
    return value


def _check_number(spec: FieldSpec) -> None:
    if not 0 <= spec.places <= MOST_PLACES:
        raise WireError(f"the field {spec.name!r} has {spec.places} places", expected=f"0 to {MOST_PLACES}")
    if spec.type is FieldType.DECIMAL and spec.modulus:
        raise WireError(f"the field {spec.name!r} is a decimal and wraps", expected="a whole number, or no modulus")
    if spec.modulus < 0 or spec.modulus == 1 or spec.modulus > _WIDEST:
        raise WireError(
            f"the field {spec.name!r} wraps at {spec.modulus}", expected=f"2 to {_WIDEST}, or 0 where it does not wrap"
        )
    if not (math.isfinite(spec.scale) and math.isfinite(spec.offset)) or spec.scale == 0:
        raise WireError(f"the field {spec.name!r} has the scale {spec.scale}", expected="a finite number other than 0")


def _chosen(name: str, words: dict[str, str], value: Value) -> str:
    if isinstance(value, str) and value in words:
        return words[value]
    near = difflib.get_close_matches(str(value), words, n=1)
    raise WireError(
        f"{value!r} does not fit the field {name!r}",
        expected=f"one of {', '.join(words)}",
        todo=f"Did you mean {near[0]}?" if near else "",
    )
