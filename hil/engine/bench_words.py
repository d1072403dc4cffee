"""The words in which a person at the terminal is asked for boards and wheels, and what is read from the answers."""

from __future__ import annotations

import math

from hil.engine.entries import read_entry
from hil.quantities import QuantityError
from hil.spec.suite_values import Observe
from hil.vocabulary import CHANNELS

_FAR_SHARE = 0.25  # from the distance asked for, beyond which one is doubted: a jig is set to its mark
_FAR_MM = 10.0


def spin_in_words(left: float, right: float, duration_s: float) -> str:
    """Return what is asked for where the wheels are started by the robot's button."""
    duty = f"{left:.0%}" if left == right else f"{left:.0%} left and {right:.0%} right"
    return (
        f"Let the robot turn its free wheels at {duty} for {duration_s:g} s, by its button. If a meter is held to it, "
        "keep what it shows meanwhile. Come back when the wheels stand."
    )


def spin_read_in_words(duration_s: float, read: Observe) -> str:
    """Return what is said before wheels turn while a meter is read."""
    at = f" to the {CHANNELS[read.at].meaning}" if read.at else ""
    return (
        f"Hold the meter{at}, hands clear of the wheels. They turn for {duration_s:g} s, beginning when you press "
        "Enter; remember what it shows meanwhile, and you are asked for it then."
    )


def jig_in_words(sensor: str, surface: str, distance_mm: float, angle_rad: float) -> str:
    """Return where a board belongs; an infinite distance takes it away."""
    if math.isinf(distance_mm):
        return f"To do: take the board away, so that nothing stands before {sensor} within a metre."
    turned = f", turned by {math.degrees(angle_rad):g} deg" if angle_rad else ""
    board = f"the board of {surface}" if surface else "the board"
    return f"To do: set {board} before {sensor} at {distance_mm:g} mm{turned}."


def read_distance(said: str, asked_mm: float) -> tuple[float, str]:
    """Return a distance [mm] as it was typed, and why it is doubted ("": it is not); nothing typed: as asked for.

    Raises `QuantityError`, one clause, where it is no distance.
    """
    if not said.strip():
        return asked_mm, ""
    value = read_entry(said, "mm")
    if value <= 0:
        raise QuantityError(f"{said.strip()!r} is no distance of a board")
    if abs(value - asked_mm) > max(_FAR_SHARE * asked_mm, _FAR_MM):
        return value, f"{value:g} mm is far from the {asked_mm:g} mm asked for."
    return value, ""
