"""Shares of a cycle from edges: the mean over cycles with its uncertainty, over one segment or several.

Every cycle is taken of its own period, so that a slow drift of speed drops out. The scatter of cycles counts with how
many independent ones they are worth. A clock whose step is coarser than that scatter hides it; the rounding of two
edges then counts whole, since more cycles do not lessen it.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from hil.measure.encoder_edges import Cycles, EdgeChain, whole_cycles
from hil.measure.evidence import Floats
from hil.measure.uncertainty import Mean, Part, effective_number, join, mean_of_known
from hil.measure.values import CannotMeasureError

Pick = Callable[[Floats], Floats]  # (cycles x states) to one number a cycle


def share_of_chain(chain: EdgeChain, output: str, pick: Pick) -> Mean:
    """Return the mean over the whole cycles of one segment of what `pick` takes of their states' shares."""
    cycles = whole_cycles(chain, output)
    values = pick(cycles.shares)
    number = max(2.0, effective_number(values))
    sd = float(np.std(values, ddof=1))
    scatter = Part(sd / math.sqrt(number), max(1.0, number - 1))
    return Mean(value=float(np.mean(values)), part=join(scatter, _rounding(chain, cycles, sd)), sd=sd, n=values.size)


def _rounding(chain: EdgeChain, cycles: Cycles, sd: float) -> Part:
    step = chain.step_s / float(np.median(cycles.period_s))
    return Part(0.0) if sd >= step / 2 else Part(step * math.sqrt(2 / 12))


def joined_share(chains: tuple[EdgeChain, ...], output: str, pick: Pick, what: str) -> Mean:
    """Return the mean over segments: their own uncertainties count, or their scatter where that is larger."""
    means = [share_of_chain(chain, output, pick) for chain in chains]
    if len(means) == 1:
        return means[0]
    mean = mean_of_known([one.value for one in means], [one.part.u for one in means], what)
    dof = mean.part.dof
    if math.isinf(dof):
        dof = join(*(one.part.times(1 / len(means)) for one in means)).dof
    return Mean(value=mean.value, part=Part(mean.part.u, dof), sd=mean.sd, n=sum(one.n for one in means))


def high(chain: EdgeChain, output: str) -> Pick:
    """Return what takes the share of a cycle in which an output is high."""
    bit = 1 if output == "a" else 2
    if bit == 2 and not chain.is_quadrature:
        raise CannotMeasureError("the encoder has one output; there is no b")
    columns = [at for at, state in enumerate(chain.states) if state & bit]
    return lambda shares: np.sum(shares[:, columns], axis=1)


def state(number: int) -> Pick:
    """Return what takes the share of state `number` (1: A alone, 2: both, 3: B alone, 4: none)."""
    return lambda shares: shares[:, number - 1]
