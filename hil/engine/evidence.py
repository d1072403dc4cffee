"""The evidence of a case, cut from its records: of one in progress, or of one that a trace holds."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from hil.engine.bench import Bench
from hil.errors import UsageError
from hil.measure.evidence import Evidence
from hil.measure.model import Robot
from hil.measure.series import evidence_from
from hil.measure.trace import PortEntry, TraceRecord
from hil.spec.suite_values import Case
from hil.wire.dialect import Dialect


def evidence_so_far(bench: Bench, case: Case) -> Evidence:
    """Decode what was recorded of the case until now."""
    return evidence_from(bench.recorder.records, bench.session.dialect, bench.robot, case.course, case.name)


def evidence_of(
    records: Sequence[TraceRecord],
    ports: Sequence[PortEntry],
    dialects: Mapping[str, Dialect],
    robot: Robot,
    case: Case,
) -> Evidence:
    """Decode the records of a case in a trace; `dialects` are by program."""
    known = {dialect.name: dialect for dialect in dialects.values()}
    spoken = [known.get(port.protocol) for port in ports]
    dialect = next((one for one in spoken if one is not None), None)
    if dialect is None:
        raise UsageError(
            f"the protocol of the trace is not among the run's ({', '.join(known) or 'none'})",
            where=", ".join(port.name for port in ports) or "the trace's ports",
            expected="the files of the run as they were",
        )
    return evidence_from(records, dialect, robot, case.course, case.name)
