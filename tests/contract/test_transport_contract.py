"""What every kind of port must do in the same way."""

from __future__ import annotations

import threading
import time
from typing import Any

import pytest

from hil.errors import PortLost
from hil.transports import Transport

# pyserial's telnet handler starts its thread with two spellings that newer Pythons discourage.
pytestmark = [
    pytest.mark.filterwarnings(r"ignore:set(Daemon|Name)\(\) is deprecated:DeprecationWarning"),
]

EVERY_BYTE = bytes(range(256))


def gather(transport: Transport, count: int) -> bytes:
    found = b""
    while len(found) < count:
        stamped = transport.read(2.0)
        assert stamped is not None, f"only {len(found)} of {count} bytes came"
        found += stamped.data
    return found


def test_every_byte_value_arrives_unchanged_at_the_host(ends: Any) -> None:
    ends.send(EVERY_BYTE * 4)
    assert gather(ends.host, 1024) == EVERY_BYTE * 4


def test_every_byte_value_arrives_unchanged_at_the_far_end(ends: Any) -> None:
    ends.host.write(EVERY_BYTE * 4)
    assert ends.receive(1024) == EVERY_BYTE * 4


def test_a_long_stream_arrives_whole_and_in_order(ends: Any) -> None:
    sent = b"".join(b"%06d\n" % number for number in range(3000))
    writer = threading.Thread(target=lambda: [ends.send(sent[at : at + 700]) for at in range(0, len(sent), 700)])
    writer.start()
    assert gather(ends.host, len(sent)) == sent
    writer.join(2.0)


def test_a_read_that_times_out_gives_none_at_its_deadline_and_loses_nothing(ends: Any) -> None:
    ends.send(b"early")
    assert gather(ends.host, 5) == b"early"
    began = time.monotonic()
    assert ends.host.read(0.05) is None
    elapsed = time.monotonic() - began
    assert 0.045 <= elapsed < 0.5
    ends.send(b"later")
    assert gather(ends.host, 5) == b"later"


@pytest.mark.parametrize("timeout_s", [0.0, -1.0])
def test_a_read_without_patience_returns_at_once(ends: Any, timeout_s: float) -> None:
    began = time.monotonic()
    assert ends.host.read(timeout_s) is None
    assert time.monotonic() - began < 0.04


def test_stamps_lie_between_sending_and_reading_and_never_go_back(ends: Any) -> None:
    before = time.monotonic_ns()
    stamps = []
    for _ in range(5):
        ends.send(b"tick")
        found = ends.host.read(2.0)
        assert found is not None
        stamps.append(found.t_ns)
    assert before <= stamps[0]
    assert stamps == sorted(stamps)
    assert stamps[-1] <= time.monotonic_ns()


def test_nothing_is_sent_by_an_empty_write(ends: Any) -> None:
    ends.host.write(b"")
    ends.host.write(b"x")
    assert ends.receive(1) == b"x"


def test_after_close_both_ways_say_that_this_program_closed_it(ends: Any) -> None:
    ends.host.close()
    ends.host.close()
    for _ in range(2):
        with pytest.raises(PortLost) as caught:
            ends.host.read(1.0)
        assert caught.value.cause == "closed by this program"
        with pytest.raises(PortLost):
            ends.host.write(b"x")


def test_what_came_before_close_stays_readable(ends: Any) -> None:
    ends.clock.was_read.clear()
    ends.send(b"kept")
    assert ends.clock.was_read.wait(2.0)
    ends.host.close()
    first = ends.host.read(0.0)
    assert first is not None
    assert b"kept".startswith(first.data)


def test_close_ends_a_read_that_waits_in_another_thread(ends: Any) -> None:
    caught: list[BaseException] = []

    def wait() -> None:
        try:
            ends.host.read(30.0)
        except PortLost as error:
            caught.append(error)

    waiting = threading.Thread(target=wait)
    waiting.start()
    ends.host.close()
    waiting.join(5.0)
    assert not waiting.is_alive()
    assert len(caught) == 1


def test_close_leaves_no_reader_thread_behind(ends: Any) -> None:
    name = f"reader of {ends.host.name}"
    ends.host.close()
    assert name not in [thread.name for thread in threading.enumerate()]


def test_a_far_end_that_goes_away_is_told_after_its_last_bytes_and_every_time(parting_ends: Any) -> None:
    ends = parting_ends
    ends.clock.was_read.clear()
    ends.send(b"last words")
    assert ends.clock.was_read.wait(2.0)
    ends.hang_up()
    assert gather(ends.host, 10) == b"last words"
    with pytest.raises(PortLost) as caught:
        ends.host.read(2.0)
    assert caught.value.port == ends.host.name
    assert caught.value.cause
    assert caught.value.uptime_s >= 0.0
    with pytest.raises(PortLost):
        ends.host.read(2.0)
    with pytest.raises(PortLost):
        ends.host.write(b"x")


def test_bytes_that_arrived_while_the_reader_was_late_outlive_their_sender(network_ends: Any) -> None:
    ends = network_ends
    ends.clock.was_read.clear()
    ends.clock.may_go_on.clear()
    ends.send(b"one")
    assert ends.clock.was_read.wait(2.0)
    ends.send(b"two" * 1000)
    ends.hang_up()
    thread = getattr(getattr(ends.host, "_port", None), "_thread", None)
    if thread is not None:  # the telnet handler's own reader sees the end before ours does
        thread.join(2.0)
    ends.clock.may_go_on.set()
    assert gather(ends.host, 3003) == b"one" + b"two" * 1000
    with pytest.raises(PortLost):
        ends.host.read(2.0)


def test_a_port_that_is_used_as_a_context_is_closed_at_its_end(ends: Any) -> None:
    with ends.host as host:
        host.write(b"x")
    with pytest.raises(PortLost):
        host.write(b"x")
