"""The DNG colour model, held to worked numbers; target, meter and uncertainty, held to closed forms and simulation."""

import dataclasses
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from greystep.constants import LIGHT_SOURCE_K
from greystep.errors import GreystepError
from greystep.measure import camera, chromaticity, locus
from greystep.measure.camera_json import read_camera_json
from greystep.raw.dng import ColourTags

with np.printoptions():  # the import would leave numpy printing in a legacy style
    import colour

#: The pair in a docstring of colour-hdri 0.2.6, a library that follows the DNG reference code.
PAIR = (
    [[0.5309, -0.0229, -0.0336], [-0.6241, 1.3265, 0.3337], [-0.0817, 0.1215, 0.6664]],
    [[0.4716, 0.0603, -0.0830], [-0.7798, 1.5474, 0.2480], [-0.1496, 0.1937, 0.6651]],
)
#: The A + D65 pair of one file as the DNG reference code lists it, quoted in the documentation of a public Go package.
A_D65 = (
    [[0.9033, -0.3555, -0.0287], [-0.4881, 1.2214, 0.3022], [-0.0459, 0.0926, 0.7932]],
    [[0.8598, -0.2848, -0.0857], [-0.5618, 1.3606, 0.2195], [-0.1002, 0.1773, 0.7137]],
)
D65_MATRIX = np.array(A_D65[1])
P5600_NEUTRAL = np.array([0.458889, 1.0, 0.759346])
A_CODE, D65_CODE = 17, 21  # 2850 K and 6500 K


def tags(matrices: Any = A_D65, codes: tuple[int, int] = (A_CODE, D65_CODE), **changes: Any) -> ColourTags:
    first, second = (None if matrix is None else np.array(matrix) for matrix in matrices)
    assert first is not None
    made = ColourTags(
        matrix_1=first,
        matrix_2=second,
        illuminant_1=codes[0],
        illuminant_2=codes[1],
        calibration_1=None,
        calibration_2=None,
        analog_balance=None,
        as_shot_neutral=None,
        source="dng-2",
    )
    return dataclasses.replace(made, **changes)


@pytest.mark.parametrize(
    ("code", "kelvin"),
    [
        (17, 2850), (3, 2850), (24, 3200), (23, 5000), (20, 5500), (1, 5500), (9, 5500), (4, 5500), (18, 5500),
        (21, 6500), (19, 6500), (10, 6500), (22, 7500), (11, 7500), (12, 6400), (13, 5050), (14, 4150), (2, 4150),
        (15, 3525), (16, 2925),
    ],
)  # fmt: skip
def test_light_source_codes(code: int, kelvin: float) -> None:
    """DNG SDK 1.7.1, dng_camera_profile.cpp and dng_tag_values.h."""
    assert LIGHT_SOURCE_K[code] == kelvin


def test_no_other_light_source_has_a_temperature() -> None:
    assert len(LIGHT_SOURCE_K) == 20
    assert not {0, 255} & set(LIGHT_SOURCE_K)


def test_neutral_to_xy_of_the_library_example() -> None:
    """colour-hdri 0.2.6 docstring."""
    xy = camera.neutral_to_xy(tags(PAIR), [0.413070, 1.0, 0.646465])
    np.testing.assert_allclose(xy, (0.3281624, 0.3469816), atol=2e-6)


@pytest.mark.parametrize(
    ("neutral", "xy", "cct", "duv"),
    [
        ((0.501, 1, 0.7014), (0.347918, 0.351808), 4893.7, -0.00103),
        ((0.42, 1, 0.85), (0.309652, 0.319146), 6767.1, -0.00035),
        ((0.75, 1, 0.42), (0.439500, 0.407536), 2985.3, 0.00102),
        ((0.62, 1, 0.5), (0.403507, 0.396303), 3584.4, 0.00284),
    ],
)
def test_neutral_to_xy(neutral: tuple[float, ...], xy: tuple[float, float], cct: float, duv: float) -> None:
    """Constructed after DNG 1.7.1 chapter 6; colour-hdri 0.2.6 agrees to 1e-5; tolerance covers the CCT method."""
    found = camera.neutral_to_xy(tags(), neutral)
    np.testing.assert_allclose(found, xy, atol=5e-5)
    assert float(chromaticity.cct_duv(found)[0]) == pytest.approx(cct, abs=0.7)
    assert float(chromaticity.cct_duv(found)[1]) == pytest.approx(duv, abs=5e-5)


@pytest.mark.parametrize(("which", "cct", "duv"), [(1, 4886.0, -0.00216), (0, 4913.0, 0.00218)])
def test_one_matrix_alone(which: int, cct: float, duv: float) -> None:
    """The same neutral through the D65 and the A matrix alone, constructed."""
    found = chromaticity.cct_duv(camera.neutral_to_xy(tags((A_D65[which], None)), (0.501, 1, 0.7014)))
    assert float(found[0]) == pytest.approx(cct, abs=0.2)
    assert float(found[1]) == pytest.approx(duv, abs=2e-5)


def test_interpolated_matrix() -> None:
    """colour-hdri 0.2.6 docstring, 5000 K between 2850 and 6500 K: the weight of the first is 0.2342466."""
    printed = [
        [0.4854908, 0.0408106, -0.0714282], [-0.7433278, 1.4956549, 0.2680749], [-0.1336946, 0.1767874, 0.6654045],
    ]  # fmt: skip
    matrix = camera.xyz_to_camera(tags(PAIR), chromaticity.cct_duv_to_xy(5000.0, 0.0))
    # The method finds this white to 0.03 K, which is 1.5e-6 in the matrix.
    np.testing.assert_allclose(matrix, printed, atol=1.5e-6)


@pytest.mark.parametrize(
    ("xy", "neutral"),
    [
        ((0.44758, 0.40745), (0.790271, 1.0, 0.409142)), ((0.34567, 0.35851), (0.477737, 1.0, 0.677325)),
        ((0.33243, 0.34744), (0.450330, 1.0, 0.725621)), ((0.31272, 0.32903), (0.412023, 1.0, 0.806226)),
        ((0.42336, 0.39895), (0.700242, 1.0, 0.469369)), ((0.33020, 0.33908), (0.458889, 1.0, 0.759346)),
    ],
)  # fmt: skip
def test_xy_to_neutral_and_back(xy: tuple[float, float], neutral: tuple[float, ...]) -> None:
    """Illuminants A, D50, D55, D65 and Planckian 3200 and 5600 K, constructed after DNG 1.7.1 chapter 6."""
    rgb = camera.xyz_to_camera(tags(), xy) @ chromaticity.xy_to_xyz(xy)
    np.testing.assert_allclose(rgb / rgb[1], neutral, atol=2e-5)
    np.testing.assert_allclose(camera.neutral_to_xy(tags(), rgb), xy, atol=1e-7)


CALIBRATIONS = {
    "calibration_1": np.diag([1.05, 1.0, 0.93]),
    "calibration_2": np.diag([0.97, 1.0, 1.04]),
    "analog_balance": np.array([1.1, 1.0, 0.9]),
}


def test_calibration_is_interpolated_as_the_reference_code_does() -> None:
    """DNG SDK 1.7.1, dng_color_spec.cpp; constructed. Products are interpolated: 5549.4 K."""
    xy = camera.neutral_to_xy(tags(**CALIBRATIONS), (0.501, 1, 0.7014))
    np.testing.assert_allclose(xy, (0.33132, 0.33865), atol=5e-5)
    assert float(chromaticity.cct_duv(xy)[0]) == pytest.approx(5549.4, abs=1.0)


def test_calibration_by_the_words_of_the_specification_lies_five_kelvin_away() -> None:
    """DNG 1.7.1 p. 101; constructed: factors interpolated apart give 5544.2 K, and the same where CC1 = CC2."""

    def apart(xy: Any, second: Any) -> Any:
        weight = (1e6 / chromaticity.cct_duv(xy)[0] - 1e6 / 6500) / (1e6 / 2850 - 1e6 / 6500)
        calibration = weight * CALIBRATIONS["calibration_1"] + (1 - weight) * second
        matrix = weight * np.array(A_D65[0]) + (1 - weight) * np.array(A_D65[1])
        return np.diag(CALIBRATIONS["analog_balance"]) @ calibration @ matrix

    xy = np.array([0.34567, 0.35851])
    for _ in range(30):
        xy = chromaticity.xyz_to_xy(np.linalg.solve(apart(xy, CALIBRATIONS["calibration_2"]), (0.501, 1, 0.7014)))
    np.testing.assert_allclose(xy, (0.33144, 0.33875), atol=5e-5)
    assert float(chromaticity.cct_duv(xy)[0]) == pytest.approx(5544.2, abs=1.0)

    same = CALIBRATIONS | {"calibration_2": CALIBRATIONS["calibration_1"]}
    ours = camera.xyz_to_camera(tags(**same), (0.36, 0.36))
    np.testing.assert_allclose(ours, apart(np.array((0.36, 0.36)), CALIBRATIONS["calibration_1"]), atol=1e-12)


@pytest.mark.parametrize("neutral", [(0.501, 1, 0.7014), (0.75, 1, 0.42), (0.42, 1, 0.85)])
def test_order_of_the_illuminants_does_not_matter(neutral: tuple[float, ...]) -> None:
    turned = tags(A_D65[::-1], (D65_CODE, A_CODE))
    np.testing.assert_allclose(camera.neutral_to_xy(turned, neutral), camera.neutral_to_xy(tags(), neutral), atol=1e-9)


@pytest.mark.parametrize(
    ("matrices", "codes"),
    [
        ((A_D65[0], None), (A_CODE, 0)), (A_D65, (0, D65_CODE)), (A_D65, (A_CODE, 0)), (A_D65, (A_CODE, 255)),
        (A_D65, (D65_CODE, 19)), (A_D65, (4, 4)),
    ],
)  # fmt: skip
def test_the_first_matrix_stands_alone(matrices: Any, codes: tuple[int, int]) -> None:
    """Second matrix missing, a temperature unknown, or both equal: the first, as the DNG reference code does."""
    found = tags(matrices, codes)
    np.testing.assert_array_equal(camera.fixed_matrix(found, P5600_NEUTRAL), A_D65[0])
    np.testing.assert_array_equal(camera.xyz_to_camera(found, (0.33, 0.34)), A_D65[0])


@pytest.mark.parametrize(("kelvin", "nearest"), [(2000.0, 0), (2849.0, 0), (6501.0, 1), (9000.0, 1), (60000.0, 1)])
def test_outside_the_range_the_nearest_set_stands_alone(kelvin: float, nearest: int) -> None:
    xy = chromaticity.cct_duv_to_xy(kelvin, 0.0)
    np.testing.assert_array_equal(camera.xyz_to_camera(tags(), xy), A_D65[nearest])
    rgb = np.array(A_D65[nearest]) @ chromaticity.xy_to_xyz(xy)
    if np.all(rgb > 0):
        np.testing.assert_array_equal(camera.fixed_matrix(tags(), rgb), A_D65[nearest])


@pytest.mark.parametrize(("xy", "nearest"), [((0.67, 0.33), 0), ((0.23, 0.21), 1)])
def test_beyond_the_ends_of_the_locus_too(xy: tuple[float, float], nearest: int) -> None:
    np.testing.assert_array_equal(camera.xyz_to_camera(tags(), xy), A_D65[nearest])


def test_two_matrices_between_which_iteration_swings_for_ever() -> None:
    """Through the warm set this neutral looks cool, and through the cool one warm: iterating never ends."""
    swinging = tags((np.diag([1.5, 1.0, 0.7]) @ D65_MATRIX, np.diag([0.7, 1.0, 1.5]) @ D65_MATRIX))
    neutral = camera.xyz_to_camera(tags((D65_MATRIX, None)), (0, 0)) @ chromaticity.xy_to_xyz(
        chromaticity.cct_duv_to_xy(4000.0, 0.0)
    )
    seen, xy = [], np.array([0.34567, 0.35851])
    for _ in range(30):
        xy = chromaticity.xyz_to_xy(np.linalg.solve(camera.xyz_to_camera(swinging, xy), neutral))
        seen.append(xy)
    assert np.abs(seen[-1] - seen[-2]).max() > 0.05
    np.testing.assert_allclose(seen[-1], seen[-3], atol=1e-9)

    found = camera.neutral_to_xy(swinging, neutral)
    again = chromaticity.xyz_to_xy(np.linalg.solve(camera.xyz_to_camera(swinging, found), neutral))
    np.testing.assert_allclose(again, found, atol=1e-4)


def test_every_white_of_the_scale_comes_back() -> None:
    for kelvin in np.geomspace(2000.0, 12000.0, 12):
        for duv in (-0.01, 0.0, 0.01):
            xy = chromaticity.cct_duv_to_xy(kelvin, duv)
            rgb = camera.xyz_to_camera(tags(), xy) @ chromaticity.xy_to_xyz(xy)
            # Where the weight reaches its end, or the method passes between rows of its table, some 0.01 K remain.
            np.testing.assert_allclose(camera.neutral_to_xy(tags(), 0.3 * rgb), xy, atol=2e-6)


@pytest.mark.parametrize("neutral", [(0.5, 1.0), (0.5, 1.0, 0.0), (-0.5, -1.0, -0.7), (np.nan, 1.0, 0.7)])
def test_a_neutral_must_be_lit(neutral: tuple[float, ...]) -> None:
    with pytest.raises(GreystepError, match="three positive numbers"):
        camera.fixed_matrix(tags(), neutral)


def test_any_lit_neutral_ends() -> None:
    rng = np.random.default_rng(3)
    for neutral in np.exp(rng.normal(0.0, 1.5, (60, 3))):
        assert np.isfinite(camera.fixed_matrix(tags(), neutral)).all()


@pytest.mark.parametrize("matrix", [np.zeros((3, 3)), np.ones((3, 3)), np.full((3, 3), np.nan)])
def test_a_matrix_without_an_inverse(matrix: Any) -> None:
    with pytest.raises(GreystepError, match="no inverse"):
        camera.fixed_matrix(tags((matrix, None)), P5600_NEUTRAL)


def test_a_true_difference_survives_the_choice_of_matrix() -> None:
    """5600 K against 5400 K through the matrix fixed at the first, the D65 and the A matrix; constructed.

    The frames are made with the matrix interpolated at each white, as an exact camera of this model would.
    """
    whites = chromaticity.cct_duv_to_xy([5600.0, 5400.0], 0.0)
    rgb = np.array([camera.xyz_to_camera(tags(), xy) @ chromaticity.xy_to_xyz(xy) for xy in whites])
    none = np.zeros((2, 3, 3))
    for matrix, step in ((A_D65[1], 200.8), (A_D65[0], 199.9)):
        colours = camera.colour_from_matrix(matrix, rgb, none)
        assert colours.cct_k[0] - colours.cct_k[1] == pytest.approx(step, abs=0.15)
    fixed = camera.colour_from_matrix(camera.fixed_matrix(tags(), rgb[0]), rgb, none)
    assert fixed.cct_k[0] == pytest.approx(5600.0, abs=0.1)
    assert fixed.cct_k[0] - fixed.cct_k[1] == pytest.approx(200.0, abs=1.5)


def test_uncertainty_of_a_grey_patch() -> None:
    """JCGM 100:2008 law of propagation: u(R, G, B) = 0.2, 0.1, 0.2 % give 13.5 K and 0.000185, correlation 0.197.

    Constructed; a Monte Carlo run of 200 000 gave 13.52 K, 0.0001852 and 0.191.
    """
    cov = np.diag(np.square(np.array([0.002, 0.001, 0.002]) * P5600_NEUTRAL))
    colours = camera.colour_from_matrix(D65_MATRIX, P5600_NEUTRAL[None], cov[None])
    assert colours.cct_k[0] == pytest.approx(5596.5, abs=0.5)
    assert colours.duv[0] == pytest.approx(-0.00061, abs=7e-6)  # two figures, and 1.3e-6 of the method
    assert colours.u_cct_k[0] == pytest.approx(2 * 13.5, abs=2 * 0.2)
    assert colours.u_duv[0] == pytest.approx(2 * 0.000185, abs=2 * 3e-6)
    (var_mired, both), (_, var_duv) = colours.covariance[0]
    assert -both / np.sqrt(var_mired * var_duv) == pytest.approx(0.197, abs=0.02)  # mired falls where kelvin rises
    assert colours.u_mired[0] == pytest.approx(2 * np.sqrt(var_mired))
    assert colours.u_mired[0] == pytest.approx(2 * 13.5 * 1e6 / 5596.5**2, rel=0.01)


@pytest.mark.parametrize(
    ("channel", "kelvin", "duv"), [(0, -50.9, -0.000603), (1, 6.9, 0.001062), (2, 44.1, -0.000459)]
)
def test_sensitivity_to_each_channel(channel: int, kelvin: float, duv: float) -> None:
    """K and Duv per 1 % of R, G, B at 5600 K, constructed with small steps of Ohno's method.

    Within a row of its table the method's own slope is up to 0.6 % off.
    """
    steps = 1e-4 * np.array([[-1.0], [1.0]]) * np.eye(3)[channel]
    moved = camera.colour_from_matrix(D65_MATRIX, P5600_NEUTRAL * (1 + steps), np.zeros((2, 3, 3)))
    assert (moved.cct_k[1] - moved.cct_k[0]) * 50 == pytest.approx(kelvin, rel=0.007)
    assert (moved.duv[1] - moved.duv[0]) * 50 == pytest.approx(duv, abs=5e-6)
    one = np.zeros((3, 3))
    one[channel, channel] = (0.01 * P5600_NEUTRAL[channel]) ** 2
    colours = camera.colour_from_matrix(D65_MATRIX, P5600_NEUTRAL[None], one[None])
    assert colours.u_cct_k[0] / 2 == pytest.approx(abs(kelvin), rel=0.01)
    assert colours.u_duv[0] / 2 == pytest.approx(abs(duv), rel=0.01)


@pytest.mark.parametrize(("green", "kelvin"), [(200, -23.07), (1000, -4.63), (4000, -1.15)])
def test_black_level_one_count_too_low(green: float, kelvin: float) -> None:
    """One count that stays in every channel, at three signals; constructed."""
    signal = green * P5600_NEUTRAL
    colours = camera.colour_from_matrix(D65_MATRIX, [signal, signal + 1.0], np.zeros((2, 3, 3)))
    assert colours.cct_k[1] - colours.cct_k[0] == pytest.approx(kelvin, abs=0.05)


@pytest.mark.parametrize("kelvin", [3200.0, 5600.0, 8000.0])
@pytest.mark.parametrize("scale", [0.003, 1.0, 9000.0])
def test_derivative_against_a_finite_difference(kelvin: float, scale: float) -> None:
    rgb = D65_MATRIX @ chromaticity.xy_to_xyz(chromaticity.cct_duv_to_xy(kelvin, 0.004)) * scale
    root = np.random.default_rng(4).normal(size=(3, 3)) * 1e-3 * scale
    covariance = root @ root.T
    colours = camera.colour_from_matrix(D65_MATRIX, rgb[None], covariance[None])
    steps = 5e-3 * np.diag(rgb)
    ends = [camera.colour_from_matrix(D65_MATRIX, rgb + sign * steps, np.zeros((3, 3, 3))) for sign in (-1, 1)]
    slopes = np.stack([ends[1].mired - ends[0].mired, ends[1].duv - ends[0].duv]) / (0.01 * rgb)
    np.testing.assert_allclose(colours.covariance[0], slopes @ covariance @ slopes.T, rtol=2e-3)


@pytest.mark.parametrize("signal", [150.0, 1000.0, 12000.0])
def test_intervals_hold_the_truth(signal: float) -> None:
    """2000 seeded neutrals with correlated noise: 92 to 98 in 100 intervals hold the colour of the noise-free one."""
    truth = signal * P5600_NEUTRAL
    deviation = np.sqrt(truth + 9.0) / 30.0
    covariance = np.diag(deviation) @ [[1.0, 0.3, 0.2], [0.3, 1.0, 0.3], [0.2, 0.3, 1.0]] @ np.diag(deviation)
    noisy = np.random.default_rng(int(signal)).multivariate_normal(truth, covariance, 2000)
    colours = camera.colour_from_matrix(D65_MATRIX, noisy, np.broadcast_to(covariance, (2000, 3, 3)))
    exact = camera.colour_from_matrix(D65_MATRIX, truth[None], covariance[None])
    for value, half_width in (("mired", "u_mired"), ("cct_k", "u_cct_k"), ("duv", "u_duv")):
        held = np.abs(getattr(colours, value) - getattr(exact, value)) <= getattr(colours, half_width)
        assert 0.92 < held.mean() < 0.98


def test_rows_without_a_colour_do_not_spoil_the_others() -> None:
    green_light = D65_MATRIX @ chromaticity.xy_to_xyz((0.3, 0.6))
    rgb = np.array([P5600_NEUTRAL, [np.nan] * 3, [0.0] * 3, -P5600_NEUTRAL, green_light])
    colours = camera.colour_from_matrix(D65_MATRIX, rgb, np.broadcast_to(np.eye(3) * 1e-6, (5, 3, 3)))
    assert np.isfinite([getattr(colours, field.name)[0] for field in dataclasses.fields(colours)[:-2]]).all()
    for field in dataclasses.fields(colours):
        assert np.isnan(getattr(colours, field.name)[1:4]).all(), field.name
    np.testing.assert_allclose((colours.x[4], colours.y[4]), (0.3, 0.6))
    assert colours.duv[4] > 0.05
    assert np.isnan([colours.cct_k[4], colours.mired[4], colours.u_mired[4]]).all()


def test_no_rows() -> None:
    colours = camera.colour_from_matrix(D65_MATRIX, np.empty((0, 3)), np.empty((0, 3, 3)))
    assert {len(getattr(colours, field.name)) for field in dataclasses.fields(colours)} == {0}


def test_neutral_xyz() -> None:
    xyz = camera.neutral_xyz(D65_MATRIX, [7.0 * P5600_NEUTRAL, [0.0, 0.0, 0.0], -P5600_NEUTRAL])
    np.testing.assert_allclose(D65_MATRIX @ xyz[0] / (D65_MATRIX @ xyz[0])[1], P5600_NEUTRAL, rtol=1e-12)
    assert xyz[0, 1] == 1.0
    assert np.isnan(xyz[1:]).all()


# --- target ---------------------------------------------------------------------------------------------------------

NM = np.arange(360.0, 831.0)
CMFS = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"].values
#: A card that rises by 2 % from 400 to 700 nm.
TILTED = 0.18 * (1.0 + 0.02 * (NM - 550.0) / 300.0)


def xyz_of(spectrum: Any) -> Any:
    return CMFS.T @ spectrum


def true_factor(light: Any, reflectance: Any) -> Any:
    factor = xyz_of(light * reflectance) / xyz_of(light)
    return factor / factor[1]


def flash_like(kelvin: float, lines: float, bend: float) -> Any:
    """Planckian continuum, bent, with a share `lines` of its power in xenon-like lines."""
    continuum = colour.sd_blackbody(kelvin, colour.SpectralShape(360, 830, 1)).values
    continuum = continuum / continuum.mean() * np.exp(bend * ((NM - 560.0) / 200.0) ** 2)
    peaks = sum(np.exp(-0.5 * ((NM - at) / 3.0) ** 2) for at in (467, 473, 484, 492, 529, 542, 605, 712, 764, 823))
    return continuum * (1 - lines) + lines * peaks / np.mean(peaks)


@pytest.mark.parametrize(("kelvin", "duv"), [(2800.0, 0.0), (5600.0, 0.004), (5600.0, -0.015), (9000.0, 0.02)])
@pytest.mark.parametrize("level", [0.18, 1.0])
def test_a_flat_target_changes_nothing(kelvin: float, duv: float, level: float) -> None:
    np.testing.assert_allclose(camera.target_factor([400.0, 700.0], [level, level], kelvin, duv), 1.0, rtol=1e-12)


@pytest.mark.parametrize("kelvin", [2856.0, 4000.0, 5600.0, 8000.0])
def test_under_a_planckian_light_the_factor_is_exact(kelvin: float) -> None:
    light = colour.sd_blackbody(kelvin, colour.SpectralShape(360, 830, 1)).values
    factor = camera.target_factor(NM, TILTED, kelvin, 0.0)
    np.testing.assert_allclose(factor, true_factor(light, TILTED), atol=2e-6)
    assert np.ptp(factor) > 0.004  # or else the comparison shows nothing


def test_a_target_is_held_at_its_ends() -> None:
    inside = camera.target_factor([400.0, 700.0], [0.17, 0.19], 5600.0, 0.003)
    spelt_out = camera.target_factor([300.0, 400.0, 700.0, 900.0], [0.17, 0.17, 0.19, 0.19], 5600.0, 0.003)
    np.testing.assert_allclose(inside, spelt_out, rtol=1e-12)


def test_a_light_without_a_colour_has_no_factor() -> None:
    assert np.isnan(camera.target_factor(NM, TILTED, np.nan, 0.0)).all()
    assert np.isnan(camera.target_factor(NM, TILTED, 5600.0, 0.2)).all()


LIGHTS = {
    **{
        f"flash {kelvin:.0f} K, {lines:.0%} lines, bend {bend}": flash_like(kelvin, lines, bend)
        for kelvin in (4800.0, 5800.0, 7000.0)
        for lines in (0.0, 0.1, 0.2)
        for bend in (-0.15, 0.0, 0.15)
    },
    "D55": colour.sd_CIE_illuminant_D_series([0.33243, 0.34744]).align(colour.SpectralShape(360, 830, 1)).values,
}


@pytest.mark.parametrize("name", LIGHTS)
def test_a_tilted_grey_under_lights_with_lines(name: str) -> None:
    """The card alone moves these by 1.1 to 1.5 mired; dividing by the factor leaves less than 0.03, Duv 0.00006."""
    light = LIGHTS[name]
    seen = xyz_of(light * TILTED)
    truth, before = (np.array(chromaticity.cct_duv(chromaticity.xyz_to_xy(xyz))) for xyz in (xyz_of(light), seen))
    factor = camera.target_factor(NM, TILTED, *before)
    after = np.array(chromaticity.cct_duv(chromaticity.xyz_to_xy(seen / factor)))
    assert abs(1e6 / before[0] - 1e6 / truth[0]) > 1.1
    assert abs(1e6 / after[0] - 1e6 / truth[0]) < 0.03
    assert abs(after[1] - truth[1]) < 6e-5


def test_the_factor_in_the_matrix_sees_the_light_itself() -> None:
    light = LIGHTS["D55"]
    factor = true_factor(light, TILTED)
    rgb = D65_MATRIX @ (factor * xyz_of(light))
    colours = camera.colour_from_matrix(D65_MATRIX @ np.diag(factor), rgb[None], np.zeros((1, 3, 3)))
    np.testing.assert_allclose((colours.x[0], colours.y[0]), chromaticity.xyz_to_xy(xyz_of(light)), rtol=1e-12)


# --- meter ----------------------------------------------------------------------------------------------------------


def test_a_metered_neutral_reads_as_the_meter() -> None:
    neutral = np.array([2140.0, 4510.0, 3320.0])
    gains = camera.meter_scale(D65_MATRIX, neutral, 5560.0, 0.001)
    assert gains[1] == 1.0
    for matrix, rgb in ((D65_MATRIX, neutral * gains), (np.diag(1.0 / gains) @ D65_MATRIX, neutral)):
        colours = camera.colour_from_matrix(matrix, rgb[None], np.zeros((1, 3, 3)))
        assert colours.cct_k[0] == pytest.approx(5560.0, abs=0.1)
        assert colours.duv[0] == pytest.approx(0.001, abs=1e-6)


def test_a_meter_that_agrees_changes_nothing() -> None:
    xy = chromaticity.xyz_to_xy(np.linalg.solve(D65_MATRIX, P5600_NEUTRAL))
    cct, duv = chromaticity.cct_duv(xy)
    np.testing.assert_allclose(camera.meter_scale(D65_MATRIX, P5600_NEUTRAL, float(cct), float(duv)), 1.0, atol=2e-5)


def test_a_meter_reading_that_is_no_white() -> None:
    assert np.isnan(camera.meter_scale(D65_MATRIX, P5600_NEUTRAL, 500.0, 0.0)).all()


# --- camera.json ----------------------------------------------------------------------------------------------------


def write(folder: Path, content: Any) -> Path:
    path = folder / "camera.json"
    path.write_text(content if isinstance(content, str) else json.dumps(content), encoding="utf-8")
    return path


def test_camera_json_with_one_matrix(tmp_path: Path) -> None:
    found = read_camera_json(write(tmp_path, {"schema": 1, "matrix_1": A_D65[1], "chart": "left alone"}))
    assert (found.matrix_2, found.illuminant_1, found.source) == (None, 0, "camera.json")
    np.testing.assert_array_equal(camera.fixed_matrix(found, P5600_NEUTRAL), D65_MATRIX)


def test_camera_json_with_two_matrices(tmp_path: Path) -> None:
    content = {"schema": 1, "matrix_1": A_D65[0], "illuminant_1": 17, "matrix_2": A_D65[1], "illuminant_2": 21}
    found = read_camera_json(write(tmp_path, content))
    np.testing.assert_allclose(camera.neutral_to_xy(found, (0.501, 1, 0.7014)), (0.347918, 0.351808), atol=5e-5)


@pytest.mark.parametrize(
    ("content", "words"),
    [
        ("{", "no JSON"),
        ("[1]", '"schema" is not 1'),
        ({"schema": 2, "matrix_1": A_D65[0]}, '"schema" is not 1'),
        ({"schema": 1}, "matrix_1: three rows"),
        ({"schema": 1, "matrix_1": [[1, 2], [3]]}, "matrix_1: three rows"),
        ({"schema": 1, "matrix_1": "grey"}, "matrix_1: three rows"),
        ({"schema": 1, "matrix_1": [[1, 2, 3]] * 3}, "matrix_1: it cannot be inverted"),
        ({"schema": 1, "matrix_1": np.linalg.inv(D65_MATRIX * [[1], [1], [-1]]).tolist()}, "not its inverse"),
        ({"schema": 1, "matrix_1": A_D65[0], "illuminant_1": 99}, "illuminant_1: 99"),
        ({"schema": 1, "matrix_1": A_D65[0], "illuminant_1": 17, "matrix_2": A_D65[1]}, "illuminant_2: 0"),
        ({"schema": 1, "matrix_1": A_D65[0], "matrix_2": A_D65[1], "illuminant_2": 21}, "illuminant_1: 0"),
        ({"schema": 1, "matrix_1": A_D65[0], "illuminant_1": True}, "illuminant_1: True"),
    ],
)
def test_camera_json_that_cannot_be_used(tmp_path: Path, content: Any, words: str) -> None:
    with pytest.raises(GreystepError) as caught:
        read_camera_json(write(tmp_path, content))
    assert words in str(caught.value)
    assert "camera.json" in str(caught.value)


def test_faults_of_a_camera_json_are_told_together(tmp_path: Path) -> None:
    with pytest.raises(GreystepError) as caught:
        read_camera_json(write(tmp_path, {"schema": 1, "matrix_1": [], "illuminant_1": 300}))
    assert "2 faults" in str(caught.value)


def test_camera_json_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(GreystepError, match="No such file"):
        read_camera_json(tmp_path / "camera.json")


@pytest.mark.parametrize(("away_mired", "duv"), [(-12.0, 0.0045), (0.0, 0.0005), (8.0, -0.004), (15.0, 0.003)])
def test_one_matrix_takes_the_target_off_every_light_about_the_reference(away_mired: float, duv: float) -> None:
    seen_by = camera.target_matrix(NM, TILTED, 5600.0, 0.0005)
    kelvin = 1e6 / (1e6 / 5600.0 + away_mired)
    light = camera.smooth_light(kelvin, duv)
    nm, functions = locus.observer()
    seen = functions.T @ (light * np.interp(nm, NM, TILTED))
    read = chromaticity.cct_duv(chromaticity.xyz_to_xy(np.linalg.solve(seen_by, seen)))
    assert 1e6 / float(read[0]) == pytest.approx(1e6 / kelvin, abs=0.01)
    assert float(read[1]) == pytest.approx(duv, abs=5e-6)
    if not away_mired:  # at the reference itself it does what the one factor does
        at_reference = chromaticity.xy_to_xyz(chromaticity.cct_duv_to_xy(5600.0, 0.0005))
        factor = camera.target_factor(NM, TILTED, 5600.0, 0.0005)
        np.testing.assert_allclose(seen_by @ at_reference, factor * at_reference, rtol=1e-9)


def test_a_flat_target_leaves_nothing_open_and_a_steeper_one_leaves_more() -> None:
    flat, card, steep = (
        camera.target_doubt(NM, 1.0 + share * (np.asarray(TILTED) / TILTED[0] - 1.0), 5600.0, 0.0005)
        for share in (0.0, 1.0, 2.0)
    )
    np.testing.assert_allclose(flat, 0.0, atol=1e-12)
    assert 1.5 < np.sqrt(steep[0, 0] / card[0, 0]) < 2.5
    assert 1.5 < np.sqrt(steep[1, 1] / card[1, 1]) < 2.5
    assert (camera.target_doubt(NM, TILTED, np.nan, 0.0) == 0.0).all()
    assert np.isnan(camera.target_matrix(NM, TILTED, 5600.0, 0.2)).all()
