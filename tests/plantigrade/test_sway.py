"""Sway against the authors' own figures, published formulas and exact geometry."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import butter, sosfiltfilt
from scipy.stats import chi2, f

from plantigrade.block import N_COLUMNS, Column
from plantigrade.errors import SampleError
from plantigrade.load import centre_of_pressure
from plantigrade.sway import Sway, lowpass, mean_frequency, prediction_ellipse_area, sway

# The 30 points of the example in the CRAN package stabilo, `sttkarea` help page.
STABILO_X = "1 3 7 5 9 4 3 6 8 2 8 9 4 5 7 3 4 7 9 3 2 5 3 4 8 2 9 7 4 2"
STABILO_Y = "6 3 9 1 3 7 4 9 6 1 7 3 9 7 2 6 3 4 8 1 9 3 6 8 1 6 2 9 8 3"
ORIGIN_M = 0.5  # from the plates' middle to a corner of the square metre that holds every CoP
STABILO = np.column_stack([np.array(s.split(), dtype=float) for s in (STABILO_X, STABILO_Y)])


def area_of(points: np.ndarray) -> float:
    area = prediction_ellipse_area(points)
    assert area is not None
    return area


def circle(n: int = 360, radius: float = 10.0) -> np.ndarray:
    angle = 2 * np.pi * np.arange(n) / n
    return radius * np.column_stack([np.cos(angle), np.sin(angle)])


def test_authors_results_of_a_quiet_stand_are_reproduced(open_data):
    """Santos & Duarte 2016, PeerJ 4:e2648 (CC BY 4.0): results published with trial BDS00001.

    The authors' figures are of the plate's CoP as stored (no further filter), in cm.
    """
    cop_cm = np.loadtxt(open_data("bds/BDS00001.txt"), skiprows=1, usecols=(7, 8))
    result = sway(cop_cm, 100.0)
    assert result.n == 6000
    assert result.ellipse_mm2 == pytest.approx(0.9446915167, abs=1e-9)  # cm²
    assert result.speed_mm_s == pytest.approx(0.6201899117, abs=1e-9)  # cm/s
    assert mean_frequency(cop_cm, 100.0) == pytest.approx(0.2565758825, abs=1e-9)


def published_ellipse_mm2(cop_mm: np.ndarray) -> float:
    """Area of the 95 % prediction ellipse, 2π(n²−1)/(n(n−2)) F √det, of numpy's covariance.

    Chew 1966, J Am Stat Assoc 61(315); Prieto et al. 1996 for the use on sway.
    """
    n = len(cop_mm)
    limit = float(f.ppf(0.95, 2, n - 2))
    spread = math.sqrt(float(np.linalg.det(np.cov(cop_mm.T))))
    return 2.0 * math.pi * (n * n - 1) / (n * (n - 2)) * limit * spread


def test_the_loads_of_both_feet_together_give_the_net_cop(open_data):
    """dos Santos et al. 2017, PeerJ 5:e3626 (CC BY 4.0): one plate under each foot.

    The file's net CoP is that of both feet's loads together, within 0.01 mm; its sway is held
    against the published formula, of the file's own net CoP.
    """
    path = open_data("pds/PDS13OF1_vert_cop.csv")
    t = np.loadtxt(path, delimiter=",", skiprows=1)

    def loads(force_n: np.ndarray, cop_m: np.ndarray) -> np.ndarray:
        values = np.zeros((len(t), N_COLUMNS))
        values[:, Column.HEEL] = force_n
        moments = [Column.MOMENT_X, Column.MOMENT_Y]
        values[:, moments] = force_n[:, None] * (cop_m + ORIGIN_M)
        return values

    right, left = loads(t[:, 1], t[:, 3:5]), loads(t[:, 2], t[:, 5:7])
    net_m = centre_of_pressure(right + left, 20.0) - ORIGIN_M
    assert np.abs(net_m - t[:, 7:9]).max() * 1000 < 0.01
    ellipse_mm2 = sway(net_m * 1000, 100.0).ellipse_mm2
    assert ellipse_mm2 == pytest.approx(published_ellipse_mm2(t[:, 7:9] * 1000), rel=1e-3)


def test_ellipse_of_the_thirty_points():
    """Covariance, areas and the rest of the stabilo example.

    The package's own rule π(4.8955/2)²√det prints 134.1 (rdrr.io/cran/stabilo/src/R/sttkarea.R);
    the other figures follow from the published formulas (Prieto et al. 1996; Chew 1966).
    """
    s = np.cov(STABILO.T)
    assert s == pytest.approx(np.array([[6.36897, -0.28966], [-0.28966, 7.98161]]), abs=5e-6)
    area = area_of(STABILO)
    assert area == pytest.approx(160.021, abs=5e-4)
    exact_over_stabilo = 2 * 29 * 31 / (30 * 28) * f.ppf(0.95, 2, 28) / (4.8955 / 2) ** 2
    assert area / exact_over_stabilo == pytest.approx(134.1, abs=0.05)
    result = sway(STABILO, 1.0)
    assert result.path_mm == pytest.approx(164.4345, abs=5e-5)
    assert (result.range_x_mm, result.range_y_mm) == (8.0, 8.0)
    assert result.rms_x_mm == pytest.approx(2.48126, abs=5e-6)
    assert result.rms_y_mm == pytest.approx(2.77769, abs=5e-6)


def test_ellipse_of_the_seeded_normal_sample():
    """BMC notebook PredictionEllipseEllipsoid (Duarte & Watanabe 2021, 10.5281/zenodo.4599319).

    It prints 5 of these 100 points outside the 95 % ellipse; the area follows from its formula.
    """
    points = np.random.RandomState(6).randn(100, 2)
    assert points[0] == pytest.approx([-0.31178, 0.72900], abs=5e-6)
    area = area_of(points)
    assert area == pytest.approx(18.6185, abs=5e-5)
    s = np.cov(points.T)
    centred = points - points.mean(axis=0)
    distance = np.einsum("ni,ij,nj->n", centred, np.linalg.inv(s), centred)
    limit = area / (math.pi * math.sqrt(np.linalg.det(s)))
    assert int((distance > limit).sum()) == 5


@pytest.mark.parametrize(("n", "percent"), [(1000, -0.25), (100, -2.51), (30, -8.46), (10, -26.32)])
def test_exact_form_against_the_large_sample_form(n, percent):
    """Error of the χ² axis in place of the exact one; the notebook prints −0.2 … −26.3 %."""
    points = np.random.default_rng(n).normal(size=(n, 2))
    root_det = math.sqrt(np.linalg.det(np.cov(points.T)))
    exact_axis = math.sqrt(area_of(points) / (math.pi * root_det))
    chi_axis = math.sqrt(chi2.ppf(0.95, 2))
    assert 100 * (chi_axis / exact_axis - 1) == pytest.approx(percent, abs=0.005)


def test_ellipse_factor_is_the_f_form():
    """Against scipy's F quantile: Chew 1966, 2(n−1)(n+1)/(n(n−2))·F(2, n−2)."""
    for n in (3, 4, 10, 1000, 100_000):
        points = np.zeros((n, 2))
        points[0, 0], points[1, 1] = 1.0, 1.0
        root_det = math.sqrt(np.linalg.det(np.cov(points.T)))
        factor = 2 * (n - 1) * (n + 1) / (n * (n - 2)) * f.ppf(0.95, 2, n - 2)
        assert prediction_ellipse_area(points) == pytest.approx(
            math.pi * factor * root_det, rel=1e-9
        )


def test_circle_geometry():
    result = sway(circle(), 36.0)
    assert result.duration_s == 10.0
    assert result.range_x_mm == pytest.approx(20.0)
    assert result.rms_x_mm == pytest.approx(math.sqrt(50.0))
    chord = 2 * 10.0 * math.sin(math.pi / 360)
    assert result.path_mm == pytest.approx(359 * chord)
    assert result.speed_mm_s == pytest.approx(359 * chord / 10.0)
    # χ² ellipse of the population variance 50 is 941.14 (reference); the exact one is larger.
    sample = 941.14 * 360 / 359
    expected = sample * 2 * 359 * 361 / (360 * 358) * f.ppf(0.95, 2, 358) / chi2.ppf(0.95, 2)
    assert result.ellipse_mm2 == pytest.approx(expected, rel=1e-5)


def test_mean_frequency_of_a_sine_is_its_own():
    t = np.arange(6000) / 100.0
    path = np.column_stack([3 * np.sin(2 * np.pi * 0.8 * t), np.zeros(6000)])
    # Hann's main lobe is symmetric: 24 whole cycles per segment leave its middle where it is.
    assert mean_frequency(path, 100.0) == pytest.approx(0.8, abs=1e-3)


def test_lowpass_has_half_power_at_the_cutoff_and_no_delay():
    t = np.arange(2000) / 100.0
    for f_hz, gain in ((10.0, math.sqrt(0.5)), (1.0, 1.0), (30.0, 0.0)):
        wave = np.column_stack([np.sin(2 * np.pi * f_hz * t), np.cos(2 * np.pi * f_hz * t)])
        middle = lowpass(wave, 100.0)[500:1500]
        assert middle == pytest.approx(gain * wave[500:1500], abs=0.01)


@pytest.mark.parametrize("n", [2, 3, 7, 40, 41, 500])
@pytest.mark.parametrize(("rate_hz", "cutoff_hz"), [(100.0, 10.0), (77.0, 10.0), (50.0, 3.3)])
def test_lowpass_is_scipys_filter_both_ways(n, rate_hz, cutoff_hz):
    path = np.cumsum(np.random.default_rng(n).normal(size=(n, 2)), axis=0)
    # half power after both passes: the cutoff of one is higher, on the warped line
    own_hz = (
        np.arctan(np.tan(np.pi * cutoff_hz / rate_hz) / (np.sqrt(2) - 1) ** 0.25) * rate_hz / np.pi
    )
    sections = butter(2, own_hz, fs=rate_hz, output="sos")
    padded = min(n - 1, int(np.ceil(4 * rate_hz / cutoff_hz)))
    expected = sosfiltfilt(sections, path, axis=0, padlen=padded)
    np.testing.assert_allclose(lowpass(path, rate_hz, cutoff_hz), expected, rtol=0, atol=1e-11)


def test_lowpass_keeps_constants_lines_and_short_paths():
    assert lowpass(np.full((50, 2), 7.0), 100.0) == pytest.approx(np.full((50, 2), 7.0))
    line = np.column_stack([np.arange(300.0), -np.arange(300.0)])
    assert lowpass(line, 100.0) == pytest.approx(line, abs=1e-6)
    for n in (0, 1, 2, 5, 9):
        path = np.random.default_rng(n).normal(size=(n, 2))
        assert lowpass(path, 100.0).shape == (n, 2)
    assert lowpass(path, 100.0) is not path


def test_short_paths_have_no_sway_rather_than_none_measured():
    empty = Sway(0, 0.0, None, None, None, None, None, None, None)
    assert sway(np.empty((0, 2)), 100.0) == empty
    one = sway(np.array([[3.0, 4.0]]), 100.0)
    assert (one.n, one.path_mm, one.rms_x_mm, one.ellipse_mm2) == (1, None, None, None)
    two = sway(np.array([[0.0, 0.0], [3.0, 4.0]]), 100.0)
    assert (two.path_mm, two.speed_mm_s, two.ellipse_mm2) == (5.0, 250.0, None)


def test_eight_samples_have_a_mean_frequency_and_seven_have_none():
    """To and fro by turns, once in two samples: all power lies in half the rate, as far as seen."""
    path = np.column_stack([np.tile([1.0, -1.0], 4), np.zeros(8)])
    assert mean_frequency(path[:7], 100.0) is None
    found = mean_frequency(path, 100.0)
    assert found is not None and 25.0 < found <= 50.0


@pytest.mark.parametrize("where", [0.0, 123.456, -1e6])
def test_a_still_path_moves_nowhere(where):
    result = sway(np.full((1000, 2), where), 100.0)
    assert (result.range_x_mm, result.path_mm, result.speed_mm_s) == (0.0, 0.0, 0.0)
    assert result.rms_x_mm == pytest.approx(0.0, abs=1e-9)
    assert result.ellipse_mm2 == pytest.approx(0.0, abs=1e-12)
    assert mean_frequency(np.full((1000, 2), where), 100.0) is None


def test_a_path_on_a_line_has_no_area():
    x = np.random.default_rng(1).normal(size=500)
    assert prediction_ellipse_area(np.column_stack([x, 2 * x])) == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize(
    ("cop", "rate", "words"),
    [
        (np.zeros(10), 100.0, r"shape \(10,\), expected \(samples, 2\)"),
        (np.zeros((10, 3)), 100.0, r"shape \(10, 3\), expected \(samples, 2\)"),
        (np.array([[0.0, 0.0], [np.nan, 1.0]]), 100.0, r"sample 1 is \[nan, 1.0\], expected two"),
        (np.array([[np.inf, 0.0]]), 100.0, r"sample 0 is \[inf, 0.0\], expected two"),
        (np.zeros((10, 2)), 0.0, "rate is 0.0 Hz, expected a positive number"),
        (np.zeros((10, 2)), math.nan, "rate is nan Hz, expected a positive number"),
    ],
)
def test_bad_input_is_said(cop, rate, words):
    for measure in (sway, lowpass, mean_frequency):
        with pytest.raises(SampleError, match=words):
            measure(cop, rate)


@pytest.mark.parametrize("cutoff", [0.0, -1.0, 50.0, math.nan])
def test_a_cutoff_the_rate_cannot_carry_is_refused(cutoff):
    with pytest.raises(SampleError, match="expected above 0 and below 50 Hz"):
        lowpass(np.zeros((10, 2)), 100.0, cutoff)


@settings(max_examples=50, deadline=None)
@given(st.integers(0, 2**32 - 1), st.floats(0.01, 100.0), st.floats(-500.0, 500.0))
def test_sway_scales_with_the_path_and_ignores_its_place(seed, scale, shift):
    path = np.random.default_rng(seed).normal(size=(64, 2))
    base, moved = sway(path, 50.0), sway(scale * path + shift, 50.0)
    assert moved.path_mm == pytest.approx(scale * base.path_mm, rel=1e-6)
    assert moved.rms_y_mm == pytest.approx(scale * base.rms_y_mm, rel=1e-6)
    assert moved.ellipse_mm2 == pytest.approx(scale**2 * base.ellipse_mm2, rel=1e-6)
    placed = mean_frequency(scale * path + shift, 50.0)
    assert placed == pytest.approx(mean_frequency(path, 50.0), rel=1e-6)
    rotated = sway(path[:, ::-1], 50.0)
    assert rotated.ellipse_mm2 == pytest.approx(base.ellipse_mm2, rel=1e-9)


def test_input_is_left_alone():
    path = np.random.default_rng(0).normal(size=(100, 2))
    copy = path.copy()
    sway(path, 100.0)
    lowpass(path, 100.0)
    assert np.array_equal(path, copy)
