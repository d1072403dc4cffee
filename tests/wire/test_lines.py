"""Cutting bytes into lines: whole, byte by byte, with endings of every kind, and without end."""

from __future__ import annotations

import itertools

import pytest

from hil.errors import WireError
from hil.wire.dialect import LineFraming
from hil.wire.lines import LineFramer, Overlong

CRLF = LineFraming(ending=b"\r\n", max_length=8)


def lines_of(data: bytes, framing: LineFraming = CRLF, step: int = 0) -> list[bytes | Overlong]:
    framer = LineFramer(framing)
    pieces = [data] if not step else [data[i : i + step] for i in range(0, len(data), step)]
    found = [line for piece in pieces for line in framer.feed(piece)]
    assert framer.kept_bytes <= framing.max_length + 1
    return found


def test_line_feed_and_both_are_taken_as_endings() -> None:
    assert lines_of(b"one\r\ntwo\nthree\r\n") == [b"one", b"two", b"three"]
    assert lines_of(b"one\r\ntwo\n", LineFraming(ending=b"\n")) == [b"one", b"two"]


def test_carriage_return_alone_ends_lines_where_the_protocol_says_so() -> None:
    assert lines_of(b"one\rtwo\r\nthree\r", LineFraming(ending=b"\r")) == [b"one", b"two", b"three"]


def test_carriage_return_inside_a_line_belongs_to_it() -> None:
    assert lines_of(b"a\rb\r\r\n") == [b"a\rb\r"]


def test_empty_lines_are_nothing() -> None:
    assert lines_of(b"\r\n\n\r\na\n\n") == [b"a"]


def test_unfinished_line_waits_for_its_ending() -> None:
    framer = LineFramer(CRLF)
    assert framer.feed(b"on") == []
    assert framer.feed(b"e\r") == []
    assert framer.kept_bytes == 4
    assert framer.feed(b"\n") == [b"one"]
    assert framer.kept_bytes == 0


def test_forgetting_drops_the_unfinished_line() -> None:
    framer = LineFramer(CRLF)
    framer.feed(b"half of a line that never ends")
    framer.forget()
    assert framer.feed(b"one\n") == [b"one"]


@pytest.mark.parametrize("step", [0, 1, 2, 3, 7])
def test_longest_line_passes_and_one_byte_more_does_not(step: int) -> None:
    assert lines_of(b"12345678\r\n12345678\nab\r\n", step=step) == [b"12345678", b"12345678", b"ab"]
    assert lines_of(b"123456789\r\nab\r\n", step=step) == [Overlong(raw=b"12345678"), b"ab"]
    assert lines_of(b"12345678\rx\nab\r\n", step=step) == [Overlong(raw=b"12345678"), b"ab"]


@pytest.mark.parametrize("step", [1, 64, 4096])
def test_endless_line_is_one_item_told_at_once_and_keeps_nothing(step: int) -> None:
    framer = LineFramer(CRLF)
    found = []
    for _ in range(20_000 // step):
        found += framer.feed(b"x" * step)
        assert framer.kept_bytes <= 9
    assert found == [Overlong(raw=b"xxxxxxxx")]
    assert framer.feed(b"xx\none\n") == [b"one"]


@pytest.mark.parametrize("ending", [b"\r\n", b"\n", b"\r"])
def test_every_way_to_cut_a_short_stream_gives_the_same_lines(ending: bytes) -> None:
    data, framing = b"ab\r\n\rc\n12345\r\n1234\r\rd\n\r", LineFraming(ending=ending, max_length=4)
    whole = lines_of(data, framing)
    for first, second in itertools.combinations(range(len(data) + 1), 2):
        framer = LineFramer(framing)
        pieces = data[:first], data[first:second], data[second:]
        assert [line for piece in pieces for line in framer.feed(piece)] == whole


@pytest.mark.parametrize("ending", [b"", b";", b"\n\r"])
def test_other_endings_are_refused(ending: bytes) -> None:
    with pytest.raises(WireError, match="expected crlf, lf or cr"):
        LineFramer(LineFraming(ending=ending))


def test_lines_of_no_length_are_refused() -> None:
    with pytest.raises(WireError, match="cannot be 0 bytes long"):
        LineFramer(LineFraming(max_length=0))
