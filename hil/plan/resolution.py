"""What uncertainty a measurement can be expected to reach on a robot, and whether that can decide its tolerance.

A prediction from the robot file, the course and the number of repeats, made before anything is driven; the measurement
states its own uncertainty afterwards. Kept apart are what repeats average (noise of samples, rolling) and what they
do not (the size of a count, the place of a panel, a sensor's calibration). Sources: variance of a parabola's curvature
as published for particle tracks (Gluckstern 1963); straight fits by least squares; one count on one wheel turns the
robot by its length over the wheel base; sensors, wall ends and instruments by common practice. A tolerance can be
decided where the 95 % interval U is at most half of the smaller distance from the nominal value to a limit, which is
the rule of `hil.judge`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from enum import Enum

from hil.judge.tolerance import Tolerance
from hil.measure.course_walls import PANEL_GAP_MM, PANEL_PLACEMENT_MM
from hil.measure.edges import EDGE_BIAS_MM, WIDEST_SPACING_MM
from hil.measure.legs import WALK_ROOT_MM
from hil.measure.method import needs_of
from hil.measure.methods import METHODS
from hil.measure.model import Robot
from hil.plan.design import Design
from hil.spec.suite_values import MeasureSpec

SAMPLE_SD_MM = 1.0  # a calibrated side sensor, one sample: 0.5 to 1.5 mm (common practice, no source)
CALIBRATION_MM = 0.3  # where there is no record yet: a jig's blocks of 0.2 mm and the fit (common practice, no source)
EDGE_SD_MM = 2.0  # one wall end: 1.5 to 3 mm (common practice, no source)
EDGE_FALL_MM = 20.0  # over which a reading falls at a wall's end, a sensor 50 mm away (common practice, no source)
BOARD_MM = 0.3  # a board's thickness and how flat it lies (common practice, no source)
BOARD_SPAN_MM = 10.0  # between no board and the thickest
HAND_ANGLE_RAD = math.radians(0.5)  # a robot placed by hand (common practice, no source)
FEWEST_FOR_A_SPREAD = 10
EDGE_JITTER = 0.05  # of half a cycle: what a good encoder keeps below (common practice, no source)
FEWEST_CYCLES = 100  # of an encoder in a spin or a turn by hand; most have many more

Parts = dict[str, float]  # what contributes, with its standard uncertainty in the unit of the measurement


class Ability(Enum):
    """Whether an assertion can be decided."""

    CAN = "can be decided"
    CANNOT = "cannot be decided"
    UNKNOWN = "not predicted"


@dataclass(frozen=True, slots=True, kw_only=True)
class Resolution:
    """A prediction for one assertion; `u` is None where none is made, `text` is the sentence shown."""

    measurement: str
    unit: str
    u: float | None
    parts: Mapping[str, float]
    ability: Ability
    text: str


def count_mm(robot: Robot) -> float:
    """Return the travel of one count of the coarser wheel."""
    return max(robot.mm_per_count_left, robot.mm_per_count_right)


def _count_turn_deg(robot: Robot) -> float:
    """Return the standard uncertainty of a counted turn.

    One count on one wheel is q/b of heading; begin and end are rounded, each evenly over one count.
    A robot stops on the same counts every time, so repeats do not average it.
    """
    return math.degrees(count_mm(robot) / robot.wheel_base_mm) * math.sqrt(2 / 12)


def _samples(design: Design, length_mm: float) -> float:
    """Return how many reports tell of a straight: as many as its line carries while it is driven."""
    return max(2.0, length_mm / design.spacing_mm)


def _gap_mm(design: Design) -> float:
    """Return the standard uncertainty of a wall end that the gap between two reports leaves, as of `hil.measure.edges`.

    A fall that lies whole in the gap may lie anywhere in it; of one that lies in it by a share f, f^4 of that is left.
    """
    return min(1.0, design.spacing_mm / EDGE_FALL_MM) ** 4 * design.spacing_mm / math.sqrt(12)


def _calibration_mm(robot: Robot) -> float:
    known = [record.residual_mm for record in robot.calibrations.values()]
    return max(known) if known else CALIBRATION_MM


def _mismatch(design: Design) -> Parts:
    """Wheel mismatch in percent from the curve of the longest blind stretch."""
    length, base, legs = design.curve_mm, design.robot.wheel_base_mm, max(1, design.straights)
    sigma = SAMPLE_SD_MM / math.sqrt(2)
    fit = 26.8 * sigma / (length**2 * math.sqrt(_samples(design, length))) * base
    parts = {
        "counts": 100 * count_mm(design.robot) * math.sqrt(2 / 12) / length / math.sqrt(legs),
        "sensors": 100 * fit / math.sqrt(legs),
        "rolling": 100 * WALK_ROOT_MM * math.sqrt(2 * length) / length / math.sqrt(legs),
    }
    if not design.half_turns:
        parts["panels"] = 100 * base * _panel_curvature(design)
    return parts


def _panel_curvature(design: Design) -> float:
    """Return the standard deviation of a curvature [1/mm] from where the panels stand, one value a post.

    Driving out and back takes it from the robot's curve, whose side changes, and leaves it in the course's.
    """
    length = design.curve_mm
    n = max(3.0, length / design.pitch_mm + 1)
    sigma = PANEL_PLACEMENT_MM / math.sqrt(2)
    return math.sqrt(720 * sigma**2 * (n - 1) ** 3 / (length**4 * n * (n + 1) * (n**2 - 4)))


def _curvature(design: Design) -> Parts:
    base = design.robot.wheel_base_mm
    return {name: u / 100 / base * 1000 for name, u in _mismatch(design).items()}


def _bow(design: Design) -> Parts:
    return _curvature(design) | {"panels": 1000 * _panel_curvature(design)}


def _heading_fit(design: Design, count: int) -> Parts:
    """Heading in degrees from straight fits of the shortest leg; panels differ only from place to place."""
    length = design.shortest_mm
    sigma = SAMPLE_SD_MM / math.sqrt(2)
    posts = length / design.pitch_mm + 1
    noise = math.sqrt(12) * sigma / (length * math.sqrt(_samples(design, length)))
    panels = math.sqrt(12) * PANEL_PLACEMENT_MM / math.sqrt(2) / (length * math.sqrt(posts))
    places = max(1, design.places)
    return {
        "sensors": math.degrees(noise) / math.sqrt(max(1, count)),
        "panels": math.degrees(panels) / math.sqrt(places),
    }


def _start_heading(design: Design) -> Parts:
    return {"counts": _count_turn_deg(design.robot)} | _heading_fit(design, design.half_turns)


def _half_turn(design: Design) -> Parts:
    return {"counts": _count_turn_deg(design.robot)} | _twice(_heading_fit(design, design.half_turns))


def _quarter_turn(design: Design) -> Parts:
    return {"counts": _count_turn_deg(design.robot)} | _twice(_heading_fit(design, design.quarter_turns))


def _direction_difference(design: Design) -> Parts:
    """Left and right turns each have half of the repeats."""
    return {"counts": _count_turn_deg(design.robot)} | _twice(_twice(_heading_fit(design, design.quarter_turns // 2)))


def _twice(parts: Parts) -> Parts:
    """Return the parts of a difference of two independent readings."""
    return {name: u * math.sqrt(2) for name, u in parts.items()}


def _single_turn(design: Design) -> Parts:
    """One turn of many, for their spread: a panel stands the same in every repeat and leaves the spread alone."""
    noise = _twice(_heading_fit(design, 1))["sensors"]
    return {"counts": _count_turn_deg(design.robot), "sensors": noise}


def _offset(walls: int, factor: float) -> Callable[[Design], Parts]:
    """Offsets read by so many walls at once; `factor` for sums and differences of two of them."""

    def parts(design: Design) -> Parts:
        share = factor / math.sqrt(walls)
        n = _samples(design, design.shortest_mm) * max(1, design.straights)
        panels = PANEL_PLACEMENT_MM / math.sqrt(max(1.0, design.longest_mm / design.pitch_mm))
        return {
            "sensors": share * SAMPLE_SD_MM / math.sqrt(n),
            "calibration": share * _calibration_mm(design.robot),
            "panels": share * panels,
        }

    return parts


def _distance(design: Design) -> Parts:
    """Distances between wall ends of one kind; a kind's bias cancels."""
    return {
        "counts": count_mm(design.robot) / math.sqrt(12),
        "wall ends": EDGE_SD_MM * math.sqrt(2 / max(1, design.straights)),
        "gaps between reports": _gap_mm(design) * math.sqrt(2 / max(1, design.straights)),
        "panels": PANEL_GAP_MM * math.sqrt(2),
    }


def _place(design: Design) -> Parts:
    """Places told by single wall ends, with the bias of their kind halved by ends of both kinds."""
    return {
        "counts": count_mm(design.robot) / math.sqrt(12),
        "wall ends": math.hypot(EDGE_SD_MM / math.sqrt(max(1, design.drives)), EDGE_BIAS_MM / math.sqrt(2)),
        "gaps between reports": _gap_mm(design) / math.sqrt(max(1, design.drives)),
        "panels": PANEL_GAP_MM,
    }


def _slope(design: Design) -> Parts:
    """Return the slope over boards: two means differ by the boards' span, with a third of the drives for each."""
    each = max(1.0, design.drives / 3)
    counts = count_mm(design.robot) / math.sqrt(12)
    scatter = SAMPLE_SD_MM / math.sqrt(2 * _samples(design, design.shortest_mm))
    return {
        "counts": counts * math.sqrt(2 / each) / BOARD_SPAN_MM,
        "sensors": math.sqrt(2) * 2 * scatter / math.sqrt(each) / BOARD_SPAN_MM,
        "boards": BOARD_MM / BOARD_SPAN_MM,
    }


def _lap_time(design: Design) -> Parts:
    laps = math.sqrt(2 / max(1, design.drives))
    each = {"sampling": design.reporting.period_s / math.sqrt(12), "host's clock": design.reporting.host_u_s}
    return {name: 100 * math.sqrt(2) * u / design.lap_s * laps for name, u in each.items() if u}


def _cycle_share(full: float) -> Callable[[Design], Parts]:
    """Return a share of an encoder's cycle by edges that slip: s/(2 sqrt n), in a unit of which a cycle has `full`."""
    return lambda _: {"jitter of edges": full * EDGE_JITTER / (2 * math.sqrt(FEWEST_CYCLES))}


_PARTS: Mapping[str, Callable[[Design], Parts]] = {
    "straight.wheel_mismatch": _mismatch,
    "straight.curvature": _curvature,
    "straight.course_bow": _bow,
    "straight.start_heading": _start_heading,
    "straight.lateral_offset": _offset(2, 1.0),
    "straight.leg_distance": _distance,
    "turn.half_turn_error": _half_turn,
    "turn.half_turn_spread": _single_turn,
    "turn.half_turn_shift": _place,
    "turn.quarter_turn_error": _quarter_turn,
    "turn.quarter_turn_spread": _single_turn,
    "turn.direction_difference": _direction_difference,
    "tracking.offset_right_wall": _offset(1, 1.0),
    "tracking.offset_left_wall": _offset(1, 1.0),
    "tracking.offset_sum": _offset(1, math.sqrt(2)),
    "tracking.offset_difference": _offset(1, math.sqrt(2)),
    "tracking.width_residual": _offset(1, math.sqrt(2)),
    "tracking.exit_offset": _offset(1, 1.0),
    "tracking.first_edge_distance": _place,
    "tracking.lap_time_asymmetry": _lap_time,
    "front_wall.reset_slope": _slope,
    # Both are read after the quarter turn, between two walls, where the stop has become an offset.
    "front_wall.reset_intercept": _offset(2, 1.0),
    "front_wall.stop_position": _offset(2, 1.0),
    "encoder.duty": _cycle_share(100.0),
    "encoder.phase": _cycle_share(360.0),
    "encoder.state_width": _cycle_share(360.0),
}


# What is counted over, where that is not the drive: by the channel that a method needs.
_TRIALS: Mapping[str, str] = {
    "encoder.left.edge": "edge taken down",
    "encoder.left.levels": "sample",
    "loop.periods": "tick taken down",
}


# Those told by wall ends, which show only where reports lie close enough.
_BY_WALL_ENDS = frozenset(name for name, parts in _PARTS.items() if parts in (_distance, _place))


# How many readings' uncertainties (as a root of their number) stand in one value of so many drives. Sums and
# differences of two means have half of the drives for each.
_FACTORS: Mapping[str, float] = {
    "observation.leg_distance": math.sqrt(2),
    "observation.half_turn_shift": 2.0,
    "observation.heading_after_turn": math.sqrt(2),
    "observation.first_edge_distance": math.sqrt(2),
    "observation.offset_sum": 2.0,
    "observation.offset_difference": 2.0,
    "observation.direction_difference": 2.0 * math.sqrt(2),
}


def _by_person(design: Design, name: str) -> Parts | None:
    """Return what the person's instruments can do for a method; None where they say nothing of it."""
    unit = METHODS[name].unit
    read = {observe.what.unit: observe.u for observe in design.observations}
    n = math.sqrt(max(1, design.drives))
    if METHODS[name].is_spread and "deg" in read:
        # The readings' variance is taken out; what is left of it is the uncertainty of its estimate.
        return {"square": read["deg"] * math.sqrt(2) * (2 / max(1, design.drives)) ** 0.25}
    if unit == "mm" and "mm" in read:
        return {"ruler": read["mm"] * _FACTORS.get(name, 1.0) / n}
    if unit == "deg" and "deg" in read:
        return {"square": read["deg"] * _FACTORS.get(name, math.sqrt(2)) / n}  # an angle before and one after
    if unit == "%" and "s" in read:
        return {"stopwatch": 100 * read["s"] * math.sqrt(2) / design.lap_s / n}
    if unit == "" and "mm" in read:
        parts = {"ruler": read["mm"] * math.sqrt(2 / max(1.0, design.drives / 3)), "boards": BOARD_MM}
        return {name: u / BOARD_SPAN_MM for name, u in parts.items()}
    if unit in ("%", "1/m") and "mm" in read:
        # y = eps L^2 / (2 b) over a blind stretch (differential drive, small angles); the angle at its begin times L.
        length, angle = design.curve_mm, math.radians(read.get("deg", math.degrees(HAND_ANGLE_RAD)))
        scale = 200 * design.robot.wheel_base_mm / length**2 if unit == "%" else 2000 / length**2
        return {"ruler": scale * read["mm"] * math.sqrt(2) / n, "angle at the start": scale * angle * length / n}
    return None


def resolution(
    measure: MeasureSpec, tolerance: Tolerance, design: Design, *, by_person: bool, channels: frozenset[str]
) -> Resolution:
    """Predict for one assertion; `channels` are what the robot's telemetry carries, with the word "events"."""
    name = measure.operator_method if by_person else measure.method
    method = METHODS.get(name)
    if name in _BY_WALL_ENDS and design.spacing_mm > WIDEST_SPACING_MM:
        why = f"its reports come {design.spacing_mm:.0f} mm apart, and wall ends show up to {WIDEST_SPACING_MM:.0f} mm"
        return _unable(measure.name, tolerance, why)
    if method is None:
        route = "by a person" if by_person else "from telemetry"
        return _unable(measure.name, tolerance, f"there is no way to measure it {route}")
    parameters = measure.operator_parameters if by_person else measure.parameters
    missing = [need for need in needs_of(method, parameters) if need not in channels and need != "answers"]
    if missing and not by_person:
        return _unable(measure.name, tolerance, f"the robot does not report {', '.join(missing)}")
    if method.is_count or tolerance.is_exact:
        return _counted(measure.name, tolerance, design, next((_TRIALS[n] for n in method.needs if n in _TRIALS), ""))
    parts = _by_person(design, name) if by_person else None
    if not by_person and name in _PARTS:
        parts = _PARTS[name](design)
    if parts is None:
        text = f"{measure.name}: what it resolves is not predicted, tolerance {tolerance.text}"
        return Resolution(
            measurement=measure.name, unit=tolerance.unit, u=None, parts={}, ability=Ability.UNKNOWN, text=text
        )
    trials = max(design.half_turns if "half" in name else design.quarter_turns, design.drives)
    if method.is_spread and trials < FEWEST_FOR_A_SPREAD:
        return _unable(measure.name, tolerance, f"a spread needs {FEWEST_FOR_A_SPREAD} repeats and there are {trials}")
    return _decided(measure.name, tolerance, parts)


def _unable(name: str, tolerance: Tolerance, why: str) -> Resolution:
    text = f"{name}: tolerance {tolerance.text}: cannot be decided: {why}"
    return Resolution(measurement=name, unit=tolerance.unit, u=None, parts={}, ability=Ability.CANNOT, text=text)


def _counted(name: str, tolerance: Tolerance, design: Design, trial: str) -> Resolution:
    """Zero events in n trials show a rate below 1 - 0.05^(1/n) (exact binomial interval).

    Where every `trial` that is taken down counts, there are thousands, and how many is not known before.
    """
    if trial:
        text = f"{name}: counted over every {trial}, tolerance {tolerance.text}: can be decided"
        return Resolution(measurement=name, unit=tolerance.unit, u=0.0, parts={}, ability=Ability.CAN, text=text)
    n = max(1, design.drives)
    rate = 100 * (1 - 0.05 ** (1 / n))
    trials = f"{n} drive{'s' if n > 1 else ''}"
    text = f"{name}: none in {trials} shows a rate below {rate:.0f} %, tolerance {tolerance.text}: can be decided"
    return Resolution(measurement=name, unit=tolerance.unit, u=0.0, parts={}, ability=Ability.CAN, text=text)


def _decided(name: str, tolerance: Tolerance, parts: Parts) -> Resolution:
    u = math.sqrt(math.fsum(part**2 for part in parts.values()))
    width = tolerance.half_width
    needed = width / 2
    if not math.isfinite(width):
        # A one-sided limit has no nominal value and only a guard band: the interval must fit between zero and it.
        needed = abs(tolerance.upper if math.isfinite(tolerance.upper) else tolerance.lower)
    can = 2 * u <= needed
    unit = f" {tolerance.unit}" if tolerance.unit else ""
    largest = sorted(parts.items(), key=lambda item: -item[1])[:3]
    made_of = ", ".join(f"{what} {2 * part:.2g}{unit}" for what, part in largest)
    text = f"{name}: resolves about {2 * u:.2g}{unit} ({made_of}), tolerance {tolerance.text}: "
    text += "can be decided" if can else f"cannot be decided: it would take {needed:.2g}{unit} or finer"
    ability = Ability.CAN if can else Ability.CANNOT
    return Resolution(measurement=name, unit=tolerance.unit, u=u, parts=dict(parts), ability=ability, text=text)
