"""The marks of drives: what was asked of the robot, and from where, as the engine wrote it into the trace."""

from __future__ import annotations

from collections.abc import Mapping
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
            events=events,
            conditions=conditions,
        )
    except (KeyError, ValueError, TypeError) as error:
        raise InternalError(
            f"the begin mark of drive {begin.name!r} in the trace is not complete ({error!r})",
            expected="path, start and speed_mm_s as the engine writes them",
        ) from error


def _element(item: Any) -> PathElement:
    word, cells, tracking = item
    return PathElement(kind=ElementKind(word), cells=int(cells), tracking=str(tracking))


def _pose(item: Any) -> CellPose:
    x, y, heading = item
    facing = Heading[heading.upper()] if isinstance(heading, str) else Heading(int(heading))
    return CellPose(x=int(x), y=int(y), heading=facing)
