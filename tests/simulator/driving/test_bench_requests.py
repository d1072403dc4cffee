"""The bench side of the firmware over its port: spins, recordings, samples, provocations, and what is refused."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from hil.measure.model import Course, Encoder, Robot
from hil.simulator.firmware.holds import HOLDS
from hil.simulator.parameters import Truth, exact_truth
from hil.simulator.recorder import ROOM_EDGES, ROOM_PERIODS
from hil.spec.loading import load_protocol
from hil.wire.dialect import Verdict
from hil.wire.received import BlockBegun, BlockEnded, Replied, Telemetry

Rigs = Callable[..., Any]
ROOT = Path(__file__).parents[3]
MENU = ROOT / "protocols" / "letter-menu" / "letter-menu.protocol.yaml"
FORWARD = [1, 3, 2, 0]  # the outputs, A leading B


def on_stand(rig: Rigs, **options: Any) -> Any:
    made = rig(**options)
    made.bench.person.stand()
    return made


def dumped(rig: Any, what: str, answer: str = "") -> list[Telemetry]:
    """Send for a block and return its rows; the block must be whole."""
    before = len(rig.seen)
    reply = rig.ask(f"dump.{what}")
    assert reply.verdict is Verdict.ACCEPTED
    assert answer in reply.answer
    for _ in range(200):
        if any(isinstance(item, BlockEnded) for item in rig.seen[before:]):
            break
        rig.run(0.1)
    rows = [item for item in rig.seen[before:] if isinstance(item, Telemetry) and item.block == what]
    (ended,) = [item for item in rig.seen[before:] if isinstance(item, BlockEnded)]
    assert ended == BlockEnded(block=what, rows=len(rows), reason="")
    assert BlockBegun(block=what, count=len(rows)) in rig.seen[before:]
    return rows


def edges_of(rows: Sequence[Telemetry], side: str) -> tuple[NDArray[np.float64], list[int]]:
    channel = f"encoder.{side}.edge"
    mine = [row.values for row in rows if channel in row.values]
    return np.array([one["time"] for one in mine]), [int(one[channel]) for one in mine]  # type: ignore[arg-type]


def periods_of(rows: Sequence[Telemetry]) -> NDArray[np.float64]:
    return np.concatenate([np.array(row.values["loop.periods"]) for row in rows])


def refusal(rig: Any, action: str, **values: float | str) -> str:
    reply = rig.ask(action, **values)
    assert reply.verdict is Verdict.REFUSED
    return str(reply.answer)


# Spinning


def test_a_spin_turns_the_wheels_until_its_time_is_over_and_says_when_they_stand(rig: Rigs, exact: Truth) -> None:
    bench = on_stand(rig, truth=exact)
    assert bench.ask("spin", left=0.3, right=-0.3, duration=2.0).answer == "spinning"
    bench.run(1.9)
    assert bench.bench.plant.wheel_rates_rad_s == pytest.approx((62.5, -62.5), rel=0.02)
    bench.run(1.0)
    assert [event.event for event in bench.events()] == ["idle"]
    assert bench.events()[0].values["time"] == pytest.approx(2.35 + 0.005, abs=0.01)  # 250 ms of braking, 100 of rest
    assert bench.bench.plant.wheel_rates_rad_s == (0.0, 0.0)
    # Ten turns a second for two seconds, and what it takes to come to rest.
    assert bench.bench.plant.counts_left == pytest.approx(2 * 62.5 * 360 / 6.283, rel=0.03)
    assert abs(bench.bench.plant.counts_left + bench.bench.plant.counts_right) <= 2


def test_a_spin_goes_on_with_other_duties_and_ends_with_none(rig: Rigs, exact: Truth) -> None:
    bench = on_stand(rig, truth=exact)
    bench.ask("spin", left=0.2, right=0.2)
    bench.run(0.5)
    bench.ask("spin", left=0.6, right=0.1)
    bench.run(0.5)
    left, right = bench.bench.plant.wheel_rates_rad_s
    assert left > 5 * right > 0
    bench.ask("spin", left=0.0, right=0.0)
    bench.run(0.5)
    assert not bench.bench.device.driving
    assert bench.events()[-1].event == "idle"


def test_a_spin_that_nobody_ends_ends_after_thirty_seconds(rig: Rigs, exact: Truth) -> None:
    bench = on_stand(rig, truth=exact)
    bench.ask("spin", left=0.1, right=0.1)
    bench.run(29.8)
    assert bench.bench.device.driving
    bench.run(1.0)
    assert not bench.bench.device.driving


def test_a_stop_ends_a_spin_at_once(rig: Rigs, exact: Truth) -> None:
    bench = on_stand(rig, truth=exact)
    bench.ask("spin", left=0.5, right=0.5)
    bench.run(0.5)
    bench.ask("stop")
    # Braked by its own motor a wheel without load has all but stopped after four time constants of 25 ms.
    bench.run(0.1)
    assert max(bench.bench.plant.wheel_rates_rad_s) < 1.0
    bench.run(0.5)
    assert [(event.event, event.detail) for event in bench.events()] == [("fault", "stopped"), ("idle", "stopped")]


def test_half_a_second_of_silence_ends_a_spin(rig: Rigs, exact: Truth) -> None:
    bench = on_stand(rig, truth=exact, dead_man_s=0.5)
    bench.ask("spin", left=0.3, right=0.3)
    bench.run(1.5)
    assert [(event.event, event.detail) for event in bench.events()] == [("fault", "dead-man"), ("idle", "dead-man")]


def test_on_the_floor_a_spin_drives_since_the_firmware_cannot_know(rig: Rigs, exact: Truth, field: Course) -> None:
    bench = rig(field, truth=exact)
    bench.ask("spin", left=0.1, right=0.1, duration=1.0)
    bench.run(1.5)
    assert bench.bench.plant.x_mm > 100
    assert bench.bench.device.maze.pose is None


@pytest.mark.parametrize(
    ("values", "reason"),
    [
        ({"left": 1.5, "right": 0.0}, "out-of-range"),
        ({"left": 0.3, "right": 0.3, "duration": 31.0}, "out-of-range"),
        ({"left": 0.3, "right": 0.3, "duration": 0.0}, "out-of-range"),
    ],
)
def test_a_spin_that_cannot_be_is_refused(rig: Rigs, values: dict[str, float], reason: str) -> None:
    assert refusal(on_stand(rig), "spin", **values) == reason


def test_a_spin_is_refused_below_the_lowest_battery(rig: Rigs) -> None:
    bench = on_stand(rig)
    bench.ask("set", name="battery-lowest", value=8000)
    assert refusal(bench, "spin", left=0.3, right=0.3) == "low-battery"


def test_while_it_drives_everything_of_the_bench_is_refused(rig: Rigs) -> None:
    bench = rig()
    bench.start("ahead 5")
    asked: list[tuple[str, dict[str, float | str]]] = [
        ("spin", {"left": 0.1, "right": 0.1}),
        ("sample", {"period": 0.001}),
        ("record.edges", {"duration": 1.0}),
        ("record.ticks", {"duration": 1.0}),
        ("provoke", {"name": "radio"}),
        ("dump.edges", {}),
        ("dump.ticks", {}),
    ]
    assert {refusal(bench, action, **values) for action, values in asked} == {"busy"}


def test_while_it_spins_no_drive_begins_and_nothing_is_dumped(rig: Rigs) -> None:
    bench = on_stand(rig)
    bench.ask("spin", left=0.1, right=0.1)
    assert bench.start("ahead 1").answer == "busy"
    assert refusal(bench, "dump.edges") == "busy"


def test_a_spin_leaves_no_rows_in_the_log_of_drives(rig: Rigs) -> None:
    bench = on_stand(rig, dialect=load_protocol(MENU))
    bench.ask("spin", left=0.1, right=0.1, duration=0.2)
    bench.run(1.0)
    assert not bench.bench.device.driving
    assert bench.bench.plant.counts_left > 0
    assert bench.bench.device._logbook.rows(bench.bench.device._link) == []


@pytest.mark.parametrize("side", ["left", "right"])
def test_a_drive_with_a_motor_the_wrong_way_round_ends_by_its_own_fault(
    rig: Rigs, exact: Truth, field: Course, side: str
) -> None:
    bench = rig(field, truth=exact, faults=[f"reversed-motor={side}"])
    bench.drive("ahead 2")
    assert [event.detail for event in bench.events() if event.event == "fault"] == ["blocked"]
    assert bench.bench.device.ended_by == "blocked"


# Edges


def test_recorded_edges_are_those_of_the_wheels_with_their_times(rig: Rigs, exact: Truth) -> None:
    bench = on_stand(rig, truth=exact)
    bench.ask("spin", left=0.3, right=-0.2, duration=2.0)
    bench.run(0.5)
    rate = bench.bench.plant.wheel_rates_rad_s[0]
    bench.ask("record.edges", duration=0.5)
    bench.run(3.0)
    rows = dumped(bench, "edges")
    times, outputs = edges_of(rows, "left")
    assert all(FORWARD[(FORWARD.index(a) + 1) % 4] == b for a, b in itertools.pairwise(outputs))
    # One microsecond is what the line tells; the interval is that of the wheel's true rate, not of the tick.
    assert np.diff(times) == pytest.approx(6.283185 / 360 / rate, abs=2e-6)
    assert times[-1] - times[0] == pytest.approx(0.5, abs=0.002)
    _, backward = edges_of(rows, "right")
    assert all(FORWARD[(FORWARD.index(a) - 1) % 4] == b for a, b in itertools.pairwise(backward))


def test_a_recording_of_edges_ends_with_its_spin(rig: Rigs, exact: Truth) -> None:
    bench = on_stand(rig, truth=exact)
    bench.ask("spin", left=0.1, right=0.1, duration=1.0)
    bench.run(0.5)
    bench.ask("record.edges", duration=5.0)
    bench.run(3.0)
    rows = dumped(bench, "edges")
    times, _ = edges_of(rows, "left")
    # Nothing of how the wheels come to rest, where intervals grow.
    assert np.diff(times).max() < 1.02 * np.diff(times).min()
    assert times[-1] == pytest.approx(bench.bench.device.drive_begun_s + 1.0, abs=2e-3)


def test_edges_beyond_the_memory_are_counted_and_the_oldest_kept(rig: Rigs, exact: Truth) -> None:
    bench = on_stand(rig, truth=exact)
    bench.ask("record.edges", duration=3.0)
    bench.ask("spin", left=0.5, right=0.5, duration=2.0)
    begun_s = bench.bench.device.drive_begun_s
    bench.run(begun_s + 2.0 - bench.bench.device.now_s)
    passed = bench.bench.plant.counts_left + bench.bench.plant.counts_right
    bench.run(1.0)
    rows = dumped(bench, "edges", answer=f"{ROOM_EDGES} of ")
    counted = next(item.answer for item in reversed(bench.seen) if isinstance(item, Replied)).split()[-1]
    # A millisecond more or less is 12 edges.
    assert int(counted) == pytest.approx(passed, abs=25)
    assert len(rows) == ROOM_EDGES
    assert rows[0].values["time"] == pytest.approx(begun_s, abs=0.005)


def test_another_recording_begins_anew_and_a_dump_can_be_asked_for_again(rig: Rigs) -> None:
    bench = on_stand(rig)
    bench.ask("record.edges", duration=1.0)
    bench.ask("spin", left=0.1, right=0.1, duration=0.3)
    bench.run(1.0)
    first = dumped(bench, "edges")
    assert [row.values for row in dumped(bench, "edges")] == [row.values for row in first] != []
    bench.ask("record.edges", duration=0.1)
    bench.run(0.2)
    assert dumped(bench, "edges", answer="0 of 0") == []


def test_lost_edges_are_missing_in_the_record_as_in_the_counts(rig: Rigs, exact: Truth) -> None:
    bench = on_stand(rig, truth=exact, faults=["drop-counts-right=5 %"])
    bench.ask("spin", left=0.1, right=0.1, duration=2.0)
    bench.run(0.5)
    bench.ask("record.edges", duration=1.0)
    bench.run(3.0)
    rows = dumped(bench, "edges")
    intervals = [np.diff(edges_of(rows, side)[0]) for side in ("left", "right")]
    doubled = [int(np.sum(one > 1.5 * np.median(one))) for one in intervals]
    assert doubled[0] == 0
    assert doubled[1] == pytest.approx(0.05 * len(intervals[1]), rel=0.4)


# Periods


def test_periods_scatter_by_the_jitter_of_two_beginnings_about_a_millisecond(rig: Rigs) -> None:
    bench = rig()
    bench.ask("record.ticks", duration=3.0)
    bench.run(3.1)
    periods = periods_of(dumped(bench, "ticks", answer="of"))
    assert len(periods) == pytest.approx(3000, abs=1)
    assert periods.mean() == pytest.approx(1e-3, abs=1e-6)
    # sd of a difference of two beginnings of 8 us each; 3000 of them know it to within some per cent.
    assert periods.std() == pytest.approx(8e-6 * 2**0.5, rel=0.05)


def test_the_time_of_a_row_is_when_its_last_period_ends(rig: Rigs) -> None:
    bench = rig()
    bench.ask("record.ticks", duration=1.0)
    bench.run(1.1)
    rows = dumped(bench, "ticks")
    for before, after in itertools.pairwise(rows):
        step = sum(after.values["loop.periods"])  # type: ignore[arg-type]
        assert after.values["time"] - before.values["time"] == pytest.approx(step, abs=15e-6)  # type: ignore[operator]


def test_the_memory_for_periods_is_bounded(rig: Rigs) -> None:
    bench = rig()
    bench.ask("record.ticks", duration=9.0)
    bench.run(9.1)
    assert len(periods_of(dumped(bench, "ticks", answer=f"{ROOM_PERIODS} of"))) == ROOM_PERIODS


@pytest.mark.parametrize("spins", [False, True])
def test_a_loop_that_pauses_shows_gaps_of_its_length_and_no_other(rig: Rigs, spins: bool) -> None:
    bench = on_stand(rig, faults=["loop-pause=20 ms"])
    if spins:
        bench.ask("spin", left=0.1, right=0.1, duration=6.0)
    bench.ask("record.ticks", duration=5.0)
    bench.run(7.0)
    periods = periods_of(dumped(bench, "ticks"))
    gaps = periods[periods > 1.5e-3]
    assert gaps == pytest.approx(0.020, abs=5e-5)
    assert 3 <= len(gaps) <= 10
    assert periods.sum() == pytest.approx(5.0, abs=0.025)


@pytest.mark.parametrize("name", HOLDS)
def test_what_is_provoked_holds_the_loop_by_less_than_a_period_while_it_goes_on(rig: Rigs, name: str) -> None:
    bench = rig()
    bench.ask("record.ticks", duration=3.0)
    assert bench.ask("provoke", name=name, duration=1.0).verdict is Verdict.ACCEPTED
    bench.run(3.1)
    periods = periods_of(dumped(bench, "ticks"))
    held = HOLDS[name]
    longest = 1e-3 + held.hold_s * 1.2 + 50e-6
    assert 1e-3 + 0.8 * held.hold_s < periods.max() < min(longest, 2e-3)
    assert np.sum(periods > 1e-3 + held.hold_s / 2) == pytest.approx(1.0 / held.every_s, abs=1.5)
    assert periods[1100:].max() < 1.1e-3
    # A late beginning is followed by a short period: nothing is missed.
    assert periods.mean() == pytest.approx(1e-3, abs=1e-6)


def test_a_provocation_without_a_time_comes_once_and_an_unknown_one_not_at_all(rig: Rigs) -> None:
    bench = rig()
    bench.ask("record.ticks", duration=1.0)
    bench.ask("provoke", name="flash write")
    bench.run(1.1)
    assert np.sum(periods_of(dumped(bench, "ticks")) > 1.5e-3) == 1
    assert refusal(bench, "provoke", name="radio", duration=100.0) == "out-of-range"


# Samples


def test_outputs_are_sampled_every_millisecond_twenty_to_a_line_while_a_hand_turns(rig: Rigs) -> None:
    bench = on_stand(rig)
    bench.ask("sample", period=0.001)
    bench.bench.person.turn_wheel("left", 3.0, turns_per_s=0.5)
    before = bench.bench.plant.counts_left
    outputs: list[int] = []
    while bench.bench.device.hand is not None:
        bench.run(0.02)
    bench.run(0.1)
    lines = bench.telemetry("levels")
    times = [line.values["time"] for line in lines]
    assert np.diff(times) == pytest.approx(0.020, abs=1e-6)
    for line in lines:
        outputs += line.values["encoder.left.levels"]
        assert len(set(line.values["encoder.right.levels"])) == 1
        assert len(line.values["encoder.left.levels"]) == 20
    steps = dict.fromkeys(zip(FORWARD, FORWARD[1:] + FORWARD[:1], strict=True), 1)
    steps |= {(b, a): -1 for a, b in steps}
    # At half a turn a second no state is over within a millisecond: the samples count as the counter does.
    counted = sum(steps.get(pair, 0) for pair in itertools.pairwise(outputs))
    assert counted == bench.bench.plant.counts_left - before == pytest.approx(3 * 360, abs=4)


def test_samples_end_when_told_and_come_at_one_period_only(rig: Rigs) -> None:
    bench = on_stand(rig)
    assert refusal(bench, "sample", period=0.005) == "out-of-range"
    bench.ask("sample", period=0.001)
    bench.run(0.2)
    bench.ask("sample", period=0.0)
    bench.run(0.1)
    before = len(bench.telemetry("levels"))
    bench.run(0.5)
    assert len(bench.telemetry("levels")) == before > 8


def test_a_wheel_is_turned_by_hand_on_a_stand_at_rest_only(rig: Rigs) -> None:
    bench = rig()
    with pytest.raises(Exception, match="stands on its wheels"):
        bench.bench.person.turn_wheel("left", 1.0)
    bench.bench.person.stand()
    bench.ask("spin", left=0.1, right=0.1)
    with pytest.raises(Exception, match="wheels are turning"):
        bench.bench.person.turn_wheel("left", 1.0)


def test_the_same_seed_records_the_same_edges_whatever_is_told_meanwhile(rig: Rigs) -> None:
    found = []
    for tells in (False, True):
        bench = on_stand(rig, seed=5)
        if tells:
            bench.ask("stream", period=0.008)
            bench.ask("sample", period=0.001)
        bench.ask("spin", left=0.2, right=0.2, duration=1.0)
        begun_s = bench.bench.device.drive_begun_s
        bench.ask("record.edges", duration=0.5)
        bench.run(2.0)
        found.append([round((row.values["time"] - begun_s) * 1e6) for row in dumped(bench, "edges")[:200]])
    assert found[0] == found[1]


def test_one_channel_counts_backward_where_the_wheel_was_sent_backward(rig: Rigs, robot: Robot) -> None:
    shape = Encoder(channels=1, cycles_per_turn=18, gear=10, edges=2)
    bench = on_stand(rig, truth=exact_truth(replace(robot, encoder=shape), 1))
    bench.ask("spin", left=-0.3, right=0.3, duration=1.0)
    bench.run(1.5)
    assert bench.bench.plant.counts_left < -3000 < 3000 < bench.bench.plant.counts_right
    bench.ask("record.edges", duration=0.2)
    bench.ask("spin", left=0.1, right=0.1, duration=0.2)
    bench.run(1.0)
    assert set(edges_of(dumped(bench, "edges"), "left")[1]) == {0, 1}


def test_a_console_samples_in_its_menu_and_spins_from_the_main_one(rig: Rigs) -> None:
    bench = on_stand(rig, dialect=load_protocol(MENU))
    assert bench.ask("sample", period=0.002).verdict is Verdict.ACCEPTED
    assert bench.ask("spin", left=0.3, right=-0.3, duration=1.0).verdict is Verdict.ACCEPTED
    bench.run(2.0)
    lines = bench.telemetry("outputs")
    assert np.diff([line.values["time"] for line in lines]) == pytest.approx(0.040)
    assert {len(line.values["encoder.left.levels"]) for line in lines} == {20}
    assert bench.bench.plant.counts_left > 3000
    assert bench.events()[-1].event == "idle"


def test_a_program_that_only_prints_shows_the_outputs_as_they_are(rig: Rigs) -> None:
    prints = load_protocol(ROOT / "protocols" / "plain-readings" / "plain-readings.protocol.yaml")
    bench = on_stand(rig, dialect=prints)
    bench.run(1.0)
    bench.bench.person.turn_wheel("left", 2.0, turns_per_s=0.5)
    while bench.bench.device.hand is not None:
        bench.run(0.1)
    bench.run(0.5)
    lines = bench.telemetry("outputs")
    seen = [line.values["encoder.left.levels"] for line in lines]
    assert set(seen) == {0, 1, 2, 3}
    assert len({line.values["encoder.right.levels"] for line in lines}) == 1
    assert len(bench.telemetry("readings")) == pytest.approx(bench.bench.device.now_s / 0.2, abs=3)
