"""The dialect `tagged-lines` written out by hand, as a witness beside the file it is compiled from."""

from __future__ import annotations

from hil.wire.dialect import (
    BlockSpec,
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

U, S, W, T, X = FieldType.UNSIGNED, FieldType.SIGNED, FieldType.WORD, FieldType.TEXT, FieldType.HEX

SEQUENCE = FieldSpec(name="sequence", type=U, modulus=65536)
TIME = FieldSpec(name="time", type=U, scale=1e-6, modulus=4294967296)
TAG = FieldSpec(name="tag", type=U)
ANSWER = FieldSpec(name="answer", type=T)


def _readings(*names: str) -> tuple[FieldSpec, ...]:
    return tuple(FieldSpec(name=name, type=U) for name in names)


def _timed(action: str, words: str, argument: str) -> CommandSpec:
    return CommandSpec(
        action=action,
        template=f"? {{tag}} {words}",
        fields=(FieldSpec(name=argument, type=U, scale=1e-3),),
        deadline_s=0.3,
        tries=3,
    )


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
            "{wall.left.dark} {wall.right.dark} {wall.front.dark}[ {supply.motor} {supply.current}]",
            fields=(
                SEQUENCE,
                TIME,
                FieldSpec(name="supply.battery", type=U, scale=1e-3),
                FieldSpec(name="duty.left", type=S, scale=1e-3),
                FieldSpec(name="duty.right", type=S, scale=1e-3),
                FieldSpec(name="loop.period", type=U, scale=1e-6),
                *_readings("wall.left.dark", "wall.right.dark", "wall.front.dark"),
                FieldSpec(name="supply.motor", type=U, scale=1e-3, optional=True),
                FieldSpec(name="supply.current", type=U, scale=1e-3, optional=True),
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
            name="levels",
            role=Role.TELEMETRY,
            template="v {sequence} {time} {encoder.left.levels} {encoder.right.levels}",
            fields=(
                SEQUENCE,
                TIME,
                FieldSpec(name="encoder.left.levels", type=X, repeated_by=","),
                FieldSpec(name="encoder.right.levels", type=X, repeated_by=","),
            ),
            sample_s=0.001,
            asked_by="sample",
        ),
        MessageSpec(
            name="edge_left",
            role=Role.ROW,
            template="l {time} {encoder.left.edge}",
            fields=(TIME, FieldSpec(name="encoder.left.edge", type=X)),
        ),
        MessageSpec(
            name="edge_right",
            role=Role.ROW,
            template="r {time} {encoder.right.edge}",
            fields=(TIME, FieldSpec(name="encoder.right.edge", type=X)),
        ),
        MessageSpec(
            name="periods",
            role=Role.ROW,
            template="p {time} {loop.periods}",
            fields=(TIME, FieldSpec(name="loop.periods", type=U, scale=1e-6, repeated_by=",")),
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
        "spin": CommandSpec(
            action="spin",
            template="? {tag} spin {left} {right}[ {duration}]",
            fields=(
                FieldSpec(name="left", type=S, scale=1e-3),
                FieldSpec(name="right", type=S, scale=1e-3),
                FieldSpec(name="duration", type=U, scale=1e-3, optional=True),
            ),
            deadline_s=0.3,
            tries=3,
        ),
        "emit": CommandSpec(
            action="emit",
            template="? {tag} emit {channel}",
            fields=(
                FieldSpec(
                    name="channel",
                    type=W,
                    choices={"left": "wall.left", "right": "wall.right", "front": "wall.front", "all": "all"},
                ),
            ),
            deadline_s=0.3,
            tries=3,
        ),
        "sample": _timed("sample", "sample {period}", "period"),
        "record.edges": _timed("record.edges", "record-edges {duration}", "duration"),
        "record.ticks": _timed("record.ticks", "record-ticks {duration}", "duration"),
        "provoke": CommandSpec(
            action="provoke",
            template="? {tag} provoke {name}[ {duration}]",
            fields=(
                FieldSpec(
                    name="name",
                    type=W,
                    choices={
                        "log-flush": "log flush",
                        "flash-write": "flash write",
                        "screen": "screen",
                        "map-flood": "map flood",
                        "radio": "radio",
                        "all-sensors": "all sensors",
                    },
                ),
                FieldSpec(name="duration", type=U, scale=1e-3, optional=True),
            ),
            deadline_s=0.3,
            tries=3,
        ),
        "dump.edges": CommandSpec(action="dump.edges", template="? {tag} dump-edges", deadline_s=0.3, tries=3),
        "dump.ticks": CommandSpec(action="dump.ticks", template="? {tag} dump-ticks", deadline_s=0.3, tries=3),
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
    blocks=(
        BlockSpec(name="edges", header="edges {count}", rows=("edge_left", "edge_right"), end="end of edges"),
        BlockSpec(name="ticks", header="ticks {count}", rows=("periods",), end="end of ticks"),
    ),
)
