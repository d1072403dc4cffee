"""A meter for one encoder while a person turns its wheel by hand and moves the sensor until both halves are equal.

It takes the outputs as sampled, as they come, and says at any time how long the output is high and low, in electrical
degrees of the cycle (180 each is right), by the same arithmetic as the measurement (`hil.measure.encoder_levels`) over
the last turns. It is good when the difference is within the tolerance, and stays good when it was so over ten turns on
end. Only the last runs of equal samples are kept, so that it may run for hours.

A hand's speed tells no single missing edge. A cycle that took twice as long as the two before and the two after it,
which were all alike, is one that missed a pair of edges; two that took together as long as those around them were one
cycle, split by an extra pair; a change of both outputs at once is a missed edge. An uneven hand (50 %) is taken for a
missing pair about once in 20 turns at most; of real ones it finds the half or fewer, those in its even strokes.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum

import numpy as np

from hil.measure.encoder_edges import OUTPUTS, QUADRATURE
from hil.measure.encoder_levels import AngleShare, Runs, angle_share
from hil.measure.values import CannotMeasureError

_CYCLE_DEG = 360.0
_MOST_RUNS = 4096  # changes kept: two turns of a disc of 500 cycles with two outputs
_FEWEST_CYCLES = 6  # in the window, where so few are less than the turns it should hold
_ALIKE = 1.3  # neighbouring cycles whose periods differ by less are of an even speed
_MISSED = (1.7, 2.6)  # of the period before and after: a cycle that missed a pair of edges
_STANDS_S = 0.5  # without a change for so long, the wheel stands
_FOLLOWED = 6.0  # samples a cycle below which edges go unseen
_RECENT = 50  # cycles over which it is seen whether the samples follow
_MOSTLY = 0.7  # of them must be followed
_PERIODS = 64  # sampling steps that the sampling period is the median of


class HandVerdict(Enum):
    """What to tell the person, in the words shown."""

    WAITING = "turn the wheel"
    MEASURING = "keep turning"
    HIGH_TOO_LONG = "high too long"
    LOW_TOO_LONG = "low too long"
    GOOD = "good"
    STAYS_GOOD = "stays good"


@dataclass(frozen=True, slots=True, kw_only=True)
class HandState:
    """What the meter shows.

    `levels` are the outputs now, added up (-1: no sample yet). `high_deg` and `low_deg` are of the cycle, `off_deg` is
    high less low with its standard uncertainty `u_off_deg` (all nan until enough was turned). `turns` is what was
    turned by the counts, forward less backward where the outputs tell. `direction` is +1, -1, or 0 at rest and where
    one output does not tell. `counts_per_turn` is from mark to mark (nan before the second). `good_turns` is for how
    many turns it has been good on end. `is_too_fast` says that the samples cannot follow: `missing`, `extra`,
    `illegal` and the counts are then the samples' fault; up to `followed_turns_per_s` they can. `advice` is a sentence.
    """

    levels: int = -1
    high_deg: float = math.nan
    low_deg: float = math.nan
    off_deg: float = math.nan
    u_off_deg: float = math.nan
    counts: int = 0
    turns: float = 0.0
    counts_per_turn: float = math.nan
    direction: int = 0
    turns_per_s: float = 0.0
    missing: int = 0
    extra: int = 0
    illegal: int = 0
    good_turns: float = 0.0
    is_too_fast: bool = False
    followed_turns_per_s: float = math.nan
    verdict: HandVerdict = HandVerdict.WAITING
    advice: str = "Turn the wheel by hand, evenly."


@dataclass(frozen=True, slots=True, kw_only=True)
class HandSettings:
    """What the meter is told of the encoder and of what is good.

    `cycles_per_turn` is of one output in a turn of the wheel; `edges` of a cycle are counted (1, 2 or 4). It is good
    when high and low differ by `tolerance_deg` or less (36 deg: a duty of 50 +- 5 %), for `good_turns` turns on end.
    """

    cycles_per_turn: float
    outputs: int = 2
    edges: int = 4
    output: str = "a"
    tolerance_deg: float = 36.0
    over_turns: float = 2.0
    good_turns: float = 10.0


class HandMeter:
    """Feed it samples of one encoder's outputs as they come; `state` is what to show."""

    def __init__(self, settings: HandSettings) -> None:
        if settings.cycles_per_turn <= 0 or settings.output not in OUTPUTS[: settings.outputs]:
            raise ValueError(f"no encoder is like this: {settings}")
        self._settings = settings
        self._bit = 1 << OUTPUTS.index(settings.output)
        self._marked: int | None = None
        self._counts_per_turn = math.nan
        self._steps: deque[float] = deque(maxlen=_PERIODS)
        self._begin_anew()

    def _begin_anew(self) -> None:
        self._starts: deque[float] = deque(maxlen=_MOST_RUNS)  # when each run began
        self._levels: deque[int] = deque(maxlen=_MOST_RUNS)
        self._periods: deque[float] = deque(maxlen=6)  # of the last cycles
        self._followed: deque[bool] = deque(maxlen=_RECENT)  # whether the samples followed each of the last cycles
        self._last_s = self._rise_s = math.nan
        self._position = self._changes = self._direction = 0
        self._missing = self._extra = self._illegal = 0
        self._good_from: float | None = None
        self._share: AngleShare | None = None
        self._travel = 0.0  # angle turned whichever way, cycles
        self._marked = None
        self._counts_per_turn = math.nan

    def reset(self) -> None:
        """Forget what was turned; the settings stay."""
        self._begin_anew()

    def mark(self) -> float:
        """Take the wheel to be at its mark; return the counts since the last mark (nan at the first)."""
        if self._marked is not None:
            self._counts_per_turn = float(abs(self._counts - self._marked))
        self._marked = self._counts
        return self._counts_per_turn

    def feed(self, times_s: Sequence[float], levels: Sequence[int]) -> HandState:
        """Take samples (times in s, outputs added up, as many of each) that follow the ones before; return the state.

        Samples that are not later than the last one are left out.
        """
        rose = False
        for told_s, raw in zip(times_s, levels, strict=True):
            time_s, level = float(told_s), int(raw) & (3 if self._settings.outputs == 2 else 1)
            if self._levels and not time_s > self._last_s:
                continue
            if not self._levels:
                self._starts.append(time_s)
                self._levels.append(level)
            else:
                self._steps.append(time_s - self._last_s)
                if level != self._levels[-1]:
                    rose |= self._changed(time_s, level)
            self._last_s = time_s
        if rose:
            self._judge()
        return self.state

    @property
    def _counts(self) -> int:
        if self._settings.outputs == 2:
            return self._position * self._settings.edges // 4
        return self._changes * self._settings.edges // 2

    def _changed(self, time_s: float, level: int) -> bool:
        """Take a change of the outputs; return whether a cycle began."""
        before, at_s = self._levels[-1], (self._last_s + time_s) / 2
        self._starts.append(at_s)
        self._levels.append(level)
        self._changes += 1
        if self._settings.outputs == 2:
            step = (QUADRATURE.index(level) - QUADRATURE.index(before)) % 4
            self._illegal += step == 2 and self._follows(list(self._periods)[-2:])
            self._direction = {1: 1, 3: -1}.get(step, self._direction)
            self._position += self._direction * (2 if step == 2 else 1)
            self._travel += (2 if step == 2 else 1) / 4
        else:
            self._travel += 0.5
        if before & self._bit or not level & self._bit:
            return False
        if math.isfinite(self._rise_s):
            self._periods.append(at_s - self._rise_s)
            self._followed.append(self._follows(list(self._periods)[-1:]))
            self._count_faults()
        self._rise_s = at_s
        return True

    def _count_faults(self) -> None:
        """Look at the last cycles but one, between neighbours of an even speed."""
        periods = list(self._periods)
        if len(periods) >= 5:
            near = (*periods[-5:-3], *periods[-2:])
            ratio = periods[-3] * len(near) / sum(near)
            self._missing += 2 if self._follows(near) and _are_alike(near) and _MISSED[0] < ratio < _MISSED[1] else 0
        if len(periods) == 6:
            near = (*periods[:2], *periods[-2:])
            ratio = (periods[2] + periods[3]) * len(near) / sum(near)
            self._extra += 2 if self._follows(near) and _are_alike(near) and 1 / _ALIKE < ratio < _ALIKE else 0

    def _follows(self, periods_s: Sequence[float]) -> bool:
        """Tell whether samples come often enough for cycles of these periods, so that what looks wrong is wrong."""
        return bool(periods_s) and min(periods_s) >= _FOLLOWED * self._step_s

    def _judge(self) -> None:
        """Tell the halves of the last turns, and since when they have been good."""
        settings = self._settings
        runs_a_cycle = 4 if settings.outputs == 2 else 2
        cycles = max(_FEWEST_CYCLES, settings.over_turns * settings.cycles_per_turn)
        kept = min(len(self._levels), round(runs_a_cycle * cycles) + 2)
        starts, levels = list(self._starts)[-kept:], np.array(list(self._levels)[-kept:])
        is_high = levels & self._bit > 0
        runs = Runs(
            edge_s=np.array([*starts, self._last_s]), level=levels, period_s=float(np.median(list(self._steps)))
        )
        try:
            self._share = angle_share(runs, is_high, is_high)
        except CannotMeasureError:
            self._share = None
        off = self._off_deg()
        if not abs(off) <= settings.tolerance_deg:
            self._good_from = None
        elif self._good_from is None:
            self._good_from = self._travel

    def _off_deg(self) -> float:
        return _CYCLE_DEG * (2 * self._share.mean.value - 1) if self._share is not None else math.nan

    @property
    def state(self) -> HandState:
        """What the meter shows now."""
        settings, off = self._settings, self._off_deg()
        good = 0.0 if self._good_from is None else (self._travel - self._good_from) / settings.cycles_per_turn
        verdict = self._verdict(off, good)
        stands = not self._starts or self._last_s - self._starts[-1] > _STANDS_S
        cycle_s = self._periods[-1] if self._periods else math.inf
        turns = self._position / 4 if settings.outputs == 2 else self._changes / 2
        return HandState(
            levels=self._levels[-1] if self._levels else -1,
            high_deg=(_CYCLE_DEG + off) / 2,
            low_deg=(_CYCLE_DEG - off) / 2,
            off_deg=off,
            u_off_deg=2 * _CYCLE_DEG * self._share.mean.part.u if self._share is not None else math.nan,
            counts=self._counts,
            turns=turns / settings.cycles_per_turn,
            counts_per_turn=self._counts_per_turn,
            direction=0 if stands else self._direction,
            turns_per_s=0.0 if stands else 1 / cycle_s / settings.cycles_per_turn,
            missing=self._missing,
            extra=self._extra,
            illegal=self._illegal,
            good_turns=good,
            is_too_fast=self._is_coarse or (not stands and self._is_too_fast(cycle_s)),
            followed_turns_per_s=self._followed_turns_per_s,
            verdict=verdict,
            advice=self._advice(verdict, off, good),
        )

    @property
    def _is_coarse(self) -> bool:
        """Whether the samples followed too few of the last cycles for anything to be said of them."""
        return len(self._followed) >= _RECENT / 5 and sum(self._followed) < _MOSTLY * len(self._followed)

    @property
    def _followed_turns_per_s(self) -> float:
        step_s = self._step_s
        return 1 / (_FOLLOWED * step_s * self._settings.cycles_per_turn) if step_s > 0 else math.nan

    @property
    def _step_s(self) -> float:
        """From sample to sample [s]; where they come in bursts, as by the host's clock, their mean says more."""
        return (
            max(float(np.median(list(self._steps))), math.fsum(self._steps) / len(self._steps)) if self._steps else 0.0
        )

    def _is_too_fast(self, cycle_s: float) -> bool:
        return bool(self._steps) and cycle_s < _FOLLOWED * self._step_s

    def _verdict(self, off_deg: float, good_turns: float) -> HandVerdict:
        if self._changes == 0:
            return HandVerdict.WAITING
        if math.isnan(off_deg):
            return HandVerdict.MEASURING
        if self._is_open(off_deg):
            return HandVerdict.MEASURING
        if abs(off_deg) > self._settings.tolerance_deg:
            return HandVerdict.HIGH_TOO_LONG if off_deg > 0 else HandVerdict.LOW_TOO_LONG
        return HandVerdict.STAYS_GOOD if good_turns >= self._settings.good_turns else HandVerdict.GOOD

    def _is_open(self, off_deg: float) -> bool:
        """Tell whether samples come so seldom that the halves may as well be good as not."""
        share, tolerance = self._share, self._settings.tolerance_deg
        if self._is_coarse:
            return True
        if share is None or share.cycles == 1:
            return False
        reach = 2 * 2 * _CYCLE_DEG * share.mean.part.u  # two standard uncertainties of high less low
        return abs(off_deg) - reach <= tolerance < abs(off_deg) + reach

    def _advice(self, verdict: HandVerdict, off_deg: float, good_turns: float) -> str:
        if verdict is HandVerdict.WAITING:
            return "Turn the wheel by hand, evenly."
        if verdict is HandVerdict.MEASURING and math.isnan(off_deg):
            return "Keep turning: a few more cycles are needed."
        if verdict is HandVerdict.MEASURING:
            return "Turn more slowly: so few samples do not tell yet whether high and low are equal."
        if verdict is HandVerdict.GOOD:
            left = self._settings.good_turns - good_turns
            return f"Good. Turn {left:.1f} turns more without touching the sensor."
        if verdict is HandVerdict.STAYS_GOOD:
            return f"Good over {good_turns:.0f} turns. The sensor can be fixed as it is."
        word = "high" if off_deg > 0 else "low"
        return f"{word.capitalize()} lasts {abs(off_deg):.0f} deg longer; move the sensor until both are 180."


def _are_alike(periods_s: Sequence[float]) -> bool:
    return max(periods_s) < _ALIKE * min(periods_s)
