"""What is shown of a port: nothing that a terminal acts on, and no more lines and columns than there are."""

from __future__ import annotations

import io
import re

from hypothesis import given
from hypothesis import strategies as st

from hil.catalogue import shipped
from hil.cli.listen_view import (
    Block,
    full_lines,
    hex_lines,
    loss_line,
    plain_line,
    raw_summary,
    shown_bytes,
    shown_value,
)
from hil.engine.listening import Listening
from hil.engine.listening_hints import hints
from hil.spec.kinds import Kind
from hil.spec.loading import load_protocol
from hil.wire.dialect import Verdict
from hil.wire.link import End, Link
from hil.wire.received import Commanded

DIALECTS = {name: load_protocol(path) for name, path in shipped(Kind.PROTOCOL).items()}


@given(st.sampled_from(sorted(DIALECTS)), st.lists(st.binary(max_size=200), max_size=6))
def test_whatever_comes_is_shown_harmless_and_raises_nothing(name: str, chunks: list[bytes]) -> None:
    listening = Listening(DIALECTS[name], 0.0)
    for number, chunk in enumerate(chunks):
        listening.take(number * 0.7, chunk)
    picture = listening.picture(6.0)
    found = hints(listening.heard, picture.counters, DIALECTS[name], 9600, 6.0)
    lines = [*full_lines(picture, found), plain_line(picture), raw_summary(listening.heard), *listening.news()]
    for chunk in chunks:
        lines += hex_lines(0.0, chunk)
    assert all(line.isprintable() for line in lines)


def test_bytes_are_cut_and_escaped() -> None:
    assert shown_bytes(b"ok \x1b[2J\xff") == "ok \\x1b[2J\\xff"
    assert shown_bytes(b"x" * 100) == "x" * 60 + "…"
    assert len(shown_bytes(b"\x00" * 100)) == 61


def test_hexadecimal_stands_beside_its_characters_sixteen_a_line() -> None:
    assert hex_lines(1.5, bytes(range(0x3A, 0x4C))) == [
        "    1.500  3a 3b 3c 3d 3e 3f 40 41 42 43 44 45 46 47 48 49  :;<=>?@ABCDEFGHI",
        "           4a 4b                                            JK",
    ]


def test_values_carry_their_units() -> None:
    assert shown_value("supply.battery", 7.8125) == "7.8125 V"
    assert shown_value("encoder.left", -12) == "-12 count"
    assert shown_value("state", "battery low\x07") == "battery low\\x07"
    assert shown_value("cell.walls", (11, 3, 9)) == "11,3,9"


def test_a_block_is_drawn_over_itself_and_never_larger_than_the_terminal() -> None:
    out = io.StringIO()
    block = Block(out, width=20, height=6)
    block.draw(["short", "x" * 50, "3", "4", "5", "6", "7", "8"])
    first = out.getvalue()
    assert first.count("\n") == 5
    assert max(len(line) for line in re.sub(r"\x1b\[\d*[A-Z]", "", first).split("\n")) == 19
    out.truncate(0)
    block.draw(["short"])
    # Up to the first of the five, one line written, four wiped, and back up to below the one that is left.
    assert out.getvalue().replace("\0", "") == "\x1b[5F\x1b[2Kshort\n" + "\x1b[2K\n" * 4 + "\x1b[4F"
    out.truncate(0)
    block.say(["event  idle"])
    assert out.getvalue().replace("\0", "") == "\x1b[1F\x1b[0Jevent  idle\n"


def test_an_answer_that_comes_twice_is_told_by_number_and_not_as_one_to_nothing() -> None:
    """A robot that was asked twice, since its answer was late, answers twice."""
    dialect = DIALECTS["tagged-lines"]
    listening, robot = Listening(dialect, 0.0), Link(dialect, End.ROBOT)
    asked = listening.link.start("identify", {}, 0.0)
    (heard,) = robot.receive(asked.data)
    assert isinstance(heard, Commanded)
    assert heard.tag is not None
    answer = robot.reply(heard.tag, Verdict.ACCEPTED, "runner R-7")
    listening.take(0.1, answer)
    assert loss_line(listening.picture(0.2)) == "lines: 1 good, 0 lost, 0 bad"
    listening.take(0.2, answer)
    assert loss_line(listening.picture(0.3)) == "lines: 2 good, 0 lost, 0 bad, 1 answer that nobody waited for"
