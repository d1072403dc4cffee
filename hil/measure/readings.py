"""What a person reads, turned into what measurements ask for: angles and offsets and curves from lengths.

The raw lengths stand in the trace; everything here is computed from them, by whoever measures or measures again.
Lengths in mm, angles in rad, curvature in 1/mm, left positive. Uncertainties are propagated to first order (JCGM
100:2008 5.1.2).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from hil.measure.evidence import Answer
from hil.measure.values import CannotMeasureError

FRONT, REAR = "front", "rear"
_LEFT, _RIGHT = "clearance left", "clearance right"


def angle_by_offsets(front_mm: float, rear_mm: float, apart_mm: float, u_mm: float) -> tuple[float, float]:
    """Return (angle, u) [rad] of a line whose points `apart_mm` apart lie at two offsets, each good to `u_mm`.

    sin(angle) = (front - rear) / apart (plane geometry).
    """
    sine = (front_mm - rear_mm) / apart_mm
    if not abs(sine) < 1:
        raise CannotMeasureError(
            f"two places {apart_mm:g} mm apart cannot have offsets that differ by {abs(front_mm - rear_mm):g} mm"
        )
    angle = math.asin(sine)
    return angle, math.sqrt(2) * u_mm / (apart_mm * math.cos(angle))


def curvature_by_bow(bow_mm: float, over_mm: float, u_mm: float) -> tuple[float, float]:
    """Return (curvature, u) [1/mm] of an arc whose middle lies `bow_mm` to the left of its chord of `over_mm`.

    |kappa| = 8 s / (L^2 + 4 s^2) (sagitta of a circle, plane geometry); what bows to the left turns to the right.
    Three marks are read, the middle one against the mean of the others, so that u(s) = sqrt(3/2) u.
    """
    whole = over_mm**2 + 4 * bow_mm**2
    slope = 8 * (over_mm**2 - 4 * bow_mm**2) / whole**2
    return -8 * bow_mm / whole, abs(slope) * math.sqrt(1.5) * u_mm


def offset_by_clearances(left_mm: float, right_mm: float, u_left_mm: float, u_right_mm: float) -> tuple[float, float]:
    """Return (offset, u) [mm] of a body whose gaps to both walls were read: half of right minus left."""
    return (right_mm - left_mm) / 2, math.hypot(u_left_mm, u_right_mm) / 2


def with_derived(answers: Sequence[Answer]) -> tuple[Answer, ...]:
    """Return the answers with what follows from them: angles of two offsets, and offsets of two clearances.

    An offset that was read where the robot stood is never replaced by one that follows from clearances.
    """
    found: list[Answer] = []
    for at, answer in enumerate(answers):
        part = str(answer.how.get("part", ""))
        if part not in (FRONT, REAR):
            found.append(answer)
            partner = _before(answers[:at], answer)
            if partner is not None and not _has_offset(answers, answer):
                found.append(_offset(partner, answer))
            continue
        other = _other_part(answers[:at], answer, part)
        if other is not None:
            front, rear = (other, answer) if part == REAR else (answer, other)
            found.append(_angle(front, rear))
    return tuple(found)


def _same_place(one: Answer, other: Answer) -> bool:
    places = [(a.case, a.repeat, a.index, a.placed) for a in (one, other)]
    return places[0] == places[1]


def _other_part(answers: Sequence[Answer], answer: Answer, part: str) -> Answer | None:
    wanted = FRONT if part == REAR else REAR
    name = answer.name.removesuffix(f".{part}")
    for other in reversed(answers):
        if _same_place(other, answer) and other.name == f"{name}.{wanted}" and other.how.get("part") == wanted:
            return other
    return None


def _angle(front: Answer, rear: Answer) -> Answer:
    apart_mm = front.how.get("apart_mm")
    if not isinstance(apart_mm, int | float) or apart_mm <= 0:
        raise CannotMeasureError(f"the offsets {front.name} and {rear.name} do not say how far apart they were read")
    angle, u = angle_by_offsets(front.value, rear.value, float(apart_mm), max(front.u, rear.u))
    return replace(rear, name=rear.name.removesuffix(f".{REAR}"), value=angle, unit="rad", u=u)


def _before(answers: Sequence[Answer], answer: Answer) -> Answer | None:
    """Return the reading of the other gap at the same place, for an answer that is one of two."""
    what = answer.how.get("what")
    wanted = {_LEFT: _RIGHT, _RIGHT: _LEFT}.get(str(what), "")
    if not wanted:
        return None
    return next((one for one in reversed(answers) if _same_place(one, answer) and one.how.get("what") == wanted), None)


def _has_offset(answers: Sequence[Answer], answer: Answer) -> bool:
    return any(_same_place(one, answer) and one.how.get("what") == "offset" for one in answers)


def _offset(one: Answer, other: Answer) -> Answer:
    left, right = (one, other) if one.how.get("what") == _LEFT else (other, one)
    value, u = offset_by_clearances(left.value, right.value, left.u, right.u)
    return replace(other, name="offset", value=value, u=u, how={"what": "offset", "from": "clearances"})
