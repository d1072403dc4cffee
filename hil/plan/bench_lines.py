"""The steps of a bench, where the robot stands still, as sentences of a plan."""

from __future__ import annotations

import math

from hil.spec.suite_values import HandTurn, Jig, Lamps, Spin, Stand


def bench_step_in_words(step: Stand | Spin | HandTurn | Lamps | Jig) -> str:
    """Return one step as a short sentence without a full stop."""
    if isinstance(step, Stand):
        return "put the robot on the stand, wheels free"
    if isinstance(step, Spin):
        text = f"turn the free wheels at {step.left:.0%} left and {step.right:.0%} right for {step.duration_s:g} s"
        provoked = f" while it does '{step.provocation}'" if step.provocation else ""
        return f"{text}{provoked} as {step.name}"
    if isinstance(step, HandTurn):
        turns = f"{step.turns:g} {'turn' if step.turns == 1 else 'turns'}"
        return f"turn the {step.wheel} wheel by hand, {turns} forward, as {step.name}"
    if isinstance(step, Lamps):
        return f"switch the lamps {'on' if step.are_on else 'off'}"
    places = ", ".join("none" if math.isinf(one) else f"{one:g}" for one in step.distances_mm)
    surface = f"a board of {step.surface}" if step.surface else "a board of the round's surface"
    return f"read {', '.join(step.sensors)} before {surface} at {places} mm as {step.name}"
