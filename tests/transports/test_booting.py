"""Boards that start anew when their port is opened, and how long an answer takes: on a clock that tests move."""

from __future__ import annotations

from collections.abc import Iterable

import pytest

from hil.timing import FakeClock
from hil.transports.booting import measure_round_trip, not_booted, wait_for_boot
from hil.wire.codec import NoiseReason
from hil.wire.dialect import BootSpec
from hil.wire.received import Booted, Noise, Received, Telemetry

RESETS = BootSpec(resets_on_open=True, banner="ready", timeout_s=3.0)
LINE = Telemetry(message="glance", values={})
NOISE = Noise(reason=NoiseReason.UNPARSED, raw=b"boot garbage")


class Board:
    """Says what it has to say at its times; reading takes the time that was asked for."""

    def __init__(self, says: Iterable[tuple[float, Received]]) -> None:
        self.clock = FakeClock()
        self._says = list(says)

    def now_s(self) -> float:
        return self.clock.monotonic_ns() / 1e9

    def pump(self, timeout_s: float) -> list[Received]:
        self.clock.advance(timeout_s)
        due = [item for at_s, item in self._says if at_s <= self.now_s()]
        self._says = [pair for pair in self._says if pair[0] > self.now_s()]
        return due


def test_a_board_that_does_not_restart_is_not_waited_for() -> None:
    board = Board([])
    boot = wait_for_boot(BootSpec(banner="ready"), board.pump, board.now_s)
    assert (boot.seen, board.now_s()) == (True, 0.0)


def test_the_banner_ends_the_wait_and_noise_before_it_does_not() -> None:
    board = Board([(0.3, NOISE), (0.6, LINE), (1.2, Booted(banner="ready 1.4"))])
    boot = wait_for_boot(RESETS, board.pump, board.now_s)
    assert (boot.seen, boot.banner) == (True, "ready 1.4")
    assert boot.took_s == pytest.approx(1.2, abs=0.06)


def test_without_a_banner_the_first_good_line_is_the_sign_of_life() -> None:
    board = Board([(0.3, NOISE), (0.6, LINE)])
    boot = wait_for_boot(BootSpec(resets_on_open=True), board.pump, board.now_s)
    assert boot.seen
    assert boot.took_s == pytest.approx(0.6, abs=0.06)


def test_a_program_that_was_just_started_is_waited_for_though_opening_restarts_nothing() -> None:
    board = Board([(0.5, Booted(banner="ready"))])
    assert wait_for_boot(BootSpec(banner="ready"), board.pump, board.now_s, must=True).banner == "ready"


def test_a_board_that_never_says_so_ends_the_wait_at_its_time() -> None:
    board = Board([(0.3, NOISE)])
    boot = wait_for_boot(RESETS, board.pump, board.now_s)
    assert not boot.seen
    assert board.now_s() == pytest.approx(3.0)
    assert str(not_booted("/dev/ttyUSB0", RESETS, 12)) == (
        "/dev/ttyUSB0: the board did not say within 3 s that it has started; 12 bytes came, and no line like that; "
        "expected a line like 'ready'. Press its reset button once; then check boot in the protocol file (banner, "
        "timeout, resets_on_open), the program it carries, and the baud rate."
    )


@pytest.mark.parametrize(("took_ms", "held"), [(2, False), (16, True), (17, True), (60, False)])
def test_an_answer_that_takes_about_as_long_as_the_latency_timer_says_so(took_ms: int, held: bool) -> None:
    # 16 ms is the default of the latency timer of USB serial bridges (FTDI application note AN232B-04).
    board = Board([])
    trip = measure_round_trip(lambda: board.clock.advance(took_ms / 1000), board.now_s)
    assert trip.median_s == pytest.approx(took_ms / 1000)
    assert ("latency timer" in trip.text_on("/dev/ttyUSB0")) is held
    assert "latency timer" not in trip.text_on("/dev/pts/3")
    assert "latency timer" not in trip.text_on("socket://bench.local:7000")


def test_nothing_shorter_than_twice_the_round_trip_is_held_against_a_tolerance() -> None:
    board = Board([])
    took_s = iter([0.010, 0.030, 0.020])
    trip = measure_round_trip(lambda: board.clock.advance(next(took_s)), board.now_s, tries=3)
    assert (trip.shortest_s, trip.median_s, trip.longest_s) == pytest.approx((0.010, 0.020, 0.030))
    assert trip.least_assertable_s == pytest.approx(0.040)
