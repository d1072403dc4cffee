"""The way to stop the robot, and what is said before it moves.

The stop path is the first thing pushed on a run's stack, so it is the last to be undone and runs on every way out: a
finished run, an error, Ctrl-C, a lost port. It never raises: what went wrong while stopping is returned as a sentence.
"""

from __future__ import annotations

from collections.abc import Sequence

CAUTIONS = (
    "Hands, hair, sleeves and cables are clear of the wheels and of the course.",
    "On a table, the course's edge is closed so that the robot cannot fall.",
    "The battery is undamaged, above its lowest voltage, and was charged under supervision on a charger made for it.",
    "Nobody looks into the infrared emitters at close range.",
    "Somebody who can switch the robot off stands within reach of it until the run has ended.",
    "Local rules and the people responsible for the room come first.",
)


def cautions_of(suites: Sequence[Sequence[str]]) -> tuple[str, ...]:
    """Return the general cautions and those of the suites, each once."""
    return tuple(dict.fromkeys([*CAUTIONS, *(caution for cautions in suites for caution in cautions)]))
