"""Hints at what may be wrong with a port, each on bytes that show the fault, and none where all is well."""

from __future__ import annotations

from dataclasses import replace

import pytest

from hil.catalogue import shipped
from hil.engine.listening import Listening
from hil.engine.listening_hints import hints
from hil.spec.kinds import Kind
from hil.spec.loading import load_protocol
from hil.wire.dialect import Dialect, LineState
from hil.wire.link import End, Link

GOOD = {"time": 0.0, "encoder.left": 0, "encoder.right": 0, "wall.left": 1, "wall.right": 2, "wall.front": 3}


@pytest.fixture(scope="module")
def dialect() -> Dialect:
    return load_protocol(shipped(Kind.PROTOCOL)["tagged-lines"])


def said(dialect: Dialect, data: bytes, now_s: float, fitting: tuple[str, ...] = (), baud: int = 115200) -> str:
    listening = Listening(dialect, 0.0)
    if data:
        listening.take(0.5, data)
    found = hints(listening.heard, listening.link.counters, dialect, baud, now_s, fitting)
    return " / ".join(found)


def test_a_good_port_gets_no_hint(dialect: Dialect) -> None:
    robot = Link(dialect, End.ROBOT)
    assert said(dialect, b"".join(robot.telemetry("motion", GOOD) for _ in range(20)), 1.0) == ""


def test_an_open_port_without_a_byte_asks_for_the_other_state_of_dtr(dialect: Dialect) -> None:
    assert said(dialect, b"", 1.9) == ""
    assert "nothing came in 2 s" in said(dialect, b"", 2.0)
    assert "try --dtr off" in said(dialect, b"", 2.0)
    assert "try --dtr on" in said(replace(dialect, port=replace(dialect.port, dtr=LineState.OFF)), b"", 2.0)


def test_a_robot_that_waits_to_be_asked_is_told_from_a_dead_one(dialect: Dialect) -> None:
    assert "only when asked to: --ask" in said(dialect, b"", 3.0)
    assert "--ask" not in said(replace(dialect, commands={}), b"", 3.0)


def test_garbage_for_a_second_suggests_another_rate(dialect: Dialect) -> None:
    hint = said(dialect, bytes(range(128, 228)) * 2, 1.0, baud=9600)
    assert hint.startswith("100 % of the bytes are no text, as with a wrong baud rate (now 9600).")
    assert "--try-bauds" in hint
    assert said(dialect, b"ready to run \xff\xfe and so on\r\n", 1.0) == ""


def test_a_line_that_never_ends_is_told(dialect: Dialect) -> None:
    assert "200 bytes came and no line ended" in said(dialect, b"0123456789" * 20, 3.0)


def test_lines_that_end_with_a_carriage_return_alone_run_together(dialect: Dialect) -> None:
    assert "Lines end with a carriage return alone, and tagged-lines expects crlf" in said(
        dialect, b"a 1\rb 2\r" * 5, 1.0
    )


def test_lines_that_end_with_a_line_feed_where_a_return_is_expected_run_together(dialect: Dialect) -> None:
    returns = replace(dialect, framing=replace(dialect.framing, ending=b"\r"))
    assert "Lines end with a line feed alone, and tagged-lines expects cr" in said(returns, b"a 1\nb 2\n" * 5, 1.0)


def test_text_of_another_protocol_names_the_one_that_fits(dialect: Dialect) -> None:
    text = b"see 1 2 3 went 4 5\r\n" * 5
    assert "none of 5 lines is one of tagged-lines; what came fits plain-prints: --protocol plain-prints" in said(
        dialect, text, 1.0, ("plain-prints",)
    )
    assert "none of the protocols known here fits either" in said(dialect, text, 1.0)


@pytest.mark.parametrize("prompt", [b"> ", b"robot$ ", b"Press any key", b"choose: "])
def test_a_console_that_waits_for_a_key_is_told(dialect: Dialect, prompt: bytes) -> None:
    assert "waits for a key" in said(dialect, b"Robot console\r\n" + prompt, 3.0)
    assert "waits for a key" not in said(dialect, b"Robot console\r\n" + prompt, 1.0)


def test_a_port_that_fell_silent_is_told(dialect: Dialect) -> None:
    robot = Link(dialect, End.ROBOT)
    assert said(dialect, robot.telemetry("motion", GOOD), 4.5) == "Nothing has come for 4 s."
