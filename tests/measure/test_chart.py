"""The chart: found, measured and fitted, on frames drawn from spectra through a known camera, and on a real one."""

import os
from collections.abc import Callable, Sequence
from functools import cache
from pathlib import Path
from typing import Any

import colour
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import ndimage

from greystep.errors import FaultsError, FrameError, GreystepError
from greystep.files import write_json
from greystep.measure import calibration as calibration_module
from greystep.measure import chart as chart_module
from greystep.measure.calibration import Calibration, best_fit, calibrate, camera_document, fit_matrix, patch_xyz
from greystep.measure.camera import colour_from_matrix, fixed_matrix
from greystep.measure.camera_json import read_camera_json
from greystep.measure.chart import chart_colours, find_chart, measure_chart
from greystep.measure.chromaticity import chart_reflectances, delta_e_2000
from greystep.raw.frame import open_frame

Make = Callable[..., Path]
Floats = NDArray[np.float64]
CORPUS = os.environ.get("GREYSTEP_CORPUS", "")
corpus = pytest.mark.skipif(not CORPUS, reason="GREYSTEP_CORPUS does not name a folder of real raw files")

#: XYZ to camera of an invented camera that is an exact linear transform of the observer.
TRUE = np.array([[0.92, -0.25, -0.10], [-0.52, 1.30, 0.25], [-0.15, 0.25, 0.70]])
LIGHT_K = 5600.0
BLACK, WHITE = 512, 16383
HEIGHT, WIDTH = 600, 900
#: Outer corners of the corner patches [px], from dark skin clockwise: mild perspective.
UPRIGHT = ((250.0, 150.0), (660.0, 165.0), (645.0, 440.0), (262.0, 425.0))
ALL = np.ones(24, np.bool_)


CMFS = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]


def blackbody(cct: float) -> colour.SpectralDistribution:
    return colour.sd_blackbody(cct, CMFS.shape)


def patches(light: colour.SpectralDistribution, chart: str = "babel_average") -> tuple[Floats, Floats]:
    """XYZ (24, 3) of the patches and of the white, reflectances interpolated by the colour library (Sprague)."""
    reflectances = [sd.copy().align(CMFS.shape).values for sd in colour.SDS_COLOURCHECKERS[chart].values()]
    lit = light.values[:, None] * CMFS.values
    return np.array(reflectances) @ lit / lit[:, 1].sum(), lit.sum(axis=0) / lit[:, 1].sum()


def xenon() -> colour.SpectralDistribution:
    """A flash-like light: a continuum with lines."""
    nm = np.arange(360.0, 831.0)
    continuum = blackbody(6200).values
    lines = sum(h * np.exp(-0.5 * ((nm - c) / 4.0) ** 2) for c, h in ((467, 0.5), (484, 0.25), (542, 0.1), (620, 0.1)))
    return colour.SpectralDistribution(continuum / continuum[200] * (1.0 + lines), nm)


def planck_xyz(cct: float) -> Floats:
    xyz = blackbody(cct).values @ CMFS.values
    return np.asarray(xyz / xyz[1])


def to_grid(corners: Sequence[Sequence[float]]) -> Floats:
    """The projective map from pixels to the chart's own plane, 0..1 across and down; eight equations by hand."""
    rows, right = [], []
    for (x, y), (u, v) in zip(corners, ((0, 0), (1, 0), (1, 1), (0, 1)), strict=True):
        rows += [[x, y, 1, 0, 0, 0, -u * x, -u * y], [0, 0, 0, x, y, 1, -v * x, -v * y]]
        right += [u, v]
    return np.append(np.linalg.solve(np.array(rows, float), np.array(right, float)), 1.0).reshape(3, 3)


@cache
def seen(corners: tuple[tuple[float, float], ...]) -> NDArray[np.int8]:
    """Which surface each pixel sees: wall, table, the chart's ground, two rows of greys, the 24 patches."""
    y, x = np.mgrid[0:HEIGHT, 0:WIDTH] + 0.5
    mapped = to_grid(corners) @ np.stack([x.ravel(), y.ravel(), np.ones(x.size)])
    u, v = (mapped[:2] / mapped[2]).reshape(2, HEIGHT, WIDTH)
    u, v = u * 270.0, v * 178.0  # in thousandths of some length: six patches of 40 and five gaps of 6
    surface = np.where(y > 0.8 * HEIGHT, 1, 0).astype(np.int8)
    surface[(u > -20) & (u < 290) & (v > -210) & (v < 198)] = 2
    for row in range(2):
        for column in range(5):  # the page of greys, with its own pitch
            surface[(abs(u - 25 - 54 * column) < 23) & (abs(v + 150 - 54 * row) < 23)] = 3 + row
    for number in range(24):
        row, column = divmod(number, 6)
        surface[(abs(u - 20 - 46 * column) < 20) & (abs(v - 20 - 46 * row) < 20)] = 5 + number
    return surface


def draw(
    signals: Floats,
    corners: Sequence[Sequence[float]] = UPRIGHT,
    gradient: tuple[float, float] = (0.0, 0.0),
    glare: float = 0.0,
    noise: bool = False,
    top: float = 0.75,
    blur: float = 1.0,
) -> NDArray[np.uint16]:
    """A mosaic RGGB of a chart (patches of 40 on a pitch of 46), a page of greys beside it, wall and table.

    `signals` (25, 3) is camera RGB of the 24 patches and of the bare light; the white patch's green is at `top` of the
    range; `gradient` is the change of the logarithm of the light over the frame, across and down; `glare` is added, as
    a share of the light.
    """
    y, x = np.mgrid[0:HEIGHT, 0:WIDTH] + 0.5
    light = signals[24]
    surfaces = [0.22 * light, 0.35 * light, 0.035 * light, 0.6 * light, 0.62 * light, *signals[:24]]
    picture = np.array(surfaces)[seen(tuple(map(tuple, corners)))]
    picture = ndimage.gaussian_filter(picture, (blur, blur, 0))
    picture *= np.exp(gradient[0] * (x / WIDTH - 0.5) + gradient[1] * (y / HEIGHT - 0.5))[..., None]
    picture += glare * light
    cell = np.array([[0, 1], [1, 2]])
    colours = np.tile(cell, (HEIGHT // 2, WIDTH // 2))
    plane = np.take_along_axis(picture, colours[..., None], axis=2)[..., 0]
    counts = top * (WHITE - BLACK) * plane / signals[18, 1]
    rng = np.random.default_rng(5)
    if noise:
        counts = rng.poisson(np.maximum(counts, 0) * 4) / 4
    counts += rng.normal(0.0, 3.0 if noise else 0.5, counts.shape)  # without any noise pixels count as damaged
    return np.clip(np.rint(counts + BLACK), 0, WHITE).astype(np.uint16)


def write(make_dng: Make, path: Path, mosaic: NDArray[np.uint16], **tags: Any) -> Path:
    return make_dng(path, mosaic, black=(BLACK,), white=(WHITE,), **tags)


def scene(light: colour.SpectralDistribution | None = None, matrix: Floats = TRUE) -> Floats:
    xyz, white = patches(light or blackbody(LIGHT_K))
    return np.vstack([xyz, white]) @ matrix.T


def worst_cct_error(matrix: Floats, around: Sequence[float] = (2800, 3200, 4000, 5000, 5600, 6500, 8000)) -> float:
    """Planckian lights through the true camera, read through the matrix [K]."""
    rgb = np.array([planck_xyz(kelvin) for kelvin in around]) @ TRUE.T
    read = colour_from_matrix(matrix, rgb, np.zeros((len(around), 3, 3)))
    return float(np.abs(read.cct_k - around).max())


def corner_error(found: Floats, corners: Sequence[Sequence[float]]) -> float:
    """Largest distance of the corners, in sides of a patch."""
    away = np.hypot(*(found * (WIDTH, HEIGHT) - np.array(corners)).T)
    side = np.hypot(*np.subtract(corners[1], corners[0])) * 40 / 270
    return float(away.max() / side)


# --- the library's data -----------------------------------------------------------------------------------------------


def test_patch_colours_by_another_interpolation_of_the_spectra() -> None:
    xyz, white = chart_colours(LIGHT_K, 0.0)
    others, other_white = patches(blackbody(LIGHT_K))
    np.testing.assert_allclose(white, other_white, rtol=2e-4)
    assert delta_e_2000(xyz, others, white).max() < 0.02


def test_patch_colours_in_daylight_against_the_published_xyy() -> None:
    # xyY of the same mean of charts as printed by its source for D50; the smooth light of D50's colour is no D50
    published = colour.CCS_COLOURCHECKERS["babel_average"]
    printed = colour.xyY_to_XYZ(np.array(list(published.data.values())))
    xyz, white = chart_colours(5001.0, 0.0030)
    errors = delta_e_2000(xyz, printed, white)
    assert np.median(errors) < 0.3
    assert errors.max() < 1.5


def test_names_and_order_of_the_patches() -> None:
    names, nm, factors = chart_reflectances()
    assert (names[0], names[5], names[18], names[23]) == ("dark skin", "bluish green", "white 9.5", "black 2")
    assert factors.shape == (24, len(nm))
    assert (np.diff(factors[18:].mean(axis=1)) < 0).all()


def test_delta_e_2000_of_a_worked_pair() -> None:
    # Sharma, Wu, Dalal 2005, pair 1: 2.0425 (Lab under its own white, D50 here)
    labs = np.array([[50.0, 2.6772, -79.7751], [50.0, 0.0, -82.7485]])
    d50 = (0.34570, 0.35850)
    xyz = colour.Lab_to_XYZ(labs, d50)
    white = colour.xy_to_XYZ(d50)
    assert delta_e_2000(xyz[0], xyz[1], white) == pytest.approx(2.0425, abs=5e-5)


# --- the fit alone ----------------------------------------------------------------------------------------------------


def test_an_exact_camera_is_found_exactly() -> None:
    xyz, white = chart_colours(LIGHT_K, 0.0)
    fit, left_out = best_fit(8000.0 * xyz @ TRUE.T, xyz, white, ALL)
    np.testing.assert_allclose(fit.matrix, 8000.0 * TRUE, atol=1e-6)
    assert fit.terms == (0, False)
    assert left_out.max() < 1e-6


def test_the_greys_are_kept_exactly_by_a_camera_that_is_no_linear_transform() -> None:
    rng = np.random.default_rng(2)
    xyz, _ = chart_colours(LIGHT_K, 0.0)
    rgb = 8000.0 * xyz @ TRUE.T * np.exp(rng.normal(0.0, 0.05, (24, 3)))
    used = ALL.copy()
    used[18] = False
    for terms in ((0, False), (0, True), (1, False), (3, True)):
        fit = fit_matrix(rgb, xyz, used, terms)
        seen = (rgb / fit.shade - fit.offset)[19:].sum(axis=0)
        np.testing.assert_allclose(fit.matrix @ xyz[19:].sum(axis=0), seen, rtol=1e-9)


def test_what_is_fitted_is_the_least_squares_minimum() -> None:
    rng = np.random.default_rng(3)
    xyz, _ = chart_colours(LIGHT_K, 0.0)
    rgb = xyz @ TRUE.T * np.exp(rng.normal(0.0, 0.05, (24, 3)))
    fit = fit_matrix(rgb, xyz, ALL)
    weight = np.maximum(xyz[:, 1], 0.02) ** (-2 / 3)

    def cost(matrix: Floats) -> Floats:
        return ((weight[:, None] * (rgb - xyz @ matrix.T)) ** 2).sum(axis=0)

    greys = xyz[18:].sum(axis=0)
    for direction in np.linalg.svd(greys[None])[2][1:]:  # any change that leaves the greys' sum alone costs
        for step in (1e-3, -1e-3):
            assert (cost(fit.matrix + step * direction) > cost(fit.matrix)).all()


@pytest.mark.parametrize(
    ("slopes", "offset", "terms"),
    [
        (((0, 0, 0), (0, 0, 0)), (0.01, 0.012, 0.02), (0, True)),
        (((0.08, 0.08, 0.08), (-0.05, -0.05, -0.05)), (0, 0, 0), (1, False)),
        (((0.08, 0.08, 0.08), (0.05, 0.05, 0.05)), (0.01, 0.012, 0.02), (1, True)),
        (((0.08, 0.02, -0.05), (0.05, 0, -0.02)), (0, 0, 0), (3, False)),
    ],
)
def test_glare_and_uneven_light_are_corrected_where_there_are_such(
    slopes: Sequence[Sequence[float]], offset: Sequence[float], terms: tuple[int, bool]
) -> None:
    xyz, white = chart_colours(LIGHT_K, 0.0)
    column, row = np.meshgrid(np.linspace(-1, 1, 6), np.linspace(-1, 1, 4))
    shade = np.exp(np.stack([column.ravel(), row.ravel()], axis=1) @ np.array(slopes, float))
    rgb = (xyz @ TRUE.T + offset) * shade
    rgb *= np.exp(np.random.default_rng(4).normal(0.0, 0.001, rgb.shape))
    fit, left_out = best_fit(rgb, xyz, white, ALL)
    assert fit.terms == terms
    assert np.median(left_out) < 0.3
    np.testing.assert_allclose(fit.shade, shade, rtol=0.01)
    np.testing.assert_allclose(fit.offset, offset, atol=0.002)
    assert worst_cct_error(fit.matrix) < 20.0
    assert np.median(delta_e_2000(patch_xyz(fit, rgb), xyz, white)) < 0.2


# --- whole frames -----------------------------------------------------------------------------------------------------


def turned(corners: Sequence[Sequence[float]], degrees: float) -> list[list[float]]:
    middle = np.array([WIDTH / 2, HEIGHT / 2])
    c, s = np.cos(np.deg2rad(degrees)), np.sin(np.deg2rad(degrees))
    return ((np.array(corners) - middle) @ np.array([[c, s], [-s, c]]) + middle).tolist()


POSES = {
    "upright": UPRIGHT,
    "turned 90": turned(UPRIGHT, 90),
    "turned 180": turned(UPRIGHT, 180),
    "turned 270": turned(UPRIGHT, 270),
    "turned 12": turned(UPRIGHT, 12),
    "turned 45": turned(UPRIGHT, 45),
    "perspective": ((250.0, 180.0), (640.0, 140.0), (700.0, 470.0), (230.0, 400.0)),
    "small": ((560.0, 300.0), (720.0, 305.0), (715.0, 415.0), (562.0, 408.0)),
    "large": ((60.0, 60.0), (840.0, 50.0), (850.0, 560.0), (50.0, 570.0)),
}


@pytest.mark.parametrize("pose", ["upright", "perspective", "small"])
def test_the_chart_is_found_and_the_exact_cameras_matrix_with_it(make_dng: Make, tmp_path: Path, pose: str) -> None:
    path = write(make_dng, tmp_path / "a.dng", draw(scene(), POSES[pose]))
    found = calibrate(path, light=(LIGHT_K, 0.0))
    assert found.found
    assert corner_error(found.corners, POSES[pose]) < 0.1
    assert not found.excluded
    assert found.fit.terms == (0, False)
    document = camera_document(found)
    assert document["residuals"]["worst_delta_e_2000"] < 0.05  # counts are whole numbers
    np.testing.assert_allclose(document["matrix_1"], TRUE / (TRUE @ planck_xyz(LIGHT_K))[1], atol=5e-4)
    assert worst_cct_error(found.fit.matrix) < 1.0


@pytest.mark.parametrize("pose", POSES)
def test_the_chart_is_found_and_measured_at_any_turn(make_dng: Make, tmp_path: Path, pose: str) -> None:
    """By the plain fit, without the trials that chose it: they see no more of the frame than these 24 colours."""
    frame = open_frame(write(make_dng, tmp_path / "a.dng", draw(scene(), POSES[pose])))
    corners = find_chart(frame)
    assert corners is not None
    assert corner_error(corners, POSES[pose]) < 0.1
    signals = measure_chart(frame, corners)
    assert not any(signal.damage or signal.clipped_pct for signal in signals)
    matrix = fit_matrix(np.array([signal.mean for signal in signals]), chart_colours(LIGHT_K, 0.0)[0], ALL).matrix
    white = planck_xyz(LIGHT_K)
    np.testing.assert_allclose(matrix / (matrix @ white)[1], TRUE / (TRUE @ white)[1], atol=5e-4)
    assert worst_cct_error(matrix) < 1.0


def test_noise_glare_and_uneven_light_together(make_dng: Make, tmp_path: Path) -> None:
    drawn = draw(scene(), POSES["perspective"], gradient=(0.15, -0.1), glare=0.006, noise=True, top=0.6, blur=2.0)
    found = calibrate(write(make_dng, tmp_path / "a.dng", drawn), light=(LIGHT_K, 0.0))
    assert corner_error(found.corners, POSES["perspective"]) < 0.1
    assert found.fit.terms == (1, True)
    assert np.median(found.delta_e) < 0.3
    assert found.delta_e.max() < 1.5
    per_light = found.fit.offset / (found.fit.matrix @ planck_xyz(LIGHT_K))
    np.testing.assert_allclose(per_light, 0.006, atol=0.001)
    assert worst_cct_error(found.fit.matrix) < 25.0
    assert worst_cct_error(found.fit.matrix, (5300, 5600, 5900)) < 4.0


def test_noise_alone_leaves_the_fit_plain_and_its_own_uncertainty_true(make_dng: Make, tmp_path: Path) -> None:
    found = calibrate(write(make_dng, tmp_path / "a.dng", draw(scene(), noise=True)), light=(LIGHT_K, 0.0))
    assert found.fit.terms == (0, False)
    pair = np.array([planck_xyz(LIGHT_K), planck_xyz(1e6 / (1e6 / LIGHT_K - 10.0))]) @ TRUE.T
    read = colour_from_matrix(found.fit.matrix, pair, np.zeros((2, 3, 3)))
    assert abs(read.mired[0] - read.mired[1] - 10.0) < found.u_difference_mired < 0.05


def test_a_light_with_lines_is_read_as_stated_and_leaves_little(make_dng: Make, tmp_path: Path) -> None:
    # the smooth light stands in for it: the white is kept, the coloured patches show the difference
    lamp = xenon()
    _, white = patches(lamp)
    xy = white[:2] / white.sum()
    cct, duv = colour.temperature.uv_to_CCT_Ohno2013(colour.UCS_to_uv(colour.XYZ_to_UCS(white)))
    found = calibrate(write(make_dng, tmp_path / "a.dng", draw(scene(lamp))), light=(float(cct), float(duv)))
    assert 0.05 < np.median(found.delta_e) < 1.0
    read = colour_from_matrix(found.fit.matrix, (white @ TRUE.T)[None], np.zeros((1, 3, 3)))
    assert (read.x[0], read.y[0]) == pytest.approx(xy, abs=3e-4)


def test_without_a_given_light_the_files_own_matrix_says_it(make_dng: Make, tmp_path: Path) -> None:
    own = tuple(part for n in np.rint(TRUE * 1e6).astype(int).ravel() for part in (int(n), 1_000_000))
    mosaic = draw(scene())
    path = write(make_dng, tmp_path / "own.dng", mosaic, first=[(50721, 10, 9, own), (50722, 10, 0, ())])
    found = calibrate(path)
    assert found.light_from == "file"
    assert found.light == found.own_light
    assert found.light[0] == pytest.approx(LIGHT_K, abs=1.0)
    assert found.light[1] == pytest.approx(0.0, abs=2e-5)
    bare = write(make_dng, tmp_path / "bare.dng", mosaic, first=[(50721, 10, 0, ()), (50722, 10, 0, ())])
    found = calibrate(bare)
    assert (found.light_from, found.light, found.own_light) == ("assumed", (5500.0, 0.0), None)
    assert camera_document(found)["illuminant_1"] == 4


def test_clipped_patches_are_left_out_and_named(make_dng: Make, tmp_path: Path) -> None:
    path = write(make_dng, tmp_path / "a.dng", draw(scene(), top=1.3))
    found = calibrate(path, light=(LIGHT_K, 0.0))
    assert set(found.excluded) == {18}
    assert "clipped" in found.excluded[18]
    assert worst_cct_error(found.fit.matrix) < 1.0
    document = camera_document(found)
    assert document["chart"]["patches_used"] == 23
    assert document["patches"][18]["excluded"] == found.excluded[18]
    over = write(make_dng, tmp_path / "b.dng", draw(scene(), top=4.0))
    corners = np.array(UPRIGHT) / (WIDTH, HEIGHT)
    with pytest.raises(GreystepError, match=r"^b\.dng: .*"):
        calibrate(over, corners, (LIGHT_K, 0.0))


def test_corners_by_hand_in_any_order_of_start(make_dng: Make, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    fits: dict[bytes, Any] = {}

    def once(rgb: Floats, *more: Any) -> Any:
        """The same colours are fitted once, whatever corner was named first."""
        if rgb.tobytes() not in fits:
            fits[rgb.tobytes()] = best_fit(rgb, *more)
        return fits[rgb.tobytes()]

    monkeypatch.setattr(calibration_module, "best_fit", once)
    path = write(make_dng, tmp_path / "a.dng", draw(scene(), noise=True))
    corners = np.array(UPRIGHT) / (WIDTH, HEIGHT)
    straight = calibrate(path, corners, (LIGHT_K, 0.0))
    assert not straight.found
    assert not straight.notes
    np.testing.assert_array_equal(straight.corners, corners)
    for places in (1, 2, 3):
        again = calibrate(path, np.roll(corners, places, axis=0), (LIGHT_K, 0.0))
        np.testing.assert_allclose(again.corners, corners)
        assert "dark skin" in again.notes[0]
    for wrong in (corners[::-1], corners[[0, 2, 1, 3]], corners + 0.5, np.zeros((4, 2))):
        with pytest.raises(GreystepError, match="clockwise"):
            calibrate(path, wrong, (LIGHT_K, 0.0))
    with pytest.raises(GreystepError, match="no 24-patch colour chart between these corners"):
        calibrate(path, np.array([(0.05, 0.05), (0.2, 0.05), (0.2, 0.2), (0.05, 0.2)]), (LIGHT_K, 0.0))


def test_a_frame_without_the_chart_is_refused(make_dng: Make, tmp_path: Path) -> None:
    signals = scene()
    shuffled = np.vstack([signals[np.random.default_rng(1).permutation(24)], signals[24:]])
    for name, mosaic in {
        "other": draw(shuffled),
        "dark": np.full((HEIGHT, WIDTH), BLACK, np.uint16),
        "greys": draw(np.where(np.arange(25)[:, None] < 24, 0.5 * signals[24], signals)),
    }.items():
        with pytest.raises(GreystepError, match=rf"^{name}\.dng: no 24-patch colour chart found; .*--corners"):
            calibrate(write(make_dng, tmp_path / f"{name}.dng", mosaic))
    with pytest.raises(FrameError, match="there is no such file"):
        calibrate(tmp_path / "gone.dng")


def test_implausible_residuals_are_refused_with_their_numbers(make_dng: Make, tmp_path: Path) -> None:
    signals = scene()
    signals[:18] *= np.exp(np.random.default_rng(6).normal(0.0, 0.2, (18, 3)))
    path = write(make_dng, tmp_path / "a.dng", draw(signals))
    numbers = r"a\.dng: .*median delta E 2000 \d+\.\d, 4 at most.*worst: .*shoot it again"
    with pytest.raises(GreystepError, match=numbers):
        calibrate(path, np.array(UPRIGHT) / (WIDTH, HEIGHT), (LIGHT_K, 0.0))


def test_a_linear_frame_of_three_planes(make_dng: Make, tmp_path: Path) -> None:
    mosaic = draw(scene())
    cells = mosaic.reshape(HEIGHT // 2, 2, WIDTH // 2, 2)
    planes = np.stack([cells[:, 0, :, 0], cells[:, 0, :, 1], cells[:, 1, :, 1]], axis=-1)
    path = make_dng(tmp_path / "a.dng", planes, black=(BLACK,) * 3, white=(WHITE,) * 3)
    assert worst_cct_error(calibrate(path, light=(LIGHT_K, 0.0)).fit.matrix) < 1.0


def test_each_patch_is_measured_within_itself(make_dng: Make, tmp_path: Path) -> None:
    signals = scene()
    frame = open_frame(write(make_dng, tmp_path / "a.dng", draw(signals, POSES["turned 12"])))
    measured = measure_chart(frame, np.array(POSES["turned 12"]) / (WIDTH, HEIGHT))
    wanted = 0.75 * (WHITE - BLACK) * signals[:24] / signals[18, 1]
    np.testing.assert_allclose([s.mean for s in measured], wanted, atol=0.6)
    assert all(min(s.n) > 100 and s.gradient_pct < 1.0 for s in measured)


def test_the_file_is_read_back_by_the_measuring_chain(make_dng: Make, tmp_path: Path) -> None:
    found = calibrate(write(make_dng, tmp_path / "a.dng", draw(scene())), light=(LIGHT_K, 0.0))
    write_json(tmp_path / "camera.json", camera_document(found))
    tags = read_camera_json(tmp_path / "camera.json")
    assert (tags.source, tags.illuminant_1, tags.matrix_2) == ("camera.json", 4, None)
    neutral = TRUE @ planck_xyz(4300.0)
    read = colour_from_matrix(fixed_matrix(tags, neutral), neutral[None], np.zeros((1, 3, 3)))
    assert read.cct_k[0] == pytest.approx(4300.0, abs=1.0)
    (tmp_path / "camera.json").write_text('{"schema": 1}')
    with pytest.raises(FaultsError):
        read_camera_json(tmp_path / "camera.json")


# --- the real frame ---------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def real() -> Calibration:
    return calibrate(Path(CORPUS) / "tinydng_colorchart.dng")


@corpus
def test_the_chart_of_a_real_frame_is_found_beside_another_page(real: Calibration) -> None:
    # corners read off the developed frame by eye, of 867 x 578 px
    by_eye = np.array([(335, 291), (649, 286), (654, 482), (327, 489)]) / (867, 578)
    assert real.found
    assert np.abs(real.corners - by_eye).max() < 0.006  # 5 px of 46 px a patch
    frame = open_frame(Path(CORPUS) / "tinydng_colorchart.dng")
    np.testing.assert_array_equal(find_chart(frame), real.corners)
    assert chart_module.LARGEST_MISFIT < 0.34  # every wrong place on this frame leaves more


@corpus
def test_a_real_frame_in_warm_mixed_light_fits_with_a_plausible_residual(real: Calibration) -> None:
    residuals = camera_document(real)["residuals"]
    assert 0.5 < residuals["median_delta_e_2000"] < 1.5
    assert residuals["median_delta_e_2000"] < residuals["left_out_median_delta_e_2000"] < 2.0
    assert residuals["worst_delta_e_2000"] < 5.0
    assert residuals["u_difference_of_10_mired"] < 0.6
    assert real.light_from == "file"
    assert 2700 < real.light[0] < 3000  # warm, as its README says
    assert not real.excluded
    assert real.fit.terms == (0, True)  # the file's black is 8 counts above its masked border, and there is glare
    assert any("9 % of the range" in note for note in real.notes)
