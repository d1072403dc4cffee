"""What a run is ordered to be: suites, robot, port, person, records, and where its folder is made."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from hil.results import Environment, LoadedFile, Route
from hil.spec.robot_values import RobotFile
from hil.spec.suite_values import Suite


@dataclass(frozen=True, slots=True, kw_only=True)
class RunOrder:
    """What is to be run: suites as loaded, the robot, its port, and how. `virtual` starts the virtual robot."""

    robot: RobotFile
    suites: tuple[Suite, ...]
    virtual: bool
    runs: Path
    port: str = ""
    ports: Mapping[str, str] = field(default_factory=dict)  # of single programs, by name
    faults: tuple[str, ...] = ()
    seed: int = 1
    answers: Path | None = None
    calibration: Path | None = None
    unattended: bool = False
    route: Route | None = None
    truth_file: Path | None = None  # for studies of the tool itself, on the virtual robot only
    unseen: float = 0.0  # likewise: the share of what the virtual person could not see when asked
    junit: Path | None = None
    records: Path | None = None  # the bench's folder of records; None: none are used and none written
    is_old_good: bool = False  # records that are stale are used all the same
    environment: Environment = field(default_factory=Environment)
    left_out: tuple[str, ...] = ()  # sentences on cases that are not for this robot
    loaded: LoadedFile | None = None  # the file with settings that the robot carries
