"""The maps of a target's surround and how they are held against each other: against loops and plain sums."""

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import ndimage

from greystep.flags import Flag
from greystep.measure import target_moved
from greystep.measure.target import fixed_target
from greystep.measure.target_moved import around_of, binned, reference_surround, slopes, surround_of, target_states
from greystep.raw.frame import Mosaic

Floats = NDArray[np.float64]
RGGB = np.array([[0, 1], [3, 2]], np.int8)


def mosaic_of(values: Floats, black: float = 10.0) -> Mosaic:
    height, width = values.shape
    return Mosaic(values + black, np.tile(RGGB, (height // 2, width // 2)), np.full(values.shape, black))


def test_bins_are_means_of_the_green_above_black() -> None:
    values = np.random.default_rng(1).uniform(100.0, 200.0, (24, 36))
    found = binned(mosaic_of(values), 6)
    assert found.shape == (6, 6)
    green = np.tile((RGGB == 1) | (RGGB == 3), (12, 18))
    for row, column in np.ndindex(6, 6):
        part = np.s_[4 * row : 4 * row + 4, 6 * column : 6 * column + 6]
        assert found[row, column] == pytest.approx(values[part][green[part]].mean())
    small = binned(mosaic_of(values[:10, :8]), 6)
    assert small.shape == (5, 4), "two pixels a bin at least"
    planes = np.stack([values, values + 1000.0, values], axis=-1)
    of_planes = binned(Mosaic(planes, np.full(values.shape, -1, np.int8), np.zeros(planes.shape)), 6)
    assert of_planes[0, 0] == pytest.approx(values[:4, :6].mean() + 1000.0)


def test_a_surround_is_one_at_the_median_of_its_middle() -> None:
    values = np.full((60, 60), 50.0)
    values[20:40, 20:40] = 400.0
    found = surround_of(mosaic_of(values))
    assert found.shape == (30, 30)
    assert found[15, 15] == 1.0
    assert found[2, 2] == pytest.approx(0.125)
    assert not surround_of(mosaic_of(np.zeros((60, 60)))).any()
    assert surround_of(mosaic_of(values / 1000.0))[2, 2] == pytest.approx(0.125), "however dark it is"
    wide = np.full((24, 60), 50.0)
    wide[8:16, 20:40] = 400.0
    found = surround_of(mosaic_of(wide))
    assert found.shape == (12, 30)
    assert (found[6, 15], found[0, 0]) == (1.0, 0.125)
    wide[:, :20] = 1000.0
    assert surround_of(mosaic_of(wide))[6, 15] == 1.0, "its own middle in each direction"
    assert [target_moved._middle(count) for count in (1, 2, 3, 30)] == [
        slice(0, 1), slice(0, 2), slice(1, 2), slice(10, 20),
    ]  # fmt: skip


def test_the_reference_is_the_median_of_lit_maps_of_the_usual_shape() -> None:
    one, two, three = (np.full((4, 4), level) for level in (1.0, 2.0, 9.0))
    found = reference_surround([one, np.zeros((4, 4)), two, three, np.full((5, 5), 7.0)])
    assert found is not None
    assert found.tolist() == np.full((4, 4), 2.0).tolist()
    assert reference_surround([]) is None


def test_slopes_are_differences_of_a_smoothed_map_without_their_median() -> None:
    surround = np.random.default_rng(2).uniform(0.5, 1.5, (8, 9))
    smooth = ndimage.gaussian_filter(surround, 0.7, mode="nearest")
    down, across = smooth[1:, :-1] - smooth[:-1, :-1], smooth[:-1, 1:] - smooth[:-1, :-1]
    found = slopes(surround)
    assert found[0] == pytest.approx(down - np.median(down))
    assert found[1] == pytest.approx(across - np.median(across))
    both = slopes(np.stack([surround, 2.0 * surround]))
    assert both[:, 0] == pytest.approx(found)
    assert both[:, 1] == pytest.approx(2.0 * found)
    ramp = np.add.outer(np.arange(8.0), 3.0 * np.arange(9.0))
    assert np.abs(slopes(ramp)[:, 2:-2, 2:-2]).max() == pytest.approx(0.0, abs=0.05), "a slow gradient is none"


def test_noise_is_told_from_the_middle_of_a_target() -> None:
    found = np.zeros((2, 1, 9, 12))
    found[:, :, 3:6, 4:8] = 0.02
    assert target_moved._calm(found) == pytest.approx([1.4826 * 0.02], rel=1e-3)
    found[:, :, :3] = 5.0
    assert target_moved._calm(found) == pytest.approx([1.4826 * 0.02], rel=1e-3)


def test_the_correlation_at_every_shift_is_a_plain_sum() -> None:
    rng = np.random.default_rng(3)
    one, other = rng.standard_normal((7, 8)), rng.standard_normal((7, 8))
    shape = (16, 16)
    found = target_moved._correlated(one, target_moved._spectra(other, shape), shape, (2, 3))
    assert found.shape == (5, 7)
    for down, right in np.ndindex(5, 7):
        dy, dx = down - 2, right - 3
        total = sum(
            one[y, x] * other[y - dy, x - dx] for y in range(7) for x in range(8) if 0 <= y - dy < 7 and 0 <= x - dx < 8
        )
        assert found[down, right] == pytest.approx(total)


def card(dy: float = 0.0, dx: float = 0.0, ground: float = 0.2, noise: float = 0.0, there: bool = True) -> Floats:
    """A map of 30 bins a side: the target has 20 of them, its edges a bin wide."""
    y, x = np.mgrid[0:30, 0:30] - 14.5
    inside = np.clip(10.5 - np.abs(y - dy), 0, 1) * np.clip(10.5 - np.abs(x - dx), 0, 1) * there
    return ground + (1.0 - ground) * inside + noise * np.random.default_rng(4).standard_normal((30, 30))


@pytest.mark.parametrize(("dy", "dx"), [(0.0, 0.0), (3.0, 0.0), (0.0, -4.0), (-2.0, 5.0), (8.0, 8.0)])
def test_a_shift_is_found_with_its_size_and_direction_and_how_much_is_there(dy: float, dx: float) -> None:
    sought = target_moved._sought(card())
    assert sought is not None
    assert (sought.size, sought.reach) == ((20.0, 20.0), (10, 10))
    right, down, share, noise = target_moved._best_shifts(card(dy, dx)[None], sought)
    assert (right[0], down[0]) == pytest.approx((dx / 20.0, dy / 20.0))
    assert share[0] == pytest.approx(1.0, abs=0.15)
    assert noise[0] == pytest.approx(0.0, abs=1e-4)
    half = target_moved._best_shifts((0.6 + 0.5 * (card(dy, dx) - 0.6))[None], sought)[2]
    assert half[0] == pytest.approx(0.5, abs=0.08), "edges half as strong"


def test_the_best_shift_counts_where_it_stands_out_from_none_by_three_times_the_noise(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Edges of a strength of 4, all in view but for one shift of which a quarter is; a noise of 0.1 of them."""
    in_view = np.full((5, 7), 4.0)
    in_view[4, 6] = 1.0
    none = np.zeros((2, 8, 8))
    sought = target_moved._Sought((20.0, 10.0), (2, 3), (8, 8), none, none.astype(complex), 4.0, in_view)
    both = np.zeros((2, 4, 5, 7))  # half of each from either direction
    both[:, :, 2, 3] = 1.0
    for at, (y, x, level) in enumerate(((1, 5, 1.58), (1, 5, 1.62), (4, 6, 0.79), (4, 6, 0.81))):
        both[:, at, y, x] = level
    monkeypatch.setattr(target_moved, "_correlated", lambda *_: both)
    right, down, share = target_moved._shifted(np.zeros((2, 4, 8, 8)), np.full(4, 0.1), sought)
    assert right == pytest.approx([0.0, 0.2, 0.0, 0.3]), "in widths of 10 bins"
    assert down == pytest.approx([0.0, -0.05, 0.0, 0.1]), "in heights of 20"
    assert share == pytest.approx([0.5, 0.81, 0.5, 1.62])


def test_the_shifts_are_looked_at_only_where_edges_could_match_better_than_in_place(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Of 40 cards in place, with noise and without, few are looked at; what is found is as if all were."""
    rng = np.random.default_rng(7)
    sought = target_moved._sought(card())
    assert sought is not None
    maps = [card() + size * rng.standard_normal((30, 30)) for size in (0.0, 1e-4, 1e-3, 0.02) for _ in range(10)]
    maps += [card(dy, 1.0) for dy in (0.0, 0.5, 3.0)] + [card(there=False, noise=0.01), 0.5 * card()]
    now = target_moved.slopes(np.stack(maps))
    noise = target_moved._calm(now) / np.sqrt(sought.strength)
    shifted = target_moved._shifted
    expected = [*shifted(now, noise, sought), noise]
    looked: list[int] = []
    monkeypatch.setattr(
        target_moved, "_shifted", lambda now, *rest: (looked.append(now.shape[1]), shifted(now, *rest))[1]
    )
    for found, all_of_it in zip(target_moved._best_shifts(np.stack(maps), sought), expected, strict=True):
        assert found == pytest.approx(all_of_it, rel=1e-9, abs=1e-12)
    assert looked[0] < 20
    assert np.count_nonzero(expected[1]) >= 1


def test_what_is_said_of_maps() -> None:
    reference = card()
    maps = [card(), card(1.0, 1.0), card(2.0, 1.0), card(there=False, noise=0.01), card()[:20], np.zeros((30, 30))]
    moved, none = str(Flag.TARGET_MOVED), str(Flag.NO_TARGET)
    assert [str(state) for state in target_states(maps, reference)] == ["", "", moved, none, "", ""]
    noisy = [card(6.0, noise=2.0), card(there=False, noise=2.0)]
    assert target_states(noisy, reference) == ["", ""], "too little light to tell"
    many = [*[card()] * 70, card(4.0)]
    assert [str(state) for state in target_states(many, reference)] == [*[""] * 70, moved]
    assert target_states([card(4.0)], np.ones((30, 30))) == [""], "a target like its ground"
    assert target_states([], reference) == []


@pytest.mark.parametrize("start", [(0.0, 0.0), (0.5, 0.25)])
def test_the_region_about_a_target_lies_where_its_span_says(start: tuple[float, float]) -> None:
    """Half the frame a side, the target's box in its middle; beyond the box and its rim lies light of 40 counts."""
    x0, y0 = start
    values = np.full((200, 200), 40.0)
    values[30:170, 30:170] = 900.0
    box = (x0 + 0.1, y0 + 0.1, x0 + 0.4, y0 + 0.4)  # pixels 40 to 160 of the 200
    found = around_of(mosaic_of(values), fixed_target(box), (x0, y0, x0 + 0.5, y0 + 0.5))
    assert found == pytest.approx((40.0, 40.0, 40.0))
