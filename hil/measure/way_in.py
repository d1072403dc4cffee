"""Stops told by the wall ends on the way in: a second estimate beside that by the way out, and how the two are joined.

The ends of an opening say where the robot is along its straight; counts tell the rest of the way to the stop. This
needs the wheel sizes and the tyres' slip where the way out needs neither, so it is the weaker of the two. They are
weighed by their variances where they agree; where they do not, the way out stands alone and the note says so.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

from hil.measure.after_turn import Exit, stop_error_by_ends
from hil.measure.course_walls import PANEL_GAP_MM
from hil.measure.edges import EDGE_BIAS_MM, SLIP_U_S
from hil.measure.evidence import Evidence
from hil.measure.uncertainty import Mean, Part, join, mean_of_known

_APART = 2.0  # standard uncertainties of the difference; beyond, one of the two is not what it is taken for


def by_ends(
    evidence: Evidence, stops: Sequence[Exit], estimate: Callable[[list[Exit], list[float], list[float]], Mean]
) -> Mean | None:
    """Return an estimate from where each stop lies by wall ends; None where the way in of none shows an opening.

    `estimate` makes it of the stops that show one, their positions [mm] and the uncertainty of each.
    """
    found = [(one, stop_error_by_ends(evidence, one.drive, one.before, one.kappa)) for one in stops]
    known = [(one, value) for one, value in found if value is not None]
    if not known:
        return None
    mean = estimate([one for one, _ in known], [place.mm for _, place in known], [place.u_mm for _, place in known])
    slip = Part(SLIP_U_S * max(one.drive.speed_mm_s for one, _ in known))
    shared = join(Part(PANEL_GAP_MM), Part(EDGE_BIAS_MM / 2), slip)  # the same opening in every repeat
    return Mean(value=mean.value, part=join(mean.part, shared), sd=mean.sd, n=mean.n)


def mean_by_ends(evidence: Evidence, stops: Sequence[Exit]) -> Mean | None:
    """Return the mean stop error [mm] by wall ends."""
    return by_ends(evidence, stops, lambda _, values, u: mean_of_known(values, u, "stop position by wall ends"))


def share_of_ends(value: float, part: Part, ends: Mean | None) -> tuple[float, str]:
    """Return the weight that the estimate by wall ends has beside that by the way out (`value`), and say how."""
    if ends is None:
        return 0.0, "By the way out; the way in has no opening to check it by."
    told = f"By the way out {value:+.2f} mm, by wall ends on the way in {ends.value:+.2f} mm"
    if abs(ends.value - value) > _APART * math.hypot(part.u, ends.part.u):
        return 0.0, f"{told}: they disagree, as with other wheels than in the robot file, and the first stands."
    total = part.u**2 + ends.part.u**2
    if total == 0:
        return 0.0, f"{told}."
    return part.u**2 / total, f"{told}, weighed by their variances."
