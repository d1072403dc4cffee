"""What is asked of the virtual robot's process, as one object of JSON.

    {"seed": 1, "faults": [], "robot_file": …, "protocols": {program: protocol file}, "program": …, "course_file": …,
     "paced": false, "serve": "pty", "truth_file": null, "unseen": 0, "link": null}

`program` is the one that is loaded first (the robot file's first where it is not given). `protocol_file` may stand in
place of `protocols` for a robot with one program. `unseen` is the share of what the person could not see when asked,
`link` a name in the file system that always leads to the current pseudo-terminal. Unknown and missing keys are refused.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from hil.errors import UsageError
from hil.spec.robot_values import Program, RobotFile

WHERE = "virtual robot"
_FILES = ("robot_file", "protocol_file", "course_file", "truth_file", "link")
_NEEDED = ("seed", "robot_file", "course_file")
_KNOWN = frozenset({*_FILES, "seed", "faults", "paced", "serve", "program", "protocols", "unseen"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Order:
    """What is to be served."""

    seed: int
    robot_file: Path
    course_file: Path
    protocol_file: Path | None = None
    protocols: Mapping[str, Path] = field(default_factory=dict)  # by program
    program: str = ""
    faults: tuple[str, ...] = ()
    paced: bool = False
    serve: str = "pty"
    truth_file: Path | None = None
    unseen: float = 0.0
    link: Path | None = None

    def program_of(self, robot: RobotFile, name: str) -> tuple[Program, Path]:
        """Return a program of the robot ("": its first) and its protocol file; raise `UsageError` without either."""
        program = robot.programs.get(name) if name else next(iter(robot.programs.values()))
        if program is None:
            raise UsageError(
                f"the robot has no program {name!r}", where=WHERE, expected=f"one of {', '.join(robot.programs)}"
            )
        path = self.protocols.get(program.name) or (None if self.protocols else self.protocol_file)
        if path is None:
            raise UsageError(
                f"no protocol file was given for the program {program.name!r}",
                where=WHERE,
                expected=f"one under 'protocols'; there is one for {', '.join(self.protocols) or 'none'}",
            )
        return program, path


def read_order(text: str) -> Order:
    """Read an order; raise `UsageError` where it is not one."""
    try:
        values = json.loads(text)
    except ValueError as error:
        raise UsageError(f"the order is not JSON ({error})", where=WHERE) from None
    if not isinstance(values, dict) or not _KNOWN >= values.keys() >= set(_NEEDED):
        raise UsageError(
            "the order has unknown or missing keys",
            where=WHERE,
            expected=f"{', '.join(_NEEDED)}, and maybe {', '.join(sorted(_KNOWN - set(_NEEDED)))}",
        )
    given: dict[str, Any] = {key: value for key, value in values.items() if value is not None}
    if not ("protocols" in given or "protocol_file" in given):
        raise UsageError("the order names no protocol", where=WHERE, expected="protocols or protocol_file")
    given.update({key: Path(str(given[key])) for key in _FILES if key in given})
    given["protocols"] = {str(name): Path(str(path)) for name, path in dict(given.get("protocols", {})).items()}
    given["faults"] = tuple(str(fault) for fault in given.get("faults", ()))
    given["unseen"] = float(given.get("unseen", 0.0))
    return Order(**given)
