"""What a robot file says of encoders, supply and settings written to a file: the models, and their plain values.

Tolerances of resistors and references are bounds, as their makers state them.
"""

from __future__ import annotations

from datetime import timedelta
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, WithJsonSchema

from hil.measure.model import Encoder, Regulator, Supply
from hil.quantities import QuantityError, quantity_in
from hil.spec.checking import Document, Expectation, FilePart, Key, wrong
from hil.spec.record_values import Validity
from hil.spec.robot_values import SettingsText
from hil.spec.settings_text import AROUND_FIELDS, LINE_FIELDS, fields_of
from hil.spec.texts import InUnit, RawText, Text, written
from hil.spec.wording import near, one_of

_LONGEST_DAYS = 36_500.0  # for ever, as robots go
Volts = Annotated[float, InUnit("V", "6.8 V", above=0)]
Dropout = Annotated[float, InUnit("V", "2 V", least=0)]
Ohms = Annotated[float, InUnit("ohm", "240 ohm", above=0)]
AnyOhms = Annotated[float, InUnit("ohm", "910 ohm", least=0)]
Amperes = Annotated[float, InUnit("A", "50 uA", least=0)]


def _bound(value: Any) -> Any:
    try:
        share = quantity_in(str(written(value)), "")
    except QuantityError:
        raise wrong("a tolerance such as '1 %'") from None
    if not 0 <= share < 1:
        raise wrong("a tolerance of at least 0 and below 100 %")
    return share


def _edges(value: Any) -> Any:
    if isinstance(value, bool) or value not in (1, 2, 4):
        raise wrong("1, 2 or 4 counted edges of a cycle")
    return int(value)


def _channels(value: Any) -> Any:
    if isinstance(value, bool) or value not in (1, 2):
        raise wrong("1 channel, or 2 in quadrature")
    return int(value)


Days = Annotated[float, InUnit("day", "30 days", above=0)]
Bound = Annotated[
    float,
    BeforeValidator(_bound),
    Expectation("a tolerance such as '1 %'", "1 %"),
    WithJsonSchema({"type": ["string", "number"], "examples": ["1 %"]}),
]


class EncoderPart(FilePart):
    """The encoder of a wheel, the same left and right; its disc turns `gear` times in a turn of the wheel."""

    channels: Annotated[int, BeforeValidator(_channels), WithJsonSchema({"enum": [1, 2]})]
    cycles_per_turn: Annotated[float, Field(gt=0, le=1_000_000)]
    gear: Annotated[float, Field(gt=0, le=10_000)] = 1.0
    edges: Annotated[int, BeforeValidator(_edges), WithJsonSchema({"enum": [1, 2, 4]})] = 4


class RegulatorPart(FilePart):
    """A linear regulator of the motor rail, set by two resistors."""

    r1: Ohms
    r2: AnyOhms
    adjust: Amperes = 50e-6
    reference: Volts = 1.25
    dropout: Dropout = 2.0
    resistors: Bound = 0.01
    reference_within: Bound = 0.01


class SupplyPart(FilePart):
    """The battery, and what the motors run on where that is another voltage."""

    chemistry: Text
    cells: Annotated[int, Field(ge=1, le=24)]
    lowest: Volts
    motor: Volts | None = None
    regulator: RegulatorPart | None = None


class SettingsFilePart(FilePart):
    """How settings are written to a file, for a firmware that cannot be told them over the port."""

    name: Text
    line: RawText = SettingsText(name="").line
    first: RawText | Literal[""] = ""
    last: RawText | Literal[""] = ""


class RecordsPart(FilePart):
    """How long this robot's records hold: their age, and how far the battery may be from what it was."""

    age: Days = 30.0
    battery: Bound = 0.1


def compile_encoder(document: Document, part: EncoderPart | None, counts_per_turn: float) -> Encoder | None:
    """Return the encoder; report one that contradicts itself or the counts of a wheel's turn."""
    if part is None:
        return None
    if part.channels == 1 and part.edges == 4:
        document.report(
            ("encoder",), found="4 edges of one channel", expected="1 or 2 edges, or 2 channels", member="edges"
        )
        return None
    encoder = Encoder(
        channels=part.channels, cycles_per_turn=float(part.cycles_per_turn), gear=float(part.gear), edges=part.edges
    )
    counts = encoder.counts_per_wheel_turn
    # Drawings round the ratio of gears; nobody's count of a turn is known better than to a part in ten thousand then.
    if abs(counts - counts_per_turn) > 1e-4 * counts_per_turn:
        document.report(
            ("encoder",),
            found=f"{part.cycles_per_turn:g} cycles x {part.gear:g} x {part.edges} edges = {counts:g} counts a turn",
            expected=f"the {counts_per_turn:g} of wheels.counts_per_turn",
        )
    return encoder


def compile_supply(document: Document, part: SupplyPart | None) -> Supply | None:
    """Return the supply; report a motor rail that its regulator's resistors do not give."""
    if part is None:
        return None
    regulator = None if part.regulator is None else _regulator(part.regulator)
    if regulator is not None and part.motor is not None:
        set_v = (
            regulator.reference_v * (1 + regulator.r2_ohm / regulator.r1_ohm) + regulator.adjust_a * regulator.r2_ohm
        )
        if abs(set_v - part.motor) > 0.1 * set_v:
            document.report(("supply", "motor"), expected=f"about {set_v:.2f} V, which r1 and r2 of the regulator set")
    return Supply(
        chemistry=part.chemistry, cells=part.cells, lowest_v=part.lowest, motor_v=part.motor, regulator=regulator
    )


def _regulator(part: RegulatorPart) -> Regulator:
    return Regulator(
        r1_ohm=part.r1,
        r2_ohm=part.r2,
        adjust_a=part.adjust,
        reference_v=part.reference,
        dropout_v=part.dropout,
        resistor_share=part.resistors,
        reference_share=part.reference_within,
    )


def compile_records(part: RecordsPart | None) -> Validity:
    """Return how long records hold; the usual where the file says nothing."""
    if part is None:
        return Validity()
    return Validity(age=timedelta(days=min(part.age, _LONGEST_DAYS)), battery_share=part.battery)


def compile_settings_file(document: Document, part: SettingsFilePart | None) -> SettingsText | None:
    """Return how settings are written; report a name that is a path, and fields that nothing is filled in for."""
    if part is None:
        return None
    at: Key = ("settings_file",)
    if "/" in part.name or "\\" in part.name or part.name in (".", "..") or len(part.name) > 100:
        document.report((*at, "name"), expected="the name of a file without folders, such as walls.h")
    for key, text, known in (
        ("line", part.line, LINE_FIELDS),
        ("first", part.first, AROUND_FIELDS),
        ("last", part.last, AROUND_FIELDS),
    ):
        _check_fields(document, (*at, key), text, known)
    return SettingsText(name=part.name, line=part.line, first=part.first, last=part.last)


def _check_fields(document: Document, at: Key, text: str, known: tuple[str, ...]) -> None:
    try:
        fields = fields_of(text)
    except ValueError:
        document.report(at, expected="braces in pairs around names, and doubled ({{) where they stand for themselves")
        return
    for field in dict.fromkeys(fields):
        if field not in known:
            braced = one_of([f"{{{name}}}" for name in known])
            document.report(at, found=f"the field {{{field}}}", expected=braced, near_miss=near(field, known))
