"""The dialect `tagged-lines` written out by hand, as a witness beside the file it is compiled from."""

from __future__ import annotations

from hil.wire.dialect import (
    CommandSpec,
    Dialect,
    FieldSpec,
    FieldType,
    LineCheck,
    LineFraming,
    MessageSpec,
    PathCoding,
    PortSettings,
    Role,
    Verdict,
)

U, S, W, T = FieldType.UNSIGNED, FieldType.SIGNED, FieldType.WORD, FieldType.TEXT

SEQUENCE = FieldSpec(name="sequence", type=U, modulus=65536)
TIME = FieldSpec(name="time", type=U, scale=1e-6, modulus=4294967296)
TAG = FieldSpec(name="tag", type=U)
ANSWER = FieldSpec(name="answer", type=T)


def _readings(*names: str) -> tuple[FieldSpec, ...]:
    return tuple(FieldSpec(name=name, type=U) for name in names)


TAGGED_LINES = Dialect(
    name="tagged-lines",
    title="Numbered requests and checked lines at 115200 baud",
    port=PortSettings(baud=115200, settle_s=0.05),
    framing=LineFraming(ending=b"\r\n", max_length=160),
    check=LineCheck(name="CRC-16/IBM-3740", separator=b" #", digits=4),
    messages=(
        MessageSpec(
            name="motion",
            role=Role.TELEMETRY,
            template="m {sequence} {time} {encoder.left} {encoder.right} {wall.left} {wall.right} {wall.front}",
            fields=(
                SEQUENCE,
                TIME,
                FieldSpec(name="encoder.left", type=S, modulus=65536),
                FieldSpec(name="encoder.right", type=S, modulus=65536),
                *_readings("wall.left", "wall.right", "wall.front"),
            ),
        ),
        MessageSpec(
            name="health",
            role=Role.TELEMETRY,
            template="h {sequence} {time} {supply.battery} {duty.left} {duty.right} {loop.period} "
            "{wall.left.dark} {wall.right.dark} {wall.front.dark}",
            fields=(
                SEQUENCE,
                TIME,
                FieldSpec(name="supply.battery", type=U, scale=1e-3),
                FieldSpec(name="duty.left", type=S, scale=1e-3),
                FieldSpec(name="duty.right", type=S, scale=1e-3),
                FieldSpec(name="loop.period", type=U, scale=1e-6),
                *_readings("wall.left.dark", "wall.right.dark", "wall.front.dark"),
            ),
        ),
        MessageSpec(
            name="happened",
            role=Role.EVENT,
            template="e {sequence} {time} {event} {detail}",
            fields=(
                SEQUENCE,
                TIME,
                FieldSpec(
                    name="event",
                    type=W,
                    choices={
                        "go": "move.begin",
                        "halt": "move.end",
                        "turn": "turn.begin",
                        "turned": "turn.end",
                        "wall": "front.reset",
                        "edge-l": "edge.left",
                        "edge-r": "edge.right",
                        "still": "idle",
                        "trouble": "fault",
                        "bump": "touched",
                    },
                ),
                FieldSpec(name="detail", type=W),
            ),
        ),
        MessageSpec(
            name="yes", role=Role.REPLY, verdict=Verdict.ACCEPTED, template="y {tag} {answer}", fields=(TAG, ANSWER)
        ),
        MessageSpec(
            name="no", role=Role.REPLY, verdict=Verdict.REFUSED, template="n {tag} {answer}", fields=(TAG, ANSWER)
        ),
    ),
    commands={
        "identify": CommandSpec(action="identify", template="? {tag} who", deadline_s=0.3, tries=3),
        "stop": CommandSpec(action="stop", template="! {tag} stop", deadline_s=0.1, tries=5),
        "stream": CommandSpec(
            action="stream",
            template="? {tag} tell {period}",
            fields=(FieldSpec(name="period", type=U, scale=1e-3),),
            deadline_s=0.3,
            tries=3,
        ),
        "get": CommandSpec(
            action="get",
            template="? {tag} get {name}",
            fields=(FieldSpec(name="name", type=W),),
            deadline_s=0.3,
            tries=3,
        ),
        "set": CommandSpec(
            action="set",
            template="? {tag} set {name} {value}",
            fields=(FieldSpec(name="name", type=W), FieldSpec(name="value", type=S)),
            deadline_s=0.3,
            tries=3,
        ),
        "drive": CommandSpec(
            action="drive",
            template="? {tag} drive {speed} {front} {path}",
            fields=(
                FieldSpec(name="speed", type=U),
                FieldSpec(name="front", type=W, choices={"wall": "wall", "counts": "counts"}),
                FieldSpec(name="path", type=W),
            ),
            deadline_s=0.3,
            tries=3,
        ),
        "alive": CommandSpec(action="alive", template="+", replied=False),
    },
    path=PathCoding(
        ahead="{tracking}{cells}",
        trackings={"none": "a", "left": "al", "right": "ar", "both": "ab"},
        left="l",
        right="r",
        about_left="ul",
        about_right="ur",
        joiner=",",
    ),
    tag_modulus=1000,
    sequence_field="sequence",
    clock_field="time",
    keep_alive_s=0.15,
)
