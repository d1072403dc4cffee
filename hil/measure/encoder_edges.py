"""Edges of an encoder put in order: cycles, states and directions, and the edges that are missing or too many.

A row says when an edge came and what the outputs were just after it. Turning forward, an encoder with two outputs goes
through four states: A alone, both, B alone, none (A leads); turning backward through the same states the other way. The
widths of the states as angles are those of the disc and its sensors whichever way it turns, so what lasts from an edge
to the next is booked to the state between them. One output has two states, and no direction.

An edge is held against the time at which it should have come: the local period, a running median over whole cycles, and
the share that its states take of it. What came in less than half of that time is an extra edge, unless it brought the
next state of two outputs, or fell short by less than a tenth of a cycle, as an edge of a narrow state may; what came
later is as many edges further as fit its level best, and those passed over are missing. Cycles are compared and not
half-cycles, so that a duty of 60 % or 70 %, where intervals alternate, is no fault of counting. An illegal transition
is a change of both outputs at once: at least one edge was not seen.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hil.measure.evidence import Drive, Evidence, Floats
from hil.measure.method import Parameters, drives_of
from hil.measure.model import Robot
from hil.measure.values import CannotMeasureError

Integers = NDArray[np.int64]

WHEELS = ("left", "right")
OUTPUTS = ("a", "b")
# States in the order of turning forward, by the outputs added up (1 A, 2 B): the outputs' bits of state 1, 2, 3, 4.
QUADRATURE = (1, 3, 2, 0)
SINGLE = (1, 0)
_NEIGHBOURS = 9  # cycles of the running median: a few missing ones do not move it, a change of speed does
_EARLY = 0.5  # of the time an edge should take: what came sooner is an extra one,
_SLACK = 0.1  # where that is by more than this share of a cycle
_NANO = 1e9


@dataclass(frozen=True, slots=True, kw_only=True)
class EdgeChain:
    """The edges of one encoder in one segment, in order.

    `time_s` and `place` (index into the states, of the one that begins) are of the edges kept; `advance[k]` is how many
    edges there should be from edge k to edge k + 1 (1: none is missing), and `is_sound[k]` says that none was missing
    there and none too many in it or in the interval after it, which may have begun early by that. `raw` is how many
    edges were recorded, `extra` how many of them were too many, `illegal` how many changed both outputs. `direction` is
    +1 forward, -1 backward, 0 where one output does not tell. `shares` are the usual shares of the states in a cycle,
    `period_s` is the median period and `step_s` the clock's step.
    """

    drive: Drive
    wheel: str
    states: tuple[int, ...]
    direction: int
    time_s: Floats
    place: Integers
    advance: Integers
    is_sound: NDArray[np.bool_]
    raw: int
    extra: int
    illegal: int
    shares: Floats
    period_s: float
    step_s: float

    @property
    def missing(self) -> int:
        """Edges that did not come."""
        return int(np.sum(self.advance - 1))

    @property
    def expected(self) -> int:
        """Edges that should have come."""
        return int(np.sum(self.advance))

    @property
    def is_quadrature(self) -> bool:
        """Whether both outputs were recorded."""
        return len(self.states) == len(QUADRATURE)


@dataclass(frozen=True, slots=True, kw_only=True)
class Cycles:
    """Whole cycles without a wrong edge: when they began, how long they were, and each state's share (n x states)."""

    begin_s: Floats
    period_s: Floats
    shares: Floats


def edge_chains(evidence: Evidence, parameters: Parameters) -> tuple[EdgeChain, ...]:
    """Return the edges of the wheel asked for in every segment that recorded them; refuse where none did."""
    wheel = parameters.word("wheel", "left")
    channel = f"encoder.{wheel}.edge"
    drives = drives_of(evidence, parameters)
    told = [(drive, found) for drive in drives if (found := drive.channel(channel)) is not None]
    if not told:
        raise CannotMeasureError(
            f"no edges of the {wheel} encoder were recorded: counts alone do not tell when they came. Let the step "
            "take edges, or the firmware send their times"
        )
    if not all(drive.has_clock for drive, _ in told):
        raise CannotMeasureError(
            "the edges carry no time of the robot's own, and by the host's clock their intervals cannot be told: "
            f"{evidence.host_time.adapter or 'what lies between'} holds lines back for longer than a cycle takes"
        )
    return tuple(chain_of(drive, wheel, *found, outputs_of(evidence.robot)) for drive, found in told)


def outputs_of(robot: Robot) -> int:
    """Return how many outputs the robot file says its encoders have, 0 where it does not say."""
    return robot.encoder.channels if robot.encoder is not None else 0


def chain_of(drive: Drive, wheel: str, time_s: Floats, levels: Floats, outputs: int = 0) -> EdgeChain:
    """Put the edges of one segment in order.

    `time_s` [s] and `levels` (outputs added up) have the same shape; `outputs` is 1 or 2, 0: as the levels show.
    Raises `CannotMeasureError` where there is no whole cycle in order.
    """
    order = np.argsort(time_s, kind="stable")
    time_s, values = time_s[order], levels[order].astype(np.int64)
    states = QUADRATURE if (outputs or (2 if np.any(values & 2) else 1)) == 2 else SINGLE
    places = np.full(4, -1)
    places[list(states)] = np.arange(len(states))
    place = places[values & (3 if len(states) == 4 else 1)]
    direction = _direction(place, len(states))
    shares, at_s, periods = _usual(time_s, place, direction or 1, len(states), drive.name)
    local = np.interp(time_s, at_s, _running_median(periods))
    kept, advance = _kept(time_s, place, direction or 1, shares, local)
    raw_steps = np.diff(place) % len(states)
    return EdgeChain(
        drive=drive,
        wheel=wheel,
        states=states,
        direction=direction,
        time_s=time_s[kept],
        place=place[kept],
        advance=advance,
        is_sound=_sound(kept, advance),
        raw=int(time_s.size),
        extra=int(time_s.size - kept.size),
        illegal=int(np.sum(raw_steps == 2)) if len(states) == 4 else 0,
        shares=shares,
        period_s=float(np.median(periods)),
        step_s=clock_step_s(time_s),
    )


def _direction(place: Integers, size: int) -> int:
    """Return the sign of most steps; 0 for one output."""
    if size < len(QUADRATURE):
        return 0
    steps = np.diff(place) % size
    return 1 if int(np.sum(steps == 1)) >= int(np.sum(steps == size - 1)) else -1


def _usual(time_s: Floats, place: Integers, direction: int, size: int, name: str) -> tuple[Floats, Floats, Floats]:
    """Return the median share of every state, and when the cycles in order were (middle) and how long [s]."""
    in_order = (np.diff(place) % size) == direction % size
    whole = np.convolve(in_order, np.ones(size), mode="valid") == size if in_order.size >= size else np.zeros(0, bool)
    begin = np.nonzero(whole)[0]
    begin = begin[time_s[begin + size] > time_s[begin]]
    if begin.size < 2:
        raise CannotMeasureError(
            f"'{name}' holds no two cycles of the encoder whose edges came in order ({time_s.size} edges): the wheel "
            "did not turn, or an output is stuck"
        )
    periods = time_s[begin + size] - time_s[begin]
    lasted = (time_s[begin + 1] - time_s[begin]) / periods
    shares = np.array(
        [np.median(lasted[place[begin] == at]) if np.any(place[begin] == at) else 0 for at in range(size)]
    )
    return shares / np.sum(shares), (time_s[begin] + time_s[begin + size]) / 2, periods


def _running_median(values: Floats) -> Floats:
    width = min(_NEIGHBOURS, values.size - (values.size + 1) % 2)
    half = width // 2
    padded = np.pad(values, half, mode="reflect" if values.size > half else "edge")
    return np.asarray(np.median(np.lib.stride_tricks.sliding_window_view(padded, width), axis=1))


def _kept(time_s: Floats, place: Integers, direction: int, shares: Floats, local: Floats) -> tuple[Integers, Integers]:
    """Return which edges are no extra ones, and how many edges further each of them is than the one before."""
    size = shares.size
    turned = shares if direction > 0 else shares[::-1]
    # Share of a cycle from the beginning of a state, by its place in the order of turning, over so many states.
    ends = np.concatenate([[0.0], np.cumsum(np.tile(turned, 2))])
    ordered = place if direction > 0 else size - 1 - place
    kept, advance = [0], []
    for at in range(1, time_s.size):
        last = kept[-1]
        steps = (int(ordered[at]) - int(ordered[last])) % size or size
        begin = int(ordered[last])
        expected = float(ends[begin + steps] - ends[begin])
        took = float(time_s[at] - time_s[last]) / float(local[at])
        is_next = steps == 1 and size == len(QUADRATURE)
        if not is_next and took < min(_EARLY * expected, expected - _SLACK):
            continue
        kept.append(at)
        advance.append(steps + size * max(0, round(took - expected)))
    return np.array(kept), np.array(advance, dtype=np.int64)


def _sound(kept: Integers, advance: Integers) -> NDArray[np.bool_]:
    marred = np.diff(kept) > 1
    return np.asarray((advance == 1) & ~marred & ~np.concatenate([marred[1:], [False]]))


def clock_step_s(time_s: Floats) -> float:
    """Return the step of the clock as the intervals show it [s]; 0 where it does not show.

    Intervals that are all the same show no finer step than themselves.
    """
    intervals = np.unique(np.concatenate([[0.0], np.rint(np.diff(time_s) * _NANO)]))
    steps = np.diff(intervals)
    return float(np.min(steps)) / _NANO if steps.size else 0.0


def whole_cycles(chain: EdgeChain, output: str) -> Cycles:
    """Return the cycles without a wrong edge that begin where an output goes high; refuse where there are none."""
    size, bit = len(chain.states), 1 << OUTPUTS.index(output)
    if bit == 2 and not chain.is_quadrature:
        raise CannotMeasureError("the encoder has one output; there is no b")
    high = [at for at, state in enumerate(chain.states) if state & bit]
    direction = chain.direction or 1
    first = next(at for at in high if (at - direction) % size not in high)
    clean = np.convolve(chain.is_sound, np.ones(size), mode="valid") == size
    begin = np.nonzero(clean & (chain.place[: clean.size] == first))[0]
    if begin.size < 2:
        raise CannotMeasureError(f"'{chain.drive.name}' holds no two whole cycles of output {output}")
    lasted = np.diff(chain.time_s)[begin[:, np.newaxis] + np.arange(size)]
    period = np.sum(lasted, axis=1)
    shares = np.empty_like(lasted)
    shares[:, (first + direction * np.arange(size)) % size] = lasted / period[:, np.newaxis]
    return Cycles(begin_s=chain.time_s[begin], period_s=period, shares=shares)
