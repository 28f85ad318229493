"""Cards over the range, and a chart's lattice, from pictures and places written down pixel by pixel."""

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from scipy import spatial

from greystep.measure import chart, target, target_corners
from greystep.measure.target import Target, pixel_box, target_at
from greystep.measure.target_moved import around_of, slopes, stride
from greystep.raw.frame import Mosaic

Box = tuple[int, int, int, int]  # y0, y1, x0, x1


def over_range(*boxes: Box, shape: tuple[int, int] = (80, 120)) -> Box | None:
    """Hold rectangles at three times the level of what lies about them; the range ends between."""
    over = np.zeros(shape, dtype=bool)
    for y0, y1, x0, x1 in boxes:
        over[y0:y1, x0:x1] = True
    return target._card_over_range(np.where(over, 1.0, 0.3)[..., None] * np.ones(3), over)


def near(found: Box | None, wanted: Box) -> bool:
    """A median of three by three pixels takes the corners off a rectangle."""
    return found is not None and max(abs(one - other) for one, other in zip(found, wanted, strict=True)) <= 1


def test_of_two_cards_over_the_range_the_larger_one_is_the_target_wherever_they_lie() -> None:
    large = 20, 44, 10, 40
    for small in ((50, 62, 90, 102), (5, 17, 60, 72), (60, 72, 12, 24)):
        assert near(over_range(large, small), large), small
        assert near(over_range(small), small)
    for upper, lower in (((3, 27, 20, 50), (58, 77, 60, 80)), ((20, 50, 3, 27), (30, 50, 95, 114))):
        assert near(over_range(upper, lower), upper), "not by how far down or to the right it lies"
    tall, wide = (10, 60, 10, 26), (30, 44, 50, 110)
    assert near(over_range(tall, wide), wide), "by its area: 840 and 800 px"


@pytest.mark.parametrize(
    "box", [(0, 20, 30, 60), (1, 20, 30, 60), (60, 79, 30, 60), (30, 60, 1, 30), (30, 60, 90, 119), (30, 32, 30, 60)]
)
def test_what_reaches_the_frame_or_is_a_line_is_no_card(box: Box) -> None:
    assert over_range(box) is None


@pytest.mark.parametrize(("glow", "found"), [(0.3, True), (0.75, True), (0.85, False), (1.0, False)])
def test_a_card_stands_out_from_what_lies_about_it_and_a_soft_highlight_does_not(glow: float, found: bool) -> None:
    """Its neighbourhood of three pixels counts, however dark the rest of the frame; against the level of the card."""
    over = np.zeros((80, 120), dtype=bool)
    over[30:50, 40:70] = True
    scene = np.full((80, 120, 3), 0.6)
    scene[25:55, 35:75] = 2.0 * glow
    scene[30:50, 40:70] = 2.0
    assert (target._card_over_range(scene, over) is not None) == found


def test_a_target_is_measured_well_within_its_edges() -> None:
    found = target_at(20, 60, 10, 110, 100, 200)
    assert found.box == (0.05, 0.2, 0.55, 0.6)
    across, down = target.INSET * 100 / 200, target.INSET * 40 / 100
    assert found.patch == pytest.approx((0.05 + across, 0.2 + down, 0.55 - across, 0.6 - down))
    tiny = target_at(10, 14, 10, 14, 100, 100)
    assert tiny.patch == pytest.approx((0.11, 0.11, 0.13, 0.13)), "a pixel at least"


@pytest.mark.parametrize(
    ("box", "pixels"),
    [
        ((0.1, 0.2, 0.3, 0.4), (40, 80, 30, 90)),
        ((0.0, 0.0, 1.0, 1.0), (0, 200, 0, 300)),
        ((0.101, 0.201, 0.299, 0.399), (40, 80, 30, 90)),
        ((0.5, 0.5, 0.501, 0.501), (100, 102, 150, 152)),
    ],
)
def test_a_box_in_pixels_holds_whole_periods_of_the_filter(box: tuple[float, ...], pixels: Box) -> None:
    assert pixel_box(box, 200, 300, (2, 2)) == pixels  # type: ignore[arg-type]


def test_a_large_box_is_measured_in_its_middle() -> None:
    y0, y1, x0, x1 = pixel_box((0.2, 0.0, 0.8, 1.0), 1000, 1000, (2, 2))
    assert (y1 - y0, x1 - x0) == (512, 512)
    assert (y0 + y1, x0 + x1) == (1000, 1000)


@pytest.mark.parametrize(
    ("side", "bins", "step"),
    [(100, 32, 1), (5 * 8 * 32, 32, 1), (5 * 8 * 32 + 1, 32, 5), (31 * 8 * 32 + 1, 32, 31), (10**6, 32, 31)],
)
def test_rows_are_skipped_where_eight_a_bin_are_left(side: int, bins: int, step: int) -> None:
    assert stride(side, bins) == step


# --- the lattice of a chart -------------------------------------------------------------------------------------------


def lattice(gone: tuple[tuple[int, int], ...] = (), odd: float = 1.0) -> dict[tuple[int, int], int]:
    """Grow a lattice of 7 by 5 areas, 10 px apart and slanted, from its middle; `odd` is the size of its last area."""
    places = [(column, row) for row in range(-2, 3) for column in range(-3, 4) if (column, row) not in gone]
    basis = np.array([[10.0, 1.0], [-1.0, 10.0]])
    centres = np.array(places) @ basis + 50.0
    sizes = np.full(len(places), 7.0)
    sizes[-1] *= odd
    seed = places.index((0, 0))
    nodes = chart._grown(spatial.cKDTree(centres), centres, sizes, seed, basis)
    assert all(places[area] == node for node, area in nodes.items())
    return nodes


def test_a_lattice_grows_from_one_area_to_all_sides_step_by_step() -> None:
    assert set(lattice()) == {(column, row) for row in range(-2, 3) for column in range(-3, 4)}
    across = tuple((column, 1) for column in range(-3, 4))
    assert {row for _, row in lattice(across)} == {-2, -1, 0}, "no step over a gap"
    assert (3, 2) not in lattice(odd=1.7)
    assert (3, 2) not in lattice(odd=0.5)
    assert (3, 2) in lattice(odd=1.5)
    assert (3, 2) in lattice(odd=0.7)


def test_the_two_steps_of_a_lattice_go_to_the_nearest_like_areas_at_about_a_right_angle() -> None:
    def basis(*others: tuple[float, float], sizes: tuple[float, ...] = ()) -> list[list[float]] | None:
        centres = np.array([(50.0, 50.0), *((50.0 + x, 50.0 + y) for x, y in others)])
        each = np.array([8.0, *(sizes or [8.0] * len(others))])
        found = chart._basis(spatial.cKDTree(centres), centres, each, 0)
        return None if found is None else found.round(6).tolist()

    assert basis((10.0, 0.0), (0.0, 11.0)) == [[10.0, 0.0], [0.0, 11.0]]
    assert basis((0.0, 11.0), (10.0, 0.0)) == [[10.0, 0.0], [0.0, 11.0]], "clockwise, whichever is nearer"
    assert basis((0.0, 9.0), (10.0, 0.0)) == [[10.0, 0.0], [0.0, 9.0]]
    assert basis((-10.0, 0.0), (0.0, 11.0)) == [[0.0, 11.0], [-10.0, 0.0]]
    assert basis((10.0, 0.0), (10.0, 3.0)) is None, "nearly one direction"
    assert basis((10.0, 0.0), (0.0, 17.0)) is None, "one step far longer"
    assert basis((10.0, 0.0), (0.0, 11.0), sizes=(8.0, 13.0)) is None, "another size"
    assert basis((7.0, 0.0), (0.0, 7.5)) is None, "nearer than they are large"
    assert basis((20.0, 0.0), (0.0, 27.0)) is None, "too far: two and a half of their size and six pixels"
    assert basis((20.0, 0.0), (0.0, 25.0)) is not None


# --- corners of the target --------------------------------------------------------------------------------------------


def corner(low: int, right: int, in_tile: bool = True, depth: float = 0.5, room: float = 0.2) -> target_corners._Corner:
    return target_corners._Corner(low, right, in_tile, depth, room, (0, 0, 0, 0))


def test_two_corners_serve_best_in_a_tile_each_then_little_deep_then_opposite_then_with_most_room() -> None:
    worth = target_corners._worth
    assert worth(corner(0, 0), corner(1, 1)) == (2, -8, True, 0.2)
    assert worth(corner(0, 0), corner(0, 1)) == (2, -8, False, 0.2)
    assert worth(corner(0, 0, depth=0.2), corner(1, 0, depth=0.98)) == (2, -9, False, 0.2)
    assert worth(corner(0, 1, False, 1.0), corner(1, 0, room=0.1)) == (1, -12, True, 0.1)


def window(y: int, x: int, reach: float, in_tile: bool, plain: bool = False) -> tuple[int, int, int, int]:
    """Of a frame of 1000 by 1500 px in tiles of 256 by 512 that begin 20 px above and 30 px left of it."""
    raster = SimpleNamespace(plain=plain, rows=256, wide=512)
    frame: Any = SimpleNamespace(height=1000, width=1500, by_region=SimpleNamespace(top=20, left=30, raster=raster))
    return target_corners._window(frame, y, x, (reach, reach, 2.0 * reach), in_tile)


def test_a_window_lies_about_its_corner_within_the_frame_and_within_a_tile_where_that_is_asked() -> None:
    assert window(500, 600, 50.4, False) == (450, 550, 499, 701)
    assert window(10, 1490, 50.0, False) == (0, 60, 1390, 1500)
    assert window(500, 600, 50.0, True) == (492, 550, 500, 700), "the tile's rows begin at 492"
    assert window(480, 500, 50.0, True) == (430, 492, 482, 600), "and its columns at 482"
    assert window(480, 470, 50.0, True) == (430, 492, 370, 482)
    assert window(500, 600, 50.0, True, plain=True) == (450, 550, 500, 700), "in strips nothing is spared"


def test_corners_are_mapped_to_one_on_their_mean_and_are_alike_by_their_edges() -> None:
    y, x = np.mgrid[0:24, 0:24]
    edge = np.where((y > 11) & (x > 11), 4000.0, 1000.0)
    mosaics = [Mosaic(edge * gain, np.ones(edge.shape, np.int8), np.zeros(edge.shape)) for gain in (1.0, 2.0)]
    maps = target_corners.corner_maps(mosaics)
    assert maps.shape == (2, 12, 12)
    assert maps.mean() == pytest.approx(1.0, abs=1e-3)
    assert maps[1] == pytest.approx(2.0 * maps[0], abs=2e-4)
    assert not target_corners.corner_maps([Mosaic(0.0 * edge, mosaics[0].colours, mosaics[0].black)]).any()
    one = maps[:1]
    assert target_corners.in_place([one, 3.0 * one, one[:, ::-1], np.ones_like(one)], one).tolist() == [
        True, True, False, False,
    ]  # fmt: skip
    across = np.where(x > 11, 4000.0, 1000.0)[::2, ::2][None] / 2500.0
    assert target_corners.in_place([across], one).tolist() == [False], "an edge in one direction alone"


@pytest.mark.parametrize(("alike", "told"), [(0.68, False), (0.72, True)])
@pytest.mark.parametrize(("light", "usual"), [(1.0, 1.0), (40.0, 1.0), (1.0, 40.0), (0.05, 0.02)])
def test_edges_agree_from_a_correlation_of_seven_tenths_on_in_both_directions(
    alike: float, told: bool, light: float, usual: float
) -> None:
    """Other edges are laid over those of a corner until the smaller of both correlations is so high; at any light."""
    y, x = np.mgrid[0:12, 0:12]
    corner = np.where((y > 5) & (x > 5), 1.0, 0.3)
    other = np.random.default_rng(1).uniform(0.0, 1.0, (12, 12))

    def correlation(share: float) -> float:
        one, two = slopes(corner), slopes(corner + share * other)
        return float(min(np.sum(one[k] * two[k]) / np.sqrt(np.sum(one[k] ** 2) * np.sum(two[k] ** 2)) for k in (0, 1)))

    low, high = 0.0, 30.0
    for _ in range(60):
        middle = (low + high) / 2.0
        low, high = (low, middle) if correlation(middle) < alike else (middle, high)
    assert correlation(low) == pytest.approx(alike, abs=1e-6)
    maps = light * (corner + low * other)[None]
    assert target_corners.in_place([maps], usual * corner[None]).tolist() == [told]


def test_a_grey_is_what_a_camera_may_answer_to_one() -> None:
    def grey(red: float, blue: float) -> bool:
        usual = np.array(target.USUAL_NEUTRAL)
        colour = np.array([usual[0] * 2.0**red, 1.0, usual[1] * 2.0**blue]) * 0.3
        return target.may_be_grey(target.Area(0, 9, 0, 9, 0, colour, 0.0))

    assert [grey(*stops) for stops in ((0.0, 0.0), (0.9, -0.9), (-0.9, 0.9))] == [True] * 3
    assert [grey(*stops) for stops in ((1.1, 0.0), (-1.1, 0.0), (0.0, 1.1), (0.0, -1.1))] == [False] * 4


def test_what_lies_about_a_target_is_told_of_a_region_anywhere_in_the_frame() -> None:
    """A region of the frame from a fifth to seven tenths across; the target from three tenths to six."""
    values = np.full((100, 100, 3), (160.0, 200.0, 250.0))
    values[15:85, 15:85] = 9000.0  # the card, and what its edges may be seen in
    mosaic = Mosaic(values, np.full((100, 100), -1, np.int8), np.full(values.shape, 60.0))
    box = (0.3, 0.5, 0.6, 0.8)
    found = around_of(mosaic, Target(box, box, True), (0.2, 0.4, 0.7, 0.9))
    assert found == pytest.approx((100.0, 140.0, 190.0))
    bayer = Mosaic(values[..., 1], np.tile(np.array([[0, 1], [3, 2]], np.int8), (50, 50)), np.full((100, 100), 60.0))
    assert around_of(bayer, Target(box, box, True), (0.2, 0.4, 0.7, 0.9)) == pytest.approx((140.0,) * 3)
    moved = around_of(mosaic, Target(box, box, True), (0.2, 0.4, 0.8, 0.9))
    assert max(moved) > 200.0, "of a wider region the card would stand elsewhere"
