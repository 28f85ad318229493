"""The pixels of each filter colour of a patch, and what is measured of them."""

from dataclasses import dataclass
from typing import Final

import numpy as np

from greystep.arrays import Booleans, Floats, Indices
from greystep.raw.frame import Mosaic

#: Pixels farther than this many robust standard deviations from the light's surface are hot pixels or dust.
OUTLIER_SD: Final = 5.0
#: Without a shelf of its own below the declared white level, a colour is saturated above this share of equal pixels.
SATURATED_SHARE: Final = 0.9


@dataclass(frozen=True)
class Sites:
    """The pixels of one filter colour: a sub-grid of the patch, and which of its places carry the colour, or all."""

    raw: Floats
    black: Floats
    mask: Booleans
    y: Floats  # place in the patch, -1 at its first edge and 1 at its last
    x: Floats
    whole: bool


@dataclass(frozen=True)
class ColourFit:
    """One filter colour measured: everything but the enlargement of its uncertainty."""

    mean: float
    sd: float
    n: int
    black: float
    ceiling: float
    clipped: float  # share of pixels at the ceiling
    slopes: tuple[float, float]  # of the light, per half patch, down and across [raw counts]
    step: float  # of the coded values [raw counts]
    spread: float  # of the values themselves, light and noise together [raw counts]
    waves: Floats  # squared low-frequency coefficients of the residual, 1 for white noise
    band: float  # their mean squared frequency [radian per pixel of this colour, squared]


def sites_of(mosaic: Mosaic) -> dict[int, Sites]:
    """Separate the patch by filter colour; a Bayer colour fills its sub-grid, others leave places of it masked."""
    height, width = mosaic.values.shape[:2]
    y = (2.0 * np.arange(height) + 1.0) / height - 1.0
    x = (2.0 * np.arange(width) + 1.0) / width - 1.0
    values, black = mosaic.values.astype(np.float64, copy=False), mosaic.black
    if values.ndim == 3:
        whole = np.ones((height, width), dtype=np.bool_)
        return {plane: Sites(values[..., plane], black[..., plane], whole, y, x, True) for plane in range(3)}
    colours, found = mosaic.colours, {}
    first = colours[:2, :2].ravel().tolist()
    if sorted(first) == [0, 1, 2, 3]:  # a second green is told apart in patterns of 2 x 2 alone
        for place, colour in enumerate(first):
            of = slice(place // 2, None, 2), slice(place % 2, None, 2)
            raw = np.ascontiguousarray(values[of])
            found[colour] = Sites(raw, black[of], np.broadcast_to(np.True_, raw.shape), y[of[0]], x[of[1]], True)
        return found
    for colour in (0, 1, 2, 3):
        mask = colours == colour
        rows, columns = np.flatnonzero(mask.any(axis=1)), np.flatnonzero(mask.any(axis=0))
        if len(rows):
            down, across = _spaced(rows), _spaced(columns)
            raw = np.ascontiguousarray(values[down][:, across])
            mine = mask[down][:, across]
            found[colour] = Sites(raw, black[down][:, across], mine, y[rows], x[columns], bool(mine.all()))
    return found


def _spaced(places: Indices) -> slice | Indices:
    """Return evenly spaced places as a slice, which takes no copy."""
    step = int(places[1] - places[0]) if len(places) > 1 else 1
    return slice(places[0], places[-1] + 1, step) if (np.diff(places) == step).all() else places


def picked(values: Floats, sites: Sites) -> Floats:
    """Return the places that carry the colour in a row, without copying where that is all of them."""
    return values.ravel() if sites.whole else values[sites.mask]
