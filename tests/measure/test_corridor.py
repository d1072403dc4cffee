"""The corridor fit against closed forms: exact arcs, published variances, coverage of its own intervals."""

import math
from dataclasses import replace

import numpy as np
import pytest

from hil.measure.corridor import fit_corridor, offsets, pose_at, straight_data
from hil.measure.legs import walk_u_kappa
from hil.measure.model import CellPose, Heading
from hil.measure.segments import spans
from hil.measure.straight_data import integrated
from hil.measure.values import CannotMeasureError

NORTH = CellPose(x=0, y=0, heading=Heading.NORTH)


def straight(robot, path="ahead 5 blind", start=NORTH):
    drive = robot.drive("straight", path, start)
    return straight_data(drive, spans(drive, robot.robot)[0], robot.robot, robot.course)


def made_exact(data):
    """Odometry without the counts' steps, for comparisons with closed forms to many digits."""
    s = np.linspace(0.0, data.length_mm, data.s_mm.size)
    zero = np.zeros(s.size)
    return replace(data, s_mm=s, theta_odo_rad=zero, y_odo_mm=zero)


def with_ranges(data, y, theta, noise=0.0, rng=None):
    """Put the exact ranges of the given true path into the data (beams at right angles), with noise in mm."""
    x_s, y_s, half = 30.0, 35.0, data.course.free_width_mm / 2
    left = (half - y - x_s * np.sin(theta) - y_s * np.cos(theta)) / np.cos(theta)
    right = (half + y + x_s * np.sin(theta) - y_s * np.cos(theta)) / np.cos(theta)
    if rng is not None:
        left, right = left + rng.normal(0, noise, y.size), right + rng.normal(0, noise, y.size)
    everywhere = np.ones(y.size, dtype=bool)
    return replace(
        data,
        left=replace(data.left, distance_mm=left, wall=everywhere),
        right=replace(data.right, distance_mm=right, wall=everywhere),
    )


@pytest.mark.parametrize("kappa", [0.0, 7.1e-5, -1.4e-4, 2.5e-4])  # eps of 0, 0.5, -1 and 1.75 % on 70 mm
def test_an_exact_arc_is_found_though_it_bends_by_more_than_ten_degrees(drawing, corridor, kappa):
    data = made_exact(straight(drawing(corridor)))
    theta0 = 0.02 - kappa * data.length_mm / 2
    theta = theta0 + kappa * data.s_mm
    y = 3.0 + integrated(data.s_mm, theta)
    data = with_ranges(data, y, theta)
    fit = fit_corridor(data, 0.0, data.length_mm)
    assert fit.kappa_per_mm == pytest.approx(kappa, abs=1e-11)
    assert fit.theta0_rad == pytest.approx(theta0, abs=1e-9)
    assert fit.y0_mm == pytest.approx(3.0, abs=1e-7)
    assert pose_at(data, fit, 450.0).y_mm == pytest.approx(float(np.interp(450.0, data.s_mm, y)), abs=1e-3)


def test_steering_that_odometry_knows_is_not_taken_for_curvature(drawing, corridor):
    robot = drawing(corridor, mismatch=0.005, y_mm=8.0, theta_rad=math.radians(2)).with_fine_counts()
    fit = fit_corridor(data := straight(robot, "ahead 5 by both"), 0.0, data.length_mm)
    assert fit.kappa_per_mm == pytest.approx(robot.kappa, rel=0.01)
    assert fit.y0_mm == pytest.approx(8.0, abs=0.05)
    assert math.degrees(fit.theta0_rad) == pytest.approx(2.0, abs=0.05)


def test_angled_beams_are_fitted_as_well(drawing, corridor):
    """Beams at 60 degrees look ahead by more; ranges drawn by the exact formula d = (...)/sin(phi +- theta)."""
    robot = drawing(corridor)
    phi = math.radians(60)
    tilted = tuple(replace(s, angle_rad=math.copysign(phi, s.angle_rad)) for s in robot.robot.sensors[:2])
    robot.robot = replace(robot.robot, sensors=tilted)
    data = made_exact(straight(robot))
    kappa, half = 1e-4, corridor.free_width_mm / 2
    theta = -0.03 + kappa * data.s_mm
    y = -2.0 + integrated(data.s_mm, theta)
    everywhere = np.ones(y.size, dtype=bool)
    left = (half - y - 30 * np.sin(theta) - 35 * np.cos(theta)) / np.sin(phi + theta)
    right = (half + y + 30 * np.sin(theta) - 35 * np.cos(theta)) / np.sin(phi - theta)
    data = replace(
        data,
        left=replace(data.left, distance_mm=left, wall=everywhere),
        right=replace(data.right, distance_mm=right, wall=everywhere),
    )
    fit = fit_corridor(data, 0.0, data.length_mm)
    assert data.look_ahead_mm == pytest.approx(30 + 49 / math.tan(phi))
    assert fit.kappa_per_mm == pytest.approx(kappa, abs=1e-10)
    assert fit.y0_mm == pytest.approx(-2.0, abs=1e-6)


def gluckstern_variance(sigma, length, n):
    """Gluckstern, Nucl. Instr. Meth. 24 (1963) 381: 720 N^3/((N-1)(N+1)(N+2)(N+3)) with N intervals (from memory)."""
    intervals = n - 1
    share = 720 * intervals**3 / ((intervals - 1) * (intervals + 1) * (intervals + 2) * (intervals + 3))
    return sigma**2 / length**4 * share


def test_the_variance_of_the_curvature_is_glucksterns(drawing, corridor):
    data = made_exact(straight(drawing(corridor)))
    rng = np.random.default_rng(3)
    zero = np.zeros(data.s_mm.size)
    fit = fit_corridor(with_ranges(data, zero, zero, 0.3, rng), 0.0, data.length_mm)
    # Of two walls the mean is fitted: sigma/sqrt(2) of one range.
    n, length = fit.n, fit.s_to_mm - fit.s_from_mm
    expected = gluckstern_variance(fit.residual_sd_mm, length, n)
    same = 720 * fit.residual_sd_mm**2 * (n - 1) ** 3 / (length**4 * n * (n + 1) * (n**2 - 4))
    assert same == pytest.approx(expected, rel=1e-9)
    assert fit.components["fit"][2, 2] * fit.n_eff / n == pytest.approx(expected, rel=0.06)  # Huber's weights cost 5 %
    assert fit.residual_sd_mm == pytest.approx(0.3 / math.sqrt(2), rel=0.1)


def test_the_other_variances_are_those_of_the_quadratic_fit(drawing, corridor):
    """Var(th0) ~ 192 sigma^2/(N L^2), Var(y0) ~ 9 sigma^2/N, corr(th0, kappa) ~ -0.97: derived, no look-ahead."""
    robot = drawing(corridor)
    sensors = tuple(replace(s, x_mm=0.0) for s in robot.robot.sensors)
    robot.robot = replace(robot.robot, sensors=sensors)
    data = made_exact(straight(robot))
    zero = np.zeros(data.s_mm.size)
    rng = np.random.default_rng(4)
    y = with_ranges(data, zero, zero)
    half = corridor.free_width_mm / 2 - 35.0
    y = replace(
        y,
        left=replace(y.left, distance_mm=half + rng.normal(0, 0.3, zero.size)),
        right=replace(y.right, distance_mm=half + rng.normal(0, 0.3, zero.size)),
    )
    fit = fit_corridor(y, 0.0, data.length_mm)
    cov = fit.components["fit"] * fit.n_eff / fit.n
    sigma2, n, length = fit.residual_sd_mm**2, fit.n, fit.s_to_mm - fit.s_from_mm
    assert cov[1, 1] == pytest.approx(192 * sigma2 / (n * length**2), rel=0.1)
    assert cov[0, 0] == pytest.approx(9 * sigma2 / n, rel=0.1)
    assert cov[1, 2] / math.sqrt(cov[1, 1] * cov[2, 2]) == pytest.approx(-0.97, abs=0.01)


def test_intervals_cover_the_truth_as_often_as_they_say(drawing, corridor):
    """300 fits of white noise: 95 % intervals cover in 90 to 98 % (binomial: 292 of 300 at most is two sigma)."""
    data = made_exact(straight(drawing(corridor), "ahead 3 blind"))
    kappa, rng = 7e-5, np.random.default_rng(5)
    theta = 0.01 + kappa * data.s_mm
    y = integrated(data.s_mm, theta)
    covered = {"kappa": 0, "theta": 0, "y": 0}
    for _ in range(300):
        fit = fit_corridor(with_ranges(data, y, theta, 0.25, rng), 0.0, data.length_mm)
        u = np.sqrt(np.diag(fit.components["fit"]))
        covered["kappa"] += abs(fit.kappa_per_mm - kappa) <= 1.96 * u[2]
        covered["theta"] += abs(fit.theta0_rad - 0.01) <= 1.96 * u[1]
        covered["y"] += abs(fit.y0_mm) <= 1.96 * u[0]
    assert all(270 <= count <= 294 for count in covered.values()), covered


def test_correlated_residuals_count_for_fewer_samples(drawing, corridor):
    """An AR(1) sequence with rho = 0.8 has n/n_eff = (1 + rho)/(1 - rho) = 9 (textbook)."""
    data = made_exact(straight(drawing(corridor, period_s=0.002)))
    rng = np.random.default_rng(6)
    noise = np.zeros(data.s_mm.size)
    for i in range(1, noise.size):
        noise[i] = 0.8 * noise[i - 1] + rng.normal(0, 0.1)
    fit = fit_corridor(with_ranges(data, noise, np.zeros(noise.size)), 0.0, data.length_mm)
    assert 5 < fit.n / fit.n_eff < 13
    white = fit_corridor(with_ranges(data, noise * 0, noise * 0, 0.3, rng), 0.0, data.length_mm)
    assert white.n / white.n_eff < 1.5


def test_a_wall_gap_that_the_drawing_does_not_show_is_held_off(drawing, corridor):
    robot = drawing(corridor, mismatch=0.005, noise=0.01)
    data = straight(robot)
    plain = fit_corridor(data, 0.0, data.length_mm)
    gap = (data.s_mm > 300) & (data.s_mm < 360)
    broken = replace(data, right=replace(data.right, distance_mm=np.where(gap, 75.0, data.right.distance_mm)))
    fit = fit_corridor(broken, 0.0, data.length_mm)
    assert fit.n < plain.n
    assert fit.kappa_per_mm == pytest.approx(plain.kappa_per_mm, abs=3 * plain.u_kappa_per_mm)
    assert fit.kappa_per_mm == pytest.approx(robot.kappa, rel=0.1)


def test_a_given_curvature_is_held_and_its_uncertainty_carried_on(drawing, corridor):
    robot = drawing(corridor, mismatch=0.005, noise=0.01)
    data = straight(robot)
    fit = fit_corridor(data, 500.0, 740.0, (robot.kappa, 1e-5))
    assert fit.kappa_per_mm == robot.kappa
    heading = pose_at(data, fit, 820.0, "curvature").covariance[1, 1]
    assert math.sqrt(heading) == pytest.approx(1e-5 * (820 - 650), rel=0.1)  # from the spots' middle, at 620 + 30
    assert fit.theta0_rad == pytest.approx(0.0, abs=math.radians(0.3))


def test_panel_placement_and_calibration_stand_in_their_own_components(drawing, corridor):
    data = straight(drawing(corridor, noise=0.01))
    fit = fit_corridor(data, 0.0, data.length_mm)
    assert set(fit.components) == {"fit", "calibration", "panels"}
    assert np.allclose(sum(fit.components.values()), fit.covariance)
    # 100 fits with panels drawn afresh, no other noise, scatter as the component says.
    found = []
    for seed in range(60):
        one = straight(drawing(corridor, seed=seed, panel_sd_mm=0.7))
        found.append(fit_corridor(one, 0.0, one.length_mm).kappa_per_mm)
    assert np.std(found, ddof=1) == pytest.approx(math.sqrt(fit.components["panels"][2, 2]), rel=0.25)


def test_a_reading_at_full_scale_is_no_distance(drawing, corridor):
    """A converter of 10 bit reads 1023 whatever is nearer; 13 mm off the centre the near wall is out of its reach."""
    robot = drawing(corridor, y_mm=16.0, mismatch=0.0, noise=0.01)
    drive = robot.drive("straight", "ahead 5 blind", NORTH)
    values = dict(drive.samples["motion"].values)
    values["wall.left"] = np.minimum(values["wall.left"], 1023.0)
    clipped = replace(drive, samples={"motion": replace(drive.samples["motion"], values=values)})
    data = straight_data(clipped, spans(clipped, robot.robot)[0], robot.robot, corridor)
    assert not np.any(data.left.usable & data.left.wall)
    fit = fit_corridor(data, 0.0, data.length_mm)
    assert fit.y0_mm == pytest.approx(16.0, abs=0.2)


def test_one_wall_is_enough_and_the_other_sensor_alone_agrees(drawing, corridor):
    robot = drawing(corridor, y_mm=5.0)
    data = straight(robot)
    blind = replace(data, left=None)
    fit = fit_corridor(blind, 0.0, data.length_mm)
    assert fit.y0_mm == pytest.approx(5.0, abs=0.05)
    read = offsets(data, fit, data.left)[data.left.wall]
    assert np.allclose(read, 5.0, atol=0.1)


def too_far(data, by_mm=2.7):
    """Let the left sensor read a constant too far: what 0.9 of its calibrated gain makes at 49 mm."""
    return replace(data, left=replace(data.left, distance_mm=data.left.distance_mm + by_mm))


def test_a_sensor_that_reads_too_far_beside_an_opening_makes_no_slope_and_no_bend(drawing, corridor):
    """The west panels of the first and the fifth cell are left out, so the left wall counts in the middle only."""
    robot = drawing(corridor, mismatch=0.005, noise=0.01, panel_sd_mm=0.5, theta_rad=0.01)
    data = straight(robot)
    assert 0.3 < np.mean(data.left_wall) / np.mean(data.right_wall) < 0.8
    for ends, kappa in (((0.0, data.length_mm), None), ((150.0, 390.0), (robot.kappa, 1e-6))):
        right, stale = fit_corridor(data, *ends, kappa), fit_corridor(too_far(data), *ends, kappa)
        u = np.sqrt(np.diag(right.covariance))
        assert stale.theta0_rad == pytest.approx(right.theta0_rad, abs=0.05 * u[1])
        assert stale.kappa_per_mm == pytest.approx(right.kappa_per_mm, abs=0.05 * u[2])
        assert stale.y0_mm == pytest.approx(right.y0_mm - 1.35, abs=0.05 * u[0])  # the mean of both walls
        assert stale.delta_mm == pytest.approx(right.delta_mm - 1.35, abs=0.02)
        assert stale.u_kappa_per_mm == pytest.approx(right.u_kappa_per_mm, rel=0.02)


def test_both_walls_all_along_are_fitted_as_their_mean(drawing, corridor):
    data = made_exact(straight(drawing(corridor)))
    zero, rng = np.zeros(data.s_mm.size), np.random.default_rng(8)
    data = with_ranges(data, zero, zero, 0.3, rng)
    right, stale = fit_corridor(data, 0.0, data.length_mm), fit_corridor(too_far(data), 0.0, data.length_mm)
    middle = (data.right_mm - data.left_mm) / 2
    parabola = np.polyfit(data.s_mm, middle, 2)  # m(s), and kappa = 2c whatever the look-ahead
    assert right.kappa_per_mm == pytest.approx(2 * parabola[0], rel=1e-3)
    assert stale.kappa_per_mm == pytest.approx(right.kappa_per_mm, rel=1e-3)
    assert np.allclose(stale.covariance, right.covariance, rtol=0.01)


def test_one_wall_alone_has_no_disagreement(drawing, corridor):
    data = replace(straight(drawing(corridor, noise=0.01, y_mm=4.0)), right=None)
    fit = fit_corridor(data, 0.0, data.length_mm)
    stale = fit_corridor(too_far(data), 0.0, data.length_mm)
    assert fit.delta_mm == stale.delta_mm == 0.0
    assert stale.y0_mm == pytest.approx(fit.y0_mm - 2.7, abs=0.01)  # by that wall, which is all there is


@pytest.mark.parametrize("shared_mm", [-60.0, 0.0, 20.0])
def test_walls_that_hardly_overlap_still_give_headings_within_what_they_say(drawing, corridor, shared_mm):
    """First the left wall, then the right; between them a gap, nothing, or 20 mm in which both are seen."""
    data = made_exact(straight(drawing(corridor)))
    rng, zero, middle = np.random.default_rng(9), np.zeros(data.s_mm.size), data.length_mm / 2
    misses = []
    for _ in range(60):
        one = too_far(with_ranges(data, zero, zero, 0.3, rng))
        one = replace(
            one,
            left=replace(one.left, wall=data.s_mm < middle + shared_mm / 2),
            right=replace(one.right, wall=data.s_mm > middle - shared_mm / 2),
        )
        fit = fit_corridor(one, middle - 200.0, middle + 200.0, (0.0, 0.0))
        u = np.sqrt(np.diag(fit.components["fit"]))
        y_truth = -1.35  # the mean of both walls as they are read
        misses.append(((fit.y0_mm - y_truth) / u[0], fit.theta0_rad / u[1]))
        assert math.degrees(u[1]) < 0.15
    assert np.sqrt(np.mean(np.square(misses), axis=0)) == pytest.approx([1.0, 1.0], abs=0.25)


def test_a_wall_seen_in_a_few_rows_only_is_not_asked(drawing, corridor):
    data = straight(drawing(corridor, noise=0.01))
    few = np.zeros(data.s_mm.size, dtype=bool)
    few[np.nonzero(data.right_wall)[0][5:10]] = True
    fit = fit_corridor(replace(too_far(data, 9.0), left=replace(too_far(data, 9.0).left, wall=few)), 0.0, 800.0)
    alone = fit_corridor(replace(data, left=None), 0.0, 800.0)
    assert (fit.y0_mm, fit.theta0_rad, fit.delta_mm) == (alone.y0_mm, alone.theta0_rad, 0.0)


def test_a_stretch_without_walls_is_refused_with_a_sentence(drawing, corridor):
    data = straight(drawing(corridor))
    nothing = replace(data, left=None, right=None)
    with pytest.raises(CannotMeasureError, match=r"only 0 samples see a wall with a calibrated sensor"):
        fit_corridor(nothing, 0.0, data.length_mm)


def test_an_uncalibrated_robot_is_refused(drawing, corridor):
    robot = drawing(corridor)
    robot.robot = replace(robot.robot, calibrations={})
    with pytest.raises(CannotMeasureError, match="calibrated sensor"):
        fit_corridor(data := straight(robot), 0.0, data.length_mm)


def test_the_walk_of_odometry_moves_a_fitted_curvature_as_said():
    """Chong and Kleeman 1997 (formula from memory): var theta = qD/b^2, q = 2k^2; its integral fitted by a parabola."""
    rng = np.random.default_rng(7)
    length, base, k, n = 540.0, 70.0, 0.02, 200
    s = np.linspace(0, length, n)
    steps = rng.normal(size=(2000, n)) * k * np.sqrt(2 * length / (n - 1)) / base
    steps[:, 0] = 0
    theta = np.cumsum(steps, axis=1)
    y = np.cumsum(theta, axis=1) * (length / (n - 1))
    assert np.var(theta[:, -1]) == pytest.approx(2 * k**2 * length / base**2, rel=0.1)
    assert np.var(y[:, -1]) == pytest.approx(2 * k**2 * length**3 / (3 * base**2), rel=0.1)
    assert np.mean(y[:, -1] * theta[:, -1]) == pytest.approx(2 * k**2 * length**2 / (2 * base**2), rel=0.1)
    kappa = 2 * np.polyfit(s, y.T, 2)[0]
    assert np.std(kappa) == pytest.approx(walk_u_kappa(length, base), rel=0.06)


def test_different_wheel_ways_make_the_textbook_arc():
    """Differential drive, textbook: 1005 mm right, 995 mm left on 80 mm base."""
    s = np.linspace(0, 1000.0, 4001)
    theta = s * (1005 - 995) / 80 / 1000
    assert theta[-1] == pytest.approx(0.125)
    assert s[-1] / theta[-1] == pytest.approx(8000)
    assert integrated(s, theta)[-1] == pytest.approx(62.418662, abs=1e-5)
    assert np.sum(np.cos((theta[1:] + theta[:-1]) / 2) * np.diff(s)) == pytest.approx(997.397867, abs=1e-5)


@pytest.mark.parametrize(("length", "change_deg", "lateral"), [(1000.0, 1.0, 8.726425), (180.0, 2.0, 3.141274)])
def test_a_heading_change_along_the_way_moves_sideways(length, change_deg, lateral):
    """Textbook arcs (constant curvature)."""
    s = np.linspace(0, length, 2001)
    assert integrated(s, math.radians(change_deg) * s / length)[-1] == pytest.approx(lateral, abs=1e-6)
