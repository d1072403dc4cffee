"""The steps of a bench, where the robot stands still, as sentences of a plan."""

from __future__ import annotations

import math

from hil.quantities import counted
from hil.spec.bench_values import HandTurn, Jig, Lamps, LoadResistor, Spin, Stand, Taken
from hil.spec.suite_values import Observe, Pause

_TAKEN = {
    Taken.EDGES: "taking down every edge of the encoders",
    Taken.TICKS: "taking down every period of the loop",
    Taken.LEVELS: "sampling the encoders' outputs",
}


def bench_step_in_words(step: Stand | Spin | HandTurn | Lamps | LoadResistor | Jig) -> str:
    """Return one step as a short sentence without a full stop."""
    if isinstance(step, Stand):
        return "put the robot on the stand, wheels free"
    if isinstance(step, Spin):
        text = f"turn the free wheels at {step.left:.0%} left and {step.right:.0%} right for {step.duration_s:g} s"
        return f"{text}{_meanwhile(step)} as {step.name}"
    if isinstance(step, HandTurn):
        turns = counted(int(step.turns), "turn") if step.turns == int(step.turns) else f"{step.turns:g} turns"
        return f"turn the {step.wheel} wheel by hand, {turns} forward, as {step.name}"
    if isinstance(step, LoadResistor):
        return (
            "take the resistor off" if step.ohm is None else f"clip a resistor of {step.ohm:g} ohm across the battery"
        )
    if isinstance(step, Lamps):
        return f"switch the lamps {'on' if step.are_on else 'off'}"
    return _jig_in_words(step)


def _jig_in_words(step: Jig) -> str:
    away = [one for one in step.distances_mm if math.isfinite(one)]
    places = f"at {', '.join(f'{one:g}' for one in away)} mm" if away else ""
    if len(away) < len(step.distances_mm):
        places += " and without it" if away else "taken away"
    surface = f"a board of {step.surface}" if step.surface else "a board of the round's surface"
    turned = f" turned by {math.degrees(step.angle_rad):g} deg" if step.angle_rad else ""
    return f"read {', '.join(step.sensors)} before {surface}{turned} {places} as {step.name}"


def pause_in_words(step: Pause) -> str:
    """Return a pause, with what is taken down and done meanwhile."""
    return f"pause for {step.duration_s:g} s{_meanwhile(step)}{f' as {step.name}' if step.name else ''}"


def _meanwhile(step: Pause | Spin) -> str:
    emitter = step.emitter if isinstance(step, Pause) else ""
    parts = [
        f"firing the emitter of {emitter} alone" if emitter else "",
        _TAKEN.get(step.takes, ""),
        f"while it does '{step.provocation}'" if step.provocation else "",
    ]
    return "".join(f", {part}" for part in parts if part)


def meter_in_words(step: Observe) -> str:
    """Return a reading of a meter with its stated accuracy."""
    fixed = f"{step.u * math.sqrt(3):.3g} {step.unit}" if step.u else ""
    parts = [f"{100 * step.share:g} %" if step.share else "", fixed]
    accuracy = " + ".join(part for part in parts if part)
    at = f" at {step.at}" if step.at else ""
    return f"read the meter{at} (± {accuracy}, a bound) as {step.name}"
