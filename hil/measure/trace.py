"""The records of a trace: everything that crossed a port, was answered or was marked, in the order it came.

A trace is append-only. Its records are plain values; how they are stored is the store's business. Times are the
host's monotonic clock [ns]; the trace's metadata tie them to the date.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import TypeAlias

# What JSON can carry: metadata and the fields of marks consist of these and nothing else.
Json: TypeAlias = "bool | int | float | str | Sequence[Json] | Mapping[str, Json] | None"


class Direction(StrEnum):
    """Which way a chunk went, seen from the host."""

    IN = "in"
    OUT = "out"


class MarkKind(StrEnum):
    """What a mark marks."""

    BEGIN = "begin"
    END = "end"
    NOTE = "note"


@dataclass(frozen=True, slots=True, kw_only=True)
class Chunk:
    """Bytes that crossed the port named `port`, stamped when the system handed them over (or took them)."""

    t_ns: int
    port: str
    direction: Direction
    data: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """A step's begin or end, or a note. `step` is the kind of step, `name` its `as` (or "").

    `fields` holds what JSON can carry, and comes back from a file as lists and dicts.
    """

    t_ns: int
    kind: MarkKind
    step: str
    name: str = ""
    fields: Mapping[str, Json] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class AnswerGiven:
    """What a person, an answers file or an instrument answered: `value` in `unit`, standard uncertainty `u`.

    `name` is the step's `as`; `said` is the answer in the answerer's own words; `source` says
    who or what gave it. `how` says with what and where it was read (instrument, `apart_mm`, `over_mm`, …); with
    `corrects` it takes the place of the latest answer of that name in the same case and repeat.
    """

    t_ns: int
    name: str
    value: float
    unit: str
    u: float
    case: str
    repeat: int
    source: str
    said: str = ""
    how: Mapping[str, Json] = field(default_factory=dict)
    corrects: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class PortEntry:
    """One row of the trace's port table: the name chunks refer to, the address opened, the protocol spoken.

    `digest` is the sha-256 of the protocol's file; `virtual` says that a virtual robot was at the other end. `program`
    is the robot's program that was spoken to: all ports of one program are one line, that went and came back.
    """

    name: str
    url: str
    protocol: str
    digest: str = ""
    virtual: bool = False
    program: str = ""


TraceRecord: TypeAlias = Chunk | Mark | AnswerGiven
