"""Limits of the patch, the target, its surround and one frame's flags: what lies just inside, what just outside.

The numbers are this tool's own choices unless a source is named. Each limit is written as a number in its test.
"""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import ndimage, special

from greystep.errors import GreystepError
from greystep.measure.camera import fixed_matrix
from greystep.measure.patch import measure_patch
from greystep.measure.reading import measure_frame
from greystep.measure.target import find_again, find_target, fixed_target
from greystep.measure.target_moved import around_of, slopes, target_states
from greystep.raw.dng import ColourTags
from greystep.raw.frame import Mosaic

Make = Callable[..., Path]
Floats = NDArray[np.float64]
RGGB = np.array([[0, 1], [3, 2]], dtype=np.int8)
WHITE = (16383.0,) * 4


# --- patch ------------------------------------------------------------------------------------------------------------


def mosaic_of(planes: Floats, black: float = 512.0) -> Mosaic:
    """A mosaic RGGB whose four colours carry the planes (4, n, n), in the order R, G1, B, G2."""
    side = 2 * planes.shape[1]
    values = np.empty((side, side))
    for place, (i, j) in enumerate(((0, 0), (0, 1), (1, 1), (1, 0))):
        values[i::2, j::2] = planes[place]
    return Mosaic(values, np.tile(RGGB, (side // 2, side // 2)), np.full(values.shape, black))


@pytest.mark.parametrize(("away", "kept"), [(4.5, True), (5.5, False)])
def test_pixels_within_five_robust_deviations_are_kept(away: float, kept: bool) -> None:
    # Uniform noise of half-width a: its median absolute deviation is a / 2, 1.4826 times that its robust deviation.
    half, spoilt = 400.0, 20
    planes = np.round(5000.0 + np.random.default_rng(1).uniform(-half, half, (4, 64, 64)))
    places = np.random.default_rng(2).choice(64 * 64, spoilt, replace=False)
    planes.reshape(4, -1)[:, places] = np.round(5000.0 + away * 1.4826 * half / 2.0)
    n = measure_patch(mosaic_of(planes), WHITE).n
    missing = 4 * 64 * 64 - sum(n)
    assert missing == (0 if kept else 4 * spoilt)


@pytest.mark.parametrize(("at_top", "shelf"), [(17, False), (23, True)])
def test_a_saturated_shelf_holds_at_least_one_pixel_in_two_thousand(at_top: int, shelf: bool) -> None:
    # 40,000 pixels a colour, normal noise: 20 pixels at one top value are the least shelf.
    side = 200
    plane = 8000.0 + 300.0 * special.ndtri((np.arange(side * side) + 0.5) / side**2)
    plane[-at_top:] = plane[-at_top]
    mixed = np.random.default_rng(3).permuted(np.tile(np.round(plane), (4, 1)), axis=1)
    ceiling = measure_patch(mosaic_of(mixed.reshape(4, side, side)), WHITE).ceiling
    assert ceiling == ((round(plane[-1]),) * 3 if shelf else WHITE[:3])


@pytest.mark.parametrize(("share", "saturated"), [(0.85, False), (0.95, True)])
def test_nine_pixels_in_ten_at_one_bright_value_are_saturated(share: float, saturated: bool) -> None:
    plane = np.full(64 * 64, 14000.0)
    plane[round(share * plane.size) :] = 13900.0
    mixed = np.random.default_rng(4).permuted(np.tile(plane, (4, 1)), axis=1)
    ceiling = measure_patch(mosaic_of(mixed.reshape(4, 64, 64)), WHITE).ceiling
    assert ceiling == ((14000.0,) * 3 if saturated else WHITE[:3])


@pytest.mark.parametrize(("share", "clipped"), [(0.0085, 0.0), (0.0115, 1.15)])
def test_more_than_a_hundredth_of_the_pixels_at_the_white_level_are_no_hot_pixels(share: float, clipped: float) -> None:
    # The light lies at 5000 of 16383 counts and scatters by 30: no pixel of it reaches the white level.
    planes = np.round(5000.0 + np.random.default_rng(1).normal(0.0, 30.0, (4, 100 * 100)))
    planes[:, np.random.default_rng(2).choice(100 * 100, round(share * 1e4), replace=False)] = WHITE[0]
    assert measure_patch(mosaic_of(planes.reshape(4, 100, 100)), WHITE).clipped_pct == pytest.approx(clipped)


def test_noise_is_pooled_over_the_colours_with_the_weight_of_sixty_coefficients() -> None:
    # Red is smoothed (box of 3 x 3: power 9 at the lowest frequencies), the others are white noise (power 1). Red has
    # 39 coefficients of its own, so that its power is read as (39 * 9 + 60 * 3) / 99 = 5.4 of 9, were it measured
    # without scatter; where all four colours are smoothed alike it is read as 9.
    rng = np.random.default_rng(5)
    alone, alike = [], []
    for _ in range(120):
        rough = rng.normal(size=(4, 64, 64))
        smooth = ndimage.uniform_filter(rough, (0, 3, 3), mode="wrap") * 3.0
        for planes, kept in ((np.concatenate([smooth[:1], rough[1:]]), alone), (smooth, alike)):
            signal = measure_patch(mosaic_of(5000.0 + 500.0 * planes), WHITE)
            kept.append(signal.n[0] * (signal.u[0] / signal.sd[0]) ** 2)
    assert np.mean(alone) / np.mean(alike) == pytest.approx((39 * 9 + 60 * 3) / (99 * 9), abs=0.03)


# --- one frame --------------------------------------------------------------------------------------------------------

BLACK, FULL = 512.0, 16383.0


def grey_frame(light: float, masked: float | None = None) -> NDArray[np.uint16]:
    """160 x 240 pixels of an even grey of so many counts above black; the first 32 columns masked, so much off."""
    rng = np.random.default_rng(6)
    level = np.full((160, 240), BLACK + light)
    if masked is not None:
        level[:, :32] = BLACK + masked
    return np.clip(np.round(level + rng.normal(size=level.shape) * 3.0), 0, FULL).astype(np.uint16)


@pytest.mark.parametrize(("off", "flags"), [(0.85, ()), (1.15, ("black_doubtful",))])
def test_a_black_is_doubtful_more_than_one_count_off(
    make_dng: Make, tmp_path: Path, off: float, flags: tuple[str, ...]
) -> None:
    """One count: the contract's limit."""
    stored = grey_frame(4000.0, off)
    path = make_dng(
        tmp_path / "a.dng", stored, black=(BLACK,), white=(int(FULL),), active=(0, 32, 160, 240), masked=(0, 0, 160, 32)
    )
    assert measure_frame(path, fixed_target((0.3, 0.3, 0.7, 0.7))).flags == flags


@pytest.mark.parametrize(("share", "looked_at"), [(0.00175, False), (0.00225, True)])
def test_the_place_of_a_target_is_looked_at_above_two_thousandths_of_the_range(
    make_dng: Make, tmp_path: Path, share: float, looked_at: bool
) -> None:
    stored = grey_frame(share * (FULL - BLACK))
    path = make_dng(tmp_path / "a.dng", stored, black=(BLACK,), white=(int(FULL),))
    reading = measure_frame(path, fixed_target((0.3, 0.3, 0.7, 0.7)))
    assert (reading.surround is not None) == looked_at


# --- surround ---------------------------------------------------------------------------------------------------------


def surround(shift: tuple[int, int] = (0, 0), noise: float = 0.0) -> Floats:
    """A map of 32 x 32 bins: a target of 21 x 21 (its margin is a quarter of its size) shifted right and down."""
    made = np.full((32, 32), 0.1)
    top, left = max(0, 5 + shift[1]), max(0, 5 + shift[0])
    made[top : 26 + shift[1], left : 26 + shift[0]] = 1.0
    return made + np.random.default_rng(7).normal(size=made.shape) * noise


@pytest.mark.parametrize(
    ("shift", "state"), [((2, 0), ""), ((0, -2), ""), ((2, 1), "target_moved"), ((-1, 2), "target_moved")]
)
def test_a_target_has_moved_when_it_is_a_tenth_of_its_size_away(shift: tuple[int, int], state: str) -> None:
    # A bin is 1.5 / 32 of the target: two bins are 0.094 of it, two and one across 0.105.
    assert target_states([surround(shift)], surround())[0] == state


@pytest.mark.parametrize(("bins", "state"), [(9, "target_moved"), (12, "no_target")])
def test_shifts_are_looked_for_up_to_half_the_targets_size(bins: int, state: str) -> None:
    assert target_states([surround((bins, bins))], surround())[0] == state


@pytest.mark.parametrize(("level", "told"), [(0.85, True), (1.15, False)])
def test_nothing_is_said_where_noise_is_more_than_a_sixth_of_the_edges(level: float, told: bool) -> None:
    edges = np.sqrt(np.sum(slopes(surround()) ** 2))
    for seed in range(5):
        noise = np.random.default_rng(seed).normal(size=(32, 32))
        middle = slopes(noise)[:, 10:21, 10:21]  # the third in which the noise is taken
        calm = 1.4826 * np.median(np.abs(middle))
        gone = 1.0 + noise * level * edges / 6.0 / calm
        assert bool(target_states([gone], surround())[0]) == told


# --- target -----------------------------------------------------------------------------------------------------------

NEUTRAL = np.array([0.55, 1.0, 0.65])
HEIGHT, WIDTH = 171, 256


def scene(ground: Floats, *cards: tuple[int, int, int, Floats]) -> list[NDArray[np.float32]]:
    """One overview: a ground with square cards, each its left, top, side and colour; a dark row of it is no card."""
    made = np.broadcast_to(ground, (HEIGHT, WIDTH, 3)).copy()
    for left, top, side, colour in cards:
        made[top : top + side, left : left + side] = colour
    return [made.astype(np.float32)]


def holds(left: int, top: int, side: int, ground: Floats, *cards: tuple[int, int, int, Floats]) -> bool:
    """Whether the target that is found lies within one place [pixels]."""
    target = find_target(scene(ground, *cards))
    assert target is not None
    x0, y0, x1, y1 = np.array(target.patch) * (WIDTH, HEIGHT, WIDTH, HEIGHT)
    return bool(left <= x0 < x1 <= left + side and top <= y0 < y1 <= top + side)


def test_an_eighth_of_a_targets_side_is_left_out_at_each_edge() -> None:
    target = find_target(scene(0.03 * NEUTRAL, (80, 40, 80, 0.5 * NEUTRAL)))
    assert target is not None
    (x0, _, x1, _), (left, _, right, _) = target.box, target.patch
    assert (left - x0) / (x1 - x0) == pytest.approx(0.12, abs=0.01)
    assert (x1 - right) / (x1 - x0) == pytest.approx(0.12, abs=0.01)


@pytest.mark.parametrize(("times", "found"), [(0.87, False), (1.15, True)])
def test_a_faint_card_is_found_where_its_edge_is_a_contrast_of_fifteen_thousandths(times: float, found: bool) -> None:
    # Over two pixels a sharp edge seen through a Gaussian of 0.8 pixels shows erf(1 / (0.8 sqrt 2)) of itself; three
    # hundredths of the brightest are added before the logarithm.
    contrast = 1.03 * 0.015 * times / special.erf(1.0 / (0.8 * np.sqrt(2.0)))
    card = (100, 60, 40, 0.4 * NEUTRAL)
    assert holds(100, 60, 40, 0.4 * np.exp(-contrast) * NEUTRAL, card) == found


@pytest.mark.parametrize(("times", "even"), [(0.87, True), (1.15, False)])
def test_an_area_is_even_while_its_pixels_differ_by_less_than_a_tenth(times: float, even: bool) -> None:
    # On a chessboard of +a and -a the mean of nine neighbours (medians of nine, which keep the board) is a / 9.
    a = 0.1 * times * 9.0 / 8.0
    board = np.where(np.indices((HEIGHT, WIDTH)).sum(axis=0) % 2, a, -a)
    assert (find_target([(0.4 * NEUTRAL * np.exp(board)[..., None]).astype(np.float32)]) is not None) == even


@pytest.mark.parametrize(("side", "found"), [(90, True), (94, False)])
def test_a_target_that_has_moved_has_its_size_to_fifteen_hundredths(side: int, found: bool) -> None:
    there = find_target(scene(0.03 * NEUTRAL, (20, 20, 80, 0.4 * NEUTRAL)))
    assert there is not None
    (now,) = scene(0.03 * NEUTRAL, (100, 30, side, 0.4 * NEUTRAL))
    assert (find_again(now, there) is not None) == found


@pytest.mark.parametrize(("away", "seen"), [(7, False), (9, True)])
def test_what_lies_about_a_target_begins_eight_hundredths_of_its_size_beside_it(away: int, seen: bool) -> None:
    # The card is 100 pixels a side, from pixel 50 on: a bright line runs the height of it so many pixels to its left.
    values = np.full((200, 200, 3), 1000.0)
    values[50:150, 50 - away] = 9000.0
    mosaic = Mosaic(values, np.zeros((200, 200), dtype=np.int8), np.zeros(values.shape))
    red, _, _ = around_of(mosaic, fixed_target((0.25, 0.25, 0.75, 0.75)), (0.0, 0.0, 1.0, 1.0))
    assert (red > 1001.0) == seen


@pytest.mark.parametrize("nearer", [0.88, 1.12])
def test_of_two_cards_the_one_nearer_to_a_cameras_usual_answer_is_the_grey_one(nearer: float) -> None:
    # Red and blue of 0.55 and 0.65 of green: common practice, no source. One card is 12 % off, the other 20 % opposite.
    farther = 1.2 if nearer < 1.0 else 1.0 / 1.2
    first, second = (0.4 * NEUTRAL * (times, 1.0, times) for times in (nearer, farther))
    ground = 0.02 * np.array([0.1, 1.0, 4.0])
    assert holds(40, 60, 44, ground, (40, 60, 44, first), (170, 60, 44, second))
    assert holds(170, 60, 44, ground, (40, 60, 44, second), (170, 60, 44, first))


@pytest.mark.parametrize(("count", "chart"), [(7, False), (8, True)])
def test_eight_even_areas_of_a_size_are_a_chart(count: int, chart: bool) -> None:
    # The areas are larger than the card: one of them is the target unless they are taken for a chart.
    areas = [(20 + 40 * (place % 3), 20 + 40 * (place // 3), 34, 0.4 * NEUTRAL) for place in range(count)]
    assert holds(215, 120, 18, 0.02 * NEUTRAL, (215, 120, 18, 0.4 * NEUTRAL), *areas) == chart


@pytest.mark.parametrize(("level", "over"), [(0.9, False), (0.99, True)])
def test_a_pixel_is_over_the_range_from_98_hundredths_of_it_on(level: float, over: bool) -> None:
    # What is over the range is no even area: without a card in the frames nothing is found there.
    board = np.where(np.indices((HEIGHT, WIDTH)).sum(axis=0) % 2, 0.2, -0.2)  # rough, so that it is no area itself
    made = (0.3 * NEUTRAL * np.exp(board)[..., None]).astype(np.float32)
    made[50:110, 90:150] = level * np.array([0.8, 1.0, 0.8])
    assert (find_target([made], has_card=False) is None) == over


@pytest.mark.parametrize(("about", "found"), [(0.72, True), (0.88, False)])
def test_a_card_over_the_range_stands_out_from_what_is_below_eight_tenths_of_it(about: float, found: bool) -> None:
    assert holds(90, 50, 60, about * np.ones(3), (90, 50, 60, np.ones(3))) == found


@pytest.mark.parametrize(
    ("shape", "is_card"), [("rectangle", True), ("askew", True), ("ellipse", False), ("triangle", False)]
)
def test_only_a_rectangle_over_the_range_is_a_card(shape: str, is_card: bool) -> None:
    """Area over the root of the determinant of its points' covariance: 12, 12, 4 pi and 10.4 (closed forms)."""
    y, x = np.mgrid[:HEIGHT, :WIDTH] - np.array([85.0, 128.0])[:, None, None]
    mask = {
        "rectangle": (np.abs(x) < 40) & (np.abs(y) < 28),
        "askew": (np.abs(x + 0.3 * y) < 40) & (np.abs(y) < 28),
        "ellipse": np.hypot(x / 45, y / 30) < 1.0,
        "triangle": (np.abs(x) < 0.8 * (y + 35.0)) & (y < 35),
    }[shape]
    (made,) = scene(0.3 * np.ones(3))
    made[mask] = 1.0
    target = find_target([made])
    assert target is not None
    x0, _, x1, _ = target.box
    assert (0.3 < x0 < x1 < 0.7) == is_card


@pytest.mark.parametrize(("side", "found"), [(10, True), (11, False)])
def test_a_grey_of_less_than_a_thousandth_of_the_frame_is_no_card_beside_one_over_the_range(
    side: int, found: bool
) -> None:
    # A thousandth of 171 x 256 pixels is 6.6 squared; the smoothing before the edges are sought takes 4 off each side.
    card, small = (90, 50, 60, np.ones(3)), (20, 20, side, 0.4 * NEUTRAL)
    assert holds(90, 50, 60, 0.02 * NEUTRAL, card, small) == found


# --- colour matrix ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("condition", "inverse"), [(8500.0, True), (11500.0, False)])
def test_a_matrix_has_an_inverse_up_to_a_condition_of_ten_thousand(condition: float, inverse: bool) -> None:
    tags = ColourTags(np.diag([1.0, 1.0, 1.0 / condition]), None, 21, 0, None, None, None, None, "dng")
    neutral = np.array([0.95, 1.0, 1.0 / condition])
    if inverse:
        assert fixed_matrix(tags, neutral).shape == (3, 3)
    else:
        with pytest.raises(GreystepError, match="no inverse"):
            fixed_matrix(tags, neutral)
