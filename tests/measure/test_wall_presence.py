"""Wall or no wall, on a bench that is drawn: populations of the worst case, thresholds, and the numbers that follow."""

import math

import pytest

from hil.measure.detection import Rule
from hil.measure.methods import METHODS, Parameters
from hil.measure.values import CannotMeasureError
from hil.measure.wall_presence import presences
from hil.measure.wall_settings import keeping_of, settings_from_text

from .drawn_jig import SENSORS, Bench

LEFT = {"sensor": "wall.left"}


def measured(method, evidence, words=None, **numbers):
    return METHODS[method].run(evidence, Parameters(words=LEFT if words is None else words, numbers=numbers))


def decision(evidence, **numbers):
    return presences(evidence, Parameters(words=LEFT, numbers=numbers))[0]


def test_a_wall_is_the_darkest_surface_far_and_turned_and_none_is_the_brightest_one_behind():
    bench = Bench()
    one = decision(bench.evidence(bench.jig()))
    cosine = math.cos(math.radians(5))
    assert one.wall.mean == pytest.approx(cosine * bench.light("wall.left", 69.0 / cosine, "grey"), rel=0.02)
    assert one.nothing.mean == pytest.approx(bench.light("wall.left", 209.0, "white"), rel=0.2)
    assert one.wall.sd == pytest.approx(math.hypot(0.01 * one.wall.mean, 0.8), rel=0.15)
    assert "a wall is grey at 69 mm" in one.notes[0]
    assert "white at 209 mm behind" in one.notes[0]


def test_stray_light_without_a_board_is_part_of_no_wall():
    clean, stray = Bench(), Bench(crosstalk={("wall.left", "wall.left"): 30.0})
    means = [decision(bench.evidence(bench.jig())).nothing.mean for bench in (clean, stray)]
    # Once, and not a second time in the curve that is carried on to the next wall.
    assert means[1] - means[0] == pytest.approx(30.0, abs=2.0)


def test_where_the_surfaces_are_alike_d_a_is_the_closed_form():
    bench = Bench(surfaces={"white": 1.0}, each=400, share_sd=0.05)
    evidence = bench.evidence(bench.jig())
    found = measured("walls.detectability", evidence, off_centre=0.0, turned=0.0)
    none = bench.light("wall.left", 229.0)
    s1, s0 = math.hypot(0.05 * 600, 0.8), math.hypot(0.05 * none, 0.8)
    assert found.value == pytest.approx((600 - none) / math.sqrt((s0**2 + s1**2) / 2), rel=0.05)
    assert found.value == pytest.approx(found.value, abs=3 * found.u)


def test_more_noise_makes_wrong_decisions_and_fewer_right_maps():
    found = {}
    for share in (0.1, 0.25):
        bench = Bench(share_sd=share, each=400, seed=4, gains=dict.fromkeys(SENSORS, 0.4))
        evidence = bench.evidence(bench.jig(("wall.left",), ("white",)))
        found[share] = (
            measured("walls.wrong_decisions", evidence).value,
            measured("walls.map_right", evidence).value,
            measured("walls.detectability", evidence).value,
        )
    assert found[0.25][0] > 0.2 > found[0.1][0]
    assert found[0.25][1] < 80 < found[0.1][1]
    assert found[0.25][2] < found[0.1][2]
    # The expected number and the share of right maps belong together: (1 - e)^700 is exp(-700 e).
    assert found[0.25][1] == pytest.approx(100 * math.exp(-found[0.25][0]), rel=0.01)


@pytest.mark.parametrize("rule", [rule.value for rule in Rule])
def test_every_rule_puts_its_threshold_between_the_populations(rule):
    bench = Bench()
    evidence = bench.evidence(bench.jig())
    found = measured("walls.threshold", evidence, LEFT | {"rule": rule})
    one = decision(evidence)
    assert one.nothing.mean < found.value < one.wall.mean
    assert found.value == pytest.approx(one.threshold(Rule(rule)))
    assert 0 < found.u < 0.1 * found.value


def test_guards_are_the_threshold_over_the_extremes():
    bench = Bench()
    evidence = bench.evidence(bench.jig())
    one = decision(evidence)
    at = one.threshold(Rule.EQUAL_ERROR)
    assert measured("walls.guard_nothing", evidence).value == pytest.approx(
        at / (one.nothing.mean + 3 * one.nothing.sd)
    )
    assert measured("walls.guard_wall", evidence).value == pytest.approx(at / (one.wall.mean - 3 * one.wall.sd))
    given = measured("walls.guard_nothing", evidence, threshold=150.0)
    assert given.value == pytest.approx(150 / one.nothing.highest)


def test_a_threshold_that_the_firmware_has_is_judged_as_it_is():
    bench = Bench()
    evidence = bench.evidence(bench.jig())
    wall = decision(evidence).wall
    found = measured("walls.wrong_decisions", evidence, threshold=wall.mean)
    assert found.value == pytest.approx(700 / 4, rel=1e-6)  # every second wall is missed, every second decision a wall


def test_the_least_of_all_sensors_is_told_with_its_name():
    bench = Bench()
    found = measured("walls.detectability", bench.evidence(bench.jig()), {})
    assert found.notes[0] == "The least is that of wall.front."
    with pytest.raises(CannotMeasureError, match="name the sensor"):
        measured("walls.threshold", bench.evidence(bench.jig()), {})


def test_without_a_reading_of_no_board_the_room_is_said_to_be_missing():
    bench = Bench()
    one = decision(bench.evidence(bench.jig(none=False)))
    assert any("was not read without a board" in note for note in one.notes)


def test_the_numbers_for_the_firmware_come_back_from_their_text():
    bench = Bench()
    kept = keeping_of(bench.evidence(bench.jig()))
    assert [one.surface for one in kept.settings] == list(bench.surfaces)
    assert len(kept.calibrations) == 9
    white = kept.settings[0]
    assert settings_from_text("white", white.text()) == white
    values = white.values()
    assert values["wall.left.set"] == pytest.approx(600, rel=0.02)
    assert values["wall.left.nothing"] < values["wall.left.threshold"] < values["wall.left.set"]
    assert values["wall.left.at.60"] == pytest.approx(bench.light("wall.left", 60.0), rel=0.02)
    assert [at for at, _ in white.sensors[2].table] == [50, 60, 70, 80, 90, 100, 110, 120]
    # A threshold is one for all surfaces, since the robot does not know which one it sees.
    thresholds = {one.values()["wall.left.threshold"] for one in kept.settings}
    assert len(thresholds) == 1


@pytest.mark.parametrize("text", ["wall.left.set = much count", "speed = 3 count", "wall.left.threshold = 90 count"])
def test_text_that_holds_no_numbers_of_walls_is_refused(text):
    with pytest.raises(ValueError, match=r"line 1|lacks its set distance"):
        settings_from_text("white", text)


def test_a_search_is_not_told_where_a_sensor_that_decides_has_no_curve():
    bench = Bench(gains={"wall.left": 0.0, "wall.right": 1.0, "wall.front": 1.0})
    evidence = bench.evidence(bench.jig())
    for method in ("walls.wrong_decisions", "walls.map_right"):
        with pytest.raises(CannotMeasureError, match=r"wall\.left would decide too, and has no curve"):
            measured(method, evidence, {})
