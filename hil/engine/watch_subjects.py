"""What `hil watch` can show of walls, supply and loop timing: values come in, a page comes out.

A subject keeps what it needs of the past and no more: the latest value of each channel, its least and most since the
last reset, and a short window for its noise. Every verdict says what to do with the screwdriver in hand.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Protocol

from hil.engine.watch_page import Gauge, Page, State
from hil.measure.chemistry import chemistry_of
from hil.measure.evidence import DARK
from hil.measure.model import Robot
from hil.measure.regulator import motor_set_v
from hil.measure.wall_sensor import SATURATED_SHARE

_WINDOW = 64  # readings that a noise is taken over
_DARK_SHARE = 0.3  # of full scale; common practice, no source
_LEFT_RIGHT = 0.10  # common practice, no source: 2.4 mm at the wall
_RAIL_SHARE = 0.03  # of what is set (tolerance of the suite `supply`)
_LATE = 2.0  # periods; the limit of the suite `loop-timing`
_NORMAL_MEDIAN = 0.6745  # of the size of a normal deviate
_LEAST_LIGHT = 5.0  # counts above dark that are light at all
_WALL_SHARE = 0.05  # of full scale, above dark: there is a wall to be compared by


class Subject(Protocol):
    """What a live display is about."""

    def take(self, values: Mapping[str, float], time_s: float) -> None:
        """Take in values of channels that came at a time [s]."""

    def reset(self) -> None:
        """Forget peaks and what was gathered."""

    def following(self) -> None:
        """Go on to the next thing to be shown large."""

    def page(self) -> Page:
        """Return what is to be shown now."""


@dataclass(slots=True)
class Followed:
    """One channel: its latest value, least and most since a reset, and a window of the last values."""

    value: float = math.nan
    least: float = math.inf
    most: float = -math.inf
    window: deque[float] = field(default_factory=lambda: deque(maxlen=_WINDOW))

    def take(self, value: float) -> None:
        """Take in a value."""
        self.value = value
        self.least, self.most = min(self.least, value), max(self.most, value)
        self.window.append(value)

    def reset(self) -> None:
        """Forget peaks and window."""
        self.least, self.most = math.inf, -math.inf
        self.window.clear()

    @property
    def shown(self) -> float | None:
        """The value, None where none came."""
        return None if math.isnan(self.value) else self.value

    @property
    def peak(self) -> tuple[float, float] | None:
        """Least and most, None where none came since the reset."""
        return None if math.isinf(self.least) else (self.least, self.most)

    @property
    def mean(self) -> float:
        """Mean of the window; nan without one."""
        return sum(self.window) / len(self.window) if self.window else math.nan

    @property
    def scatter(self) -> float:
        """Standard deviation by the median step from one value to the next, which a move of the wall does not change.

        nan where fewer than ten values tell it.
        """
        if len(self.window) < 10:
            return math.nan
        steps = sorted(abs(after - before) for before, after in pairwise(self.window))
        return steps[len(steps) // 2] / (_NORMAL_MEDIAN * math.sqrt(2))


class Walls:
    """Readings of the wall sensors, lit less dark, one shown large; with set points the band around each."""

    def __init__(self, robot: Robot, channels: Sequence[str], set_points: Mapping[str, float] | None = None) -> None:
        self._robot = robot
        self._channels = tuple(channels)
        self._set_points = dict(set_points or {})
        self._light = {channel: Followed() for channel in self._channels}
        self._lit = {channel: Followed() for channel in self._channels}
        self._dark = {channel: Followed() for channel in self._channels}
        self._main = 0

    def take(self, values: Mapping[str, float], time_s: float) -> None:
        """Take in readings; a dark level that comes more seldom stands until the next."""
        for channel in self._channels:
            dark = values.get(channel + DARK)
            if dark is not None:
                self._dark[channel].take(dark)
            lit = values.get(channel)
            if lit is not None:
                self._lit[channel].take(lit)
                self._light[channel].take(lit - (self._dark[channel].shown or 0.0))

    def reset(self) -> None:
        """Forget peaks and noise."""
        for followed in (*self._light.values(), *self._lit.values(), *self._dark.values()):
            followed.reset()

    def following(self) -> None:
        """Show the next sensor large."""
        self._main = (self._main + 1) % max(1, len(self._channels))

    def page(self) -> Page:
        """Return the page of the moment."""
        full = float(self._robot.adc_full_scale)
        gauges = tuple(self._gauge(channel, full) for channel in self._channels)
        trouble = self._trouble(full)
        heard = any(gauge.value is not None for gauge in gauges)
        if trouble:
            verdict, state = trouble, State.BAD
        elif not heard:
            verdict, state = "no reading of a wall sensor has come yet.", State.UNKNOWN
        else:
            verdict, state = self._said(gauges, full)
        notes = () if self._set_points else ("no set points: --surface NAME",)
        return Page(
            title="Wall sensors, lit less dark", gauges=gauges, verdict=verdict, state=state, main=self._main,
            notes=notes,
        )  # fmt: skip

    def _gauge(self, channel: str, full: float) -> Gauge:
        light, dark = self._light[channel], self._dark[channel]
        wanted = self._set_points.get(channel)
        noise = light.scatter
        words = [] if dark.shown is None else [f"dark {dark.shown:.0f}"]
        if not math.isnan(noise) and light.mean > _LEAST_LIGHT:
            words.append(f"noise {100 * noise / light.mean:.1f} %")
        # A sensor that sees no wall is not off its set point: there is nothing to be set.
        sees = light.shown is not None and light.shown > _WALL_SHARE * full
        band = None if wanted is None or not sees else (wanted * (1 - _LEFT_RIGHT), wanted * (1 + _LEFT_RIGHT))
        return Gauge(
            label=channel.removeprefix("wall."), unit="count", value=light.shown, high=full, band=band, peak=light.peak,
            also=", ".join(words),
        )  # fmt: skip

    def _trouble(self, full: float) -> str:
        # Foreign light comes first: it is also what brings a sensor to its full scale.
        for channel in self._channels:
            name, dark = channel.removeprefix("wall."), self._dark[channel]
            if dark.shown is not None and dark.shown > _DARK_SHARE * full:
                return f"{name} reads {dark.shown:.0f} without its own light: shade it from lamps and sun."
        for channel in self._channels:
            name, lit, dark = channel.removeprefix("wall."), self._lit[channel], self._dark[channel]
            if lit.shown is not None and lit.shown >= SATURATED_SHARE * full:
                return f"{name} is at full scale: move the wall away, or lower its gain."
            if len(lit.window) == _WINDOW and lit.peak is not None and lit.peak[0] == lit.peak[1] and dark.shown == 0:
                return f"{name} does not move at all: see its plug."
        return ""

    def _said(self, gauges: tuple[Gauge, ...], full: float) -> tuple[str, State]:
        off = [gauge for gauge in gauges if gauge.state is State.BAD and gauge.value is not None and gauge.band]
        if off:
            gauge = off[0]
            assert gauge.band is not None and gauge.value is not None  # noqa: S101, PT018  (chosen so)
            middle = sum(gauge.band) / 2
            share = 100 * (gauge.value / middle - 1)
            todo = "trim it down, or move the wall away" if share > 0 else "trim it up, or move the wall nearer"
            return f"{gauge.label} is {share:+.0f} % off its set point of {middle:.0f} counts: {todo}.", State.BAD
        if any(gauge.band for gauge in gauges):
            return "every wall that is seen reads as its set point.", State.GOOD
        sides = [self._light.get(f"wall.{side}") for side in ("left", "right")]
        # Means are steadier, but a wall that has just been taken away is still in them.
        if all(side is not None and min(side.mean, side.shown or 0.0) > _WALL_SHARE * full for side in sides):
            left, right = (side.mean for side in sides if side is not None)
            share = left / right - 1
            if abs(share) <= _LEFT_RIGHT:
                return f"left and right agree within {100 * abs(share):.0f} %.", State.GOOD
            more, less = ("left", "right") if share > 0 else ("right", "left")
            much = 100 * abs(share if share > 0 else 1 / (1 + share) - 1)
            return f"{more} reads {much:.0f} % more than {less}: put the robot in the middle, or trim.", State.BAD
        seen = [gauge.label for gauge in gauges if gauge.value is not None and gauge.value > _WALL_SHARE * full]
        where = f"a wall is seen by {', '.join(seen)}" if seen else "hold a wall before one of them"
        return f"all readings are in range; {where}.", State.GOOD


class Power:
    """Battery and motor rail while a trimmer is turned; the rail is shown large where there is one."""

    def __init__(self, robot: Robot, channels: Sequence[str]) -> None:
        self._supply = robot.supply
        self._channels = tuple(channels)
        self._followed = {channel: Followed() for channel in self._channels}
        self._wanted = motor_set_v(robot.supply) if robot.supply else None
        self._main = self._channels.index("supply.motor") if "supply.motor" in self._channels else 0

    def take(self, values: Mapping[str, float], time_s: float) -> None:
        """Take in voltages, currents and duties."""
        for channel, followed in self._followed.items():
            if channel in values:
                followed.take(values[channel])

    def reset(self) -> None:
        """Forget peaks."""
        for followed in self._followed.values():
            followed.reset()

    def following(self) -> None:
        """Show the next quantity large."""
        self._main = (self._main + 1) % max(1, len(self._channels))

    def page(self) -> Page:
        """Return the page of the moment."""
        gauges = tuple(self._gauge(channel) for channel in self._channels)
        verdict, state = self._said(gauges)
        return Page(title="Supply", gauges=gauges, verdict=verdict, state=state, main=self._main)

    def _gauge(self, channel: str) -> Gauge:
        followed, supply = self._followed[channel], self._supply
        if channel == "supply.motor":
            wanted = self._wanted
            band = None if wanted is None else (wanted * (1 - _RAIL_SHARE), wanted * (1 + _RAIL_SHARE))
            top = 1.5 * wanted if wanted else 12.0
            return Gauge(
                label="motor rail", unit="V", value=followed.shown, high=top, band=band, peak=followed.peak, digits=2
            )
        if channel == "supply.battery":
            chemistry = chemistry_of(supply) if supply else None
            low = supply.lowest_v if supply else 0.0
            high = chemistry.full_v * supply.cells if chemistry and supply else math.inf
            top = high * 1.1 if math.isfinite(high) else 2 * low or 12.0
            band = (low, high) if supply else None
            return Gauge(
                label="battery", unit="V", value=followed.shown, high=top, band=band, peak=followed.peak, digits=2
            )
        if channel == "supply.current":
            return Gauge(label="current", unit="A", value=followed.shown, high=3.0, peak=followed.peak, digits=2)
        value = followed.shown
        return Gauge(
            label=channel, unit="%", value=None if value is None else 100 * value, low=-100.0, high=100.0,
            peak=None if followed.peak is None else (100 * followed.peak[0], 100 * followed.peak[1]),
        )  # fmt: skip

    def _said(self, gauges: tuple[Gauge, ...]) -> tuple[str, State]:
        heard = {gauge.label: gauge for gauge in gauges if gauge.value is not None}
        battery, rail = heard.get("battery"), heard.get("motor rail")
        if battery is None and rail is None:
            return "no voltage has come yet.", State.UNKNOWN
        if battery and battery.state is State.BAD and battery.band and battery.value is not None:
            low, high = battery.band
            if battery.value < low:
                return f"the battery is below its limit of {low:.2f} V: charge or replace it.", State.BAD
            return f"the battery is above {high:.2f} V, which its cells cannot have: check the robot file.", State.BAD
        if rail is not None and rail.value is not None and self._wanted is not None:
            return self._said_of_rail(rail.value, self._wanted, battery.value if battery else None, rail.state)
        left = ""
        if battery and battery.band and battery.value is not None:
            left = f"the battery is {battery.value - battery.band[0]:.2f} V above its limit of {battery.band[0]:.2f} V."
        if rail is None:
            return (left, State.GOOD) if left else ("no battery limits are said in the robot file.", State.UNKNOWN)
        unset = "no setting of the motor rail is said in the robot file (supply: motor, or regulator)."
        return f"{unset[:-1]}; {left}" if left else unset, State.UNKNOWN

    def _said_of_rail(self, rail_v: float, wanted_v: float, battery_v: float | None, state: State) -> tuple[str, State]:
        """Return what to do about a rail that has a setting; headroom is what the battery has above that setting."""
        off_v, regulator = rail_v - wanted_v, self._supply.regulator if self._supply else None
        least_v = wanted_v + regulator.dropout_v if regulator else math.nan
        if battery_v is not None and battery_v < least_v and off_v < 0:
            return f"the battery of {battery_v:.2f} V is too low: the rail needs {least_v:.2f} V of it.", State.BAD
        if state is not State.GOOD:
            return f"turn the rail {'down' if off_v > 0 else 'up'} by {abs(off_v):.2f} V.", State.BAD
        needs = f" of the {regulator.dropout_v:.2f} V needed" if regulator else ""
        headroom = f" Headroom {battery_v - wanted_v:.2f} V{needs}." if battery_v is not None else ""
        return f"the rail is right: {off_v:+.2f} V of {wanted_v:.2f} V.{headroom}", State.GOOD


class Timing:
    """The control loop: longest gap of each report, or every period where the robot tells them."""

    def __init__(self, channels: Sequence[str]) -> None:
        self._every = "loop.periods" in channels
        self._gap = Followed()
        self._periods: deque[float] = deque(maxlen=4096)

    def take(self, values: Mapping[str, float], time_s: float) -> None:
        """Take in a report."""
        for channel in ("loop.period", "loop.periods"):
            if channel in values:
                period = values[channel]
                self._gap.take(period)
                self._periods.append(period)

    def reset(self) -> None:
        """Forget the longest gap."""
        self._gap.reset()
        self._periods.clear()

    def following(self) -> None:
        """Go on to nothing else: there is one loop."""

    def page(self) -> Page:
        """Return the page of the moment."""
        ordered = sorted(self._periods)
        usual = ordered[len(ordered) // 2] if ordered else math.nan
        limit = None if math.isnan(usual) else (0.0, 1000 * _LATE * usual)
        longest = self._gap.peak[1] if self._gap.peak else None
        last, label = self._gap.shown, "last period" if self._every else "longest since the last report"
        gauges = (
            Gauge(label="longest gap", unit="ms", value=None if longest is None else 1000 * longest, digits=2,
                  high=limit[1] * 2 if limit else 10.0, band=limit),
            Gauge(label=label, unit="ms", value=None if last is None else 1000 * last, digits=3,
                  high=limit[1] * 2 if limit else 10.0, band=limit),
            Gauge(label="median", unit="ms", value=None if math.isnan(usual) else 1000 * usual, digits=3,
                  high=limit[1] * 2 if limit else 10.0),
        )  # fmt: skip
        if longest is None or limit is None:
            verdict, state = "no period of the control loop has come yet.", State.UNKNOWN
        elif 1000 * longest > limit[1]:
            times = longest / usual
            verdict, state = (
                f"a gap of {1000 * longest:.2f} ms was seen, {times:.1f} periods: find what ran then.",
                State.BAD,
            )
        else:
            verdict, state = f"no gap beyond {_LATE:g} periods since the reset.", State.GOOD
        return Page(title="Control loop", gauges=gauges, verdict=verdict, state=state)
