"""A port made for people: requests on their way through menus and prompts, line by line and key by key."""

from __future__ import annotations

import runpy
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import pytest

from hil.errors import WireError
from hil.wire.dialect import CommandSpec, ConsoleSpec, Dialect, FieldSpec, FieldType, LineCheck, MenuSpec, Verdict
from hil.wire.fields import Value
from hil.wire.link import End, Link
from hil.wire.received import Booted, Commanded, Received, Replied
from hil.wire.requests import Expired, Resend

LETTER_MENU: Dialect = runpy.run_path(str(Path(__file__).parent / "letter_menu.py"))["LETTER_MENU"]
CONSOLE = LETTER_MENU.console or ConsoleSpec()
SET: Mapping[str, Value] = {"name": "wheel-base", "value": 69500}


def with_console(**changes: object) -> Dialect:
    return replace(LETTER_MENU, console=replace(CONSOLE, **changes))  # type: ignore[arg-type]


TAG_FIELD = (FieldSpec(name="tag", type=FieldType.UNSIGNED),)
NO_ECHO = with_console(echo=False)
MUTE = with_console(echo=False, prompt="", menus={n: replace(m, prompt="") for n, m in CONSOLE.menus.items()})


class Bench:
    """A host and a robot on one cable; `asked` is what the robot was asked."""

    def __init__(self, dialect: Dialect) -> None:
        self.host, self.robot = Link(dialect, End.HOST), Link(dialect, End.ROBOT)
        self.asked: list[str] = []
        self.sent: list[bytes] = []
        self.heard: list[Received] = []

    def answer(self, data: bytes, verdict: Verdict = Verdict.ACCEPTED) -> bytes:
        self.sent.append(data)
        commanded = [item for item in self.robot.receive(data) if isinstance(item, Commanded)]
        out = self.robot.said_unasked()
        for item in commanded:
            self.asked.append(item.action)
            if self.robot.expects_answer(item.action):
                out += self.robot.reply(item.tag, verdict, "5", action=item.action)
        return out

    def ask(self, action: str, values: Mapping[str, Value] | None = None, *, at_once: bool = True) -> list[Received]:
        """Have the host ask, everything answered without delay, or byte by byte."""
        start = len(self.heard)
        out = [self.host.start(action, values or {}, 0.0).data]
        while out:
            data = self.answer(out.pop(0))
            pieces = [data] if at_once else [data[i : i + 1] for i in range(len(data))]
            for piece in pieces:
                self.heard += self.host.receive(piece)
            due = self.host.next_due_s
            if due is not None and due < 0:
                out += [item.data for item in self.host.due(0.0) if isinstance(item, Resend)]
        return self.heard[start:]


@pytest.mark.parametrize("at_once", [True, False])
@pytest.mark.parametrize("dialect", [LETTER_MENU, NO_ECHO, with_console(colours=False)])
def test_requests_find_their_answers_through_menus_echoes_and_colours(dialect: Dialect, at_once: bool) -> None:
    bench = Bench(dialect)
    for action, values in [("identify", {}), ("set", SET), ("get", {"name": "a"}), ("dump.map", {}), ("stop", {})]:
        replied = bench.ask(action, values, at_once=at_once)
        assert [(type(item), getattr(item, "action", "")) for item in replied] == [(Replied, action)]
    assert bench.asked == ["identify", "set", "get", "dump.map", "stop"]
    assert b"".join(bench.sent) == b"\r\ni\r\ns\r\np wheel-base 69500\r\ng a\r\nq\r\nk\r\nm\r\nq\r\nx\r\n"
    assert bench.host.counters.bad_total == 0


def test_keys_are_sent_one_by_one_as_prompts_come() -> None:
    host, robot = Link(LETTER_MENU, End.HOST), Link(LETTER_MENU, End.ROBOT)
    host.receive(robot.booted("letter menu ready"))
    assert host.start("set", SET, 0.0).data == b"s\r\n"
    robot.receive(b"s\r\n")
    said = robot.said_unasked()
    assert host.due(0.1) == []
    echo, prompt = said[:3], said[3:]
    assert host.receive(echo) == []
    assert host.due(0.1) == []
    assert host.receive(prompt) == []
    (step,) = host.due(0.1)
    assert isinstance(step, Resend)
    assert step.data == b"p wheel-base 69500\r\n"
    assert host.next_due_s == pytest.approx(0.4)  # the deadline counts from the request, not from the keys


def test_key_whose_prompt_never_comes_is_followed_by_the_next_after_a_while() -> None:
    host = Link(MUTE, End.HOST)
    assert host.start("set", SET, 0.0).data == b"s\r\n"
    due_s = host.next_due_s
    assert due_s == pytest.approx(0.4)
    (step,) = host.due(0.4)
    assert isinstance(step, Resend)
    assert step.data == b"p wheel-base 69500\r\n"
    assert isinstance(host.receive(b"ok\r\n")[0], Replied)


def test_menu_that_cannot_be_reached_ends_in_a_request_given_up() -> None:
    host = Link(LETTER_MENU, End.HOST)
    data, keys, now_s = host.start("set", SET, 0.0).data, list[bytes](), 0.0
    for _ in range(20):
        host.receive(data + b"no: unknown\r\n> ")
        now_s += 0.5
        (item,) = host.due(now_s)
        if isinstance(item, Expired):
            break
        keys.append(data := item.data)
    assert isinstance(item, Expired)
    assert set(keys) == {b"s\r\n"}
    assert (len(keys), host.waiting, host.is_unsettled) == (5, (), False)


def test_prompt_tells_a_new_host_in_which_menu_the_robot_was_left() -> None:
    bench = Bench(LETTER_MENU)
    bench.robot.receive(b"k\r\n")
    bench.robot.said_unasked()
    bench.ask("identify")
    assert bench.asked == ["identify"]
    assert bench.sent == [b"\r\n", b"q\r\n", b"i\r\n"]


def test_robot_that_began_anew_is_back_in_the_main_menu() -> None:
    bench = Bench(LETTER_MENU)
    bench.ask("set", SET)
    assert bench.host.receive(bench.robot.booted("letter menu ready")) == [Booted(banner="letter menu ready")]
    bench.ask("identify")
    assert bench.asked == ["set", "identify"]
    assert bench.sent[-1] == b"i\r\n"


def test_old_prompt_that_comes_after_the_key_is_not_taken_for_the_new_one() -> None:
    for dialect in (LETTER_MENU, NO_ECHO):
        host, robot = Link(dialect, End.HOST), Link(dialect, End.ROBOT)
        host.receive(robot.booted("letter menu ready"))
        bare = host.start("identify", {}, 0.0).data
        robot.receive(bare)
        said = robot.said_unasked() + robot.reply(None, Verdict.ACCEPTED, "me", action="identify")
        answer, old_prompt = said[: said.rindex(b"\n") + 1], said[said.rindex(b"\n") + 1 :]
        assert isinstance(host.receive(answer)[0], Replied)
        assert host.start("set", SET, 0.1).data == b"s\r\n"
        host.receive(old_prompt)
        assert host.due(0.11) == []
        robot.receive(b"s\r\n")
        host.receive(robot.said_unasked())
        (step,) = host.due(0.12)
        assert isinstance(step, Resend)
        assert step.data.startswith(b"p ")


def test_stop_goes_out_at_once_with_the_key_that_leaves_the_menu() -> None:
    bench = Bench(LETTER_MENU)
    bench.ask("set", SET)
    pending = bench.host.start("stop", {}, 1.0)
    assert pending.data == b"q\r\nx\r\n"
    (replied,) = bench.host.receive(bench.answer(pending.data))
    assert isinstance(replied, Replied)
    assert replied.action == "stop"


def test_stop_takes_the_place_of_a_request_on_its_way() -> None:
    host = Link(LETTER_MENU, End.HOST)
    host.receive(b"> ")
    host.start("set", SET, 0.0)
    assert host.start("stop", {}, 0.1).data == b"q\r\nx\r\n"
    assert not host.is_unsettled  # what was never sent is never answered
    assert isinstance(host.receive(b"ok\r\n")[0], Replied)


def test_no_sign_of_life_is_sent_between_the_keys_of_a_way() -> None:
    host = Link(LETTER_MENU, End.HOST)
    host.receive(b"> ")
    host.start("set", SET, 0.0)
    assert host.keep_alive(5.0) == b""


def test_prompt_after_a_dropped_line_counts_as_a_new_one() -> None:
    host = Link(NO_ECHO, End.HOST)
    host.receive(b"\x1b[1m> \x1b[0m")
    host.start("set", SET, 0.0)
    host.forget_line()
    host.receive(b"settings> ")
    (step,) = host.due(0.1)
    assert isinstance(step, Resend)
    assert step.data.startswith(b"p ")


# Key by key

KEYS = replace(
    LETTER_MENU,
    messages=tuple(message for message in LETTER_MENU.messages if message.name in ("columns", "ok", "no")),
    blocks=(),
    keep_alive_s=0.0,
    commands={
        "stop": CommandSpec(action="stop", template="x", answers=("ok", "no")),
        "save": CommandSpec(action="save", template="w", answers=("ok", "no"), menu="settings"),
    },
    console=ConsoleSpec(
        echo=True, prompt="> ", key_by_key=True, menus={"settings": MenuSpec(enter="s", leave="q", prompt="set> ")}
    ),
)


@pytest.mark.parametrize("at_once", [True, False])
def test_keys_go_without_line_endings(at_once: bool) -> None:
    bench = Bench(KEYS)
    for action in ("stop", "save", "stop"):
        assert [type(item) for item in bench.ask(action, at_once=at_once)] == [Replied]
    assert bench.sent == [b"x", b"s", b"w", b"qx"]
    assert bench.asked == ["stop", "save", "stop"]


def test_robot_takes_every_key_for_a_line() -> None:
    robot = Link(KEYS, End.ROBOT)
    items = robot.receive(b"xswwq\r\nx")
    assert [item.action for item in items if isinstance(item, Commanded)] == ["stop", "save", "save", "stop"]


def test_keys_of_more_than_one_character_are_refused() -> None:
    commands = {"stop": replace(KEYS.commands["stop"], template="xx")}
    with pytest.raises(WireError, match="'xx' is not one key"):
        Link(replace(KEYS, commands=commands), End.HOST)
    with pytest.raises(WireError, match="is not one key"):
        Link(replace(KEYS, check=LineCheck(name="xor", digits=2)), End.HOST)


def test_numbered_requests_walk_through_menus_in_one_go() -> None:
    numbered = replace(
        LETTER_MENU,
        messages=tuple(
            replace(m, template="ok {tag}", fields=TAG_FIELD) if m.name == "ok" else m
            for m in LETTER_MENU.messages
            if m.name in ("columns", "ok")
        ),
        blocks=(),
        keep_alive_s=0.0,
        commands={
            "save": CommandSpec(action="save", template="w {tag}", menu="settings", tries=2, deadline_s=0.3),
            "stop": CommandSpec(action="stop", template="x {tag}"),
        },
    )
    host, robot = Link(numbered, End.HOST), Link(numbered, End.ROBOT)
    host.receive(b"> ")
    pending = host.start("save", {}, 0.0)
    assert pending.data == b"s\r\nw 0\r\n"
    (item,) = robot.receive(pending.data)
    assert isinstance(item, Commanded)
    (again,) = host.due(0.3)
    assert isinstance(again, Resend)
    assert again.data == b"w 0\r\n"
    assert host.receive(b"s\r\nsettings> w 0\r\nw 0\r\n") == []  # each sending is echoed
    (replied,) = host.receive(robot.reply(item.tag, Verdict.ACCEPTED))
    assert isinstance(replied, Replied)
    assert host.start("stop", {}, 0.4).data == b"q\r\nx 1\r\n"
