"""The golden lines of the ports that only print, read by the host and written by the robot.

The lines were written by hand from the protocols' descriptions, and so were the values below.
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
from hil.wire.received import Booted, Noise, Telemetry

HERE = Path(__file__).parent
PROTOCOLS = HERE.parents[1] / "protocols"
NAMES = ("plain-prints", "plain-readings")
WITNESSES: dict[str, Dialect] = {
    dialect.name: dialect
    for dialect in runpy.run_path(str(HERE / "plain_ports.py")).values()
    if isinstance(dialect, Dialect)
}
WALLS = ("wall.left", "wall.right", "wall.front")
DARK = ("wall.left.dark", "wall.right.dark", "wall.front.dark")


def rows(name: str, *whom: str) -> list[tuple[str, str, bytes]]:
    """(who, what, line without its ending) of the rows of somebody."""
    golden = (PROTOCOLS / name / "golden.txt").read_text(encoding="ascii")
    texts = [text for text in golden.split("\n") if text and not text.startswith("#")]
    found = [(text[:6].strip(), text[6:18].strip(), text[18:].encode("ascii")) for text in texts]
    return [row for row in found if row[0] in whom]


def rounded(values: Mapping[str, Value]) -> Mapping[str, Value]:
    """The values with as many digits as a double holds for certain, since a scale leaves a trace in the last ones."""
    return {name: float(f"{value:.12g}") if isinstance(value, float) else value for name, value in values.items()}


def glance(walls: tuple[int, int, int], counts: tuple[int, int]) -> Mapping[str, Value]:
    return dict(zip((*WALLS, "encoder.left", "encoder.right"), (*walls, *counts), strict=True))


def supply(volts: float, *dark: int) -> Mapping[str, Value]:
    return {"supply.battery": volts, **dict(zip(DARK, dark, strict=False))}


def readings(number: int, walls: tuple[int, int, int], volts: float, state: str, **dark: int) -> Mapping[str, Value]:
    found: dict[str, Value] = {"sequence": number, "supply.battery": volts, "state": state}
    found |= dict(zip(WALLS, walls, strict=True))
    return found | {f"wall.{wall}.dark": value for wall, value in dark.items()}


VALUES: dict[str, list[Mapping[str, Value]]] = {
    "plain-prints": [
        glance((612, 598, 41), (12034, 12030)),
        glance((1023, 0, 7), (32767, -32768)),
        glance((0, 0, 0), (0, 0)),
        supply(7.64, 51, 49, 53),
        supply(6.80),
        glance((612, 598, 41), (-1, 12)),
        supply(7.6),
        supply(8.0),
        supply(7.641, 51, 49, 53),
    ],
    "plain-readings": [
        readings(26, (612, 598, 41), 7.64, "sensing", left=51, right=49, front=53),
        {**readings(27, (612, 598, 41), 9.06, "sensing", left=51, right=49, front=53), "supply.motor": 6.04},
        {"encoder.left.levels": 3, "encoder.right.levels": 1},
        {"encoder.left.levels": 0, "encoder.right.levels": 2},
        readings(0, (1023, 0, 7), 6.20, "battery low"),
        readings(255, (612, 598, 41), 7.6, "sensing"),
        readings(0, (612, 598, 41), 8.0, "battery low", left=51, front=53),
    ],
}
READ = [
    (name, what, line, values)
    for name in NAMES
    for (_, what, line), values in zip(rows(name, "robot", "reads"), VALUES[name], strict=True)
]
WRITTEN = [row for row in READ if row[2] in [line for _, _, line in rows(row[0], "robot")]]
NOISE = [(name, reason, line) for name in NAMES for _, reason, line in rows(name, "noise")]


@pytest.mark.parametrize(("name", "what", "line", "values"), READ)
def test_host_takes_every_line(name: str, what: str, line: bytes, values: Mapping[str, Value]) -> None:
    (item,) = Link(WITNESSES[name], End.HOST).receive(line + b"\r\n")
    assert isinstance(item, Telemetry)
    assert item.message == what
    assert item.values.keys() == values.keys()
    for name, value in values.items():
        found = item.values[name]
        assert found == (pytest.approx(value, rel=1e-12) if isinstance(value, float) else value)


@pytest.mark.parametrize(("name", "what", "line", "values"), WRITTEN)
def test_robot_writes_every_line(name: str, what: str, line: bytes, values: Mapping[str, Value]) -> None:
    link = Link(WITNESSES[name], End.ROBOT)
    given = dict(values)
    if "sequence" in given:
        for _ in range(int(str(given.pop("sequence")))):
            link.telemetry(what, given)
    assert link.telemetry(what, given) == line + b"\r\n"


@pytest.mark.parametrize(("name", "reason", "line"), NOISE)
def test_refused_lines_are_noise_for_the_reason_given(name: str, reason: str, line: bytes) -> None:
    link = Link(WITNESSES[name], End.HOST)
    assert link.receive(line + b"\r\n") == [Noise(reason=NoiseReason(reason), raw=line)]
    assert link.counters.good == 0


@pytest.mark.parametrize("name", NAMES)
def test_the_banner_tells_that_the_program_has_started(name: str) -> None:
    ((_, _, line),) = rows(name, "boot")
    assert Link(WITNESSES[name], End.HOST).receive(line + b"\r\n") == [Booted(banner=line.decode())]


@pytest.mark.parametrize("name", NAMES)
def test_every_message_has_a_golden_line_and_the_description_shows_one(name: str) -> None:
    assert {what for _, what, _ in rows(name, "robot")} == {message.name for message in WITNESSES[name].messages}
    description = (PROTOCOLS / name / "README.md").read_text(encoding="utf-8")
    assert rows(name, "robot")[0][2].decode() in description


@pytest.mark.parametrize("name", NAMES)
def test_loaded_file_is_the_dialect_written_by_hand(name: str) -> None:
    loaded = load_protocol(PROTOCOLS / name / f"{name}.protocol.yaml")
    assert replace(loaded, digest="") == WITNESSES[name]
