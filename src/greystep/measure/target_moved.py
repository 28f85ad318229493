"""What lies about the grey target: the region that is read of each frame, and whether the target has moved in it."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from greystep.arrays import SD_PER_MAD, Floats, Triple
from greystep.flags import Flag
from greystep.measure.target import Box, Target, pixel_box, pixel_span
from greystep.raw.frame import Mosaic

#: Margin about the target in which its edges are looked for, in its own sizes.
MARGIN: Final = 0.25
#: So near the target's box, in its own sizes, its edge may still lie.
EDGE: Final = 0.08
#: Largest side of a surround map [bins].
SURROUND_BINS: Final = 32
#: A shift beyond this share of the target's size is a moved target: 15 % must be caught, half a bin must not count.
MOVED: Final = 0.10
#: Longest shift that is looked for, in the target's sizes.
LONGEST_SHIFT: Final = 0.5
#: Slopes under this are rounding: maps hold four places.
_ROUNDING: Final = 1e-6
#: Frames that are looked at together: as many maps as lie near the processor.
_AT_ONCE: Final = 64


def surround_box(target: Target) -> Box:
    """Return the target's box and a quarter of its size about it, within the frame: what is read of each frame."""
    x0, y0, x1, y1 = target.box
    by, bx = MARGIN * (y1 - y0), MARGIN * (x1 - x0)
    return max(0.0, x0 - bx), max(0.0, y0 - by), min(1.0, x1 + bx), min(1.0, y1 + by)


def surround_pixels(
    target: Target, height: int, width: int, pattern_shape: tuple[int, int]
) -> tuple[int, int, int, int]:
    """Return y0, y1, x0, x1 of the region to read: the surround, and the measured patch whole, aligned alike."""
    x0, y0, x1, y1 = surround_box(target)
    top, bottom = pixel_span(y0, y1, height, pattern_shape[0], height)
    left, right = pixel_span(x0, x1, width, pattern_shape[1], width)
    patch = pixel_box(target.patch, height, width, pattern_shape)
    return min(top, patch[0]), max(bottom, patch[1]), min(left, patch[2]), max(right, patch[3])


def surround_of(mosaic: Mosaic) -> Floats:
    """Return a small map of the green above black, 1 at the median of its middle, of the region about the target.

    Args:
        mosaic: The region of `surround_box`, (h, w) or (h, w, 3).

    Returns: (m, n) array: At most 32 bins a side; all zero where the middle carries no light.
    """
    light = binned(mosaic, SURROUND_BINS)
    middle = float(np.median(light[_middle(light.shape[0]), _middle(light.shape[1])]))
    # No zero has a minus: as whole numbers, which the cache keeps, it would be lost.
    return np.round(light / middle, 4) + 0.0 if middle > 0 else np.zeros_like(light)


def binned(mosaic: Mosaic, bins: int) -> Floats:
    """Return the green above black of a region, (h, w) or (h, w, 3), in bins, at most so many a side."""
    rows, columns = (slice(None, None, stride(side, bins)) for side in mosaic.values.shape[:2])
    level, colours = mosaic.values[rows, columns] - mosaic.black[rows, columns], mosaic.colours[rows, columns]
    green = ((colours == 1) | (colours == 3)).astype(np.float64)
    if level.ndim == 3:
        level, green = level[..., 1], np.ones(colours.shape)
    for cell in (2, 3, 4):  # pixels to a bin at least, until each bin holds a green one
        counts = [min(bins, max(1, side // cell)) for side in level.shape]
        y, x = (np.arange(count) * side // count for side, count in zip(level.shape, counts, strict=True))
        total, held = (np.add.reduceat(np.add.reduceat(part, y), x, axis=1) for part in (level * green, green))
        if held.all():
            break
    return np.asarray(total / np.maximum(held, 1.0))


def stride(side: int, bins: int, least: int = 8) -> int:
    """Return how many rows or columns apart are enough for bins of a region: `least` of them a bin are plenty.

    An odd stride, no multiple of three, meets every place of a filter pattern.
    """
    return max(step for step in (1, 5, 7, 11, 13, 17, 23, 31) if step == 1 or step * least * bins < side)


def around_of(mosaic: Mosaic, target: Target, span: Box) -> Triple:
    """Return the mean of red, green and blue above black about the target [raw counts]; NaN where nothing lies there.

    Args:
        mosaic: The region of `surround_box`, (h, w) or (h, w, 3).
        span: Edges of that region, as fractions of the visible frame.
    """
    height, width = mosaic.values.shape[:2]
    x0, y0, x1, y1 = target.box
    across = span[0] + (np.arange(width) + 0.5) / width * (span[2] - span[0])
    along = span[1] + (np.arange(height) + 0.5) / height * (span[3] - span[1])
    by, bx = EDGE * (y1 - y0), EDGE * (x1 - x0)
    off = ((along < y0 - by) | (along > y1 + by))[:, None] | ((across < x0 - bx) | (across > x1 + bx))[None, :]
    level, colours = (mosaic.values - mosaic.black)[off], mosaic.colours[off]
    if level.ndim == 2:
        parts = [level[:, plane] for plane in range(3)]
    else:
        parts = [level[colours == 0], level[(colours == 1) | (colours == 3)], level[colours == 2]]
    red, green, blue = (float(part.mean()) if part.size else float("nan") for part in parts)
    return red, green, blue


def reference_surround(surrounds: Sequence[Floats]) -> Floats | None:
    """Return the median of a series' surround maps, what each frame is compared with; None without any.

    Of two it is the first: halfway between them stands no target, and each map is as bright as what lies in its middle.
    """
    lit = [surround for surround in surrounds if np.count_nonzero(surround)]
    if len(lit) <= 2:
        return lit[0] if lit else None
    shapes = [surround.shape for surround in lit]
    usual = max(set(shapes), key=shapes.count)
    return np.asarray(np.median([surround for surround in lit if surround.shape == usual], axis=0))


def target_states(surrounds: Sequence[Floats], reference: Floats) -> list[str]:
    """Say of frames whether their target stands where it stands in the others.

    Args:
        surrounds: Arrays (m, n). Each of `surround_of`.
        reference: Array (m, n). Of `reference_surround`.

    Returns: `Flag.TARGET_MOVED` where it is shifted by more than 10 % of its size, `Flag.NO_TARGET` where less than a
        third of its edges is found at any shift up to half its size, else blank. Blank too where nothing can be said:
        too little light, maps of different shapes, a target that fills the frame or equals its background, or noise
        above a sixth of the edges. A turn of the target about its middle, and what stands before it without reaching
        its edges, are not seen.
    """
    states = [""] * len(surrounds)
    asked = [at for at, one in enumerate(surrounds) if one.shape == reference.shape and np.count_nonzero(one)]
    sought = _sought(reference)
    if sought is None:
        return states
    for begin in range(0, len(asked), _AT_ONCE):
        some = asked[begin : begin + _AT_ONCE]
        for at, dx, dy, there, noise in zip(
            some, *_best_shifts(np.stack([surrounds[at] for at in some]), sought), strict=True
        ):
            if noise <= 1.0 / 6.0 and there < 1.0 / 3.0:
                states[at] = Flag.NO_TARGET
            elif noise <= 1.0 / 6.0 and np.hypot(dx, dy) > MOVED:
                states[at] = Flag.TARGET_MOVED
    return states


def _middle(count: int) -> slice:
    return slice(count // 3, count - count // 3)


@dataclass(frozen=True)
class _Sought:
    """The edges of a reference map (m, n), that are sought in others.

    Attributes:
        size: Of the target in bins, down and across: the map is the target and its margins.
        reach: Longest shift that is looked for, down and across [bins].
        shape: Of the Fourier transforms: no shift that is looked for meets another one's end.
        slopes: Of it, (2, m - 1, n - 1).
        spectra: Of the slopes, (2, ...).
        strength: Of all edges.
        in_view: How much of that is in view at each shift within `reach`.
    """

    size: tuple[float, float]
    reach: tuple[int, int]
    shape: tuple[int, int]
    slopes: Floats
    spectra: NDArray[np.complex128]
    strength: float
    in_view: Floats


def _sought(reference: Floats) -> _Sought | None:
    """Return the edges of a reference; None where it has none to speak of, only noise."""
    then = slopes(reference)
    strength = float(np.sum(then**2))
    if strength <= then.size * max(4.0 * float(_calm(then[:, None])[0]) ** 2, _ROUNDING**2):
        return None
    height, width = then.shape[1:]
    size_y, size_x = (count / (1.0 + 2.0 * MARGIN) for count in reference.shape)
    reach_y, reach_x = min(int(LONGEST_SHIFT * size_y), height - 1), min(int(LONGEST_SHIFT * size_x), width - 1)
    shape = -(-(height + reach_y) // 8) * 8, -(-(width + reach_x) // 8) * 8  # sides that transform quickly
    squares = _spectra(np.sum(then**2, axis=0), shape)
    in_view = _correlated(np.ones((height, width)), squares, shape, (reach_y, reach_x))
    return _Sought(
        size=(size_y, size_x),
        reach=(reach_y, reach_x),
        shape=shape,
        slopes=then,
        spectra=_spectra(then, shape),
        strength=strength,
        in_view=np.maximum(in_view, 0.25 * strength),
    )


def _best_shifts(surrounds: Floats, sought: _Sought) -> tuple[Floats, Floats, Floats, Floats]:
    """Find by how far the target has moved in surround maps (k, m, n).

    The edges (differences of neighbouring bins, blind to level and slow gradients) are correlated with those of the
    reference at every shift up to half the target's size, each against the edges that are in view at that shift.

    Returns:
        dx, dy: Arrays (k,). Shift of the target in its own sizes, positive to the right and downwards.
        share: Array (k,). How much of the reference's edges is there at that shift, 1 where all of it is.
        noise: Array (k,). Standard deviation of that share.
    """
    now = slopes(surrounds)
    noise = _calm(now) / np.sqrt(sought.strength)  # with what lies there in the place of the card
    share = np.tensordot(sought.slopes, now, ((0, 1, 2), (0, 2, 3))) / sought.strength
    # At no shift do edges match better than by all that they are: most frames need no look at the others.
    most = np.sqrt(np.sum(now**2, axis=(0, 2, 3)) / sought.strength)
    dx, dy = np.zeros((2, len(share)))
    asked = np.flatnonzero(most >= share + 3.0 * noise)
    if len(asked):
        dx[asked], dy[asked], share[asked] = _shifted(now[:, asked], noise[asked], sought)
    return dx, dy, share, noise


def _shifted(now: Floats, noise: Floats, sought: _Sought) -> tuple[Floats, Floats, Floats]:
    """Return the shifts and shares of `_best_shifts` from slopes (2, k, m - 1, n - 1), every shift looked at."""
    (size_y, size_x), (reach_y, reach_x) = sought.size, sought.reach
    both = _correlated(now, sought.spectra[:, None], sought.shape, sought.reach).sum(axis=0)
    match = both / np.sqrt(sought.in_view * sought.strength)
    rows = np.arange(len(match))
    y, x = np.unravel_index(match.reshape(len(match), -1).argmax(axis=1), match.shape[1:])
    still = match[rows, y, x] < match[:, reach_y, reach_x] + 3.0 * noise
    y, x = np.where(still, reach_y, y), np.where(still, reach_x, x)
    return (x - reach_x) / size_x, (y - reach_y) / size_y, both[rows, y, x] / sought.in_view[y, x]


def _spectra(b: Floats, shape: tuple[int, int]) -> NDArray[np.complex128]:
    """Return the Fourier transforms of maps (..., m, n) that `_correlated` is given."""
    return np.fft.rfft2(b[..., ::-1, ::-1], shape)


def _correlated(a: Floats, spectra: NDArray[np.complex128], shape: tuple[int, int], reach: tuple[int, int]) -> Floats:
    """Return the correlation of maps (..., m, n) at every shift within reach, (..., 2 reach + 1, 2 reach + 1).

    By Fourier transform with numpy alone: importing scipy.signal takes longer than a run whose frames are all known.

    Args:
        spectra: Of the other ones, see `_spectra`.
        shape: Of the transforms, at least the maps' sides and the reach.
    """
    rows, columns = (slice(side - 1 - far, side + far) for side, far in zip(a.shape[-2:], reach, strict=True))
    return np.fft.irfft2(np.fft.rfft2(a, shape) * spectra, shape)[..., rows, columns]


def _calm(slopes: Floats) -> Floats:
    """Return the noise of slopes (2, k, m, n), from the middle of each target where there are few edges: (k,)."""
    middle = slopes[..., _middle(slopes.shape[-2]), _middle(slopes.shape[-1])]
    return SD_PER_MAD * np.median(np.abs(middle), axis=(0, 2, 3)) if middle.size else np.zeros(slopes.shape[1])


def slopes(surround: Floats) -> Floats:
    """Return the differences of neighbouring bins (2, ..., m - 1, n - 1), down and across, the slow gradient taken off.

    A little smoothing lets an edge between two bins meet itself when it has moved by half a bin.

    Args:
        surround: Array (..., m, n). One map or several.
    """
    smooth = _smoothing(surround.shape[-2]).T @ surround @ _smoothing(surround.shape[-1])
    steps = np.stack([np.diff(smooth, axis=-2)[..., :-1], np.diff(smooth, axis=-1)[..., :-1, :]])
    return np.asarray(steps - np.median(steps, axis=(-2, -1), keepdims=True))


@cache
def _smoothing(bins: int) -> Floats:
    """Return the matrix (n, n) that smooths n values by a Gaussian of 0.7 bins, the ends drawn out.

    As scipy.ndimage.gaussian_filter does, whose import takes a fifth of a second of a run whose frames are all known.
    """
    far = np.arange(-3, 4)
    weights = np.exp(-0.5 * (far / 0.7) ** 2)
    matrix = np.zeros((bins, bins))
    for by, weight in zip(far, weights / weights.sum(), strict=True):
        np.add.at(matrix, (np.clip(np.arange(bins) + by, 0, bins - 1), np.arange(bins)), weight)
    return matrix
