"""The dialect `letter-menu` written out by hand, as a witness beside the file it is compiled from."""

from __future__ import annotations

from hil.wire.dialect import (
    BlockSpec,
    BootSpec,
    CommandSpec,
    ConsoleSpec,
    Dialect,
    FieldSpec,
    FieldType,
    LineFraming,
    MenuSpec,
    MessageSpec,
    PathCoding,
    PortSettings,
    Role,
    Verdict,
)

U, S, H = FieldType.UNSIGNED, FieldType.SIGNED, FieldType.HEX
D, W, T = FieldType.DECIMAL, FieldType.WORD, FieldType.TEXT

TIME = FieldSpec(name="time", type=U, scale=1e-3, modulus=4294967296)
ANSWER = FieldSpec(name="answer", type=T)
COLUMNS = (
    TIME,
    FieldSpec(name="encoder.left", type=S, modulus=65536),
    FieldSpec(name="encoder.right", type=S, modulus=65536),
    FieldSpec(name="wall.left", type=U),
    FieldSpec(name="wall.right", type=U),
    FieldSpec(name="wall.front", type=U),
    FieldSpec(name="wall.left.dark", type=U, optional=True),
    FieldSpec(name="wall.right.dark", type=U, optional=True),
    FieldSpec(name="wall.front.dark", type=U, optional=True),
)
COLUMNS_TEXT = (
    "{time} {encoder.left} {encoder.right} {wall.left} {wall.right} {wall.front}"
    "[ {wall.left.dark} {wall.right.dark} {wall.front.dark}]"
)
WORDS = {
    "straight": "move.begin",
    "arrived": "move.end",
    "turning": "turn.begin",
    "turned": "turn.end",
    "squared": "front.reset",
    "left-edge": "edge.left",
    "right-edge": "edge.right",
    "cell": "cell",
    "resting": "idle",
    "tripped": "fault",
    "bumped": "touched",
}
HAPPENED = (
    TIME,
    FieldSpec(name="event", type=W, choices=WORDS),
    FieldSpec(name="detail", type=W, optional=True),
)


def _command(action: str, template: str, *fields: FieldSpec, **more: str) -> CommandSpec:
    return CommandSpec(
        action=action,
        template=template,
        fields=fields,
        tries=1,
        deadline_s=float(more.get("deadline_s", 0.3)),
        answers=(more.get("answer", "ok"), "no"),
        menu=more.get("menu", ""),
    )


LETTER_MENU = Dialect(
    name="letter-menu",
    title="A console with menus by letter at 38400 baud",
    port=PortSettings(baud=38400, settle_s=0.05),
    framing=LineFraming(ending=b"\r\n", max_length=120),
    check=None,
    messages=(
        MessageSpec(name="columns", role=Role.TELEMETRY, template=f"t {COLUMNS_TEXT}", fields=COLUMNS),
        MessageSpec(
            name="status",
            role=Role.TELEMETRY,
            template="s {time} {supply.battery} {duty.left} {duty.right} {loop.period} 0x{state}",
            fields=(
                TIME,
                FieldSpec(name="supply.battery", type=D, places=2),
                FieldSpec(name="duty.left", type=D, places=1, scale=0.01),
                FieldSpec(name="duty.right", type=D, places=1, scale=0.01),
                FieldSpec(name="loop.period", type=U, scale=1e-6),
                FieldSpec(name="state", type=H),
            ),
        ),
        MessageSpec(
            name="outputs",
            role=Role.TELEMETRY,
            template="o {time} {encoder.left.levels} {encoder.right.levels}",
            fields=(
                TIME,
                FieldSpec(name="encoder.left.levels", type=H, repeated_by=","),
                FieldSpec(name="encoder.right.levels", type=H, repeated_by=","),
            ),
            sample_s=0.002,
            asked_by="sample",
        ),
        MessageSpec(name="happened", role=Role.EVENT, template="* {time} {event}[ {detail}]", fields=HAPPENED),
        MessageSpec(name="kept_sample", role=Role.ROW, template=f"k {COLUMNS_TEXT}", fields=COLUMNS),
        MessageSpec(name="kept_event", role=Role.ROW, template="* {time} {event}[ {detail}]", fields=HAPPENED),
        MessageSpec(
            name="map_row",
            role=Role.ROW,
            template="row {cell.y} {cell.walls}",
            fields=(FieldSpec(name="cell.y", type=U), FieldSpec(name="cell.walls", type=H, repeated_by=",")),
        ),
        MessageSpec(name="ok", role=Role.REPLY, verdict=Verdict.ACCEPTED, template="ok"),
        MessageSpec(name="name", role=Role.REPLY, verdict=Verdict.ACCEPTED, template="i am {answer}", fields=(ANSWER,)),
        MessageSpec(name="value", role=Role.REPLY, verdict=Verdict.ACCEPTED, template="= {answer}", fields=(ANSWER,)),
        MessageSpec(name="no", role=Role.REPLY, verdict=Verdict.REFUSED, template="no: {answer}", fields=(ANSWER,)),
    ),
    commands={
        "identify": _command("identify", "i", answer="name"),
        "stop": _command("stop", "x", deadline_s="0.1"),
        "stream": _command("stream", "w {period}", FieldSpec(name="period", type=U, scale=1e-3)),
        "drive": _command(
            "drive",
            "r {speed} {front} {path}",
            FieldSpec(name="speed", type=U),
            FieldSpec(name="front", type=W, choices={"wall": "wall", "counts": "counts"}),
            FieldSpec(name="path", type=W),
        ),
        "goal": _command(
            "goal",
            "g {x} {y}[ {speed}]",
            FieldSpec(name="x", type=U),
            FieldSpec(name="y", type=U),
            FieldSpec(name="speed", type=U, optional=True),
        ),
        "spin": _command(
            "spin",
            "m {left} {right}[ {duration}]",
            FieldSpec(name="left", type=D, places=1, scale=0.01),
            FieldSpec(name="right", type=D, places=1, scale=0.01),
            FieldSpec(name="duration", type=U, scale=1e-3, optional=True),
        ),
        "alive": CommandSpec(action="alive", template=".", replied=False),
        "get": _command("get", "g {name}", FieldSpec(name="name", type=W), answer="value", menu="settings"),
        "set": _command(
            "set",
            "p {name} {value}",
            FieldSpec(name="name", type=W),
            FieldSpec(name="value", type=S),
            menu="settings",
        ),
        "save": _command("save", "w", deadline_s="1", menu="settings"),
        "sample": _command("sample", "o {period}", FieldSpec(name="period", type=U, scale=1e-3), menu="encoders"),
        "dump.log": _command("dump.log", "l", menu="kept"),
        "dump.map": _command("dump.map", "m", menu="kept"),
    },
    path=PathCoding(
        ahead="{cells}{tracking}",
        trackings={"none": "f", "left": "fl", "right": "fr", "both": "fb"},
        left="l",
        right="r",
        about_left="bl",
        about_right="br",
        joiner="-",
    ),
    clock_field="time",
    keep_alive_s=0.15,
    boot=BootSpec(resets_on_open=False, banner="letter menu ready", timeout_s=3.0),
    blocks=(
        BlockSpec(name="log", header="log of {count}", rows=("kept_sample", "kept_event"), end="end of log"),
        BlockSpec(name="map", header="map of {count}", rows=("map_row",)),
    ),
    console=ConsoleSpec(
        echo=True,
        prompt="> ",
        colours=True,
        menus={
            "settings": MenuSpec(enter="s", leave="q", prompt="settings> "),
            "kept": MenuSpec(enter="k", leave="q", prompt="kept> "),
            "encoders": MenuSpec(enter="e", leave="q", prompt="encoders> "),
        },
    ),
)
