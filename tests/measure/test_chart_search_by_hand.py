"""The search for a colour chart from a picture on, and the boxes that are measured: drawn pixel by pixel."""

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import ndimage

from greystep.measure import chart, locus
from greystep.measure.chart import chart_colours

Floats = NDArray[np.float64]
MATRIX = np.array([[0.95, -0.28, -0.09], [-0.55, 1.32, 0.24], [-0.17, 0.27, 0.72]])
KNOWN = chart_colours(5000.0, 0.0)[0]
SEEN = KNOWN @ MATRIX.T


# --- areas and misfits ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(3))
def test_the_even_areas_of_a_mask_are_those_of_like_sides_that_fill_their_spread(seed: int) -> None:
    """Twelve pixels at least, a fortieth of the picture at most; their covariance tells sides and what they fill."""
    rng = np.random.default_rng(seed)
    calm = ndimage.gaussian_filter(rng.standard_normal((120, 160)), 1.0) > 0.12
    for _ in range(25):
        (y, x), (high, wide) = rng.integers(2, 100, 2), rng.integers(2, 22, 2)
        calm[y - 1 : y + high + 1, x - 1 : x + wide + 1] = False
        calm[y : y + high, x : x + wide] = True
    marks, count = ndimage.label(calm)
    wanted, nearly = [], 0
    for number in range(1, count + 1):
        y, x = np.nonzero(marks == number)
        if not 12 <= len(y) < 480:
            continue
        spread = np.cov(x, y, ddof=0) + np.eye(2) / 12.0  # of pixels that have an area themselves
        root = np.sqrt(max(np.linalg.det(spread), 1e-9))
        if len(y) / (12.0 * root) > 0.8 and np.trace(spread) / 2.0 / root < 1.4:
            wanted.append((x.mean(), y.mean(), np.sqrt(len(y))))
        else:
            nearly += 1
    centres, sizes = chart._even_areas(calm)
    assert np.c_[centres, sizes] == pytest.approx(np.array(wanted))
    assert len(wanted) > 3
    assert nearly > 3


def test_a_misfit_is_what_one_matrix_leaves_of_the_cube_roots_of_the_patches() -> None:
    """In units of the brightest of each channel, each weighing by the slope of the cube root at its luminance."""
    seen = SEEN * (1.0 + 0.05 * np.random.default_rng(2).standard_normal((24, 3))) * [1.0, 5.0, 0.3]
    seen[4, 1] = np.nan
    left = np.delete(np.arange(24), 4)
    weight = np.maximum(KNOWN[left, 1], 0.02) ** (-2.0 / 3.0)
    right = seen[left] / np.max(seen[left], axis=0)
    rest = []
    for channel in range(3):
        design = KNOWN[left] * weight[:, None]
        terms = np.linalg.solve(design.T @ design, design.T @ (right[:, channel] * weight))
        rest.append(right[:, channel] * weight - design @ terms)
    assert chart._misfit(seen, KNOWN) == pytest.approx(np.sqrt(np.mean(np.square(rest))))


# --- lattices ---------------------------------------------------------------------------------------------------------


def lattices(*groups: tuple[int, int, float], alone: int = 0) -> list[set[int]]:
    """The areas of each lattice that is found: groups of columns by rows, 10 px apart, each at its own place across."""
    centres = [(1000.0 + 200.0 * at, 900.0) for at in range(alone)]
    for columns, rows, start in groups:
        centres += [(start + 10.0 * column, 10.0 * row) for row in range(rows) for column in range(columns)]
    found = chart._lattices(np.array(centres), np.full(len(centres), 7.0))
    return [set(nodes.values()) for nodes in found]


def test_ten_areas_are_a_lattice_and_each_belongs_to_one() -> None:
    assert lattices((5, 2, 0.0)) == [set(range(10))]
    assert lattices((3, 3, 0.0)) == []
    assert lattices((3, 3, 0.0), (3, 3, 200.0)) == [], "nine and nine"
    assert lattices((4, 3, 0.0), (5, 3, 200.0)) == [set(range(12)), set(range(12, 27))]
    assert lattices((4, 3, 0.0), alone=3) == [set(range(3, 15))]
    assert lattices((3, 3, 0.0), (4, 3, 200.0)) == [set(range(9, 21))]
    assert lattices((12, 1, 0.0)) == [], "one row has no second direction"


def test_a_lattice_reaches_twelve_steps_each_way() -> None:
    assert lattices((15, 2, 0.0))[0] == {*range(13), *range(15, 28)}, "from its first area on"
    assert lattices((13, 2, 0.0)) == [set(range(26))]


# --- pictures ---------------------------------------------------------------------------------------------------------


def drawn(pitch: int = 14, top: int = 20, left: int = 30, level: float = 0.7, turned: bool = False) -> Floats:
    """A chart on a dark board, patches of 12 px where `pitch` is 14; its white has the level; grey about it."""
    picture: Floats = np.full((100, 160, 3), 0.2 * level) * SEEN[18] / SEEN[18, 1]
    side = pitch - 2
    grid = SEEN.reshape(4, 6, 3)[::-1, ::-1] if turned else SEEN.reshape(4, 6, 3)
    picture[top - 4 : top + 4 * pitch + 2, left - 4 : left + 6 * pitch + 2] = 0.01
    for row, column in np.ndindex(4, 6):
        y, x = top + pitch * row, left + pitch * column
        picture[y : y + side, x : x + side] = level * grid[row, column] / SEEN[18, 1]
    return picture


def outline(pitch: int = 14, top: int = 20, left: int = 30) -> Floats:
    """The outer corners that belong to it: patches take FILL of the pitch."""
    half, middle = chart.FILL * pitch / 2, (pitch - 3) / 2
    x0, x1 = left + middle - half, left + middle + 5 * pitch + half
    y0, y1 = top + middle - half, top + middle + 3 * pitch + half
    return np.array([(x0, y0), (x1, y0), (x1, y1), (x0, y1)])


@pytest.mark.parametrize("turned", [False, True])
def test_a_chart_in_a_picture_is_found_with_the_areas_that_were_seen_of_it(turned: bool) -> None:
    count, misfit, corners = max(chart._grids(drawn(turned=turned), KNOWN), key=lambda grid: grid[:2])
    assert 20 <= count <= 24
    assert misfit == pytest.approx(0.0, abs=0.01)
    assert corners == pytest.approx(np.roll(outline(), 2 * turned, axis=0), abs=0.5)


def test_patches_that_are_clipped_are_no_witnesses() -> None:
    """The white patch is cut off, so that it is as bright as the next one; the others tell the chart."""
    cut = np.minimum(drawn(level=1.6), 1.0)
    found = max(chart._grids(cut, KNOWN), key=lambda grid: grid[:2])
    assert found[1] == pytest.approx(0.0, abs=0.02)
    assert found[2] == pytest.approx(outline(), abs=0.5)
    wrong = max(chart._grids(np.minimum(cut, 0.97), KNOWN), key=lambda grid: grid[:2])
    assert wrong[1] < -0.05, "below the range it is a wrong colour"


def test_other_patches_in_a_lattice_are_no_chart() -> None:
    assert not list(chart._grids(drawn()[:, ::-1], KNOWN)), "its mirror image"
    assert not list(chart._grids(np.full((60, 80, 3), 0.3), KNOWN))


def test_the_best_grid_of_the_finest_picture_that_shows_any_is_the_chart(monkeypatch: pytest.MonkeyPatch) -> None:
    """The one with the most areas, then with the least misfit; its corners as fractions of the frame."""
    monkeypatch.setattr(chart, "LOOKED_AT", (800, 400, 160))
    picture = np.arange(320.0 * 480.0).reshape(320, 480)[..., None] * np.ones(3)
    monkeypatch.setattr(chart, "overview", lambda frame, longest: picture[:, :longest])
    looked_at: list[Floats] = []
    corners = np.array([(10.0, 20.0), (50.0, 20.0), (50.0, 40.0), (10.0, 40.0)])
    at_last = True

    def grids(small: Floats, known: Floats) -> list[tuple[int, float, Floats]]:
        looked_at.append(small)
        assert known == pytest.approx(KNOWN)
        if small.shape[0] > 200 or not at_last:
            return []
        return [
            (12, -0.02, corners - 9.0),
            (14, -0.09, corners - 5.0),
            (14, -0.03, corners),
            (13, -0.01, corners + 7.0),
        ]

    monkeypatch.setattr(chart, "_grids", grids)
    frame: Any = SimpleNamespace()
    assert chart.find_chart(frame) == pytest.approx((corners + 0.5) / (160.0, 106.0))
    assert [small.shape[:2] for small in looked_at] == [(320, 480), (320, 480), (106, 160)]
    assert looked_at[2][0, 0] == pytest.approx(picture[:3, :3].mean(axis=(0, 1)))
    at_last = False
    assert chart.find_chart(frame) is None


# --- what is measured -------------------------------------------------------------------------------------------------


def boxes(monkeypatch: pytest.MonkeyPatch, corners: list[tuple[float, float]]) -> list[tuple[int, ...]]:
    """The boxes y0, y1, x0, x1 of a frame of 1000 by 1500 px."""
    monkeypatch.setattr(chart, "read_region", lambda _, *box: box)
    monkeypatch.setattr(chart, "measure_patch", lambda box, white: (box, white))
    frame: Any = SimpleNamespace(width=1500, height=1000, pattern=np.zeros((2, 2)), white="the white")
    found: Any = chart.measure_chart(frame, np.array(corners) / (1500.0, 1000.0))
    assert all(white == "the white" for _, white in found)
    return [box for box, _ in found]


def test_of_an_upright_patch_its_inner_part_is_measured(monkeypatch: pytest.MonkeyPatch) -> None:
    """Pitches of 200 px across and 100 down: the half side is 0.3 of a patch's shorter side."""
    half = chart.FILL / 2
    left, right, top, bottom = 250 - 200 * half, 1250 + 200 * half, 300 - 100 * half, 600 + 100 * half
    found = boxes(monkeypatch, [(left, top), (right, top), (right, bottom), (left, bottom)])
    reach = 100 * chart.FILL * chart.INNER / 2
    assert len(found) == 24
    for number, (y0, y1, x0, x1) in enumerate(found):
        row, column = divmod(number, 6)
        assert (y0, y1) == pytest.approx((300 + 100 * row - reach, 300 + 100 * row + reach), abs=2)
        assert (x0, x1) == pytest.approx((250 + 200 * column - reach, 250 + 200 * column + reach), abs=2)


@pytest.mark.parametrize("degrees", [0.0, 20.0, -35.0, 110.0])
def test_of_a_turned_patch_an_upright_square_within_it(monkeypatch: pytest.MonkeyPatch, degrees: float) -> None:
    """In a square turned by an angle the largest upright one has its side over the sum of cosine and sine."""
    cos, sin = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))

    def at(column: float, row: float) -> tuple[float, float]:
        x, y = 120.0 * (column - 2.5), 120.0 * (row - 1.5)
        return 750.0 + cos * x - sin * y, 500.0 + sin * x + cos * y

    half = chart.FILL / 2
    found = boxes(monkeypatch, [at(-half, -half), at(5 + half, -half), at(5 + half, 3 + half), at(-half, 3 + half)])
    reach = 120.0 * chart.FILL * chart.INNER / 2 / (abs(cos) + abs(sin))
    for number, (y0, y1, x0, x1) in enumerate(found):
        x, y = at(number % 6, number // 6)
        assert (x0, x1, y0, y1) == pytest.approx((x - reach, x + reach, y - reach, y + reach), abs=2.1)


def test_a_patch_at_the_edge_of_the_frame_is_measured_within_it(monkeypatch: pytest.MonkeyPatch) -> None:
    """Of a chart that is larger than the frame: pitches of 324 and 337 px, half sides of 84 px about each middle."""
    found = boxes(monkeypatch, [(-200.0, -150.0), (1700.0, -150.0), (1700.0, 1150.0), (-200.0, 1150.0)])
    pitch = 1900.0 / (5 + chart.FILL)
    middle, reach = -200.0 + pitch * chart.FILL / 2, pitch * chart.FILL * chart.INNER / 2
    assert found[0] == pytest.approx((0, middle + 50.0 + reach, 0, middle + reach), abs=9)
    assert found[23] == pytest.approx((1000 - middle - 50.0 - reach, 1000, 1500 - middle - reach, 1500), abs=9)


def test_the_observer_is_read_once_and_nobody_changes_it() -> None:
    nm, functions = locus.observer()
    assert (nm[0], nm[-1], functions.shape) == (360.0, 830.0, (471, 3))
    for table in (nm, functions):
        with pytest.raises(ValueError, match="read-only"):
            table[0] = 0.0
