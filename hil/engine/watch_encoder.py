"""What `hil watch encoder` shows: a large light for each output, high and low angle, turns, direction, wrong edges.

Where the robot sends its encoders' outputs as sampled, the halves of the cycle are told by the meter for hands
(`hil.measure.hand_meter`). A robot that streams counts only shows what counts can show: how many, in which direction
and how fast; that both halves are equal they cannot say, and the page says so.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from hil.engine.watch_page import Gauge, Page, State
from hil.measure.hand_meter import HandMeter, HandSettings, HandState, HandVerdict
from hil.measure.model import Encoder, Robot
from hil.quantities import counted

WHEELS = ("left", "right")
_TOLERANCE_DEG = 72.0  # of high less low: a duty of 50 +- 10 %, as the suite `encoders` asks of the entry class
_FAST_TOLERANCE_DEG = 36.0
_WRONG_PER_TURN = 1.0  # common practice, no source: between a hand's one in two turns and a dirty slit's two in one
_WRONG_AT_ALL = 4.0  # edges: two pairs
_MOST_SAMPLES = 4096  # kept until the meter takes them
_GOOD = (HandVerdict.GOOD, HandVerdict.STAYS_GOOD)


@dataclass(slots=True)
class _Wheel:
    """One wheel: its meter, samples not taken yet, and its counts."""

    meter: HandMeter
    times_s: list[float] = field(default_factory=list)
    levels: list[int] = field(default_factory=list)
    first_count: float | None = None
    count: float | None = None
    peak: tuple[float, float] | None = None

    def take(self, time_s: float, level: int) -> bool:
        """Keep a sample for the meter, in bounds however long nobody looks; tell whether the outputs changed."""
        changed = bool(self.levels) and level != self.levels[-1]
        self.times_s.append(time_s)
        self.levels.append(level)
        if len(self.levels) >= _MOST_SAMPLES:
            self.state()
        return changed

    def state(self) -> HandState:
        """Give the meter what has come, and return what it shows."""
        times_s, levels = self.times_s, self.levels
        self.times_s, self.levels = [], []
        state = self.meter.feed(times_s, levels)
        if state.high_deg == state.high_deg:
            low, high = self.peak or (state.high_deg, state.high_deg)
            self.peak = (min(low, state.high_deg), max(high, state.high_deg))
        return state

    def reset(self) -> None:
        """Forget what was turned."""
        self.state()  # what was turned before the reset is not turned after it
        self.meter.reset()
        self.first_count, self.peak = self.count, None


class Wheels:
    """Both encoders, one of them shown large."""

    def __init__(self, robot: Robot, channels: Sequence[str]) -> None:
        encoder = robot.encoder or Encoder(channels=1, cycles_per_turn=robot.counts_per_turn / 2, edges=2)
        self._per_turn = robot.counts_per_turn
        self._outputs = encoder.channels
        self._by_levels = any(name.endswith(".levels") for name in channels)
        self._has_levels = False
        tolerance = _FAST_TOLERANCE_DEG if robot.robot_class == "fast" else _TOLERANCE_DEG
        settings = HandSettings(
            cycles_per_turn=encoder.cycles_per_turn * encoder.gear, outputs=encoder.channels, edges=encoder.edges,
            tolerance_deg=tolerance,
        )  # fmt: skip
        self._tolerance_deg = tolerance
        self._wheels = {
            wheel: _Wheel(meter=HandMeter(settings))
            for wheel in WHEELS
            if any(name.startswith(f"encoder.{wheel}") for name in channels)
        }
        self._main = next(iter(self._wheels), "left")
        self._is_chosen = False

    def take(self, values: Mapping[str, float], time_s: float) -> None:
        """Take in levels or counts; the wheel that is turned is shown large until another is asked for."""
        for name, wheel in self._wheels.items():
            level = values.get(f"encoder.{name}.levels")
            if level is not None and level == level:
                self._has_levels = True
                if wheel.take(time_s, int(level)) and not self._is_chosen:
                    self._main = name
            count = values.get(f"encoder.{name}")
            if count is not None:
                if wheel.count is not None and count != wheel.count and not self._is_chosen:
                    self._main = name
                wheel.count = count
                wheel.first_count = count if wheel.first_count is None else wheel.first_count

    def reset(self) -> None:
        """Forget what was turned, and follow the wheel that moves again."""
        self._is_chosen = False
        for wheel in self._wheels.values():
            wheel.reset()

    def following(self) -> None:
        """Show the other wheel, whichever moves."""
        names = list(self._wheels)
        self._main = names[(names.index(self._main) + 1) % len(names)]
        self._is_chosen = True

    def page(self) -> Page:
        """Return the page of the moment: of counts where the levels that the protocol knows do not come."""
        counted = any(wheel.count is not None for wheel in self._wheels.values())
        return (
            self._page_of_levels() if self._has_levels or (self._by_levels and not counted) else self._page_of_counts()
        )

    def _page_of_levels(self) -> Page:
        states = {name: wheel.state() for name, wheel in self._wheels.items()}
        lights = [light for name, state in states.items() for light in self._lights(name, state)]
        gauges = [self._angle(name, state) for name, state in states.items()]
        for name, state in states.items():
            gauges += _turned(name, state)
        verdict, state_shown = _judged(states[self._main])
        turning = [name for name, state in states.items() if state.direction]
        notes = ("both wheels turn: one at a time",) if len(turning) > 1 else ()
        return Page(
            title="Encoders, wheels turned by hand", gauges=(*lights, *gauges), verdict=f"{self._main}: {verdict}",
            state=state_shown, main=list(states).index(self._main), notes=notes,
        )  # fmt: skip

    def _lights(self, name: str, state: HandState) -> list[Gauge]:
        return [
            Gauge(label=f"{name} {'AB'[bit]}", is_light=True, light=state.levels >= 0 and bool(state.levels & 1 << bit))
            for bit in range(self._outputs)
        ]

    def _angle(self, name: str, state: HandState) -> Gauge:
        half = self._tolerance_deg / 2
        high = None if state.high_deg != state.high_deg else state.high_deg
        low = "" if high is None else f"low {state.low_deg:.0f} deg"
        return Gauge(
            label=f"{name} high", unit="deg", value=high, high=360.0, band=(180.0 - half, 180.0 + half), also=low,
            peak=self._wheels[name].peak,
        )  # fmt: skip

    def _page_of_counts(self) -> Page:
        gauges = []
        for name, wheel in self._wheels.items():
            turned = None if wheel.count is None or wheel.first_count is None else wheel.count - wheel.first_count
            also = "" if turned is None else f"{turned / self._per_turn:+.2f} turns"
            gauges.append(Gauge(label=f"{name} counts", value=turned, high=self._per_turn * 20, also=also))
        heard = any(gauge.value is not None for gauge in gauges)
        verdict = "counts only: turn a wheel from mark to mark; the halves of a cycle cannot be seen by them."
        if not heard:
            verdict = "no count has come yet."
        return Page(
            title="Encoders by their counts", gauges=tuple(gauges), verdict=verdict,
            main=list(self._wheels).index(self._main),
        )  # fmt: skip


def _judged(state: HandState) -> tuple[str, State]:
    """Return what to do with the wheel that is shown large, and how it stands.

    Halves that are equal are not good where edges were wrong; where the samples could not follow, neither is known.
    """
    if state.is_too_fast:
        slow = state.followed_turns_per_s
        below = f" (below {slow:.2g} turns a second)" if slow == slow else ""
        return f"turn more slowly{below}, the samples do not follow; then reset (r).", State.UNKNOWN
    if state.verdict in (HandVerdict.WAITING, HandVerdict.MEASURING):
        return state.advice, State.UNKNOWN
    if state.verdict not in _GOOD:
        return state.advice, State.BAD
    wrong = state.missing + state.extra + state.illegal
    if wrong > _wrong_allowed(state):
        advice = (
            "reset (r) and turn slowly, evenly. If they come again, see the disc for dirt and the sensor's distance."
        )
        return f"{wrong} edges were wrong: {advice}", State.BAD
    return state.advice, State.GOOD


def _wrong_allowed(state: HandState) -> float:
    """Return how many edges may look wrong by the hand alone.

    A slit that is dirty is seen in every turn, two edges each; where a hand halts and grips anew, a pair may look
    missing once in some turns.
    """
    return max(_WRONG_AT_ALL, _WRONG_PER_TURN * abs(state.turns))


def _turned(name: str, state: HandState) -> list[Gauge]:
    """Return how far a wheel was turned, and what went wrong meanwhile."""
    way = {1: "forward", -1: "backward", 0: "at rest"}[state.direction]
    wrong = state.missing + state.extra + state.illegal
    way = f"{way} {state.turns_per_s:.1f}/s" if state.direction or state.turns_per_s else way
    also = f"{counted(state.counts, 'count')}, {way}"
    kinds = {"missing": state.missing, "extra": state.extra, "illegal": state.illegal}
    allowed = _wrong_allowed(state)
    edges = ", ".join(f"{kind} {count}" for kind, count in kinds.items() if count)
    return [
        Gauge(label=f"{name} turns", value=state.turns, high=20.0, digits=2, also=also),
        Gauge(
            label=f"{name} wrong",
            unit="edges",
            value=float(wrong),
            high=max(10.0, 2 * allowed),
            band=(0.0, allowed),
            also=edges,
        ),
    ]
