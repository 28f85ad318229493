"""How one frame lies on another: its shift and scale by steps of least squares, written down another way."""

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import ndimage

from correct.test_overlap_by_hand import blocks
from correct.test_overlap_whole_by_hand import tukey
from greystep.arrays import SD_PER_MAD
from greystep.correct import alignment
from greystep.raw.blocks import Blocks


def scene(zoom: float = 0.0, right: float = 0.0, contrast: float = 0.5, noise: float = 0.0, moved: int = 0) -> Blocks:
    """Spots of light of 3 blocks; seen larger and farther right; of forty, some have been put elsewhere."""
    rng = np.random.default_rng(3)
    y, x = np.mgrid[0:60, 0:90].astype(np.float64)
    light = np.zeros((60, 90))
    for number in range(40):
        at, of, size = rng.uniform(6, 54), rng.uniform(6, 84), rng.uniform(-0.5, 1.0)
        at, of = (at + 9.0, of - 7.0) if number < moved else (at, of)
        at, of = 29.5 + (1 + zoom) * (at - 29.5), 44.5 + (1 + zoom) * (of - 44.5) + right
        light += size * np.exp(-((y - at) ** 2 + (x - of) ** 2) / 18.0 / (1 + zoom) ** 2)
    light += noise * np.random.default_rng(int(1e4 * (zoom + right + noise))).standard_normal(light.shape)
    signal = 0.3 * np.exp(contrast * light)[..., None] * np.ones(3)
    found: Blocks = blocks(signal)
    return found


@pytest.mark.parametrize("zoom", [0.012, -0.008])
def test_a_lens_that_breathes_changes_the_scale(zoom: float) -> None:
    shift, found = alignment.align(scene(), scene(zoom, 0.7))
    assert found == pytest.approx(zoom, abs=8e-4)
    assert shift == pytest.approx([0.7, 0.0], abs=0.05)


def test_a_shift_is_found_though_a_fifth_of_the_things_was_put_elsewhere() -> None:
    shift, zoom = alignment.align(scene(), scene(0.0, 0.8, moved=8))
    assert shift == pytest.approx([0.8, 0.0], abs=0.1)
    assert zoom == pytest.approx(0.0, abs=3e-3)


def spotted(one: Blocks, seed: int) -> Blocks:
    """The same with forty blocks that are dark or clipped."""
    rng = np.random.default_rng(seed)
    for y, x in zip(rng.integers(0, 60, 40), rng.integers(0, 90, 40), strict=True):
        one.clipped[y, x] = bool(rng.random() < 0.5)
        one.signal[y, x] *= 1.0 if one.clipped[y, x] else 0.001
    return one


def all_there(mask: NDArray[np.bool_], places: list[NDArray[np.float64]]) -> NDArray[np.bool_]:
    """Whether the four blocks between which each place lies are all there, but for one that hardly counts."""
    y, x = (np.clip(np.floor(at).astype(int), 0, side - 2) for at, side in zip(places, mask.shape, strict=True))
    v, u = places[0] - y, places[1] - x
    share = (1 - v) * (1 - u) * mask[y, x] + v * (1 - u) * mask[y + 1, x]
    return np.asarray(share + (1 - v) * u * mask[y, x + 1] + v * u * mask[y + 1, x + 1] > 0.999)


@pytest.mark.parametrize(
    ("hub", "frame"),
    [
        (scene(), scene(0.004, 0.6, moved=6)), (scene(contrast=0.01, noise=0.5), scene(0.003, 0.5, 0.01, noise=0.4)),
        (scene(contrast=0.002, noise=1.5), scene(0.002, 1.5, 0.002, noise=1.6)),
        (spotted(scene(), 5), spotted(scene(0.004, 0.6), 6)),
    ],
    ids=["plain", "noisy", "even", "with dark and clipped blocks"],
)  # fmt: skip
def test_each_step_is_weighted_least_squares_with_what_is_likely(
    monkeypatch: pytest.MonkeyPatch, hub: Blocks, frame: Blocks
) -> None:
    """Likely are one block, one block and a hundredth; left out is what does not fit, and the rim."""
    (one, seen), (other, shown) = alignment._lookable(hub), alignment._lookable(frame)
    y, x = np.mgrid[0:60, 0:90].astype(np.float64)
    down, across = np.gradient(one, axis=0), np.gradient(one, axis=1)
    likely, found = np.array([1.0, 1.0, 0.01]), np.zeros(3)
    for rounds in range(1, 5):
        places = [y + found[1] + found[2] * (y - 29.5), x + found[0] + found[2] * (x - 44.5)]
        inside = (places[0] >= 0) & (places[0] <= 59) & (places[1] >= 0) & (places[1] <= 89)
        good = ndimage.binary_erosion(seen, iterations=2) & inside & all_there(shown, places)
        left = (ndimage.map_coordinates(other, places, order=1, mode="nearest") - one)[good]
        left -= np.median(left)
        spread = SD_PER_MAD * np.median(np.abs(left))
        weight = tukey(left, 1.5 * spread)
        slopes = np.stack([across, down, (x - 44.5) * across + (y - 29.5) * down])[:, good]
        about = slopes - (slopes @ weight / weight.sum())[:, None]  # a common level is free
        pull = about @ (weight * left) + spread**2 * found / likely**2
        step = -np.linalg.solve((about * weight) @ about.T + np.diag(spread**2 / likely**2), pull)
        found = np.clip(found + step, -5.0 * likely, 5.0 * likely)
        monkeypatch.setattr(alignment, "_ROUNDS", rounds)
        shift, zoom = alignment.align(hub, frame)
        assert [*shift, zoom] == pytest.approx(found.tolist(), abs=1e-9)


def test_beyond_the_frame_its_edge_goes_on() -> None:
    signal = (np.arange(20.0)[:, None] + np.arange(30.0))[..., None] * np.ones(3) / 100.0
    seen, there = alignment.laid_over(blocks(signal), blocks(signal), np.array([0.0, 3.0]), 0.0)
    assert seen[18] == pytest.approx(signal[19])
    assert seen[15] == pytest.approx(signal[18])
    assert not there[17:].any()


@pytest.mark.parametrize("right", [9.0, -9.0])
def test_no_shift_and_no_scale_goes_beyond_five_times_what_is_likely(right: float) -> None:
    """A course of light across the frame that lies nine blocks farther."""
    y, x = np.mgrid[0:60, 0:90].astype(np.float64)

    def seen(by: float) -> Blocks:
        light = sum(np.exp(-((x - at - by) ** 2) / 72.0) for at in (12.0, 41.0, 77.0)) + 0.02 * np.sin(y / 3.0)
        found: Blocks = blocks(0.3 * np.exp(0.5 * light)[..., None] * np.ones(3))
        return found

    shift, zoom = alignment.align(seen(0.0), seen(right))
    assert (abs(shift[0]), shift[0] * right > 0) == (5.0, True)
    assert abs(zoom) == 0.05
