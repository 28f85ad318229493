"""Damage of a patch's pixels: what no camera writes, zeroed blocks or areas without noise amid noise."""

from collections.abc import Mapping
from functools import reduce

import numpy as np

from greystep.arrays import Booleans, Floats
from greystep.measure.filter_colours import OUTLIER_SD, SATURATED_SHARE, ColourFit, Sites, picked
from greystep.raw.frame import Mosaic


def damage_of(mosaic: Mosaic, sites: Mapping[int, Sites], fits: Mapping[int, ColourFit]) -> str:
    """Say what the pixels show that no camera writes: zeroed blocks, or areas without noise amid noise."""
    raw = mosaic.values if mosaic.values.ndim == 2 else mosaic.values.max(axis=2)
    near_black = all(fit.mean < 0.02 * (fit.ceiling - fit.black) for fit in fits.values())
    saturated = any(fit.clipped > SATURATED_SHARE for fit in fits.values())
    if all(float(np.ptp(picked(site.raw, site))) == 0 for site in sites.values()):
        if saturated or (near_black and not (raw.max() == 0 and fits[1].black > 0)):
            return ""
        return "every pixel of a colour has the same value"
    above_zero = all(fit.mean + fit.black > OUTLIER_SD * max(fit.sd, fit.step) for fit in fits.values())
    zero = raw == 0
    if above_zero and zero.any() and _full_block(zero, 4):
        return f"{np.count_nonzero(zero)} pixels are zero, in blocks"
    constant = _constant_blocks(mosaic, sites, fits)
    return f"{constant} blocks of 8 x 8 pixels carry no noise while their neighbours do" if constant else ""


def _full_block(flags: Booleans, size: int) -> bool:
    """Whether some block of `size`, aligned to either corner, is all true: any block of 2 size - 1 holds such a one."""
    height, width = (length // size * size for length in flags.shape)
    if not height or not width:
        return False
    return any(
        bool(part.reshape(height // size, size, width // size, size).all(axis=(1, 3)).any())
        for part in (flags[:height, :width], flags[-height:, -width:], flags[:height, -width:], flags[-height:, :width])
    )


def _of_blocks(site: Sites, limit: np.ufunc, down: int, across: int, height: int, width: int) -> Floats:
    """Return the largest or smallest value of one colour in each block; rows first, which is the quicker way."""
    raw, mask = site.raw[:height, :width], site.mask[:height, :width]
    if not site.whole:
        raw = np.where(mask, raw, -np.inf if limit is np.maximum else np.inf)
    rows = limit.reduce(raw.reshape(height // down, down, width), axis=1)
    return np.asarray(reduce(limit, (rows[:, first::across] for first in range(across))))


def _constant_blocks(mosaic: Mosaic, sites: Mapping[int, Sites], fits: Mapping[int, ColourFit]) -> int:
    """Count blocks in which every colour is constant, where the other blocks are too noisy for that to be chance.

    Smoothed, coarsely coded or lossy data have such blocks by nature, but then most of their other blocks are calm too:
    the calmest quarter of those spreads over fewer than six coded steps, or they are few and hold dust.
    """
    spreads = []
    for colour, site in sites.items():
        # Eight pixels of the mosaic in places of this colour's sub-grid.
        down, across = (max(1, round(8 * site.raw.shape[i] / mosaic.values.shape[i])) for i in (0, 1))
        height, width = site.raw.shape[0] // down * down, site.raw.shape[1] // across * across
        if not height or not width:
            return 0
        high, low = (_of_blocks(site, limit, down, across, height, width) for limit in (np.maximum, np.minimum))
        if (high > low).all():
            return 0
        spreads.append(np.where(high >= fits[colour].ceiling, np.inf, (high - low) / fits[colour].step))
    rows, columns = (min(spread.shape[axis] for spread in spreads) for axis in (0, 1))
    widest = np.max([spread[:rows, :columns] for spread in spreads], axis=0)
    noisy = widest[(widest > 0) & np.isfinite(widest)]
    if len(noisy) < widest.size / 4 or float(np.quantile(noisy, 0.25)) < 6.0:
        return 0
    return int(np.count_nonzero(widest == 0))
