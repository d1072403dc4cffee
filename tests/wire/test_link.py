"""The two ends of a link: requests and answers, repetitions, late answers, lost lines, keep-alive."""

from __future__ import annotations

from dataclasses import replace

import pytest

from hil.errors import InternalError, UsageError, WireError
from hil.wire.answers import REMEMBERED_ANSWERS
from hil.wire.codec import NoiseReason
from hil.wire.dialect import BootSpec, CommandSpec, Dialect, FieldSpec, FieldType, LineCheck, MessageSpec, Role, Verdict
from hil.wire.fields import Value
from hil.wire.link import End, Link
from hil.wire.received import Booted, Commanded, Happened, Noise, Replied, Stale, StaleReason, Telemetry
from hil.wire.requests import MOST_PENDING, REMEMBERED, Expired, Pending, Resend

MOTION: dict[str, Value] = {
    "time": 1.5,
    "encoder.left": 10,
    "encoder.right": 11,
    "wall.left": 1,
    "wall.right": 2,
    "wall.front": 3,
}


@pytest.fixture
def host(tagged_lines: Dialect) -> Link:
    return Link(tagged_lines, End.HOST)


@pytest.fixture
def robot(tagged_lines: Dialect) -> Link:
    return Link(tagged_lines, End.ROBOT)


def only_command(link: Link, data: bytes) -> Commanded:
    (item,) = link.receive(data)
    assert isinstance(item, Commanded)
    return item


def tag_of(pending: Pending) -> int:
    assert pending.tag is not None
    return pending.tag


# Requests and answers


def test_an_answer_finds_its_request(host: Link, robot: Link) -> None:
    first, second = host.start("get", {"name": "a"}, 0.0), host.start("get", {"name": "b"}, 0.0)
    answers = [robot.reply(only_command(robot, p.data).tag or 0, Verdict.ACCEPTED, p.action) for p in (second, first)]
    assert [item.tag for item in host.receive(b"".join(answers)) if isinstance(item, Replied)] == [1, 0]
    assert host.waiting == ()


def test_a_refusal_is_told_with_its_reason(host: Link, robot: Link) -> None:
    pending = host.start("set", {"name": "trim", "value": 5}, 0.0)
    answer = robot.reply(tag_of(pending), Verdict.REFUSED, "no such setting: #7")
    assert host.receive(answer) == [
        Replied(tag=0, action="set", verdict=Verdict.REFUSED, answer="no such setting: #7", values={})
    ]


def test_unanswered_request_is_sent_again_and_then_given_up(host: Link) -> None:
    pending = host.start("get", {"name": "a"}, 10.0)  # 0.3 s, three tries
    assert host.next_due_s == pytest.approx(10.3)
    assert host.due(10.29) == []
    (again,) = host.due(10.3)
    assert isinstance(again, Resend)
    assert again.data == pending.data
    assert host.due(10.5) == []
    (third,) = host.due(10.65)  # called late: the next deadline counts from the sending
    assert isinstance(third, Resend)
    assert host.next_due_s == pytest.approx(10.95)
    (end,) = host.due(10.951)
    assert isinstance(end, Expired)
    assert (end.pending.tag, end.pending.sent) == (0, 3)
    assert host.next_due_s is None
    assert host.due(1000.0) == []


def test_late_answer_is_stale_and_never_the_next_ones(host: Link, robot: Link) -> None:
    old = host.start("get", {"name": "a"}, 0.0)
    late = robot.reply(tag_of(old), Verdict.ACCEPTED, "of a")
    for now in (1.0, 2.0, 3.0):
        host.due(now)
    new = host.start("get", {"name": "b"}, 4.0)
    assert host.receive(late) == [
        Stale(tag=0, action="get", reason=StaleReason.EXPIRED, verdict=Verdict.ACCEPTED, answer="of a")
    ]
    assert host.waiting == (new,)
    (item,) = host.receive(robot.reply(tag_of(new), Verdict.ACCEPTED, "of b"))
    assert isinstance(item, Replied)
    assert item.answer == "of b"
    assert host.counters.stale == 1


def test_second_answer_to_a_repeated_request_is_stale(host: Link, robot: Link) -> None:
    pending = host.start("get", {"name": "a"}, 0.0)
    answer = robot.reply(tag_of(pending), Verdict.ACCEPTED, "5")
    _, second = host.receive(answer + answer)
    assert isinstance(second, Stale)
    assert second.reason is StaleReason.ANSWERED


def test_answer_to_nothing_is_stale(host: Link, robot: Link) -> None:
    (item,) = host.receive(robot.reply(77, Verdict.ACCEPTED))
    assert item == Stale(tag=77, action="", reason=StaleReason.UNASKED, verdict=Verdict.ACCEPTED, answer="")


def test_tags_go_round_and_leave_out_those_that_wait(tagged_lines: Dialect) -> None:
    host = Link(replace(tagged_lines, tag_modulus=4), End.HOST, first_tag=2)
    waiting = host.start("drive", {"speed": 300, "front": "wall", "path": "a1"}, 0.0)
    robot = Link(tagged_lines, End.ROBOT)
    seen = []
    for _ in range(5):
        pending = host.start("identify", {}, 0.0)
        seen.append(pending.tag)
        host.receive(robot.reply(tag_of(pending), Verdict.ACCEPTED))
    assert (waiting.tag, seen) == (2, [3, 0, 1, 3, 0])


def test_too_many_waiting_requests_are_refused(host: Link) -> None:
    for _ in range(MOST_PENDING):
        host.start("identify", {}, 0.0)
    with pytest.raises(WireError, match="16 requests wait"):
        host.start("identify", {}, 0.0)


def test_memory_of_finished_requests_is_bounded(host: Link, robot: Link) -> None:
    for _ in range(3 * REMEMBERED):
        host.receive(robot.reply(tag_of(host.start("identify", {}, 0.0)), Verdict.ACCEPTED))
    (old,) = host.receive(robot.reply(REMEMBERED, Verdict.ACCEPTED))
    (recent,) = host.receive(robot.reply(3 * REMEMBERED - 1, Verdict.ACCEPTED))
    assert isinstance(old, Stale)
    assert isinstance(recent, Stale)
    assert (old.reason, recent.reason) == (StaleReason.UNASKED, StaleReason.ANSWERED)


def test_unknown_action_is_refused(host: Link) -> None:
    with pytest.raises(WireError, match="has no command for 'search'; expected one of identify, stop"):
        host.start("search", {}, 0.0)


def test_refused_values_leave_nothing_waiting(host: Link) -> None:
    with pytest.raises(WireError, match="no value for value"):
        host.start("set", {"name": "trim"}, 0.0)
    assert host.waiting == ()


def test_path_too_long_for_a_line_is_refused(host: Link) -> None:
    with pytest.raises(WireError, match="expected at most 160") as caught:
        host.start("drive", {"speed": 300, "front": "wall", "path": ",".join(["ab1"] * 40)}, 0.0)
    assert isinstance(caught.value, UsageError)
    assert isinstance(caught.value, ValueError)


# The robot's end


def test_repeated_request_is_answered_again_and_not_done(robot: Link, host: Link) -> None:
    pending = host.start("set", {"name": "trim", "value": 5}, 0.0)
    assert not only_command(robot, pending.data).repeated
    early = only_command(robot, pending.data)
    assert (early.repeated, early.again) == (True, b"")
    answer = robot.reply(tag_of(pending), Verdict.ACCEPTED, "5")
    late = only_command(robot, pending.data)
    assert (late.repeated, late.again) == (True, answer)


def test_same_tag_with_another_request_is_new(robot: Link, tagged_lines: Dialect) -> None:
    first = Link(tagged_lines, End.HOST).start("set", {"name": "trim", "value": 5}, 0.0)
    second = Link(tagged_lines, End.HOST).start("set", {"name": "trim", "value": 6}, 0.0)
    assert first.tag == second.tag
    only_command(robot, first.data)
    robot.reply(0, Verdict.ACCEPTED, "5")
    again = only_command(robot, second.data)
    assert (again.repeated, again.values["value"]) == (False, 6)


def test_stop_is_done_every_time(robot: Link, host: Link) -> None:
    pending = host.start("stop", {}, 0.0)
    for _ in range(3):
        assert not only_command(robot, pending.data).repeated
        robot.reply(tag_of(pending), Verdict.ACCEPTED)


def test_memory_of_answers_is_bounded(robot: Link, host: Link) -> None:
    requests = [host.start("get", {"name": f"n{i}"}, 0.0) for i in range(REMEMBERED_ANSWERS + 1)]
    for pending in requests:
        only_command(robot, pending.data)
        robot.reply(tag_of(pending), Verdict.ACCEPTED)
    assert only_command(robot, requests[1].data).repeated
    assert not only_command(robot, requests[0].data).repeated


def test_robot_numbers_its_lines_over_all_messages(robot: Link, host: Link) -> None:
    data = robot.telemetry("motion", MOTION) + robot.event("idle", {"time": 2.0}) + robot.telemetry("motion", MOTION)
    numbers = [i.values["sequence"] for i in host.receive(data) if isinstance(i, Telemetry | Happened)]
    assert numbers == [0, 1, 2]


def test_refused_line_takes_no_number(robot: Link) -> None:
    with pytest.raises(WireError):
        robot.telemetry("motion", {**MOTION, "wall.left": -1})
    assert robot.telemetry("motion", MOTION).startswith(b"m 0 ")


def test_answers_take_no_number(robot: Link) -> None:
    robot.reply(0, Verdict.ACCEPTED, "x")
    assert robot.telemetry("motion", MOTION).startswith(b"m 0 ")


def test_counters_of_the_robot_wrap_on_the_wire(robot: Link, host: Link) -> None:
    values = {**MOTION, "encoder.left": 32768, "encoder.right": -32769, "time": 4294.967297}
    (item,) = host.receive(robot.telemetry("motion", values))
    assert isinstance(item, Telemetry)
    assert (item.values["encoder.left"], item.values["encoder.right"]) == (-32768, 32767)
    assert item.values["time"] == pytest.approx(1e-6)


def test_unknown_message_or_event_is_refused(robot: Link) -> None:
    with pytest.raises(WireError, match="has no message 'gyro'"):
        robot.telemetry("gyro", {})
    with pytest.raises(WireError, match="cannot tell of the event 'cell'"):
        robot.event("cell", {"time": 0})


# Noise and lost lines


def test_noise_is_counted_by_reason_and_hides_nothing_after_it(host: Link, robot: Link) -> None:
    good = robot.telemetry("motion", MOTION)
    wrong_speed = bytes(range(128, 168)) + b"\n"
    data = good.replace(b"1500000", b"1500001") + b"q #0000\n" + b"x" * 500 + b"\n" + wrong_speed + good
    items = host.receive(data)
    assert [i.reason for i in items if isinstance(i, Noise)] == ["check", "check", "overlong", "undecodable"]
    assert isinstance(items[-1], Telemetry)
    assert host.counters.bad == {
        NoiseReason.CHECK: 2,
        NoiseReason.OVERLONG: 1,
        NoiseReason.UNPARSED: 0,
        NoiseReason.UNDECODABLE: 1,
    }
    assert (host.counters.good, host.counters.bad_total, host.counters.lost) == (1, 4, 0)


def test_one_unprintable_byte_is_a_wrong_check_and_not_a_wrong_speed(host: Link, robot: Link) -> None:
    (item,) = host.receive(robot.telemetry("motion", MOTION).replace(b"m", b"\xed"))
    assert isinstance(item, Noise)
    assert item.reason is NoiseReason.CHECK


@pytest.mark.parametrize("name", ["xor", "sum8"])
def test_check_over_nothing_does_not_pass(tagged_lines: Dialect, name: str) -> None:
    link = Link(replace(tagged_lines, check=LineCheck(name=name, digits=2)), End.HOST)
    assert link.receive(b" #00\r\n") == [Noise(reason=NoiseReason.CHECK, raw=b" #00")]


def test_lost_lines_are_counted(host: Link, robot: Link) -> None:
    lines = [robot.telemetry("motion", {**MOTION, "time": i * 0.008}) for i in range(20)]
    host.receive(b"".join(lines[:5] + lines[8:12] + lines[13:]))
    assert (host.counters.lost, host.counters.restarts) == (4, 0)


def test_restart_of_the_robot_is_no_loss(host: Link, tagged_lines: Dialect) -> None:
    before, after = Link(tagged_lines, End.ROBOT), Link(tagged_lines, End.ROBOT)
    host.receive(b"".join(before.telemetry("motion", {**MOTION, "time": 100 + i}) for i in range(50)))
    host.receive(b"".join(after.telemetry("motion", {**MOTION, "time": i}) for i in range(3)))
    assert (host.counters.lost, host.counters.restarts) == (0, 1)


def test_banner_of_the_boot_is_skipped(tagged_lines: Dialect) -> None:
    link = Link(replace(tagged_lines, banner=r"boot [0-9.]+( ready)?"), End.HOST)
    assert link.receive(b"boot 1.2 ready\r\nboot 1.2\r\n") == []
    assert [type(i) for i in link.receive(b"boot x\r\n")] == [Noise]
    assert (link.counters.skipped, link.counters.bad_total) == (2, 1)


def test_boot_text_tells_a_restart_and_its_numbers_are_not_lost(tagged_lines: Dialect, robot: Link) -> None:
    dialect = replace(tagged_lines, boot=BootSpec(banner="boot [0-9.]+"), clock_field="")
    host = Link(dialect, End.HOST)
    lines = [robot.telemetry("motion", MOTION) for _ in range(9)]
    assert host.receive(b"boot 1.2\r\n") == [Booted(banner="boot 1.2")]
    assert (host.counters.restarts, host.counters.skipped) == (0, 1)
    assert [type(item) for item in host.receive(lines[0] + b"boot 1.2\r\n" + lines[8])] == [
        Telemetry,
        Booted,
        Telemetry,
    ]
    assert (host.counters.lost, host.counters.restarts) == (0, 1)


# Keep-alive


def test_keep_alive_is_due_when_nothing_was_sent_for_its_period(host: Link) -> None:
    assert host.keep_alive(5.0) == b"+ #74F9\r\n"
    assert host.keep_alive(5.1) == b""
    host.start("identify", {}, 5.1)
    assert host.keep_alive_due_s == pytest.approx(5.25)
    assert host.keep_alive(5.2) == b""
    assert host.keep_alive(5.25) == b"+ #74F9\r\n"


def test_sending_again_is_a_sign_of_life(host: Link) -> None:
    host.start("stop", {}, 1.0)
    host.due(1.1)
    assert host.keep_alive_due_s == pytest.approx(1.25)


def test_keep_alive_waits_for_no_answer(host: Link, robot: Link) -> None:
    assert only_command(robot, host.keep_alive(0.0)) == Commanded(action="alive", tag=None, values={})
    assert host.waiting == ()


def test_protocol_without_keep_alive_sends_none(tagged_lines: Dialect) -> None:
    link = Link(replace(tagged_lines, keep_alive_s=0.0), End.HOST)
    assert link.keep_alive_due_s is None
    assert link.keep_alive(99.0) == b""


# Ends and dialects that contradict themselves


def test_method_of_the_other_end_is_our_mistake(host: Link, robot: Link) -> None:
    with pytest.raises(InternalError, match="used as the host's end and is the robot's"):
        robot.start("identify", {}, 0.0)
    with pytest.raises(InternalError, match="used as the robot's end and is the host's"):
        host.reply(0, Verdict.ACCEPTED)


def test_answers_that_cannot_be_told_from_late_ones_are_refused(tagged_lines: Dialect) -> None:
    untold = {"identify": CommandSpec(action="identify", template="who")}
    with pytest.raises(WireError, match="could not be told from a late one"):
        Link(replace(tagged_lines, commands=untold), End.HOST)


def test_port_that_only_prints_needs_no_commands_and_no_check(tagged_lines: Dialect) -> None:
    battery = MessageSpec(
        name="battery",
        role=Role.TELEMETRY,
        template="bat={supply.battery} mV",
        fields=(FieldSpec(name="supply.battery", type=FieldType.UNSIGNED, scale=1e-3),),
    )
    plain = replace(
        tagged_lines, check=None, messages=(battery,), commands={}, sequence_field="", clock_field="", keep_alive_s=0.0
    )
    link = Link(plain, End.HOST)
    (item, noise) = link.receive(b"bat=7500 mV\nhello\n")
    assert item == Telemetry(message="battery", values={"supply.battery": 7.5})
    assert noise == Noise(reason=NoiseReason.UNPARSED, raw=b"hello")
    assert link.counters.lost == 0


def test_event_may_be_a_message_of_its_own(tagged_lines: Dialect) -> None:
    touched = MessageSpec(name="touched", role=Role.EVENT, template="TOUCHED")
    dialect = replace(tagged_lines, messages=(touched,), commands={})
    data = Link(dialect, End.ROBOT).event("touched", {})
    assert Link(dialect, End.HOST).receive(data) == [Happened(event="touched", values={})]


@pytest.mark.parametrize(
    ("check", "words"),
    [
        (LineCheck(name="CRC-32", digits=4), "4 digits do not hold CRC-32/ISO-HDLC"),
        (LineCheck(name="CRC-99"), "no check is called 'CRC-99'"),
        (LineCheck(name="xor", digits=2, separator=b"\n"), "cannot stand after"),
    ],
)
def test_check_that_cannot_be_is_refused(tagged_lines: Dialect, check: LineCheck, words: str) -> None:
    with pytest.raises(WireError, match=words):
        Link(replace(tagged_lines, check=check), End.HOST)


def test_separator_with_a_percent_sign_is_taken_as_it_stands(tagged_lines: Dialect) -> None:
    dialect = replace(tagged_lines, check=LineCheck(name="xor", digits=2, separator=b"%d"))
    data = Link(dialect, End.HOST).start("stop", {}, 0.0).data
    assert data.startswith(b"! 0 stop%d")
    assert only_command(Link(dialect, End.ROBOT), data).action == "stop"


def test_banner_that_is_no_expression_is_refused(tagged_lines: Dialect) -> None:
    with pytest.raises(WireError, match="is not a regular expression"):
        Link(replace(tagged_lines, banner="("), End.HOST)
