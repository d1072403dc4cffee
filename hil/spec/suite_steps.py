"""The steps of a suite compiled to plain values, one function a kind of step.

Each reports what is wrong to the document and returns None for a step that cannot be used.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

from hil.measure.model import CellPose, Course, Heading
from hil.quantities import QuantityError, parse_quantity, quantity_in
from hil.spec.arguments import ARGUMENTS, inner_value
from hil.spec.bench_steps import (
    check_sensor,
    compile_hand_turn,
    compile_jig,
    compile_lamps,
    compile_load_resistor,
    compile_spin,
    compile_stand,
)
from hil.spec.bench_values import Taken
from hil.spec.checking import Document, Key
from hil.spec.observing import compile_observe, unit_is_known
from hil.spec.paths import PathError, parse_path
from hil.spec.suite_file import (
    AskPart,
    CollectPart,
    DoPart,
    DrivePart,
    PausePart,
    PlacePart,
    RetetherPart,
    StepPart,
    TellPart,
    UntetherPart,
    WaitPart,
)
from hil.spec.suite_values import (
    Ask,
    Board,
    ChangeSettings,
    Collect,
    Condition,
    Do,
    DriveStep,
    Load,
    OnlyWhile,
    Pause,
    Place,
    Retether,
    Step,
    Tell,
    Untether,
    Wait,
)
from hil.spec.wording import one_of
from hil.vocabulary import ACTIONS, CHANNELS, EVENTS

KINDS = (
    "tell", "ask", "place", "set", "do", "drive", "observe", "wait", "pause", "load", "untether", "retether", "collect",
    "stand", "spin", "hand_turn", "lamps", "load_resistor", "jig",
)  # fmt: skip
_CONDITION = re.compile(r"(?P<channel>[a-z.]+)\s*(?P<comparison><=|>=|<|>|=)\s*(?P<value>.+)")


def compile_step(document: Document, at: Key, part: StepPart, course: Course | None) -> Step | None:
    """Return one step; the course is None where it could not be read, and what depends on it is then not checked."""
    given = [kind for kind in KINDS if getattr(part, "settings" if kind == "set" else kind) is not None]
    node = document.node(at)
    if len(given) != 1:
        # A step whose only key was wrong has been reported as that.
        if given or node is None or not node.entries:
            found = f"the kinds {' and '.join(given)} in one step" if given else ""
            document.report(at, found=found, expected=f"one of {one_of(KINDS)}")
        return None
    kind = given[0]
    below = (*at, kind)
    if kind == "set":
        assert part.settings is not None  # noqa: S101  (it was found among the given)
        return ChangeSettings(values={name: _setting(value) for name, value in part.settings.items()})
    if kind == "load":
        assert part.load is not None  # noqa: S101
        return Load(program=part.load)
    compilers: dict[str, Callable[[Document, Key, Any, Course | None], Step | None]] = {
        "tell": _tell,
        "ask": _ask,
        "place": _place,
        "do": _do,
        "drive": _drive,
        "observe": compile_observe,
        "wait": _wait,
        "pause": _pause,
        "untether": _untether,
        "retether": _retether,
        "collect": _collect,
        "stand": compile_stand,
        "spin": compile_spin,
        "hand_turn": compile_hand_turn,
        "lamps": compile_lamps,
        "load_resistor": compile_load_resistor,
        "jig": compile_jig,
    }
    return compilers[kind](document, below, getattr(part, kind), course)


def _setting(value: Any) -> float | str:
    return value if isinstance(value, str) else float(value)


def _tell(document: Document, at: Key, part: TellPart, course: Course | None) -> Step:
    if part.board is None:
        return Tell(say=part.say)
    side = Heading[part.board.side.upper()]
    x, y = part.board.cell
    if course is not None and not inside(course, x, y):
        document.report((*at, "board", "cell"), expected=cells_of(course))
    elif course is not None and not course.has_wall(x, y, side):
        expected = f"a side of the cell [{x}, {y}] with a wall to lay a board on"
        document.report((*at, "board", "side"), expected=expected)
    return Tell(say=part.say, board=Board(cell=part.board.cell, side=side, thickness_mm=part.board.thickness))


def inside(course: Course, x: int, y: int) -> bool:
    """Tell whether a cell is one of the course's."""
    return 0 <= x < course.columns and 0 <= y < course.rows


def cells_of(course: Course) -> str:
    """Return the words for the cells that a course has."""
    return f"a cell of the course {course.name}, [0, 0] to [{course.columns - 1}, {course.rows - 1}]"


def _ask(document: Document, at: Key, part: AskPart, course: Course | None) -> Step:
    if part.unit and not unit_is_known(part.unit):
        document.report((*at, "unit"), expected="a unit such as 'mm'")
    return Ask(question=part.question, name=part.name, unit=part.unit)


def _place(document: Document, at: Key, part: PlacePart, course: Course | None) -> Step | None:
    if document.is_broken(at):
        return None
    if (part.at is None) == (part.cell is None and part.heading is None):
        document.report(at, expected="either {at: start} or {cell: [0, 0], heading: north}")
        return None
    if part.at is not None:
        return None if course is None else Place(pose=course.start, at_start=True)
    if part.cell is None or part.heading is None:
        member = "cell" if part.cell is None else "heading"
        expected = "a cell such as [0, 3]" if part.cell is None else "north, east, south or west"
        document.report(at, found="nothing", expected=expected, member=member)
        return None
    if course is not None and not inside(course, *part.cell):
        document.report((*at, "cell"), expected=cells_of(course))
        return None
    return Place(pose=CellPose(x=part.cell[0], y=part.cell[1], heading=Heading[part.heading.upper()]), at_start=False)


def _do(document: Document, at: Key, part: DoPart, course: Course | None) -> Step | None:
    if part.action not in ACTIONS:
        document.report_name((*at, "action"), "an action", part.action, ACTIONS)
        return None
    if part.action == "drive":
        document.report((*at, "action"), expected="a step drive, which knows where the robot then stands")
        return None
    needed, optional = ARGUMENTS.get(part.action, ((), ()))
    for name in part.values:
        if name not in (*needed, *optional):
            known = (*needed, *optional)
            document.report_name((*at, "values", name), f"a value of {part.action}", name, known, key=True)
    for name in needed:
        if name not in part.values:
            document.report(
                at, found="nothing", expected=f"the value '{name}' of {part.action}", member=f"values.{name}"
            )
    values = {name: _argument(document, (*at, "values", name), value) for name, value in part.values.items()}
    return Do(action=part.action, values=values)


def _argument(document: Document, at: Key, value: Any) -> float | str:
    if not isinstance(value, str):
        return float(value)
    try:
        quantity = parse_quantity(value)
    except QuantityError:
        return value
    try:
        return inner_value(quantity.value, quantity.unit)
    except QuantityError:
        document.report(at, expected="a quantity such as '20 ms', or a word")
        return value


def _drive(document: Document, at: Key, part: DrivePart, course: Course | None) -> Step | None:
    try:
        path = parse_path(part.path)
    except PathError as error:
        document.report((*at, "path"), found=error.found, expected=error.expected, near_miss=error.near_miss)
        return None
    limit = None
    if part.only_while is not None:
        limit = OnlyWhile(clearance_over_cells=part.only_while.clearance_over, at_least_mm=part.only_while.at_least)
    return DriveStep(
        name=part.name,
        path=path,
        path_text=part.path,
        front=part.front,
        times=part.times,
        speed_mm_s=part.speed,
        only_while=limit,
    )


def _pause(document: Document, at: Key, part: PausePart, course: Course | None) -> Step:
    if part.emitter is not None:
        check_sensor(document, (*at, "emitter"), part.emitter)
    for key, value in (("take", part.takes), ("emitter", part.emitter), ("provoke", part.provocation)):
        if value is not None and part.name is None and not document.has(at, "as"):
            document.report(
                (*at, key), found=f"'{key}' without 'as'", expected="a name, by which it is measured", key=True
            )
    return Pause(
        duration_s=part.duration,
        name=part.name or "",
        takes=Taken(part.takes or ""),
        emitter=part.emitter or "",
        provocation=part.provocation or "",
    )


def _untether(document: Document, at: Key, part: UntetherPart, course: Course | None) -> Step:
    return Untether(say=part.say)


def _retether(document: Document, at: Key, part: RetetherPart, course: Course | None) -> Step:
    return Retether(say=part.say, timeout_s=part.timeout)


def _collect(document: Document, at: Key, part: CollectPart, course: Course | None) -> Step:
    return Collect(what=part.what, timeout_s=part.timeout)


def _wait(document: Document, at: Key, part: WaitPart, course: Course | None) -> Step | None:
    if document.is_broken(at):
        return None
    if (part.event is None) == (part.until is None):
        document.report(at, expected="either 'for' an event or 'until' a condition")
        return None
    if part.event is not None:
        if part.event not in EVENTS:
            document.report_name((*at, "for"), "an event", part.event, EVENTS)
        return Wait(event=part.event, timeout_s=part.timeout)
    condition = _condition(document, (*at, "until"), part.until or "")
    return None if condition is None else Wait(condition=condition, timeout_s=part.timeout)


def _condition(document: Document, at: Key, text: str) -> Condition | None:
    match = _CONDITION.fullmatch(text)
    if match is None:
        document.report(at, expected="a condition such as 'supply.battery >= 7 V'")
        return None
    channel = CHANNELS.get(match["channel"])
    if channel is None:
        document.report_name(at, "a channel", match["channel"], CHANNELS)
        return None
    try:
        value = quantity_in(match["value"], channel.unit)
    except QuantityError as error:
        document.report(at, expected=f"a value in {channel.unit or 'plain numbers'} ({error})")
        return None
    return Condition(channel=channel.name, comparison=match["comparison"], value=value)
