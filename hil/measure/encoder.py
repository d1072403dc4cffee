"""Encoders by their edges: duty, phase, state widths, and edges that are missing, extra or illegal.

Wheels free, turned by their motors at a constant duty, every edge taken down with the robot's time. Angles are in
electrical degrees, 360 to a cycle. Definitions as in data sheets of incremental encoder modules: duty is high time over
period, phase the delay from output A to output B (nominal 90), the state widths are those of the four states in the
order of turning forward (A alone, both, B alone, none; nominal 90). With a duty of 50 % they are phi, 180 - phi, phi,
180 - phi, and counting all four edges errs by (phi - 90)/360 of a cycle.
"""

from __future__ import annotations

import math
from collections.abc import Callable

from hil.measure.encoder_edges import OUTPUTS, WHEELS, EdgeChain, edge_chains
from hil.measure.encoder_shares import high, joined_share, state
from hil.measure.evidence import Evidence
from hil.measure.method import TWO_OUTPUTS, Method, Parameters, ParameterSpec
from hil.measure.uncertainty import Mean
from hil.measure.values import CannotMeasureError, Measurement

_TURN_DEG = 360.0
_STATES = ("1", "2", "3", "4", "worst")


def from_share(mean: Mean, factor: float, unit: str, notes: tuple[str, ...] = ()) -> Measurement:
    """Return a mean share of a cycle as a measurement in `unit`."""
    return Measurement(
        value=factor * mean.value, unit=unit, u=factor * mean.part.u, dof=mean.part.dof, n=mean.n, notes=notes
    )


def _speed_note(chains: tuple[EdgeChain, ...]) -> str:
    speeds = ", ".join(f"'{chain.drive.name}' {1 / chain.period_s:.4g}" for chain in chains)
    return f"Cycles a second: {speeds}."


def _duty(evidence: Evidence, parameters: Parameters) -> Measurement:
    chains, output = edge_chains(evidence, parameters), parameters.word("output", "a")
    mean = joined_share(chains, output, high(chains[0], output), "duty")
    angles = f"High for {_TURN_DEG * mean.value:.1f} and low for {_TURN_DEG * (1 - mean.value):.1f} deg of a cycle."
    return from_share(mean, 100.0, "%", (angles, _speed_note(chains)))


def _ripple(evidence: Evidence, parameters: Parameters) -> Measurement:
    """How much too fast the shorter half-cycle shows the wheel: 0.5/min(d, 1 - d) - 1 (both edges counted)."""
    duty = _duty(evidence, parameters)
    share, u = duty.value / 100, duty.u / 100
    short = min(share, 1 - share)
    if short <= 0:
        raise CannotMeasureError("the output never changes")
    slow = (
        f"Counted by both edges, the speed shows {50 / (1 - short) - 100:+.1f} % and {50 / short - 100:+.1f} % in turn."
    )
    return Measurement(
        value=100 * (0.5 / short - 1), unit="%", u=50 / short**2 * u, dof=duty.dof, n=duty.n,
        notes=(slow, "Counting one edge of each cycle removes it."),
    )  # fmt: skip


def _quadrature(evidence: Evidence, parameters: Parameters, what: str) -> tuple[EdgeChain, ...]:
    chains = edge_chains(evidence, parameters)
    if not all(chain.is_quadrature for chain in chains):
        raise CannotMeasureError(f"the encoder has one output, and {what} takes two")
    return chains


def _phase(evidence: Evidence, parameters: Parameters) -> Measurement:
    chains = _quadrature(evidence, parameters, "a phase")
    mean = joined_share(chains, "a", state(1), "phase")
    return from_share(mean, _TURN_DEG, "deg", (_step_error(_TURN_DEG * mean.value), *_ways(chains)))


def _step_error(phase_deg: float) -> str:
    error = 100 * (phase_deg - 90) / _TURN_DEG
    return f"Counting all four edges, every other count is {error:+.1f} % of a cycle off its place."


def _ways(chains: tuple[EdgeChain, ...]) -> tuple[str, ...]:
    words = {1: "forward", -1: "backward"}
    return (
        "By the outputs it turned "
        + ", ".join(f"{words[one.direction]} in '{one.drive.name}'" for one in chains)
        + ".",
    )


def _state_width(evidence: Evidence, parameters: Parameters) -> Measurement:
    chains, which = _quadrature(evidence, parameters, "a state"), parameters.word("which", "worst")
    widths = [joined_share(chains, "a", state(number), f"state {number}") for number in (1, 2, 3, 4)]
    return chosen_width(widths, which, _ways(chains))


def chosen_width(widths: list[Mean], which: str, notes: tuple[str, ...]) -> Measurement:
    """Return the width of a state, by its number or ("worst") the one furthest from 90 deg."""
    at = max(range(4), key=lambda one: abs(widths[one].value - 0.25)) if which == "worst" else int(which) - 1
    every = ", ".join(f"{number}: {_TURN_DEG * one.value:.1f}" for number, one in enumerate(widths, start=1))
    said = f"State {at + 1} of four; widths in deg {every} (1 A alone, 2 both, 3 B alone, 4 none)."
    return from_share(widths[at], _TURN_DEG, "deg", (said, *notes))


def _counted(
    what: Callable[[EdgeChain], int], *, quadrature: bool = False
) -> Callable[[Evidence, Parameters], Measurement]:
    """Return a method that counts edges of a kind among all that should have come."""

    def run(evidence: Evidence, parameters: Parameters) -> Measurement:
        chains = (
            _quadrature(evidence, parameters, "an illegal transition")
            if quadrature
            else edge_chains(evidence, parameters)
        )
        expected = sum(chain.expected for chain in chains)
        found = [(chain, what(chain)) for chain in chains]
        where = ", ".join(f"{number} in '{chain.drive.name}'" for chain, number in found if number)
        notes = (f"Of {expected} edges that should have come: {where or 'none'}.", _speed_note(chains))
        value = float(sum(number for _, number in found))
        return Measurement(value=value, unit="", u=0.0, n=max(1, expected), is_count=True, notes=notes)

    return run


def _loss(evidence: Evidence, parameters: Parameters) -> Measurement:
    """Share of edges missing at the highest speed less that at the lowest."""
    chains = sorted(edge_chains(evidence, parameters), key=lambda chain: -chain.period_s)
    slow, fast = chains[0], chains[-1]
    if len(chains) < 2 or slow.period_s < 1.2 * fast.period_s:
        raise CannotMeasureError("loss with speed takes two segments whose speeds differ by a fifth or more")
    shares = [one.missing / one.expected for one in chains]
    # The rule of succession gives none of n an uncertainty too.
    of_each = [((one.missing + 1) / (one.expected + 2), one.expected) for one in (slow, fast)]
    u = math.sqrt(math.fsum(p * (1 - p) / n for p, n in of_each))
    narrow = min(fast.shares) * fast.period_s
    notes = (
        "Missing at cycles a second: "
        + ", ".join(f"{1 / one.period_s:.4g}: {100 * share:.2g} %" for one, share in zip(chains, shares, strict=True))
        + ".",
        f"The shortest state lasts {1e6 * narrow:.0f} us at the highest speed; no interrupt may wait for longer.",
    )
    return Measurement(
        value=100 * (shares[-1] - shares[0]), unit="%", u=100 * u, n=sum(one.expected for one in chains), notes=notes
    )


WHEEL = ParameterSpec(name="wheel", meaning="which wheel", is_word=True, default="left", choices=WHEELS)
OUTPUT = ParameterSpec(name="output", meaning="which output of the encoder", is_word=True, default="a", choices=OUTPUTS)
WHICH = ParameterSpec(
    name="which", meaning="number of the state, or worst", is_word=True, default="worst", choices=_STATES
)
SHEETS = "data sheets of incremental encoder modules"
_NEEDS = ("encoder.left.edge",)
_OF_TWO = (*_NEEDS, TWO_OUTPUTS)
_RULE = "common practice: more than 1.5 or less than 0.5 of the local period"

METHODS_OF_SUBJECT: tuple[Method, ...] = (
    Method(
        name="encoder.duty", unit="%", run=_duty, needs=_NEEDS, source=SHEETS, parameters=(WHEEL, OUTPUT),
        summary="Share of a cycle in which an output is high, every cycle of its own period.",
    ),
    Method(
        name="encoder.ripple", unit="%", run=_ripple, needs=_NEEDS, source="0.5/d and 0.5/(1 - d)",
        parameters=(WHEEL, OUTPUT),
        summary="How much too fast the shorter half of a cycle shows the wheel where both edges are counted.",
    ),
    Method(
        name="encoder.phase", unit="deg", run=_phase, needs=_OF_TWO, source=SHEETS, parameters=(WHEEL,),
        summary="Delay from output A to output B in electrical degrees.",
    ),
    Method(
        name="encoder.state_width", unit="deg", run=_state_width, needs=_OF_TWO, source=SHEETS,
        parameters=(WHEEL, WHICH), summary="Width of one of the four states, or of the one furthest from 90 degrees.",
    ),
    Method(
        name="encoder.missing", unit="", run=_counted(lambda chain: chain.missing), needs=_NEEDS, source=_RULE,
        parameters=(WHEEL,), is_count=True, summary="Edges that did not come.",
    ),
    Method(
        name="encoder.extra", unit="", run=_counted(lambda chain: chain.extra), needs=_NEEDS, source=_RULE,
        parameters=(WHEEL,), is_count=True, summary="Edges that are too many.",
    ),
    Method(
        name="encoder.illegal", unit="", run=_counted(lambda chain: chain.illegal, quadrature=True), needs=_OF_TWO,
        source="definition", parameters=(WHEEL,), is_count=True,
        summary="Transitions in which both outputs changed at once.",
    ),
    Method(
        name="encoder.loss_with_speed", unit="%", run=_loss, needs=_NEEDS, source="binomial shares",
        parameters=(WHEEL,), summary="Share of edges missing at the highest speed less that at the lowest.",
    ),
)  # fmt: skip
