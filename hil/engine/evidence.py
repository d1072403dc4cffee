"""The evidence of a case, cut from its records: of one in progress, or of one that a trace holds."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from hil.engine.bench import Bench
from hil.measure.evidence import Evidence
from hil.measure.model import Robot
from hil.measure.series import Speech, evidence_from
from hil.measure.trace import TraceRecord
from hil.spec.suite_values import Case


def evidence_so_far(bench: Bench, case: Case) -> Evidence:
    """Decode what was recorded of the case until now; more may be recorded meanwhile."""
    speech = {name: Speech(dialect=dialect, program=program) for name, (dialect, program) in bench.line.speech.items()}
    records = tuple(bench.recorder.records)
    return evidence_of(records, speech, bench.robot_on(case.course.surface), case, host_is_real=bench.host_is_real)


def evidence_of(
    records: Sequence[TraceRecord], speech: Mapping[str, Speech], robot: Robot, case: Case, *, host_is_real: bool
) -> Evidence:
    """Decode the records of a case; `speech` is by port of the trace."""
    return evidence_from(records, speech, robot, case.course, case.name, host_is_real=host_is_real)
