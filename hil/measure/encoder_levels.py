"""Shares of a cycle from sampled outputs of an encoder whose wheel is turned by hand, at no even speed.

A share is one of angle, not of time: a hand speeds up, slows down, stops to grip again and turns back. The angle
travelled is taken from the places where the output goes high, which are whole cycles apart whatever the duty is, by a
cubic through the four of them around each (linear in between would book a change of speed to one half), and once more
from where it goes low; the mean of both leaves out what a steady acceleration still does. Where a cycle has too few
samples to show where it begins, several cycles together make the unit, and the share of the samples in it stands.

Units in which the wheel sped up, slowed down or stood count less, by how much longer or shorter they are than their
neighbours. That depends on where cycles begin and not on what the output did within, so that it favours neither half.
The uncertainty is that of the weighted scatter of units with the effective number of them, and never less than what
sampling leaves. A speed that goes round with the disc, once in each of its cycles, cannot be told from its duty.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hil.measure.evidence import Floats
from hil.measure.uncertainty import Mean, Part, effective_number
from hil.measure.values import CannotMeasureError

Flags = NDArray[np.bool_]
Integers = NDArray[np.int64]

_FEW = 12.0  # samples a cycle below which single cycles show their ends too badly
_ENOUGH = 10.0  # samples that a unit of several cycles holds
_FEWEST_UNITS = 8  # units are not joined to fewer than this
_LEAST_UNITS = 4
_LEAST_SD = 0.01  # of a share: below it, changes of speed are no reason to weigh units differently
_BY_CHANGE = 0.3  # how far a change of speed by a factor e moves the share of a unit, at the square of its logarithm
_UNSEEN = 0.9  # of that logarithm: what halves that fell between samples make of units of several cycles
_NO_HOLE = 1.5  # sampling periods; a longer one is a hole, and no unit crosses it


@dataclass(frozen=True, slots=True, kw_only=True)
class AngleShare:
    """A share of a cycle: `mean` with its contribution (n units of `cycles` cycles), and what it rests on.

    `per_cycle` is the usual number of samples in a cycle as they show it; below 2 they cannot show it.
    """

    mean: Mean
    cycles: int
    per_cycle: float

    @property
    def way(self) -> str:
        """How it was told, in a sentence."""
        if self.cycles == 1:
            return f"By where the output changes, {self.per_cycle:.0f} samples a cycle, over {self.mean.n} cycles."
        return (
            f"By the share of samples, {self.per_cycle:.1f} a cycle as they show it, over {self.mean.n} units of "
            f"{self.cycles} cycles."
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Units:
    """Units of whole cycles from one kind of edge: their values and weights, in order.

    `roundings` is how many times the number of samples in them changed: a speed that goes evenly into the sampling rate
    rounds every cycle alike.
    """

    values: Floats
    weights: Floats
    roundings: int

    @property
    def mean(self) -> float:
        return float(np.sum(self.weights * self.values) / np.sum(self.weights))

    @property
    def pull(self) -> Floats:
        """How far each unit pulls the mean."""
        return np.asarray(self.weights * (self.values - self.mean) / np.sum(self.weights))


@dataclass(frozen=True, slots=True, kw_only=True)
class Runs:
    """Samples joined where they do not differ: run k lasts from `edge_s[k]` to `edge_s[k + 1]` at `level[k]`.

    `period_s` is the sampling period. Where a hole was, a run begins half a period before the sample after it.
    """

    edge_s: Floats
    level: Integers
    period_s: float


def runs_of(time_s: Floats, level: Integers) -> Runs:
    """Join samples, in order of time [s], of outputs added up; raise `CannotMeasureError` where there are too few."""
    period = float(np.median(np.diff(time_s))) if time_s.size > 1 else 0.0
    if period <= 0:
        raise CannotMeasureError("there are too few samples of the encoder's outputs")
    steps = np.diff(time_s)
    middle = np.where(steps > _NO_HOLE * period, time_s[1:] - period / 2, time_s[:-1] + steps / 2)
    changed = np.nonzero(np.diff(level))[0]
    edge = np.concatenate([[time_s[0] - period / 2], middle[changed], [time_s[-1] + period / 2]])
    return Runs(edge_s=edge, level=level[np.concatenate([[0], changed + 1])], period_s=period)


def angle_share(runs: Runs, is_on: Flags, is_high: Flags) -> AngleShare:
    """Return the share of the angle turned in which `is_on`, over whole cycles of the output `is_high`.

    Both have one value a run. Raises `CannotMeasureError` where fewer than four cycles are whole.
    """
    change = np.diff(is_high.astype(np.int64))
    rises, falls = runs.edge_s[1:-1][change > 0], runs.edge_s[1:-1][change < 0]
    if rises.size < _LEAST_UNITS + 1 or falls.size < _LEAST_UNITS + 1:
        raise CannotMeasureError(
            f"the samples show {max(0, rises.size - 1)} whole cycles; turn the wheel for {_LEAST_UNITS} or more"
        )
    per_cycle = float(np.median(np.diff(rises))) / runs.period_s
    cycles = _cycles_together(per_cycle, rises.size - 1)
    both = [_units(runs, is_on, edges[::cycles], cycles) for edges in (rises, falls)]
    return AngleShare(mean=_joined(both, cycles * per_cycle), cycles=cycles, per_cycle=per_cycle)


def _cycles_together(per_cycle: float, whole: int) -> int:
    if per_cycle >= _FEW:
        return 1
    return max(1, min(math.ceil(_ENOUGH / per_cycle), whole // _FEWEST_UNITS))


def _units(runs: Runs, is_on: Flags, knots: Floats, cycles: int) -> _Units:
    """Return the share of every unit between two knots in which `is_on`, and its weight.

    Of units of several cycles it is the share of samples, and they weigh by their samples: few samples a unit would
    otherwise pull the mean of their quotients towards one half. Halves that fell between two samples lengthen such a
    unit too, the shorter ones most often: only one that took much longer than its neighbours weighs less.
    """
    number = knots.size - 1
    whole = np.searchsorted(knots, (runs.edge_s[:-1] + runs.edge_s[1:]) / 2, side="right") - 1
    kept = np.nonzero((whole >= 0) & (whole < number) & is_on)[0]
    lasted, long_s = np.diff(knots), np.diff(runs.edge_s)
    on_s: Floats = np.bincount(whole[kept], weights=long_s[kept], minlength=number).astype(np.float64)
    sd = math.hypot(_LEAST_SD, runs.period_s / float(np.median(lasted)) / math.sqrt(6))
    change = np.maximum(0.0, _change(lasted) - (_UNSEEN if cycles > 1 else 0.0))
    weights = 1 / (sd**2 + (_BY_CHANGE * change**2) ** 2)
    if cycles > 1:
        values, weights = on_s / lasted, weights * lasted
    else:
        turned = np.diff(_turned(runs.edge_s, knots))
        values = np.bincount(whole[kept], weights=turned[kept], minlength=number).astype(np.float64)
    shape = np.rint(np.column_stack([lasted, on_s]) / runs.period_s)
    roundings = 1 + int(np.sum(np.any(np.diff(shape, axis=0) != 0, axis=1)))
    return _Units(values=values, weights=weights, roundings=roundings)


def _change(lasted: Floats) -> Floats:
    """Return the logarithm of how much longer or shorter each unit was than its neighbours, the larger of two."""
    steps: Floats = np.abs(np.diff(np.log(lasted)))
    both = np.stack([np.concatenate([steps[:1], steps]), np.concatenate([steps, steps[-1:]])])
    return np.asarray(np.max(both, axis=0))


def _turned(time_s: Floats, knots: Floats) -> Floats:
    """Return the angle turned at some times [units], by a cubic through the four knots around each, kept in order.

    Lagrange's interpolation of the number of the knot over its time.
    """
    last = knots.size - 2
    at = np.clip(np.searchsorted(knots, time_s, side="right") - 1, 0, last)
    first = np.clip(at - 1, 0, knots.size - 4)
    nodes = first[:, np.newaxis] + np.arange(4)
    x = knots[nodes] - time_s[:, np.newaxis]
    value = np.zeros_like(time_s)
    for one in range(4):
        factor = np.ones_like(time_s)
        for other in range(4):
            if other != one:
                factor *= -x[:, other] / (x[:, one] - x[:, other])
        value += factor * nodes[:, one]
    return np.asarray(np.clip(value, at, at + 1))


def _joined(both: list[_Units], samples: float) -> Mean:
    """Return the mean of what rises and falls tell; their units overlap, so that they count as one row of units."""
    rises, falls = both
    n = min(rises.values.size, falls.values.size)
    pull = (rises.pull[:n] + falls.pull[:n]) / 2
    weights = rises.weights
    kish = float(np.sum(weights)) ** 2 / float(np.sum(weights**2))
    number = max(2.0, min(kish, kish * effective_number(pull) / n))
    scatter = math.sqrt(float(pull @ pull) * kish / number * number / (number - 1))
    rounding = 1 / samples / math.sqrt(6 * min(kish, rises.roundings))
    value = (rises.mean + falls.mean) / 2
    sd = float(np.std(rises.values, ddof=1))
    return Mean(value=value, part=Part(max(scatter, rounding), number - 1), sd=sd, n=n)
