"""The evidence of a case in progress, cut from what was recorded since it began."""

from __future__ import annotations

from hil.engine.bench import Bench
from hil.measure.evidence import Evidence
from hil.measure.series import evidence_from
from hil.spec.suite_values import Case


def evidence_so_far(bench: Bench, case: Case) -> Evidence:
    """Decode what was recorded of the case until now."""
    return evidence_from(bench.recorder.records, bench.session.dialect, bench.robot, case.course, case.name)
