"""The fits against certified values: NIST Statistical Reference Datasets, and JCGM 100:2008 (GUM) H.1, H.3."""

import math
from pathlib import Path

import numpy as np
import pytest
import scipy

from hil.measure.least_squares import fit_linear, fit_nonlinear, interpolate_line
from hil.measure.uncertainty import Part, join, mean_by_scatter
from hil.measure.values import CannotMeasureError

# NIST StRD Misra1a (Misra, 1978, dental research): y, x.
MISRA1A = np.array(
    [(10.07, 77.6), (14.73, 114.9), (17.94, 141.1), (23.93, 190.8), (29.61, 239.9), (35.18, 289.0), (40.02, 332.8),
     (44.82, 378.4), (50.76, 434.8), (55.05, 477.3), (61.01, 536.8), (66.40, 593.1), (75.47, 689.1), (81.78, 760.0)]
)  # fmt: skip
# NIST StRD Chwirut2 (Chwirut, 1979, ultrasonic response against metal distance): y, x.
CHWIRUT2 = np.array(
    [(92.9, .5), (57.1, 1), (31.05, 1.75), (11.5875, 3.75), (8.025, 5.75), (63.6, .875), (21.4, 2.25), (14.25, 3.25),
     (8.475, 5.25), (63.8, .75), (26.8, 1.75), (16.4625, 2.75), (7.125, 4.75), (67.3, .625), (41.0, 1.25),
     (21.15, 2.25), (8.175, 4.25), (81.5, .5), (13.12, 3), (59.9, .75), (14.62, 3), (32.9, 1.5), (5.44, 6),
     (12.56, 3), (5.44, 6), (32.0, 1.5), (13.95, 3), (75.8, .5), (20.0, 2), (10.42, 4), (59.5, .75), (21.67, 2),
     (8.55, 5), (62.0, .75), (20.2, 2.25), (7.76, 3.75), (3.75, 5.75), (11.81, 3), (54.7, .75), (23.7, 2.5),
     (11.55, 4), (61.3, .75), (17.7, 2.5), (8.74, 4), (59.2, .75), (16.3, 2.5), (8.62, 4), (81.0, .5), (4.87, 6),
     (14.62, 3), (81.7, .5), (17.17, 2.75), (81.3, .5), (28.9, 1.75)]
)  # fmt: skip


def test_norris_line_has_the_certified_values():
    path = Path(scipy.__file__).parent / "stats" / "tests" / "data" / "nist_linregress" / "Norris.dat"
    if not path.is_file():
        pytest.skip("this scipy was installed without its test data (Norris.dat)")
    y, x = np.loadtxt(path, skiprows=60, unpack=True)
    fit = fit_linear(np.column_stack([np.ones_like(x), x]), y)
    assert fit.parameters == pytest.approx([-0.262323073774029, 1.00211681802045], rel=1e-11)
    assert fit.u == pytest.approx([0.232818234301152, 0.000429796848199937], rel=1e-10)
    assert fit.residual_sd == pytest.approx(0.884796396144373, rel=1e-11)


@pytest.mark.parametrize("start", [(500.0, 0.0001), (250.0, 0.0005)])
def test_misra1a_has_the_certified_values(start):
    y, x = MISRA1A.T
    fit = fit_nonlinear(
        lambda b: b[0] * (1 - np.exp(-b[1] * x)),
        lambda b: np.column_stack([1 - np.exp(-b[1] * x), b[0] * x * np.exp(-b[1] * x)]),
        start,
        y,
    )
    assert fit.parameters == pytest.approx([238.94212918, 5.5015643181e-4], rel=1e-8)
    assert fit.u == pytest.approx([2.7070075241, 7.2668688436e-6], rel=1e-8)
    assert fit.rss == pytest.approx(0.12455138894, rel=1e-9)


@pytest.mark.parametrize("start", [(0.1, 0.01, 0.02), (0.15, 0.008, 0.010)])
def test_chwirut2_a_falling_response_against_distance_has_the_certified_values(start):
    y, x = CHWIRUT2.T

    def model(b):
        return np.exp(-b[0] * x) / (b[1] + b[2] * x)

    def slopes(b):
        value, below = model(b), b[1] + b[2] * x
        return np.column_stack([-x * value, -value / below, -x * value / below])

    fit = fit_nonlinear(model, slopes, start, y)
    assert fit.parameters == pytest.approx([0.16657666537, 0.0051653291286, 0.012150007096], rel=1e-7)
    assert fit.u == pytest.approx([0.038303286810, 6.6621605126e-4, 0.0015304234767], rel=1e-7)
    assert fit.rss == pytest.approx(513.04802941, rel=1e-9)


def test_gum_h3_calibration_line():
    t = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
    b = [-.171, -.169, -.166, -.159, -.164, -.165, -.156, -.157, -.159, -.161, -.160]  # fmt: skip
    at = np.array(t) - 20
    fit = fit_linear(np.column_stack([np.ones_like(at), at]), b)
    assert fit.parameters == pytest.approx([-0.17120379, 0.00218270], abs=5e-9)
    assert fit.u == pytest.approx([0.00287760, 0.00066794], abs=5e-9)
    assert fit.covariance[0, 1] / (fit.u[0] * fit.u[1]) == pytest.approx(-0.930430, abs=5e-7)
    assert fit.residual_sd == pytest.approx(0.00349756, abs=5e-9)
    assert interpolate_line(fit, 10.0) == pytest.approx((-0.14937681, 0.00413860), abs=5e-9)


def test_gum_h1_effective_degrees_of_freedom():
    length = 50.000623e6  # nm; the gauge standard
    joined = join(
        Part(25, 18),
        Part(math.sqrt(5.8**2 + 3.9**2 + 6.7**2), 25.6),
        Part(length * 0.1 * 1e-6 / math.sqrt(3), 50),
        Part(length * 11.5e-6 * 0.05 / math.sqrt(3), 2),
    )
    assert joined.u == pytest.approx(31.66388, abs=1e-4)
    assert joined.dof == pytest.approx(16.7519, abs=1e-3)


def test_gum_type_a_of_twenty_temperatures():
    values = [
        96.90, 98.18, 98.25, 98.61, 99.03, 99.49, 99.56, 99.74, 99.89, 100.07,
        100.33, 100.42, 100.68, 100.95, 101.11, 101.20, 101.57, 101.84, 102.36, 102.72,
    ]  # fmt: skip
    got = mean_by_scatter(values, "temperature")
    assert (got.value, got.sd, got.part.u) == pytest.approx((100.145, 1.4888445, 0.3329157), abs=1e-7)
    assert got.part.dof == 19


def test_known_parts_have_infinite_degrees_of_freedom():
    joined = join(Part(3.0), Part(4.0))
    assert joined.u == 5.0
    assert math.isinf(joined.dof)


def test_parameters_that_cannot_be_told_apart_are_refused():
    with pytest.raises(CannotMeasureError, match="tell the parameters apart"):
        fit_linear([[1, 2], [1, 2], [1, 2]], [1.0, 2.0, 3.0])


def test_no_scatter_can_be_had_from_as_many_values_as_parameters():
    with pytest.raises(CannotMeasureError, match="scatter"):
        fit_linear([[1, 0], [1, 1]], [1.0, 2.0])
