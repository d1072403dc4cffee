"""Edge-interval jitter of an encoder, and the run-out that goes round with its wheel or disc.

Half-cycles of one output, each taken from the usual length of its kind (high or low), in shares of half a period: what
a duty other than 50 % makes of them drops out, and for a duty of 50 % it is interval over median. A slow drift of
speed (a parabola over the segment) is fitted along with one harmonic a turn of the wheel, and one a turn of the disc
where that turns faster and its slots can show it. Least squares, weighted so that an edge out of place, which makes
one half-cycle longer by what the next one lacks, drops out of what goes round, whatever the duty. What is left is
jitter.

The second harmonic is not taken out. A disc or wheel off its centre goes round once a turn, and is reported by itself;
what comes twice a turn has no such one cause (an oval, a kink in a shaft, cogging), the control loop sees it as noise
of the speed, and taking it out would hide it. A note says how large it is.

For edges that slip independently the mean duty of n cycles with jitter s has a standard deviation of s/(2 sqrt n).

The uncertainty of a harmonic is the noise that the residuals have beside its frequency (periods a turn from one half to
one and a half, its own left out): edges that slip make little noise there, an unsteady speed makes more. Amplitudes
are of speed, e/r for a wheel of radius r that is off its centre by e. Everything that goes round once a turn is in
them, an unbalanced wheel and a binding gear too.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from hil.measure.encoder import OUTPUT, WHEEL
from hil.measure.encoder_edges import OUTPUTS, EdgeChain, edge_chains
from hil.measure.evidence import Evidence, Floats
from hil.measure.least_squares import fit_linear
from hil.measure.method import Method, Parameters, ParameterSpec
from hil.measure.model import Robot
from hil.measure.uncertainty import mean_of_known
from hil.measure.values import CannotMeasureError, Measurement

_LEAST_TURNS = 3.0  # fewer do not tell a harmonic from a drift
_LEAST_CYCLES = 3.0  # a turn: below, a harmonic looks like duty
_LAGS = 20
_FEWEST = 20  # half-cycles
_FEWEST_BESIDE = 4  # frequencies that tell noise


@dataclass(frozen=True, slots=True, kw_only=True)
class HalfCycles:
    """Half-cycles of one output in order.

    `number` counts them, missing ones too; `relative` is by how much each is longer than usual for its kind, and
    `usual` what share of the period that is. `step_s` is the clock's step.
    """

    number: Floats
    relative: Floats
    usual: Floats
    period_s: float
    step_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Harmonic:
    """A part that goes round: amplitude of speed (share), its standard uncertainty and degrees of freedom."""

    amplitude: float
    u: float
    dof: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Decomposed:
    """Half-cycles parted into what goes round with the wheel, with the disc (None: cannot be told), and jitter.

    `jitter` is a standard deviation in shares of half a period, the rounding `noise` of the clock taken out; `dof` its
    degrees of freedom, `n` the half-cycles. `twice` is the amplitude at two a turn of the wheel.
    """

    wheel: Harmonic | None
    disc: Harmonic | None
    twice: float
    jitter: float
    noise: float
    dof: float
    n: int


def half_cycles(chain: EdgeChain, output: str) -> HalfCycles:
    """Return the half-cycles of an output; refuse where there are fewer than 20 in order."""
    half, bit = len(chain.states) // 2, 1 << OUTPUTS.index(output)
    if bit == 2 and not chain.is_quadrature:
        raise CannotMeasureError("the encoder has one output; there is no b")
    is_high = np.array([state & bit > 0 for state in chain.states])[chain.place]
    changed = np.nonzero((np.diff(is_high.astype(np.int64)) != 0) & chain.is_sound)[0] + 1
    place = np.concatenate([[0], np.cumsum(chain.advance)])[changed]  # edges since the first, those not seen too
    whole = np.diff(place) == half
    lasted, kind = np.diff(chain.time_s[changed])[whole], is_high[changed][:-1][whole]
    if min(np.sum(kind), np.sum(~kind)) < _FEWEST / 2:
        raise CannotMeasureError(
            f"'{chain.drive.name}' holds {lasted.size} half-cycles of output {output}; {_FEWEST} are needed"
        )
    high, low = float(np.median(lasted[kind])), float(np.median(lasted[~kind]))
    usual = np.where(kind, high, low)
    return HalfCycles(
        number=(place[:-1][whole] / half),
        relative=lasted / usual - 1,
        usual=usual / (high + low),
        period_s=high + low,
        step_s=chain.step_s,
    )


def decomposed(halves: HalfCycles, wheel_cycles: float, disc_cycles: float) -> Decomposed:
    """Part half-cycles into what goes round and jitter.

    `wheel_cycles` and `disc_cycles` are cycles in a turn of the wheel and of the disc; 0 where they are not known.
    """
    number = halves.number / 2  # cycles
    spread = 2 * (number - number[0]) / (number[-1] - number[0]) - 1
    periods = {"wheel": wheel_cycles, "disc": disc_cycles if abs(disc_cycles - wheel_cycles) > 1e-9 else 0.0}
    span = float(number[-1] - number[0])
    told = {name: one for name, one in periods.items() if one >= _LEAST_CYCLES and span >= _LEAST_TURNS * one}
    waves = [wave(2 * math.pi * number / one) for one in told.values() for wave in (np.cos, np.sin)]
    share = 2 * halves.usual  # of half a period
    # A harmonic makes a half-cycle longer by its share, so that sums of late edges stand in the normal equations.
    weight = np.sqrt(share)
    fit = fit_linear(
        np.column_stack([np.ones_like(spread), spread, spread**2, *waves]) * weight[:, np.newaxis],
        halves.relative * weight,
        what="jitter of the edges",
    )
    left = fit.residuals / weight * share  # of half a period
    found = {
        name: _harmonic(fit.parameters[3 + 2 * at : 5 + 2 * at], left, number, one)
        for at, (name, one) in enumerate(told.items())
    }
    n, total = left.size, float(left @ left) / fit.dof
    noise = halves.step_s * math.sqrt(2 / 12) / (halves.period_s / 2)
    return Decomposed(
        wheel=found.get("wheel"),
        disc=found.get("disc") or (found.get("wheel") if disc_cycles == wheel_cycles else None),
        twice=2 * abs(_wave(left, number, wheel_cycles / 2)) / n if "wheel" in told else 0.0,
        jitter=math.sqrt(max(0.0, total - noise**2)),
        noise=noise,
        dof=max(1.0, fit.dof * _independent(left)),
        n=n,
    )


def _wave(values: Floats, cycle: Floats, period: float) -> complex:
    return complex(np.sum(values * np.exp(-2j * math.pi * cycle / period)))


def _harmonic(pair: Floats, left: Floats, cycle: Floats, period: float) -> Harmonic:
    """Return the amplitude of a fitted harmonic with the noise beside its frequency.

    Half-cycles are means over a stretch of the wave; what that flattens is put back (sinc).
    """
    flat = float(np.sinc(1 / (2 * period)))
    turns, n = float(cycle[-1] - cycle[0]) / period, left.size
    power = [abs(_wave(left, cycle, period * turns / k)) ** 2 for k in _beside(turns)]
    u, dof = math.sqrt(2 * float(np.mean(power))) / n, 2.0 * len(power)
    return Harmonic(amplitude=math.hypot(*(float(one) for one in pair)) / flat, u=u / flat, dof=dof)


def _beside(turns: float) -> list[int]:
    """Return the frequencies [periods in the segment] that tell the noise beside once a turn.

    From half of it to one and a half; few turns have too few of them, and then those between further harmonics count
    too, where edges that slip make more noise and not less.
    """
    for highest in (1.5, 2.5, 3.5, 4.5):
        among = range(max(2, math.ceil(turns / 2)), math.floor(highest * turns) + 1)
        found = [k for k in among if abs(k / turns - max(1, round(k / turns))) * turns > 1]
        if len(found) >= _FEWEST_BESIDE:
            break
    return found


def _independent(values: Floats) -> float:
    """Return what share of values their variance is known by (Bartlett: 1 over the sum of squared autocorrelations)."""
    row = values - np.mean(values)
    power = float(row @ row)
    if power == 0:
        return 1.0
    squares = [(float(row[:-lag] @ row[lag:]) / power) ** 2 for lag in range(1, min(_LAGS, row.size - 1) + 1)]
    # Of values that are independent the squares come to 1/n each by chance.
    return 1 / (1 + 2 * max(0.0, math.fsum(squares) - len(squares) / row.size))


def _parted(evidence: Evidence, parameters: Parameters) -> list[Decomposed]:
    wheel, disc = _cycles(evidence.robot)
    output = parameters.word("output", "a")
    return [decomposed(half_cycles(chain, output), wheel, disc) for chain in edge_chains(evidence, parameters)]


def _cycles(robot: Robot) -> tuple[float, float]:
    """Return cycles in a turn of the wheel and of the disc, 0 where the robot file does not say."""
    encoder = robot.encoder
    return (0.0, 0.0) if encoder is None else (encoder.cycles_per_turn * encoder.gear, encoder.cycles_per_turn)


def _jitter(evidence: Evidence, parameters: Parameters) -> Measurement:
    parts = _parted(evidence, parameters)
    dof = math.fsum(one.dof for one in parts)
    jitter, noise = (
        math.sqrt(math.fsum(one.dof * value**2 for one, value in zip(parts, row, strict=True)) / dof)
        for row in ([one.jitter for one in parts], [one.noise for one in parts])
    )
    u = math.hypot(jitter, noise) / math.sqrt(2 * dof)
    return Measurement(
        value=100 * jitter, unit="%", u=100 * u, dof=dof, n=sum(one.n for one in parts), is_spread=True,
        noise=100 * noise, notes=_what_was_left_out(evidence.robot, parts),
    )  # fmt: skip


def _what_was_left_out(robot: Robot, parts: list[Decomposed]) -> tuple[str, ...]:
    out = [f"{100 * one.wheel.amplitude:.2g} %" for one in parts if one.wheel is not None]
    if not out:
        why = "the robot file does not say how many cycles a turn has (encoder)" if robot.encoder is None else (
            f"it takes {_LEAST_TURNS:g} turns of the wheel and {_LEAST_CYCLES:g} cycles in each"
        )  # fmt: skip
        return (f"What goes round once a turn is still in it: {why}.",)
    notes = [f"Without what goes round once a turn of the wheel ({', '.join(out)} of speed)."]
    twice = max(one.twice for one in parts)
    if twice > max(one.jitter for one in parts) / 2:
        notes.append(f"{100 * twice:.2g} % of speed comes twice a turn, and is in it.")
    return tuple(notes)


def _amplitude(evidence: Evidence, parameters: Parameters, factor: float, unit: str) -> Measurement:
    turn = parameters.word("turn", "wheel")
    if evidence.robot.encoder is None:
        raise CannotMeasureError("the robot file does not say how many cycles of its encoders a turn has (encoder)")
    parts = [one.wheel if turn == "wheel" else one.disc for one in _parted(evidence, parameters)]
    told = [one for one in parts if one is not None and one.dof > 0]
    if not told:
        raise CannotMeasureError(
            f"what goes round with the {turn} takes {_LEAST_TURNS:g} turns of it in a segment, and {_LEAST_CYCLES:g} "
            "cycles a turn"
        )
    mean = mean_of_known([one.amplitude for one in told], [one.u for one in told], "run-out")
    dof = mean.part.dof if math.isfinite(mean.part.dof) else math.fsum(one.dof for one in told)
    noise = f"An amplitude below {200 * max(one.u for one in told):.2g} % of speed is noise."
    return Measurement(
        value=factor * mean.value, unit=unit, u=factor * mean.part.u, dof=dof, n=len(told), notes=(noise,)
    )


def _run_out(evidence: Evidence, parameters: Parameters) -> Measurement:
    return _amplitude(evidence, parameters, 100.0, "%")


def _run_out_mm(evidence: Evidence, parameters: Parameters) -> Measurement:
    """How far off its centre a wheel is that makes this ripple: amplitude times radius."""
    robot = evidence.robot
    diameter = robot.wheel_diameter_left_mm
    if parameters.word("wheel", "left") == "right":
        diameter = robot.wheel_diameter_right_mm
    return _amplitude(evidence, parameters, diameter / 2, "mm")


_TURN = ParameterSpec(
    name="turn", meaning="what goes round", is_word=True, default="wheel", choices=("wheel", "disc")
)  # fmt: skip
_NEEDS = ("encoder.left.edge",)

METHODS_OF_SUBJECT: tuple[Method, ...] = (
    Method(
        name="encoder.jitter", unit="%", run=_jitter, needs=_NEEDS, parameters=(WHEEL, OUTPUT), is_spread=True,
        source="least squares; definition by common practice",
        summary="Standard deviation of half-cycles over their median, without what goes round once a turn.",
    ),
    Method(
        name="encoder.run_out", unit="%", run=_run_out, needs=_NEEDS, parameters=(WHEEL, OUTPUT, _TURN),
        source="least squares", summary="Amplitude of the speed's ripple once a turn of the wheel or disc.",
    ),
    Method(
        name="encoder.run_out_mm", unit="mm", run=_run_out_mm, needs=_NEEDS, parameters=(WHEEL, OUTPUT, _TURN),
        source="ripple e/r of a wheel off its centre by e",
        summary="How far off its centre a wheel is that ripples so, once a turn.",
    ),
)  # fmt: skip
