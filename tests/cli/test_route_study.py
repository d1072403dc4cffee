"""What the study of routes calls opposite and what it calls missed, on outcomes written out by hand."""

from __future__ import annotations

from hil.cli.many_runs import VirtualOutcome, VirtualRun
from hil.cli.route_study import compared, runs_of, ways_of

WAYS = ways_of(("virtual", "virtual-prints"), ("telemetry", "operator"))


def outcome(run: VirtualRun, **measured: str) -> VirtualOutcome:
    assertions = [{"measurement": name, "outcome": word, "reason": ""} for name, word in measured.items()]
    return VirtualOutcome(run=run, exit_status=0, result={"suites": [{"cases": [{"assertions": assertions}]}]})


def said(fault: str, **measured: tuple[str, str, str, str]) -> list[VirtualOutcome]:
    faults = (fault,) if fault else ()
    runs = [VirtualRun(seed=1, robot=way.robot, route=way.route, faults=faults) for way in WAYS]
    return [outcome(run, **{name: words[at] for name, words in measured.items()}) for at, run in enumerate(runs)]


def test_every_fault_is_run_on_every_seed_by_every_way() -> None:
    runs = runs_of(WAYS, [1, 2])
    assert len(runs) == 4 * 2 * 4
    assert len({(run.seed, run.robot, run.route, run.faults) for run in runs}) == len(runs)


def test_passed_by_one_way_and_failed_by_another_is_opposite() -> None:
    (one,) = compared(WAYS, said("", turn_error=("passed", "passed", "failed", "passed")))
    assert one.is_opposite
    assert not one.is_missed


def test_undecided_contradicts_nothing() -> None:
    (one,) = compared(WAYS, said("", turn_error=("passed", "undecided", "passed", "undecided")))
    assert not one.is_opposite
    assert not one.is_missed


def test_what_a_fault_must_fail_is_missed_where_one_way_decides_nothing() -> None:
    found = list(
        compared(
            WAYS,
            said(
                "wheel-mismatch=1 %",
                wheel_mismatch=("failed", "failed", "undecided", "failed"),
                turn_error=("passed", "passed", "passed", "passed"),
            ),
        )
    )
    assert [one.is_missed for one in found] == [True, False]


def test_a_measurement_that_a_route_does_not_make_is_told_as_such() -> None:
    outcomes = said("", turn_error=("passed", "passed", "passed", "passed"))
    outcomes[1] = outcome(outcomes[1].run)
    (one,) = compared(WAYS, outcomes)
    assert one.outcomes == ("passed", "not made", "passed", "passed")
