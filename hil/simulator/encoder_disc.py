"""An encoder of a wheel: a slotted disc, two sensors before it, and the counter behind them.

The disc's edges stand where the encoder's truth has them: the slots as wide as its duty says and each a little out of
place, the second sensor by the phase behind the first, the disc out of round. They are kept as places of one turn of
the disc, with what the outputs are behind each, so that a wheel that passes one in a step is found at the very moment:
within a step the wheel turns evenly. Outputs are added up: 1 channel A high, 2 channel B. Forward A leads B.

The counter works as those of small controllers do. Of two channels it takes the direction from the outputs, with one
edge of A in a cycle, both, or all four; with one channel it can but count, and goes by the way that the wheel was sent.
What is lost is an interrupt that came too soon after another: its edge is neither counted nor taken down.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from hil.measure.model import Encoder
from hil.simulator.compiled import compiled
from hil.simulator.parameters import EncoderTruth, Truth
from hil.simulator.streams import Source, stream

A, B = 1, 2
_MOST_SEEN = 4096  # edges in a tick; no disc of a small robot has a tenth of them
_BLOCK = 4096  # chances drawn at a time
_TICKS_CHANCES = 256  # more than edges can pass in a tick
_MOST_OUT = 1 / 3  # of a slot or of what is between two: how far one edge can be out of place

Edge = tuple[float, int]
"""When it was passed [share of the tick], and the outputs just after it."""


@compiled
def _edge_at(number: int, slots: NDArray[np.float64]) -> float:
    """Return the place of an edge [turns of the disc], edges being numbered on from turn to turn."""
    turn = number // slots.shape[0]
    place: float = turn + slots[number - turn * slots.shape[0]]
    return place


@compiled
def pass_edges(
    places: NDArray[np.float64],
    gear: float,
    slots: NDArray[np.float64],
    outputs: NDArray[np.int64],
    counting: NDArray[np.int64],
    dropped: float,
    chances: NDArray[np.float64],
    counter: NDArray[np.int64],
    seen: NDArray[np.float64],
) -> int:
    """Take the wheel through `places` (ends of equal steps, turns of the wheel) and return how many edges were seen.

    `counter` holds the number of the edge passed last, the counts, and how many chances are used. `counting` (4 x 4)
    says what a change of the outputs counts. `seen` (n, 2) takes the steps at which edges were passed, and the outputs
    after them.
    """
    last, counts, used = counter[0], counter[1], counter[2]
    size, found = slots.shape[0], 0
    for k in range(places.shape[0] - 1):
        begun, ended = places[k] * gear, places[k + 1] * gear
        while True:
            if ended >= _edge_at(last + 1, slots):
                at, ahead = _edge_at(last + 1, slots), 1
            elif ended < _edge_at(last, slots):
                at, ahead = _edge_at(last, slots), -1
            else:
                break
            before, after = outputs[last % size], outputs[(last + ahead) % size]
            last += ahead
            if dropped > 0.0:
                used += 1
                if chances[(used - 1) % chances.shape[0]] < dropped:
                    continue
            counts += counting[before, after]
            if found < seen.shape[0]:
                seen[found, 0] = k + min(max((at - begun) / (ended - begun), 0.0), 1.0)
                seen[found, 1] = after
                found += 1
    counter[0], counter[1], counter[2] = last, counts, used
    return found


def disc_edges(
    truth: EncoderTruth, shape: Encoder, slots_out: NDArray[np.float64], radius_mm: float
) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Return the edges in a turn of the disc: where they stand [turns, 0 to 1, rising], and the outputs after each.

    `slots_out` (slots, 2) is how far the beginning and the end of each slot are out of place, in cycles. A wheel that
    has not turned yet stands where output A has just gone high at the first slot.
    """
    cycles = len(slots_out)
    most = _MOST_OUT * min(truth.duty, 1 - truth.duty)
    out = np.clip(slots_out, -most, most)
    begins = np.arange(cycles) + out[:, 0]
    ends = np.arange(cycles) + truth.duty + out[:, 1]
    channels = [(A, 0.0)] if shape.channels == 1 else [(A, 0.0), (B, truth.phase)]
    first = _true_turn(float(begins[0]) / cycles, truth, radius_mm)
    edges = [
        ((_true_turn(float(place + late) / cycles, truth, radius_mm) - first) % 1.0, bit, is_high)
        for bit, late in channels
        for is_high, line in ((True, begins), (False, ends))
        for place in line
    ]
    edges.sort()
    outputs: list[int] = []
    level = 0
    for _ in range(2):  # what the first turn ends with is what every further one begins with
        outputs = []
        for _, bit, is_high in edges:
            level = level | bit if is_high else level & ~bit
            outputs.append(level)
    return np.array([place for place, _, _ in edges]), np.array(outputs, dtype=np.int64)


def _true_turn(read: float, truth: EncoderTruth, radius_mm: float) -> float:
    """Return how far the disc has turned where an edge is read at `read` [turns].

    Read is what was turned, plus the run-out over the radius of the wheel times the sine of where the disc stands.
    """
    if truth.run_out_mm == 0.0:
        return read
    share, turned = truth.run_out_mm / radius_mm, 2 * math.pi * read
    angle = turned
    for _ in range(20):
        angle = turned - share * math.sin(angle + truth.run_out_at_rad)
    return angle / (2 * math.pi)


def counting_of(shape: Encoder) -> NDArray[np.int64]:
    """Return what each change of the outputs counts (4 x 4, from and to); with one channel it is always one more."""
    counting = np.zeros((4, 4), dtype=np.int64)
    forward = {0: A, A: A | B, A | B: B, B: 0}
    for before in range(4):
        for after in range(4):
            changed = before ^ after
            of_a, rises = changed == A, bool(after & A)
            counted = of_a or (changed == B and shape.edges == 4)
            if not counted or (of_a and not rises and shape.edges == 1):
                continue
            counting[before, after] = 1 if shape.channels == 1 or forward[before] == after else -1
    return counting


class WheelEncoder:
    """The encoder of one wheel. `counts` is its counter, `outputs` what its sensors say now."""

    def __init__(
        self,
        truth: EncoderTruth,
        shape: Encoder,
        *,
        radius_mm: float,
        slot_sd: float,
        dropped: float,
        disc: np.random.Generator,
        drops: np.random.Generator,
    ) -> None:
        """`slot_sd` is by how much of a cycle an edge of a slot is out of place, drawn once for a `disc`."""
        # A disc has whole slots; where the robot's file says otherwise the rest is taken for a gear.
        slots = max(1, round(shape.cycles_per_turn))
        self._gear = shape.gear * shape.cycles_per_turn / slots
        self._slots, self._outputs = disc_edges(truth, shape, disc.normal(0.0, slot_sd, (slots, 2)), radius_mm)
        self._counting, self._is_blind = counting_of(shape), shape.channels == 1
        self._dropped, self._drops = dropped, drops
        self._chances = drops.random(_BLOCK)
        first = int(np.searchsorted(self._slots, 0.0, side="right")) - 1
        self._counter: NDArray[np.int64] = np.array([first, 0, 0], dtype=np.int64)
        self._seen: NDArray[np.float64] = np.zeros((_MOST_SEEN, 2))
        self._found = 0
        self._steps = 1
        self.counts = 0

    def turn(self, turns: NDArray[np.float64], way: int) -> None:
        """Follow the wheel through a tick: its place [turns] at the tick's begin and after each of its steps.

        `way` is 1 or -1, for a counter that cannot tell the direction.
        """
        counter = self._counter
        if counter[2] >= _BLOCK - _TICKS_CHANCES:
            self._chances = self._drops.random(_BLOCK)
            counter[2] = 0
        before = int(counter[1])
        self._steps = len(turns) - 1
        self._found = pass_edges(
            turns,
            self._gear,
            self._slots,
            self._outputs,
            self._counting,
            self._dropped,
            self._chances,
            counter,
            self._seen,
        )
        passed = int(counter[1]) - before
        self.counts += passed * way if self._is_blind else passed

    @property
    def outputs(self) -> int:
        """The outputs now, added up: 1 channel A, 2 channel B."""
        return int(self._outputs[int(self._counter[0]) % len(self._outputs)])

    def edges(self) -> list[Edge]:
        """Return the edges that were seen in the tick that was followed last, in order."""
        return [(float(step) / self._steps, int(after)) for step, after in self._seen[: self._found]]


def wheel_encoders(truth: Truth, seed: int) -> tuple[WheelEncoder, WheelEncoder]:
    """Return the encoders of the left and the right wheel.

    A robot whose file says nothing of its encoders has quadrature on the wheel's axle, every edge counted.
    """
    robot, encoders = truth.robot, truth.encoders
    shape = robot.encoder or Encoder(channels=2, cycles_per_turn=encoders.counts_per_turn / 4)

    def one(side: int, of: EncoderTruth, diameter_mm: float, dropped: float) -> WheelEncoder:
        return WheelEncoder(
            of,
            shape,
            radius_mm=diameter_mm / 2,
            slot_sd=truth.noises.encoder_slot_sd,
            dropped=dropped,
            disc=stream(seed, Source.DISCS, side),
            drops=stream(seed, Source.DROPS, *([] if side else [0])),
        )

    return (
        one(0, encoders.left, robot.wheel_diameter_left_mm, encoders.dropped_left),
        one(1, encoders.right, robot.wheel_diameter_right_mm, encoders.dropped_right),
    )
