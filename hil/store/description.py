"""What a run is, as its trace says it: written before anything moves, so that a killed run can be judged again.

The trace's metadata hold two entries. `run` is the `Description`: by which route, for which robot and class, which
suites and cases in the order of the results, from which kept files, on what kind of robot. `ended` is the `Ending`:
what befell the run beside its cases; a run that was killed has none.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from typing import Any

from hil.errors import UsageError
from hil.measure.trace import Json
from hil.outcomes import Outcome
from hil.results import Environment, LineCounts, Route

RUN = "run"
ENDED = "ended"
_FORMAT = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptSuite:
    """A suite of a run: its kept file, its name, its cases with what each needed, and the surfaces of its rounds."""

    file: str
    name: str
    cases: tuple[tuple[str, tuple[str, ...]], ...]
    surfaces: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Description:
    """A run as it was ordered. `robot`, `protocols` (by program) and suites name kept files.

    `seed` is None on a real robot. `is_paced` is False where a virtual robot drove as fast as the machine could, so
    that the host's times tell nothing. `options` are the other words of the order, for people.
    """

    run_id: str
    started: str  # ISO 8601, with its zone
    tool_version: str
    route: Route
    robot: str
    robot_class: str
    protocols: Mapping[str, str]
    suites: tuple[KeptSuite, ...]
    is_virtual: bool
    is_paced: bool = True
    seed: int | None = None
    faults: tuple[str, ...] = ()
    options: Mapping[str, Json] = field(default_factory=dict)
    environment: Environment = field(default_factory=Environment)
    loaded: Mapping[str, str] = field(default_factory=dict)  # the file with settings in the robot: name, sha256

    def to_json(self) -> Json:
        """Return it as the entry `run` of a trace."""
        return {
            "format": _FORMAT,
            "run": self.run_id,
            "started": self.started,
            "tool": self.tool_version,
            "route": self.route.value,
            "robot": self.robot,
            "class": self.robot_class,
            "protocols": self.protocols,
            "suites": [
                {
                    "file": suite.file,
                    "name": suite.name,
                    "cases": [{"name": name, "needs": list(needs)} for name, needs in suite.cases],
                    "surfaces": list(suite.surfaces),
                }
                for suite in self.suites
            ],
            "virtual": self.is_virtual,
            "paced": self.is_paced,
            "seed": self.seed,
            "faults": list(self.faults),
            "options": self.options,
            "environment": asdict(self.environment),
            "loaded": self.loaded,
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class Ending:
    """How a run ended: what befell it, what it said in its notes, and what it counted."""

    trouble: Outcome | None
    reason: str
    is_interrupted: bool
    notes: tuple[str, ...]
    robot_s: float | None
    wall_s: float
    lines: tuple[LineCounts, ...]

    def to_json(self) -> Json:
        """Return it as the entry `ended` of a trace."""
        return {
            "trouble": self.trouble.value if self.trouble else None,
            "reason": self.reason,
            "interrupted": self.is_interrupted,
            "notes": list(self.notes),
            "robot_s": self.robot_s,
            "wall_s": self.wall_s,
            "lines": [{"port": one.port, "good": one.good, "bad": one.bad, "lost": one.lost} for one in self.lines],
        }


def read_description(meta: Mapping[str, Json], where: str) -> Description:
    """Return the description in a trace's metadata; raise `UsageError` where it has none that can be read."""
    entry: Any = meta.get(RUN)
    if entry is None:
        raise UsageError(
            "the trace does not say which suites were run",
            where=where,
            expected="a trace that hil wrote since it keeps a run's files from the beginning",
        )
    try:
        if entry["format"] != _FORMAT:
            raise ValueError(f"format {entry['format']!r} and not {_FORMAT}")
        return _description(entry)
    except (KeyError, ValueError, TypeError, AttributeError) as error:
        raise UsageError(f"the description of the run cannot be read ({error!r})", where=where) from None


def _description(entry: Any) -> Description:
    return Description(
        run_id=str(entry["run"]),
        started=str(entry["started"]),
        tool_version=str(entry["tool"]),
        route=Route(entry["route"]),
        robot=str(entry["robot"]),
        robot_class=str(entry["class"]),
        protocols={str(program): str(file) for program, file in entry["protocols"].items()},
        suites=tuple(
            KeptSuite(
                file=str(suite["file"]),
                name=str(suite["name"]),
                cases=tuple((str(case["name"]), tuple(map(str, case["needs"]))) for case in suite["cases"]),
                surfaces=tuple(map(str, suite.get("surfaces", ()))),
            )
            for suite in entry["suites"]
        ),
        is_virtual=bool(entry["virtual"]),
        is_paced=bool(entry["paced"]),
        seed=None if entry["seed"] is None else int(entry["seed"]),
        faults=tuple(map(str, entry["faults"])),
        options=dict(entry["options"]),
        environment=Environment(**entry.get("environment", {})),
        loaded={str(key): str(word) for key, word in entry.get("loaded", {}).items()},
    )


def read_ending(meta: Mapping[str, Json], where: str) -> Ending | None:
    """Return how the run ended, None where it was killed (or still goes on); raise `UsageError` for nonsense."""
    entry: Any = meta.get(ENDED)
    if entry is None:
        return None
    try:
        return Ending(
            trouble=None if entry["trouble"] is None else Outcome(entry["trouble"]),
            reason=str(entry["reason"]),
            is_interrupted=bool(entry["interrupted"]),
            notes=tuple(map(str, entry["notes"])),
            robot_s=None if entry["robot_s"] is None else float(entry["robot_s"]),
            wall_s=float(entry["wall_s"]),
            lines=tuple(LineCounts(**one) for one in entry["lines"]),
        )
    except (KeyError, ValueError, TypeError, AttributeError) as error:
        raise UsageError(f"the end of the run cannot be read ({error!r})", where=where) from None
