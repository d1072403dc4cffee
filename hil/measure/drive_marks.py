"""The marks of drives: what was asked of the robot, and from where, as the engine wrote it into the trace.

A robot that is sent from goal to goal numbers the moves and turns of each way anew. The mark says how many elements
of the path belong to each goal, so that its events are numbered like those of a robot that was given the whole path.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Any

from hil.errors import InternalError
from hil.measure.evidence import Drive, Event, Samples
from hil.measure.model import CellPose, ElementKind, Heading, PathElement
from hil.measure.trace import Mark


def drive_of(begin: Mark, samples: Mapping[str, Samples], events: tuple[Event, ...], *, is_placed: bool) -> Drive:
    """Return the drive that a begin mark tells of; `is_placed` says that the robot was placed just before it."""
    fields: Mapping[str, Any] = begin.fields
    try:
        conditions = {str(name): float(value) for name, value in dict(fields.get("conditions", {})).items()}
        if is_placed:
            conditions["placed"] = 1.0
        return Drive(
            name=begin.name,
            case=str(fields.get("case", "")),
            repeat=int(fields.get("repeat", 0)),
            path=tuple(_element(item) for item in fields["path"]),
            front=str(fields.get("front", "counts")),
            speed_mm_s=float(fields["speed_mm_s"]),
            start=_pose(fields["start"]),
            samples=samples,
            events=_numbered(events, [int(length) for length in fields.get("goals", ())]),
            conditions=conditions,
            labels={str(name): str(word) for name, word in dict(fields.get("labels", {})).items()},
            by_person=bool(fields.get("by_person", False)),
        )
    except (KeyError, ValueError, TypeError) as error:
        raise InternalError(
            f"the begin mark of drive {begin.name!r} in the trace is not complete ({error!r})",
            expected="path, start and speed_mm_s as the engine writes them",
        ) from error


def _numbered(events: Iterable[Event], goals: Sequence[int]) -> tuple[Event, ...]:
    """Return events numbered by the whole path; `goals` are the numbers of elements of its goals, empty without any.

    A way ends with its event `idle`, or, where that line was lost, with a move or turn whose number begins anew.
    """
    if not goals:
        return tuple(events)
    numbered: list[Event] = []
    at = before = 0
    latest = -1
    for event in events:
        number = int(event.detail) if event.detail.isdecimal() else -1
        if event.name.endswith(".begin") and 0 <= number <= latest and at + 1 < len(goals):
            at, before = at + 1, before + goals[at]
        if event.name.endswith(".begin"):
            latest = number
        known = 0 <= number < goals[at]
        numbered.append(replace(event, detail=str(before + number) if known else "" if number >= 0 else event.detail))
        if event.name == "idle" and at + 1 < len(goals):
            at, before, latest = at + 1, before + goals[at], -1
    return tuple(numbered)


def _element(item: Any) -> PathElement:
    word, cells, tracking = item
    return PathElement(kind=ElementKind(word), cells=int(cells), tracking=str(tracking))


def _pose(item: Any) -> CellPose:
    x, y, heading = item
    facing = Heading[heading.upper()] if isinstance(heading, str) else Heading(int(heading))
    return CellPose(x=int(x), y=int(y), heading=facing)
