"""The operator's route where the robot stands: offsets under tracking, stops at a wall, laps and contacts.

Offsets are positive to the left of the corridor's middle in the direction the robot points, `along` is positive
past the mark. Where the offset was not read, both clearances tell it. An offset under tracking stands for the whole
way and not for the place alone where it was read: each place has a panel of its own, which may stand off its line.
Stops before several walls are joined as they are on the robot's own route, so that both measure the same.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

from hil.measure.after_turn import QUARTERS
from hil.measure.course_walls import PANEL_SEEN_MM
from hil.measure.evidence import Evidence
from hil.measure.front_wall import BOARD, BOARD_U_MM, line_through_boards
from hil.measure.general import answers_of, source_of
from hil.measure.method import Method, Parameters, ParameterSpec
from hil.measure.model import CellPose, ElementKind
from hil.measure.observed import (
    Reading,
    answer_after,
    mean_of,
    measured,
    numbered_drives,
    observation_method,
    word_spec,
)
from hil.measure.segments import pose_after
from hil.measure.tracking import asymmetry
from hil.measure.uncertainty import Mean, Part, join
from hil.measure.values import CannotMeasureError, Measurement
from hil.measure.walls_ahead import WallStops, agreeing


@dataclass(frozen=True, slots=True, kw_only=True)
class _Tracked:
    """Offsets [mm] read where drives under one tracking stopped, and at how many places that was."""

    readings: list[Reading]
    places: int

    def mean(self, what: str) -> Mean:
        """Return the mean as that of the whole way: at each place the robot follows the panel that stands there."""
        mean = mean_of(self.readings, what)
        return replace(mean, part=join(mean.part, Part(PANEL_SEEN_MM / math.sqrt(self.places))))


def _tracked_offsets(evidence: Evidence, parameters: Parameters, tracking: str) -> _Tracked:
    """Return what was read where drives under that tracking stopped, directly or from both clearances."""
    name = parameters.word("offset", "offset")
    left, right = parameters.word("left", "clearance-left"), parameters.word("right", "clearance-right")
    found: list[Reading] = []
    places: set[CellPose] = set()
    for index, drive in numbered_drives(evidence, parameters):
        if {one.tracking for one in drive.path if one.kind is ElementKind.AHEAD} != {tracking}:
            continue
        direct = answer_after(evidence, name, index, "mm")
        sides = answer_after(evidence, left, index, "mm"), answer_after(evidence, right, index, "mm")
        if direct is not None:
            found.append(direct)
            places.add(pose_after(drive.path, drive.start))
        elif sides[0] is not None and sides[1] is not None:
            offset, u = (sides[1].value - sides[0].value) / 2, math.hypot(sides[0].u, sides[1].u) / 2
            found.append(Reading(value=offset, u=u, source=sides[0].source))
            places.add(pose_after(drive.path, drive.start))
    if not found:
        raise CannotMeasureError(f"no drive under tracking by {tracking} has the answer {name}, nor both clearances")
    return _Tracked(readings=found, places=len(places))


def _offset(tracking: str) -> Callable[[Evidence, Parameters], Measurement]:
    def run(evidence: Evidence, parameters: Parameters) -> Measurement:
        tracked = _tracked_offsets(evidence, parameters, tracking)
        return measured(tracked.mean("offset"), "mm", tracked.readings)

    return run


def _offsets_joined(sign_right: float) -> Callable[[Evidence, Parameters], Measurement]:
    """Return the method y_L + sign * y_R."""

    def run(evidence: Evidence, parameters: Parameters) -> Measurement:
        right = _tracked_offsets(evidence, parameters, "right")
        left = _tracked_offsets(evidence, parameters, "left")
        y_r, y_l = right.mean("offset by the right wall"), left.mean("offset by the left wall")
        joined = Mean(
            value=y_l.value + sign_right * y_r.value, part=join(y_l.part, y_r.part), sd=math.nan, n=y_l.n + y_r.n
        )
        note = f"Right-wall tracking {y_r.value:+.2f} mm, left-wall tracking {y_l.value:+.2f} mm."
        return measured(joined, "mm", [*right.readings, *left.readings], (note,))

    return run


def _exit_offset(evidence: Evidence, parameters: Parameters) -> Measurement:
    """Average the offset where drives stand that end with a quarter turn, to the outside of the turn."""
    name = parameters.word("offset", "offset")
    found = [
        Reading(value=QUARTERS[drive.path[-1].kind] * one.value, u=one.u, source=one.source)
        for index, drive in numbered_drives(evidence, parameters)
        if drive.path and drive.path[-1].kind in QUARTERS and (one := answer_after(evidence, name, index, "mm"))
    ]
    if not found:
        raise CannotMeasureError(f"no drive that ends with a quarter turn has the answer {name}")
    return measured(mean_of(found, "exit offset"), "mm", found)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Stop:
    """Where a drive stopped before a wall: the reading, the board on that wall [mm], and the pose it should have."""

    along: Reading
    board_mm: float
    at: CellPose


def _stops(evidence: Evidence, parameters: Parameters) -> list[_Stop]:
    name = parameters.word("along", "along")
    found = [
        _Stop(along=one, board_mm=drive.conditions.get(BOARD, 0.0), at=pose_after(drive.path, drive.start))
        for index, drive in numbered_drives(evidence, parameters)
        if (one := answer_after(evidence, name, index, "mm"))
    ]
    if not found:
        raise CannotMeasureError(f"no drive has the answer {name} where it stopped")
    return found


def _at_walls(stops: list[_Stop]) -> list[list[_Stop]]:
    """Sort stops by the wall they were made at, the one that stands for the case first: it has boards, if any has."""
    walls: dict[CellPose, list[_Stop]] = {}
    for stop in stops:
        walls.setdefault(stop.at, []).append(stop)
    return sorted(walls.values(), key=lambda wall: all(stop.board_mm == 0 for stop in wall))


def _bare(stops: list[_Stop]) -> WallStops[_Stop]:
    mean = mean_of([stop.along for stop in stops], "stops at a wall")
    return WallStops(mean=mean, part=mean.part, stops=stops)


def _over_walls(first: WallStops[_Stop], others: list[WallStops[_Stop]]) -> Measurement:
    """Average the first wall's stops with those at the other walls that agree with it."""
    used, note = agreeing(first, others)
    share = 1 / len(used)
    joined = Mean(
        value=share * math.fsum(wall.mean.value for wall in used),
        part=join(*(wall.mean.part.times(share) for wall in used)),
        sd=math.nan,
        n=sum(len(wall.stops) for wall in used),
    )
    return measured(joined, "mm", [stop.along for wall in used for stop in wall.stops], (note,))


def _stop_position(evidence: Evidence, parameters: Parameters) -> Measurement:
    walls = [[stop for stop in wall if stop.board_mm == 0] for wall in _at_walls(_stops(evidence, parameters))]
    bare = [_bare(wall) for wall in walls if wall]
    if not bare:
        raise CannotMeasureError("every stop had a board on the wall; the stop position is measured without one")
    return _over_walls(bare[0], bare[1:])


def _line(stops: list[_Stop], parameters: Parameters) -> tuple[Mean, Mean]:
    return line_through_boards(
        [stop.board_mm for stop in stops],
        [stop.along.value for stop in stops],
        [stop.along.u for stop in stops],
        parameters.number("board_u", BOARD_U_MM),
    )


def _reset_slope(evidence: Evidence, parameters: Parameters) -> Measurement:
    stops = _at_walls(_stops(evidence, parameters))[0]
    return measured(_line(stops, parameters)[1], "", [stop.along for stop in stops])


def _reset_intercept(evidence: Evidence, parameters: Parameters) -> Measurement:
    """Return where the robot stops with no board: by the line, and by the other walls where they agree."""
    first, *others = _at_walls(_stops(evidence, parameters))
    intercept = _line(first, parameters)[0]
    return _over_walls(WallStops(mean=intercept, part=intercept.part, stops=first), [_bare(wall) for wall in others])


def _lap_time_asymmetry(evidence: Evidence, parameters: Parameters) -> Measurement:
    name = parameters.word("answer", "lap-time")
    times: dict[str, list[float]] = {"right": [], "left": []}
    u_each, sources = 0.0, set()
    for index, drive in numbered_drives(evidence, parameters):
        followed = {one.tracking for one in drive.path if one.kind is ElementKind.AHEAD}
        time = answer_after(evidence, name, index, "s")
        if time is None or len(followed) != 1 or not followed <= set(times):
            continue
        times[followed.pop()].append(time.value)
        u_each = max(u_each, time.u)
        sources.add(time.source)
    return asymmetry(times["right"], times["left"], u_each, ", ".join(sorted(sources)))


def _contacts(evidence: Evidence, parameters: Parameters) -> Measurement:
    answers = answers_of(evidence, parameters.word("answer", "contacts"), parameters.of)
    return Measurement(
        value=float(sum(answer.value for answer in answers)), unit="", u=0.0, n=len(answers), is_count=True,
        source=source_of(answers),
    )  # fmt: skip


_OFFSET = word_spec("offset", "answer with the offset from the middle", "offset")
_ALONG = word_spec("along", "answer with the place along the way, past the mark", "along")
_CLEAR = (
    _OFFSET,
    word_spec("left", "answer with the clearance on the left", "clearance-left"),
    word_spec("right", "answer with the clearance on the right", "clearance-right"),
)
_BOARD = ParameterSpec(
    name="board_u", meaning="standard uncertainty of where a board's face is", unit="mm", default=BOARD_U_MM
)

METHODS_OF_SUBJECT: tuple[Method, ...] = (
    observation_method("lateral_offset", "mm", _offset("both"), _CLEAR, "Offset at the stop under two-wall tracking."),
    observation_method(
        "offset_right_wall", "mm", _offset("right"), _CLEAR, "Offset at the stop under right-wall tracking."
    ),
    observation_method(
        "offset_left_wall", "mm", _offset("left"), _CLEAR, "Offset at the stop under left-wall tracking."
    ),
    observation_method(
        "offset_sum", "mm", _offsets_joined(1.0), _CLEAR, "Offset by the left wall plus offset by the right wall."
    ),
    observation_method(
        "offset_difference",
        "mm",
        _offsets_joined(-1.0),
        _CLEAR,
        "Offset by the left wall less offset by the right wall.",
    ),
    observation_method(
        "exit_offset", "mm", _exit_offset, (_OFFSET,), "Offset after quarter turns, to the outside of the turn."
    ),
    observation_method(
        "stop_position", "mm", _stop_position, (_ALONG,), "How far past the mark the robot stops at a bare wall."
    ),
    observation_method(
        "reset_slope", "", _reset_slope, (_ALONG, _BOARD), "Slope of the stop position against the wall's."
    ),
    observation_method(
        "reset_intercept", "mm", _reset_intercept, (_ALONG, _BOARD), "Stop position with no board, from the line."
    ),
    observation_method(
        "lap_time_asymmetry",
        "%",
        _lap_time_asymmetry,
        (word_spec("answer", "answer with the lap time", "lap-time"),),
        "Lap time by the right wall less that by the left, in percent of the mean.",
    ),
    observation_method(
        "contacts", "", _contacts, (word_spec("answer", "answer with contacts seen", "contacts"),), "Contacts seen."
    ),
)
