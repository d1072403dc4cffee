"""The study of transfers on a few robots: what it says is what the virtual sensor truly sees."""

import math
from dataclasses import replace

import pytest

from hil.catalogue import Catalogue
from hil.cli.transfer_study import AWAY_MM, SET_MM, VirtualJig, coverage_of, make_transfers
from hil.spec.kinds import Kind
from hil.spec.loading import load_course, load_robot


@pytest.fixture(scope="module")
def bench():
    catalogue = Catalogue()
    robot = load_robot(catalogue.find(Kind.ROBOT, "virtual"), catalogue).robot
    return robot, load_course(catalogue.find(Kind.COURSE, "corridor-six"))


def test_ten_unknown_surfaces_are_carried_over_to_within_a_millimetre(bench):
    made = list(make_transfers(*bench, ("matt-white",), range(301, 311)))
    assert all(abs(one.beside_full_mm) < 1.0 for one in made)
    assert all(abs(one.errors_mm[0.0]) < 1.0 for one in made)
    assert len({round(one.share, 3) for one in made}) == 10
    covered = coverage_of(made)
    assert [one.away_mm for one in covered] == list(AWAY_MM)
    assert all(one.held >= 8 for one in covered)


def test_the_truth_is_the_light_without_noise(bench):
    jig = VirtualJig(robot=bench[0], course=bench[1], seed=7)
    blocks = [jig.block("matt-white", SET_MM) for _ in range(30)]
    light = jig.light("matt-white", SET_MM)
    mean = sum(one.reading for one in blocks) / len(blocks)
    # 30 boards set by hand, 0.2 mm each: 2 * 0.2 / 51 of the light.
    assert mean == pytest.approx(light, rel=4 * 2 * 0.2 / 51 / math.sqrt(30))


def test_an_interval_that_is_too_narrow_shows_as_low_coverage(bench):
    made = list(make_transfers(*bench, ("matt-white",), range(1, 13)))
    narrow = [replace(one, u_mm={away: u / 10 for away, u in one.u_mm.items()}) for one in made]
    assert coverage_of(narrow)[1].share < 0.5
    assert coverage_of(narrow)[1].rms_scaled == pytest.approx(10 * coverage_of(made)[1].rms_scaled)
