"""Regular expressions in files, bounded: a line of a robot must never keep the tool busy.

Allowed are characters, `.`, classes in square brackets, escapes, groups with alternatives, and `?`, `*`, `+` and
`{m,n}`. Python's matcher tries one way after the other, so what bounds its time is in how many ways a pattern can lie
on a line: the product of the lengths that its repeats may take and of its alternatives. Refused are patterns in which
a part is repeated that can itself lie in several ways, and those with more ways than `MOST_WAYS` on the longest line.
Refused too are patterns that an empty line fits, and alternatives with nothing in them: a slip of the pen each time.
"""

from __future__ import annotations

import re
import warnings

LONGEST_PATTERN = 200  # characters; a banner is one line
MOST_WAYS = 100_000  # about 10 ms of trying; two open repeats on a line of 300 bytes
_REPEAT = re.compile(r"\{(\d{0,4})(?:(,)(\d{0,4}))?\}")
_CLASS = re.compile(r"\[\^?\]?(?:\\.|[^\]\\])*\]", re.DOTALL)


class PatternError(ValueError):
    """The pattern is none, or could take for ever; the message completes the sentence *expected …*."""


def check_pattern(pattern: str, longest_line: int) -> None:
    """Raise `PatternError` for a pattern that does not compile, is too long, or could take for ever on such a line."""
    if len(pattern) > LONGEST_PATTERN:
        raise PatternError(f"at most {LONGEST_PATTERN} characters")
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")  # Python warns of patterns that will mean something else one day
            re.compile(pattern)
    except (re.error, OverflowError, RecursionError, Warning) as error:
        raise PatternError(f"a regular expression ({error})") from None
    if _Ways(pattern, longest_line).whole() > MOST_WAYS:
        raise PatternError("fewer repeats, since this could take for ever")
    if re.fullmatch(pattern, "") is not None:
        raise PatternError("a pattern with something in it that must be there, since this one fits an empty line")


class _Ways:
    """Counts in how many ways a pattern can lie on a line; the pattern is known to compile."""

    def __init__(self, pattern: str, longest_line: int) -> None:
        self._text = pattern
        self._longest = longest_line
        self._at = 0

    def whole(self) -> int:
        return self._alternatives()

    def _peek(self) -> str:
        return self._text[self._at : self._at + 1]

    def _alternatives(self) -> int:
        """Return the ways of alternatives up to a closing bracket or the end."""
        begun_at = self._at
        ways = self._sequence()
        is_empty = self._at == begun_at
        several = self._peek() == "|"
        while self._peek() == "|":
            self._at += 1
            begun_at = self._at
            ways += self._sequence()
            is_empty = is_empty or self._at == begun_at
        if several and is_empty:
            raise PatternError("something on both sides of every |, or \\| for the character itself")
        return ways

    def _sequence(self) -> int:
        ways = 1
        while self._peek() not in ("", "|", ")"):
            one = self._atom()
            lengths, most = self._repeat()
            if lengths > 1 and one > 1:
                raise PatternError("no repeat of what can itself be read in several ways, since it could take for ever")
            ways = min(ways * max(lengths, _power(one, most)), MOST_WAYS + 1)
        return ways

    def _atom(self) -> int:
        """Pass over a character, a class or a group, and return its ways."""
        char = self._peek()
        if char == "(":
            return self._group()
        if char == "[":
            found = _CLASS.match(self._text, self._at)
            self._at = found.end() if found else len(self._text)
        elif char == "\\":
            if self._text[self._at + 1 : self._at + 2] in tuple("123456789"):
                raise PatternError("no reference back to a group")
            self._at += 2
        else:
            self._at += 1
        return 1

    def _group(self) -> int:
        self._at += 1
        if self._peek() == "?":
            if not self._text.startswith("?:", self._at):
                raise PatternError("plain groups only, (…) or (?:…)")
            self._at += 2
        ways = self._alternatives()
        self._at += 1  # the closing bracket
        return ways

    def _repeat(self) -> tuple[int, int]:
        """Pass over a repeat, if any; return how many lengths it may have (1: a fixed one), and the longest."""
        char = self._peek()
        lengths = most = 1
        if char and char in "?*+":
            self._at += 1
            lengths = 2 if char == "?" else self._longest + 1
            most = lengths - 1
        elif char == "{" and (found := _REPEAT.match(self._text, self._at)) is not None:
            self._at = found.end()
            least = int(found[1] or 0)
            most = least if not found[2] else int(found[3] or self._longest)
            lengths = max(1, most - least + 1)
        else:
            return 1, 1
        if self._peek() in ("?", "+"):  # a lazy or a possessive repeat tries the same lengths
            self._at += 1
        return lengths, most


def _power(ways: int, times: int) -> int:
    """Return in how many ways a part can lie that stands so often in a row, bounded as all ways are."""
    found = 1
    for _ in range(times if ways > 1 else 0):
        found *= ways
        if found > MOST_WAYS:
            return MOST_WAYS + 1
    return found
