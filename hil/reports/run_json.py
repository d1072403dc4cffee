"""A run as JSON and back: the text of `run.json`.

The form is described by `run.schema.json` beside this module (JSON Schema draft-07). JSON knows neither infinity nor
nan: an absent limit and infinite degrees of freedom are null, and so is a number that was not measured. What can be
worked out of the rest (outcomes of cases, suites and the run, the exit status, the ratio of times) is written for
other programs' sake and not read back.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from datetime import datetime
from importlib import resources
from typing import Any, TypeVar

from hil.errors import UsageError
from hil.judge.verdict import Rule
from hil.outcomes import Outcome
from hil.results import (
    FORMAT_VERSION,
    AssertionResult,
    CaseResult,
    Environment,
    Limits,
    LineCounts,
    LoadedFile,
    PartResult,
    ReplayOf,
    RobotUnderTest,
    Route,
    RunResult,
    SettingRead,
    SuiteResult,
    TraceFile,
    UnjudgedResult,
)

T = TypeVar("T")
Object = dict[str, Any]
_LONGEST_TEXT = 64 * 1024 * 1024  # a run of a day has some thousand assertions of half a kilobyte


def run_to_json(run: RunResult) -> str:
    """Return the text of `run.json`, ending with a line feed."""
    return json.dumps(run_to_object(run), indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def run_from_json(text: str, *, where: str = "run.json") -> RunResult:
    """Read what `run_to_json` wrote; raise `UsageError`, naming `where`, for anything else."""
    expected = f"the result of a run in format version {FORMAT_VERSION}"
    if len(text) > _LONGEST_TEXT:
        raise UsageError(f"a file of {len(text)} characters is too long", where=where, expected=expected)
    try:
        return _run(json.loads(text, parse_constant=_refuse_constant), where)
    except KeyError as error:
        raise UsageError(f"the entry {error} is missing", where=where, expected=expected) from None
    except (ValueError, TypeError, AttributeError, RecursionError) as error:
        raise UsageError(f"the file cannot be read ({error})", where=where, expected=expected) from None


def run_schema() -> Object:
    """Return the JSON Schema of `run.json`."""
    schema = resources.files("hil.reports").joinpath("run.schema.json").read_text(encoding="utf-8")
    loaded: Object = json.loads(schema)
    return loaded


def run_to_object(run: RunResult) -> Object:
    """Return the run as what JSON is made of: dictionaries, lists, texts, numbers, None."""
    return {
        "format_version": run.format_version,
        "tool_version": run.tool_version,
        "run": run.run_id,
        "started": run.started.isoformat(),
        "outcome": run.outcome.value,
        "exit_status": run.exit_status,
        "interrupted": run.is_interrupted,
        "trouble": run.trouble.value if run.trouble else None,
        "reason": run.reason,
        "robot": {
            "name": run.robot.name,
            "serial": run.robot.serial,
            "class": run.robot.robot_class,
            "virtual": run.robot.is_virtual,
        },
        "faults": list(run.faults),
        "seed": run.seed,
        "route": run.route.value,
        "environment": {
            "temperature_c": run.environment.temperature_c,
            "humidity_percent": run.environment.humidity_percent,
            "illuminance_lux": run.environment.illuminance_lux,
            "floor_friction": run.environment.floor_friction,
        },
        **({"settings": [_setting_to_object(one) for one in run.settings]} if run.settings else {}),
        **({"loaded": {"name": run.loaded.name, "sha256": run.loaded.sha256}} if run.loaded else {}),
        "trace": {"file": run.trace.file, "sha256": run.trace.sha256} if run.trace else None,
        "time": {"robot_s": run.robot_s, "wall_s": run.wall_s, "ratio": run.ratio},
        "lines": [{"port": c.port, "good": c.good, "bad": c.bad, "lost": c.lost} for c in run.lines],
        "notes": list(run.notes),
        **(
            {"replay_of": {"run": replay.run, "tool_version": replay.tool_version}} if (replay := run.replay_of) else {}
        ),
        "suites": [_suite_to_object(suite) for suite in run.suites],
    }


def _setting_to_object(setting: SettingRead) -> Object:
    return {
        "name": setting.name,
        "unit": setting.unit,
        "lowest": setting.lowest,
        "highest": setting.highest,
        "before": setting.before,
        "after": setting.after,
    }


def _suite_to_object(suite: SuiteResult) -> Object:
    return {
        "name": suite.name,
        "title": suite.title,
        "outcome": suite.outcome.value,
        "cases": [
            {
                "name": case.name,
                "title": case.title,
                "outcome": case.outcome.value,
                "trouble": case.trouble.value if case.trouble else None,
                "reason": case.reason,
                "repeats": case.repeats,
                "surfaces": list(case.surfaces),
                "robot_s": case.robot_s,
                "wall_s": case.wall_s,
                "notes": list(case.notes),
                "assertions": [_assertion_to_object(assertion) for assertion in case.assertions],
                **({"measured": [_measured_to_object(one) for one in case.measured]} if case.measured else {}),
            }
            for case in suite.cases
        ],
    }


def _measured_to_object(one: UnjudgedResult) -> Object:
    return {
        "suite": one.suite,
        "case": one.case,
        "measurement": one.measurement,
        "value": one.value,
        "unit": one.unit,
        "u": one.u,
        "dof": _or_null(one.dof),
        "n": one.n,
        "count": one.is_count,
        "expanded": one.expanded,
        "confidence": one.confidence,
        "reason": one.reason,
        "source": one.source,
        "notes": list(one.notes),
    }


def _assertion_to_object(assertion: AssertionResult) -> Object:
    return {
        "suite": assertion.suite,
        "case": assertion.case,
        "measurement": assertion.measurement,
        "value": assertion.value,
        "unit": assertion.unit,
        "u": assertion.u,
        "dof": _or_null(assertion.dof),
        "n": assertion.n,
        "count": assertion.is_count,
        "expanded": assertion.expanded,
        "confidence": assertion.confidence,
        "tolerance": {
            "text": assertion.tolerance.text,
            "lower": _or_null(assertion.tolerance.lower),
            "upper": _or_null(assertion.tolerance.upper),
        },
        "rule": assertion.rule.value,
        "p_conformance": assertion.p_conformance,
        "outcome": assertion.outcome.value,
        "reason": assertion.reason,
        "source": assertion.source,
        "why": assertion.why,
        "notes": list(assertion.notes),
        "parts": [
            {
                "source": part.source,
                "value": part.value,
                "u": part.u,
                "dof": _or_null(part.dof),
                "n": part.n,
                "outcome": part.outcome.value,
            }
            for part in assertion.parts
        ],
    }


def _run(data: Object, where: str) -> RunResult:
    version = data["format_version"]
    if version != FORMAT_VERSION:
        raise UsageError(
            f"the run is written in format version {version!r}",
            where=where,
            expected=f"version {FORMAT_VERSION}",
            todo=f"Read it with the version of hil that wrote it ({data.get('tool_version', 'unknown')})",
        )
    robot, times, trace, replay = data["robot"], data["time"], data["trace"], data.get("replay_of")
    return RunResult(
        format_version=version,
        tool_version=data["tool_version"],
        run_id=data["run"],
        started=datetime.fromisoformat(data["started"]),
        is_interrupted=data["interrupted"],
        trouble=_maybe_outcome(data["trouble"]),
        reason=data["reason"],
        robot=RobotUnderTest(
            name=robot["name"], serial=robot["serial"], robot_class=robot["class"], is_virtual=robot["virtual"]
        ),
        faults=tuple(data["faults"]),
        seed=data["seed"],
        route=Route(data["route"]),
        environment=Environment(**data["environment"]),
        settings=_each(data.get("settings", []), lambda setting: SettingRead(**setting)),
        loaded=LoadedFile(**data["loaded"]) if data.get("loaded") else None,
        trace=TraceFile(file=trace["file"], sha256=trace["sha256"]) if trace else None,
        robot_s=times["robot_s"],
        wall_s=times["wall_s"],
        lines=_each(data["lines"], lambda counts: LineCounts(**counts)),
        notes=tuple(data["notes"]),
        replay_of=ReplayOf(run=replay["run"], tool_version=replay["tool_version"]) if replay else None,
        suites=_each(data["suites"], _suite),
    )


def _suite(data: Object) -> SuiteResult:
    return SuiteResult(name=data["name"], title=data["title"], cases=_each(data["cases"], _case))


def _case(data: Object) -> CaseResult:
    return CaseResult(
        name=data["name"],
        title=data["title"],
        trouble=_maybe_outcome(data["trouble"]),
        reason=data["reason"],
        repeats=data["repeats"],
        surfaces=tuple(data.get("surfaces", ())),
        robot_s=data["robot_s"],
        wall_s=data["wall_s"],
        notes=tuple(data["notes"]),
        assertions=_each(data["assertions"], _assertion),
        measured=_each(data.get("measured", []), _measured),
    )


def _measured(data: Object) -> UnjudgedResult:
    return UnjudgedResult(
        suite=data["suite"],
        case=data["case"],
        measurement=data["measurement"],
        value=data["value"],
        unit=data["unit"],
        u=data["u"],
        dof=_or_infinite(data["dof"], math.inf),
        n=data["n"],
        is_count=data["count"],
        expanded=data["expanded"],
        confidence=data["confidence"],
        reason=data["reason"],
        source=data["source"],
        notes=tuple(data["notes"]),
    )


def _assertion(data: Object) -> AssertionResult:
    return AssertionResult(
        suite=data["suite"],
        case=data["case"],
        measurement=data["measurement"],
        value=data["value"],
        unit=data["unit"],
        u=data["u"],
        dof=_or_infinite(data["dof"], math.inf),
        n=data["n"],
        is_count=data["count"],
        expanded=data["expanded"],
        confidence=data["confidence"],
        tolerance=_limits(data["tolerance"]),
        rule=Rule(data["rule"]),
        p_conformance=data["p_conformance"],
        outcome=Outcome(data["outcome"]),
        reason=data["reason"],
        source=data["source"],
        why=data["why"],
        notes=tuple(data["notes"]),
        parts=tuple(
            PartResult(
                source=part["source"],
                value=part["value"],
                u=part["u"],
                dof=_or_infinite(part["dof"], math.inf),
                n=part["n"],
                outcome=Outcome(part["outcome"]),
            )
            for part in data.get("parts", ())
        ),
    )


def _limits(data: Object) -> Limits:
    return Limits(
        text=data["text"],
        lower=_or_infinite(data["lower"], -math.inf),
        upper=_or_infinite(data["upper"], math.inf),
    )


def _each(items: list[Object], read: Callable[[Object], T]) -> tuple[T, ...]:
    return tuple(read(item) for item in items)


def _or_null(number: float) -> float | None:
    return number if math.isfinite(number) else None


def _or_infinite(number: float | None, infinite: float) -> float:
    return infinite if number is None else float(number)


def _maybe_outcome(word: str | None) -> Outcome | None:
    return None if word is None else Outcome(word)


def _refuse_constant(name: str) -> float:
    raise ValueError(f"{name} is no number of JSON")
