"""Encoders by their outputs as sampled: duty, phase and state widths of a wheel turned by hand or by its motor.

The share of angle comes from `hil.measure.encoder_levels`. Where samples come too seldom to follow the cycles, the
share of high samples stands, and the uncertainty says what that is worth; counting and direction are then not told.
A robot that tells no time of its own prints its samples evenly, and the host's delays say nothing of the wheel: samples
are then taken to be a usual period apart.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from hil.measure.encoder import OUTPUT, SHEETS, WHEEL, WHICH, chosen_width, from_share
from hil.measure.encoder_edges import OUTPUTS, QUADRATURE, outputs_of
from hil.measure.encoder_levels import AngleShare, Flags, Integers, Runs, angle_share, runs_of
from hil.measure.evidence import Drive, Evidence, Floats
from hil.measure.method import TWO_OUTPUTS, Method, Parameters, drives_of
from hil.measure.uncertainty import Mean, mean_of_agreeing
from hil.measure.values import CannotMeasureError, Measurement

_FEW_CYCLES = 2.0  # cycles in a turn of the wheel at or below which a hand's rhythm may go round with the disc
_FOLLOWED = 4.0  # samples a cycle of two outputs, below which a change of both at once is no fault of the encoder


@dataclass(frozen=True, slots=True, kw_only=True)
class Sampled:
    """The outputs of one encoder in one segment, as sampled: times [s], outputs added up, how many there are."""

    drive: Drive
    time_s: Floats
    level: Integers
    outputs: int


def even_times(drive: Drive, time_s: Floats) -> Floats:
    """Return the robot's times, or without a clock of its own as many usual periods as there are rows."""
    if drive.has_clock or time_s.size < 2:
        return time_s
    return np.asarray(time_s[0] + np.arange(time_s.size) * max(float(np.median(np.diff(time_s))), 1e-6))


def sampled(evidence: Evidence, parameters: Parameters) -> tuple[Sampled, ...]:
    """Return the samples of the wheel asked for in every segment that has any; refuse where none has."""
    wheel = parameters.word("wheel", "left")
    found = []
    for drive in drives_of(evidence, parameters):
        told = drive.channel(f"encoder.{wheel}.levels")
        if told is None or drive.labels.get("wheel", wheel) != wheel:
            continue
        level = told[1].astype(np.int64)
        outputs = outputs_of(evidence.robot) or (2 if np.any(level & 2) else 1)
        found.append(
            Sampled(
                drive=drive, time_s=even_times(drive, told[0]), level=level & (3 if outputs == 2 else 1),
                outputs=outputs,
            )
        )  # fmt: skip
    if not found:
        raise CannotMeasureError(f"no samples of the {wheel} encoder's outputs were received while that wheel turned")
    return tuple(found)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Told:
    mean: Mean
    notes: tuple[str, ...]


def _share(parts: tuple[Sampled, ...], output: str, state: int | None, robot_cycles: float) -> _Told:
    """Return the share of angle in which `output` is high, or which all outputs spend in `state`."""
    bit = 1 << OUTPUTS.index(output)
    shares: list[AngleShare] = []
    for part in parts:
        if part.outputs == 1 and (bit == 2 or state is not None):
            raise CannotMeasureError("the encoder has one output; phase and states take two, and there is no b")
        runs = runs_of(part.time_s, part.level)
        is_high: Flags = runs.level & bit > 0
        shares.append(angle_share(runs, is_high if state is None else runs.level == state, is_high))
    notes = list(dict.fromkeys(share.way for share in shares))
    if 0 < robot_cycles <= _FEW_CYCLES:
        notes.append("With so few cycles a turn, a hand's rhythm that goes round with the wheel looks like duty.")
    if len(shares) == 1:
        return _Told(mean=shares[0].mean, notes=tuple(notes))
    means = [share.mean for share in shares]
    joined = mean_of_agreeing([one.value for one in means], [one.part for one in means], "share of a cycle")
    return _Told(mean=replace(joined, n=sum(one.n for one in means)), notes=tuple(notes))


def _cycles_per_turn(evidence: Evidence) -> float:
    encoder = evidence.robot.encoder
    return 0.0 if encoder is None else encoder.cycles_per_turn * encoder.gear


def _duty(evidence: Evidence, parameters: Parameters) -> Measurement:
    told = _share(sampled(evidence, parameters), parameters.word("output", "a"), None, _cycles_per_turn(evidence))
    high = told.mean.value
    angles = f"High for {360 * high:.1f} and low for {360 * (1 - high):.1f} deg of a cycle."
    return from_share(told.mean, 100.0, "%", (angles, *told.notes))


def _phase(evidence: Evidence, parameters: Parameters) -> Measurement:
    told = _share(sampled(evidence, parameters), "a", QUADRATURE[0], _cycles_per_turn(evidence))
    return from_share(told.mean, 360.0, "deg", told.notes)


def _state_width(evidence: Evidence, parameters: Parameters) -> Measurement:
    parts, cycles = sampled(evidence, parameters), _cycles_per_turn(evidence)
    told = [_share(parts, "a", state, cycles) for state in QUADRATURE]
    return chosen_width([one.mean for one in told], parameters.word("which", "worst"), told[0].notes)


def steps_of(runs: Runs) -> tuple[Integers, int]:
    """Return the quarter steps of two outputs from run to run, forward positive, and how many changed both outputs.

    A change of both is taken for two steps the way it went before.
    """
    places = np.argsort(QUADRATURE)[runs.level]
    steps = np.diff(places) % 4
    signed = np.where(steps == 3, -1, steps)
    both = signed == 2
    if np.any(both):
        known = np.where(both, 0, signed)
        last = np.maximum.accumulate(np.where(known != 0, np.arange(known.size), 0))
        signed = np.where(both, 2 * np.where(known[last] == 0, 1, known[last]), signed)
    return signed, int(np.sum(both))


def _illegal(evidence: Evidence, parameters: Parameters) -> Measurement:
    parts = sampled(evidence, parameters)
    illegal = changes = 0
    for part in parts:
        if part.outputs == 1:
            raise CannotMeasureError("the encoder has one output, and an illegal transition takes two")
        runs = runs_of(part.time_s, part.level)
        steps, both = steps_of(runs)
        turned = float(np.sum(np.abs(steps))) / 4
        per_cycle = (runs.edge_s[-1] - runs.edge_s[0]) / runs.period_s / max(turned, 0.25)
        if both and per_cycle < 2 * _FOLLOWED:
            raise CannotMeasureError(
                f"{per_cycle:.1f} samples a cycle do not follow the outputs, and both change between two of them; turn "
                "the wheel more slowly or sample faster"
            )
        illegal, changes = illegal + both, changes + steps.size
    return Measurement(value=float(illegal), unit="", u=0.0, n=max(1, changes), is_count=True)


def _rest(evidence: Evidence, parameters: Parameters) -> Measurement:
    """Count changes of the outputs of a wheel that should stand; the trials are seconds."""
    parts = sampled(evidence, parameters)
    changes = sum(int(np.sum(np.diff(part.level) != 0)) for part in parts)
    lasted = sum(float(part.time_s[-1] - part.time_s[0]) for part in parts)
    notes = (f"{changes} changes in {lasted:.1f} s; a change back between two samples is not seen.",)
    return Measurement(value=float(changes), unit="", u=0.0, n=max(1, round(lasted)), is_count=True, notes=notes)


_NEEDS = ("encoder.left.levels",)
_OF_TWO = (*_NEEDS, TWO_OUTPUTS)

METHODS_OF_SUBJECT: tuple[Method, ...] = (
    Method(
        name="encoder.sampled_duty", unit="%", run=_duty, needs=_NEEDS, source=SHEETS, parameters=(WHEEL, OUTPUT),
        summary="Share of the angle turned in which an output is high, from samples of a wheel turned at any speed.",
    ),
    Method(
        name="encoder.sampled_phase", unit="deg", run=_phase, needs=_OF_TWO, source=SHEETS, parameters=(WHEEL,),
        summary="Delay from output A to output B in electrical degrees, from samples.",
    ),
    Method(
        name="encoder.sampled_state_width", unit="deg", run=_state_width, needs=_OF_TWO, source=SHEETS,
        parameters=(WHEEL, WHICH), summary="Width of a state, or of the one furthest from 90 degrees, from samples.",
    ),
    Method(
        name="encoder.sampled_illegal", unit="", run=_illegal, needs=_OF_TWO, source="definition", parameters=(WHEEL,),
        is_count=True, summary="Changes of both outputs from one sample to the next, sampled fast enough to tell.",
    ),
    Method(
        name="encoder.sampled_rest", unit="", run=_rest, needs=_NEEDS, source="definition", parameters=(WHEEL,),
        is_count=True, summary="Changes of the outputs of a wheel that stands, in so many seconds, from samples.",
    ),
)  # fmt: skip
