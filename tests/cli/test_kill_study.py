"""Runs that are killed: little is lost, and what is left can be judged; and the witness that says so sees a loss."""

from __future__ import annotations

import os
import select

import pytest

from hil.cli.kill_study import ALLOWED_S, make_kills, oldest_missing
from hil.cli.port_tee import Crossed, PortTee
from hil.timing import SystemClock
from hil.transports import open_port, open_pseudo_terminal
from hil.wire.dialect import PortSettings

MS = 1_000_000


def crossed(*pieces: tuple[int, bytes]) -> Crossed:
    return Crossed(times_ns=[t_ms * MS for t_ms, _ in pieces], pieces=[data for _, data in pieces])


@pytest.mark.whole
def test_three_killed_runs_lose_no_more_than_the_last_quarter_of_a_second() -> None:
    for kill in make_kills(3, seed=11, jobs=1):
        assert kill.trouble == "", kill
        assert kill.age_ms <= ALLOWED_S * 1e3
        assert kill.outcome in ("skipped", "passed", "undecided")


def test_the_age_of_what_is_missing_is_that_of_its_oldest_byte() -> None:
    # What came before the port was opened is not missing, nor is what came after the kill.
    said = crossed((0, b"before "), (100, b"one "), (300, b"two "), (400, b"three "), (900, b"after the kill"))
    assert oldest_missing(said, b"one two three ", 50 * MS, 500 * MS) == ("", 0.0)
    assert oldest_missing(said, b"one two ", 50 * MS, 500 * MS) == ("", 100.0)
    assert oldest_missing(said, b"one t", 50 * MS, 500 * MS) == ("", 200.0)
    assert oldest_missing(said, b"", 50 * MS, 500 * MS) == ("", 400.0)
    assert oldest_missing(said, b"", 0, 500 * MS) == ("", 0.0)  # it was never opened
    assert oldest_missing(said, b"one three ", 50 * MS, 500 * MS) == (
        "what the trace holds did not cross the port like that",
        0.0,
    )


def test_a_tee_passes_everything_on_and_remembers_it() -> None:
    clock = SystemClock()
    robot, path = open_pseudo_terminal(clock)
    with robot, PortTee(path) as tee, open_port(tee.path, PortSettings(baud=115200), clock) as host:
        host.write(b"to the robot")
        asked = robot.read(5.0)
        robot.write(b"to the host")
        answered = host.read(5.0)
        after_ns = clock.monotonic_ns()
        tee.close()
        assert (asked and asked.data, answered and answered.data) == (b"to the robot", b"to the host")
        assert (tee.from_host.data, tee.to_host.data) == (b"to the robot", b"to the host")
        assert tee.to_host.place_at(after_ns) == len(b"to the host")
        assert tee.to_host.place_at(0) == 0


def test_what_nobody_takes_has_not_crossed() -> None:
    robot, path = open_pseudo_terminal(SystemClock())
    with robot, PortTee(path) as tee:
        robot.write(b"x" * 3000)
        robot.write(b"x" * 3000)
        descriptor = os.open(tee.path, os.O_RDONLY | os.O_NOCTTY | os.O_NONBLOCK)
        taken = b""
        while select.select([descriptor], [], [], 0.5)[0]:
            taken += os.read(descriptor, 4096)
        os.close(descriptor)
        assert tee.to_host.data == taken
