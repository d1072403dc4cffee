"""Encoder outputs drawn from closed forms, for the tests of this floor: exact edges, exact states, known jitter.

Nothing here comes from the simulator. Output A is high from 0 to `duty` of a cycle, output B the same, `phase_deg`
later. A hand turns the wheel at a speed that wanders, in strokes with rests between them where asked for.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from hil.measure.evidence import Drive, Evidence, Samples
from hil.measure.method import Parameters
from hil.measure.methods import METHODS
from hil.measure.model import CellPose, Course, Encoder, Heading, Robot

START = CellPose(x=0, y=0, heading=Heading.NORTH)
ON_THE_WHEEL = Encoder(channels=2, cycles_per_turn=90, gear=1, edges=4)
ON_THE_MOTOR = Encoder(channels=1, cycles_per_turn=1, gear=20, edges=2)
ROBOT = Robot(
    name="drawn", serial="D-1", robot_class="entry", body_width_mm=80, body_front_mm=50, body_rear_mm=50,
    wheel_diameter_left_mm=28, wheel_diameter_right_mm=28, wheel_base_mm=70, counts_per_turn=360, sensors=(),
    adc_full_scale=1023, encoder=ON_THE_WHEEL,
)  # fmt: skip
COURSE = Course(
    name="bench", pitch_mm=180, wall_mm=12, columns=1, rows=1, walls=frozenset(), posts=frozenset(), surface="white",
    start=START,
)  # fmt: skip


def measured(name, *drives, encoder=ON_THE_WHEEL, answers=(), numbers=None, host=None, **words):
    """Return what the method `encoder.NAME` makes of segments."""
    counts = 360.0 if encoder is None else encoder.counts_per_wheel_turn
    evidence = Evidence(
        robot=replace(ROBOT, encoder=encoder, counts_per_turn=counts), course=COURSE, drives=drives,
        answers=tuple(answers), **({"host_time": host} if host else {}),
    )  # fmt: skip
    return METHODS[f"encoder.{name}"].run(evidence, Parameters(words=words, numbers=numbers or {}))


def levels_at(phase, duty=0.5, phase_deg=90.0, outputs=2):
    """Return the outputs, added up, at an angle in cycles."""
    a = np.mod(phase, 1.0) < duty
    b = np.mod(phase - phase_deg / 360, 1.0) < duty
    return a.astype(int) + (2 * b.astype(int) if outputs == 2 else 0)


def edge_phases(cycles, duty=0.5, phase_deg=90.0, outputs=2):
    """Return the angles of all edges of so many cycles, in cycles, in order."""
    within = [0.0, duty] + ([phase_deg / 360, phase_deg / 360 + duty] if outputs == 2 else [])
    return np.sort(np.add.outer(np.arange(cycles), np.mod(within, 1.0)).ravel())


def edges(
    cycles=200, hz=100.0, duty=0.5, phase_deg=90.0, outputs=2, jitter=0.002, time_of=None, backward=False, seed=1
):  # fmt: skip
    """Return (times, levels just after) of edges at a speed of `hz` cycles a second, by a clock of 1 us.

    `jitter` is the standard deviation of an edge's place in cycles. `time_of` maps angle in cycles to time in s where
    the speed is not even.
    """
    at = edge_phases(cycles, duty, phase_deg, outputs)
    time = at / hz if time_of is None else time_of(at)
    after = levels_at(at + 1e-9, duty, phase_deg, outputs)
    if backward:
        after, time = levels_at(at[::-1] - 1e-9, duty, phase_deg, outputs), time[-1] - time[::-1]
    time = 5.0 + time + np.random.default_rng(seed).normal(0, jitter / hz, time.size)
    return np.rint(time * 1e6) / 1e6, after


def rippled(amplitude, per_turn, hz, twice=0.0, slowing=0.0):
    """Return angle in cycles to time, where the speed ripples once (and `twice`) a turn and slows down evenly."""
    turn = 2 * np.pi / per_turn
    return lambda at: (
        at + amplitude * np.sin(turn * at) / turn + twice * np.sin(2 * turn * at) / 2 / turn + slowing * at**2
    ) / hz  # fmt: skip


def segment(name="spin", wheel="left", kind="edge", time=(), values=(), labels=None, clock=True, **conditions):
    """Return a segment in which one encoder's edges, levels or (kind "") counts were told."""
    time, channel = np.asarray(time, dtype=float), f"encoder.{wheel}.{kind}" if kind else f"encoder.{wheel}"
    told = {channel: np.asarray(values, dtype=float)} | ({"time": time} if clock else {})
    return Drive(
        name=name, case="c", repeat=0, path=(), front="counts", speed_mm_s=0.0, start=START, events=(),
        samples={f"{wheel} {kind}": Samples(host_s=time + 50, values=told)}, labels=labels or {},
        conditions={key.replace("_", "."): value for key, value in conditions.items()},
    )  # fmt: skip


def edge_segment(name="spin", wheel="left", **wave):
    """Return a segment of edges drawn by `edges`."""
    time, values = edges(**wave)
    return segment(name, wheel, "edge", time, values)


def hand(chance, turns, turns_per_s, unevenness=0.3, stroke=0.0, rest_s=0.3, back=0.0):
    """Return (times [s], angles [turns]) of a wheel turned by hand, close enough to go in straight lines.

    The speed is turns_per_s (1 + unevenness times a sum of three sines whose weights come to one). With a `stroke`
    [turns] the wheel is turned by as much and then rests; in the rest it goes back at `back` times the speed.
    """
    time = np.arange(0.0, (turns / turns_per_s + 1) * (1 if not stroke else 1.4 + rest_s * turns_per_s / stroke), 5e-4)
    rates, parts = chance.uniform(0.3, 2.5, 3) * max(0.5, turns_per_s), chance.dirichlet([1, 1, 1])
    angles = 2 * np.pi * (np.multiply.outer(time, rates) + chance.uniform(0, 1, 3))
    speed = turns_per_s * (1 + unevenness * np.sin(angles) @ parts)
    if stroke:
        lasts = stroke / turns_per_s
        at = np.mod(time + chance.uniform(0, lasts), lasts + rest_s)
        going = np.clip(np.minimum(at, lasts - at) / (0.1 * lasts), 0, 1)
        speed *= np.where(at > lasts, -back * np.sin(np.pi * np.clip((at - lasts) / rest_s, 0, 1)), going)
    turned = np.cumsum(speed) * 5e-4
    done = int(np.searchsorted(turned, turns))
    assert done < time.size
    return time[:done], turned[:done]


def hand_segment(chance, cycles, *, every_s=0.001, wheel="left", name="by-hand", duty=0.5, phase_deg=90.0, outputs=2,
                 clock=True, **turning):  # fmt: skip
    """Return a segment of levels sampled `every_s`, of an encoder with so many `cycles` a turn of a wheel in a hand."""
    time, turned = hand(chance, **turning)
    at = np.arange(chance.uniform(0, every_s), time[-1], every_s)
    phase = np.interp(at, time, turned) * cycles + chance.uniform()
    levels = levels_at(phase, duty, phase_deg, outputs)
    return segment(name, wheel, "levels", at, levels, {"wheel": wheel}, clock=clock, turns=turning["turns"])
