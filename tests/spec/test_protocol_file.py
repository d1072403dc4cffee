"""Protocol files: the dialect that comes of one, and what is refused."""

# ruff: noqa: E501  (the sentences stand as the user sees them, each on a line)

from __future__ import annotations

from pathlib import Path

import pytest

from hil.catalogue import shipped
from hil.spec.kinds import Kind
from hil.spec.loading import load_protocol
from hil.wire.dialect import Dialect, FieldType, LineState, Role, Verdict

from .changed_files import protocol_of, sentences

TEXT = shipped(Kind.PROTOCOL)["tagged-lines"].read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def dialect() -> Dialect:
    return load_protocol(shipped(Kind.PROTOCOL)["tagged-lines"])


def test_port_framing_and_check_are_those_of_the_file(dialect: Dialect) -> None:
    assert (dialect.port.baud, dialect.port.settle_s, dialect.port.dtr) == (115200, 0.05, LineState.ON)
    assert (dialect.framing.ending, dialect.framing.max_length) == (b"\r\n", 160)
    assert dialect.check is not None
    assert (dialect.check.name, dialect.check.separator, dialect.check.digits) == ("CRC-16/IBM-3740", b" #", 4)
    assert (dialect.keep_alive_s, dialect.tag_modulus) == (0.15, 1000)
    assert (dialect.sequence_field, dialect.clock_field) == ("sequence", "time")


def test_telemetry_is_scaled_to_the_units_of_its_channels(dialect: Dialect) -> None:
    health = next(message for message in dialect.messages if message.name == "health")
    scales = {field.name: field.scale for field in health.fields}
    assert scales["time"] == pytest.approx(1e-6)  # us to s
    assert scales["supply.battery"] == pytest.approx(1e-3)  # mV to V
    assert scales["duty.left"] == pytest.approx(1e-3)  # per mille to a share
    assert scales["wall.left.dark"] == 1.0


def test_arguments_of_commands_are_in_mm_and_seconds(dialect: Dialect) -> None:
    assert dialect.commands["stream"].fields[0].scale == pytest.approx(1e-3)  # the value is in s, the wire has ms
    assert dialect.commands["drive"].fields[0].scale == 1.0  # mm/s on both sides


def test_fields_stand_in_the_order_of_the_template(tmp_path: Path) -> None:
    moved = TEXT.replace("      speed: {type: unsigned, unit: mm/s}\n", "", 1).replace(
        "      path: {type: word}\n", "      path: {type: word}\n      speed: {type: unsigned, unit: mm/s}\n", 1
    )
    assert [field.name for field in protocol_of(tmp_path, moved).commands["drive"].fields] == ["speed", "front", "path"]


def test_replies_and_events_are_told_apart(dialect: Dialect) -> None:
    roles = {message.name: (message.role, message.verdict) for message in dialect.messages}
    assert roles["yes"] == (Role.REPLY, Verdict.ACCEPTED)
    assert roles["no"] == (Role.REPLY, Verdict.REFUSED)
    assert roles["happened"] == (Role.EVENT, None)
    answer = next(message for message in dialect.messages if message.name == "yes")
    assert answer.fields[-1].type is FieldType.TEXT
    assert not dialect.commands["alive"].replied


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        (
            '{wall.front}"',
            '{wall.frnt}"',
            "messages.motion.template: found 'wall.frnt', expected a field of the message (encoder.left, encoder.right, sequence, time, wall.front, wall.left or wall.right) (did you mean wall.front?)",
        ),
        (
            "      wall.front: {type: unsigned, unit: count}",
            "      wall.fornt: {type: unsigned, unit: count}",
            "messages.motion.fields.wall.fornt: found 'wall.fornt', expected a channel (did you mean wall.front?)",
        ),
        (
            "supply.battery: {type: unsigned, unit: mV}",
            "supply.battery: {type: unsigned, unit: mm}",
            "messages.health.fields.supply.battery.unit: found 'mm', expected a unit that converts to V",
        ),
        (
            "supply.battery: {type: unsigned, unit: mV}",
            "supply.battery: {type: unsigned}",
            "messages.health.fields.supply.battery.unit: found nothing, expected a unit that converts to V",
        ),
        (
            "CRC-16/IBM-3740, sep",
            "CRC-16/IBM-374, sep",
            "check.name: found 'CRC-16/IBM-374', expected a line check (did you mean CRC-16/IBM-3740?)",
        ),
        ("digits: 4", "digits: 8", "check.digits: found '8', expected 4, the width of CRC-16/IBM-3740"),
        (
            "halt: move.end",
            "halt: mvoe.end",
            "messages.happened.fields.event.choices.halt: found 'mvoe.end', expected an event (did you mean move.end?)",
        ),
        (
            "  identify: {template",
            "  idnetify: {template",
            "commands.idnetify: found 'idnetify', expected an action (did you mean identify?)",
        ),
        (
            "? {tag} get {name}",
            "? get {name}",
            "commands.get.template: found '? get {name}', expected a template with {tag}, or replied: no",
        ),
        (
            "    verdict: accepted\n",
            "",
            "messages.yes.verdict: found nothing, expected accepted or refused",
        ),
        ("  right: r\n", "  right: l\n", "path.right: found 'l', expected another word than that of left"),
        (
            "sequence: {field: sequence}",
            "sequence: {field: seqence}",
            "sequence.field: found 'seqence', expected a field of a message (did you mean sequence?)",
        ),
        (
            "asked_by: sample",
            "asked_by: smaple",
            "messages.levels.asked_by: found 'smaple', expected an action (did you mean sample?)",
        ),
        (
            "asked_by: sample",
            "asked_by: search",
            "messages.levels.asked_by: found 'search', expected a command of this protocol",
        ),
        (
            'template: "h {seq',
            'sampled_every: 1 ms\n    template: "h {seq',
            "messages.health.sampled_every: found '1 ms', expected it for messages with a repeated field only",
        ),
        (
            'template: "l {time}',
            'asked_by: sample\n    template: "l {time}',
            "messages.edge_left.asked_by: found 'sample', expected it for telemetry that is sent when it was asked for",
        ),
        (
            '  alive: {template: "+", replied: no}\n',
            "",
            "keep_alive: found nothing, expected a command 'alive' to send",
        ),
        ("baud: 115200", "baud: fast", "port.baud: found 'fast', expected a whole number"),
        (
            "parity: none",
            "parity: nnone",
            "port.parity: found 'nnone', expected none, even or odd (did you mean none?)",
        ),
    ],
)
def test_a_mistake_is_told_in_one_sentence(tmp_path: Path, old: str, new: str, sentence: str) -> None:
    assert sentence in sentences(protocol_of, tmp_path, TEXT, old, new)


def test_a_template_that_can_be_taken_apart_in_two_ways_is_refused(tmp_path: Path) -> None:
    found = sentences(
        protocol_of, tmp_path, TEXT, "e {sequence} {time} {event} {detail}", "e {sequence}{time} {event} {detail}"
    )
    assert any("messages.happened.template" in sentence for sentence in found)


def test_a_field_whose_end_cannot_be_found_is_refused(tmp_path: Path) -> None:
    """A word may hold a dash, so a dash behind it does not tell where it ends."""
    assert sentences(protocol_of, tmp_path, TEXT, "{event} {detail}", "{event}-{detail}") == [
        "messages.happened.template: found 'e {sequence} {time} {event}-{detail}', expected something after it that cannot belong to it, such as a blank (the end of {event} cannot be found)"
    ]


def test_a_line_that_is_always_longer_than_any_may_be_is_refused_whosoever_sends_it(tmp_path: Path) -> None:
    """By hand: `? 1 whoever-is-there` has 20 characters, and the check adds ` #` and four digits."""
    shorter = TEXT.replace("max_length: 160", "max_length: 25")
    found = sentences(protocol_of, tmp_path, shorter, '"? {tag} who"', '"? {tag} whoever-is-there"')
    assert found == [
        "framing.max_length: found '25', expected 26 at least, since the command identify is never shorter"
    ]
    without = TEXT.replace(", max_length: 160", "").replace("? {tag} who", "? {tag} " + "who" * 60)
    assert sentences(protocol_of, tmp_path, without, "parity: none", "parity: none") == [
        "framing.max_length: found 160, which is the default, expected 190 at least, since the command identify is never shorter"
    ]


def test_a_banner_that_is_no_regular_expression_is_refused(tmp_path: Path) -> None:
    found = sentences(protocol_of, tmp_path, TEXT, "messages:\n", 'banner: "("\nmessages:\n')
    assert found == [
        "banner: found '(', expected a regular expression (missing ), unterminated subpattern at position 0)"
    ]
