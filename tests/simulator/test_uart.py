"""The serial line in virtual time: a byte takes its ten bits, telemetry is dropped first, bytes get lost and bent."""

from __future__ import annotations

import pytest

from hil.simulator.uart import Uart


def _uart(**options: float) -> Uart:
    settings = {"lost_bytes": 0.0, "flipped_bits": 0.0, **options}
    return Uart(baud=115200, bits_per_byte=10, seed=1, **settings)


def test_a_message_arrives_after_ten_bits_a_byte() -> None:
    uart = _uart()
    uart.send(b"x" * 115, 1.0)
    # 11 520 bytes a second (domain 6): 115 bytes take 9.98 ms.
    assert uart.outgoing.take(1.0099) == b""
    assert uart.outgoing.take(1.0100) == b"x" * 115


def test_messages_wait_for_each_other_and_keep_their_order() -> None:
    uart = _uart()
    uart.send(b"a" * 50, 0.0)
    uart.send(b"b" * 50, 0.0)
    assert uart.outgoing.take(0.005) == b"a" * 50
    assert uart.outgoing.take(0.009) == b"b" * 50


def test_telemetry_is_dropped_first_and_answers_still_find_room() -> None:
    uart = _uart()
    sent = [uart.send(b"m" * 50, 0.0, is_telemetry=True) for _ in range(20)]
    assert sent.count(True) == 5
    assert uart.send(b"y" * 50, 0.0)
    assert len(uart.outgoing.take(1.0)) == 300


def test_the_queue_is_bounded_for_everything() -> None:
    uart = _uart()
    while uart.send(b"y" * 100, 0.0):
        assert uart.outgoing.backlog_bytes(0.0) <= 1024
    assert uart.outgoing.backlog_bytes(0.0) >= 900


def test_the_wire_takes_time_to_the_robot_too() -> None:
    uart = _uart()
    uart.incoming.put(b"+ #ABCD\r\n", 0.0)
    assert uart.incoming.take(0.0005) == b""
    assert uart.incoming.take(0.001) == b"+ #ABCD\r\n"


def test_a_share_of_the_bytes_is_lost() -> None:
    uart = _uart(lost_bytes=0.01)
    kept = 0
    for block in range(100):
        uart.send(b"x" * 1000, float(block))
        kept += len(uart.outgoing.take(block + 0.5))
    # 100 000 bytes at 1 %: 1000 lost, give or take four standard deviations of 31.
    assert 100_000 - kept == pytest.approx(1000, abs=126)


def test_a_share_of_the_bits_is_flipped() -> None:
    uart = _uart(flipped_bits=0.001)
    flipped = 0
    for block in range(100):
        uart.send(b"\x00" * 1000, float(block))
        flipped += sum(byte.bit_count() for byte in uart.outgoing.take(block + 0.5))
    # 800 000 bits at 0.1 %: 800 flipped, give or take four standard deviations of 28.
    assert flipped == pytest.approx(800, abs=113)
