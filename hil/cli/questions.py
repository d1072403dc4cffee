"""Questions to a person, each with a default and a reason, and each answered beforehand by an option.

An answer that cannot be read is told with what was expected, and asked for again; given by an option it is a mistake
of the command line. The end of the input, or Ctrl-C, ends the command before anything is written.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import TypeVar

import click

from hil.errors import UsageError
from hil.quantities import QuantityError, parse_quantity

T = TypeVar("T")

_TRIES = 20  # whoever is not understood so often is better served by the help
_LONGEST = 200

Read = Callable[[str], T]


class AnswerError(ValueError):
    """An answer cannot be read; the message is what was expected."""


class Questions:
    """Asks what no option has answered; with `defaults` it asks nothing and takes the default."""

    def __init__(self, given: Mapping[str, str | None], *, defaults: bool) -> None:
        self._given = given
        self._defaults = defaults
        self.asked = 0

    def is_given(self, option: str) -> bool:
        """Whether an option has answered this question; whoever would not ask it must take that answer all the same."""
        return self._given.get(option) is not None

    @property
    def is_talking(self) -> bool:
        """Whether a person answers."""
        return not self._defaults

    def ask(self, option: str, question: str, why: str, default: str, read: Callable[[str], T]) -> T:
        """Return the answer to a question as `read` makes it of the text."""
        given = self._given.get(option)
        if given is not None or self._defaults:
            try:
                return read((default if given is None else given).strip())
            except AnswerError as error:
                raise UsageError(
                    f"--{option} {(default if given is None else given)[:60]!r} cannot be taken",
                    expected=str(error),
                    todo=f"It answers: {question}",
                ) from None
        return self._from_person(question, why, default, read)

    def _from_person(self, question: str, why: str, default: str, read: Callable[[str], T]) -> T:
        self.asked += 1
        click.echo(f"\n{self.asked}. {question}")
        if why:
            click.echo(f"   {why}")
        expected = ""
        for _ in range(_TRIES):
            said = click.prompt("  ", default=default, show_default=bool(default), prompt_suffix="> ")
            try:
                return read(str(said).strip()[:_LONGEST])
            except AnswerError as error:
                expected = str(error)
                click.echo(f"   That cannot be taken; expected {expected}.")
        raise UsageError(f"no answer in {_TRIES} tries could be taken", expected=expected, todo="See 'hil init --help'")


def a_choice(words: Sequence[str]) -> Callable[[str], str]:
    """Return a reader that takes one of the words, or the beginning of one."""

    def read(text: str) -> str:
        if text in words:
            return text
        meant = [word for word in words if text and word.startswith(text)]
        if len(meant) != 1:
            raise AnswerError(f"one of {', '.join(words)}")
        return meant[0]

    return read


def the_only(word: str, why: str) -> Callable[[str], str]:
    """Return a reader that takes the only answer there is, and says why there is no other."""

    def read(text: str) -> str:
        if not text or not word.startswith(text):
            raise AnswerError(f"{word}, since {why}")
        return word

    return read


def yes_or_no(text: str) -> bool:
    """Read yes or no."""
    return a_choice(("yes", "no"))(text.lower()) == "yes"


def lengths_mm(count: int, example: str) -> Callable[[str], tuple[float, ...]]:
    """Return a reader of so many lengths [mm] with commas between them; a bare number is in millimetres."""

    def read(text: str) -> tuple[float, ...]:
        found = tuple(_length_mm(part, example) for part in text.split(","))
        if len(found) != count:
            raise AnswerError(f"{count} lengths such as '{example}', commas between them and points in them")
        return found

    return read


def _length_mm(text: str, example: str) -> float:
    try:
        quantity = parse_quantity(text.strip())
        value = quantity.to("mm") if quantity.unit else quantity.value
    except QuantityError:
        raise AnswerError(f"lengths such as '{example}'") from None
    if not 0 < value < 1000:
        raise AnswerError("lengths above 0 and below 1 m")
    return value


def a_number(text: str) -> float:
    """Read a number above 0."""
    try:
        value = float(text)
    except ValueError:
        raise AnswerError("a number above 0") from None
    if not 0 < value <= 1_000_000:
        raise AnswerError("a number above 0")
    return value


def a_text(most: int) -> Callable[[str], str]:
    """Return a reader of printable text, at least a character long."""

    def read(text: str) -> str:
        if not text or len(text) > most or not text.isprintable():
            raise AnswerError(f"1 to {most} printable characters")
        return text

    return read
