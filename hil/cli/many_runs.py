"""Many runs on virtual robots, each by the command line in a process of its own, a few at a time."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from hil import __version__
from hil.errors import BenchError

_LONGEST_RUN_S = 900


@dataclass(frozen=True, slots=True, kw_only=True)
class VirtualRun:
    """One run to make: suites (none: the three driving suites), seed, faults; with `truth` its truth comes back too.

    `robot` is the name of a virtual robot's file, `route` who measures ("": what the robot's port allows).
    """

    seed: int
    suites: tuple[str, ...] = ()
    faults: tuple[str, ...] = ()
    truth: bool = False
    robot: str = "virtual"
    route: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class VirtualOutcome:
    """What a run printed as JSON, and the lines of its truth file."""

    run: VirtualRun
    exit_status: int
    result: Mapping[str, Any]
    truth: tuple[Mapping[str, Any], ...] = ()

    def assertions(self) -> Iterator[Mapping[str, Any]]:
        """All assertions of the run."""
        for suite in self.result["suites"]:
            for case in suite["cases"]:
                yield from case["assertions"]

    def assertion(self, measurement: str) -> Mapping[str, Any]:
        """Return the assertion on one measurement."""
        for assertion in self.assertions():
            if assertion["measurement"] == measurement:
                return assertion
        raise BenchError(f"the run has no measurement '{measurement}'", where=f"seed {self.run.seed}")


def make_runs(runs: Sequence[VirtualRun], jobs: int) -> Iterator[VirtualOutcome]:
    """Make the runs, `jobs` at a time, and yield what came of them in the order given."""
    with ThreadPoolExecutor(max_workers=jobs) as pool:
        yield from pool.map(_make, runs)


def _make(run: VirtualRun) -> VirtualOutcome:
    with tempfile.TemporaryDirectory(prefix="hil-study-") as folder:
        truth_file = Path(folder) / "truth.jsonl"
        command = [sys.executable, "-P", "-m", "hil.cli.main", "run", *run.suites, "--virtual", "--json"]
        command += ["--seed", str(run.seed), "--runs", folder]
        command += ["--robot", run.robot] if run.robot != "virtual" else []
        command += ["--route", run.route] if run.route else []
        command += [word for fault in run.faults for word in ("--fault", fault)]
        command += ["--truth", str(truth_file)] if run.truth else []
        # Our own interpreter and module; nothing of a user's file is executed.
        done = subprocess.run(  # noqa: S603
            command, capture_output=True, text=True, timeout=_LONGEST_RUN_S, check=False
        )
        try:
            result = json.loads(done.stdout)
        except ValueError:
            raise BenchError(
                f"a run gave no result ({done.stderr.strip()[-300:]})", where=f"seed {run.seed}, {run.faults}"
            ) from None
        truth = tuple(map(json.loads, truth_file.read_text().splitlines())) if run.truth else ()
    return VirtualOutcome(run=run, exit_status=done.returncode, result=result, truth=truth)


def stamp() -> str:
    """Say which code a study ran on: the version, and the commit where this is a checkout."""
    folder = Path(__file__).resolve().parent
    try:
        commit = _git(folder, "rev-parse", "--short=12", "HEAD")
        changed = _git(folder, "status", "--porcelain", "--untracked-files=no")
    except (OSError, subprocess.CalledProcessError):
        return f"hil {__version__}"
    return f"hil {__version__}, commit {commit}{' with changes' if changed else ''}, {os.cpu_count()} cores"


def _git(folder: Path, *words: str) -> str:
    done = subprocess.run(  # noqa: S603
        ["git", *words],  # noqa: S607
        cwd=folder,
        capture_output=True,
        text=True,
        check=True,
    )
    return done.stdout.strip()
