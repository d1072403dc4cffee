"""How evenly the control loop runs: periods, percentiles, the longest gap and what went on, missed ticks, drift.

Only the robot's own times can tell. A host sees a line when its adapter hands it over, which may be 16 ms late, so a
port without a robot clock is refused here and told why. Taken, in this order: every period as the robot took it down
(`loop.periods`), or the times of a telemetry message that comes every tick. The longest gap alone can also come from
`loop.period`, the longest since the last report.

Period error T - T0, release jitter and maximum jitter as in published definitions of control-loop jitter. A percentile
is an order statistic; its uncertainty is half the distance of the order statistics one binomial standard deviation of
rank to either side (distribution-free), and no less than the clock's step leaves. What was not seen in N ticks happens
in fewer than 3/N of them at 95 %.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from hil.measure.evidence import Drive, Evidence, Floats
from hil.measure.least_squares import fit_linear
from hil.measure.method import Method, Parameters, ParameterSpec, drives_of
from hil.measure.uncertainty import effective_number
from hil.measure.values import CannotMeasureError, Measurement

PERIODS, LONGEST = "loop.periods", "loop.period"
_LATE = 1.5  # of the nominal period: a tick that came later missed another or nearly so
_ALIKE = 0.3  # a telemetry message whose lines are closer to the loop's period than this share comes every tick
_NEAR_S = 0.05  # an event as near to a gap as this is named with it


@dataclass(frozen=True, slots=True, kw_only=True)
class Ticks:
    """Ticks of one segment: when each period ended [s, robot's clock] and how long it was [s]."""

    drive: Drive
    end_s: Floats
    period_s: Floats


def ticks_of(evidence: Evidence, parameters: Parameters) -> tuple[Ticks, ...]:
    """Return the ticks of the segments asked for; raise `CannotMeasureError` where the port does not tell them."""
    drives = drives_of(evidence, parameters)
    found = [ticks for drive in drives if (ticks := _ticks(drive, parameters)) is not None]
    if found:
        return tuple(found)
    if not any(drive.has_clock for drive in drives):
        raise CannotMeasureError(
            "the robot tells no time of its own, and by the host's clock loop timing cannot be told: "
            f"{evidence.host_time.adapter or 'what lies between'} holds lines back for longer than a loop takes. "
            "Let the firmware send a time stamp, or take down its periods"
        )
    raise CannotMeasureError("the robot neither took down its periods (loop.periods) nor sends a line in every tick")


def _ticks(drive: Drive, parameters: Parameters) -> Ticks | None:
    told = drive.channel(PERIODS)
    if told is not None and told[1].size:
        return Ticks(drive=drive, end_s=told[0], period_s=told[1])
    nominal = parameters.number("nominal", 0.0)
    for rows in drive.samples.values():
        time = rows.values.get("time")
        if time is None or time.size < 3:
            continue
        steps = np.diff(time)
        usual = float(np.median(steps))
        if nominal and abs(usual / nominal - 1) < _ALIKE:
            return Ticks(drive=drive, end_s=time[1:], period_s=steps)
    return None


def _joined(parts: tuple[Ticks, ...]) -> Floats:
    return np.concatenate([part.period_s for part in parts])


def _step_s(periods: Floats) -> float:
    """Return the clock's step as the periods show it, 0 where it does not show."""
    # Times in seconds lose their last digits in differences; no robot's clock is finer than a nanosecond.
    steps = np.diff(np.unique(np.round(periods, 9)))
    return float(np.min(steps)) if steps.size else 0.0


def _period(evidence: Evidence, parameters: Parameters) -> Measurement:
    periods = _joined(ticks_of(evidence, parameters))
    value, u = percentile(periods, 50.0)
    return Measurement(value=1000 * value, unit="ms", u=1000 * u, n=int(periods.size))


def percentile(values: Floats, percent: float) -> tuple[float, float]:
    """Return a percentile of `values` and its standard uncertainty, both in their unit.

    The value of rank ceil(p n), as in the definition by order statistics. Refused where fewer than three values are
    expected beyond it: 3000 for 99.9 %.
    """
    share, n = percent / 100, values.size
    beyond = n * min(share, 1 - share)
    # Rounding: 3000 times 0.001 is a hair less than 3 in floating point.
    if beyond < 3 - 1e-6:
        fewest = math.ceil(3 / min(share, 1 - share) - 1e-6)
        raise CannotMeasureError(f"{n} ticks do not tell a percentile of {percent:g} %; at least {fewest} are needed")
    ordered = np.sort(values)
    rank = min(max(math.ceil(share * n - 1e-9), 1), n)
    spread = math.sqrt(n * share * (1 - share))
    low, high = (int(min(max(round(rank + sign * spread), 1), n)) for sign in (-1, 1))
    u = float(ordered[high - 1] - ordered[low - 1]) / 2
    return float(ordered[rank - 1]), max(u, _step_s(values) / math.sqrt(12))


def _percentile(evidence: Evidence, parameters: Parameters) -> Measurement:
    periods = _joined(ticks_of(evidence, parameters))
    nominal, notes = _nominal(periods, parameters)
    value, u = percentile(periods, parameters.number("percent", 99.9))
    return Measurement(value=100 * value / nominal, unit="%", u=100 * u / nominal, n=int(periods.size), notes=notes)


def _nominal(periods: Floats, parameters: Parameters) -> tuple[float, tuple[str, ...]]:
    given = parameters.number("nominal", 0.0)
    if given:
        return given, ()
    median = float(np.median(periods))
    return median, (f"Taken of the median period of {1000 * median:.3f} ms.",)


def _jitter(evidence: Evidence, parameters: Parameters) -> Measurement:
    """Return the standard deviation of the periods, in percent of the nominal one."""
    periods = _joined(ticks_of(evidence, parameters))
    nominal, notes = _nominal(periods, parameters)
    if periods.size < 2:
        raise CannotMeasureError("one tick has no scatter")
    sd = float(np.std(periods, ddof=1))
    follows = f"Each period follows the one before with a correlation of {lag_one(periods):+.2f}"
    notes = (*notes, f"{follows} (a late tick that the next one makes up for: -0.5).")
    dof = max(1.0, effective_number(periods) - 1)
    return Measurement(
        value=100 * sd / nominal, unit="%", u=100 * sd / nominal / math.sqrt(2 * dof), dof=dof, n=int(periods.size),
        is_spread=True, notes=notes,
    )  # fmt: skip


def lag_one(values: Floats) -> float:
    """Return the lag-one autocorrelation of a row (NIST/SEMATECH e-Handbook 1.3.5.12); 0 where all are the same."""
    row = values - np.mean(values)
    power = float(row @ row)
    return float(row[:-1] @ row[1:]) / power if power > 0 else 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Gap:
    """The longest period: how long [s], what it is to the usual one, and a sentence of when and what went on."""

    length_s: float
    nominal_s: float
    step_s: float
    n: int
    said: str


def longest_gap(evidence: Evidence, parameters: Parameters) -> Gap:
    """Return the longest period of the segments asked for, from every tick or from what the robot reports of them."""
    try:
        parts = ticks_of(evidence, parameters)
    except CannotMeasureError:
        parts = _reported(evidence, parameters)
        if not parts:
            raise
    worst = max(parts, key=lambda part: float(np.max(part.period_s)))
    at = int(np.argmax(worst.period_s))
    length = float(worst.period_s[at])
    every = _joined(parts)
    nominal, _ = _nominal(every, parameters)
    return Gap(
        length_s=length,
        nominal_s=nominal,
        step_s=_step_s(every),
        n=int(every.size),
        said=_what_went_on(worst.drive, float(worst.end_s[at]), length),
    )


def _reported(evidence: Evidence, parameters: Parameters) -> tuple[Ticks, ...]:
    """Return what `loop.period` tells: the longest period of each report."""
    found = []
    for drive in drives_of(evidence, parameters):
        told = drive.channel(LONGEST)
        if told is not None and told[1].size:
            found.append(Ticks(drive=drive, end_s=told[0], period_s=told[1]))
    return tuple(found)


def _what_went_on(drive: Drive, end_s: float, length_s: float) -> str:
    begin = next(
        (float(rows.values["time"][0]) for rows in drive.samples.values() if "time" in rows.values and len(rows)),
        end_s,
    )
    turns = any(drive.conditions.get(f"duty.{wheel}") for wheel in ("left", "right"))
    doing = drive.labels.get("provocation") or ("driving" if drive.path else "turning its free wheels" if turns else "")
    near = [event for event in drive.events if abs(event.time_s - end_s) <= _NEAR_S + length_s]
    state = drive.channel("state")
    words = [f"The longest gap, {1000 * length_s:.3f} ms, ended {end_s - begin:.3f} s into '{drive.name}'"]
    if doing:
        words.append(f"while the robot did '{doing}'")
    if state is not None and state[0].size:
        words.append(f"in state {state[1][int(np.argmin(np.abs(state[0] - end_s)))]:g}")
    if near:
        closest = min(near, key=lambda event: abs(event.time_s - end_s))
        words.append(f"{1000 * abs(closest.time_s - end_s):.0f} ms from the event {closest.name}")
    return ", ".join(words) + "."


def _gap_measurement(evidence: Evidence, parameters: Parameters, unit: str, factor_of: float | None) -> Measurement:
    gap = longest_gap(evidence, parameters)
    factor = 100 / gap.nominal_s if factor_of is None else factor_of
    unseen = (
        f"In {gap.n} ticks nothing longer was seen; what was not seen happens in fewer than {3 / gap.n:.2g} of them."
    )
    return Measurement(
        value=gap.length_s * factor, unit=unit, u=gap.step_s / math.sqrt(6) * factor, n=gap.n, notes=(gap.said, unseen)
    )


def _longest(evidence: Evidence, parameters: Parameters) -> Measurement:
    return _gap_measurement(evidence, parameters, "ms", 1000.0)


def _longest_share(evidence: Evidence, parameters: Parameters) -> Measurement:
    return _gap_measurement(evidence, parameters, "%", None)


def _blind(evidence: Evidence, parameters: Parameters) -> Measurement:
    """Distance travelled in the longest gap: v T."""
    speed = parameters.number("speed", 0.0) or evidence.robot.speed_mm_s
    return _gap_measurement(evidence, parameters, "mm", speed)


def _missed(evidence: Evidence, parameters: Parameters) -> Measurement:
    """Return how many ticks never came: the sum of round(T/T0) - 1, each gap for itself.

    A tick that came late and was made up for by those right beside it was not missed: its long period and the short
    ones cancel. Ticks that come too early elsewhere make up for nothing.
    """
    parts = ticks_of(evidence, parameters)
    nominal, _ = _nominal(_joined(parts), parameters)
    missed = sum(_never_came(np.rint(part.period_s / nominal) - 1) for part in parts)
    n = sum(part.period_s.size for part in parts)
    return Measurement(value=float(missed), unit="", u=0.0, n=n, is_count=True)


def _never_came(beyond: Floats) -> int:
    """Return the ticks left out of a row of periods beyond one, less those that short periods right beside bring."""
    gaps = np.cumsum(beyond == 0)  # what lies between two usual periods is one gap
    return int(np.sum(np.maximum(0, np.bincount(gaps, weights=beyond))))


def _late(evidence: Evidence, parameters: Parameters) -> Measurement:
    periods = _joined(ticks_of(evidence, parameters))
    nominal, _ = _nominal(periods, parameters)
    late = int(np.sum(periods > _LATE * nominal))
    return Measurement(value=float(late), unit="", u=0.0, n=int(periods.size), is_count=True)


def _drift(evidence: Evidence, parameters: Parameters) -> Measurement:
    """How much faster the robot's clock runs than the host's, in parts per million.

    The line of the host's times against the robot's. Delays of the adapter are one-sided and come in runs, so their
    effective number counts.
    """
    slopes, weights, n = [], [], 0
    for drive in drives_of(evidence, parameters):
        if not (evidence.host_time.is_real or _stands(drive)):
            continue
        for rows in drive.samples.values():
            time = rows.values.get("time")
            if time is None or time.size < 10 or time[-1] - time[0] < 1.0:
                continue
            design = np.column_stack([np.ones_like(time), time - time[0]])
            fit = fit_linear(design, rows.host_s - rows.host_s[0], what="drift of the robot's clock")
            fewer = math.sqrt(max(1.0, time.size / max(2.0, effective_number(fit.residuals))))
            slopes.append(float(fit.parameters[1]))
            weights.append(1 / max(float(fit.u[1]) * fewer, 1e-9) ** 2)
            n += int(time.size)
            break
    if not slopes:
        raise CannotMeasureError(
            "no segment of a second or more tells the robot's time and a real time of the host beside it"
        )
    slope = float(np.average(slopes, weights=weights))
    u = 1 / math.sqrt(math.fsum(weights))
    return Measurement(value=1e6 * (1 / slope - 1), unit="ppm", u=1e6 * u, n=n)


def _stands(drive: Drive) -> bool:
    """Whether it is a time of rest, in which a virtual robot's clock runs with the host's."""
    return not drive.path and not drive.conditions.get("duty.left") and not drive.conditions.get("duty.right")


_NOMINAL = ParameterSpec(name="nominal", meaning="the loop's period; 0: the median", unit="s", default=0.0)
_JITTER_SOURCE = "published definitions of control-loop jitter (period error, maximum jitter)"
_RANKS = "order statistics with binomial ranks, distribution-free"

METHODS_OF_SUBJECT: tuple[Method, ...] = (
    Method(
        name="loop.median", unit="ms", run=_period, needs=(PERIODS,), source=_RANKS, parameters=(_NOMINAL,),
        summary="Median period of the control loop.",
    ),
    Method(
        name="loop.percentile", unit="%", run=_percentile, needs=(PERIODS,), source=_RANKS,
        parameters=(_NOMINAL, ParameterSpec(name="percent", meaning="which percentile", unit="%", default=99.9)),
        summary="A percentile of the loop's periods, of the nominal period.",
    ),
    Method(
        name="loop.jitter", unit="%", run=_jitter, needs=(PERIODS,), source=_JITTER_SOURCE, parameters=(_NOMINAL,),
        is_spread=True, summary="Standard deviation of the loop's periods, of the nominal period.",
    ),
    Method(
        name="loop.longest", unit="ms", run=_longest, needs=(PERIODS,), source=_JITTER_SOURCE, parameters=(_NOMINAL,),
        summary="Longest gap between two ticks, with what the robot did meanwhile.",
    ),
    Method(
        name="loop.longest_share", unit="%", run=_longest_share, needs=(PERIODS,), source=_JITTER_SOURCE,
        parameters=(_NOMINAL,), summary="Longest gap between two ticks, of the nominal period.",
    ),
    Method(
        name="loop.blind_travel", unit="mm", run=_blind, needs=(PERIODS,), source="v T", parameters=(
            _NOMINAL, ParameterSpec(name="speed", meaning="test speed; 0: the robot file's", unit="mm/s", default=0.0),
        ),
        summary="Distance travelled in the longest gap at the test speed.",
    ),
    Method(
        name="loop.missed", unit="", run=_missed, needs=(PERIODS,), source="definition", parameters=(_NOMINAL,),
        is_count=True, summary="Ticks that never came.",
    ),
    Method(
        name="loop.late", unit="", run=_late, needs=(PERIODS,), source="definition", parameters=(_NOMINAL,),
        is_count=True, summary="Ticks later than one and a half periods.",
    ),
    Method(
        name="loop.drift", unit="ppm", run=_drift, needs=("time",), source="JCGM 100:2008 H.3 (line)", parameters=(),
        summary="How much faster the robot's clock runs than the host's.",
    ),
)  # fmt: skip
