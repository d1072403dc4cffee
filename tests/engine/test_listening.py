"""Listening through a protocol: rates, last values, lost and bad lines with an example, events as they come."""

from __future__ import annotations

from dataclasses import replace

import pytest

from hil.catalogue import shipped
from hil.engine.listening import Listening
from hil.spec.kinds import Kind
from hil.spec.loading import load_protocol
from hil.wire.codec import NoiseReason
from hil.wire.dialect import Dialect
from hil.wire.link import End, Link

MOTION = {
    "time": 0.0, "encoder.left": 0, "encoder.right": 0, "wall.left": 1, "wall.right": 2, "wall.front": 3,
}  # fmt: skip


@pytest.fixture(scope="module")
def dialect() -> Dialect:
    return load_protocol(shipped(Kind.PROTOCOL)["tagged-lines"])


def test_each_message_has_its_rate_and_its_last_values(dialect: Dialect) -> None:
    robot, listening = Link(dialect, End.ROBOT), Listening(dialect, 100.0)
    for number in range(101):
        at_s = 100.0 + number * 0.02
        listening.take(at_s, robot.telemetry("motion", {**MOTION, "time": number * 0.02, "encoder.left": number}))
    (motion,) = listening.picture(102.0).messages
    assert (motion.name, motion.count) == ("motion", 101)
    assert motion.rate_hz == pytest.approx(50.0)
    assert motion.values["encoder.left"] == 100
    assert motion.age_s == pytest.approx(0.0)


def test_a_message_that_no_longer_comes_has_no_rate(dialect: Dialect) -> None:
    robot, listening = Link(dialect, End.ROBOT), Listening(dialect, 0.0)
    for number in range(10):
        listening.take(number * 0.1, robot.telemetry("motion", MOTION))
    (motion,) = listening.picture(60.0).messages
    assert motion.rate_hz == 0.0
    assert motion.age_s == pytest.approx(59.1)


def test_lost_and_bad_lines_are_counted_with_an_example_of_each_reason(dialect: Dialect) -> None:
    robot, listening = Link(dialect, End.ROBOT), Listening(dialect, 0.0)
    lines = [robot.telemetry("motion", MOTION) for _ in range(6)]
    listening.take(0.1, lines[0] + lines[3] + b"m garbled #0000\r\n" + b"\xff" * 20 + b"\r\n" + lines[4])
    listening.take(0.2, b"m another #0000\r\n")
    picture = listening.picture(0.2)
    assert picture.counters.lost == 2
    assert picture.examples == {NoiseReason.CHECK: b"m garbled #0000", NoiseReason.UNDECODABLE: b"\xff" * 20}
    assert picture.counters.bad[NoiseReason.CHECK] == 2


def test_events_are_told_once_as_they_come(dialect: Dialect) -> None:
    robot, listening = Link(dialect, End.ROBOT), Listening(dialect, 0.0)
    listening.take(0.1, robot.event("idle", {"time": 0.1}))
    listening.take(0.2, robot.event("fault", {"time": 0.2, "detail": "stalled"}))
    assert listening.news() == ["event  idle", "event  fault  stalled"]
    assert listening.news() == []


def test_the_robots_clock_is_followed_over_all_its_messages(dialect: Dialect) -> None:
    robot, listening = Link(dialect, End.ROBOT), Listening(dialect, 0.0)
    for number in range(200):
        listening.take(number * 0.05, robot.telemetry("motion", {**MOTION, "time": number * 0.05}))
    skew = listening.picture(10.0).skew
    assert skew is not None
    assert skew.ppm == pytest.approx(0.0, abs=1.0)


def test_a_robot_without_a_clock_has_no_skew(dialect: Dialect) -> None:
    assert Listening(replace(dialect, clock_field=""), 0.0).picture(1.0).skew is None


def test_memory_stays_bounded_whatever_comes(dialect: Dialect) -> None:
    robot, listening = Link(dialect, End.ROBOT), Listening(dialect, 0.0)
    line = robot.event("idle", {"time": 0.1})
    for number in range(5000):
        listening.take(number * 0.001, line)
    assert len(listening.news()) == 200


def test_a_console_is_listened_to_with_its_prompts_colours_and_blocks() -> None:
    console = load_protocol(shipped(Kind.PROTOCOL)["letter-menu"])
    listening = Listening(console, 0.0)
    listening.take(0.1, b"letter menu ready\r\n> \x1b[32mt 1000 1 2 612 598 41\x1b[0m\r\n> * 1010 resting\r\n")
    listening.take(0.2, b"log of 2\r\nk 1000 1 2 612 598 41\r\n* 1005 straight 0\r\nend of log\r\n")
    listening.take(0.3, b"map of 3\r\nrow 0 B,3\r\n")
    for now_s in (0.4, 9.0):
        listening.look(now_s)
    picture = listening.picture(9.0)
    assert [(one.name, one.count) for one in picture.messages] == [
        ("columns", 1),
        ("log: kept_sample", 1),
        ("map: map_row", 1),
    ]
    assert picture.counters.bad_total == 0
    news = listening.news()
    assert news[:2] == ["started  letter menu ready", "event  idle"]
    assert [line for line in news if line.startswith("block  log")] == [
        "block  log  of 2 rows  begins",
        "block  log  ends after 2 rows",
    ]
    assert news[-1].startswith("block  map  ends after 1 row  ")


def test_who_listens_again_asks_with_numbers_that_the_robot_does_not_remember(dialect: Dialect) -> None:
    # A robot answers a number it has just heard again, and does nothing: telemetry asked for so would never come.
    tags = {Listening(dialect, begun_s).link.start("identify", {}, 0.0).tag for begun_s in (100.0, 104.2, 117.9)}
    assert len(tags) == 3
