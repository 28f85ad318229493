"""Ends and limits of what is measured: the locus, what a target does to light, edges by their colour, no target."""

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import ndimage

from greystep.flags import Flag
from greystep.measure import camera, chart, locus, patch, reading, target, target_moved
from greystep.measure.camera_json import calibrated_under
from greystep.measure.target import even_areas
from greystep.raw.frame import Mosaic

Floats = NDArray[np.float64]
#: A card that is a little warm, its reflectance a line and a bump over wavelength [nm].
NM = np.arange(380.0, 781.0, 10.0)
CARD = 0.2 + 0.00008 * (NM - 560.0) + 0.01 * np.exp(-(((NM - 480.0) / 40.0) ** 2))


# --- the locus --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("beyond", "end"), [(1.0, 4.0), (3.0, 4.0), (1110.0, 1100.0), (1180.0, 1100.0)])
def test_an_end_of_the_table_is_the_nearest_point_of_what_lies_beyond_it(beyond: float, end: float) -> None:
    at, away = locus.nearest(locus.planckian_uv(np.array([beyond])))
    assert at[0] == pytest.approx(end, abs=1e-9)
    assert abs(away[0]) < 1e-3


def test_many_colours_are_told_as_each_by_itself(monkeypatch: pytest.MonkeyPatch) -> None:
    at = np.linspace(50.0, 900.0, 11)
    uv = locus.planckian_uv(at) + 0.004 * locus.greener(locus.points(at)[1])
    monkeypatch.setattr(locus, "_CHUNK", 4)
    found, away = locus.nearest(uv)
    assert found == pytest.approx(at, abs=1e-6)
    assert away == pytest.approx(np.full(11, 0.004), abs=1e-9)


# --- what a target does to light --------------------------------------------------------------------------------------


def seen(light: Floats, card: bool) -> Floats:
    """XYZ of a spectrum, off the card or by itself."""
    nm, functions = locus.observer()
    return np.asarray((light * np.interp(nm, NM, CARD) if card else light) @ functions)


@pytest.mark.parametrize(("cct", "duv"), [(5500.0, 0.002), (3200.0, -0.004)])
def test_a_target_does_to_lights_about_one_what_it_does_to_their_spectra(cct: float, duv: float) -> None:
    """Exact at the light, and in its differences over 15 mired and 0.005 Duv to either side."""
    matrix = camera.target_matrix(NM, CARD, cct, duv)
    middle = camera.smooth_light(cct, duv)
    scale = seen(middle, True)[1]
    assert matrix @ seen(middle, False) == pytest.approx(seen(middle, True) / scale)
    warm, cool = (camera.smooth_light(1e6 / (1e6 / cct + step), duv) for step in (15.0, -15.0))
    assert matrix @ seen(warm - cool, False) == pytest.approx(seen(warm - cool, True) / scale, abs=1e-9)
    green, pink = (camera.smooth_light(cct, duv + step) for step in (0.005, -0.005))
    assert matrix @ seen(green - pink, False) == pytest.approx(seen(green - pink, True) / scale, abs=1e-9)
    factor = camera.target_factor(NM, CARD, cct, duv)
    assert factor == pytest.approx(seen(middle, True) / seen(middle, False) / scale)
    assert np.isnan(camera.target_matrix(NM, CARD, np.nan, 0.0)).all()


# --- edges by their colour --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("layers", [[0], [1], [2], [0, 1, 2]])
@pytest.mark.parametrize(("edge", "found"), [(0.053, True), (0.047, False)])
def test_an_edge_is_told_by_the_logarithm_of_green_or_of_a_colour_against_it(
    layers: list[int], edge: float, found: bool
) -> None:
    """The limit is 0.05; smoothed by 0.8 px, so much of a step remains over two pixels."""
    smooth = ndimage.gaussian_filter1d(np.repeat([0.0, 1.0], 20), 0.8)
    height = edge / (smooth[2:] - smooth[:-2]).max()
    scene = np.full((80, 120, 3), 0.2) + 0.03
    scene[20:50, 30:70, layers] *= np.exp(height)
    areas = even_areas(scene - 0.03, np.ones((80, 120), dtype=bool), 0.05)
    assert bool([area for area in areas if area.sides == 0]) == found


def test_the_border_of_an_area_is_that_of_its_edge_and_its_colour_the_median() -> None:
    rng = np.random.default_rng(1)
    scene = np.full((80, 120, 3), 0.2)
    scene[20:50, 30:70] = [0.3, 0.6, 0.4]
    scene[33, 50] = 9.0
    scene *= np.exp(0.002 * rng.standard_normal(scene.shape))
    (card,) = (area for area in even_areas(scene, np.ones((80, 120), dtype=bool), 0.03) if area.sides == 0)
    assert card.colour == pytest.approx([0.3, 0.6, 0.4], rel=1e-3)
    assert (card.y0, card.y1, card.x0, card.x1) == pytest.approx((20, 50, 30, 70), abs=1)
    assert 0.0 < card.spread < 0.02


@pytest.mark.parametrize(("noise", "rough"), [(0.12, False), (0.19, True)])
def test_an_area_whose_pixels_differ_from_their_neighbours_is_texture(noise: float, rough: bool) -> None:
    """A tenth in the median: 0.148 of one standard deviation."""
    scene = np.full((80, 120, 3), 0.5)
    pattern = np.exp(noise * np.random.default_rng(2).standard_normal((80, 120)))
    scene *= pattern[..., None]
    areas = even_areas(scene, np.ones((80, 120), dtype=bool), 3.0)
    assert bool(areas) != rough


@pytest.mark.parametrize(("y", "x", "high", "wide"), [(20, 30, 4, 4), (20, 30, 5, 4), (0, 0, 9, 6), (70, 114, 10, 6)])
def test_an_area_fills_what_is_steady_to_the_pixel(y: int, x: int, high: int, wide: int) -> None:
    """And one pixel more on each side: an edge marks the pixels on both its sides."""
    steady = np.zeros((80, 120), dtype=bool)
    steady[y : y + high, x : x + wide] = True
    (area,) = even_areas(np.full((80, 120, 3), 0.2), steady, 0.03)
    assert (area.y0, area.y1) == (max(0, y - 1), min(80, y + high + 1))
    assert (area.x0, area.x1) == (max(0, x - 1), min(120, x + wide + 1))


@pytest.mark.parametrize(("side", "at"), [(3, 0), (4, 1)])
def test_an_area_has_four_pixels_a_side_at_least(side: int, at: int) -> None:
    steady = np.zeros((80, 120), dtype=bool)
    steady[20:60, 30 : 30 + side] = True
    assert len(even_areas(np.full((80, 120, 3), 0.2), steady, 0.03)) == at
    wide = np.zeros((80, 640), dtype=bool)
    wide[20:60, 30 : 36 + side] = True
    assert len(even_areas(np.full((80, 640, 3), 0.2), wide, 0.03)) == at, "a 64th of the picture's width"


def test_the_box_of_a_round_area_lies_about_its_middle_beside_another() -> None:
    """A disc of 15 px within a bar that is an area of its own."""
    y, x = np.indices((80, 120))
    steady = (y - 40) ** 2 + (x - 60) ** 2 <= 15**2
    steady[5:12, 10:100] = True
    bar, disc = even_areas(np.full((80, 120, 3), 0.2), steady, 0.03)
    assert (bar.y0, bar.y1, bar.x0, bar.x1) == (4, 13, 9, 101)
    assert (disc.y0 + disc.y1, disc.x0 + disc.x1) == pytest.approx((81, 121), abs=2)
    assert min(disc.y1 - disc.y0, disc.x1 - disc.x0) >= 20
    assert steady[disc.y0 + 1 : disc.y1 - 1, disc.x0 + 1 : disc.x1 - 1].all()


def test_areas_that_hang_together_by_a_corner_are_one() -> None:
    """Two squares with a passage of five pixels askew between them: the larger one is the area."""
    steady = np.zeros((80, 120), dtype=bool)
    steady[5:25, 5:25], steady[45:70, 45:70] = True, True
    y, x = np.indices(steady.shape)
    steady |= (np.abs(y - x) <= 2) & (y > 5) & (y < 60)
    (area,) = even_areas(np.full((80, 120, 3), 0.2), steady, 0.03)
    assert (area.y0, area.y1, area.x0, area.x1) == (44, 71, 44, 71)
    steady[30:34] = False
    assert len(even_areas(np.full((80, 120, 3), 0.2), steady, 0.03)) == 2


@pytest.mark.parametrize(("high", "wide", "dust"), [(5, 5, True), (6, 5, False), (5, 6, False), (1, 1, True)])
def test_dust_is_five_pixels_a_side_at_most(high: int, wide: int, dust: bool) -> None:
    """What does not agree in so few pixels is no outline, and the area goes on through it."""
    steady = np.zeros((80, 120), dtype=bool)
    steady[10:50, 20:60] = True
    steady[27 : 27 + high, 37 : 37 + wide] = False
    (area,) = even_areas(np.full((80, 120, 3), 0.2), steady, 0.03)
    whole = (area.y0, area.y1, area.x0, area.x1) == (9, 51, 19, 61)
    assert whole == dust


@pytest.mark.parametrize("side", range(4))
def test_a_box_grows_to_one_side_alone_as_far_as_there_is_room(side: int) -> None:
    edges = np.ones((40, 40), dtype=bool)
    start = [15, 20, 15, 20]
    edges[15:20, 15:20] = False
    wanted = list(start)
    wanted[side] = (4, 33, 4, 33)[side]
    edges[min(start[0], wanted[0]) : max(start[1], wanted[1]), min(start[2], wanted[2]) : max(start[3], wanted[3])] = (
        False
    )
    assert list(target._grown(edges, *start)) == wanted


def test_an_even_area_may_lie_askew() -> None:
    """A rectangle of 10 by 16 px turned by 45 degrees, and one of 10 by 30, which is too long."""
    y, x = np.indices((120, 140))
    along, across = ((x - 40) + (y - 30)) / np.sqrt(2.0), ((x - 40) - (y - 30)) / np.sqrt(2.0)
    for length, seen in ((16.0, 1), (30.0, 0)):
        centres, sizes = chart._even_areas((np.abs(along) <= length / 2) & (np.abs(across) <= 5.0))
        assert len(sizes) == seen
    centres, sizes = chart._even_areas((np.abs(along) <= 8.0) & (np.abs(across) <= 5.0))
    assert centres[0] == pytest.approx((40.0, 30.0), abs=0.5)
    assert sizes[0] == pytest.approx(np.sqrt(160.0), rel=0.05)


def test_dead_pixels_that_stand_alone_are_no_damage() -> None:
    values = np.round(2000.0 + np.random.default_rng(3).normal(0.0, 20.0, (64, 64)))
    colours = np.tile(np.array([[0, 1], [3, 2]], np.int8), (32, 32))
    values[5:60:11, 7:60:13] = 0.0
    assert patch.measure_patch(Mosaic(values, colours, np.full((64, 64), 500.0)), (16383.0,) * 4).damage == ""
    values[16:20, 24:28] = 0.0
    told = patch.measure_patch(Mosaic(values, colours, np.full((64, 64), 500.0)), (16383.0,) * 4).damage
    assert told == f"{np.count_nonzero(values == 0.0)} pixels are zero, in blocks"


def test_a_map_without_a_middle_has_no_noise() -> None:
    assert target_moved._calm(np.ones((2, 5, 0, 4))).tolist() == [0.0] * 5


# --- no target --------------------------------------------------------------------------------------------------------


def test_without_a_target_the_frame_is_told_to_have_none() -> None:
    frame: Any = SimpleNamespace(path=Path("day/f.dng"))
    found = reading._measured(frame, None, reading.Reading(height=4), whole=False)
    assert found.flags == (Flag.NO_TARGET,)
    assert found.message == "f.dng: no target to measure; give its place in session.toml, [target] patch"
    assert (found.height, found.signal, found.surround) == (4, None, None)


def test_how_the_light_of_a_camera_file_was_known(tmp_path: Path) -> None:
    path = tmp_path / "camera.json"
    for said, known in (
        ('{"light": {"from": "given"}}', "given"), ('{"light": {}}', ""), ("{}", ""), ('{"light": "given"}', ""),
    ):  # fmt: skip
        path.write_text(said)
        assert calibrated_under(path) == known


@pytest.mark.parametrize(("sd", "damaged"), [(3.0, True), (6.0, False)])
@pytest.mark.parametrize("planes", [False, True])
def test_zeros_in_blocks_are_damage_where_the_light_lies_well_above_zero(
    sd: float, damaged: bool, planes: bool
) -> None:
    """A light of 25 counts is five standard deviations of 3, not of 6; of three planes all must be zero."""
    shape = (48, 48, 3) if planes else (48, 48)
    values = np.maximum(np.round(np.random.default_rng(6).normal(25.0, sd, shape)), 1.0)
    colours = np.full((48, 48), -1, np.int8) if planes else np.tile(np.array([[0, 1], [3, 2]], np.int8), (24, 24))
    values[16:20, 24:28] = 0.0

    def said() -> str:
        return patch.measure_patch(Mosaic(values, colours, np.zeros(shape)), (4095.0,) * 4).damage

    assert said() == ("16 pixels are zero, in blocks" if damaged else "")
    if planes:
        values[16:20, 24:28, 1] = 25.0
        assert said() == ""


@pytest.mark.parametrize(
    ("level", "said"),
    [(4095.0, ""), (3600.0, ""), (2500.0, "one value"), (150.0, "one value"), (100.0, ""), (0.0, "one value")],
)
def test_pixels_of_one_value_are_sound_where_they_are_saturated_or_near_black(level: float, said: str) -> None:
    """Black at 64 counts: a fiftieth of the range lies at 145; nothing but zeros was never written by a camera."""
    colours = np.tile(np.array([[0, 1], [3, 2]], np.int8), (16, 16))
    found = patch.measure_patch(Mosaic(np.full((32, 32), level), colours, np.full((32, 32), 64.0)), (4095.0,) * 4)
    assert found.damage == ("every pixel of a colour has the same value" if said else "")
    assert found.clipped_pct == (100.0 if level >= 3600.0 else 0.0)
