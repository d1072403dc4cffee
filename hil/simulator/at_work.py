"""Which faults of a virtual robot have acted so far: one that never did has shown nothing, and a run must say so.

A fault acts when what it changes comes about: wheels turn, a front wall is met, the task is held, a byte is spoilt, the
port goes. What the sensors read is always at work. A value that changes nothing never acts.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from enum import Enum

from hil.simulator.faults import Fault


class Sign(Enum):
    """What has come about, by which faults are told to have acted."""

    TURNED = "a wheel turned"
    POWERED = "a wheel turned by its motor"
    DROVE = "a drive"
    DROVE_TO_WALL = "a drive that a front wall may end"
    FRONT_RESET = "a straight that a front wall has ended"
    HELD = "the control loop held"
    BYTES_LOST = "a byte lost"
    BITS_FLIPPED = "a bit flipped"
    PORT_LOST = "the port lost"
    PORT_BACK = "the port back"


# Of every fault that waits for something: what it waits for, and what is said where that has not come.
_WAITS: dict[str, tuple[Sign, str]] = {
    **dict.fromkeys(
        ("wheel-mismatch", "wheel-base", "mean-diameter", "grip"),
        (Sign.DROVE, "nothing was driven"),
    ),
    **dict.fromkeys(("battery-resistance", "reversed-motor"), (Sign.POWERED, "nothing was driven")),
    **dict.fromkeys(
        ("drop-counts-right", "encoder-duty", "encoder-phase", "run-out"), (Sign.TURNED, "no wheel was turned")
    ),
    "front-trigger": (Sign.FRONT_RESET, "no front wall ended a straight"),
    "front-reset": (Sign.DROVE_TO_WALL, "no drive was to be ended by a front wall"),
    "loop-pause": (Sign.HELD, "the control loop was never held, which happens about once in a second of driving"),
    "lost-bytes": (Sign.BYTES_LOST, "of the bytes that crossed the line none was lost"),
    "flipped-bits": (Sign.BITS_FLIPPED, "of the bits that crossed the line none was flipped"),
    "port-lost-at": (Sign.PORT_LOST, "the port had not been open for so long"),
    "port-returns": (Sign.PORT_BACK, "no port that went away came back by it"),
}
_AS_CALIBRATED = ("sensor-gain-left", "sensor-gain-right", "surface-gain")
_AS_DRAWN = {"encoder-duty": 0.5, "encoder-phase": 90.0}
_EVEN_ZERO = ("port-lost-at", "port-returns", "battery-resistance", "front-reset", "dead-sensor")


def idle_faults(faults: Iterable[Fault], signs: Collection[Sign]) -> list[tuple[str, str]]:
    """Return the faults that have not acted, as they were written, each with the reason."""
    found = []
    for fault in faults:
        sign, why = _WAITS.get(fault.name, (None, ""))
        if _changes_nothing(fault):
            found.append((fault.text, "this value changes nothing"))
        elif sign is not None and sign not in signs:
            found.append((fault.text, why))
    return found


def _changes_nothing(fault: Fault) -> bool:
    if fault.name in _AS_CALIBRATED:
        return fault.value == 1.0
    if fault.name == "front-reset":
        return fault.value is True
    if fault.name in _AS_DRAWN:
        return fault.value == _AS_DRAWN[fault.name]
    return fault.name not in _EVEN_ZERO and fault.value == 0.0
