"""What a measurement method is, and the parameters it takes: the words of the registry.

Each subject module exports `METHODS_OF_SUBJECT`, a tuple of `Method`; `hil.measure.methods` joins them. A method is a
pure function of the evidence: it returns a `Measurement` or raises `CannotMeasureError` with a sentence that says why
the evidence does not carry it. Parameters a method does not name are refused, never ignored.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from hil.measure.evidence import Drive, Evidence
from hil.measure.values import CannotMeasureError, Measurement

TWO_OUTPUTS = "two outputs"  # of an encoder; what one output cannot show is not asserted of it


@dataclass(frozen=True, slots=True, kw_only=True)
class ParameterSpec:
    """One parameter of a method.

    A number has a `unit` ("" for a plain one) and a `default` number; a word has `choices` (empty: any word) and a
    `default` word. `default` None: it must be given.
    """

    name: str
    meaning: str
    unit: str = ""
    default: float | str | None = None
    is_word: bool = False
    choices: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Parameters:
    """What a suite says beside a method's name: the drives (or answers) it is `of`, numbers and words."""

    of: tuple[str, ...] = ()
    numbers: Mapping[str, float] = field(default_factory=dict)
    words: Mapping[str, str] = field(default_factory=dict)

    def number(self, name: str, default: float) -> float:
        """Return the number `name`, or `default` where it was not given."""
        return self.numbers.get(name, default)

    def word(self, name: str, default: str) -> str:
        """Return the word `name`, or `default` where it was not given."""
        return self.words.get(name, default)


@dataclass(frozen=True, slots=True, kw_only=True)
class Method:
    """A named way to compute a measurement.

    `needs` are the channels it reads, or the words "answers" (a person's observations), "events" and `TWO_OUTPUTS` (of
    an encoder) where it cannot do without them. `source` says where the formula comes from. `unit` is the unit of the
    result ("" : follows the channel or answer it is asked of). `is_count` and `is_spread` say what kind of value comes.
    """

    name: str
    unit: str
    run: Callable[[Evidence, Parameters], Measurement]
    needs: tuple[str, ...]
    summary: str
    source: str
    parameters: tuple[ParameterSpec, ...] = ()
    is_count: bool = False
    is_spread: bool = False


def needs_of(method: Method, parameters: Parameters) -> tuple[str, ...]:
    """Return what a method needs with these parameters: the second output of an encoder is one of two."""
    return (*method.needs, TWO_OUTPUTS) if parameters.word("output", "") == "b" else method.needs


def drives_of(evidence: Evidence, parameters: Parameters) -> tuple[Drive, ...]:
    """Return the drives the parameters name; refuse where none of them was driven."""
    drives = evidence.named(*parameters.of)
    if not drives:
        wanted = ", ".join(parameters.of) or "any name"
        raise CannotMeasureError(f"no drive named {wanted} was recorded")
    return drives
