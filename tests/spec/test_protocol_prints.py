"""Protocol files of ports that only print: decimals, optional parts, pairs, periods, the host's clock."""

# ruff: noqa: E501  (the sentences stand as the user sees them, each on a line)

from __future__ import annotations

from pathlib import Path

import pytest

from hil.catalogue import shipped
from hil.spec.kinds import Kind
from hil.wire.dialect import BootSpec, FieldType, HostClock, PairsForm

from .changed_files import protocol_of, sentences

PRINTS = shipped(Kind.PROTOCOL)["plain-prints"].read_text(encoding="utf-8")
READINGS = shipped(Kind.PROTOCOL)["plain-readings"].read_text(encoding="utf-8")


def test_a_port_that_only_prints_has_telemetry_with_periods_and_no_commands(tmp_path: Path) -> None:
    dialect = protocol_of(tmp_path, PRINTS)
    assert (dialect.commands, dialect.check, dialect.clock_field, dialect.path) == ({}, None, "", None)
    assert {message.name: message.period_s for message in dialect.messages} == {"glance": 0.042, "supply": 2.0}
    assert dialect.prints_unasked
    assert dialect.host_clock == HostClock(latency_s=0.016, adapter="latency timer of a USB serial bridge")
    assert dialect.boot == BootSpec(resets_on_open=False, banner="ready to run", timeout_s=5.0)


def test_the_longest_line_and_its_period_fit_the_baud_rate(tmp_path: Path) -> None:
    """8N1 takes ten bits a byte: 960 bytes a second at 9600 baud."""
    dialect = protocol_of(tmp_path, PRINTS)
    glance = "see 1023 1023 1023 went -32768 -32768\r\n"
    supply = "volts 8.40 dark 1023 1023 1023\r\n"
    assert len(glance) / 0.042 + len(supply) / 2 < dialect.port.baud / dialect.port.bits_per_byte


def test_fields_are_optional_and_decimal_as_the_file_says(tmp_path: Path) -> None:
    supply = next(message for message in protocol_of(tmp_path, PRINTS).messages if message.name == "supply")
    assert [field.optional for field in supply.fields] == [False, True, True, True]
    assert (supply.fields[0].type, supply.fields[0].places, supply.fields[0].scale) == (FieldType.DECIMAL, 2, 1.0)


def test_pairs_carry_their_form_and_the_key_of_every_field(tmp_path: Path) -> None:
    readings, _ = protocol_of(tmp_path, READINGS).messages
    assert (readings.template, readings.pairs) == ("", PairsForm(head="now ", equals="=", between=" "))
    keys = {field.name: field.key for field in readings.fields}
    assert (keys["wall.left"], keys["wall.left.dark"], keys["sequence"]) == ("left", "left0", "n")
    assert [field.name for field in readings.fields if field.optional] == [
        "wall.left.dark",
        "wall.right.dark",
        "wall.front.dark",
        "supply.motor",
    ]


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        (
            "places: 2, unit: V}",
            "places: 2, unit: V, modulus: 10}",
            [
                "messages.supply.fields.supply.battery.modulus: found 'modulus' for a decimal, expected it for whole numbers only"
            ],
        ),
        (
            "wall.left: {type: unsigned,",
            "wall.left: {type: unsigned, places: 1,",
            [
                "messages.glance.fields.wall.left.places: found 'places' for an unsigned number, expected it for decimals only"
            ],
        ),
        (
            "type: decimal",
            "type: decimel",
            [
                "messages.supply.fields.supply.battery.type: found 'decimel', expected unsigned, signed, hex, decimal, word or text (did you mean decimal?)"
            ],
        ),
        (
            "wall.left.dark: {type: unsigned, unit: count, optional: yes}",
            "wall.left.dark: {type: unsigned, unit: count}",
            [
                "messages.supply.fields.wall.left.dark.optional: found nothing, expected optional: yes, since it stands in square brackets ([[ and ]] stand for brackets of the message itself)"
            ],
        ),
        (
            "wall.front: {type: unsigned, unit: count}",
            "wall.front: {type: unsigned, unit: count, optional: yes}",
            [
                "messages.glance.template: found the optional field {wall.front} outside of square brackets, expected [ {wall.front}]"
            ],
        ),
        (
            "[ dark {wall.left.dark} {wall.right.dark} {wall.front.dark}]",
            "[ dark {wall.left.dark} {wall.right.dark} {wall.front.dark}",
            [
                "messages.supply.template: found 'volts {supply.battery}[ dark {wall.left.dark} {wall.right…', expected square brackets in pairs, none inside another ([[ and ]] stand for brackets of the message itself)"
            ],
        ),
        (
            "[ dark {wall.left.dark}",
            "[ dark[ {wall.left.dark}]",
            [
                "messages.supply.template: found 'volts {supply.battery}[ dark[ {wall.left.dark}] {wall.rig…', expected square brackets in pairs, none inside another ([[ and ]] stand for brackets of the message itself)"
            ],
        ),
        (
            "volts {supply",
            "[volts ]{supply",
            ["messages.supply.template: found '[volts ]', expected an optional field in every pair of brackets"],
        ),
        (
            # "see 0 0 0 went 0 0" has 18 bytes, its ending 2; "volts 0" has 7 and 2: 20/0.02 + 9/2 = 1004.5.
            "every: 42 ms",
            "every: 20 ms",
            [
                "messages.glance.every: found '20 ms', expected fewer lines, since 9600 baud carry 960 bytes a second and all that is sent unasked has 1004 at least"
            ],
        ),
        (
            "    every: 2 s\n",
            "",
            [
                "messages.supply.every: found nothing, expected how often it is sent, since no command 'stream' asks for it"
            ],
        ),
        (
            "every: 42 ms",
            "every: 42",
            ["messages.glance.every: found '42', which has no unit, expected a quantity such as '300 ms'"],
        ),
        (
            "every: 42 ms\n    template",
            "evry: 42 ms\n    tmplate",
            [
                "messages.glance.template: found nothing, expected text, or pairs in its place",
                "messages.glance.every: found nothing, expected how often it is sent, since no command 'stream' asks for it",
                "messages.glance.evry: found the unknown key 'evry', expected asked_by, every, fields, pairs, role, sampled_every, template or verdict (did you mean every?)",
                "messages.glance.tmplate: found the unknown key 'tmplate', expected asked_by, every, fields, pairs, role, sampled_every, template or verdict (did you mean template?)",
            ],
        ),
        (
            "host_clock: {latency: 16 ms",
            "host_clock: {latency: -16 ms",
            ["host_clock.latency: found '-16 ms', expected a quantity of at least 0 s"],
        ),
        (
            'template: "see {wall.left} ',
            'template: "see {wall.left}',
            [
                "messages.glance.template: found 'see {wall.left}{wall.right} {wall.front} went {encoder.le…', expected some text between two fields, since nothing else tells where one ends"
            ],
        ),
        (
            "encoder.left: {type: signed,",
            "encoder.left: {type: signed, key: l,",
            ["messages.glance.fields.encoder.left.key: found 'l', expected keys in pairs only, not in a template"],
        ),
        (
            "role: telemetry\n    every: 2 s",
            "role: event\n    every: 2 s",
            [
                "messages.supply.every: found 'every' for an event, expected it for telemetry sent unasked only",
                "messages.supply.template: found 'volts {supply.battery}[ dark {wall.left.dark} {wall.right…', expected a template with {event}",
                "messages.supply.fields.supply.battery: found 'supply.battery', expected a field of an event (detail, event, sequence or time)",
                "messages.supply.fields.wall.left.dark: found 'wall.left.dark', expected a field of an event (detail, event, sequence or time)",
                "messages.supply.fields.wall.right.dark: found 'wall.right.dark', expected a field of an event (detail, event, sequence or time)",
                "messages.supply.fields.wall.front.dark: found 'wall.front.dark', expected a field of an event (detail, event, sequence or time)",
            ],
        ),
    ],
)
def test_a_mistake_in_a_port_that_prints_is_told_in_one_sentence(
    tmp_path: Path, old: str, new: str, expected: list[str]
) -> None:
    assert sentences(protocol_of, tmp_path, PRINTS, old, new) == expected


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        (
            # "now n=0 left=0 right=0 front=0 bat=0 is=low" has 43 bytes and 2 more, "enc 0 0" 7 and 2:
            # 45/0.04 + 9/0.025 = 1485.
            "every: 200 ms",
            "every: 40 ms",
            [
                "messages.readings.every: found '40 ms', expected fewer lines, since 9600 baud carry 960 bytes a second and all that is sent unasked has 1485 at least"
            ],
        ),
        (
            "wall.left: {type: unsigned, key: left, unit: count}",
            "wall.left: {type: unsigned, unit: count}",
            ["messages.readings.fields.wall.left.key: found nothing, expected its word in the pairs"],
        ),
        (
            "key: right,",
            "key: left,",
            ["messages.readings.fields.wall.right.key: found 'left', expected another key than that of wall.left"],
        ),
        (
            "key: left0",
            'key: "left 0"',
            ["messages.readings.fields.wall.left.dark.key: found 'left 0', expected a key without blanks, '=' and ' '"],
        ),
        (
            "pairs: {",
            'template: "now"\n    pairs: {',
            ["messages.readings.template: found 'now', expected either a template or pairs"],
        ),
        (
            'between: " "',
            'between: "."',
            [
                "messages.readings.pairs: found a mapping, expected a number or word (the end of the value of 'bat' cannot be found)"
            ],
        ),
        (
            "between: ",
            "betwen: ",
            [
                "messages.readings.pairs.betwen: found the unknown key 'betwen', expected between, equals or head (did you mean between?)"
            ],
        ),
        (
            "state: {type: word, key: is, choices: {sensing: sensing, low: battery low}}",
            "state: {type: text, key: is}",
            [
                "messages.readings.fields.state.type: found 'text', expected another type, since a text would run on into the next pair"
            ],
        ),
        (
            "sequence: {field: sequence}",
            "sequence: {field: sequence}\nclock: {field: sequence}",
            ["host_clock: found 'host_clock' beside 'clock', expected one of the two: the robot tells its own time"],
        ),
        (
            "type: word, key: is, choices: {sensing: sensing, low: battery low}",
            "type: hex, key: is, choices: {sensing: sensing}",
            ["messages.readings.fields.state.choices: found a mapping, expected choices for words only"],
        ),
        (
            "supply.battery: {type: decimal, places: 2, key: bat, unit: V}",
            "supply.battery: {type: word, key: bat}",
            [
                "messages.readings.fields.supply.battery.type: found 'word', expected unsigned, signed, hex or decimal, since supply.battery is a number"
            ],
        ),
        (
            "type: hex, key: n, modulus: 256",
            "type: hex, key: n",
            ["messages.readings.fields.sequence.modulus: found nothing, expected the number at which it begins anew"],
        ),
    ],
)
def test_a_mistake_in_pairs_is_told_in_one_sentence(tmp_path: Path, old: str, new: str, expected: list[str]) -> None:
    assert sentences(protocol_of, tmp_path, READINGS, old, new) == expected


def test_brackets_of_the_message_itself_are_written_twice(tmp_path: Path) -> None:
    text = PRINTS.replace('"see {wall.left} ', '"[[see]] {wall.left} ')
    assert protocol_of(tmp_path, text).messages[0].template.startswith("[[see]] {wall.left}")
