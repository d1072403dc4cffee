"""The firmware on the plant, in virtual time: where the true robot ends, against geometry and closed forms."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from hil.measure.model import Course, Heading
from hil.simulator.parameters import Truth

COUNT_MM = math.pi * 28 / 360
Rigs = Callable[..., Any]


def _turn(poses: list[Any]) -> float:
    """The true angle turned between the last begin and end of a turn [deg]."""
    ends = [pose for pose in poses if pose.event in ("turn.begin", "turn.end")]
    return ends[-1].theta_deg - ends[-2].theta_deg


def test_five_cells_end_within_a_count_of_five_cells(rig: Rigs, exact: Truth) -> None:
    poses = rig(truth=exact).drive("ahead 5")
    end = poses[-1]
    assert end.event == "idle"
    # 900 mm are 3683.3 counts; the skid's drag makes tyres creep, so counts and not the floor are held to.
    assert end.left == pytest.approx(900 / COUNT_MM, abs=1.5)
    assert end.right == pytest.approx(900 / COUNT_MM, abs=1.5)
    assert end.y_mm == pytest.approx(900, abs=2.5)
    assert end.x_mm == pytest.approx(0, abs=0.2)


def test_a_straight_takes_the_time_of_its_trapezoid(rig: Rigs, exact: Truth) -> None:
    device_rig = rig(truth=exact)
    device_rig.drive("ahead 4")
    times = {item.event: item.values["time"] for item in device_rig.events()}
    # d/v + v/a = 720/300 + 300/2000 (closed form), and at most 60 ms until the wheels have arrived.
    expected_s = 720 / 300 + 300 / 2000
    assert times["move.end"] - times["move.begin"] == pytest.approx(expected_s + 0.02, abs=0.04)


@pytest.mark.parametrize(
    ("word", "angle_deg"), [("left", 90), ("right", -90), ("about left", 180), ("about right", -180)]
)
def test_turns_by_counts_turn_the_true_robot(rig: Rigs, exact: Truth, word: str, angle_deg: float) -> None:
    poses = rig(truth=exact).drive(word)
    # Half a count on each wheel is 0.2 deg (domain: q/b of heading), and the skid drags a little.
    assert _turn(poses) == pytest.approx(angle_deg, abs=1.0)
    assert math.hypot(poses[-1].x_mm, poses[-1].y_mm) < 1.5


def test_a_wider_wheel_base_turns_less_as_the_formula_says(rig: Rigs, exact: Truth) -> None:
    nominal = _turn(rig(truth=exact).drive("about left"))
    wide = _turn(rig(truth=exact, faults=["wheel-base=2 %"]).drive("about left"))
    # Commanded/(1 + beta): -3.53 deg for a half turn.
    assert wide - nominal == pytest.approx(180 / 1.02 - 180, abs=0.35)


def test_a_larger_right_wheel_curves_a_blind_straight_as_the_formula_says(rig: Rigs, exact: Truth) -> None:
    straight = rig(truth=exact).drive("ahead 4")[-1]
    curved = rig(truth=exact, faults=["wheel-mismatch=0.5 %"]).drive("ahead 4")[-1]
    # y = eps L^2 / 2b to the left, which is west on the way north; heading eps L / b (domain: 18.5 mm, 2.95 deg).
    assert straight.x_mm - curved.x_mm == pytest.approx(0.005 * 720**2 / 140, rel=0.05)
    assert curved.theta_deg - straight.theta_deg == pytest.approx(math.degrees(0.005 * 720 / 70), rel=0.05)


def test_a_setting_trims_what_it_names(rig: Rigs, exact: Truth) -> None:
    trimmed = rig(truth=exact, faults=["wheel-mismatch=0.5 %"])
    assert trimmed.ask("set", name="wheel-left", value=27930).answer == "27930"
    assert trimmed.ask("set", name="wheel-right", value=28070).answer == "28070"
    assert trimmed.drive("ahead 4")[-1].x_mm == pytest.approx(0, abs=0.5)


@pytest.mark.parametrize("side_mm", [-5.0, 5.0])
def test_centring_brings_five_millimetres_to_the_middle_within_two_cells(
    rig: Rigs, exact: Truth, side_mm: float
) -> None:
    device_rig = rig(truth=exact)
    device_rig.bench.plant.place(side_mm, 0.0, math.pi / 2)
    end = device_rig.drive("ahead 2 both")[-1]
    assert abs(end.x_mm) < 0.8
    assert end.theta_deg == pytest.approx(90, abs=0.8)


@pytest.mark.parametrize(("tracking", "side_mm"), [("left", 6.0), ("right", -6.0)])
def test_one_wall_is_enough_to_hold_the_middle(rig: Rigs, exact: Truth, tracking: str, side_mm: float) -> None:
    device_rig = rig(truth=exact)
    device_rig.bench.plant.place(side_mm, 0.0, math.pi / 2)
    end = device_rig.drive(f"ahead 5 {tracking}")[-1]
    assert abs(end.x_mm) < 0.8
    assert end.theta_deg == pytest.approx(90, abs=0.8)


def test_a_tracking_offset_moves_the_line_by_as_much(rig: Rigs, exact: Truth) -> None:
    device_rig = rig(truth=exact)
    device_rig.ask("set", name="track-right", value=4000)
    # Four millimetres farther from the right wall, which is east: the robot stands west.
    assert device_rig.drive("ahead 5 right")[-1].x_mm == pytest.approx(-4, abs=0.8)


def test_both_falls_back_to_the_wall_that_is_there(rig: Rigs, exact: Truth, corridor_with_opening: Course) -> None:
    poses = rig(corridor_with_opening, truth=exact).drive("ahead 5 both")
    assert max(abs(pose.x_mm) for pose in poses) < 1.5
    assert [pose.event for pose in poses].count("edge.right") == 2


def test_wall_ends_are_reported_where_they_are(rig: Rigs, exact: Truth, corridor_with_opening: Course) -> None:
    poses = rig(corridor_with_opening, truth=exact).drive("ahead 5 both")
    begin, end = (pose.y_mm for pose in poses if pose.event == "edge.right")
    # The opening is the fourth cell: its wall ends 6 mm past 450 mm and begins 6 mm before 630 mm; the sensor looks
    # 30 mm ahead, and three confirming readings pass at 0.3 mm each. Half the beam's footprint is allowed for.
    assert begin == pytest.approx(450 + 6 - 30, abs=4)
    assert end == pytest.approx(630 - 6 - 30, abs=4)


def test_the_nominal_robot_leaves_tracked_straights_straight(rig: Rigs) -> None:
    headings = []
    for seed in range(6):
        device_rig = rig(seed=seed)
        device_rig.bench.person.place(device_rig.bench.plant.world.course.start)
        headings.append(device_rig.drive("ahead 4 both")[-1].theta_deg - 90)
    assert math.sqrt(sum(angle**2 for angle in headings) / len(headings)) < 0.8


@pytest.mark.parametrize(
    ("faults", "slope", "late_mm"),
    [([], 1.0, 0.0), (["front-trigger=10 mm"], 1.0, 10.0), (["front-reset=off"], 0.0, 0.0)],
)
def test_boards_move_the_stop_one_to_one_unless_the_reset_is_off(
    rig: Rigs, exact: Truth, corner: Course, faults: list[str], slope: float, late_mm: float
) -> None:
    stops = []
    for board_mm in (0.0, 10.0):
        device_rig = rig(corner, truth=exact, faults=faults)
        device_rig.bench.person.lay_board((0, 3), Heading.NORTH, board_mm)
        poses = device_rig.drive("ahead 3 both", front="wall")
        assert any(pose.event == "front.reset" for pose in poses) == bool(slope)
        stops.append(poses[-1].y_mm - 540)
    assert (stops[0] - stops[1]) / 10 == pytest.approx(slope, abs=0.1)
    assert stops[0] == pytest.approx(late_mm, abs=1.5)


def test_no_wall_ahead_gives_no_reset_although_posts_stand_there(rig: Rigs, exact: Truth, corner_open: Course) -> None:
    poses = rig(corner_open, truth=exact).drive("ahead 3 both", front="wall")
    assert not [pose for pose in poses if pose.event == "front.reset"]
    assert poses[-1].y_mm == pytest.approx(540, abs=2)


def test_by_counts_the_wall_is_left_alone(rig: Rigs, exact: Truth, corner: Course) -> None:
    device_rig = rig(corner, truth=exact)
    device_rig.bench.person.lay_board((0, 3), Heading.NORTH, 10.0)
    poses = device_rig.drive("ahead 3 both", front="counts")
    assert poses[-1].y_mm == pytest.approx(540, abs=2)


def test_the_same_seed_drives_the_same_way_whatever_the_timing(rig: Rigs) -> None:
    path = "ahead 2 both, ahead 2, about left, ahead 4 right, about right"
    prompt, idle = rig(seed=3), rig(seed=3)
    prompt.ask("stream", period=0.008)
    idle.run(0.7313)
    idle.ask("stream", period=0.008)
    idle.run(1.2)
    first = [prompt.drive(path, chunk_s=0.1), prompt.drive(path, chunk_s=0.1)]
    second = [idle.drive(path, chunk_s=0.017)]
    idle.run(3.001)
    second.append(idle.drive(path, chunk_s=0.35))
    assert first == second


def test_other_seeds_drive_differently(rig: Rigs) -> None:
    assert rig(seed=3).drive("ahead 2 both") != rig(seed=4).drive("ahead 2 both")


def test_stop_brakes_within_milliseconds_and_says_so(rig: Rigs, exact: Truth) -> None:
    device_rig = rig(truth=exact)
    device_rig.start("ahead 5")
    device_rig.run(1.0)
    plant, before_mm = device_rig.bench.plant, device_rig.bench.plant.y_mm
    assert plant.speed_mm_s == pytest.approx(300, abs=15)
    assert device_rig.ask("stop").answer == "stopped"
    device_rig.run(0.5)
    # At 9 m/s^2 of grip 300 mm/s end in 5 mm; the request and the task add two.
    assert plant.at_rest
    assert plant.y_mm - before_mm < 15
    told = [(item.event, item.detail) for item in device_rig.events()]
    assert told[-2:] == [("fault", "stopped"), ("idle", "stopped")]
    assert not device_rig.bench.device.driving


def test_stop_without_a_drive_is_answered_and_nothing_else(rig: Rigs) -> None:
    device_rig = rig()
    assert device_rig.ask("stop").answer == "stopped"
    assert device_rig.events() == []


def test_half_a_second_of_silence_stops_a_drive(rig: Rigs, exact: Truth) -> None:
    device_rig = rig(truth=exact, dead_man_s=0.5)
    device_rig.start("ahead 5")
    device_rig.run(1.2)
    assert [item.detail for item in device_rig.events() if item.event == "fault"] == ["dead-man"]
    assert device_rig.bench.plant.y_mm < 300 * 0.6


def test_a_sign_of_life_keeps_the_drive_going(rig: Rigs, exact: Truth) -> None:
    device_rig = rig(truth=exact, dead_man_s=0.5)
    device_rig.start("ahead 3")
    for step in range(40):
        device_rig.bench.device.receive(device_rig.link.start("alive", {}, step * 0.1).data)
        device_rig.run(0.1)
    assert not [item for item in device_rig.events() if item.event == "fault"]
    assert device_rig.events()[-1].event == "idle"


def test_a_wall_is_touched_and_not_driven_through(rig: Rigs, exact: Truth) -> None:
    poses = rig(truth=exact).drive("ahead 8")
    assert "touched" in [pose.event for pose in poses]
    # The corridor's end face stands at 984 mm and the body reaches 50 mm ahead.
    assert poses[-1].y_mm == pytest.approx(984 - 50, abs=3)


def test_a_paused_loop_shows_its_length_and_ends_where_it_should(rig: Rigs, exact: Truth) -> None:
    device_rig = rig(truth=exact, faults=["loop-pause=20 ms"])
    device_rig.ask("stream", period=0.008)
    end = device_rig.drive("ahead 5")[-1]
    longest_s = max(item.values["loop.period"] for item in device_rig.telemetry("health"))
    assert longest_s == pytest.approx(0.020, abs=1e-4)
    # Domain: a closed position loop hides a pause, whose end moves by less than 0.3 mm; here there were three.
    reference = rig(truth=exact).drive("ahead 5")[-1]
    assert end.y_mm == pytest.approx(reference.y_mm, abs=0.9)


def test_a_healthy_loop_shows_one_millisecond(rig: Rigs, exact: Truth) -> None:
    device_rig = rig(truth=exact)
    device_rig.ask("stream", period=0.008)
    device_rig.drive("ahead 1")
    assert {item.values["loop.period"] for item in device_rig.telemetry("health")} == {0.001}


def test_dropped_counts_on_the_right_bend_the_path_as_the_formula_says(rig: Rigs, exact: Truth) -> None:
    ends = [
        rig(truth=replace(exact, seed=seed), faults=["drop-counts-right=1 %"]).drive("ahead 4")[-1] for seed in range(3)
    ]
    # kappa = p/b: 37 mm at 720 mm; the drops are drawn, about 29 of 2947, hence their scatter.
    mean = sum(end.x_mm for end in ends) / len(ends)
    assert -mean == pytest.approx(0.01 * 720**2 / 140, rel=0.35)
