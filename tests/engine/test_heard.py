"""What came from a port, as bytes alone: the same however it was cut into chunks, and bounded."""

from __future__ import annotations

from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from hil.engine.heard import KEPT_BYTES, TAIL_BYTES, Endings, Heard


def heard_in(chunks: list[bytes]) -> Heard:
    heard = Heard(0.0)
    for chunk in chunks:
        heard.take(0.5, chunk)
    return heard


def test_endings_are_told_apart() -> None:
    heard = heard_in([b"one\r\ntwo\nthree\rfour\r", b"\nfive"])
    assert heard.endings == Endings(crlf=2, lf=1, cr=1)
    assert heard.tail == b"five"


def test_a_carriage_return_that_came_last_counts_once() -> None:
    assert heard_in([b"one\r"]).endings == Endings(cr=1)
    assert heard_in([b"one\r", b"two\r"]).endings == Endings(cr=2)


@given(st.binary(max_size=300), st.lists(st.integers(0, 300), max_size=8))
def test_what_is_counted_does_not_depend_on_the_chunks(data: bytes, cuts: list[int]) -> None:
    at = [0, *sorted(min(cut, len(data)) for cut in cuts), len(data)]
    whole = heard_in([data])
    cut = heard_in([data[start:end] for start, end in pairwise(at)])
    assert (whole.total, whole.unprintable, whole.endings) == (cut.total, cut.unprintable, cut.endings)
    assert (whole.tail, whole.kept) == (cut.tail, cut.kept)


def test_the_share_of_unprintable_bytes_is_that_of_the_last_second() -> None:
    heard = Heard(0.0)
    heard.take(0.0, b"\xff" * 60)
    heard.take(0.9, b"good text!" * 4)
    assert heard.unprintable_share(0.9) == 0.6
    assert heard.unprintable_share(1.5) == 0.0
    assert heard.unprintable_share(9.0) == 0.0


def test_escapes_of_a_coloured_console_are_text() -> None:
    heard = heard_in([b"\x1b[32mok\x1b[0m\r\n\t"])
    assert heard.unprintable == 0


def test_what_is_kept_is_bounded_whatever_comes() -> None:
    heard = Heard(0.0)
    for _ in range(50):
        heard.take(1.0, b"x" * 4096)
    assert (len(heard.kept), len(heard.tail)) == (KEPT_BYTES, TAIL_BYTES)
    assert heard.total == 50 * 4096


def test_silence_counts_from_the_begin_until_something_comes() -> None:
    heard = Heard(10.0)
    assert heard.silent_s(13.0) == 3.0
    heard.take(13.5, b"x")
    assert heard.silent_s(14.0) == 0.5
