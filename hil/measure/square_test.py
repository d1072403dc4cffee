"""The bidirectional square test: wheel-base and wheel-diameter errors from squares driven both ways round.

The robot drives a square of known side and comes back to where it began, several times clockwise and several times
counter-clockwise. The place where it truly stops less the place its wheel counts give is the return error. Errors
of the wheel base turn every corner wrongly and errors of the diameters bend every side; the two directions tell
them apart. Formulas: J. Borenstein and L. Feng, IEEE Trans. Robotics and Automation 12(6) 869-880, 1996.

Frame: origin at the start, x along the first side, y to the left; counter-clockwise squares turn left. Needed: wheel
counts, and the true return position of every square from a ruler, a tracker or the like. Refused: squares all in one
direction, and drives whose counts do not turn about a full turn.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from hil.measure.evidence import Answer, Drive, Evidence
from hil.measure.method import Method, Parameters, ParameterSpec, drives_of
from hil.measure.model import ElementKind
from hil.measure.segments import wheel_rows
from hil.measure.uncertainty import Mean, Part, join, mean_of_known
from hil.measure.values import CannotMeasureError, Measurement
from hil.quantities import convert

Floats = NDArray[np.float64]

_FULL_TURN_SLACK_RAD = math.radians(60)  # a counted full turn may be wrong by this much before it is no square
_SOURCE = "Borenstein and Feng, IEEE Trans. Robotics and Automation 12(6), 1996"


@dataclass(frozen=True, slots=True, kw_only=True)
class SquareTest:
    """Result of a bidirectional square test.

    `alpha` [rad] is the turn error of a corner by the wheel base, `beta` [rad] the bend of a side by the diameters.
    `diameter_ratio` is E_d = D_R/D_L and `base_ratio` E_b = b_actual/b_nominal, each with its contribution.
    `systematic_mm` is the larger distance of a direction's mean return error from zero, `largest_mm` the largest of
    a single run.
    """

    centroid_cw_mm: tuple[float, float]
    centroid_ccw_mm: tuple[float, float]
    alpha: float
    beta: float
    radius_mm: float
    diameter_ratio: float
    diameter_part: Part
    base_ratio: float
    base_part: Part
    systematic_mm: float
    systematic_part: Part
    largest_mm: float
    n: int

    @property
    def factor_left(self) -> float:
        """The factor c_l on the mean diameter that gives the left wheel's."""
        return 2 / (self.diameter_ratio + 1)

    @property
    def factor_right(self) -> float:
        """The factor c_r on the mean diameter that gives the right wheel's."""
        return 2 / (1 / self.diameter_ratio + 1)


def integrate_travel(left_mm: ArrayLike, right_mm: ArrayLike, base_mm: float) -> tuple[Floats, Floats, Floats]:
    """Integrate wheel travel increments to poses (x, y [mm], theta [rad]) after each, from the origin along x.

    Each pair of increments is an arc: ds along the chord direction theta + dtheta/2, shortened by sinc(dtheta/2)
    (textbook relations of the differential drive).
    """
    left, right = np.asarray(left_mm, dtype=np.float64), np.asarray(right_mm, dtype=np.float64)
    return _chain((left + right) / 2, (right - left) / base_mm)


def _chain(ds: Floats, dtheta: Floats) -> tuple[Floats, Floats, Floats]:
    theta = np.cumsum(dtheta)
    middle = theta - dtheta / 2
    chord = ds * np.sinc(dtheta / (2 * math.pi))  # numpy's sinc(x) is sin(pi x)/(pi x)
    return np.cumsum(chord * np.cos(middle)), np.cumsum(chord * np.sin(middle)), theta


def square_test(
    clockwise_mm: Sequence[tuple[float, float]],
    counter_clockwise_mm: Sequence[tuple[float, float]],
    side_mm: float,
    base_mm: float,
    u_each_mm: float = 0.0,
) -> SquareTest:
    """Evaluate return errors (absolute minus computed, x and y) of squares of `side_mm` driven both ways.

    `base_mm` is the nominal wheel base, `u_each_mm` the standard uncertainty of one return coordinate; the scatter of
    the runs counts where it is larger. Lengths may be in any one unit. Raises `CannotMeasureError` where a direction is
    missing, or the errors are too large for a square.
    """
    if not clockwise_mm or not counter_clockwise_mm:
        raise CannotMeasureError(
            f"the square test needs both directions; {len(clockwise_mm)} clockwise and "
            f"{len(counter_clockwise_mm)} counter-clockwise squares were driven"
        )
    x_cw, y_cw = _centroid(clockwise_mm, u_each_mm)
    x_ccw, y_ccw = _centroid(counter_clockwise_mm, u_each_mm)
    alpha = (x_cw.value + x_ccw.value) / (-4 * side_mm)
    beta = (x_cw.value - x_ccw.value) / (-4 * side_mm)
    angle = join(x_cw.part, x_ccw.part).times(1 / (4 * side_mm))
    # (b/2)/R, written so that straight sides (an infinite radius) need no special case.
    bend = base_mm / side_mm * math.sin(beta / 2)
    if not (abs(bend) < 1 and abs(alpha) < math.pi / 4):
        raise CannotMeasureError("the return errors are too large for squares of this side; check side and units")
    quarter = math.pi / 2
    systematic, systematic_part = max((_reach(x_cw, y_cw), _reach(x_ccw, y_ccw)), key=lambda reach: reach[0])
    return SquareTest(
        centroid_cw_mm=(x_cw.value, y_cw.value), centroid_ccw_mm=(x_ccw.value, y_ccw.value), alpha=alpha, beta=beta,
        radius_mm=side_mm / 2 / math.sin(beta / 2) if beta else math.inf,
        diameter_ratio=(1 + bend) / (1 - bend),
        diameter_part=angle.times(2 / (1 - bend) ** 2 * base_mm / (2 * side_mm) * math.cos(beta / 2)),
        base_ratio=quarter / (quarter - alpha), base_part=angle.times(quarter / (quarter - alpha) ** 2),
        systematic_mm=systematic, systematic_part=systematic_part, n=len(clockwise_mm) + len(counter_clockwise_mm),
        largest_mm=max(math.hypot(*error) for error in (*clockwise_mm, *counter_clockwise_mm)),
    )  # fmt: skip


def _centroid(errors_mm: Sequence[tuple[float, float]], u_each_mm: float) -> tuple[Mean, Mean]:
    known = [u_each_mm] * len(errors_mm)
    what = "return errors of the squares"
    return (
        mean_of_known([error[0] for error in errors_mm], known, what),
        mean_of_known([error[1] for error in errors_mm], known, what),
    )


def _reach(x: Mean, y: Mean) -> tuple[float, Part]:
    distance = math.hypot(x.value, y.value)
    if distance == 0:
        return 0.0, join(x.part, y.part)
    return distance, join(x.part.times(x.value / distance), y.part.times(y.value / distance))


def _answer(evidence: Evidence, name: str, index: int) -> Answer | None:
    found = [answer for answer in evidence.answers if answer.name == name and answer.index == index]
    return found[-1] if found else None


def _side_mm(evidence: Evidence, drive: Drive, parameters: Parameters) -> float:
    given = parameters.number("side", 0.0)
    if given > 0:
        return given
    cells = 0
    for element in drive.path:
        if element.kind is not ElementKind.AHEAD:
            break
        cells += element.cells
    if cells == 0:
        raise CannotMeasureError(
            f"the side of the square is not known: the path of {drive.name} begins with no straight"
        )
    return cells * evidence.course.pitch_mm


def evaluate(evidence: Evidence, parameters: Parameters) -> tuple[SquareTest, tuple[str, ...], str]:
    """Return the square test of the drives named, notes, and who gave the return positions."""
    clockwise: list[tuple[float, float]] = []
    counter: list[tuple[float, float]] = []
    notes: list[str] = []
    sources: set[str] = set()
    u_each = 0.0
    drives = drives_of(evidence, parameters)
    for drive in drives:
        index = next(number for number, other in enumerate(evidence.drives) if other is drive)
        x = _answer(evidence, parameters.word("x", "return-x"), index)
        y = _answer(evidence, parameters.word("y", "return-y"), index)
        if x is None or y is None:
            notes.append(f"Drive {index + 1} ({drive.name}) has no return position and was left out.")
            continue
        rows = wheel_rows(drive, evidence.robot)
        xs, ys, theta = _chain(np.diff(rows.distance_mm), np.diff(rows.theta_rad))
        turned = float(theta[-1])
        if abs(abs(turned) - 2 * math.pi) > _FULL_TURN_SLACK_RAD:
            raise CannotMeasureError(
                f"drive {index + 1} ({drive.name}) turned {math.degrees(turned):.0f} deg by its counts; "
                "a square turns 360"
            )
        error = (convert(x.value, x.unit, "mm") - float(xs[-1]), convert(y.value, y.unit, "mm") - float(ys[-1]))
        (counter if turned > 0 else clockwise).append(error)
        u_each = max(u_each, convert(x.u, x.unit, "mm"), convert(y.u, y.unit, "mm"))
        sources |= {x.source, y.source}
    side_mm = _side_mm(evidence, drives[0], parameters)
    result = square_test(clockwise, counter, side_mm, evidence.robot.wheel_base_mm, u_each)
    notes.append(f"{len(clockwise)} squares clockwise, {len(counter)} counter-clockwise, side {side_mm:g} mm.")
    return result, tuple(notes), ", ".join(["robot", *sorted(sources)])


def _base_error(evidence: Evidence, parameters: Parameters) -> Measurement:
    result, notes, source = evaluate(evidence, parameters)
    return _percent(result.base_ratio, result.base_part, result.n, notes, source)


def _diameter_error(evidence: Evidence, parameters: Parameters) -> Measurement:
    result, notes, source = evaluate(evidence, parameters)
    return _percent(result.diameter_ratio, result.diameter_part, result.n, notes, source)


def _percent(ratio: float, part: Part, n: int, notes: tuple[str, ...], source: str) -> Measurement:
    return Measurement(value=100 * (ratio - 1), unit="%", u=100 * part.u, dof=part.dof, n=n, notes=notes, source=source)


def _systematic(evidence: Evidence, parameters: Parameters) -> Measurement:
    result, notes, source = evaluate(evidence, parameters)
    part = result.systematic_part
    return Measurement(
        value=result.systematic_mm, unit="mm", u=part.u, dof=part.dof, n=result.n, notes=notes, source=source
    )


_NEEDS = ("encoder.left", "encoder.right", "answers")
_PARAMETERS = (
    ParameterSpec(name="side", meaning="side of the square; 0: from the path's first straight", unit="mm", default=0.0),
    ParameterSpec(name="x", meaning="answer with the true return position along the first side",
                  default="return-x", is_word=True),
    ParameterSpec(name="y", meaning="answer with the true return position to the left of it",
                  default="return-y", is_word=True),
)  # fmt: skip

METHODS_OF_SUBJECT: tuple[Method, ...] = (
    Method(
        name="square.wheel_base_error", unit="%", run=_base_error, needs=_NEEDS, source=_SOURCE, parameters=_PARAMETERS,
        summary="Actual wheel base over the robot file's, less one, from squares driven both ways round.",
    ),
    Method(
        name="square.diameter_difference", unit="%", run=_diameter_error, needs=_NEEDS, source=_SOURCE,
        parameters=_PARAMETERS,
        summary="Right wheel's diameter over the left's, less one, from squares driven both ways round.",
    ),
    Method(
        name="square.systematic_error", unit="mm", run=_systematic, needs=_NEEDS, source=_SOURCE,
        parameters=_PARAMETERS, summary="The larger distance of the two centres of return errors from zero.",
    ),
)  # fmt: skip
