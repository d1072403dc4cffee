"""Requests that carry no number: one at a time, and a late answer is never the next one's."""

from __future__ import annotations

import runpy
from dataclasses import replace
from pathlib import Path

import pytest

from hil.errors import WireError
from hil.wire.dialect import Dialect, Verdict
from hil.wire.link import End, Link
from hil.wire.received import Booted, Commanded, Received, Replied, Stale, StaleReason
from hil.wire.requests import Expired

LETTER_MENU: Dialect = runpy.run_path(str(Path(__file__).parent / "letter_menu.py"))["LETTER_MENU"]
PLAIN = replace(
    LETTER_MENU,
    console=None,
    commands={name: replace(command, menu="") for name, command in LETTER_MENU.commands.items() if not command.menu},
)
DRIVE = {"speed": 300, "front": "wall", "path": "2f"}


@pytest.fixture
def host() -> Link:
    return Link(PLAIN, End.HOST)


@pytest.fixture
def robot() -> Link:
    return Link(PLAIN, End.ROBOT)


def only(items: list[Received]) -> Received:
    (item,) = items
    return item


def expire(host: Link, now_s: float) -> None:
    assert [type(item) for item in host.due(now_s)] == [Expired]


def test_the_next_answer_of_its_kind_is_the_requests(host: Link, robot: Link) -> None:
    pending = host.start("identify", {}, 0.0)
    assert (pending.tag, pending.tries, pending.data) == (None, 1, b"i\r\n")
    assert robot.receive(pending.data) == [Commanded(action="identify", tag=None, values={})]
    assert robot.expects_answer("identify")
    assert not robot.expects_answer("alive")
    answer = robot.reply(None, Verdict.ACCEPTED, "virtual V-0002", action="identify")
    assert answer == b"i am virtual V-0002\r\n"
    assert only(host.receive(answer)) == Replied(
        tag=None, action="identify", verdict=Verdict.ACCEPTED, answer="virtual V-0002", values={}
    )
    assert host.waiting == ()


def test_an_answer_of_another_kind_is_not_the_requests(host: Link) -> None:
    pending = host.start("identify", {}, 0.0)
    assert only(host.receive(b"ok\r\n")) == Stale(
        tag=None, action="", reason=StaleReason.UNASKED, verdict=Verdict.ACCEPTED, answer=""
    )
    assert host.waiting == (pending,)
    assert isinstance(only(host.receive(b"no: busy\r\n")), Replied)


def test_any_answer_does_where_none_is_named(robot: Link) -> None:
    commands = {name: replace(command, answers=()) for name, command in PLAIN.commands.items()}
    host = Link(replace(PLAIN, commands=commands), End.HOST)
    host.start("stream", {"period": 0.0}, 0.0)
    assert isinstance(only(host.receive(b"= 5\r\n")), Replied)


def test_robot_answers_with_the_first_message_of_the_verdict_where_the_request_names_none(robot: Link) -> None:
    assert robot.reply(None, Verdict.ACCEPTED, action="stop") == b"ok\r\n"
    assert robot.reply(None, Verdict.ACCEPTED) == b"ok\r\n"
    assert robot.reply(None, Verdict.REFUSED, "busy", action="drive") == b"no: busy\r\n"


def test_a_second_request_has_to_wait(host: Link) -> None:
    host.start("identify", {}, 0.0)
    with pytest.raises(WireError, match="'identify' waits for its answer, and answers carry no number"):
        host.start("stream", {"period": 0.1}, 0.0)
    assert host.start("alive", {}, 0.1).data == b".\r\n"


def test_a_request_is_sent_once_only(host: Link) -> None:
    host.start("identify", {}, 1.0)
    assert host.next_due_s == pytest.approx(1.3)
    assert host.due(1.29) == []
    expire(host, 1.3)
    assert (host.waiting, host.next_due_s, host.is_unsettled) == ((), None, True)


def test_an_answer_that_comes_late_is_stale_and_never_the_next_ones(host: Link) -> None:
    host.start("stream", {"period": 0.016}, 0.0)
    expire(host, 0.3)
    host.start("drive", DRIVE, 0.4)
    late, answer = host.receive(b"ok\r\nok\r\n")
    assert late == Stale(tag=None, action="stream", reason=StaleReason.EXPIRED, verdict=Verdict.ACCEPTED, answer="")
    assert isinstance(answer, Replied)
    assert answer.action == "drive"
    assert not host.is_unsettled


def test_a_line_that_was_quiet_is_settled(host: Link) -> None:
    host.start("stream", {"period": 0.016}, 0.0)
    expire(host, 0.3)
    host.settle()
    assert not host.is_unsettled
    host.start("drive", DRIVE, 0.4)
    assert isinstance(only(host.receive(b"ok\r\n")), Replied)


def test_an_answer_that_only_a_later_request_can_have_settles_the_line(host: Link) -> None:
    host.start("identify", {}, 0.0)
    expire(host, 0.3)
    host.start("stream", {"period": 0.1}, 0.4)
    assert isinstance(only(host.receive(b"ok\r\n")), Replied)
    assert not host.is_unsettled
    assert only(host.receive(b"i am late\r\n")) == Stale(
        tag=None, action="", reason=StaleReason.UNASKED, verdict=Verdict.ACCEPTED, answer="late"
    )


def test_a_stop_waits_for_nobody_and_the_answer_before_it_is_not_its_own(host: Link) -> None:
    host.start("drive", DRIVE, 0.0)
    assert host.start("stop", {}, 0.1).data == b"x\r\n"
    first, second = host.receive(b"ok\r\nok\r\n")
    assert isinstance(first, Stale)
    assert (first.action, first.reason) == ("drive", StaleReason.EXPIRED)
    assert isinstance(second, Replied)
    assert second.action == "stop"


def test_one_answer_does_for_a_stop_that_was_sent_twice(host: Link) -> None:
    host.start("stop", {}, 0.0)
    expire(host, 0.1)
    host.start("stop", {}, 0.1)
    assert isinstance(only(host.receive(b"ok\r\n")), Replied)


def test_an_answer_to_nothing_is_unasked(host: Link) -> None:
    item = only(host.receive(b"ok\r\n"))
    assert isinstance(item, Stale)
    assert (item.tag, item.reason, host.counters.stale) == (None, StaleReason.UNASKED, 1)


def test_a_robot_that_begins_anew_answers_nothing_that_was_asked_before(host: Link) -> None:
    host.start("identify", {}, 0.0)
    assert only(host.receive(b"letter menu ready\r\n")) == Booted(banner="letter menu ready")
    expire(host, 0.01)
    assert not host.is_unsettled
    host.start("identify", {}, 0.02)
    assert isinstance(only(host.receive(b"i am back\r\n")), Replied)


def test_requests_of_which_some_carry_a_number_are_refused() -> None:
    commands = {**PLAIN.commands, "stop": replace(PLAIN.commands["stop"], template="x {tag}")}
    with pytest.raises(WireError, match="could not be told from a late one"):
        Link(replace(PLAIN, commands=commands), End.HOST)
