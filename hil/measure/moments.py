"""Moments of a drive: how well the times of its rows tell when something happened.

Between two rows a moment is uniform, period / sqrt(12). A robot that tells no time of its own is dated by the host,
whose times come late by anything up to the latency of what lies between: latency / sqrt(12) more, and a note says by
what. A virtual robot that drives faster than the host's clock has no times at all that way: it is timed by the lines
that it prints by itself, and refused where it prints none.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from hil.measure.evidence import Drive, Evidence
from hil.measure.values import CannotMeasureError


@dataclass(frozen=True, slots=True, kw_only=True)
class Clock:
    """Standard uncertainty of one moment by the host's times [s], 0 by the robot's own, and the note that says so."""

    u_s: float
    notes: tuple[str, ...] = ()


def clock_of(evidence: Evidence, drives: tuple[Drive, ...], what: str) -> Clock:
    """Return what the times of these drives are worth for `what`; raise `CannotMeasureError` where it is nothing."""
    if all(drive.has_clock for drive in drives if drive.samples):
        return Clock(u_s=0.0)
    host = evidence.host_time
    if not host.is_real and host.line_s:
        # A robot that prints by itself is its own clock: as many periods have passed as lines have come.
        note = (
            f"Timed by the robot's own lines, one every {1000 * host.line_s:.0f} ms; lines that were lost shorten it."
        )
        return Clock(u_s=0.0, notes=(note,))
    if not host.is_real:
        raise CannotMeasureError(
            f"the robot tells no time, and a virtual robot that drives faster than the host's clock has no {what} by "
            "that clock"
        )
    by = f" ({host.adapter})" if host.adapter else ""
    note = f"By the host's clock, good to {1000 * host.u_s:.1f} ms{by}: the robot tells no time of its own."
    return Clock(u_s=host.u_s, notes=(note,))


def period_s(drive: Drive) -> float:
    """Return the usual time between two rows of the message that comes most often, 0 without rows."""
    times = [rows.values.get("time", rows.host_s) for rows in drive.samples.values() if len(rows) > 1]
    return min((float(np.median(np.diff(row))) for row in times), default=0.0)


def duration_u_s(period: float, clock: Clock) -> float:
    """Return the standard uncertainty of a duration between two moments that rows with that period tell [s]."""
    return math.sqrt(2) * math.hypot(period / math.sqrt(12), clock.u_s)
