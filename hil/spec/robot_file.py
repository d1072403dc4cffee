"""Robot files: the model, and the robot as plain values."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from hil.measure.model import Encoder, FrontStop, Robot, Supply, WallSensor
from hil.spec.checking import Document, FilePart
from hil.spec.kinds import Finder
from hil.spec.robot_bench import (
    EncoderPart,
    RecordsPart,
    SettingsFilePart,
    SupplyPart,
    compile_encoder,
    compile_records,
    compile_settings_file,
    compile_supply,
)
from hil.spec.robot_programs import (
    ProgramPart,
    SettingPart,
    StopPart,
    check_programs,
    check_stop,
    compile_program,
    find_dialects,
)
from hil.spec.robot_values import RobotFile, Setting, StopBy, StopPath
from hil.spec.texts import InUnit, Name, Text, YesNo
from hil.vocabulary import CHANNELS

Length = Annotated[float, InUnit("mm", "80 mm", above=0)]
Offset = Annotated[float, InUnit("mm", "30 mm")]
Angle = Annotated[float, InUnit("rad", "90 deg")]
Speed = Annotated[float, InUnit("mm/s", "0.3 m/s", above=0)]


class BodyPart(FilePart):
    """The outline: its width, and how far its ends are from the wheel axle."""

    width: Length
    front: Length
    rear: Length


class WheelsPart(FilePart):
    """The wheels as the firmware knows them."""

    diameter_left: Length
    diameter_right: Length
    base: Length
    counts_per_turn: Annotated[float, Field(gt=0, le=1_000_000)]


class FrontStopPart(FilePart):
    """What ends a straight in front of a wall, at which distance of the axle from its face, within which window."""

    by: Literal["counts", "wall", "first"]
    distance: Length = 84.0
    window: Length = 20.0


class AdcPart(FilePart):
    """The analogue converter."""

    full_scale: Annotated[int, Field(ge=1, le=2**24)]


class SensorPart(FilePart):
    """A wall sensor's place on the body (x forward, y left, from the middle of the axle) and its beam's direction.

    `wall` is its distance from the wall where the firmware decides whether there is one, `beyond` from what it sees
    there where there is none.
    """

    x: Offset
    y: Offset
    angle: Angle
    wall: Length | None = None
    beyond: Length | None = None


class RobotFilePart(FilePart):
    """A robot file."""

    robot: Name
    title: Text
    serial: Text
    robot_class: Annotated[Literal["entry", "fast"], Field(alias="class")]
    virtual: YesNo = False
    body: BodyPart
    wheels: WheelsPart
    front_stop: FrontStopPart
    speed: Speed
    adc: AdcPart
    sensors: dict[str, SensorPart]
    encoder: EncoderPart | None = None
    supply: SupplyPart | None = None
    programs: dict[Name, ProgramPart]
    stop: StopPart
    settings: Annotated[dict[Name, SettingPart], Field(default_factory=dict)]
    settings_file: SettingsFilePart | None = None
    records: RecordsPart | None = None


def compile_robot(document: Document, finder: Finder | None = None) -> RobotFile | None:
    """Return the robot of a document, or None with the mistakes reported.

    With a `finder`, the protocols of the programs must be found.
    """
    parts = document.fit(RobotFilePart)
    if parts is None:
        return None
    _check_sensors(document, parts)
    _check_body(document, parts)
    _check_settings(document, parts)
    encoder = compile_encoder(document, parts.encoder, parts.wheels.counts_per_turn)
    supply = compile_supply(document, parts.supply)
    settings_text = compile_settings_file(document, parts.settings_file)
    dialects = find_dialects(document, parts.programs, finder)
    check_programs(document, parts.programs, parts.settings, dialects)
    check_stop(document, parts.stop, parts.programs, dialects)
    if document.source.mistakes:
        return None
    return RobotFile(
        robot=_robot(parts, encoder, supply),
        title=parts.title,
        virtual=parts.virtual,
        programs={name: compile_program(name, part) for name, part in parts.programs.items()},
        stop=StopPath(by=StopBy(parts.stop.by), dead_man_s=parts.stop.dead_man),
        supply=supply,
        settings={name: _setting(name, part) for name, part in parts.settings.items()},
        settings_text=settings_text,
        validity=compile_records(parts.records),
        file=document.path,
        digest=document.source.digest,
    )


def _setting(name: str, part: SettingPart) -> Setting:
    lowest, highest = part.range
    return Setting(name=name, unit=part.unit, lowest=lowest, highest=highest, trims=part.trims, meaning=part.meaning)


def _robot(parts: RobotFilePart, encoder: Encoder | None, supply: Supply | None) -> Robot:
    return Robot(
        name=parts.robot,
        serial=parts.serial,
        robot_class=parts.robot_class,
        body_width_mm=parts.body.width,
        body_front_mm=parts.body.front,
        body_rear_mm=parts.body.rear,
        wheel_diameter_left_mm=parts.wheels.diameter_left,
        wheel_diameter_right_mm=parts.wheels.diameter_right,
        wheel_base_mm=parts.wheels.base,
        counts_per_turn=float(parts.wheels.counts_per_turn),
        sensors=tuple(
            WallSensor(
                channel=channel,
                x_mm=part.x,
                y_mm=part.y,
                angle_rad=part.angle,
                wall_mm=part.wall or 0.0,
                beyond_mm=part.beyond or 0.0,
            )
            for channel, part in parts.sensors.items()
        ),
        adc_full_scale=int(parts.adc.full_scale),
        front_stop=FrontStop(parts.front_stop.by),
        front_stop_mm=parts.front_stop.distance,
        front_window_mm=parts.front_stop.window,
        speed_mm_s=parts.speed,
        encoder=encoder,
        supply=supply,
    )


def _check_sensors(document: Document, parts: RobotFilePart) -> None:
    known = [name for name in CHANNELS if name.startswith("wall.") and not name.endswith(".dark")]
    for channel, part in parts.sensors.items():
        if channel not in known:
            document.report_name(("sensors", channel), "a wall sensor", channel, known, key=True)
        if max(abs(part.x), abs(part.y)) > 200:
            document.report(("sensors", channel), expected="a place within 200 mm of the axle")
        if part.beyond is not None and part.beyond <= (part.wall or 0.0):
            document.report(("sensors", channel, "beyond"), expected="a distance beyond that of the wall")


def _check_body(document: Document, parts: RobotFilePart) -> None:
    wheels = parts.wheels
    if document.is_filled(("wheels",)) or document.is_filled(("body",)):
        return
    if wheels.base > parts.body.width + max(wheels.diameter_left, wheels.diameter_right):
        document.report(
            ("wheels", "base"), expected=f"a wheel base that fits the body's width of {parts.body.width:g} mm"
        )
    larger, smaller = sorted((wheels.diameter_left, wheels.diameter_right), reverse=True)
    if larger > 1.2 * smaller:
        document.report(
            ("wheels", "diameter_right"), expected=f"a wheel within 20 % of the left one's {wheels.diameter_left:g} mm"
        )
    if parts.stop.by == "dead man" and not parts.stop.dead_man:
        document.report(("stop",), found="nothing", expected="the time after which the robot stops", member="dead_man")


def _check_settings(document: Document, parts: RobotFilePart) -> None:
    for name, part in parts.settings.items():
        lowest, highest = part.range
        if lowest >= highest:
            document.report(("settings", name, "range"), expected="the lower number first, as in [0, 100]")
