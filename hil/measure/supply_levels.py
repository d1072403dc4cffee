"""Levels of the supply: of a segment's rows by the robot's converter, or of a person's meter, with both their errors.

What averages and what does not are kept apart: noise does, and the error of a divider, a reference or a meter is the
same in everything that it reads.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from hil.measure.evidence import Answer, Evidence, Floats
from hil.measure.uncertainty import Part, effective_number, join, mean_of_known
from hil.measure.values import CannotMeasureError


@dataclass(frozen=True, slots=True, kw_only=True)
class Level:
    """A level in its unit: `chance` averages, `common` is the same for everything that this instrument reads.

    `is_by_resistor`: a current that was taken from the voltage over a known resistor; `common` is the resistor's.
    """

    value: float
    chance: Part
    common: float
    n: int
    source: str
    is_by_resistor: bool = False
    notes: tuple[str, ...] = ()

    @property
    def part(self) -> Part:
        """Both errors together."""
        return join(self.chance, Part(self.common))


def rows_in(evidence: Evidence, name: str, channel: str) -> list[tuple[Floats, Floats]]:
    """Return (time from the segment's first row [s], values) of a channel in every segment of that name."""
    found = [drive.channel(channel) for drive in evidence.named(name)]
    rows = [one for one in found if one is not None]
    return [(time - time[0], values) for time, values in rows]


def level_of(
    evidence: Evidence,
    name: str,
    channel: str,
    within_percent: float,
    chosen: Callable[[Floats], Floats] = lambda time: np.ones_like(time, dtype=bool),
) -> Level:
    """Return the mean of a channel in the segments of a name, or the answers of that name; `chosen` picks times."""
    rows = [(time[chosen(time)], values[chosen(time)]) for time, values in rows_in(evidence, name, channel)]
    rows = [row for row in rows if row[1].size]
    if rows:
        means = [float(np.mean(values)) for _, values in rows]
        known = [mean_u(values, evidence.robot.adc_full_scale) for _, values in rows]
        mean = mean_of_known(means, known, channel)
        common = abs(mean.value) * within_percent / 100 / math.sqrt(3)
        return Level(value=mean.value, chance=mean.part, common=common, n=sum(v.size for _, v in rows), source="robot")
    answers = [answer for answer in evidence.answers if answer.name == name]
    if not answers:
        raise CannotMeasureError(f"nothing tells {channel} in '{name}': neither the robot nor an answer of that name")
    # All answers come from one meter, whose error is the same in each.
    values = [answer.value for answer in answers]
    scatter = float(np.std(values, ddof=1)) / math.sqrt(len(values)) if len(values) > 1 else 0.0
    return Level(
        value=float(np.mean(values)),
        chance=join(
            Part(scatter, len(values) - 1 if len(values) > 1 else math.inf),
            Part(max(_digit(answer) for answer in answers) / math.sqrt(12)),
        ),
        common=max(answer.u for answer in answers),
        n=len(values),
        source=", ".join(sorted({answer.source for answer in answers})),
    )


def _digit(answer: Answer) -> float:
    """Return the last digit that a reading was given with, which no two readings have in common.

    The instrument's resolution where the suite says it; else by the number itself, of which zeros at the end are not
    known to have been read.
    """
    told = answer.how.get("resolution")
    if isinstance(told, int | float) and told > 0:
        return float(told)
    places = next((k for k in range(4) if abs(answer.value * 10**k - round(answer.value * 10**k)) < 1e-9), 4)
    return float(10.0**-places)


def step_of(values: Floats, full_scale: float) -> float:
    """Return the converter's step as the values show it; where they are all the same, a level's share of full scale.

    A level read near full scale has steps of its own size over `full_scale`; one that is read lower has larger ones,
    which values that never change do not show.
    """
    steps = np.abs(np.diff(np.unique(values)))
    return float(np.min(steps)) if steps.size else abs(float(values[0])) / full_scale


def mean_u(values: Floats, full_scale: float) -> float:
    """Return the standard uncertainty of a row's mean: its scatter, and the converter's step if nothing dithers it."""
    step = step_of(values, full_scale)
    scatter = float(np.std(values))
    rounding = step / math.sqrt(12) if scatter < step / 2 else 0.0
    return math.hypot(scatter / math.sqrt(max(effective_number(values) - 1, 1.0)), rounding)


def lowest_of(evidence: Evidence, name: str, channel: str, within: float) -> Level:
    """Return the lowest level of a channel: of its rows, smoothed over neighbours so that noise does not sink it.

    The lowest of many rows that are level is still below the level, by sqrt(2 ln n) times the noise at most (extreme of
    n normal values), while a dip of a few rows is not; the uncertainty spans both.
    """
    rows = [values for _, values in rows_in(evidence, name, channel) if values.size]
    if not rows:
        return level_of(evidence, name, channel, within)
    smooth = [_smoothed(values) for values in rows]
    lowest = min(float(np.min(values)) for values in smooth)
    full_scale = evidence.robot.adc_full_scale
    noise = math.sqrt(float(np.mean([_noise(values) ** 2 + step_of(values, full_scale) ** 2 / 12 for values in rows])))
    return Level(
        value=lowest,
        chance=Part(noise / math.sqrt(3) * math.sqrt(1 + 2 * math.log(sum(values.size for values in rows)) / 3)),
        common=abs(lowest) * within / 100 / math.sqrt(3),
        n=sum(values.size for values in rows),
        source="robot",
    )


def _smoothed(values: Floats) -> Floats:
    """Return means of three neighbours; the rows themselves where there are fewer."""
    return np.convolve(values, np.ones(3) / 3, mode="valid") if values.size >= 3 else values


def _noise(values: Floats) -> float:
    """Return the scatter between neighbours, of the usual steps: a dip's edges are no noise."""
    steps = np.abs(np.diff(values))
    return float(np.quantile(steps, 0.6827)) / math.sqrt(2) if steps.size else 0.0
