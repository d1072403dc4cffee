"""Whether the port is there when a step needs it: the cable followed through a case, as the pose is.

While the cable is unplugged nothing can be asked of the robot, and nothing comes from it. Where a sequence is gone
through again, it begins as it ended.
"""

from __future__ import annotations

from collections.abc import Sequence

from hil.spec.bench_values import HandTurn, Jig, Spin, Taken
from hil.spec.checking import Document, Key
from hil.spec.suite_values import (
    ChangeSettings,
    Collect,
    Do,
    Load,
    Pause,
    Retether,
    Step,
    Untether,
    Wait,
)

Located = tuple[Key, Step | None]

_NEEDS_PORT = (ChangeSettings, Do, Wait, Collect, Load, Spin, HandTurn, Jig)


def follow_cable(document: Document, setup: Sequence[Located], sequence: Sequence[Located], rounds: int) -> None:
    """Report the steps that do not fit the cable, each once."""
    is_off, reported = False, set[Key]()
    steps = [*setup, *list(sequence) * min(rounds, 2)]
    for at, step in steps:
        if step is None or at in reported:
            continue
        found = _trouble(step, is_off)
        if found:
            reported.add(at)
            document.report(at, found=found[0], expected=found[1])
        if isinstance(step, Untether | Retether):
            is_off = isinstance(step, Untether)


def _trouble(step: Step, is_off: bool) -> tuple[str, str] | None:
    if isinstance(step, Untether) and is_off:
        return "a second 'untether'", "a 'retether' before it"
    if isinstance(step, Retether) and not is_off:
        return "a 'retether' with the cable in place", "an 'untether' before it"
    takes = isinstance(step, Pause) and (step.takes is not Taken.NOTHING or step.emitter or step.provocation)
    if (takes or isinstance(step, _NEEDS_PORT)) and is_off:
        return "a step that needs the port while the cable is unplugged", "a 'retether' before it"
    return None
