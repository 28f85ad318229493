"""The Planckian locus against the colour library, which computes it by another way."""

import subprocess
import sys

import numpy as np
import pytest

from greystep.measure import locus
from greystep.measure.chromaticity import cct_duv, cct_duv_to_xy, uv1960_to_xy, xy_to_uv1960

with np.printoptions():
    import colour

CMFS = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]


def test_the_observer_is_that_of_the_library() -> None:
    nm, functions = locus.observer()
    np.testing.assert_array_equal(nm, CMFS.wavelengths)
    np.testing.assert_allclose(functions, CMFS.values, rtol=1e-13, atol=1e-14)  # others may have aligned the table


def test_the_curve_is_the_locus_of_the_library() -> None:
    mired = np.linspace(10.0, 1000.0, 3001)
    truth = colour.temperature.CCT_to_uv_Planck1900(1e6 / mired, CMFS)
    np.testing.assert_allclose(locus.points(mired)[0], truth, atol=2e-9, rtol=0)


def test_slope_and_curvature_are_those_of_the_curve() -> None:
    mired, step = np.linspace(20.0, 900.0, 60), 0.5
    behind, here, ahead = (locus.planckian_uv(mired + sign * step) for sign in (-1.0, 0.0, 1.0))
    _, slope, bend = locus.points(mired)
    np.testing.assert_allclose(slope, (ahead - behind) / (2 * step), atol=3e-9)
    np.testing.assert_allclose(bend, (ahead - 2 * here + behind) / step**2, atol=5e-9)


def test_the_nearest_point_is_that_of_a_search() -> None:
    """A dense search of the exact locus, 0.002 mired apart about each answer, and 20 mired apart over all of it."""
    rng = np.random.default_rng(5)
    uv = xy_to_uv1960(cct_duv_to_xy(rng.uniform(1100.0, 20000.0, 200), rng.uniform(-0.05, 0.05, 200)))
    uv = np.concatenate([uv, rng.uniform((0.15, 0.25), (0.45, 0.40), (100, 2))])
    found, distance = locus.nearest(uv)
    inside = (found > 10.0) & (found < 1000.0)  # beyond, an end is the nearest point, and nothing is told
    assert inside.sum() > 250
    for point, at, away in zip(uv[inside], found[inside], distance[inside], strict=True):
        around = np.concatenate([at + np.arange(-2.0, 2.001, 0.002), np.arange(4.0, 1100.0, 20.0)])
        apart = np.hypot(*(locus.planckian_uv(around) - point).T)
        assert around[np.argmin(apart)] == pytest.approx(at, abs=0.005)
        assert abs(away) == pytest.approx(apart.min(), abs=2e-9)


def test_the_method_of_ohno_gives_the_same_to_its_own_error() -> None:
    """LEUKOS 10(1) 47-55 through the library, whose default sums to 780 nm alone, off by up to 0.3 K here."""
    temperature, duv = np.meshgrid(np.geomspace(2000.0, 12000.0, 40), np.linspace(-0.02, 0.02, 9))
    xy = cct_duv_to_xy(temperature, duv)
    theirs = colour.temperature.uv_to_CCT_Ohno2013(xy_to_uv1960(xy), CMFS)
    cct, distance = cct_duv(xy)
    np.testing.assert_allclose(cct, temperature, rtol=1e-9)
    np.testing.assert_allclose(distance, duv, atol=1e-12)
    np.testing.assert_allclose(1e6 / cct, 1e6 / theirs[..., 0], atol=0.01)
    np.testing.assert_allclose(distance, theirs[..., 1], atol=2e-6)


def test_no_points_and_one_far_away() -> None:
    assert [one.shape for one in locus.nearest(np.zeros((0, 2)))] == [(0,), (0,)]
    mired, _ = locus.nearest(np.array([[0.13, 0.20]]))
    assert mired[0] < 10.0
    assert np.isnan(cct_duv(uv1960_to_xy([0.13, 0.20]))).all()


def test_neither_readings_nor_the_library_bring_in_what_draws() -> None:
    said = subprocess.run(
        [sys.executable, "-c",
         "import sys; from greystep.measure.chromaticity import cct_duv; cct_duv([0.33, 0.34]);"
         "print('colour' in sys.modules); from greystep.colour_library import open_library; open_library();"
         "print('matplotlib' in sys.modules, 'colour.plotting' in sys.modules);"
         "import colour.plotting; print(hasattr(colour.plotting, 'plot_single_sd'))"],
        capture_output=True, text=True, check=True,
    ).stdout.split()  # fmt: skip
    assert said == ["False", "False", "False", "True"]
