"""The robot at its port: requests, refusals, repetitions, telemetry by whatever dialect, a line that is too slow."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise
from typing import Any

import pytest

from hil.errors import UsageError
from hil.measure.model import Course, Robot
from hil.simulator.parameters import Truth
from hil.wire.dialect import Dialect, FieldSpec, FieldType, MessageSpec, Role, Verdict
from hil.wire.received import Replied

Rigs = Callable[..., Any]


def test_it_says_who_it_is(rig: Rigs) -> None:
    assert rig().ask("identify").answer == "reference T-1 hil-virtual-1"


@pytest.mark.parametrize(
    ("values", "reason"),
    [
        ({"speed": 300, "front": "wall", "path": "zz"}, "bad-path"),
        ({"speed": 300, "front": "wall", "path": "a33"}, "bad-path"),
        ({"speed": 1, "front": "wall", "path": "a1"}, "bad-speed"),
        ({"speed": 9000, "front": "wall", "path": "a1"}, "bad-speed"),
    ],
)
def test_a_drive_that_cannot_be_done_is_refused_by_its_reason(rig: Rigs, values: dict[str, Any], reason: str) -> None:
    device_rig = rig()
    reply = device_rig.ask("drive", **values)
    assert (reply.verdict, reply.answer) == (Verdict.REFUSED, reason)
    assert not device_rig.bench.device.driving


def test_a_second_drive_and_a_setting_are_refused_while_one_goes_on(rig: Rigs) -> None:
    device_rig = rig()
    assert device_rig.start("ahead 5").verdict is Verdict.ACCEPTED
    assert device_rig.start("ahead 4").answer == "busy"
    assert device_rig.ask("set", name="wheel-base", value=70100).answer == "busy"
    assert device_rig.ask("get", name="driving").answer == "1"


def test_settings_are_read_set_and_refused(rig: Rigs) -> None:
    device_rig = rig()
    assert device_rig.ask("set", name="wheel-base", value=70123).verdict is Verdict.ACCEPTED
    assert device_rig.ask("get", name="wheel-base").answer == "70123"
    assert device_rig.ask("set", name="wheel-base", value=1).answer == "out-of-range"
    assert device_rig.ask("get", name="nonsense").answer == "unknown-name"
    assert device_rig.ask("get", name="driving").answer == "0"


def test_a_drive_asked_for_twice_is_driven_once_and_answered_twice(rig: Rigs) -> None:
    device_rig = rig()
    request = device_rig.link.start("drive", {"speed": 300, "front": "counts", "path": "a1"}, 0.0).data
    device_rig.bench.device.receive(request)
    device_rig.run(0.05)
    device_rig.bench.device.receive(request)
    device_rig.run(2.0)
    assert [item.answer for item in device_rig.seen if isinstance(item, Replied)] == ["1"]
    assert device_rig.link.counters.stale == 1
    assert [item.event for item in device_rig.events()] == ["move.begin", "move.end", "idle"]
    device_rig.bench.device.receive(request)
    device_rig.run(1.0)
    assert not device_rig.bench.device.driving


def test_telemetry_comes_at_its_period_and_health_five_times_a_second(rig: Rigs) -> None:
    device_rig = rig()
    device_rig.ask("stream", period=0.008)
    device_rig.run(1.95)
    times = [item.values["time"] for item in device_rig.telemetry("motion")]
    assert {round(later - earlier, 6) for earlier, later in pairwise(times)} == {0.008}
    assert len(device_rig.telemetry("health")) in (9, 10)
    assert device_rig.telemetry("health")[-1].values["supply.battery"] == pytest.approx(7.8, abs=0.1)
    assert device_rig.link.counters.lost == 0


def test_telemetry_stops_when_told(rig: Rigs) -> None:
    device_rig = rig()
    device_rig.ask("stream", period=0.008)
    device_rig.ask("stream", period=0)
    before = len(device_rig.seen)
    device_rig.run(1.0)
    assert len(device_rig.seen) == before


def test_a_line_too_slow_for_its_telemetry_shows_gaps_and_still_answers(rig: Rigs, tagged_lines: Dialect) -> None:
    slow = replace(tagged_lines, port=replace(tagged_lines.port, baud=9600))
    device_rig = rig(dialect=slow)
    # 50 bytes a line at 960 bytes a second: of 125 lines a second some 19 get through.
    device_rig.bench.device.receive(device_rig.link.start("stream", {"period": 0.008}, 0.0).data)
    device_rig.run(2.0)
    device_rig.bench.device.receive(device_rig.link.start("identify", {}, 0.0).data)
    device_rig.run(2.0)
    assert [item.action for item in device_rig.seen if isinstance(item, Replied)] == ["stream", "identify"]
    counters = device_rig.link.counters
    assert counters.lost > 300
    assert counters.bad_total == 0


def test_lost_bytes_break_lines_and_never_pass_the_check(rig: Rigs) -> None:
    device_rig = rig(faults=["lost-bytes=0.5 %"])
    device_rig.bench.device.receive(device_rig.link.start("stream", {"period": 0.008}, 0.0).data)
    device_rig.run(5.0)
    counters = device_rig.link.counters
    assert counters.bad_total > 20
    # Two lines that run together are one bad line and two lost numbers.
    assert counters.lost >= counters.bad_total * 0.8


def test_the_port_goes_away_when_it_was_told_to(rig: Rigs) -> None:
    device_rig = rig(faults=["port-lost-at=1.5 s"])
    device_rig.run(1.0)
    device_rig.ask("stream", period=0.008)
    device_rig.run(1.4)
    assert not device_rig.bench.device.port_lost
    device_rig.run(0.2)
    assert device_rig.bench.device.port_lost


def test_noise_on_the_line_is_ignored(rig: Rigs) -> None:
    device_rig = rig()
    device_rig.bench.device.receive(b"\xff\x00garbage\r\n? 5 drive 300 wall a1 #0000\r\n")
    device_rig.run(0.5)
    assert device_rig.seen == []
    assert not device_rig.bench.device.driving


def test_a_dialect_of_other_words_and_fields_is_spoken_as_well(rig: Rigs, tagged_lines: Dialect) -> None:
    fields = (
        FieldSpec(name="encoder.right", type=FieldType.HEX, modulus=65536),
        FieldSpec(name="supply.battery", type=FieldType.UNSIGNED, scale=0.001),
        FieldSpec(name="state", type=FieldType.UNSIGNED),
    )
    odd = MessageSpec(
        name="odd", role=Role.TELEMETRY, template="R={encoder.right};V={supply.battery};S={state}", fields=fields
    )
    replies = tuple(message for message in tagged_lines.messages if message.role is Role.REPLY)
    device_rig = rig(dialect=replace(tagged_lines, messages=(odd, *replies), sequence_field="", clock_field=""))
    device_rig.ask("stream", period=0.02)
    device_rig.drive("ahead 1")
    assert device_rig.events() == []
    last = device_rig.telemetry("odd")[-1].values
    assert last["encoder.right"] == pytest.approx(737, abs=2)
    assert last["supply.battery"] == pytest.approx(7.8, abs=0.1)


def test_a_dialect_that_asks_for_what_is_not_there_is_refused(rig: Rigs, tagged_lines: Dialect) -> None:
    gyro = MessageSpec(
        name="gyro",
        role=Role.TELEMETRY,
        template="g {gyro.yaw}",
        fields=(FieldSpec(name="gyro.yaw", type=FieldType.SIGNED),),
    )
    with pytest.raises(UsageError, match=r"asks for gyro\.yaw, which the virtual robot has not"):
        rig(dialect=replace(tagged_lines, messages=(*tagged_lines.messages, gyro)))


def test_with_a_dead_sensor_the_robot_goes_on_by_the_other(rig: Rigs, exact: Truth) -> None:
    device_rig = rig(truth=exact, faults=["dead-sensor=wall.left"])
    assert abs(device_rig.drive("ahead 5 both")[-1].x_mm) < 1.0


def test_the_firmware_is_calibrated_from_the_jig_and_not_from_the_truth(
    rig: Rigs, robot: Robot, corridor: Course
) -> None:
    bench = rig(seed=5).bench
    truth = {sensor.channel: sensor for sensor in bench.truth.sensors}
    for channel, calibration in bench.device.robot.calibrations.items():
        true = truth[channel].gain / (49 + truth[channel].offset_mm) ** truth[channel].exponent
        assert calibration.reading(49) == pytest.approx(true, rel=0.02)
        assert calibration.gain != truth[channel].gain


def test_one_emitter_is_fired_alone_until_all_are_or_a_drive_begins(rig: Rigs, exact: Truth) -> None:
    device_rig = rig(truth=exact)

    def looked() -> tuple[bool, bool]:
        device_rig.run(0.05)
        last = device_rig.telemetry("motion")[-1].values
        return float(last["wall.left"]) > 300, float(last["wall.right"]) > 300

    device_rig.ask("stream", period=0.01)
    assert looked() == (True, True)
    assert device_rig.ask("emit", channel="wall.left").answer == "wall.left"
    assert looked() == (True, False)
    assert device_rig.ask("emit", channel="all").answer == "all"
    assert looked() == (True, True)
    assert device_rig.ask("emit", channel="wall.right").verdict is Verdict.ACCEPTED
    assert looked() == (False, True)
    assert device_rig.ask("drive", speed=300, front="counts", path="ab1").verdict is Verdict.ACCEPTED
    assert device_rig.ask("emit", channel="wall.left").answer == "busy"
    assert looked() == (True, True)
