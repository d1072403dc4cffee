"""Protocol files of consoles: menus, answers without numbers, rows and blocks, boot banners."""

# ruff: noqa: E501  (the sentences stand as the user sees them, each on a line)

from __future__ import annotations

from pathlib import Path

import pytest

from hil.catalogue import shipped
from hil.errors import FileMistakes
from hil.spec.kinds import Kind
from hil.spec.loading import load_protocol
from hil.wire.dialect import BlockSpec, Dialect, FieldType, MenuSpec, Role

from .changed_files import protocol_of, sentences

TEXT = shipped(Kind.PROTOCOL)["letter-menu"].read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def dialect() -> Dialect:
    return load_protocol(shipped(Kind.PROTOCOL)["letter-menu"])


def test_the_console_has_its_echo_prompt_colours_and_menus(dialect: Dialect) -> None:
    console = dialect.console
    assert console is not None
    assert (console.echo, console.prompt, console.colours, console.key_by_key) == (True, "> ", True, False)
    assert console.menus == {
        "settings": MenuSpec(enter="s", leave="q", prompt="settings> "),
        "kept": MenuSpec(enter="k", leave="q", prompt="kept> "),
        "encoders": MenuSpec(enter="e", leave="q", prompt="encoders> "),
    }
    assert {action: command.menu for action, command in dialect.commands.items() if command.menu} == {
        "get": "settings",
        "set": "settings",
        "save": "settings",
        "sample": "encoders",
        "dump.log": "kept",
        "dump.map": "kept",
    }


def test_a_request_without_a_number_is_sent_once_and_names_its_answers(dialect: Dialect) -> None:
    replied = [command for command in dialect.commands.values() if command.replied]
    assert {command.tries for command in replied} == {1}
    assert dialect.commands["get"].answers == ("value", "no")
    assert all("tag" not in [field.name for field in message.fields] for message in dialect.messages)


def test_tries_need_not_be_said_where_only_one_is_possible(tmp_path: Path) -> None:
    assert protocol_of(tmp_path, TEXT.replace(", tries: 1}", "}")).commands["stop"].tries == 1


def test_blocks_hold_rows_and_tell_their_end(dialect: Dialect) -> None:
    assert dialect.blocks == (
        BlockSpec(
            name="log",
            header="log of {count}",
            rows=("kept_sample", "kept_event"),
            end="end of log",
            timeout_s=2.0,
        ),
        BlockSpec(name="map", header="map of {count}", rows=("map_row",), timeout_s=2.0),
    )
    assert {"encoder.left", "encoder.right", "time", "event"} <= dialect.logged_channels
    assert [message.name for message in dialect.messages if message.role is Role.ROW] == [
        "kept_sample",
        "kept_event",
        "map_row",
    ]


def test_a_map_row_repeats_a_field(dialect: Dialect) -> None:
    row = next(message for message in dialect.messages if message.name == "map_row")
    assert [(field.name, field.type, field.repeated_by) for field in row.fields] == [
        ("cell.y", FieldType.UNSIGNED, ""),
        ("cell.walls", FieldType.HEX, ","),
    ]


def test_duties_in_percent_become_shares(dialect: Dialect) -> None:
    status = next(message for message in dialect.messages if message.name == "status")
    assert {field.name: field.scale for field in status.fields}["duty.left"] == pytest.approx(0.01)


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        (
            "    menu: settings\n",
            "    menu: setings\n",
            [
                "commands.get.menu: found 'setings', expected a menu of the console (encoders, kept or settings) (did you mean settings?)"
            ],
        ),
        (
            "rows: [map_row]",
            "rows: [maprow]",
            [
                "messages.map_row.role: found a row of no block, expected the name of this message under 'rows' of a block",
                "blocks.map.rows[0]: found 'maprow', expected a message with role: row (kept_event, kept_sample or map_row) (did you mean map_row?)",
            ],
        ),
        (
            "rows: [map_row]",
            "rows: [map_row, columns]",
            ["blocks.map.rows[1]: found 'columns', whose role is telemetry, expected a message with role: row"],
        ),
        (
            "  map: {header",
            "  mpa: {header",
            ["blocks.mpa: found 'mpa', expected a block (edges, log, map or ticks) (did you mean map?)"],
        ),
        (
            'header: "map of {count}"',
            'header: "map of {rows}"',
            ["blocks.map.header: found 'map of {rows}', expected a line with no placeholder but {count}, once"],
        ),
        (
            'header: "map of {count}"',
            'header: "log of {count}"',
            ["blocks.map.header: found 'log of {count}', expected another line than that of log"],
        ),
        (
            'end: "end of log"',
            'end: "log of {count}"',
            ["blocks.log.end: found 'log of {count}', expected another line than the header"],
        ),
        (
            'stop: {template: "x", answers: [ok, no], deadline: 100 ms, tries: 1}',
            'stop: {template: "x", answers: [ok, no], deadline: 100 ms, tries: 3}',
            [
                "commands.stop.tries: found '3', expected 1, since without {tag} the robot would take a repetition for a new request"
            ],
        ),
        (
            "answers: [name, no]",
            "answers: [nam, no]",
            [
                "commands.identify.answers[0]: found 'nam', expected a reply (name, no, ok or value) (did you mean name?)"
            ],
        ),
        (
            "answers: [name, no]",
            "answers: [name, happened]",
            ["commands.identify.answers[1]: found 'happened', expected a reply (name, no, ok or value)"],
        ),
        (
            'alive: {template: ".", replied: no}',
            'alive: {template: ".", replied: no, answers: [ok]}',
            ["commands.alive.answers: found a list of 1, expected none, since it is not replied to"],
        ),
        (
            "kept: {enter: k,",
            "kept: {enter: s,",
            ["console.menus.kept.enter: found 's', expected something else than the menu settings of the main menu"],
        ),
        (
            "kept: {enter: k,",
            "kept: {enter: x,",
            ["console.menus.kept.enter: found 'x', expected something else than the command stop of the main menu"],
        ),
        (
            "settings: {enter: s, leave: q,",
            "settings: {enter: s, leave: w,",
            ["console.menus.settings.leave: found 'w', expected something else than the command save of this menu"],
        ),
        (
            "  echo: yes\n",
            "  ehco: yes\n",
            [
                "console.ehco: found the unknown key 'ehco', expected colours, echo, key_by_key, menus or prompt (did you mean echo?)"
            ],
        ),
        (
            "speed: {type: unsigned, unit: mm/s, optional: yes}\n",
            "speed: {type: unsigned, unit: mm/s}\n",
            [
                "commands.goal.fields.speed.optional: found nothing, expected optional: yes, since it stands in square brackets ([[ and ]] stand for brackets of the message itself)"
            ],
        ),
        (
            '    template: "g {x} {y}[ {speed}]"\n    fields:\n      x: {type: unsigned}\n      y: {type: unsigned}\n',
            '    template: "g {x}[ {y}][ {speed}]"\n    fields:\n      x: {type: unsigned}\n      y: {type: unsigned, optional: yes}\n',
            ["commands.goal.fields.y.optional: found 'yes', expected no, since goal needs it"],
        ),
        (
            "answer: {type: text}}",
            'answer: {type: text, repeated: ","}}',
            ["messages.name.fields.answer.repeated: found 'repeated' for a text, expected it for numbers and words"],
        ),
        (
            "cell.y: {type: unsigned}",
            "cel.y: {type: unsigned}",
            [
                "messages.map_row.template: found 'cell.y', expected a field of the message (cel.y or cell.walls) (did you mean cel.y?)",
                "messages.map_row.fields.cel.y: found 'cel.y', expected a channel, event or detail (did you mean cell.y?)",
                "messages.map_row.fields.cel.y: found a field that the template lacks, 'cel.y', expected {cel.y} in the template",
            ],
        ),
        (
            'banner: "letter menu ready"',
            'banner: "(a+)+ready"',
            [
                "boot.banner: found '(a+)+ready', expected no repeat of what can itself be read in several ways, since it could take for ever"
            ],
        ),
        (
            'template: "= {answer}"\n    fields: {answer: {type: text}}',
            'template: "{tag} = {answer}"\n    fields: {tag: {type: unsigned}, answer: {type: text}}',
            ["messages.value.fields.tag: found a mapping, expected no tag, since no command carries {tag}"],
        ),
        (
            'template: "* {time} {event}[ {detail}]"',
            'template: "* {time} {event}[{detail}]"',
            [
                "messages.happened.template: found '* {time} {event}[{detail}]', expected some text between two fields, since nothing else tells where one ends"
            ],
        ),
        (
            'template: "* {time} {event}[ {detail}]"',
            'template: "* {time} {event}[-{detail}]"',
            [
                "messages.happened.template: found '* {time} {event}[-{detail}]', expected something after it that cannot belong to it, such as a blank (the end of {event} cannot be found)"
            ],
        ),
        (
            'cell.walls: {type: hex, repeated: ","}',
            'cell.walls: {type: hex, repeated: "A"}',
            [
                "messages.map_row.template: found 'row {cell.y} {cell.walls}', expected something that none of them can hold (the values of 'cell.walls' cannot be told apart by 'A')"
            ],
        ),
        (
            'banner: "letter menu ready"',
            'banner: "letter menu ready|"',
            [
                "boot.banner: found 'letter menu ready|', expected something on both sides of every |, or \\| for the character itself"
            ],
        ),
        (
            "rows: [map_row]",
            "rows: []",
            ["blocks.map.rows: found an empty list, expected a list of at least 1"],
        ),
        (
            "rows: [map_row]",
            "rows: [map_row, map_row]",
            ["blocks.map.rows[1]: found 'map_row', expected every message once"],
        ),
        (
            'prompt: "kept> "',
            'prompt: "> "',
            [
                "console.menus.kept.prompt: found '> ', expected another prompt than that of the console, or none, since a menu without one has the console's"
            ],
        ),
        (
            '  prompt: "> "',
            f'  prompt: "{"x" * 3000}"',
            ["console.prompt: found 3000 characters, expected at most 96 characters"],
        ),
        (
            'prompt: "kept> "',
            f'prompt: "{"x" * 5000}"',
            ["console.menus.kept.prompt: found 5000 characters, expected a text of at most 4096 characters"],
        ),
        (
            "answers: [value, no]",
            "answers: []",
            [
                "commands.get.answers: found an empty list, expected a reply at least, or no 'answers' where any reply may come"
            ],
        ),
        (
            "answers: [value, no]",
            "answers: [no]",
            [
                "commands.get.answers: found refusals only, 'no', expected a reply with the verdict accepted among them (ok, name or value)"
            ],
        ),
        (
            "answers: [value, no]",
            "answers: [value, off]",
            ["commands.get.answers[1]: found 'off', expected a reply (name, no, ok or value)"],
        ),
        (
            "answers: [value, no]",
            "answers: [value, value]",
            ["commands.get.answers[1]: found 'value', expected every reply once"],
        ),
        (
            "max_length: 120",
            "max_length: 12",
            ["framing.max_length: found '12', expected 15 at least, since the message status is never shorter"],
        ),
        (
            "resets_on_open: no",
            "resets_on_open: perhaps",
            ["boot.resets_on_open: found 'perhaps', expected yes or no"],
        ),
    ],
)
def test_a_mistake_in_a_console_is_told_in_one_sentence(
    tmp_path: Path, old: str, new: str, expected: list[str]
) -> None:
    assert sentences(protocol_of, tmp_path, TEXT, old, new) == expected


def test_a_console_of_keys_takes_one_key_a_command(tmp_path: Path) -> None:
    found = sentences(protocol_of, tmp_path, TEXT, "  echo: yes\n", "  echo: yes\n  key_by_key: yes\n")
    assert found == [
        f"commands.{action}.template: found '{template}', expected one key, as key_by_key says"
        for action, template in [
            ("stream", "w {period}"),
            ("drive", "r {speed} {front} {path}"),
            ("goal", "g {x} {y}[ {speed}]"),
            ("spin", "m {left} {right}[ {duration}]"),
            ("get", "g {name}"),
            ("set", "p {name} {value}"),
            ("sample", "o {period}"),
        ]
    ]


def test_a_reply_without_a_number_serves_no_protocol_that_numbers_every_request(tmp_path: Path) -> None:
    numbered = shipped(Kind.PROTOCOL)["tagged-lines"].read_text(encoding="utf-8")
    changed = numbered.replace('"y {tag} {answer}"', '"y {answer}"', 1).replace("      tag: {type: unsigned}\n", "", 1)
    with pytest.raises(FileMistakes) as caught:
        protocol_of(tmp_path, changed)
    assert [str(m).split(": ", 1)[1] for m in caught.value.mistakes] == [
        "messages.yes.template: found 'y {answer}', expected a template with {tag}"
    ]
