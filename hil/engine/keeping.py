"""What a run leaves on disk before anything moves: its files, its calibrations, its description.

A run may be killed at any moment after this and can still be judged again from its folder.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

from hil import __version__
from hil.catalogue import Catalogue
from hil.judge.repeats import Looks
from hil.measure.trace import Json
from hil.results import CaseResult, Environment, Route
from hil.spec.kinds import Kind
from hil.spec.robot_values import RobotFile
from hil.spec.suite_values import Suite
from hil.store.calibrations import KeptCalibrations, write_calibrations
from hil.store.description import RUN, Description, KeptSuite
from hil.store.run_files import keep_files
from hil.store.runs import settle_names


@dataclass(frozen=True, slots=True, kw_only=True)
class Beginning:
    """A run as it begins. `seed` is None on a real robot; `options` are words of the order, for people."""

    robot: RobotFile
    suites: Sequence[Suite]
    route: Route
    calibrations: KeptCalibrations
    started: datetime
    is_paced: bool = True
    seed: int | None = None
    faults: Sequence[str] = ()
    options: Mapping[str, Json] = field(default_factory=dict)
    environment: Environment = field(default_factory=Environment)
    loaded: Mapping[str, str] = field(default_factory=dict)


def keep_beginning(folder: Path, beginning: Beginning, catalogue: Catalogue) -> dict[str, Json]:
    """Write everything that is needed to judge the run again, and come back when it is safely on the disk.

    Returned is what the trace must say of it.
    """
    robot = beginning.robot
    protocols = {
        program.name: catalogue.find(Kind.PROTOCOL, program.protocol, beside=robot.file)
        for program in robot.programs.values()
    }
    courses = [case.course_file for suite in beginning.suites for case in suite.cases]
    files = [robot.file, *protocols.values(), *(suite.file for suite in beginning.suites), *courses]
    names = keep_files(folder, files, catalogue.found)
    write_calibrations(folder / "calibration.json", beginning.calibrations)
    described = Description(
        run_id=folder.name,
        started=beginning.started.isoformat(),
        tool_version=__version__,
        route=beginning.route,
        robot=names[robot.file.resolve()],
        robot_class=robot.robot.robot_class,
        protocols={program: names[path.resolve()] for program, path in protocols.items()},
        suites=tuple(
            KeptSuite(
                file=names[suite.file.resolve()],
                name=suite.name,
                cases=tuple((case.name, case.needs) for case in suite.cases),
                surfaces=suite.surfaces,
            )
            for suite in beginning.suites
        ),
        is_virtual=robot.virtual,
        is_paced=beginning.is_paced,
        seed=beginning.seed,
        faults=tuple(beginning.faults),
        options=beginning.options,
        environment=beginning.environment,
        loaded=beginning.loaded,
    )
    settle_names(folder)
    settle_names(folder.parent)
    return {RUN: described.to_json(), "paced": beginning.is_paced}


def case_ending(suite: str, result: CaseResult, left_out: Sequence[str]) -> dict[str, Json]:
    """Return what the end mark of a case says: what befell it, and what cannot be told from the records again."""
    return {
        "suite": suite,
        "trouble": result.trouble.value if result.trouble else None,
        "reason": result.reason,
        "repeats": result.repeats,
        "robot_s": result.robot_s,
        "wall_s": result.wall_s,
        "left_out": list(left_out),
        "notes": list(result.notes),
        "asserted": [assertion.measurement for assertion in result.assertions],
    }


def look_fields(plan: Looks, done: int, reported: Collection[str] | None) -> dict[str, Json]:
    """Return what the mark of a look at the repeats says, so that the same look can be taken again."""
    return {
        "repeats": done,
        "after": list(plan.after),
        "reported": None if reported is None else sorted(reported),
    }
