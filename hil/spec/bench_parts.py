"""The models of steps of a bench, where the robot stands still: stand, spin, hand_turn, lamps, jig."""

from __future__ import annotations

import math
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, WithJsonSchema

from hil.quantities import QuantityError, quantity_in
from hil.spec.checking import Expectation, FilePart, wrong
from hil.spec.texts import InUnit, Name, OrPlain, Surface, Text, written

LEAST_OHM, MOST_OHM = 1.0, 1000.0  # of a load resistor: less is a short, more draws nothing worth reading
MOST_DISTANCES = 40  # of one jig step: nobody sets a board more often in one go
FARTHEST_MM = 2000.0  # of a board before a sensor

LONGEST_S = 60.0  # of free wheels that turn, and of a board that is read: motors and people tire (common practice)

Seconds = Annotated[float, InUnit("s", "3 s", above=0, most=LONGEST_S)]
Settling = Annotated[float, InUnit("s", "0.5 s", least=0)]
MOST_TURNED = "60 deg"  # of a board: beyond it faces the sensor no more

NONE = "none"


def _duty(value: Any) -> Any:
    try:
        share = quantity_in(str(written(value)), "")
    except QuantityError:
        raise wrong("a duty such as '30 %'") from None
    if not -1 <= share <= 1:
        raise wrong("a duty from -100 % to 100 %")
    return share


def _angle(value: Any) -> Any:
    try:
        angle = quantity_in(str(written(value)), "rad")
    except QuantityError:
        angle = math.inf
    if abs(angle) > quantity_in(MOST_TURNED, "rad"):
        raise wrong(f"an angle such as '5 deg', up to {MOST_TURNED} either way")
    return angle


def _distance(value: Any) -> Any:
    text = written(value)
    if text == NONE:
        return float("inf")
    try:
        number = quantity_in(str(text), "mm")
    except QuantityError:
        number = -1.0
    if not 0 < number <= FARTHEST_MM:
        raise wrong("a distance such as '49 mm' (up to 2 m), or none for the board taken away")
    return number


def _sensors(value: Any) -> Any:
    return [value] if isinstance(value, str) else value


Duty = Annotated[
    float,
    BeforeValidator(_duty),
    Expectation("a duty such as '30 %'", "30 %"),
    WithJsonSchema({"type": ["string", "number"], "examples": ["30 %"]}),
]

Angle = Annotated[
    float,
    BeforeValidator(_angle),
    Expectation("an angle such as '5 deg'", "5 deg"),
    WithJsonSchema({"type": ["string", "number"], "examples": ["5 deg"]}),
]

BoardDistance = Annotated[
    float,
    BeforeValidator(_distance),
    Expectation("a distance such as '49 mm'", "49 mm"),
    WithJsonSchema({"type": ["string"], "examples": ["49 mm", NONE]}),
]
Takes = Literal["edges", "ticks", "levels"]


def _resistor(value: Any) -> Any:
    text = written(value)
    if text == NONE:
        return float("inf")
    try:
        ohm = quantity_in(str(text), "ohm")
    except QuantityError:
        ohm = -1.0
    if not LEAST_OHM <= ohm <= MOST_OHM:
        raise wrong(f"a resistor of {LEAST_OHM:g} to {MOST_OHM:g} ohm such as '10 ohm', or none")
    return ohm


Resistor = Annotated[
    float,
    BeforeValidator(_resistor),
    Expectation("a resistor such as '10 ohm', or none", "10 ohm"),
    WithJsonSchema({"type": "string", "examples": ["10 ohm", "none"]}),
]


class StandPart(FilePart):
    """The robot on its stand, wheels free."""


class SpinPart(FilePart):
    """The free wheels turned by their motors at duties; what comes after `settle` can be measured like a drive."""

    left: Duty
    right: Duty
    duration: Annotated[Seconds, Field(alias="for")]
    name: Annotated[Name, Field(alias="as")]
    settle: Settling = 0.5
    takes: Annotated[Takes | None, Field(alias="take")] = None
    provocation: Annotated[Text | None, Field(alias="provoke")] = None


class HandTurnPart(FilePart):
    """A wheel turned by hand, forward."""

    wheel: Literal["left", "right"]
    turns: Annotated[float, Field(gt=0, le=200)]
    name: Annotated[Name, Field(alias="as")]


class JigPart(FilePart):
    """A board of a surface before sensors at known distances; `surface: each` is the surface of the round."""

    sensors: Annotated[list[Name], OrPlain("string", _sensors), Field(min_length=1)]
    distances: Annotated[list[BoardDistance], Field(min_length=1, max_length=MOST_DISTANCES)]
    name: Annotated[Name, Field(alias="as")]
    surface: Surface | None = None
    angle: Angle = 0.0
    duration: Annotated[Seconds, Field(alias="for")] = 0.5
