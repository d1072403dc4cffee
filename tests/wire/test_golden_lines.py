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
from hil.wire.received import Commanded, Happened, Noise, Received, Replied, Telemetry

GOLDEN = Path(__file__).parents[2] / "protocols" / "tagged-lines" / "golden.txt"


def rows() -> list[tuple[str, str, bytes]]:
    """(who, what, line without its ending) of every row."""
    texts = [text for text in GOLDEN.read_text(encoding="ascii").split("\n") if text and not text.startswith("#")]
    return [(text[:6].strip(), text[6:18].strip(), text[18:].encode("ascii")) for text in texts]


HOST = [line for who, _, line in rows() if who == "host"]
ROBOT = [line for who, _, line in rows() if who == "robot"]
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
    ("alive", None, {}),
]


def motion(sequence: int, time: float, encoders: tuple[int, int], walls: tuple[int, int, int]) -> Telemetry:
    values: dict[str, Value] = {"sequence": sequence, "time": time}
    values |= dict(zip(("encoder.left", "encoder.right"), encoders, strict=True))
    values |= dict(zip(("wall.left", "wall.right", "wall.front"), walls, strict=True))
    return Telemetry(message="motion", values=values)


def happened(sequence: int, time: float, event: str, detail: str) -> Happened:
    return Happened(event=event, values={"sequence": sequence, "time": time}, detail=detail)


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


@pytest.mark.parametrize(("line", "expected"), list(zip(ROBOT[:13], REPORTED, strict=True)))
def test_host_takes_every_report(tagged_lines: Dialect, line: bytes, expected: Received) -> None:
    (item,) = Link(tagged_lines, End.HOST).receive(line + b"\r\n")
    assert type(item) is type(expected)
    assert values_of(item) == pytest.approx(values_of(expected), rel=1e-12)
    if isinstance(item, Happened) and isinstance(expected, Happened):
        assert (item.event, item.detail) == (expected.event, expected.detail)
    if isinstance(item, Telemetry) and isinstance(expected, Telemetry):
        assert item.message == expected.message


@pytest.mark.parametrize(("line", "report"), list(zip(ROBOT[:13], REPORTED, strict=True)))
def test_robot_writes_every_report(tagged_lines: Dialect, line: bytes, report: Received) -> None:
    link = Link(tagged_lines, End.ROBOT)
    values = dict(values_of(report))
    for _ in range(int(values.pop("sequence"))):
        link.event("idle", {"time": 0})
    if isinstance(report, Telemetry):
        assert link.telemetry(report.message, values) == line + b"\r\n"
    elif isinstance(report, Happened):
        assert link.event(report.event, {**values, "detail": report.detail}) == line + b"\r\n"


@pytest.mark.parametrize(("line", "expected"), list(zip(ROBOT[13:], REPLIED, strict=True)))
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


def test_every_message_and_command_has_a_golden_line(tagged_lines: Dialect) -> None:
    assert {what for who, what, _ in rows() if who == "host"} == set(tagged_lines.commands)
    assert {what for who, what, _ in rows() if who == "robot"} == {message.name for message in tagged_lines.messages}
    events = next(m for m in tagged_lines.messages if m.role is Role.EVENT).fields[2].choices
    assert {line.split()[3].decode() for line in ROBOT if line.startswith(b"e")} == set(events)


def test_golden_checks_are_those_of_the_definition() -> None:
    model = next(model for model in CRC_MODELS if model.name == "CRC-16/IBM-3740")
    for line in HOST + ROBOT:
        body, _, check = line.rpartition(b" #")
        assert b"%04X" % crc_register(model, body) == check


def test_description_shows_golden_lines_only() -> None:
    description = (GOLDEN.parent / "README.md").read_text(encoding="utf-8")
    assert ROBOT[0].decode() in description


def test_loaded_file_is_the_dialect_written_by_hand(tagged_lines: Dialect) -> None:
    loaded = load_protocol(GOLDEN.parent / "tagged-lines.protocol.yaml")
    assert replace(loaded, digest="") == tagged_lines
