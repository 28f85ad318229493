"""The way from a chart's signals to a matrix: on an exact camera, against the equations written down another way."""

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from greystep.errors import GreystepError
from greystep.measure import calibration, chart
from greystep.measure.calibration import Fit, best_fit, fit_matrix, patch_xyz
from greystep.measure.chromaticity import delta_e_2000, xyz_to_upvp
from greystep.raw.dng import ColourTags
from greystep.raw.exposure import Exposure

Floats = NDArray[np.float64]
MATRIX = np.array([[0.95, -0.28, -0.09], [-0.55, 1.32, 0.24], [-0.17, 0.27, 0.72]]) * 4000.0
ALL = np.ones(24, dtype=bool)
GREYS = slice(18, 24)


def light_on(slopes: Floats) -> Floats:
    """Light over the chart, as planes of its logarithm from -1 to 1 across and down; slopes (2, 1 or 3)."""
    column, row = np.tile(np.linspace(-1, 1, 6), 4), np.repeat(np.linspace(-1, 1, 4), 6)
    return np.asarray(np.exp(column[:, None] * slopes[0] + row[:, None] * slopes[1]) * np.ones(3))


@pytest.mark.parametrize("offset", [False, True])
@pytest.mark.parametrize("planes", [0, 1, 3])
def test_an_exact_camera_is_found_with_its_light_and_its_offset(planes: int, offset: bool) -> None:
    xyz, _ = chart.chart_colours(5500.0, 0.0)
    slopes = np.array([[0.03, -0.01, 0.02], [-0.05, 0.04, 0.01]])[:, :planes] if planes else np.zeros((2, 1))
    glare = np.array([30.0, -20.0, 55.0]) * offset
    rgb = light_on(slopes) * (xyz @ MATRIX.T + glare)
    used = np.arange(24) != 2
    rgb[2] *= 3.0
    found = fit_matrix(rgb, xyz, used, (planes, offset))
    assert found.matrix == pytest.approx(MATRIX, rel=1e-5, abs=0.05)
    assert found.offset == pytest.approx(glare, abs=0.02)
    assert found.shade == pytest.approx(light_on(slopes), abs=1e-5)
    assert found.terms == (planes, offset)
    assert patch_xyz(found, rgb)[used] == pytest.approx(xyz[used], abs=1e-4)


@pytest.mark.parametrize("offset", [False, True])
def test_the_fit_is_the_least_squares_one_among_those_that_keep_the_sum_of_the_greys(offset: bool) -> None:
    """By Lagrange's multipliers; each patch weighs as the slope of the cube root at its luminance, from 0.02 up."""
    xyz, _ = chart.chart_colours(5000.0, 0.002)
    rgb = xyz @ MATRIX.T * (1.0 + 0.03 * np.random.default_rng(2).standard_normal((24, 3)))
    used = ~np.isin(np.arange(24), (5, 20))
    inputs = np.c_[xyz, np.ones(24)] if offset else xyz
    weight = np.maximum(xyz[:, 1], 0.02) ** (-2.0 / 3.0)
    greys = [18, 19, 21, 22, 23]
    left, anchor = (inputs * weight[:, None])[used], inputs[greys].sum(axis=0)
    size = len(anchor)
    system = np.zeros((size + 1, size + 1))
    system[:size, :size], system[size, :size], system[:size, size] = left.T @ left, anchor, anchor
    right = np.vstack([left.T @ (rgb * weight[:, None])[used], rgb[greys].sum(axis=0)])
    wanted = np.linalg.solve(system, right)[:size]
    found = fit_matrix(rgb, xyz, used, (0, offset))
    assert found.matrix == pytest.approx(wanted[:3].T)
    assert found.offset == pytest.approx(wanted[3] if offset else np.zeros(3))


def chosen(monkeypatch: pytest.MonkeyPatch, errors: dict[tuple[int, bool], float]) -> tuple[int, bool]:
    """Which terms are taken where patches that the fit has not seen are wrong by so much; by 1 with any other."""
    asked = []

    def left_out(rgb: Floats, xyz: Floats, white: Floats, used: NDArray[np.bool_], terms: tuple[int, bool]) -> Floats:
        asked.append(terms)
        return np.where(used, errors.get(terms, 1.0), 99.0)

    monkeypatch.setattr(calibration, "_left_out", left_out)
    xyz, white = chart.chart_colours(5500.0, 0.0)
    fit, unseen = best_fit(xyz @ MATRIX.T, xyz, white, np.arange(24) != 7)
    assert asked == [(0, False), (1, False), (0, True), (1, True), (3, False), (3, True)], "the simpler ones first"
    assert unseen[0] == errors.get(fit.terms, 1.0)
    return fit.terms


def test_the_simplest_fit_is_taken_that_predicts_as_well_as_any_other(monkeypatch: pytest.MonkeyPatch) -> None:
    plain, plane, glare, both, three = (0, False), (1, False), (0, True), (1, True), (3, False)
    assert chosen(monkeypatch, {}) == plain
    assert chosen(monkeypatch, {plane: 0.6, glare: 0.6}) == plane
    assert chosen(monkeypatch, {glare: 0.6, both: 0.58}) == glare
    assert chosen(monkeypatch, {glare: 0.6, both: 0.5, three: 0.46}) == both, "0.04 is not worth a plane"
    assert chosen(monkeypatch, {plain: 2.0, three: 1.0, plane: 1.9, glare: 1.95, both: 1.95}) == three
    assert chosen(monkeypatch, {plain: 4.0, plane: 3.81, glare: 4.5, both: 4.5, three: 4.5, (3, True): 4.5}) == plain
    assert chosen(monkeypatch, {plain: 4.0, plane: 3.79, glare: 4.5, both: 4.5, three: 4.5, (3, True): 4.5}) == plane


def test_a_patch_that_is_left_out_is_predicted_by_all_others() -> None:
    xyz, white = chart.chart_colours(5500.0, 0.0)
    rgb = xyz @ MATRIX.T * (1.0 + 0.02 * np.random.default_rng(3).standard_normal((24, 3)))
    used = np.arange(24) != 4
    found = calibration._left_out(rgb, xyz, white, used, (0, True))
    for number in (0, 4, 19):
        others = used & (np.arange(24) != number)
        seen = patch_xyz(fit_matrix(rgb, xyz, others, (0, True)), rgb)[number]
        assert found[number] == pytest.approx(float(delta_e_2000(seen, xyz[number], white)))


def test_what_a_fit_reads_is_its_equation_the_other_way_round() -> None:
    shade = light_on(np.array([[0.1, 0.2, 0.0], [0.0, -0.1, 0.3]]))
    fit = Fit(MATRIX, np.array([5.0, 6.0, 7.0]), shade, (3, True))
    xyz, _ = chart.chart_colours(5500.0, 0.0)
    rgb = np.array([shade[at] * (MATRIX @ colour + fit.offset) for at, colour in enumerate(xyz)])
    assert patch_xyz(fit, rgb) == pytest.approx(xyz)


# --- the colour of the light ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("lost", [(), (18, 20)])
def test_the_files_own_matrix_reads_the_light_off_the_greys(lost: tuple[int, ...]) -> None:
    """Their own colour is divided out: an exact camera reads the light that it was shot in."""
    tags = ColourTags(MATRIX / 4000.0, None, 21, 0)
    used = ~np.isin(np.arange(24), lost)
    for cct, duv in ((5600.0, 0.002), (3200.0, -0.004)):
        rgb = chart.chart_colours(cct, duv)[0] @ MATRIX.T
        rgb[list(lost)] = 1.0
        found = calibration._own_light(tags, rgb, used)
        assert found is not None
        assert found[0] == pytest.approx(cct, rel=2e-5)
        assert found[1] == pytest.approx(duv, abs=2e-6)
    assert calibration._own_light(None, rgb, used) is None
    assert calibration._own_light(tags, rgb * [1.0, 60.0, 1.0], used) is None, "no white"
    without = ColourTags(np.ones((3, 3)), None, 21, 0)
    assert calibration._own_light(without, rgb, used) is None, "no inverse"


# --- the whole way ----------------------------------------------------------------------------------------------------


def signals(rgb: Floats, clipped: tuple[int, ...] = ()) -> list[Any]:
    return [
        SimpleNamespace(
            mean=tuple(colour), white=(16384.0, 17408.0, 16384.0), black=(0.0, 1024.0, 0.0), damage="",
            clipped_pct=5.0 if number in clipped else 0.0,
        )
        for number, colour in enumerate(rgb.tolist())
    ]  # fmt: skip


@pytest.fixture
def shot(monkeypatch: pytest.MonkeyPatch) -> Any:
    """A frame of a chart in a light of 5600 K, Duv 0.001, two patches clipped; what is said of it may be changed."""
    state = SimpleNamespace(
        tags=ColourTags(MATRIX / 4000.0, None, 21, 0), opcodes=False, place=np.full((4, 2), 0.25), turned=0, scale=1.0
    )
    monkeypatch.setattr(calibration, "open_frame", lambda _: SimpleNamespace(colour=state.tags, opcodes=state.opcodes))
    monkeypatch.setattr(calibration, "read_exposure", lambda _: Exposure(make="Some", model="Camera", serial="77"))
    monkeypatch.setattr(chart, "find_chart", lambda _: state.place)
    monkeypatch.setattr(chart, "turned_corners", lambda _, corners: (corners + 0.125, state.turned))
    rgb = (
        chart.chart_colours(5600.0, 0.001)[0]
        @ MATRIX.T
        * (1.0 + 0.01 * np.random.default_rng(4).standard_normal((24, 3)))
    )
    monkeypatch.setattr(chart, "measure_chart", lambda *_: signals(rgb * state.scale, clipped=(3, 9)))
    monkeypatch.setattr(
        calibration, "best_fit", lambda rgb, xyz, white, used: (fit_matrix(rgb, xyz, used), np.arange(24.0))
    )
    state.rgb = rgb
    return state


def test_a_calibration_says_what_was_found_in_the_frame(shot: Any) -> None:
    found = calibration.calibrate(Path("day/f.dng"), light=(5600.0, 0.001))
    assert (found.frame, found.body, found.found) == ("f.dng", "Some Camera 77", True)
    assert found.corners.tolist() == shot.place.tolist()
    assert (found.light, found.light_from) == ((5600.0, 0.001), "given")
    assert found.own_light is not None
    assert found.own_light[0] == pytest.approx(5600.0, abs=60.0)
    assert found.names[0] == "dark skin"
    assert len(found.names) == 24
    assert sorted(found.excluded) == [3, 9]
    assert found.notes == ()
    assert found.left_out.tolist() == list(range(24))
    xyz, white = chart.chart_colours(5600.0, 0.001)
    used = ~np.isin(np.arange(24), (3, 9))
    assert found.used.tolist() == used.tolist()
    fit = fit_matrix(shot.rgb, xyz, used)
    assert found.fit.matrix == pytest.approx(fit.matrix)
    seen = patch_xyz(fit, shot.rgb)
    assert found.delta_e == pytest.approx(delta_e_2000(seen, xyz, white))
    assert found.delta_uv == pytest.approx(np.linalg.norm(xyz_to_upvp(seen) - xyz_to_upvp(xyz), axis=1))
    wanted = calibration._difference_uncertainty(fit, shot.rgb, xyz, used, (5600.0, 0.001))
    assert found.u_difference_mired == pytest.approx(wanted)


def test_the_light_is_the_given_one_else_the_files_else_a_usual_flash(shot: Any) -> None:
    found = calibration.calibrate(Path("f.dng"))
    assert (found.light, found.light_from) == (found.own_light, "file")
    shot.tags = None
    found = calibration.calibrate(Path("f.dng"))
    assert (found.light, found.light_from, found.own_light) == ((5500.0, 0.0), "assumed", None)


def test_what_a_person_must_know_of_the_frame_is_noted(shot: Any) -> None:
    corners = np.array([[0.1, 0.1], [0.5, 0.1], [0.5, 0.5], [0.1, 0.5]])
    found = calibration.calibrate(Path("f.dng"), corners, (5600.0, 0.001))
    assert (found.found, found.notes) == (False, ())
    assert found.corners == pytest.approx(corners + 0.125)
    shot.turned, shot.opcodes = 2, True
    green = shot.rgb[18] / (16384.0, 16384.0, 16384.0)
    shot.scale = 0.196 / float(green.max())
    assert calibration.calibrate(Path("f.dng"), corners).notes == (
        "the corners were taken from number 3 on: there the colours put dark skin",
        "the file asks for pixel corrections that are not applied here",
        "the white patch reaches 20 % of the range; expose it to 60-80 % for less noise",
    )
    shot.scale, shot.opcodes = 0.204 / float(green.max()), False
    assert calibration.calibrate(Path("f.dng")).notes == ()
    shot.place = None
    with pytest.raises(GreystepError, match=r"f\.dng: no 24-patch colour chart found"):
        calibration.calibrate(Path("f.dng"))
