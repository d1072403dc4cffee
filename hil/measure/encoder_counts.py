"""Encoders by their counts alone: what a robot that streams counts can show.

Counts in a turn of the wheel (turned by hand from mark to mark, or for as many turns as were asked), left against
right, direction, counts while the wheels stand, and loss that one wheel has at speed. Where few counts come in a turn
and lines come often, the halves of a cycle show too, though not which of them is the high one.

Counts do not show duty at speed, phase, state widths, jitter, nor an edge that is missing once: for these the times of
edges or the outputs as sampled are needed. A loss that both wheels share, and slip of the firmware's turn, do not show
in the ratio of the wheels.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from hil.measure.encoder import WHEEL
from hil.measure.encoder_levels import angle_share, runs_of
from hil.measure.encoder_sampled import even_times, sampled, steps_of
from hil.measure.evidence import Drive, Evidence, Floats
from hil.measure.general import answers_of
from hil.measure.method import TWO_OUTPUTS, Method, Parameters, ParameterSpec, drives_of
from hil.measure.uncertainty import Mean, Part, join, mean_of_known
from hil.measure.values import CannotMeasureError, Measurement

_MARK_DEG = 5.0  # how well a hand brings a mark on a wheel back to its place (common practice, no source)
_COUNT = math.sqrt(2 / 12)  # both ends of a difference of counts are rounded
_FOLLOWED = 8.0  # samples a cycle that counts must come with to show its halves
_LEAST_COUNTS = 3.0  # fewer are noise of a wheel at rest
_MOST_LOST = 0.02  # of the changes: more of both outputs at once, and the samples do not follow
_FASTER = 1.2  # segments whose speeds differ by less are of one speed


@dataclass(frozen=True, slots=True, kw_only=True)
class _Turned:
    """A segment in which one wheel was turned for a known number of turns (with its standard uncertainty)."""

    drive: Drive
    counts: float
    turns: float
    u_turns: float

    @property
    def per_turn(self) -> float:
        return abs(self.counts) / self.turns

    @property
    def u(self) -> float:
        return math.hypot(_COUNT / self.turns, self.per_turn * self.u_turns / self.turns)


def _counts(drive: Drive, wheel: str) -> tuple[Floats, Floats] | None:
    told = drive.channel(f"encoder.{wheel}")
    return told if told is not None and told[1].size > 1 else None


def _turned(evidence: Evidence, parameters: Parameters, wheel: str) -> list[_Turned]:
    """Return the segments in which the wheel was turned for a known number of turns, by its counts."""
    found = []
    for drive in drives_of(evidence, parameters):
        told = _counts(drive, wheel)
        if told is None or drive.labels.get("wheel", wheel) != wheel:
            continue
        found += _with_turns(evidence, parameters, drive, float(told[1][-1] - told[1][0]))
    return found


def _turned_by_samples(evidence: Evidence, parameters: Parameters) -> list[_Turned]:
    """Return the same by the outputs as sampled, counted as the firmware counts their edges."""
    encoder = evidence.robot.encoder
    found = []
    for part in sampled(evidence, parameters):
        runs = runs_of(part.time_s, part.level)
        edges = 2 * part.outputs if encoder is None else encoder.edges
        if part.outputs == 2:
            steps, both = steps_of(runs)
            if both > _MOST_LOST * max(1, steps.size):
                raise CannotMeasureError(
                    f"in '{part.drive.name}' both outputs changed between two samples {both} times: the samples do not "
                    "follow; turn the wheel more slowly or sample faster"
                )
            counts = float(np.sum(steps)) * edges / 4
        else:
            counts = (runs.level.size - 1) * edges / 2
        found += _with_turns(evidence, parameters, part.drive, counts)
    return found


def _with_turns(evidence: Evidence, parameters: Parameters, drive: Drive, counts: float) -> list[_Turned]:
    turns, u_turns = _turns(evidence, parameters, drive)
    if turns <= 0:
        return []
    u_mark = math.sqrt(2) * parameters.number("mark", _MARK_DEG) / 360
    return [_Turned(drive=drive, counts=counts, turns=turns, u_turns=math.hypot(u_mark, u_turns))]


def _turns(evidence: Evidence, parameters: Parameters, drive: Drive) -> tuple[float, float]:
    """Return for how many turns a wheel was turned (0: not told), and the uncertainty of a reading of it."""
    name = parameters.word("answer", "")
    if name:
        mine = [one for one in answers_of(evidence, name) if one.index >= 0 and evidence.drives[one.index] is drive]
        return (mine[-1].value, mine[-1].u) if mine else (0.0, 0.0)
    return parameters.number("turns", 0.0) or drive.conditions.get("turns", 0.0), 0.0


def _per_turn(parts: list[_Turned], wheel: str) -> Mean:
    if not parts:
        raise CannotMeasureError(
            f"the {wheel} wheel was not turned for a known number of turns while its encoder was told: turn it from "
            "mark to mark and say how often (turns, or an answer)"
        )
    return mean_of_known([one.per_turn for one in parts], [one.u for one in parts], f"counts a turn, {wheel} wheel")


def _way_notes(parts: list[_Turned]) -> tuple[str, ...]:
    backward = [f"'{one.drive.name}'" for one in parts if one.counts < 0]
    if not backward:
        return ()
    return (f"The counts went down in {', '.join(backward)}: turned backward, or the outputs are swapped.",)


def _in_a_turn(evidence: Evidence, parameters: Parameters, *, by_samples: bool, as_error: bool) -> Measurement:
    wheel = parameters.word("wheel", "left")
    parts = _turned_by_samples(evidence, parameters) if by_samples else _turned(evidence, parameters, wheel)
    mean, nominal = _per_turn(parts, wheel), evidence.robot.counts_per_turn
    turned = ", ".join(f"{abs(one.counts):.0f} in {one.turns:g} turns" for one in parts)
    notes = (f"Counted {turned}; nominal {nominal:g} a turn.", *_way_notes(parts))
    if as_error:
        return Measurement(
            value=100 * (mean.value / nominal - 1), unit="%", u=100 * mean.part.u / nominal, dof=mean.part.dof,
            n=mean.n, notes=notes,
        )  # fmt: skip
    return Measurement(value=mean.value, unit="count", u=mean.part.u, dof=mean.part.dof, n=mean.n, notes=notes)


def _counts_per_turn(evidence: Evidence, parameters: Parameters) -> Measurement:
    return _in_a_turn(evidence, parameters, by_samples=False, as_error=False)


def _counts_error(evidence: Evidence, parameters: Parameters) -> Measurement:
    return _in_a_turn(evidence, parameters, by_samples=False, as_error=True)


def _sampled_counts_error(evidence: Evidence, parameters: Parameters) -> Measurement:
    return _in_a_turn(evidence, parameters, by_samples=True, as_error=True)


def _rest(evidence: Evidence, parameters: Parameters) -> Measurement:
    """Count what a wheel counts, up or down, that should stand; the trials are seconds."""
    wheel = parameters.word("wheel", "left")
    moved = lasted = 0.0
    for drive in drives_of(evidence, parameters):
        told = _counts(drive, wheel)
        if told is None:
            continue
        moved += float(np.sum(np.abs(np.diff(told[1]))))
        lasted += float(told[0][-1] - told[0][0])
    if lasted <= 0:
        raise CannotMeasureError(f"no counts of the {wheel} wheel were received while it stood")
    notes = (f"{moved:.0f} counts in {lasted:.1f} s.",)
    return Measurement(value=float(round(moved)), unit="", u=0.0, n=max(1, round(lasted)), is_count=True, notes=notes)


def _direction(evidence: Evidence, parameters: Parameters) -> Measurement:
    """1 where counts go the way the wheel was asked to turn, -1 where they go the other way."""
    wheel = parameters.word("wheel", "left")
    encoder = evidence.robot.encoder
    if encoder is not None and encoder.channels == 1:
        raise CannotMeasureError(
            "an encoder with one output does not tell a direction: the firmware takes it from the duty"
        )
    agree: list[bool] = []
    said: list[str] = []
    for drive in drives_of(evidence, parameters):
        told = _counts(drive, wheel)
        by_hand = drive.labels.get("wheel") == wheel and f"duty.{wheel}" not in drive.conditions
        asked = 1.0 if by_hand else drive.conditions.get(f"duty.{wheel}", 0.0)
        if told is None or asked == 0:
            continue
        moved = float(told[1][-1] - told[1][0])
        if abs(moved) < _LEAST_COUNTS:
            raise CannotMeasureError(f"in '{drive.name}' the {wheel} wheel counted {moved:+.0f}: it did not turn")
        agree.append(moved * asked > 0)
        said.append(
            f"'{drive.name}', {'turned forward by hand' if by_hand else f'duty {100 * asked:+.0f} %'}: {moved:+.0f}"
        )
    if not agree:
        raise CannotMeasureError(f"no segment asked the {wheel} wheel to turn and told its counts")
    notes = [f"Counts in {'; '.join(said)}."]
    if not all(agree):
        notes.append(
            "Reversed by its motor alone: the motor's wires are swapped. Reversed by hand too: the encoder's outputs "
            "are swapped, or left and right are."
        )
    return Measurement(value=1.0 if all(agree) else -1.0, unit="", u=0.0, n=len(agree), notes=tuple(notes))


def _left_right(evidence: Evidence, parameters: Parameters) -> Measurement:
    """Right less left, of their mean: counts in a turn by hand, or else counts at the same duty."""
    turned = {wheel: _turned(evidence, parameters, wheel) for wheel in ("left", "right")}
    labelled = {wheel: [one for one in parts if one.drive.labels.get("wheel")] for wheel, parts in turned.items()}
    if all(labelled.values()):
        left, right = (_per_turn(labelled[wheel], wheel) for wheel in ("left", "right"))
        middle = (left.value + right.value) / 2
        part = join(left.part, right.part)
        return Measurement(
            value=100 * (right.value - left.value) / middle, unit="%", u=100 * part.u / middle, dof=part.dof,
            n=left.n + right.n, notes=("By counts in a turn of each wheel.",),
        )  # fmt: skip
    pairs = _pairs(evidence, parameters)
    mean = mean_of_known([one.difference for one in pairs], [one.u for one in pairs], "left against right")
    note = "At the same duty: motors and gears that differ are in it. Turned by hand from mark to mark they are not."
    return Measurement(
        value=100 * mean.value, unit="%", u=100 * mean.part.u, dof=mean.part.dof, n=mean.n, notes=(note,)
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Pair:
    """Both wheels at the same duty: counts a second, and right less left as a share of their mean."""

    name: str
    rate: float
    difference: float
    u: float


def _pairs(evidence: Evidence, parameters: Parameters) -> list[_Pair]:
    """Return the segments in which both wheels turned at the same duty; refuse where there are none."""
    found = []
    for drive in drives_of(evidence, parameters):
        left, right = _counts(drive, "left"), _counts(drive, "right")
        duties = [abs(drive.conditions.get(f"duty.{wheel}", 0.0)) for wheel in ("left", "right")]
        if left is None or right is None or not duties[0] or abs(duties[0] - duties[1]) > 1e-6:
            continue
        counts = [abs(float(one[1][-1] - one[1][0])) for one in (left, right)]
        middle = sum(counts) / 2
        lasted = float(left[0][-1] - left[0][0])
        if middle < _LEAST_COUNTS or lasted <= 0:
            continue
        found.append(
            _Pair(
                name=drive.name, rate=middle / lasted, difference=(counts[1] - counts[0]) / middle,
                u=math.sqrt(2) * _COUNT / middle,
            )
        )  # fmt: skip
    if not found:
        raise CannotMeasureError(
            "no segment has both wheels at the same duty with counts of both, nor was each turned by hand for known "
            "turns"
        )
    return found


def _loss(evidence: Evidence, parameters: Parameters) -> Measurement:
    """How much less the wheel counts against the other one at the highest speed than at the lowest."""
    wheel = parameters.word("wheel", "left")
    pairs = sorted(_pairs(evidence, parameters), key=lambda pair: pair.rate)
    slow, fast = pairs[0], pairs[-1]
    if fast.rate < _FASTER * slow.rate:
        raise CannotMeasureError("loss with speed takes two segments whose speeds differ by a fifth or more")
    change = fast.difference - slow.difference
    rates = ", ".join(f"{pair.rate:.4g} a second: {100 * pair.difference:+.2f} %" for pair in pairs)
    notes = (f"Right less left at counts of {rates}.", "What both wheels lose alike does not show in counts.")
    return Measurement(
        value=100 * (change if wheel == "left" else -change), unit="%", u=100 * math.hypot(slow.u, fast.u),
        n=len(pairs), notes=notes,
    )  # fmt: skip


def _ripple(evidence: Evidence, parameters: Parameters) -> Measurement:
    """How much too fast the shorter half-cycle shows the wheel, from counts whose lines follow them."""
    wheel, encoder = parameters.word("wheel", "left"), evidence.robot.encoder
    edges = 2 if encoder is None else encoder.edges
    if edges == 1:
        raise CannotMeasureError("one edge of a cycle is counted: its halves do not show, and make no ripple")
    shares: list[tuple[float, Part, int]] = []
    for drive in drives_of(evidence, parameters):
        told = _counts(drive, wheel)
        if told is None:
            continue
        half = np.floor(told[1] / (edges / 2)).astype(np.int64) % 2
        runs = runs_of(even_times(drive, told[0]), half)
        share = angle_share(runs, runs.level == 1, runs.level == 1)
        if share.per_cycle < _FOLLOWED:
            raise CannotMeasureError(
                f"in '{drive.name}' {share.per_cycle:.1f} lines came in a cycle; {_FOLLOWED:g} are needed to see its "
                "halves: turn more slowly, or take the times of edges"
            )
        shares.append((share.mean.value, share.mean.part, share.mean.n))
    if not shares:
        raise CannotMeasureError(f"no counts of the {wheel} wheel were received")
    shorts = [min(value, 1 - value) for value, _, _ in shares]
    ripples = [0.5 / short - 1 for short in shorts]
    u_each = [0.5 / short**2 * part.u for short, (_, part, _) in zip(shorts, shares, strict=True)]
    mean = mean_of_known(ripples, u_each, "ripple of the speed")
    note = (
        f"The shorter half of a cycle takes {100 * min(shorts):.1f} %; counts do not tell whether it is the high one."
    )
    dof = min(mean.part.dof, math.fsum(part.dof for _, part, _ in shares))
    return Measurement(
        value=100 * mean.value, unit="%", u=100 * mean.part.u, dof=dof, n=sum(n for _, _, n in shares), notes=(note,)
    )


_TURNS = ParameterSpec(
    name="turns", meaning="turns of the wheel; 0: as the step asked for", unit="", default=0.0
)  # fmt: skip
_MARK = ParameterSpec(
    name="mark", meaning="how well a mark on the wheel is brought to its place, a standard uncertainty", unit="deg",
    default=_MARK_DEG,
)  # fmt: skip
_ANSWER = ParameterSpec(name="answer", meaning="answer that says for how many turns", is_word=True, default="")
_BY_HAND = (WHEEL, _TURNS, _MARK, _ANSWER)
_NEEDS = ("encoder.left",)
_OF_TWO = (*_NEEDS, TWO_OUTPUTS)
_CP = "common practice: a mark on the wheel, ten turns or more"

METHODS_OF_SUBJECT: tuple[Method, ...] = (
    Method(
        name="encoder.counts_per_turn", unit="count", run=_counts_per_turn, needs=_NEEDS, source=_CP,
        parameters=_BY_HAND, summary="Counts in a turn of the wheel, turned from mark to mark.",
    ),
    Method(
        name="encoder.counts_error", unit="%", run=_counts_error, needs=_NEEDS, source=_CP, parameters=_BY_HAND,
        summary="Counts in a turn of the wheel, less what the robot file says, of that.",
    ),
    Method(
        name="encoder.sampled_counts_error", unit="%", run=_sampled_counts_error, needs=("encoder.left.levels",),
        source=_CP, parameters=_BY_HAND, summary="The same, counted from the outputs as sampled.",
    ),
    Method(
        name="encoder.rest_counts", unit="", run=_rest, needs=_NEEDS, source="definition", parameters=(WHEEL,),
        is_count=True, summary="Counts of a wheel that stands, up or down, in so many seconds.",
    ),
    Method(
        name="encoder.direction", unit="", run=_direction, needs=_OF_TWO, source="definition", parameters=(WHEEL,),
        summary="1 where the counts go the way the wheel is turned, -1 where they go the other way.",
    ),
    Method(
        name="encoder.left_right", unit="%", run=_left_right, needs=_NEEDS, source=_CP,
        parameters=(_TURNS, _MARK, _ANSWER),
        summary="Counts of the right wheel less those of the left, of their mean, in a turn or at the same duty.",
    ),
    Method(
        name="encoder.counts_loss", unit="%", run=_loss, needs=_NEEDS, source="ratio of the wheels",
        parameters=(WHEEL,), summary="How much less a wheel counts against the other at the highest speed.",
    ),
    Method(
        name="encoder.counts_ripple", unit="%", run=_ripple, needs=_NEEDS, source="0.5/d", parameters=(WHEEL,),
        summary="How much too fast the shorter half of a cycle shows the wheel, where lines follow the counts.",
    ),
)  # fmt: skip
