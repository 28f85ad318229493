"""Where the things of one frame lie in another: a small shift, and the change of scale of a lens that breathes."""

from typing import Final

import numpy as np
from scipy import ndimage

from greystep.arrays import Booleans, Floats, robust_sd, tukey_weights
from greystep.raw.blocks import Blocks

#: Below this share of the range a block is dark: too little to go by.
DARK: Final = 0.004
#: Blocks around a clipped one that are left out: out of focus, a highlight spreads.
_BLOOM: Final = 3
#: What stands out is sought between these two widths (standard deviations) [blocks].
_FINE: Final = 1.5
_WIDE: Final = 8.0
#: Blocks farther out than this are left out [robust standard deviations]: tight, because a third may be other things.
_CUT_SD: Final = 1.5
_ROUNDS: Final = 25
#: With fewer usable blocks nothing is aligned.
_LEAST_BLOCKS: Final = 96


def align(hub: Blocks, frame: Blocks) -> tuple[Floats, float]:
    """Return the shift (right, down) [blocks] and the change of scale that take the hub to the frame.

    Least squares on what stands out in the logarithm of green, without the blocks that do not fit (Gauss-Newton
    with Tukey's weights). Where the frame is too even to tell, both stay near 0, and then they do not matter.
    """
    one, seen = _lookable(hub)
    other, shown = _lookable(frame)
    x, y = _from_centre(one.shape)
    slope_y, slope_x = np.asarray(np.gradient(one, axis=0)), np.asarray(np.gradient(one, axis=1))
    # Beyond these a frame is not the same framing: standard deviations of shift [blocks] and scale.
    prior = np.array([1.0, 1.0, 0.01])
    found = np.zeros(3)
    usable = ndimage.binary_erosion(seen, iterations=2)
    for _ in range(_ROUNDS):
        places = _places(one.shape, found[:2], found[2])
        warped = ndimage.map_coordinates(other, places, order=1, mode="nearest")
        good = usable & (ndimage.map_coordinates(shown.astype(np.float64), places, order=1) > 0.999)
        if np.count_nonzero(good) < _LEAST_BLOCKS:
            return np.zeros(2), 0.0
        left = (warped - one)[good]
        left -= np.median(left)
        spread = max(robust_sd(left, 0.0), 1e-6)
        weight = tukey_weights(left, _CUT_SD * spread)
        gradient = np.stack([slope_x[good], slope_y[good], (x * slope_x + y * slope_y)[good]])
        design = np.vstack([gradient, np.ones(len(left))])
        normal = (design * weight) @ design.T
        normal[np.arange(3), np.arange(3)] += spread**2 / prior**2
        right = -(design * weight) @ left
        right[:3] -= spread**2 * found / prior**2
        step = np.linalg.solve(normal, right)[:3]
        found = np.clip(found + step, -5.0 * prior, 5.0 * prior)
        if np.all(np.abs(step) < [1e-3, 1e-3, 1e-5]):
            break
    return found[:2], float(found[2])


def _lookable(blocks: Blocks) -> tuple[Floats, Booleans]:
    """Return what stands out in green (log, wide means taken off: the things, not the light on them), and where."""
    seen = (blocks.signal[..., 1] > DARK) & ~blocks.clipped
    green = ndimage.gaussian_filter(np.log(np.maximum(blocks.signal[..., 1], DARK)), _FINE, mode="nearest")
    return green - ndimage.gaussian_filter(green, _WIDE, mode="nearest"), seen


def _from_centre(shape: tuple[int, ...]) -> tuple[Floats, Floats]:
    """Return how far each block (h, w) lies from the middle of the frame, to the right and down [blocks]."""
    height, width = shape
    y, x = np.mgrid[0:height, 0:width].astype(np.float64)
    return x - (width - 1) / 2, y - (height - 1) / 2


def _places(shape: tuple[int, ...], shift: Floats, zoom: float) -> list[Floats]:
    """Return row and column in the frame of each block (h, w) of the hub."""
    (y, x), (right, down) = np.mgrid[0 : shape[0], 0 : shape[1]].astype(np.float64), _from_centre(shape)
    return [y + shift[1] + zoom * down, x + shift[0] + zoom * right]


def laid_over(frame: Blocks, hub: Blocks, shift: Floats, zoom: float) -> tuple[Floats, Booleans]:
    """Return the frame's signal where the hub has its blocks, and which of them are there and not clipped."""
    places = _places(hub.clipped.shape, shift, zoom)
    signal = np.stack(
        [ndimage.map_coordinates(frame.signal[..., c], places, order=1, mode="nearest") for c in range(3)], axis=-1
    )
    around = bloomed(frame.clipped)
    good = ndimage.map_coordinates((~around).astype(np.float64), places, order=1) > 0.999
    return signal, good


def bloomed(clipped: Booleans) -> Booleans:
    """Return the clipped blocks and those about them."""
    if not clipped.any():
        return clipped
    return np.asarray(ndimage.binary_dilation(clipped, np.ones((3, 3), dtype=bool), iterations=_BLOOM))
