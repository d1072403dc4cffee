"""Every shipped protocol spoken by the robot, and one motion whoever starts it and whatever is told meanwhile."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from hil.errors import UsageError
from hil.measure.model import CellPose, ElementKind, Heading, PathElement
from hil.simulator.bench import VirtualBench
from hil.spec.loading import load_protocol
from hil.wire.dialect import Dialect, FieldSpec, FieldType, MessageSpec, Role, Verdict
from hil.wire.link import End, Link
from hil.wire.received import BlockBegun, BlockEnded, Booted, Happened, Received, Replied, Telemetry

Rigs = Callable[..., Any]
PROTOCOLS = Path(__file__).parents[3] / "protocols"
START = CellPose(x=0, y=0, heading=Heading.NORTH)
PATH = (
    PathElement(kind=ElementKind.AHEAD, cells=2, tracking="both"),
    PathElement(kind=ElementKind.AHEAD, cells=1),
    PathElement(kind=ElementKind.ABOUT_LEFT),
    PathElement(kind=ElementKind.AHEAD, cells=2, tracking="left"),
)
IN_WORDS = "ahead 2 both,ahead 1,about left,ahead 2 left"


def shipped(name: str) -> Dialect:
    return load_protocol(PROTOCOLS / name / f"{name}.protocol.yaml")


def by_button(device_rig: Any, path: tuple[PathElement, ...] = PATH, *, by_wall: bool = False) -> None:
    device_rig.bench.device.start(path, speed_mm_s=300.0, by_wall=by_wall)
    for _ in range(300):
        device_rig.run(0.1)
        if not device_rig.bench.device.driving:
            device_rig.run(0.1)
            return
    raise AssertionError("it drives on and on")


# A robot that only prints


def test_the_robot_that_prints_says_its_banner_and_then_24_lines_a_second(rig: Rigs) -> None:
    device_rig = rig(dialect=shipped("plain-prints"))
    device_rig.run(4.0)
    assert device_rig.seen[0] == Booted(banner="ready to run")
    assert len(device_rig.telemetry("glance")) in (93, 94, 95)
    supply = device_rig.telemetry("supply")
    assert len(supply) in (1, 2)
    assert supply[0].values["supply.battery"] == pytest.approx(7.8, abs=0.1)
    assert set(supply[0].values) == {"supply.battery", "wall.left.dark", "wall.right.dark", "wall.front.dark"}
    assert device_rig.link.counters.bad_total == 0


def test_a_drive_by_the_button_is_seen_on_the_lines_alone(rig: Rigs) -> None:
    device_rig = rig(dialect=shipped("plain-prints"))
    before_s = device_rig.bench.device.now_s
    by_button(device_rig, (PathElement(kind=ElementKind.AHEAD, cells=2),))
    lines = device_rig.telemetry("glance")
    assert lines[-1].values["encoder.left"] == pytest.approx(2 * 180 / 3.14159 / 28 * 360, abs=4)
    assert len(lines) == pytest.approx((device_rig.bench.device.now_s - before_s) / 0.042, abs=4)
    assert device_rig.events() == []


def test_what_the_host_sends_to_a_port_without_commands_is_nothing_to_it(rig: Rigs) -> None:
    device_rig = rig(dialect=shipped("plain-prints"))
    device_rig.bench.device.receive(b"r 300 counts 3f\r\nstop\r\n")
    by_button(device_rig)
    assert device_rig.poses[-1].event == "idle"
    assert device_rig.poses[-1].detail == "3"


def test_the_program_that_senses_prints_pairs_with_dark_levels_and_its_state(rig: Rigs) -> None:
    device_rig = rig(dialect=shipped("plain-readings"))
    device_rig.run(2.0)
    lines = device_rig.telemetry("readings")
    assert len(lines) in (9, 10)
    assert lines[-1].values["state"] == "sensing"
    assert lines[-1].values["wall.left.dark"] == pytest.approx(51, abs=5)
    assert device_rig.link.counters.lost == 0


def test_its_state_says_so_when_the_battery_is_low(rig: Rigs) -> None:
    device_rig = rig(dialect=shipped("plain-readings"))
    device_rig.bench.device.firmware.settings.set("battery-lowest", 9000)
    device_rig.run(1.0)
    assert device_rig.telemetry("readings")[-1].values["state"] == "battery low"


def test_optional_parts_that_cannot_be_filled_are_left_out_whole(rig: Rigs, tagged_lines: Dialect) -> None:
    number = FieldType.DECIMAL
    message = MessageSpec(
        name="turning",
        role=Role.TELEMETRY,
        template="v {supply.battery}[ w {duty.left} {gyro.yaw}][, s {state}]",
        fields=(
            FieldSpec(name="supply.battery", type=number, places=2),
            FieldSpec(name="duty.left", type=number, optional=True),
            FieldSpec(name="gyro.yaw", type=number, optional=True),
            FieldSpec(name="state", type=FieldType.UNSIGNED, optional=True),
        ),
        period_s=0.5,
    )
    device_rig = rig(dialect=replace(tagged_lines, messages=(message,), commands={}, sequence_field="", clock_field=""))
    device_rig.run(1.2)
    assert [set(one.values) for one in device_rig.telemetry("turning")] == [{"supply.battery", "state"}] * 2


def test_a_row_that_asks_for_what_is_not_there_is_refused(rig: Rigs) -> None:
    menu = shipped("letter-menu")
    row = MessageSpec(
        name="kept_gyro",
        role=Role.ROW,
        template="g {gyro.yaw}",
        fields=(FieldSpec(name="gyro.yaw", type=FieldType.SIGNED),),
    )
    log = replace(menu.blocks[0], rows=(*menu.blocks[0].rows, "kept_gyro"))
    with pytest.raises(UsageError, match=r"asks for gyro\.yaw, which the virtual robot has not"):
        rig(dialect=replace(menu, messages=(*menu.messages, row), blocks=(log, menu.blocks[1])))


# A console


def test_the_console_is_asked_through_its_menus_and_answers_without_numbers(rig: Rigs) -> None:
    device_rig = rig(dialect=shipped("letter-menu"))
    assert device_rig.ask("identify").answer == "reference T-1 hil-virtual-1"
    assert device_rig.ask("set", name="wheel-base", value=70123).verdict is Verdict.ACCEPTED
    assert device_rig.ask("get", name="wheel-base").answer == "70123"
    refused = device_rig.ask("get", name="nonsense")
    assert (refused.verdict, refused.answer) == (Verdict.REFUSED, "unknown-name")
    assert device_rig.ask("stream", period=0.016).verdict is Verdict.ACCEPTED
    device_rig.drive("ahead 1")
    assert [one.event for one in device_rig.events()] == ["move.begin", "move.end", "idle"]
    assert device_rig.link.counters.bad_total == 0
    times = [one.values["time"] for one in device_rig.telemetry("columns")]
    assert {round(later - earlier, 6) for earlier, later in pairwise(times[5:-5])} == {0.016}


def test_a_person_at_a_terminal_sees_echo_prompt_and_colours(rig: Rigs) -> None:
    device = rig(dialect=shipped("letter-menu")).bench.device
    device.advance(0.1)
    device.take_output()
    device.receive(b"s\r\ng wheel-base\r\nq\r\n")
    device.advance(1.0)
    said = device.take_output()
    assert said.startswith(b"s\r\n")
    assert b"settings> " in said
    assert b"= 70000" in said
    assert b"\x1b[" in said
    assert said.rstrip(b"\x1b[0m").endswith(b"> ")


def test_saved_settings_outlive_the_power_and_others_do_not(rig: Rigs) -> None:
    device_rig = rig(dialect=shipped("letter-menu"))
    bench = device_rig.bench
    device_rig.ask("set", name="wheel-base", value=70123)
    device_rig.ask("save")
    device_rig.ask("set", name="wheel-base", value=70456)
    bench.boot(device_rig.dialect)
    assert bench.device.firmware.settings.get("wheel-base") == 70123
    bench.device.advance(1.0)
    assert b"letter menu ready" in bench.device.take_output()


# One motion


def end_of(device_rig: Any) -> tuple[float, ...]:
    plant = device_rig.bench.plant
    return plant.x_mm, plant.y_mm, plant.theta_rad, plant.battery_v, plant.counts_left, plant.counts_right


def test_the_same_drives_are_the_same_motion_whoever_starts_them_and_whatever_is_told(rig: Rigs) -> None:
    def stand(name: str, wait_s: float) -> Any:
        device_rig = rig(dialect=shipped(name), seed=7)
        device_rig.bench.person.place(START)
        device_rig.run(wait_s)
        return device_rig

    ends = {}
    for name, period_s in (("tagged-lines", 0.008), ("letter-menu", 0.02)):
        device_rig = stand(name, 0.31)
        device_rig.ask("stream", period=period_s)
        device_rig.drive(IN_WORDS)
        device_rig.drive(IN_WORDS, front="wall")
        ends[name] = end_of(device_rig)
    for name, wait_s in (("plain-prints", 1.7), ("letter-menu", 0.05)):
        device_rig = stand(name, wait_s)
        by_button(device_rig)
        device_rig.run(wait_s)
        by_button(device_rig, by_wall=True)
        ends[f"{name} by button"] = end_of(device_rig)
    assert len(set(ends.values())) == 1, ends


def test_the_same_drive_says_the_same_lines_however_long_the_robot_waited(rig: Rigs) -> None:
    def lines(wait_s: float) -> list[Any]:
        device_rig = rig(dialect=shipped("plain-prints"), seed=7)
        device_rig.run(wait_s)
        device_rig.seen.clear()
        by_button(device_rig)
        found = device_rig.telemetry("glance")
        counted = next(at for at, one in enumerate(found) if one.values["encoder.left"])
        return [one.values for one in found[counted : counted + 60]]

    assert lines(0.3) == lines(2.9)


# The log


def log_of(device_rig: Any) -> list[Received]:
    device_rig.seen.clear()
    device_rig.ask("dump.log")
    for _ in range(600):
        device_rig.run(0.1)
        if any(isinstance(one, BlockEnded) for one in device_rig.seen):
            break
    return list(device_rig.seen)


def test_the_log_of_every_drive_has_its_rows_from_its_first_event_to_idle(rig: Rigs) -> None:
    device_rig = rig(dialect=shipped("letter-menu"))
    device_rig.drive("ahead 1")
    by_button(device_rig, (PathElement(kind=ElementKind.ABOUT_LEFT), PathElement(kind=ElementKind.AHEAD, cells=1)))
    log = [one for one in log_of(device_rig) if not isinstance(one, Replied)]
    assert isinstance(log[0], BlockBegun)
    assert log[0].count == len(log) - 2
    assert log[-1] == BlockEnded(block="log", rows=len(log) - 2)
    assert {getattr(one, "block", "") for one in log} == {"log"}
    events = [(one.event, one.detail) for one in log if isinstance(one, Happened)]
    assert events == [
        *(("move.begin", "0"), ("move.end", "0"), ("idle", "0")),
        *(("turn.begin", "0"), ("turn.end", "0"), ("move.begin", "1"), ("move.end", "1"), ("idle", "1")),
    ]
    samples = [one for one in log if isinstance(one, Telemetry)]
    steps = {round(b.values["time"] - a.values["time"], 6) for a, b in pairwise(samples)}
    assert min(steps) == 0.008
    assert len(steps) == 2  # and the wait between the two drives
    first = next(at for at, one in enumerate(log) if isinstance(one, Happened) and one.event == "idle")
    # 180/300 s, 300/2000 s, and 0.16 s of settling and rest, a row every 8 ms.
    assert sum(isinstance(one, Telemetry) for one in log[:first]) == pytest.approx(0.91 / 0.008, abs=6)
    assert samples[-1].values["encoder.left"] == device_rig.bench.plant.counts_left


def test_a_long_log_does_not_keep_its_answer_waiting(rig: Rigs, monkeypatch: pytest.MonkeyPatch) -> None:
    device_rig = rig(dialect=shipped("letter-menu"))
    device_rig.drive("ahead 1")
    written = []
    write = Link.row
    monkeypatch.setattr(Link, "row", lambda *args: (written.append(args), write(*args))[1])
    device_rig.ask("dump.log")
    assert len(written) < 20  # of more than a hundred: as many as the wire has taken so far


def test_a_log_can_be_sent_again_until_the_next_drive_begins_a_new_one(rig: Rigs) -> None:
    device_rig = rig(dialect=shipped("letter-menu"))
    device_rig.drive("ahead 1")
    first, again = log_of(device_rig), log_of(device_rig)
    assert first == again
    device_rig.drive("ahead 2")
    events = [one for one in log_of(device_rig) if isinstance(one, Happened) and one.event == "idle"]
    assert len(events) == 1


def test_a_log_that_was_not_sent_whole_is_kept_over_the_next_drive(rig: Rigs) -> None:
    device_rig = rig(dialect=shipped("letter-menu"))
    device_rig.drive("ahead 1")
    device_rig.ask("dump.log")
    device_rig.run(0.1)
    device_rig.bench.device.unplug()
    device_rig.run(1.0)
    device_rig.bench.device.plug_in()
    by_button(device_rig)
    device_rig.link = Link(device_rig.dialect, End.HOST)
    events = [one for one in log_of(device_rig) if isinstance(one, Happened) and one.event == "idle"]
    assert len(events) == 2


def test_nothing_is_told_and_no_drive_begins_while_a_block_is_sent(rig: Rigs) -> None:
    device_rig = rig(dialect=shipped("letter-menu"))
    device_rig.ask("stream", period=0.02)
    device_rig.drive("ahead 1")
    device_rig.ask("dump.log")
    with pytest.raises(UsageError, match=r"does not start \(busy\)"):
        device_rig.bench.device.start(PATH, speed_mm_s=300, by_wall=False)
    for _ in range(100):
        device_rig.run(0.1)
        if any(isinstance(one, BlockEnded) for one in device_rig.seen):
            break
    begun = next(at for at, one in enumerate(device_rig.seen) if isinstance(one, BlockBegun))
    ended = next(at for at, one in enumerate(device_rig.seen) if isinstance(one, BlockEnded))
    assert {getattr(one, "block", "") for one in device_rig.seen[begun : ended + 1]} == {"log"}
    device_rig.run(0.5)
    assert isinstance(device_rig.seen[-1], Telemetry)


def test_a_full_memory_keeps_the_ends_of_drives_and_no_samples(rig: Rigs, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("hil.simulator.logbook.ROOM_SAMPLES", 50)
    device_rig = rig(dialect=shipped("letter-menu"))
    by_button(device_rig)
    by_button(device_rig)
    log = log_of(device_rig)
    assert sum(isinstance(one, Telemetry) for one in log) == 50
    assert [one.event for one in log if isinstance(one, Happened)].count("idle") == 2


def test_a_power_cycle_loses_the_log(rig: Rigs) -> None:
    device_rig = rig(dialect=shipped("letter-menu"))
    by_button(device_rig)
    device_rig.bench.device.switch_off()
    device_rig.bench.wake()
    device_rig.link = Link(device_rig.dialect, End.HOST)
    device_rig.run(1.0)
    assert [one for one in log_of(device_rig) if isinstance(one, BlockBegun)] == [BlockBegun(block="log", count=0)]


def test_a_dump_of_what_the_protocol_has_not_is_refused_with_what_it_has(rig: Rigs) -> None:
    with pytest.raises(UsageError, match="a block message for it, which this one has not"):
        rig(dialect=shipped("plain-prints")).bench.device.press_dump("log")


def test_the_dump_by_the_button_is_the_dump_by_command(rig: Rigs) -> None:
    def run(press: bool) -> list[Received]:
        device_rig = rig(dialect=shipped("letter-menu"))
        by_button(device_rig)
        if not press:
            return [one for one in log_of(device_rig) if not isinstance(one, Replied)]
        device_rig.seen.clear()
        device_rig.bench.device.press_dump("log")
        while not any(isinstance(one, BlockEnded) for one in device_rig.seen):
            device_rig.run(0.1)
        return list(device_rig.seen)

    assert run(press=True) == run(press=False)


# Without power


def test_a_robot_that_is_switched_off_stands_at_once_and_is_silent_until_it_is_placed(rig: Rigs) -> None:
    device_rig = rig(dialect=shipped("plain-prints"))
    bench: VirtualBench = device_rig.bench
    bench.device.start(PATH, speed_mm_s=300, by_wall=False)
    device_rig.run(0.5)
    assert bench.plant.speed_mm_s > 200
    y_mm = bench.plant.y_mm
    bench.device.switch_off()
    assert bench.plant.at_rest
    # From 300 mm/s at the tyres' 0.7 g and more: 300^2 / (2 * 6000) mm and a little.
    assert bench.plant.y_mm - y_mm < 30
    assert not bench.device.driving
    assert bench.device.ended_by == "switched off"
    device_rig.run(0.5)
    device_rig.seen.clear()
    device_rig.run(1.0)
    assert device_rig.seen == []
    bench.wake()
    device_rig.run(1.0)
    assert isinstance(device_rig.seen[0], Booted)
