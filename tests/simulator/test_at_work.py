"""Faults that have acted, and those that have not, with the reason."""

from __future__ import annotations

import pytest

from hil.simulator.at_work import Sign, idle_faults
from hil.simulator.faults import FAULTS, parse_faults

WAITS = (
    "wheel-mismatch", "wheel-base", "mean-diameter", "battery-resistance", "grip", "drop-counts-right", "front-trigger",
    "front-reset", "loop-pause", "lost-bytes", "flipped-bits", "port-lost-at", "port-returns", "encoder-duty",
    "encoder-phase", "run-out", "reversed-motor",
)  # fmt: skip


@pytest.mark.parametrize("name", FAULTS)
def test_every_fault_has_acted_once_all_has_come_about(name: str) -> None:
    assert idle_faults(parse_faults([f"{name}={FAULTS[name].example}"]), set(Sign)) == []


@pytest.mark.parametrize("name", WAITS)
def test_a_fault_that_waits_for_something_is_told_where_nothing_has_come_about(name: str) -> None:
    text = f"{name}={FAULTS[name].example}"
    ((written, why),) = idle_faults(parse_faults([text]), set())
    assert written == text
    assert why


@pytest.mark.parametrize(
    "text", ["wheel-mismatch=0 %", "surface-gain=1", "front-reset=on", "loop-pause=0 ms", "encoder-duty=50 %"]
)
def test_a_value_that_changes_nothing_never_acts(text: str) -> None:
    assert idle_faults(parse_faults([text]), set(Sign)) == [(text, "this value changes nothing")]


def test_a_port_that_is_lost_at_once_acts_with_a_time_of_zero() -> None:
    assert idle_faults(parse_faults(["port-lost-at=0 s"]), {Sign.PORT_LOST}) == []
