"""No motion on an empty battery: read by a meter where the robot does not tell it; and what is said of the battery."""

from __future__ import annotations

import io
from pathlib import Path

import pytest

from hil.engine.answering import Answering
from hil.engine.battery_check import refuse_empty
from hil.engine.recorder import Recorder
from hil.engine.terminal_operator import TerminalOperator
from hil.errors import BenchError
from hil.measure.model import CellPose, Heading, Supply
from hil.measure.trace import AnswerGiven
from hil.spec.suite_values import Instrument, Observe, Observed
from hil.store.trace import TraceWriter
from hil.timing import FakeClock

HERE = CellPose(x=0, y=0, heading=Heading.NORTH)
SUPPLY = Supply(chemistry="LiPo", cells=2, lowest_v=6.8)


def meter(at: str) -> Observe:
    return Observe(
        what=Observed.METER, name="resting", prompt="", instrument=Instrument.METER, u=0.02, shown_in="V", at=at
    )


def read(tmp_path: Path, at: str, typed: str, *, at_rest: bool = True) -> str:
    clock, shown = FakeClock(), io.StringIO()
    with TraceWriter(tmp_path / "trace.sqlite", clock) as writer:
        recorder = Recorder(writer, clock)
        person = TerminalOperator(io.StringIO(f"{typed}\n").readline, shown)
        answering = Answering(operator=person, recorder=recorder, case="battery", supply=SUPPLY)
        try:
            assert answering.observe(meter(at), HERE, 0, at_rest=at_rest)
        finally:
            kept = [record.value for record in recorder.records if isinstance(record, AnswerGiven)]
            assert kept == [pytest.approx(float(typed.split()[-1]))]  # also what ends the run is kept
    return shown.getvalue()


def test_a_battery_that_only_a_meter_tells_ends_the_run_below_its_lowest_voltage(tmp_path: Path) -> None:
    with pytest.raises(BenchError, match=r"the battery is at 6\.70 V") as caught:
        read(tmp_path, "supply.battery", "6.7\n6.7")
    assert "at least 6.80 V (2 cells, LiPo)" in str(caught.value)


@pytest.mark.parametrize(("at", "typed"), [("supply.battery", "6.8"), ("supply.motor", "6.0")])
def test_a_battery_at_its_lowest_voltage_and_a_motor_rail_below_it_are_no_reason_to_end(
    tmp_path: Path, at: str, typed: str
) -> None:
    read(tmp_path, at, typed)


def test_a_mistyped_voltage_that_would_end_the_run_is_asked_for_again(tmp_path: Path) -> None:
    shown = read(tmp_path, "supply.battery", "0.77\n7.7")
    assert (
        "0.77 V is below the 6.8 V that it must have, and the run would end. If it is so, type it once more." in shown
    )


def test_a_battery_that_sags_under_a_load_is_measured_and_ends_nothing(tmp_path: Path) -> None:
    read(tmp_path, "supply.battery", "6.53", at_rest=False)


def test_a_primary_block_is_replaced_and_never_charged() -> None:
    block = Supply(chemistry="9 V block", cells=1, lowest_v=7.0)
    with pytest.raises(BenchError, match="Replace it, and run again") as caught:
        refuse_empty(block, 6.5, "robot")
    assert "harge" not in str(caught.value)
