"""Drives that went from goal to goal: their events are numbered by the whole path."""

from __future__ import annotations

from hil.measure.drive_marks import drive_of
from hil.measure.evidence import Drive, Event
from hil.measure.trace import Mark, MarkKind

# As a robot on a corner is sent to its far end and back, two ways of which each begins with number 0.
PATH = [["about left", 0, "none"], ["ahead", 3, "both"], ["about left", 0, "none"], ["ahead", 3, "both"]]


def drive(*said: tuple[str, str], goals: list[int] | None = None) -> Drive:
    events = tuple(
        Event(name=name, time_s=float(at), host_s=float(at), detail=word) for at, (name, word) in enumerate(said)
    )
    fields = {"path": PATH, "speed_mm_s": 300.0, "start": [0, 0, 2], **({} if goals is None else {"goals": goals})}
    mark = Mark(t_ns=0, kind=MarkKind.BEGIN, step="drive", name="out", fields=fields)
    return drive_of(mark, {}, events, is_placed=False)


def details(of: Drive) -> list[str]:
    return [event.detail for event in of.events]


WAY = (("turn.begin", "0"), ("turn.end", "0"), ("move.begin", "1"), ("front.reset", "1"), ("move.end", "1"))


def test_numbers_go_on_from_goal_to_goal() -> None:
    one = drive(*WAY, ("idle", "1"), *WAY, ("idle", "1"), goals=[2, 2])
    assert details(one) == ["0", "0", "1", "1", "1", "1", "2", "2", "3", "3", "3", "3"]


def test_way_whose_end_was_lost_ends_where_numbers_begin_anew() -> None:
    assert details(drive(*WAY, *WAY, ("idle", "1"), goals=[2, 2])) == [*"00111", *"22333", "3"]


def test_robot_that_was_given_the_whole_path_is_left_as_it_numbers() -> None:
    assert details(drive(*WAY, *WAY)) == [*"00111", *"00111"]


def test_number_that_no_element_of_the_way_has_is_not_believed() -> None:
    assert details(drive(("move.begin", "7"), ("idle", "stalled"), goals=[2, 2])) == ["", "stalled"]
