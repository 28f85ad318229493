"""A whole raw frame thinned to small blocks: the light that each filter colour got there, and where it clipped."""

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

import numpy as np

from greystep.arrays import Booleans, Filters, Floats, Triple
from greystep.errors import FrameError
from greystep.raw.exposure import read_exposure
from greystep.raw.frame import Mosaic, open_frame, read_region

#: Blocks along the longer side, about; a small frame has fewer, each of two filter periods at least.
BLOCKS: Final = 160
_PERIODS: Final = 2
#: Rows of blocks that are read at a time, to spare memory.
BAND: Final = 8
#: Least share of pixels at one top value below the declared white level for it to be where the sensor saturates.
_SHELF_SHARE: Final = 1e-4


@dataclass(frozen=True, eq=False)
class Blocks:
    """A frame as blocks of equal size, from the visible origin; an incomplete last block is left out.

    Attributes:
        signal: Array (h, w, 3). Mean of red, green and blue above the file's black level; 1 is the white level.
        clipped: Array of bool (h, w). Some pixel of the block is at the ceiling.
        height, width: Of the visible frame [px].
        side: Of a block [px].
        focal_mm: [mm]
        neutral: Tuple of 3 floats or None. The white that the camera chose, camera RGB.
    """

    signal: Floats
    clipped: Booleans
    height: int
    width: int
    side: int
    orientation: int = 1
    lens: str = ""
    focal_mm: float | None = None
    neutral: Triple | None = None


def read_blocks(path: Path) -> Blocks:
    """Thin a raw file to blocks, band by band.

    Raises:
        FrameError: If the file cannot be decoded, or is too small.
    """
    frame = open_frame(path)
    exposure = read_exposure(path)
    side = block_side(frame.height, frame.width, frame.pattern.shape)
    rows = frame.height // side
    if not rows or not frame.width // side:
        raise FrameError(f"{path.name}: {frame.width} x {frame.height} px are too few to compare with another frame")
    bands = (
        read_region(frame, top * side, min(top + BAND, rows) * side, 0, frame.width // side * side)
        for top in range(0, rows, BAND)
    )
    return replace(
        thin(bands, frame.white, side, frame.pattern),
        height=frame.height,
        width=frame.width,
        orientation=exposure.orientation,
        lens=exposure.lens,
        focal_mm=exposure.focal_mm,
        neutral=frame.colour.as_shot_neutral if frame.colour is not None else None,
    )


def block_side(height: int, width: int, pattern: tuple[int, ...]) -> int:
    """Return the side of a block [px]: a whole number of filter periods, so that every block sees every colour."""
    period = math.lcm(*pattern)
    return period * max(_PERIODS, round(max(height, width) / BLOCKS / period))


def thin(bands: Iterable[Mosaic], white: tuple[float, ...], side: int, pattern: Filters) -> Blocks:
    """Thin a mosaic that comes in bands of whole rows of blocks, from the top.

    Args:
        white: Tuple of 4 floats. Declared white level of R, G1, B, G2 [raw counts].
    """
    parts = [_band(band, white, side, pattern) for band in bands]
    signal = np.concatenate([part[0] for part in parts])
    highest = np.concatenate([part[1] for part in parts])
    # A frame whose top value falls short of the white level and is reached by many pixels is clipped there.
    tops = np.array([part[2] for part in parts])
    counts = np.array([part[3] for part in parts])
    top = tops.max(axis=0)
    at_top = np.where(tops == top, counts, 0).sum(axis=0)
    pixels = signal.shape[0] * signal.shape[1] * side**2 / 4
    shelf = (at_top >= max(8.0, _SHELF_SHARE * pixels)) & (top >= 0.5 * np.array(white))
    ceiling = np.where(shelf, np.minimum(top, white), white)
    clipped = np.asarray((highest >= ceiling).any(axis=-1))
    return Blocks(signal, clipped, signal.shape[0] * side, signal.shape[1] * side, side)


def _band(band: Mosaic, white: tuple[float, ...], side: int, pattern: Filters) -> tuple[Floats, Floats, Floats, Floats]:
    """Return signal (h, w, 3), largest value of each filter colour (h, w, 4), their largest and how often it comes."""
    rows, columns = band.values.shape[0] // side, band.values.shape[1] // side
    total, range_ = np.zeros((rows, columns, 3)), np.zeros((rows, columns, 3))
    highest = np.full((rows, columns, 4), -np.inf)
    tops, counts = np.full(4, -np.inf), np.zeros(4)
    period_y, period_x = pattern.shape
    for i in range(period_y):
        for j in range(period_x):
            for plane, colour in enumerate([int(pattern[i, j])] if pattern[i, j] >= 0 else [0, 1, 2]):
                channel = 1 if colour == 3 else colour
                down, across = slice(i, rows * side, period_y), slice(j, columns * side, period_x)
                values, black = (
                    part[down, across] if part.ndim == 2 else part[down, across, plane]
                    for part in (band.values, band.black)
                )
                shape = (rows, side // period_y, columns, side // period_x)
                of_block = black.reshape(shape).mean(axis=(1, 3))
                total[..., channel] += values.reshape(shape).mean(axis=(1, 3)) - of_block
                range_[..., channel] += white[colour] - of_block
                highest[..., colour] = np.maximum(highest[..., colour], values.reshape(shape).max(axis=(1, 3)))
                top = float(values.max())
                if top > tops[colour]:
                    tops[colour], counts[colour] = top, 0.0
                counts[colour] += np.count_nonzero(values == tops[colour])
    return total / range_, highest, tops, counts
