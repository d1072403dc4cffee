"""What stands against a case that takes the cable off or takes over what the robot kept, told before anything moves.

Without its cable a robot hears no command, so only a person can start a drive; and what it kept on board can be taken
over only where its protocol says in which form it comes.
"""

from __future__ import annotations

from collections.abc import Iterable

from hil.spec.robot_values import Drives, Program
from hil.spec.suite_values import Collect, DriveStep, Load, Retether, Step, Untether
from hil.wire.dialect import Dialect


def why_not_without_cable(steps: Iterable[Step], program: Program, dialect: Dialect) -> str:
    """Return why the steps cannot be gone through on this program, "" where they can.

    Steps after one that loads another program are not looked at.
    """
    is_off = False
    for step in steps:
        match step:
            case Load():
                return ""
            case Untether():
                is_off = True
            case Retether():
                is_off = False
            case DriveStep() if is_off and program.drives_by is not Drives.OPERATOR:
                return (
                    f"'{step.name}' is to be driven without the cable, and the program '{program.name}' is driven by "
                    f"{program.drives_by.value}, which needs it; a program with 'drives_by: operator' can be started "
                    "by a person"
                )
            case Collect() if all(block.name != step.what for block in dialect.blocks):
                known = ", ".join(f"'{block.name}'" for block in dialect.blocks) or "none"
                return (
                    f"the robot's {step.what} is to be taken over, and the protocol {dialect.name} has no block "
                    f"message '{step.what}' (it has {known})"
                )
            case _:
                pass
    return ""
