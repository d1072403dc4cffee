"""The steps of a bench compiled: wheels free on a stand, boards in a jig, lamps; and where the robot is for each.

Wheels are turned on a stand and nowhere else: at a duty a robot on the floor drives into whatever is before it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from hil.measure.model import Course
from hil.spec.bench_parts import HandTurnPart, JigPart, SpinPart, StandPart
from hil.spec.bench_values import HandTurn, Jig, Lamps, LoadResistor, Spin, Stand, Taken
from hil.spec.checking import Document, Key
from hil.spec.suite_values import DriveStep, Place, Step
from hil.vocabulary import CHANNELS

Located = tuple[Key, Step | None]

EACH = "each"  # the surface of the round
FEWEST_DISTANCES = 5  # a curve of three numbers needs two more to be judged by (common practice, no source)
WALL_SENSORS = tuple(name for name in CHANNELS if name.startswith("wall.") and not name.endswith(".dark"))


def compile_stand(document: Document, at: Key, part: StandPart, course: Course | None) -> Step:
    """Return the step that puts the robot on its stand."""
    return Stand()


def compile_spin(document: Document, at: Key, part: SpinPart, course: Course | None) -> Step:
    """Return the free wheels turned by their motors; both at rest, or all of it settling, is reported."""
    if part.left == 0 and part.right == 0:
        document.report(at, found="both wheels at 0 %", expected="a duty for one wheel at least")
    if part.settle >= part.duration:
        document.report((*at, "settle"), expected=f"less than the {part.duration:g} s that it turns")
    return Spin(
        left=part.left,
        right=part.right,
        duration_s=part.duration,
        name=part.name,
        settle_s=part.settle,
        takes=Taken(part.takes or ""),
        provocation=part.provocation or "",
    )


def compile_hand_turn(document: Document, at: Key, part: HandTurnPart, course: Course | None) -> Step:
    """Return one wheel turned by hand."""
    return HandTurn(wheel=part.wheel, turns=float(part.turns), name=part.name)


def compile_load_resistor(document: Document, at: Key, part: float, course: Course | None) -> Step:
    """Return the resistor clipped across the battery or taken off."""
    return LoadResistor(ohm=None if math.isinf(part) else part)


def compile_lamps(document: Document, at: Key, part: str, course: Course | None) -> Step:
    """Return the lamps switched."""
    return Lamps(are_on=part == "on")


def compile_jig(document: Document, at: Key, part: JigPart, course: Course | None) -> Step:
    """Return a board read at distances; unknown sensors, and a distance or sensor that stands twice, are reported."""
    for index, sensor in enumerate(part.sensors):
        check_sensor(document, (*at, "sensors", index), sensor)
    _report_twice(document, (*at, "sensors"), part.sensors, "each sensor once")
    _report_twice(document, (*at, "distances"), part.distances, "each distance once")
    surface = "" if part.surface in (None, EACH) else part.surface
    return Jig(
        sensors=tuple(dict.fromkeys(part.sensors)),
        distances_mm=tuple(dict.fromkeys(part.distances)),
        name=part.name,
        surface=surface or "",
        angle_rad=part.angle,
        duration_s=part.duration,
    )


def check_sensor(document: Document, at: Key, channel: str) -> None:
    """Report what is no wall sensor."""
    if channel not in WALL_SENSORS:
        where = at if document.node(at) is not None else at[:-1]
        document.report_name(where, "a wall sensor", channel, WALL_SENSORS)


def _report_twice(document: Document, at: Key, values: Sequence[object], expected: str) -> None:
    for index, value in enumerate(values):
        if value in values[:index]:
            document.report((*at, index), expected=f"{expected}; it stands before", found=_said(document, at, index))


def _said(document: Document, at: Key, index: int) -> str:
    node = document.node((*at, index))
    return node.described() if node is not None else "the same twice"


def check_calibration(document: Document, steps: Sequence[Located]) -> None:
    """Report the jigs of a case that keeps calibrations which have too few distances to tell a curve.

    One distance is enough to carry the curves of other surfaces over to this one.

    Boards that are turned tell of angles and not of the curve, and may stand at fewer places.
    """
    has_jig = False
    for at, step in steps:
        if isinstance(step, Jig) and step.angle_rad == 0:
            has_jig = True
            boards = sum(math.isfinite(one) for one in step.distances_mm)
            if boards != 1 and boards < FEWEST_DISTANCES and not document.is_broken((*at, "jig")):
                document.report(
                    (*at, "jig", "distances"),
                    found=f"{boards} distances of a board",
                    expected=f"{FEWEST_DISTANCES} distances at least, or one to carry a curve over, since the case "
                    "keeps a calibration",
                )
        has_jig = has_jig or step is None
    if steps and not has_jig:
        at, _ = steps[0]
        document.report((*at[:2], "keeps"), expected="a step 'jig' in a case that keeps a calibration", key=True)


def check_surfaces(document: Document, steps: Sequence[Located], known: Sequence[str], *, is_over: bool) -> None:
    """Report jigs whose surface is none of `known` (empty: any), or that of a round where no round has one."""
    for at, step in steps:
        if not isinstance(step, Jig):
            continue
        if not step.surface and not is_over:
            node = document.node((*at, "jig", "surface"))
            expected = "the name of a surface, since the case is not repeated over surfaces"
            if node is None:
                document.report((*at, "jig"), found="nothing", expected=expected, member="surface")
            else:
                document.report((*at, "jig", "surface"), expected=expected)
        elif step.surface and known and step.surface not in known:
            document.report_name((*at, "jig", "surface"), "a surface of this suite", step.surface, (*known, EACH))


def follow_stand(document: Document, setup: Sequence[Located], sequence: Sequence[Located], rounds: int) -> None:
    """Report wheels that are turned while the robot is on no stand, and drives while it is on one, each once."""
    place: str | None = ""  # where the robot is: "", "stand", "jig", "course"; None: nobody knows
    reported: set[Key] = set()
    for at, step in [*setup, *list(sequence) * min(rounds, 2)]:
        if isinstance(step, Spin | HandTurn) and place not in ("stand", None) and at not in reported:
            kind = "spin" if isinstance(step, Spin) else "hand_turn"
            reported.add(at)
            document.report(
                (*at, kind), found=f"a step {kind} with the robot on no stand", expected="a step 'stand' before it"
            )
        if isinstance(step, DriveStep) and place in ("stand", "jig") and at not in reported:
            reported.add(at)
            document.report(
                (*at, "drive"), found=f"a drive after a step '{place}'", expected="a step 'place' before it"
            )
        place = _place_after(document, at, step, place)


def _place_after(document: Document, at: Key, step: Step | None, place: str | None) -> str | None:
    if step is None:
        node = document.node(at)
        return None if node is None or {"stand", "place", "jig"} & set(node.entries) else place
    if isinstance(step, Stand):
        return "stand"
    if isinstance(step, Jig):
        return "jig"
    return "course" if isinstance(step, Place) else place
