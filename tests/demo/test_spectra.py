"""Lights, card and cameras of the demo, against the library's own integration, closed forms and measured flash."""

import colour
import numpy as np
import pytest

from greystep.demo import spectra
from greystep.demo.kit import HeadCharacter
from greystep.errors import GreystepError

#: Measured flash, one small head: power, x, y, CCT [K], Duv. photobiologyLamps 0.5.3, 380-780 nm, numbers only.
MEASURED_FLASH = [
    ("1/1", 0.32827, 0.33698, 5690.1, -0.00020),
    ("1/2", 0.32678, 0.33714, 5759.5, +0.00057),
    ("1/4", 0.32560, 0.33664, 5815.9, +0.00086),
    ("1/8", 0.32450, 0.33654, 5868.1, +0.00133),
    ("1/32", 0.32270, 0.33632, 5955.2, +0.00207),
]
WANTED_MIRED = np.array([165.0, 172.0, 178.6, 185.0, 196.0])
WANTED_DUV = np.array([0.0030, 0.0015, 0.0005, -0.0010, 0.0045])


def library_xy(spectrum: np.ndarray) -> np.ndarray:
    """Chromaticity by the library's own integration over 360-830 nm, which the demo does not use."""
    observer = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
    even = colour.sd_ones(observer.shape)
    distribution = colour.SpectralDistribution(dict(zip(spectra.NM, spectrum, strict=True)))
    return colour.XYZ_to_xy(colour.sd_to_XYZ(distribution, observer, even, method="Integration"))


def test_a_flash_has_the_colour_that_was_asked_for() -> None:
    found = spectra.true_colour(spectra.flash(WANTED_MIRED, WANTED_DUV))
    np.testing.assert_allclose(found.mired, WANTED_MIRED, atol=5e-4)
    np.testing.assert_allclose(found.duv, WANTED_DUV, atol=1e-6)
    np.testing.assert_allclose(found.cct_k * found.mired, 1e6)


def test_true_colour_is_that_of_an_independent_integration() -> None:
    lights = spectra.flash(WANTED_MIRED, WANTED_DUV)
    found = spectra.true_colour(lights)
    for row, light in enumerate(lights):
        xy = library_xy(light)
        u_v = colour.Luv_uv_to_xy(np.array([found.u_prime[row], found.v_prime[row]]))
        np.testing.assert_allclose(u_v, xy, atol=2e-7)
        cct, duv = colour.uv_to_CCT(colour.UCS_to_uv(colour.XYZ_to_UCS(colour.xy_to_XYZ(xy))), method="Ohno 2013")
        assert found.cct_k[row] == pytest.approx(cct, abs=0.05)
        assert found.duv[row] == pytest.approx(duv, abs=2e-6)


@pytest.mark.parametrize("kelvin", [2856.0, 4000.0, 5500.0, 5600.0, 6500.0])
def test_true_colour_of_a_planckian_is_its_temperature(kelvin: float) -> None:
    found = spectra.true_colour(spectra.planck(np.array([kelvin])))
    assert found.cct_k[0] == pytest.approx(kelvin, abs=0.3)  # the library is within 0.083 K of the exact minimum
    assert found.duv[0] == pytest.approx(0.0, abs=2e-6)


def test_planckian_ratio_is_the_closed_form() -> None:
    c2, kelvin = 1.4388e-2, 5000.0
    ratio = (650e-9 / 450e-9) ** 5 * np.expm1(c2 / (650e-9 * kelvin)) / np.expm1(c2 / (450e-9 * kelvin))
    spectrum = spectra.planck(kelvin)
    assert spectrum[spectra.NM == 450][0] / spectrum[spectra.NM == 650][0] == pytest.approx(ratio, rel=1e-12)
    assert spectrum[spectra.NM == 560][0] == pytest.approx(1.0)


def test_lights_have_unit_luminance_and_no_negative_power() -> None:
    lights = np.vstack([spectra.flash(WANTED_MIRED, WANTED_DUV), spectra.room_light()])
    np.testing.assert_allclose(lights @ spectra.observer()[:, 1], 1.0)
    assert (lights > 0).all()


def test_a_head_of_one_mired_differs_from_another_only_by_a_smooth_factor() -> None:
    """Same shape: the lines stay in proportion, so the ratio of two lights has no line in it."""
    warm, blue = spectra.flash(np.array([190.0, 168.0]), np.array([0.0, 0.003]))
    bend = np.abs(np.diff(np.log(warm / blue), 2))
    assert bend.max() < 2e-4
    assert np.abs(np.diff(np.log(warm), 2)).max() > 0.01  # the lines themselves are there


def test_bluer_light_is_greener_as_measured_flash_is() -> None:
    mired = np.array([1e6 / row[3] for row in MEASURED_FLASH])
    slope = np.polyfit(mired, [row[4] for row in MEASURED_FLASH], 1)[0]
    assert HeadCharacter("A").duv_per_mired == pytest.approx(slope, rel=0.15)
    for _, x, y, cct, duv in MEASURED_FLASH:  # the published xy of the same rows fix what is meant by CCT and Duv
        light = spectra.true_colour(spectra.flash(np.array([1e6 / cct]), np.array([duv])))
        xy = colour.Luv_uv_to_xy(np.array([light.u_prime[0], light.v_prime[0]]))
        np.testing.assert_allclose(xy, (x, y), atol=1.5e-5)


def test_card_is_nearly_flat_and_a_little_warm() -> None:
    card = spectra.grey_card()[(spectra.NM >= 400) & (spectra.NM <= 700)]
    assert 0.17 < card.min() < card.max() < 0.19
    assert 0.01 < card[-1] / card[0] - 1 < 0.06
    assert (np.diff(spectra.grey_card()) > 0).all()


def test_exact_camera_is_the_observer_through_its_matrix() -> None:
    camera = spectra.camera("exact")
    np.testing.assert_array_equal(camera.matrix_a, camera.matrix_d65)
    for light in spectra.flash(WANTED_MIRED, WANTED_DUV):
        np.testing.assert_allclose(light @ camera.sensitivities, camera.matrix_a @ (light @ spectra.observer()))
    refitted = spectra.fit_matrix(camera.sensitivities, spectra.room_light())
    np.testing.assert_allclose(refitted, camera.matrix_a, atol=1e-9)


@pytest.mark.parametrize(("name", "matrix"), [("A", "matrix_a"), ("D65", "matrix_d65")])
def test_fitted_matrix_keeps_the_white_of_its_light(name: str, matrix: str) -> None:
    camera = spectra.camera("measured")
    illuminant = colour.SDS_ILLUMINANTS[name]
    light = np.interp(spectra.NM, illuminant.wavelengths, illuminant.values)
    seen, modelled = light @ camera.sensitivities, getattr(camera, matrix) @ (light @ spectra.observer())
    np.testing.assert_allclose(modelled / modelled[1], seen / seen[1], rtol=1e-9)


def test_fitted_matrix_is_a_least_squares_one() -> None:
    """No small change that keeps the white brings the chart nearer."""
    camera = spectra.camera("measured")
    illuminant = colour.SDS_ILLUMINANTS["D65"]
    light = np.interp(spectra.NM, illuminant.wavelengths, illuminant.values)
    chart = np.stack(
        [np.interp(spectra.NM, sd.wavelengths, sd.values) for sd in colour.SDS_COLOURCHECKERS["ISO 17321-1"].values()]
    )
    scale = light @ spectra.observer()[:, 1]
    xyz, rgb = (chart * light) @ spectra.observer() / scale, (chart * light) @ camera.sensitivities / scale
    white = light @ spectra.observer() / scale

    def badness(matrix: np.ndarray) -> float:
        return float(((xyz @ matrix.T - rgb) ** 2).sum())

    best = badness(camera.matrix_d65)
    away = np.linalg.svd(white[None])[2][1:]
    for row in range(3):
        for direction in away:
            for sign in (-1e-3, 1e-3):
                change = np.zeros((3, 3))
                change[row] = sign * direction
                assert badness(camera.matrix_d65 + change) > best


def model_white(camera: spectra.Camera, neutral: np.ndarray) -> tuple[np.ndarray, float]:
    """Neutral to XYZ by the DNG 1.7.1 model in this test's own arithmetic: (XYZ, weight of illuminant A)."""
    xy = np.array([0.3457, 0.3585])
    for _ in range(60):
        n = (xy[0] - 0.3320) / (0.1858 - xy[1])
        kelvin = 449 * n**3 + 3525 * n**2 + 6823.3 * n + 5520.33  # McCamy: near enough for a weight
        weight = np.clip((1 / kelvin - 1 / 6504) / (1 / 2856 - 1 / 6504), 0, 1)
        matrix = weight * camera.matrix_a + (1 - weight) * camera.matrix_d65
        xyz = np.linalg.solve(matrix, neutral)
        xy = xyz[:2] / xyz.sum()
    return xyz, float(weight)


def test_measured_camera_shows_differences_within_3_k_and_2_percent() -> None:
    camera = spectra.camera("measured")
    mired = np.linspace(166.0, 192.0, 14)
    lights = spectra.flash(mired, 0.0005 - 0.0003 * (mired - 178.6))
    true = spectra.true_colour(lights)
    reference = 6
    neutrals = lights @ camera.sensitivities
    _, weight = model_white(camera, neutrals[reference])
    fixed = weight * camera.matrix_a + (1 - weight) * camera.matrix_d65
    xyz = neutrals @ np.linalg.inv(fixed).T
    uv = np.stack([4 * xyz[:, 0], 6 * xyz[:, 1]], axis=-1) / (xyz @ [1, 15, 3])[:, None]
    cct = colour.uv_to_CCT(uv, method="Ohno 2013")[:, 0]
    step = true.cct_k - true.cct_k[reference]
    error = cct - cct[reference] - step
    assert (np.abs(error) < 3.0 + 0.02 * np.abs(step)).all(), error
    assert abs(cct[reference] - true.cct_k[reference]) < 100  # the absolute scale is the matrix's own


def test_an_unknown_camera_is_named() -> None:
    with pytest.raises(GreystepError, match=r"'phone'.*measured or exact"):
        spectra.camera("phone")
