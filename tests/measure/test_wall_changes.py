"""The venue's walls against the record, on a bench that is drawn."""

import math

import pytest

from hil.measure.methods import METHODS, Parameters
from hil.measure.values import CannotMeasureError
from hil.measure.wall_changes import changes_of, transfers_of
from hil.measure.wall_fits import fits_of
from hil.measure.wall_settings import keeping_of

from .drawn_jig import Bench


def home(surfaces=("white",), seed=11):
    bench = Bench(seed=seed)
    fits, _ = fits_of(bench.evidence(bench.jig(surfaces=surfaces)), Parameters())
    return tuple(fit.calibration for fit in fits)


def measured(method, evidence, **numbers):
    return METHODS[method].run(evidence, Parameters(numbers=numbers))


def test_a_darker_wall_is_told_in_per_cent_and_in_the_millimetres_it_seems_farther():
    bench = Bench(home=home(), surfaces={"white": 0.75}, each=200)
    evidence = bench.evidence([bench.board(sensor, "white", 49.0) for sensor in ("wall.left", "wall.right")])
    share, shift = measured("walls.change", evidence), measured("walls.change_mm", evidence)
    assert share.value == pytest.approx(-25.0, abs=3 * share.u)
    assert shift.value == pytest.approx(51 * (1 / math.sqrt(0.75) - 1), abs=3 * shift.u)
    assert (share.u, shift.u) == pytest.approx((0.75, 0.27), rel=0.4)


def test_what_has_not_changed_is_covered_by_its_uncertainty():
    inside = 0
    for seed in range(60):
        bench = Bench(seed=seed, home=home(seed=seed + 100), each=20)
        changes, _ = changes_of(bench.evidence([bench.board("wall.left", "white", 49.0)]), Parameters())
        inside += abs(changes[0].shift_mm) <= 1.96 * changes[0].u_shift_mm
    assert 53 <= inside <= 60


def test_each_surface_is_held_against_its_own_record_and_a_new_one_is_named():
    bench = Bench(home=home(("white", "grey")), surfaces={"white": 1.0, "grey": 0.86, "red": 0.93})
    drives = [bench.board("wall.left", surface, 49.0) for surface in ("white", "grey", "red")]
    changes, reasons = changes_of(bench.evidence(drives), Parameters())
    assert [one.title for one in changes] == ["wall.left on white", "wall.left on grey"]
    assert all(abs(one.ratio - 1) < 0.04 for one in changes)
    assert reasons == ["Left out: there is no record of wall.left on red."]


def test_a_bench_without_a_record_has_no_change():
    bench = Bench()
    with pytest.raises(CannotMeasureError, match="there is no record of wall\\.left on white"):
        measured("walls.change", bench.evidence([bench.board("wall.left", "white", 49.0)]))


def test_the_calibration_in_use_serves_as_record_of_its_surface():
    used = home()[0]
    bench = Bench(calibrations={"wall.left": used})
    assert abs(measured("walls.change", bench.evidence([bench.board("wall.left", "white", 49.0)])).value) < 4


def test_one_reading_on_a_new_wall_gives_its_curve():
    bench = Bench(home=home(), surfaces={"white": 1.0, "venue": 0.8}, each=100)
    evidence = bench.evidence([bench.board("wall.left", "venue", 49.0)])
    new = transfers_of(evidence)[0]
    assert (new.channel, new.surface) == ("wall.left", "venue")
    for at in (44.0, 49.0, 59.0, 79.0):
        assert new.distance_mm(bench.light("wall.left", at, "venue")) == pytest.approx(at, abs=1.0)
    near, far = (measured("walls.transfer_u", evidence, away=away).value for away in (0.0, 30.0))
    assert 0.2 < near < 0.4
    assert far > near


def test_a_curve_that_was_carried_over_itself_is_no_home():
    bench = Bench(home=home(), surfaces={"white": 1.0, "venue": 0.8})
    carried = transfers_of(bench.evidence([bench.board("wall.left", "venue", 49.0)]))[0]
    alone = Bench(home=(carried,), surfaces={"white": 1.0, "venue": 0.8})
    with pytest.raises(CannotMeasureError, match="no full calibration of wall\\.left on record"):
        transfers_of(alone.evidence([alone.board("wall.left", "venue", 49.0)]))


def test_a_wall_that_was_not_seen_changes_nothing():
    bench = Bench(home=home(), gains={"wall.left": 0.0, "wall.right": 1.0, "wall.front": 1.0}, dark=52.0, count_sd=0.0)
    with pytest.raises(CannotMeasureError, match="no wall was seen"):
        measured("walls.change", bench.evidence([bench.board("wall.left", "white", 49.0)]))


def test_what_is_kept_of_a_venue_is_the_curve_carried_over_and_the_numbers_for_the_firmware():
    bench = Bench(home=home(), surfaces={"white": 1.0, "venue": 0.8}, each=100)
    drives = [bench.board(sensor, "venue", at) for sensor in ("wall.left", "wall.right") for at in (49.0, math.inf)]
    kept = keeping_of(bench.evidence(drives))
    assert [one.surface for one in kept.calibrations] == ["venue", "venue"]
    assert "wall.left on venue is carried over from white." in kept.notes
    values = kept.settings[0].values()
    assert values["wall.left.set"] == pytest.approx(480, rel=0.03)
    assert values["wall.left.nothing"] < values["wall.left.threshold"] < values["wall.left.set"]


def test_one_reading_replaces_no_record():
    bench = Bench(home=home(), surfaces={"white": 0.8})
    with pytest.raises(CannotMeasureError, match="1 distances are too few"):
        keeping_of(bench.evidence([bench.board("wall.left", "white", 49.0)]))


def test_a_jig_without_enough_distances_and_without_a_record_is_refused_with_its_reason():
    bench = Bench()
    with pytest.raises(CannotMeasureError, match="1 distances are too few"):
        keeping_of(bench.evidence([bench.board("wall.left", "white", 49.0)]))


def test_walls_of_which_some_have_no_record_are_not_called_unchanged():
    bench = Bench(home=home(), surfaces={"white": 0.9, "red": 0.93})
    evidence = bench.evidence([bench.board("wall.left", surface, 49.0) for surface in ("white", "red")])
    for method in ("walls.change", "walls.change_mm"):
        with pytest.raises(CannotMeasureError, match=r"1 of 2 walls have a record .* and not wall\.left on red; .* -1"):
            measured(method, evidence)


def test_light_at_the_converters_end_is_no_change_of_a_wall():
    bench = Bench(home=home(), gains=dict.fromkeys(("wall.left", "wall.right", "wall.front"), 3.0))
    evidence = bench.evidence([bench.board("wall.left", "white", 49.0)])
    for method in ("walls.change", "walls.change_mm"):
        with pytest.raises(CannotMeasureError, match="is saturated"):
            measured(method, evidence)
