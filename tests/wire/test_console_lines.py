"""The lines of a port made for people: what is taken away from them at one end, and put in at the other.

Escape sequences are those of ECMA-48 (5th edition, 5.3 and 5.4: CSI is ESC 05/11, parameter bytes 03/00 to 03/15,
intermediate bytes 02/00 to 02/15, a final byte 04/00 to 07/14; OSC is ESC 05/13, ended by ST or, by common practice,
BEL); from memory.
"""

from __future__ import annotations

import runpy
from dataclasses import replace
from pathlib import Path

import pytest

from hil.errors import WireError
from hil.wire.console import MOST_UNDER_WAY, MOST_UNSAID_BYTES
from hil.wire.dialect import ConsoleSpec, Dialect, FieldSpec, FieldType, MenuSpec, Verdict
from hil.wire.link import End, Link
from hil.wire.received import Commanded, Noise, Replied, Stale, Telemetry

LETTER_MENU: Dialect = runpy.run_path(str(Path(__file__).parent / "letter_menu.py"))["LETTER_MENU"]
CONSOLE = LETTER_MENU.console or ConsoleSpec()
COLUMNS = b"t 1000 0 0 612 598 41\r\n"


def with_console(**changes: object) -> Dialect:
    return replace(LETTER_MENU, console=replace(CONSOLE, **changes))  # type: ignore[arg-type]


TAG_FIELD = (FieldSpec(name="tag", type=FieldType.UNSIGNED),)


def test_echo_is_no_answer_and_only_what_was_sent_is_an_echo() -> None:
    plain = with_console(menus={}, colours=False)
    host = Link(replace(plain, commands={"stop": replace(LETTER_MENU.commands["stop"], template="ok")}), End.HOST)
    host.start("stop", {}, 0.0)
    assert host.receive(b"> ok\r\n") == []
    assert isinstance(host.receive(b"ok\r\n")[0], Replied)
    assert isinstance(host.receive(b"ok\r\n")[0], Stale)
    assert (host.counters.skipped, host.counters.good) == (1, 2)


@pytest.mark.parametrize(
    "line",
    [
        b"> x\r\n",
        b"x\r\n",
        b"> > x\r\n",
        b"\x1b[1m> \x1b[0mx\r\n",
        b"\x1b[1m> \x1b[0m\x1b[7mx\x1b[0m\r\n",
    ],
)
def test_echo_is_dropped_with_or_without_its_prompt_in_any_pieces(line: bytes) -> None:
    host = Link(LETTER_MENU, End.HOST)
    host.receive(b"> ")
    host.forget_line()
    host.start("stop", {}, 0.0)
    assert [item for byte in line for item in host.receive(bytes([byte]))] == []
    assert host.counters.skipped == 1


def test_answer_behind_an_echo_without_a_line_ending_is_found() -> None:
    host = Link(LETTER_MENU, End.HOST)
    host.receive(b"> ")
    host.start("stop", {}, 0.0)
    assert isinstance(host.receive(b"xok\r\n")[0], Replied)


def test_line_that_only_begins_like_an_echo_is_what_it_is() -> None:
    host = Link(LETTER_MENU, End.HOST)
    host.receive(b"> ")
    host.start("alive", {}, 0.0)
    assert isinstance(host.receive(COLUMNS)[0], Telemetry)
    assert isinstance(host.receive(b".gone\r\n")[0], Noise)
    assert host.receive(b".\r\n") == []


def test_echoes_that_are_due_are_bounded() -> None:
    host = Link(LETTER_MENU, End.HOST)
    for _ in range(3 * MOST_UNDER_WAY):
        host.start("alive", {}, 0.0)
    items = [item for _ in range(3 * MOST_UNDER_WAY) for item in host.receive(b".\r\n")]
    assert len([item for item in items if isinstance(item, Noise)]) == 2 * MOST_UNDER_WAY


def test_host_that_reads_a_trace_knows_the_echoes_in_it() -> None:
    host = Link(LETTER_MENU, End.HOST)
    host.overhear(b"x\r\nw 16\r\n")
    assert host.receive(b"> x\r\n> w 16\r\n") == []
    assert host.counters.bad_total == 0


@pytest.mark.parametrize(
    "escape",
    [
        b"\x1b[31m",
        b"\x1b[1;32;40m",
        b"\x1b[2J",
        b"\x1b[?25l",
        b"\x1b[0 q",
        b"\x1b]0;title\x07",
        b"\x1b]0;title\x1b\\",
        b"\x1bM",
        b"\x1b(B",
        b"\x1b[m",
    ],
)
def test_escape_sequences_may_stand_anywhere(escape: bytes) -> None:
    for at in (0, 1, 5, len(COLUMNS) - 2):
        (item,) = Link(LETTER_MENU, End.HOST).receive(COLUMNS[:at] + escape + COLUMNS[at:])
        assert isinstance(item, Telemetry)
        (noise,) = Link(with_console(colours=False), End.HOST).receive(COLUMNS[:at] + escape + COLUMNS[at:])
        assert isinstance(noise, Noise)


def test_half_an_escape_sequence_makes_a_line_noise() -> None:
    (item,) = Link(LETTER_MENU, End.HOST).receive(b"\x1b[" + COLUMNS)
    assert isinstance(item, Noise | Telemetry)
    (item,) = Link(LETTER_MENU, End.HOST).receive(COLUMNS[:-2] + b"\x1b\r\n")
    assert isinstance(item, Noise)


def test_colours_do_not_make_a_line_overlong_and_words_do() -> None:
    longest = LETTER_MENU.framing.max_length
    (item,) = Link(LETTER_MENU, End.HOST).receive(b"\x1b[32m= " + b"a" * (longest - 2) + b"\x1b[0m\r\n")
    assert isinstance(item, Stale)
    (noise,) = Link(LETTER_MENU, End.HOST).receive(b"= " + b"a" * (longest - 1) + b"\r\n")
    assert isinstance(noise, Noise)
    assert noise.raw == b"= " + b"a" * (longest - 2)


def test_robot_understands_requests_of_its_menu_only() -> None:
    robot = Link(LETTER_MENU, End.ROBOT)
    assert [type(item) for item in robot.receive(b"l\r\n")] == [Noise]
    assert robot.said_unasked() == b"l\r\n\x1b[32mno: unknown\x1b[0m\r\n\x1b[1m> \x1b[0m"
    assert robot.receive(b"k\r\n") == []
    assert robot.said_unasked() == b"k\r\n\x1b[1mkept> \x1b[0m"
    assert robot.receive(b"l\r\n") == [Commanded(action="dump.log", tag=None, values={})]
    assert [type(item) for item in robot.receive(b"x\r\n")] == [Noise]
    assert robot.receive(b"q\r\n") == []
    (item,) = robot.receive(b"w 16\r\n")
    assert isinstance(item, Commanded)
    assert item.action == "stream"


def test_robot_shows_its_prompt_for_an_empty_line_and_after_what_is_not_answered() -> None:
    robot = Link(with_console(colours=False), End.ROBOT)
    assert robot.receive(b"\r\n") == []
    assert robot.said_unasked() == b"\r\n> "
    robot.receive(b".\r\n")
    assert robot.said_unasked() == b".\r\n> "
    assert robot.said_unasked() == b""
    assert robot.reply(None, Verdict.ACCEPTED, action="stop") == b"ok\r\n> "
    assert robot.booted("letter menu ready") == b"letter menu ready\r\n> "


@pytest.mark.parametrize("template", ["no {tag} {answer}", "no {tag}", "no {answer} {time}"])
def test_robot_that_cannot_refuse_by_one_word_only_shows_its_prompt(template: str) -> None:
    fields = [*TAG_FIELD, *LETTER_MENU.messages[-1].fields, LETTER_MENU.messages[0].fields[0]]
    named = tuple(replace(one, type=FieldType.UNSIGNED) for one in fields if "{" + one.name + "}" in template)
    refusal = replace(LETTER_MENU.messages[-1], template=template, fields=named)
    commands = {"alive": LETTER_MENU.commands["alive"]}
    robot = Link(replace(LETTER_MENU, messages=(refusal,), commands=commands, blocks=()), End.ROBOT)
    assert [type(item) for item in robot.receive(b"what\r\n")] == [Noise]
    assert robot.said_unasked() == b"what\r\n\x1b[1m> \x1b[0m"


def test_what_a_robot_has_not_been_asked_for_is_bounded() -> None:
    robot = Link(LETTER_MENU, End.ROBOT)
    robot.receive(b"nonsense\r\n" * 2000)
    assert 0 < len(robot.said_unasked()) <= MOST_UNSAID_BYTES


def test_prompts_that_begin_alike_are_refused() -> None:
    menus = {"settings": MenuSpec(enter="s", leave="q", prompt="> > ")}
    with pytest.raises(WireError, match="the prompt '> > ' begins like the prompt '> '"):
        Link(with_console(menus=menus), End.HOST)
