"""Suite files: the models of suite, case, steps, measurements and assertions; `hil.spec.suite_compile` goes on."""

from __future__ import annotations

import re
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, ConfigDict, Field, WithJsonSchema

from hil.spec.bench_parts import HandTurnPart, JigPart, Resistor, SpinPart, StandPart, Takes
from hil.spec.checking import Expectation, FilePart, wrong
from hil.spec.texts import Cell, InUnit, Name, OrPlain, Reference, Surface, Text, written

MOST_REPEATS = 200  # rounds of a case, or of a drive: at half a minute each, more than a morning
MOST_STEPS = 200  # steps of a sequence

Seconds = Annotated[float, InUnit("s", "10 s", above=0)]
Speed = Annotated[float, InUnit("mm/s", "0.3 m/s", above=0)]
Clearance = Annotated[float, InUnit("mm", "10 mm", least=0)]
Thickness = Annotated[float, InUnit("mm", "5 mm", least=0)]
Distance = Annotated[float, InUnit("mm", "100 mm", above=0)]
Side = Literal["north", "east", "south", "west"]


def _cells(value: Any) -> Any:
    match = re.fullmatch(r"(\d{1,2})(?: cells?)?", str(written(value)))
    if match is None or int(match[1]) == 0:
        raise wrong("a number of cells such as '2 cells'")
    return int(match[1])


def _value(value: Any) -> Any:
    if isinstance(value, bool) or not isinstance(value, int | float | str):
        raise wrong("a number, a quantity or a word")
    return value


def _repeat(value: Any) -> Any:
    if isinstance(value, int) and not isinstance(value, bool):
        return {"at_least": value, "at_most": value}
    if isinstance(value, dict):
        return value
    raise wrong("a number, {at_least: 5, at_most: 20}, or {over: surfaces}")


def _tell(value: Any) -> Any:
    return value if isinstance(value, dict) else {"say": value}


def _pause(value: Any) -> Any:
    return value if isinstance(value, dict) else {"for": value}


def _untether(value: Any) -> Any:
    return value if isinstance(value, dict) else {"say": value}


def _collect(value: Any) -> Any:
    return value if isinstance(value, dict) else {"what": value}


def _name_list(value: Any) -> Any:
    return [value] if isinstance(value, str) else value


Cells = Annotated[
    int, BeforeValidator(_cells), Expectation("a number of cells"), WithJsonSchema({"type": ["integer", "string"]})
]
Value = Annotated[Any, BeforeValidator(_value), WithJsonSchema({"type": ["number", "string"]})]
Names = Annotated[list[Name], OrPlain("string", _name_list)]
Count = Annotated[int, Field(ge=1, le=MOST_REPEATS)]


class BoardPart(FilePart):
    """A board laid on the face of a cell's wall; 0 mm takes it away."""

    cell: Cell
    side: Side
    thickness: Thickness


class TellPart(FilePart):
    """An instruction to the operator."""

    say: Text
    board: BoardPart | None = None


class AskPart(FilePart):
    """A question whose answer is a number."""

    question: Text
    name: Annotated[Name, Field(alias="as")]
    unit: Text = ""


class PlacePart(FilePart):
    """Where the operator puts the robot: at the course's start, or in a cell with a heading."""

    at: Literal["start"] | None = None
    cell: Cell | None = None
    heading: Side | None = None


class DoPart(FilePart):
    """An action of the protocol, with its values."""

    action: str
    values: Annotated[dict[str, Value], Field(default_factory=dict)]


class OnlyWhilePart(FilePart):
    """The clearance predicted over so many cells must be at least this."""

    clearance_over: Cells
    at_least: Clearance


class DrivePart(FilePart):
    """A path driven."""

    path: Text
    front: Literal["wall", "counts"] = "counts"
    name: Annotated[Name, Field(alias="as")]
    times: Count = 1
    speed: Speed | None = None
    only_while: OnlyWhilePart | None = None


class ObservePart(FilePart):
    """What a person reads, with which instrument; without a prompt, the usual question for it is asked.

    `resolution` is the smallest step that the instrument tells apart. `apart` is the distance of the two places of
    an angle by two offsets, `over` the length over which a bow is read, `mark` where the mark is, `unit` that of a
    display or meter, `at` the channel that a meter is held to, `accuracy` what its maker states.
    """

    what: Literal[
        "offset",
        "angle",
        "along",
        "clearance left",
        "clearance right",
        "contacts",
        "lap time",
        "bow",
        "light",
        "display",
        "meter",
    ]
    name: Annotated[Name, Field(alias="as")]
    prompt: Text | None = None
    instrument: (
        Literal[
            "ruler", "square", "stopwatch", "eye", "calliper", "two offsets", "overhead camera", "display", "meter"
        ]
        | None
    ) = None  # fmt: skip
    u: Text | None = None
    resolution: Text | None = None
    apart: Distance | None = None
    over: Distance | None = None
    mark: Text | None = None
    unit: Text | None = None
    at: Text | None = None
    accuracy: Text | None = None


class WaitPart(FilePart):
    """A wait for an event, or until a channel meets a condition."""

    event: Annotated[str | None, Field(alias="for")] = None
    until: Text | None = None
    timeout: Seconds


class PausePart(FilePart):
    """A pause of the robot's time; with a name, what comes meanwhile can be measured like a drive.

    `take` is what is taken down meanwhile, `emitter` the sensor whose light alone is fired, `provoke` what the firmware
    is to do that may hold up its control loop.
    """

    duration: Annotated[Seconds, Field(alias="for")]
    name: Annotated[Name | None, Field(alias="as")] = None
    takes: Annotated[Takes | None, Field(alias="take")] = None
    emitter: Text | None = None
    provocation: Annotated[Text | None, Field(alias="provoke")] = None


class UntetherPart(FilePart):
    """The cable unplugged; `say` adds to what the person is told."""

    say: Text = ""


class RetetherPart(FilePart):
    """The cable plugged in again, and the port waited for."""

    say: Text = ""
    timeout: Seconds = 120.0


class CollectPart(FilePart):
    """What the robot kept on board, taken over."""

    what: Literal["log", "map"] = "log"
    timeout: Seconds = 60.0


class StepPart(FilePart):
    """One step: a mapping with one key, the kind of step."""

    model_config = ConfigDict(
        extra="forbid", strict=True, frozen=True, json_schema_extra={"minProperties": 1, "maxProperties": 1}
    )

    tell: Annotated[TellPart, OrPlain("string", _tell)] | None = None
    ask: AskPart | None = None
    place: PlacePart | None = None
    settings: Annotated[dict[Name, Value] | None, Field(alias="set")] = None
    do: DoPart | None = None
    drive: DrivePart | None = None
    observe: ObservePart | None = None
    wait: WaitPart | None = None
    pause: Annotated[PausePart, OrPlain("string", _pause)] | None = None
    load: Name | None = None
    untether: Annotated[UntetherPart, OrPlain("string", _untether)] | None = None
    retether: Annotated[RetetherPart, OrPlain("string", _untether)] | None = None
    collect: Annotated[CollectPart, OrPlain("string", _collect)] | None = None
    stand: StandPart | None = None
    spin: SpinPart | None = None
    hand_turn: HandTurnPart | None = None
    lamps: Literal["on", "off"] | None = None
    load_resistor: Resistor | None = None
    jig: JigPart | None = None


class MeasurePart(FilePart):
    """A measurement: its method, what it is of, and the method's own parameters under their own names."""

    model_config = ConfigDict(extra="allow", strict=True, frozen=True)

    method: Text | None = None
    of: Annotated[Names, Field(default_factory=list)]
    operator_method: Text | None = None
    operator_of: Annotated[Names, Field(default_factory=list)]


class LimitPart(FilePart):
    """A tolerance and its reason."""

    tolerance: Text
    why: Text


class AssertPart(FilePart):
    """A measurement held against a tolerance, one for both classes or one for each."""

    measurement: Text
    rule: Literal["simple", "guarded"] = "simple"
    tolerance: Text | None = None
    why: Text | None = None
    entry: LimitPart | None = None
    fast: LimitPart | None = None


class RepeatPart(FilePart):
    """How often a sequence is gone through: from a least to a most, or once over every surface of the run."""

    at_least: Count | None = None
    at_most: Count | None = None
    over: Literal["surfaces"] | None = None


Steps = Annotated[list[StepPart], Field(default_factory=list, max_length=MOST_STEPS)]


class CasePart(FilePart):
    """A case."""

    title: Text
    needs: Annotated[Names, Field(default_factory=list)]
    program: Name = "driving"
    course: Reference | None = None
    setup: Steps
    sequence: Annotated[list[StepPart], Field(max_length=MOST_STEPS)]
    operator_sequence: Steps
    repeat: Annotated[RepeatPart, OrPlain("integer", _repeat)] = RepeatPart(at_least=1, at_most=1)
    operator_repeat: Annotated[RepeatPart, OrPlain("integer", _repeat)] | None = None
    measure: dict[Name, MeasurePart]
    assertions: Annotated[list[AssertPart], Field(alias="assert")]
    keeps: Literal["calibration", "supply", "encoders", "timing"] | None = None


class SuiteFile(FilePart):
    """A suite file."""

    suite: Name
    title: Text
    why: Text
    course: Reference | None = None
    cautions: Annotated[list[Text], Field(default_factory=list)]
    surfaces: Annotated[list[Surface], Field(default_factory=list)]
    cases: dict[Name, CasePart]
