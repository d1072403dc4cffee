"""Values that share errors: which walls they were read against, and by which sensors.

Repeats average noise. They do not average where a wall panel stands or how a sensor was calibrated: the same panel read
again is wrong by the same amount, and one read from its other side, or by the other sensor, may cancel in a sum and
double in a difference. So every value carries how much of each panel's and each sensor's error is in it, with its sign.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TypeVar

from hil.measure.course_walls import PANEL_SEEN_MM
from hil.measure.uncertainty import Part, join, mean_of_known
from hil.measure.values import Measurement

_Key = TypeVar("_Key", int, str)


@dataclass(frozen=True, slots=True, kw_only=True)
class SharedValue:
    """A length [mm] with its own `noise` and what it shares with others.

    `panels` maps a panel's number to the share of its displacement (north or east positive) in the value. `sensors`
    maps a channel to the value's signed standard uncertainty [mm] from that sensor's calibration.
    """

    value: float
    noise: Part
    panels: Mapping[int, float] = field(default_factory=dict)
    sensors: Mapping[str, float] = field(default_factory=dict)
    n: int = 1

    @property
    def part(self) -> Part:
        """All errors joined; a panel reads 0.7 mm off its line, independent of others."""
        return join(
            self.noise,
            Part(PANEL_SEEN_MM * math.sqrt(math.fsum(share**2 for share in self.panels.values()))),
            Part(math.sqrt(math.fsum(u**2 for u in self.sensors.values()))),
        )

    def measured(self, notes: tuple[str, ...] = ()) -> Measurement:
        """Return the value as a measurement in mm."""
        part = self.part
        return Measurement(value=self.value, unit="mm", u=part.u, dof=part.dof, n=self.n, notes=notes)


def combined(terms: Sequence[tuple[float, SharedValue]]) -> SharedValue:
    """Return the sum of factor times value; noise is independent between terms, shared errors add with their sign."""
    return SharedValue(
        value=math.fsum(factor * term.value for factor, term in terms),
        noise=join(*(term.noise.times(factor) for factor, term in terms)),
        panels=_summed([(factor, term.panels) for factor, term in terms]),
        sensors=_summed([(factor, term.sensors) for factor, term in terms]),
        n=sum(term.n for _, term in terms),
    )


def mean_of_repeats(values: Sequence[SharedValue], what: str) -> SharedValue:
    """Return the mean of repeats of one and the same leg: scatter or stated noise, whichever is larger."""
    mean = mean_of_known([value.value for value in values], [value.noise.u for value in values], what)
    share = 1 / len(values)
    return SharedValue(
        value=mean.value,
        noise=mean.part,
        panels=_summed([(share, value.panels) for value in values]),
        sensors=_summed([(share, value.sensors) for value in values]),
        n=len(values),
    )


def mean_of_groups(groups: Mapping[object, Sequence[SharedValue]], what: str) -> SharedValue:
    """Return the mean over groups of the means of their repeats, every group with the same weight."""
    means = [mean_of_repeats(values, what) for values in groups.values()]
    return combined([(1 / len(means), mean) for mean in means])


def _summed(terms: Sequence[tuple[float, Mapping[_Key, float]]]) -> dict[_Key, float]:
    total: dict[_Key, float] = {}
    for factor, shares in terms:
        for key, share in shares.items():
            total[key] = total.get(key, 0.0) + factor * share
    return total
