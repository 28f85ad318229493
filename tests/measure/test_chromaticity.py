"""Colour of a white, held to every published and every constructed row of published_chromaticity.csv."""

import csv
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from greystep.constants import C2_M_K
from greystep.measure import chromaticity, locus
from greystep.measure.chromaticity import cct_duv, cct_duv_jacobian, cct_duv_to_xy

with np.printoptions():  # the import would leave numpy printing in a legacy style
    import colour
    from colour.temperature.ohno2013 import planckian_table

with (Path(__file__).parent / "published_chromaticity.csv").open(encoding="utf-8", newline="") as stream:
    ROWS = list(csv.DictReader(stream))


def given_xy(row: dict[str, str]) -> Any:
    pair = [float(row["first"]), float(row["second"])]
    return chromaticity.uv1960_to_xy(pair) if row["space"] == "uv" else np.array(pair)


def test_the_table_is_whole() -> None:
    kinds = [row["kind"] for row in ROWS]
    assert (kinds.count("published"), kinds.count("constructed"), len(kinds)) == (76, 154, 230)


@pytest.mark.parametrize("row", ROWS, ids=[row["id"] for row in ROWS])
def test_cct_and_duv(row: dict[str, str]) -> None:
    """Source and tolerance stand in the row: sources printed K and Duv, and exact values from three implementations."""
    cct, duv = cct_duv(given_xy(row))
    assert float(duv) == pytest.approx(float(row["duv"]), abs=float(row["tol_duv"])), row["source"]
    for expected, tolerance in (("cct_k", "tol_cct_k"), ("cct_published_k", "tol_cct_published_k")):
        if row[expected]:
            assert float(cct) == pytest.approx(float(row[expected]), abs=float(row[tolerance])), row["source"]


def test_all_rows_at_once_are_the_rows_one_by_one() -> None:
    points = np.array([given_xy(row) for row in ROWS])
    together = cct_duv(points)
    alone = np.array([cct_duv(point) for point in points]).T
    np.testing.assert_array_equal(together, alone)


@pytest.mark.parametrize(
    ("temperature", "x", "y"),
    [
        (1000, 0.65275, 0.34446), (1500, 0.58572, 0.39312), (2000, 0.52668, 0.41330), (2500, 0.47700, 0.41368),
        (2856, 0.44754, 0.40743), (3000, 0.43693, 0.40408), (3200, 0.42336, 0.39895), (3400, 0.41104, 0.39351),
        (4000, 0.38044, 0.37675), (4500, 0.36079, 0.36355), (5000, 0.34510, 0.35161), (5500, 0.33244, 0.34104),
        (5600, 0.33020, 0.33908), (6000, 0.32209, 0.33176), (6500, 0.31353, 0.32363), (7000, 0.30638, 0.31651),
        (7500, 0.30034, 0.31027), (8000, 0.29519, 0.30477), (10000, 0.28063, 0.28829), (20000, 0.25646, 0.25763),
    ],
)  # fmt: skip
def test_planckian_locus(temperature: float, x: float, y: float) -> None:
    """Planck's law, c2 = 1.4388e-2 m K, CIE 1931 2 degree observer; three implementations agree to 2e-5."""
    tolerance = 4e-5 if temperature == 1000 else 2e-5
    np.testing.assert_allclose(cct_duv_to_xy(temperature, 0.0), (x, y), atol=tolerance)


@pytest.mark.parametrize(
    ("c2", "expected"), [(1.4388e-2, 2855.54), (1.438e-2, 2853.95), (1.435e-2, 2848.0), (1.432e-2, 2842.05)]
)
def test_illuminant_a_on_each_temperature_scale(c2: float, expected: float) -> None:
    """CIE 15: Planckian at 2848 K with c2 = 1.4350e-2 (from memory); the same colour scales with c2."""
    cct, _ = cct_duv([0.44758, 0.40745])
    assert float(cct) * c2 / C2_M_K == pytest.approx(expected, abs=0.1)


@pytest.mark.parametrize(("nominal", "expected"), [(5000, 5002.78), (5500, 5503.06), (6500, 6503.62), (7500, 7504.17)])
def test_daylight_illuminants_from_their_names(nominal: float, expected: float) -> None:
    """CIE 15 D-series rule, name x 1.4388 / 1.4380; the docstring of colour-science shows it for D60."""
    assert nominal * C2_M_K / 1.4380e-2 == pytest.approx(expected, abs=0.01)


@pytest.mark.parametrize(
    ("first", "second", "shift"),
    [
        (3200, 5500, -130.68), (3200, 5600, -133.93), (5500, 3200, 130.68), (2856, 5500, -168.32),
        (3400, 5500, -112.30), (3092, 5600, -144.8), (3000, 4000, -83.3), (6000, 7000, -23.8), (5600, 5500, 3.25),
    ],
)  # fmt: skip
def test_mired_shift(first: float, second: float, shift: float) -> None:
    """Public conversion-filter tables (-131 for 3200 to 5500 K, -112 for 3400 to 5500 K); the rest arithmetic."""
    assert float(chromaticity.mired(second) - chromaticity.mired(first)) == pytest.approx(shift, abs=0.06)


@pytest.mark.parametrize(
    ("temperature", "per_kelvin", "kelvin_per_step"),
    [
        (2700, 4.86e-5, 22.6), (3200, 3.673e-5, 29.9), (4000, 2.593e-5, 42.4),
        (5000, 1.83e-5, 60.1), (5600, 1.521e-5, 72.3), (6500, 1.179e-5, 93.3),
    ],
)  # fmt: skip
def test_a_step_along_the_locus(temperature: float, per_kelvin: float, kelvin_per_step: float) -> None:
    """Step radius of CIE TN 001:2014 (from memory); conversion by Planck's law, constructed."""
    ends = chromaticity.xy_to_upvp(cct_duv_to_xy([temperature - 5.0, temperature + 5.0], 0.0))
    assert np.hypot(*(ends[1] - ends[0])) / 10.0 == pytest.approx(per_kelvin, rel=0.005)
    assert 10.0 / float(chromaticity.steps(ends[0], ends[1])) == pytest.approx(kelvin_per_step, rel=0.005)


def test_round_trip_over_the_whole_range() -> None:
    """Far inside the error of the method's table: 0.20 K at 20 000 K and 1.3e-6 in Duv (three implementations)."""
    temperature, distance = np.meshgrid(np.geomspace(1600.0, 20000.0, 13), np.linspace(-0.02, 0.02, 9))
    cct, duv = cct_duv(cct_duv_to_xy(temperature, distance))
    assert cct.shape == temperature.shape
    np.testing.assert_allclose(duv, distance, atol=1e-12)
    np.testing.assert_allclose(cct, temperature, rtol=1e-9)


@pytest.mark.parametrize("kelvin", [1000.5, 1003.0, 1010.0, 90_000.0, 99_000.0, 99_990.0])
def test_the_ends_of_the_scale_are_on_it(kelvin: float) -> None:
    for distance in (-0.004, 0.0, 0.004):
        cct, duv = cct_duv(cct_duv_to_xy(kelvin, distance))
        assert 1e6 / cct == pytest.approx(1e6 / kelvin, abs=1e-3)
        assert duv == pytest.approx(distance, abs=1e-6)


def test_points_on_the_locus_have_a_distance() -> None:
    """Half way between two rows of the library's table, where Ohno's method finds the root of a number near nought."""
    cmfs = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
    table = planckian_table(cmfs, 1000, 100000, 1.001)[1200:2000]
    between = (table[:-2, 1:] + table[2:, 1:]) / 2
    cct, duv = cct_duv(chromaticity.uv1960_to_xy(between))
    np.testing.assert_allclose(cct, table[1:-1, 0], rtol=1e-5)
    np.testing.assert_allclose(duv, 0.0, atol=1e-7)


@pytest.mark.parametrize(
    "xy",
    [
        (np.nan, 0.33), (0.33, np.inf), (0.0, 0.0), (-0.1, 0.9), (0.33, -0.33),
        (0.2300, 0.2100),  # bluer than a body of any temperature
        (0.6700, 0.3300),  # a body below 1000 K
    ],
)  # fmt: skip
def test_nonsense_has_no_colour(xy: tuple[float, float]) -> None:
    """The library answers these with 894 K, 3677 K, 146 826 K and the like."""
    cct, duv = cct_duv(xy)
    assert np.isnan(cct)
    assert np.isnan(duv)
    assert np.isnan(cct_duv_jacobian(xy)).all()


def test_far_from_the_locus_there_is_duv_but_no_cct() -> None:
    near, far = cct_duv_to_xy(5600.0, 0.0499), np.array([0.3, 0.6])
    cct, duv = cct_duv(np.array([near, far, (0.42, 0.28)]))
    assert cct[0] == pytest.approx(5600.0, abs=1.0)
    assert np.isnan(cct[1:]).all()
    assert duv[1] > 0.05
    assert duv[2] < -0.05
    assert np.isfinite(cct_duv(far, duv_limit=np.inf)[0])


def test_no_whites_outside_the_scale() -> None:
    pairs = cct_duv_to_xy([900.0, 5600.0, 5600.0, np.nan, 0.0, -1.0, 2e5], [0.0, 0.06, 0.0, 0.0, 0.0, 0.0, 0.0])
    assert np.isfinite(pairs).all(axis=1).tolist() == [False, False, True, False, False, False, False]


def test_shapes_are_kept() -> None:
    for shape in ((), (0,), (3,), (2, 3), (2, 0)):
        xy = np.broadcast_to((0.3457, 0.3585), (*shape, 2))
        cct, duv = cct_duv(xy)
        assert cct.shape == duv.shape == shape
        assert cct_duv_jacobian(xy).shape == (*shape, 2, 2)
        assert cct_duv_to_xy(np.full(shape, 5000.0), 0.0).shape == (*shape, 2)


@pytest.mark.parametrize("temperature", [1800.0, 3200.0, 5600.0, 9000.0])
@pytest.mark.parametrize("distance", [-0.02, -0.0021, 0.0, 0.0019, 0.02])
def test_derivative_undoes_the_way_from_cct_and_duv(temperature: float, distance: float) -> None:
    """The finite difference of the other direction, which knows nothing of tangent and curvature."""
    steps = (temperature * 1e-3, 1e-4)
    forward = np.stack(
        [
            (cct_duv_to_xy(temperature + steps[0], distance) - cct_duv_to_xy(temperature - steps[0], distance))
            / (2 * steps[0]),
            (cct_duv_to_xy(temperature, distance + steps[1]) - cct_duv_to_xy(temperature, distance - steps[1]))
            / (2 * steps[1]),
        ],
        axis=1,
    )
    product = cct_duv_jacobian(cct_duv_to_xy(temperature, distance)) @ forward
    scale = np.array([temperature, 0.01])  # CCT by Duv and Duv by CCT in shares of what counts
    np.testing.assert_allclose(product * scale / scale[:, None], np.eye(2), atol=2e-4)


def test_derivatives_of_several_whites_are_those_of_each() -> None:
    whites = cct_duv_to_xy([2500.0, 5600.0, 9000.0], [0.02, -0.01, 0.004])
    together = cct_duv_jacobian(whites)
    for white, one in zip(whites, together, strict=True):
        assert cct_duv_jacobian(white) == pytest.approx(one, rel=1e-12)


def test_derivative_is_the_slope_of_the_method() -> None:
    xy, step = np.array([0.3302, 0.3391]), 2e-4
    for column in range(2):
        offset = np.eye(2)[column] * step
        ahead, behind = np.array(cct_duv(xy + offset)), np.array(cct_duv(xy - offset))
        slope = (ahead - behind) / (2 * step)
        np.testing.assert_allclose(cct_duv_jacobian(xy)[:, column], slope, rtol=1e-3)


def test_planes_convert_back_and_forth() -> None:
    xy = np.random.default_rng(2).uniform(0.1, 0.45, (200, 2))
    np.testing.assert_allclose(chromaticity.upvp_to_xy(chromaticity.xy_to_upvp(xy)), xy, rtol=1e-13)
    np.testing.assert_allclose(chromaticity.uv1960_to_xy(chromaticity.xy_to_uv1960(xy)), xy, rtol=1e-13)
    np.testing.assert_allclose(chromaticity.xyz_to_xy(3.0 * chromaticity.xy_to_xyz(xy)), xy, rtol=1e-13)
    np.testing.assert_allclose(
        chromaticity.xyz_to_upvp(chromaticity.xy_to_xyz(xy)), chromaticity.xy_to_upvp(xy), rtol=1e-12
    )


def test_planes_at_the_white_of_d65() -> None:
    """u'v' of D65 .1978 .4683, CIE 15 (from memory); uv of E is 4/19, 6/19 and u'v' 4/19, 9/19 by hand."""
    np.testing.assert_allclose(chromaticity.xy_to_upvp((0.31272, 0.32903)), (0.1978, 0.4683), atol=5e-5)
    np.testing.assert_allclose(chromaticity.xy_to_upvp((1 / 3, 1 / 3)), (4 / 19, 9 / 19), rtol=1e-14)
    np.testing.assert_allclose(chromaticity.xy_to_uv1960((1 / 3, 1 / 3)), (4 / 19, 6 / 19), rtol=1e-14)


def test_black_has_no_chromaticity() -> None:
    assert np.isnan(chromaticity.xyz_to_xy([0.0, 0.0, 0.0])).all()
    assert np.isnan(chromaticity.xy_to_xyz([0.3, 0.0])).all()


def test_steps_are_a_distance() -> None:
    assert float(chromaticity.steps((0.2, 0.5), (0.2 - 0.0033, 0.5 + 0.0044))) == pytest.approx(5.0)


@pytest.mark.parametrize(
    ("space", "white"),
    [
        ("lin_rec709", (0.3127, 0.3290)), ("lin_rec2020", (0.3127, 0.3290)),
        ("lin_ap0", (0.32168, 0.33767)), ("lin_ap1", (0.32168, 0.33767)),
    ],
)  # fmt: skip
def test_working_spaces(space: str, white: tuple[float, float]) -> None:
    """White points of ITU-R BT.709, BT.2020, SMPTE ST 2065-1 and ACES S-2014-004 (from memory)."""
    matrix, xyz = chromaticity.working_space(space)
    np.testing.assert_allclose(chromaticity.xyz_to_xy(xyz), white, atol=1e-12)
    np.testing.assert_allclose(matrix @ xyz, 1.0, atol=1e-12)


def test_working_space_of_video() -> None:
    """XYZ to linear RGB of ITU-R BT.709 as printed in IEC 61966-2-1, four decimals (from memory)."""
    printed = [[3.2406, -1.5372, -0.4986], [-0.9689, 1.8758, 0.0415], [0.0557, -0.2040, 1.0570]]
    np.testing.assert_allclose(chromaticity.working_space("lin_rec709")[0], printed, atol=5e-4)


def test_bradford() -> None:
    """D65 to D50 as in the chromatic adaptation tag of common sRGB profiles (from memory)."""
    printed = [[1.04788, 0.02292, -0.05022], [0.02959, 0.99048, -0.01707], [-0.00925, 0.01508, 0.75168]]
    d65, d50 = (0.9505, 1.0, 1.0891), (0.9642, 1.0, 0.8249)
    matrix = chromaticity.bradford(d65, d50)
    np.testing.assert_allclose(matrix, printed, atol=2e-4)
    np.testing.assert_allclose(matrix @ d65, d50, rtol=1e-12)


def test_chart_under_another_white() -> None:
    white = chromaticity.xy_to_xyz((0.3127, 0.3290))
    chart = chromaticity.chart_xyz(white)
    assert chart.shape == (24, 3)
    greys = chromaticity.xyz_to_upvp(chart[18:])
    assert chromaticity.steps(greys, chromaticity.xyz_to_upvp(white)).max() < 4
    assert np.all(np.diff(chart[18:, 1]) < 0)
    assert np.all(chart > 0)


def test_observer() -> None:
    """CIE 15:2018 table: ybar 1.0000 at 555 nm, and its sum 106.857 per nm (from memory)."""
    nm, functions = locus.observer()
    assert functions[nm == 555.0, 1].item() == pytest.approx(1.0, abs=5e-5)
    np.testing.assert_allclose(functions.sum(axis=0), 106.86, atol=0.05)


def test_the_door_opens_late_and_leaves_printing_alone() -> None:
    program = (
        "import sys, numpy as np; from greystep.measure import chromaticity\n"
        "assert 'colour' not in sys.modules\n"
        "chromaticity.bradford((1, 1, 1), (1, 1, 1)); assert 'colour' in sys.modules\n"
        "print(repr(np.float64(1.5)), np.get_printoptions()['legacy'])"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["np.float64(1.5)", "False"]


def test_the_curve_of_srgb_is_that_of_the_colour_library() -> None:
    linear = np.concatenate([np.linspace(0.0, 0.01, 300), np.linspace(0.0, 1.0, 1001)])
    curve = np.asarray(colour.cctf_encoding(linear, function="sRGB"))
    # A value just at half a code may be rounded either way.
    assert chromaticity.srgb_code(linear) == pytest.approx(255.0 * curve, abs=0.5 + 1e-9)
    assert chromaticity.srgb_code([-1.0, 0.0, 1.0, 7.0]).tolist() == [0.0, 0.0, 255.0, 255.0]
    assert np.isnan(chromaticity.srgb_code(np.nan))
