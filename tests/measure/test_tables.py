"""Rows of tables from a trace: every message, with its clocks, and where in the run it was said."""

from __future__ import annotations

import pytest

from hil.catalogue import Catalogue
from hil.measure.series import Speech
from hil.measure.tables import ANSWERS, EVENTS, Cell, TraceTables
from hil.measure.trace import AnswerGiven, Chunk, Direction, Mark, MarkKind, TraceRecord
from hil.spec.kinds import Kind
from hil.spec.loading import load_protocol
from hil.wire.link import End, Link

DIALECT = load_protocol(Catalogue().find(Kind.PROTOCOL, "tagged-lines"))
COUNTS = {"encoder.left": 3, "encoder.right": -4, "wall.left": 600, "wall.right": 601, "wall.front": 60}
WRAP_S = 4294.967296  # 32 bits of microseconds


def records() -> list[TraceRecord]:
    robot = Link(DIALECT, End.ROBOT)
    begin = Mark(t_ns=4_000_000_000, kind=MarkKind.BEGIN, step="drive", name="out", fields={"repeat": 2})
    first = robot.telemetry("motion", {"time": WRAP_S - 0.008, **COUNTS})
    second = robot.telemetry("motion", {"time": 0.004, **COUNTS})
    event = robot.event("front.reset", {"time": 0.005, "detail": "3"})
    return [
        Mark(t_ns=2_000_000_000, kind=MarkKind.BEGIN, step="case", name="laps", fields={"suite": "u"}),
        Chunk(t_ns=3_000_000_000, port="robot", direction=Direction.IN, data=first[:10]),
        Chunk(t_ns=3_500_000_000, port="robot", direction=Direction.OUT, data=b"not decoded"),
        begin,
        Chunk(
            t_ns=5_000_000_000, port="robot", direction=Direction.IN, data=first[10:] + b"noise\r\n" + second + event
        ),
        Mark(t_ns=6_000_000_000, kind=MarkKind.END, step="drive", name="out"),
        AnswerGiven(
            t_ns=7_000_000_000,
            name="offset",
            value=1,
            unit="mm",
            u=0.5,
            case="laps",
            repeat=2,
            source="operator",
            said="1",
            how={"instrument": "ruler"},
            corrects=True,
        ),
    ]


def rows(*channels: str) -> list[tuple[str, dict[str, Cell]]]:
    tables = TraceTables({"robot": Speech(dialect=DIALECT, program="run")}, 1_000_000_000, channels)
    return [(table.name, row) for table, row in tables.rows(records())]


def test_a_row_has_both_clocks_and_where_it_was_said() -> None:
    motion = [row for name, row in rows() if name == "motion"]
    where = {"port": "robot", "program": "run", "case": "laps", "drive": "out", "repeat": 2}
    assert [{key: row[key] for key in where} for row in motion] == [where, where]
    assert [row["host_s"] for row in motion] == [4.0, 4.0]
    # 12 ms passed between the two lines, over the wrap of the robot's clock.
    assert [row["time_s"] for row in motion] == pytest.approx([WRAP_S - 0.008, WRAP_S + 0.004], abs=1e-9)
    assert [row["time"] for row in motion] == pytest.approx([WRAP_S - 0.008, 0.004], abs=1e-9)
    assert [row["encoder.right"] for row in motion] == [-4, -4]


def test_marks_and_events_are_one_table_and_answers_another() -> None:
    events = [row for name, row in rows() if name == EVENTS.name]
    assert [(row["source"], row["kind"], row["name"]) for row in events] == [
        ("bench", "case begin", "laps"),
        ("bench", "drive begin", "out"),
        ("robot", "event", "front.reset"),
        ("bench", "drive end", "out"),
    ]
    assert events[0]["detail"] == '{"suite": "u"}'
    assert events[2]["detail"] == "3"
    [answer] = [row for name, row in rows() if name == ANSWERS.name]
    assert answer == {
        "host_s": 6.0,
        "name": "offset",
        "value": 1.0,
        "unit": "mm",
        "u": 0.5,
        "case": "laps",
        "repeat": 2,
        "source": "operator",
        "said": "1",
        "corrects": "yes",
        "how": '{"instrument": "ruler"}',
    }


def test_every_key_of_a_row_is_a_column_of_its_table() -> None:
    tables = TraceTables({"robot": Speech(dialect=DIALECT, program="run")}, 0)
    for table, row in tables.rows(records()):
        assert row.keys() <= {column.name for column in table.columns}, table.name


def test_with_channels_named_there_are_no_others() -> None:
    tables = TraceTables({"robot": Speech(dialect=DIALECT)}, 0, ["encoder.left"])
    assert [table.name for table in tables.tables] == ["motion", "events", "answers"]
    clocks_and_places = ["host_s [s]", "time_s [s]", "port", "program", "case", "drive", "repeat"]
    assert [column.heading for column in tables.tables[0].columns] == [*clocks_and_places, "encoder.left [count]"]
    assert {name for name, _ in rows("encoder.left")} == {"motion", "events", "answers"}
