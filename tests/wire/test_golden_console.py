"""The golden lines of `protocols/letter-menu`, read and written at both ends.

The lines were written by hand from the protocol's description, and so were the values below.
"""

from __future__ import annotations

import runpy
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import pytest

from hil.spec.loading import load_protocol
from hil.wire.codec import NoiseReason
from hil.wire.dialect import Dialect
from hil.wire.fields import Value
from hil.wire.link import End, Link
from hil.wire.path import decode_path, encode_path
from hil.wire.received import BlockBegun, BlockEnded, Booted, Commanded, Happened, Noise, Received, Telemetry
from hil.wire.template import Template

HERE = Path(__file__).parent
FOLDER = HERE.parents[1] / "protocols" / "letter-menu"
DIALECT: Dialect = runpy.run_path(str(HERE / "letter_menu.py"))["LETTER_MENU"]


def rows(*whom: str) -> list[tuple[str, str, bytes]]:
    """(who, what, line without its ending) of the rows of somebody."""
    texts = [t for t in (FOLDER / "golden.txt").read_text(encoding="ascii").split("\n") if t and not t.startswith("#")]
    found = [(text[:6].strip(), text[6:18].strip(), text[18:].encode("ascii")) for text in texts]
    return [row for row in found if row[0] in whom]


COMMANDED: list[Mapping[str, Value]] = [
    {},
    {},
    {"period": 0.016},
    {"period": 0},
    {"speed": 300, "front": "counts", "path": "1fb-3f-1fb-bl-5fb-br"},
    {"speed": 450, "front": "wall", "path": "2fr-r-2fl-l"},
    {"x": 0, "y": 5},
    {"x": 15, "y": 15, "speed": 300},
    {"left": 0.3, "right": -0.3},
    {"left": 1.0, "right": 0.0, "duration": 3.0},
    {},
    {"name": "wheel-base"},
    {"name": "wheel-base", "value": 69500},
    {"name": "track-left", "value": -350},
    {},
    {"period": 0.002},
    {},
    {},
]
COMMANDS = [(what, line, values) for (_, what, line), values in zip(rows("host"), COMMANDED, strict=True)]


def columns(time: float, counts: tuple[int, int], *readings: int) -> dict[str, Value]:
    names = ("wall.left", "wall.right", "wall.front", "wall.left.dark", "wall.right.dark", "wall.front.dark")
    found: dict[str, Value] = {"time": time, "encoder.left": counts[0], "encoder.right": counts[1]}
    return found | dict(zip(names, readings, strict=False))


def status(time: float, *values: float) -> dict[str, Value]:
    names = ("supply.battery", "duty.left", "duty.right", "loop.period", "state")
    return {"time": time, **dict(zip(names, values, strict=True))}


def happened(time: float, event: str, detail: str = "") -> Happened:
    return Happened(event=event, values={"time": time}, detail=detail)


REPORTED: list[Received] = [
    Telemetry(message="columns", values=columns(1.0, (0, 0), 612, 598, 41, 51, 49, 53)),
    Telemetry(message="columns", values=columns(4294967.295, (32767, -32768), 1023, 0, 7)),
    Telemetry(message="status", values=status(5.0, 7.64, 0.412, -0.405, 0.001003, 31)),
    Telemetry(
        message="outputs",
        values={"time": 7.02, "encoder.left.levels": (0, 1, 3, 2, 0), "encoder.right.levels": (2, 2, 3, 1, 1)},
    ),
    happened(5.001, "move.begin", "0"),
    happened(5.6, "move.end", "0"),
    happened(5.66, "turn.begin", "1"),
    happened(6.01, "turn.end", "1"),
    happened(6.4, "front.reset", "2"),
    happened(6.5, "edge.left", "2"),
    happened(6.501, "edge.right", "2"),
    happened(6.55, "cell", "2"),
    happened(6.6, "touched"),
    happened(6.7, "fault", "dead-man"),
    happened(7.0, "idle"),
    Telemetry(message="columns", values=columns(1.0, (0, 0), 612, 598, 41)),
    Telemetry(message="status", values=status(5.0, 8.0, 0.41, -0.4055, 0.001003, 0)),
]
REPLIES = ("ok", "name", "value", "no")
REPORTS = [row for row in rows("robot", "reads") if row[1] not in REPLIES]


def near(values: Mapping[str, Value], expected: Mapping[str, Value]) -> bool:
    def alike(one: Value, other: Value) -> bool:
        return one == pytest.approx(other, rel=1e-12) if isinstance(other, float) else one == other

    return values.keys() == expected.keys() and all(alike(values[name], other) for name, other in expected.items())


def rounded(values: Mapping[str, Value]) -> Mapping[str, Value]:
    """The values with as many digits as a double holds for certain, since a scale leaves a trace in the last ones."""
    return {name: float(f"{value:.12g}") if isinstance(value, float) else value for name, value in values.items()}


def same(item: Received, expected: Received) -> bool:
    if isinstance(item, Telemetry) and isinstance(expected, Telemetry):
        alike = (item.message, item.block) == (expected.message, expected.block)
        return alike and near(item.values, expected.values)
    if isinstance(item, Happened) and isinstance(expected, Happened):
        alike = (item.event, item.detail, item.block) == (expected.event, expected.detail, expected.block)
        return alike and near(item.values, expected.values)
    return item == expected


@pytest.mark.parametrize(("action", "line", "values"), COMMANDS)
def test_every_command_is_written_and_read_as_the_description_says(
    action: str, line: bytes, values: Mapping[str, Value]
) -> None:
    command = DIALECT.commands[action]
    template = Template(command.template, command.fields)
    assert template.parse(line) == values
    assert template.format(values) == line


@pytest.mark.parametrize(("menu", "action"), [("settings", "get"), ("encoders", "sample"), ("kept", "dump.log")])
def test_a_menu_is_entered_before_its_commands_and_left_for_those_of_the_main_menu(menu: str, action: str) -> None:
    enter, leave = ([line for _, name, line in rows(who) if name == menu] for who in ("enter", "leave"))
    spec = DIALECT.console.menus[menu] if DIALECT.console else None
    assert spec is not None
    assert ([spec.enter.encode()], [spec.leave.encode()]) == (enter, leave)
    inside = next(line for _, what, line in rows("host") if what == action)
    sent = b"\r\n".join([*enter, inside, *leave, b"x"]) + b"\r\n"
    found = [item for item in Link(DIALECT, End.ROBOT).receive(sent) if isinstance(item, Commanded)]
    assert [item.action for item in found] == [action, "stop"]


@pytest.mark.parametrize(("row", "expected"), list(zip(REPORTS, REPORTED, strict=True)))
def test_host_takes_every_report(row: tuple[str, str, bytes], expected: Received) -> None:
    (item,) = Link(DIALECT, End.HOST).receive(row[2] + b"\r\n")
    assert same(item, expected)


@pytest.mark.parametrize(
    ("line", "report"), [(row[2], report) for row, report in zip(REPORTS, REPORTED, strict=True) if row[0] == "robot"]
)
def test_robot_writes_every_report(line: bytes, report: Received) -> None:
    link = Link(DIALECT, End.ROBOT)
    if isinstance(report, Telemetry):
        assert link.telemetry(report.message, report.values) == line + b"\r\n"
    elif isinstance(report, Happened):
        detail = {"detail": report.detail} if report.detail else {}
        assert link.event(report.event, {**report.values, **detail}) == line + b"\r\n"


def test_blocks_are_taken_row_by_row_and_end_by_their_line_or_their_count() -> None:
    lines = b"".join(line + b"\r\n" for _, _, line in rows("block", "row"))
    found = Link(DIALECT, End.HOST).receive(lines)
    expected: list[Received] = [
        BlockBegun(block="log", count=3),
        replace(happened(1.0, "move.begin", "0"), block="log"),
        Telemetry(message="kept_sample", values=columns(1.02, (12, 12), 612, 598, 41), block="log"),
        replace(happened(1.04, "idle"), block="log"),
        BlockEnded(block="log", rows=3),
        BlockBegun(block="map", count=2),
        Telemetry(message="map_row", values={"cell.y": 1, "cell.walls": (9, 3)}, block="map"),
        Telemetry(message="map_row", values={"cell.y": 0, "cell.walls": (12, 6)}, block="map"),
        BlockEnded(block="map", rows=2),
    ]
    assert len(found) == len(expected)
    assert all(same(item, wanted) for item, wanted in zip(found, expected, strict=True))


@pytest.mark.parametrize(("reason", "line"), [(what, line) for _, what, line in rows("noise")])
def test_refused_lines_are_noise_for_the_reason_given(reason: str, line: bytes) -> None:
    link = Link(DIALECT, End.HOST)
    assert link.receive(line + b"\r\n") == [Noise(reason=NoiseReason(reason), raw=line)]
    assert link.counters.good == 0


def test_the_banner_tells_that_the_program_has_started() -> None:
    ((_, _, line),) = rows("boot")
    assert Link(DIALECT, End.HOST).receive(line + b"\r\n") == [Booted(banner=line.decode())]


def test_every_message_and_command_has_a_golden_line() -> None:
    assert {what for _, what, _ in rows("host")} == set(DIALECT.commands)
    assert {what for _, what, _ in rows("robot", "row")} == {message.name for message in DIALECT.messages}
    words = next(message for message in DIALECT.messages if message.name == "happened").fields[1].choices
    assert {line.split()[2].decode() for _, what, line in rows("robot") if what == "happened"} == set(words)


def test_paths_are_written_as_the_golden_lines_show() -> None:
    assert DIALECT.path is not None
    elements = [
        ("ahead", 1, "both"),
        ("ahead", 3, "none"),
        ("ahead", 1, "both"),
        ("about left", 0, "none"),
        ("ahead", 5, "both"),
        ("about right", 0, "none"),
    ]
    assert encode_path(DIALECT.path, elements) == "1fb-3f-1fb-bl-5fb-br"
    assert decode_path(DIALECT.path, "2fr-r-2fl-l") == [
        ("ahead", 2, "right"),
        ("right", 0, "none"),
        ("ahead", 2, "left"),
        ("left", 0, "none"),
    ]


def test_loaded_file_is_the_dialect_written_by_hand() -> None:
    assert replace(load_protocol(FOLDER / "letter-menu.protocol.yaml"), digest="") == DIALECT
