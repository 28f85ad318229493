"""Even areas of a scene at their limits: edges by light and colour, dust, passages, boxes that grow."""

import numpy as np
import pytest
from scipy import ndimage

from greystep.measure import target
from greystep.measure.target import even_areas


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
