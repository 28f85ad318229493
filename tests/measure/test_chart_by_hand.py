"""The parts of the search for a colour chart: maps between planes, even areas, places, corners; all by hand."""

from collections.abc import Iterator
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from greystep.errors import GreystepError
from greystep.measure import calibration, chart
from greystep.measure.chart import chart_colours
from greystep.measure.chromaticity import cct_duv, cct_duv_to_xy, xy_to_xyz, xyz_to_xy

Floats = NDArray[np.float64]
MATRIX = np.array([[0.95, -0.28, -0.09], [-0.55, 1.32, 0.24], [-0.17, 0.27, 0.72]])
SEEN = chart_colours(5000.0, 0.0)[0] @ MATRIX.T


# --- maps -------------------------------------------------------------------------------------------------------------


def test_a_projective_map_is_found_from_pairs_of_points_wherever_they_lie() -> None:
    true = np.array([[12.0, 2.0, 300.0], [-1.0, 11.0, 200.0], [1e-3, 2e-3, 1.0]])
    places = chart._grid()
    there = np.c_[places, np.ones(24)] @ true.T
    there = there[:, :2] / there[:, 2:]
    found = chart._homography(places, there)
    assert found / found[2, 2] == pytest.approx(true, rel=1e-6)
    assert chart._project(found, places) == pytest.approx(there)
    assert chart._project(found, places[3]) == pytest.approx(there[3:4])
    four = [0, 5, 23, 18]
    assert chart._project(chart._homography(places[four], there[four]), places) == pytest.approx(there, rel=1e-5)
    assert places[[0, 5, 6, 23]].tolist() == [[0, 0], [5, 0], [0, 1], [5, 3]]


def test_the_corners_of_a_chart_are_the_outer_ones_of_its_corner_patches() -> None:
    half = chart.FILL / 2
    left, right, top, bottom = -half, 5 + half, -half, 3 + half
    assert chart._corner_places().tolist() == [[left, top], [right, top], [right, bottom], [left, bottom]]
    corners = np.array([(100.0, 50.0), (200.0, 50.0), (200.0, 120.0), (100.0, 120.0)])
    (x, y), (x1, y1) = chart._project(chart._from_corners(corners), np.array([[0, 0], [5, 3]]))
    side = 100.0 / (5 + chart.FILL)
    assert (x, y) == pytest.approx((100.0 + side * half, 50.0 + 70.0 / (3 + chart.FILL) * half))
    assert (x1, y1) == pytest.approx((200.0 - side * half, 120.0 - 70.0 / (3 + chart.FILL) * half))


def test_colours_are_sampled_at_the_nearest_pixel_within_the_picture() -> None:
    picture = np.arange(5.0 * 7.0 * 3.0).reshape(5, 7, 3)
    spots = np.array([(0.0, 0.0), (2.4, 3.4), (2.6, 3.6), (6.0, 4.0), (6.1, 4.0), (-0.1, 1.0), (1.0, 4.1), (1.0, -0.1)])
    found = chart._sampled(picture, spots)
    assert found[0].tolist() == picture[0, 0].tolist()
    assert found[1].tolist() == picture[3, 2].tolist()
    assert found[2].tolist() == picture[4, 3].tolist()
    assert found[3].tolist() == picture[4, 6].tolist()
    assert np.isnan(found[4:]).all()


def test_pictures_are_thinned_to_means() -> None:
    picture = np.arange(7.0 * 8.0 * 3.0).reshape(7, 8, 3)
    found = chart._binned(picture, 3)
    assert found.shape == (2, 2, 3)
    assert found[1, 0] == pytest.approx(picture[3:6, 0:3].mean(axis=(0, 1)))
    assert chart._binned(picture, 1) == pytest.approx(picture)


# --- even areas -------------------------------------------------------------------------------------------------------


def areas(*boxes: tuple[int, int, int, int], shape: tuple[int, int] = (60, 80)) -> list[tuple[float, float, float]]:
    calm = np.zeros(shape, dtype=bool)
    for y0, y1, x0, x1 in boxes:
        calm[y0:y1, x0:x1] = True
    centres, sizes = chart._even_areas(calm)
    return [(float(x), float(y), float(side)) for (x, y), side in zip(centres, sizes, strict=True)]


def test_an_even_area_has_a_middle_and_a_side() -> None:
    assert areas((10, 18, 20, 28), (30, 36, 50, 60)) == [
        pytest.approx((23.5, 13.5, 8.0)), pytest.approx((54.5, 32.5, np.sqrt(60.0))),
    ]  # fmt: skip
    assert areas((10, 13, 20, 24)), "of twelve pixels"
    assert not areas((10, 11, 20, 31)), "of eleven"
    assert not areas((10, 20, 20, 32)), "a fortieth of the picture is too large"
    assert areas((10, 20, 20, 31))
    assert not areas((10, 16, 20, 40)), "far longer than wide"
    assert areas((10, 16, 20, 32))
    assert not areas((10, 15, 20, 32)), "just too long"
    assert not areas((10, 22, 20, 25)), "just too high"
    assert areas((10, 15, 20, 31))
    assert areas((10, 21, 20, 25))
    cross = ((10, 22, 24, 26), (15, 17, 20, 30))
    assert not areas(*cross), "no parallelogram"


# --- places -----------------------------------------------------------------------------------------------------------


def placed(picture: Floats, nodes: list[tuple[int, int]], pitch: float = 10.0) -> Iterator[tuple[int, float, Floats]]:
    """Patches every 10 px from (15, 12) on; `nodes` are those of a lattice that were seen."""
    at = np.array(nodes)
    return chart._placed(at, at * pitch + [15.0, 12.0], picture, chart_colours(5000.0, 0.0)[0])


def drawn(turns: int = 0) -> Floats:
    picture = np.full((90, 90, 3), 0.01)
    grid = np.rot90(SEEN.reshape(4, 6, 3), -turns)
    for row, column in np.ndindex(grid.shape[:2]):
        picture[12 + 10 * row - 4 : 12 + 10 * row + 5, 15 + 10 * column - 4 : 15 + 10 * column + 5] = grid[row, column]
    return picture


@pytest.mark.parametrize("turns", range(4))
def test_a_lattice_is_the_chart_at_the_one_place_and_turn_where_its_colours_fit(turns: int) -> None:
    across, down = (6, 4) if turns % 2 == 0 else (4, 6)
    seen = [(column, row) for row in range(down) for column in range(across)]
    found = list(placed(drawn(turns), seen))
    assert len(found) == 1
    count, misfit, corners = found[0]
    assert count == 24
    assert misfit == pytest.approx(0.0, abs=1e-9)
    half = 10.0 * chart.FILL / 2
    edges = [(15 - half, 12 - half), (15 + 10 * (across - 1) + half, 12 + 10 * (down - 1) + half)]
    upright = np.array([edges[0], (edges[1][0], edges[0][1]), edges[1], (edges[0][0], edges[1][1])])
    assert corners == pytest.approx(np.roll(upright, -turns, axis=0), abs=1e-6)
    wide = np.pad(drawn(turns), ((0, 60), (0, 60), (0, 0)), constant_values=0.02)
    assert [one[:2] for one in placed(wide, seen)] == [found[0][:2]], "with room about it too"


@pytest.mark.parametrize(("columns", "rows"), [((0, 3), (0, 4)), ((3, 6), (0, 4)), ((0, 6), (0, 2)), ((0, 6), (2, 4))])
def test_half_of_a_chart_is_enough_whichever_half(columns: tuple[int, int], rows: tuple[int, int]) -> None:
    seen = [(column, row) for row in range(*rows) for column in range(*columns)]
    assert [count for count, *_ in placed(drawn(), seen)] == [12]


def test_ten_areas_in_two_rows_are_enough_and_in_one_row_none() -> None:
    picture = drawn()
    ten = [(column, row) for row in (1, 2) for column in range(5)]
    assert [count for count, *_ in placed(picture, ten)] == [10]
    assert list(placed(picture, ten[:9])) == []
    assert list(placed(picture, [(column, 0) for column in range(6)])) == []
    wrong = picture.copy()
    wrong[8:17, 11:60] = picture[8:17, 11:60][:, ::-1]
    assert list(placed(wrong, ten)) == [], "its colours are not the chart's"


# --- corners by hand --------------------------------------------------------------------------------------------------

BOX = np.array([(0.2, 0.2), (0.8, 0.2), (0.8, 0.7), (0.2, 0.7)])


@pytest.mark.parametrize(
    "corners",
    [
        BOX[::-1], BOX[[0, 2, 1, 3]], BOX - (-0.3, 0.0), BOX - (0.3, 0.0), BOX - (0.0, -0.4),
        np.array([(0.2, 0.2), (0.8, 0.2), (0.8, 0.2), (0.2, 0.7)]),
    ],
)  # fmt: skip
def test_corners_go_round_an_area_of_the_frame_clockwise(corners: Floats) -> None:
    frame: Any = SimpleNamespace(path=SimpleNamespace(name="f.dng"))
    with pytest.raises(GreystepError, match="they do not go round an area of the frame clockwise"):
        chart.turned_corners(frame, corners)


def test_corners_may_lie_on_the_rim_of_the_frame(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[Any] = []
    monkeypatch.setattr(chart, "overview", lambda *given: asked.append(given) or np.full((40, 60, 3), 0.3))
    frame: Any = SimpleNamespace(path=SimpleNamespace(name="f.dng"))
    with pytest.raises(GreystepError, match="no 24-patch colour chart between these corners"):
        chart.turned_corners(frame, np.array([(0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0)]))
    assert asked == [(frame, 1024)], "in the finest picture"


@pytest.mark.parametrize("turns", range(4))
def test_corners_are_turned_until_the_colours_fit(turns: int, monkeypatch: pytest.MonkeyPatch) -> None:
    picture = np.full((100, 100, 3), 0.01)
    to_frame = chart._from_corners(BOX * 100.0)
    y, x = np.mgrid[0:100, 0:100]
    there = chart._project(np.linalg.inv(to_frame), np.stack([x.ravel() + 0.5, y.ravel() + 0.5], axis=1))
    column, row = np.rint(there).astype(int).T
    inside = (column >= 0) & (column <= 5) & (row >= 0) & (row <= 3)
    picture.reshape(-1, 3)[inside] = SEEN[6 * row[inside] + column[inside]]
    monkeypatch.setattr(chart, "overview", lambda *_: picture)
    frame: Any = SimpleNamespace(path=SimpleNamespace(name="f.dng"))
    found, by = chart.turned_corners(frame, np.roll(BOX, turns, axis=0))
    assert by == turns
    assert found == pytest.approx(BOX)
    monkeypatch.setattr(chart, "overview", lambda *_: picture[::-1, ::-1] * np.linspace(1, 9, 100)[:, None, None])
    with pytest.raises(GreystepError, match=r"f\.dng: no 24-patch colour chart between these corners"):
        chart.turned_corners(frame, BOX)


# --- which patches count ----------------------------------------------------------------------------------------------


def usable(*lost: int, **more: Any) -> tuple[int, dict[int, str]]:
    def patch(number: int) -> Any:
        usual = {"clipped_pct": 0.0, "damage": "", "mean": (5.0, 5.0, 5.0)}
        return SimpleNamespace(**usual | (more or {"clipped_pct": 0.2} if number in lost else {}))

    names = [f"patch {number}" for number in range(24)]
    used, excluded = calibration._usable("f.dng", [patch(number) for number in range(24)], names)
    return int(used.sum()), excluded


def test_patches_that_are_clipped_damaged_or_black_are_left_out() -> None:
    assert usable() == (24, {})
    assert usable(3) == (23, {3: "0.2 % of it is clipped"})
    assert usable(3, clipped_pct=0.1) == (24, {})
    assert usable(3, damage="zero") == (23, {3: "zero"})
    assert usable(3, mean=(5.0, 0.0, 5.0)) == (23, {3: "no signal above black"})


def test_eighteen_patches_and_three_greys_are_needed() -> None:
    assert usable(*range(6))[0] == 18
    with pytest.raises(GreystepError, match=r"17 of 24 patches can be used, 18 and 3 of the greys .* and 3 more"):
        usable(*range(7))
    greys = list(chart.GREYS)
    assert usable(*greys[:-3])[0] == 24 - len(greys) + 3
    with pytest.raises(GreystepError, match=r"left out: patch 18 \(0\.2 % of it is clipped\), patch 19"):
        usable(*greys[:-2])


def test_how_sure_a_difference_of_10_mired_is_is_told_of_any_light_that_may_be_given() -> None:
    """By the jackknife over the patches, twice its standard deviation; of a light at the edge of the whites too."""
    xyz, _ = chart_colours(5500.0, 0.0)
    rgb = xyz @ MATRIX.T * np.exp(0.01 * np.random.default_rng(1).standard_normal((24, 3)))
    used = np.ones(24, dtype=bool)
    fit = calibration.fit_matrix(rgb, xyz, used)
    found = calibration._difference_uncertainty(fit, rgb, xyz, used, (5500.0, 0.001))
    read = []
    away = 1e6 / (1e6 / 5500.0 - 10.0)
    pair = xy_to_xyz(cct_duv_to_xy([5500.0, away], 0.001)) @ fit.matrix.T
    for left_out in range(24):
        matrix = calibration.fit_matrix(rgb, xyz, np.arange(24) != left_out).matrix
        cct, _ = cct_duv(xyz_to_xy(np.linalg.solve(matrix, pair.T).T))
        read.append(1e6 / cct[0] - 1e6 / cct[1])
    spread = np.sqrt(23 / 24 * np.sum((np.array(read) - np.mean(read)) ** 2))
    assert found == pytest.approx(2.0 * spread)
    assert np.mean(read) == pytest.approx(10.0, abs=0.3)
    assert np.isfinite(calibration._difference_uncertainty(fit, rgb, xyz, used, (5500.0, 0.05)))
