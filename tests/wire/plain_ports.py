"""The dialects `plain-prints` and `plain-readings` written out by hand, as witnesses beside their files."""

from __future__ import annotations

from hil.wire.dialect import (
    BootSpec,
    Dialect,
    FieldSpec,
    FieldType,
    HostClock,
    LineFraming,
    MessageSpec,
    PairsForm,
    PortSettings,
    Role,
)

U, S, H, D, W = FieldType.UNSIGNED, FieldType.SIGNED, FieldType.HEX, FieldType.DECIMAL, FieldType.WORD
BRIDGE = HostClock(latency_s=0.016, adapter="latency timer of a USB serial bridge")


def _dark(wall: str, key: str = "") -> FieldSpec:
    return FieldSpec(name=f"wall.{wall}.dark", type=U, optional=True, key=key)


PLAIN_PRINTS = Dialect(
    name="plain-prints",
    title="Words and numbers printed at 9600 baud, no commands",
    port=PortSettings(baud=9600),
    framing=LineFraming(ending=b"\r\n", max_length=60),
    check=None,
    messages=(
        MessageSpec(
            name="glance",
            role=Role.TELEMETRY,
            template="see {wall.left} {wall.right} {wall.front} went {encoder.left} {encoder.right}",
            fields=(
                FieldSpec(name="wall.left", type=U),
                FieldSpec(name="wall.right", type=U),
                FieldSpec(name="wall.front", type=U),
                FieldSpec(name="encoder.left", type=S, modulus=65536),
                FieldSpec(name="encoder.right", type=S, modulus=65536),
            ),
            period_s=0.042,
        ),
        MessageSpec(
            name="supply",
            role=Role.TELEMETRY,
            template="volts {supply.battery}[ dark {wall.left.dark} {wall.right.dark} {wall.front.dark}]",
            fields=(
                FieldSpec(name="supply.battery", type=D, places=2),
                _dark("left"),
                _dark("right"),
                _dark("front"),
            ),
            period_s=2.0,
        ),
    ),
    commands={},
    boot=BootSpec(resets_on_open=False, banner="ready to run", timeout_s=5.0),
    host_clock=BRIDGE,
)

PLAIN_READINGS = Dialect(
    name="plain-readings",
    title="Sensor readings in pairs at 9600 baud, no commands",
    port=PortSettings(baud=9600),
    framing=LineFraming(ending=b"\r\n", max_length=110),
    check=None,
    messages=(
        MessageSpec(
            name="readings",
            role=Role.TELEMETRY,
            template="",
            pairs=PairsForm(head="now ", equals="=", between=" "),
            fields=(
                FieldSpec(name="sequence", type=H, modulus=256, key="n"),
                FieldSpec(name="wall.left", type=U, key="left"),
                _dark("left", "left0"),
                FieldSpec(name="wall.right", type=U, key="right"),
                _dark("right", "right0"),
                FieldSpec(name="wall.front", type=U, key="front"),
                _dark("front", "front0"),
                FieldSpec(name="supply.battery", type=D, places=2, key="bat"),
                FieldSpec(name="supply.motor", type=D, places=2, key="rail", optional=True),
                FieldSpec(name="state", type=W, choices={"sensing": "sensing", "low": "battery low"}, key="is"),
            ),
            period_s=0.2,
        ),
        MessageSpec(
            name="outputs",
            role=Role.TELEMETRY,
            template="enc {encoder.left.levels} {encoder.right.levels}",
            fields=(FieldSpec(name="encoder.left.levels", type=H), FieldSpec(name="encoder.right.levels", type=H)),
            period_s=0.025,
        ),
    ),
    commands={},
    sequence_field="sequence",
    boot=BootSpec(resets_on_open=False, banner="ready to sense", timeout_s=5.0),
    host_clock=BRIDGE,
)
