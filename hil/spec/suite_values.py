"""Suites as compiled: cases, steps, measurements and assertions as plain values, all references resolved.

Lengths mm, speeds mm/s, times s. Nothing here reads a file; `hil.spec.loading` builds these.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from enum import Enum
from pathlib import Path

from hil.judge.tolerance import Tolerance
from hil.judge.verdict import Rule
from hil.measure.method import Parameters
from hil.measure.model import CellPose, Course, Heading, PathElement
from hil.spec.bench_values import HandTurn, Jig, Lamps, LoadResistor, Spin, Stand, Taken


@dataclass(frozen=True, slots=True, kw_only=True)
class Board:
    """A board laid on the face of a cell's wall; a thickness of 0 takes it away."""

    cell: tuple[int, int]
    side: Heading
    thickness_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Tell:
    """An instruction to the operator, done when confirmed; with `board` it changes the course."""

    say: str
    board: Board | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Ask:
    """A question to the operator; the answer is kept as `name`, a number in `unit` ("": a plain number)."""

    question: str
    name: str
    unit: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """The operator puts the robot at the centre of a cell; `at_start`: the course's own start."""

    pose: CellPose
    at_start: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class ChangeSettings:
    """Settings of the firmware changed for the rest of the case: numbers in the firmware's units, or words."""

    values: Mapping[str, float | str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Do:
    """An action of the protocol; the values in the units of commands (mm, mm/s, s, rad, V), or words."""

    action: str
    values: Mapping[str, float | str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class OnlyWhile:
    """Drive only while the clearance predicted over `clearance_over_cells` blind cells is at least `at_least_mm`."""

    clearance_over_cells: int
    at_least_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class DriveStep:
    """A path driven `times` times, from wherever the robot then stands.

    `front` is "wall" or "counts"; `speed_mm_s` None: the robot file's. `path_text` is the path as written.
    """

    name: str
    path: tuple[PathElement, ...]
    path_text: str
    front: str
    times: int = 1
    speed_mm_s: float | None = None
    only_while: OnlyWhile | None = None


class Instrument(Enum):
    """What a person reads a value with, and its usual standard uncertainty (common practice, no source)."""

    RULER = "ruler"  # 0.5 mm
    SQUARE = "square"  # 0.4 deg
    STOPWATCH = "stopwatch"  # 0.1 s
    EYE = "eye"  # counted, exact
    CALLIPER = "calliper"  # 0.05 mm
    TWO_OFFSETS = "two offsets"  # an angle by the ruler, at two places a known distance apart
    CAMERA = "overhead camera"  # 1 mm, 0.3 deg
    DISPLAY = "display"  # what the robot shows, to its last digit
    METER = "meter"  # a multimeter with its stated accuracy


class Observed(Enum):
    """What a person can observe."""

    OFFSET = "offset"
    ANGLE = "angle"
    ALONG = "along"
    CLEARANCE_LEFT = "clearance left"
    CLEARANCE_RIGHT = "clearance right"
    CONTACTS = "contacts"
    LAP_TIME = "lap time"
    BOW = "bow"  # side and size of the bow of a path over a length, left positive
    LIGHT = "light"  # 1 on, 0 off
    DISPLAY = "display"  # a number read from the robot's display
    METER = "meter"  # a voltage, current or resistance read from a meter

    @property
    def unit(self) -> str:
        """The unit it is read in; a display's is the step's own."""
        return {"angle": "deg", "contacts": "", "lap time": "s", "light": "", "display": "", "meter": ""}.get(
            self.value, "mm"
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Observe:
    """A person's measurement, kept as `name`, in the unit of what is observed; `u` is its standard uncertainty.

    `prompt` "" leaves the question to whoever asks. `resolution` is the instrument's smallest step, in the same unit.
    `apart_mm` is the distance of the two places of an angle by two offsets, `over_mm` the length of a bow; `mark` says
    in words where the mark is that is measured from ("": the centre line or the cell's middle). `shown_in` is the unit
    of a display's or meter's number, `at` the channel that a meter is held to (`supply.battery`, `supply.motor`,
    `supply.current`), `share` the part of the reading in a meter's stated accuracy (a bound, beside `u`). `passage_mm`
    and `pitch_mm` are the course's free width and cell, by which a slip of the pen shows; 0 where the course is not
    known. A number below `lowest` ends the run, and is asked for twice.
    """

    what: Observed
    name: str
    prompt: str
    instrument: Instrument
    u: float
    resolution: float = 0.0
    apart_mm: float = 0.0
    over_mm: float = 0.0
    mark: str = ""
    shown_in: str = ""
    at: str = ""
    share: float = 0.0
    passage_mm: float = 0.0
    pitch_mm: float = 0.0
    lowest: float = -math.inf

    @property
    def unit(self) -> str:
        """The unit of its value."""
        return self.shown_in if self.what in (Observed.DISPLAY, Observed.METER) else self.what.unit


@dataclass(frozen=True, slots=True, kw_only=True)
class Condition:
    """A channel compared with a value in the channel's unit; `comparison` is one of <=, >=, <, >, =."""

    channel: str
    comparison: str
    value: float

    def holds(self, value: float) -> bool:
        """Tell whether a value of the channel meets the condition."""
        return {
            "<=": value <= self.value,
            ">=": value >= self.value,
            "<": value < self.value,
            ">": value > self.value,
            "=": value == self.value,
        }[self.comparison]


@dataclass(frozen=True, slots=True, kw_only=True)
class Wait:
    """A wait for an event or for a condition, one of which is given; an error after `timeout_s`."""

    event: str = ""
    condition: Condition | None = None
    timeout_s: float = 10.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Pause:
    """A pause of the robot's time; with a `name`, what comes meanwhile can be measured like a drive.

    `emitter` is the wall sensor whose emitter alone is fired meanwhile, `provocation` what the firmware is asked to do
    that may hold up its control loop.
    """

    duration_s: float
    name: str = ""
    takes: Taken = Taken.NOTHING
    emitter: str = ""
    provocation: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Load:
    """Another program is loaded into the robot: the one of that name, or one that can do that job."""

    program: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Untether:
    """The port is let go and the cable unplugged; `say` adds to what the person is told."""

    say: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Retether:
    """The cable is plugged in again and the port waited for, by what it is and not by its name."""

    say: str = ""
    timeout_s: float = 120.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Collect:
    """What the robot kept on board ("log") is taken over into the trace."""

    what: str = "log"
    timeout_s: float = 60.0


Step = (
    Tell | Ask | Place | ChangeSettings | Do | DriveStep | Observe | Wait | Pause | Load | Untether | Retether | Collect
    | Stand | Spin | HandTurn | Lamps | LoadResistor | Jig
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Repeat:
    """How often a case's sequence is gone through: the same number twice, or a least and a most.

    With `over_surfaces` it is gone through once for each surface of the run.
    """

    at_least: int = 1
    at_most: int = 1
    over_surfaces: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasureSpec:
    """A measurement: its method with parameters by telemetry, and the method with parameters of the operator route.

    Either may be "" (the measurement cannot be had by that route).
    """

    name: str
    method: str
    parameters: Parameters
    operator_method: str = ""
    operator_parameters: Parameters = field(default_factory=Parameters)


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """A tolerance and its reason."""

    tolerance: Tolerance
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class AssertionSpec:
    """A measurement held against the limit of the robot's class ("entry", "fast")."""

    measurement: str
    rule: Rule
    limits: Mapping[str, Limit]


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """A case. `needs` are names of cases of the same suite; all of them stand before it in the suite's order.

    `operator_sequence` and `operator_repeat` are those of the operator's route; the sequence is empty where the case
    has none of its own, and the person then reads where the robot's sequence asks for it.
    """

    name: str
    title: str
    needs: tuple[str, ...]
    program: str
    course: Course
    course_title: str
    course_file: Path
    setup: tuple[Step, ...]
    sequence: tuple[Step, ...]
    operator_sequence: tuple[Step, ...]
    repeat: Repeat
    operator_repeat: Repeat
    measures: tuple[MeasureSpec, ...]
    assertions: tuple[AssertionSpec, ...]
    keeps: str = ""  # what its run writes into the bench's records: "calibration", "supply", "encoders", "timing"
    surfaces: tuple[str, ...] = ()  # of its rounds, where it is repeated over surfaces

    def on_surfaces(self, names: tuple[str, ...]) -> Case:
        """Return the case with its rounds over these surfaces (the course's, where there are none), if it has such."""
        if not (self.repeat.over_surfaces or self.operator_repeat.over_surfaces):
            return self
        surfaces = names or (self.course.surface,)
        each = Repeat(at_least=len(surfaces), at_most=len(surfaces), over_surfaces=True)
        return replace(
            self,
            surfaces=surfaces,
            repeat=each if self.repeat.over_surfaces else self.repeat,
            operator_repeat=each if self.operator_repeat.over_surfaces else self.operator_repeat,
        )

    def steps(self, *, by_person: bool) -> tuple[Step, ...]:
        """Return one round of the sequence by a route; none where the person has no route."""
        if not by_person:
            return self.sequence
        return self.operator_sequence or (self.sequence if self.has_person_route else ())

    def rounds(self, *, by_person: bool) -> Repeat:
        """Return how often the sequence of a route is gone through."""
        return self.operator_repeat if by_person and self.operator_sequence else self.repeat

    @property
    def has_person_route(self) -> bool:
        """Whether a person's readings alone can carry it: by a sequence of its own, or where its steps ask for some."""
        return bool(self.operator_sequence) or any(isinstance(step, Observe | Ask) for step in self.sequence)

    def asserted(self, *, by_person: bool) -> tuple[AssertionSpec, ...]:
        """Return the assertions that a route can measure."""
        missing = self.unmeasured(by_person=by_person)
        return tuple(assertion for assertion in self.assertions if assertion.measurement not in missing)

    def unmeasured(self, *, by_person: bool) -> tuple[str, ...]:
        """Return the measurements asserted on that a route has no method for, in the order of the assertions."""
        methods = {one.name: one.operator_method if by_person else one.method for one in self.measures}
        return tuple(dict.fromkeys(one.measurement for one in self.assertions if not methods.get(one.measurement)))


@dataclass(frozen=True, slots=True, kw_only=True)
class Suite:
    """A suite; `cases` in an order in which every case comes after those it needs."""

    name: str
    title: str
    why: str
    cautions: tuple[str, ...]
    cases: tuple[Case, ...]
    surfaces: tuple[str, ...] = ()  # those its cases are repeated over where the run names none
    file: Path
    digest: str  # sha-256 of the file

    def on_surfaces(self, names: tuple[str, ...]) -> Suite:
        """Return the suite with its rounds over these surfaces in the place of its own."""
        return replace(self, surfaces=names, cases=tuple(case.on_surfaces(names) for case in self.cases))

    @property
    def is_over_surfaces(self) -> bool:
        """Whether any of its cases is repeated over surfaces."""
        return any(case.surfaces for case in self.cases)

    def case(self, name: str) -> Case | None:
        """Return the case of that name, or None."""
        return next((case for case in self.cases if case.name == name), None)
