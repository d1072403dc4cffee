"""The golden lines of `protocols/tagged-lines`, read and written at both ends.

Their checks were made apart from the package; the values below were typed by hand from the protocol's description.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import pytest

from hil.spec.loading import load_protocol
from hil.wire.checks import CRC_MODELS, crc_register
from hil.wire.dialect import Dialect, Role, Verdict
from hil.wire.fields import Value
from hil.wire.link import End, Link
from hil.wire.received import BlockBegun, BlockEnded, Commanded, Happened, Noise, Received, Replied, Telemetry

GOLDEN = Path(__file__).parents[2] / "protocols" / "tagged-lines" / "golden.txt"


def rows() -> list[tuple[str, str, bytes]]:
    """(who, what, line without its ending) of every row."""
    texts = [text for text in GOLDEN.read_text(encoding="ascii").split("\n") if text and not text.startswith("#")]
    return [(text[:6].strip(), text[6:18].strip(), text[18:].encode("ascii")) for text in texts]


HOST = [line for who, _, line in rows() if who == "host"]
ROBOT = [line for who, _, line in rows() if who == "robot"]
REPORTS = [line for who, what, line in rows() if who == "robot" and what not in ("yes", "no")]
REPLIES = [line for who, what, line in rows() if who == "robot" and what in ("yes", "no")]
BLOCKS = [line for who, _, line in rows() if who in ("block", "row")]
NOISE = [(what, line) for who, what, line in rows() if who == "noise"]

COMMANDED: list[tuple[str, int | None, Mapping[str, Value]]] = [
    ("identify", 0, {}),
    ("stop", 1, {}),
    ("stream", 2, {"period": 0.008}),
    ("get", 3, {"name": "wheel-base"}),
    ("set", 4, {"name": "wheel-base", "value": 7000}),
    ("set", 5, {"name": "trim", "value": -12}),
    ("drive", 6, {"speed": 300, "front": "counts", "path": "ab1,a3,ab1,ul,ab5,ur"}),
    ("drive", 999, {"speed": 450, "front": "wall", "path": "ar2,r,al2,l"}),
    ("spin", 7, {"left": 0.3, "right": -0.3}),
    ("spin", 8, {"left": 1.0, "right": 0.0, "duration": 3.0}),
    ("sample", 9, {"period": 0.001}),
    ("record.edges", 10, {"duration": 0.5}),
    ("record.ticks", 11, {"duration": 3.0}),
    ("provoke", 12, {"name": "flash write", "duration": 3.0}),
    ("provoke", 13, {"name": "radio"}),
    ("dump.edges", 14, {}),
    ("dump.ticks", 15, {}),
    ("emit", 16, {"channel": "wall.left"}),
    ("emit", 17, {"channel": "all"}),
    ("alive", None, {}),
]


def motion(sequence: int, time: float, encoders: tuple[int, int], walls: tuple[int, int, int]) -> Telemetry:
    values: dict[str, Value] = {"sequence": sequence, "time": time}
    values |= dict(zip(("encoder.left", "encoder.right"), encoders, strict=True))
    values |= dict(zip(("wall.left", "wall.right", "wall.front"), walls, strict=True))
    return Telemetry(message="motion", values=values)


def happened(sequence: int, time: float, event: str, detail: str) -> Happened:
    return Happened(event=event, values={"sequence": sequence, "time": time}, detail=detail)


def row_of(block: str, message: str, values: Mapping[str, Value]) -> Telemetry:
    return Telemetry(message=message, values=values, block=block)


def without_last_digits(item: Received) -> Received:
    """A scale leaves a trace in a double's last digits, which the values written by hand have not."""

    def rounded(value: Value) -> Value:
        if isinstance(value, tuple):
            return tuple(round(one, 9) if isinstance(one, float) else one for one in value)
        return round(value, 9) if isinstance(value, float) else value

    if not isinstance(item, Telemetry):
        return item
    return replace(item, values={name: rounded(value) for name, value in item.values.items()})


REPORTED: list[Received] = [
    motion(0, 0.001, (0, 0), (612, 598, 41)),
    motion(65535, 4294.967295, (32767, -32768), (1023, 0, 7)),
    Telemetry(
        message="health",
        values={
            "sequence": 12,
            "time": 5.00025,
            "supply.battery": 7.64,
            "duty.left": 0.412,
            "duty.right": -0.405,
            "loop.period": 0.001003,
            "wall.left.dark": 51,
            "wall.right.dark": 49,
            "wall.front.dark": 53,
        },
    ),
    Telemetry(
        message="health",
        values={
            "sequence": 13,
            "time": 5.20025,
            "supply.battery": 8.73,
            "duty.left": 0.412,
            "duty.right": -0.405,
            "loop.period": 0.001003,
            "wall.left.dark": 51,
            "wall.right.dark": 49,
            "wall.front.dark": 53,
            "supply.motor": 6.041,
            "supply.current": 0.187,
        },
    ),
    happened(13, 5.001, "move.begin", "0"),
    happened(14, 5.6, "move.end", "0"),
    happened(15, 5.66, "turn.begin", "1"),
    happened(16, 6.01, "turn.end", "1"),
    happened(17, 6.400125, "front.reset", "2"),
    happened(18, 6.5, "edge.left", "2"),
    happened(19, 6.50025, "edge.right", "2"),
    happened(20, 6.6, "touched", ""),
    happened(21, 6.7, "fault", "dead-man"),
    happened(22, 7.0, "idle", ""),
    Telemetry(
        message="levels",
        values={
            "sequence": 23,
            "time": 7.02,
            "encoder.left.levels": (0, 1, 3, 2, 0),
            "encoder.right.levels": (2, 2, 3, 1, 1),
        },
    ),
]
REPLIED = [
    (0, Verdict.ACCEPTED, "virtual V-0001 hil-firmware-1"),
    (6, Verdict.ACCEPTED, ""),
    (4, Verdict.REFUSED, "wheel-base goes from 6000 to 8000"),
]


def values_of(item: object) -> Mapping[str, Value]:
    assert isinstance(item, Telemetry | Happened)
    return item.values


@pytest.mark.parametrize(("line", "expected"), list(zip(HOST, COMMANDED, strict=True)))
def test_robot_takes_every_command(
    tagged_lines: Dialect, line: bytes, expected: tuple[str, int | None, Mapping[str, Value]]
) -> None:
    action, tag, values = expected
    assert Link(tagged_lines, End.ROBOT).receive(line + b"\r\n") == [Commanded(action=action, tag=tag, values=values)]


@pytest.mark.parametrize(("line", "expected"), list(zip(HOST, COMMANDED, strict=True)))
def test_host_writes_every_command(
    tagged_lines: Dialect, line: bytes, expected: tuple[str, int | None, Mapping[str, Value]]
) -> None:
    action, tag, values = expected
    assert Link(tagged_lines, End.HOST, first_tag=tag or 0).start(action, values, 0.0).data == line + b"\r\n"


@pytest.mark.parametrize(("line", "expected"), list(zip(REPORTS, REPORTED, strict=True)))
def test_host_takes_every_report(tagged_lines: Dialect, line: bytes, expected: Received) -> None:
    (item,) = Link(tagged_lines, End.HOST).receive(line + b"\r\n")
    assert type(item) is type(expected)
    near = {name: pytest.approx(value, rel=1e-12) for name, value in values_of(expected).items()}
    assert values_of(item) == near
    if isinstance(item, Happened) and isinstance(expected, Happened):
        assert (item.event, item.detail) == (expected.event, expected.detail)
    if isinstance(item, Telemetry) and isinstance(expected, Telemetry):
        assert item.message == expected.message


@pytest.mark.parametrize(("line", "report"), list(zip(REPORTS, REPORTED, strict=True)))
def test_robot_writes_every_report(tagged_lines: Dialect, line: bytes, report: Received) -> None:
    link = Link(tagged_lines, End.ROBOT)
    values = dict(values_of(report))
    for _ in range(int(values.pop("sequence"))):
        link.event("idle", {"time": 0})
    if isinstance(report, Telemetry):
        assert link.telemetry(report.message, values) == line + b"\r\n"
    elif isinstance(report, Happened):
        assert link.event(report.event, {**values, "detail": report.detail}) == line + b"\r\n"


@pytest.mark.parametrize(("line", "expected"), list(zip(REPLIES, REPLIED, strict=True)))
def test_replies_go_both_ways(tagged_lines: Dialect, line: bytes, expected: tuple[int, Verdict, str]) -> None:
    tag, verdict, answer = expected
    assert Link(tagged_lines, End.ROBOT).reply(tag, verdict, answer) == line + b"\r\n"
    host = Link(tagged_lines, End.HOST, first_tag=tag)
    host.start("identify", {}, 0.0)
    assert host.receive(line + b"\r\n") == [
        Replied(tag=tag, action="identify", verdict=verdict, answer=answer, values={})
    ]


@pytest.mark.parametrize(("reason", "line"), NOISE)
def test_refused_lines_are_noise_for_the_reason_given(tagged_lines: Dialect, reason: str, line: bytes) -> None:
    link = Link(tagged_lines, End.HOST)
    assert link.receive(line + b"\r\n") == [Noise(reason=reason, raw=line)]
    assert link.counters.good == 0


RECORDED: list[Received] = [
    BlockBegun(block="edges", count=3),
    row_of("edges", "edge_left", {"time": 7.000123, "encoder.left.edge": 1}),
    row_of("edges", "edge_right", {"time": 4294.967295, "encoder.right.edge": 0}),
    row_of("edges", "edge_left", {"time": 7.00025, "encoder.left.edge": 3}),
    BlockEnded(block="edges", rows=3),
    BlockBegun(block="ticks", count=2),
    row_of("ticks", "periods", {"time": 7.003, "loop.periods": (0.001, 0.001007, 0.000993)}),
    row_of("ticks", "periods", {"time": 7.024, "loop.periods": (0.021,)}),
    BlockEnded(block="ticks", rows=2),
]


def test_host_takes_what_was_recorded_on_board(tagged_lines: Dialect) -> None:
    found = Link(tagged_lines, End.HOST).receive(b"".join(line + b"\r\n" for line in BLOCKS))
    assert [without_last_digits(item) for item in found] == RECORDED


def test_robot_writes_what_was_recorded_on_board(tagged_lines: Dialect) -> None:
    link = Link(tagged_lines, End.ROBOT)
    sent: list[bytes] = []
    for block in ("edges", "ticks"):
        rows_sent = [
            link.row(block, item.message, item.values)
            for item in RECORDED
            if isinstance(item, Telemetry) and item.block == block
        ]
        sent += link.block(block, rows_sent)
    assert sent == [line + b"\r\n" for line in BLOCKS]


def test_every_message_and_command_has_a_golden_line(tagged_lines: Dialect) -> None:
    assert {what for who, what, _ in rows() if who == "host"} == set(tagged_lines.commands)
    told = {what for who, what, _ in rows() if who in ("robot", "row")}
    assert told == {message.name for message in tagged_lines.messages}
    assert {what for who, what, _ in rows() if who == "block"} == {block.name for block in tagged_lines.blocks}
    events = next(m for m in tagged_lines.messages if m.role is Role.EVENT).fields[2].choices
    assert {line.split()[3].decode() for line in ROBOT if line.startswith(b"e")} == set(events)


def test_golden_checks_are_those_of_the_definition() -> None:
    model = next(model for model in CRC_MODELS if model.name == "CRC-16/IBM-3740")
    for line in HOST + ROBOT + BLOCKS:
        body, _, check = line.rpartition(b" #")
        assert b"%04X" % crc_register(model, body) == check


def test_description_shows_golden_lines_only() -> None:
    description = (GOLDEN.parent / "README.md").read_text(encoding="utf-8")
    assert ROBOT[0].decode() in description


def test_loaded_file_is_the_dialect_written_by_hand(tagged_lines: Dialect) -> None:
    loaded = load_protocol(GOLDEN.parent / "tagged-lines.protocol.yaml")
    assert replace(loaded, digest="") == tagged_lines
