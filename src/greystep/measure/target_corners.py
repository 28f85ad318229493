"""Corners of the target: the little of a large frame that tells that its target stands in place.

Two corners of the target's box show edges in both directions, in a tile of the file each, where all that lies about the
target takes dozens of them. A frame whose corners are those of the others has its target in its place; of any other
one all is read, see `greystep.measure.target_moved`.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Final

import numpy as np

from greystep.arrays import Booleans, Floats
from greystep.measure.target import Target
from greystep.measure.target_moved import binned, slopes, stride, surround_pixels
from greystep.raw.frame import Frame, Mosaic
from greystep.raw.raster import Region

Window = tuple[int, int, int, int]  # y0, y1, x0, x1 [px]

#: Surrounds of fewer pixels are read whole.
SMALL: Final = 1 << 19
#: Bins of a corner's map, a side.
BINS: Final = 12
#: Rows and columns that are read for a bin, at least: half of their pixels are green.
_A_BIN: Final = 6
#: So far about a corner is read: in the target's sizes, and in pixels. At 0.15 one shift of 15 % in 56 went unseen.
_REACH: Final = 0.2
_REACH_PX: Final = 256
#: Into the target its rows are read half as far: a tile is decoded from its first row on. Of 396 simulated frames each
#: was told as with the whole of it.
_INWARDS: Final = 0.5
#: So much of card and of ground, in the target's sizes, a corner's window holds beside each edge.
_NEAR: Final = 0.03
#: Of pairs whose depths in their tiles are the same to a part in so many, the better seen one is taken.
_DEPTHS: Final = 8
#: Edges agree from this correlation on; an edge that has moved by one bin, 3.3 % of the target, has 0.65 (closed form
#: for edges of a Gaussian's shape that is as wide as the smoothing).
_ALIKE: Final = 0.7


@dataclass(frozen=True)
class _Corner:
    """A corner of the box: which one, whether one tile holds its window, and how near its window's sides are."""

    low: int
    right: int
    in_tile: bool
    depth: float  # so much of its tile or strip is decoded, from the first row to the window's last
    room: float  # in sizes of the target
    window: Window


def corner_windows(frame: Frame, target: Target) -> tuple[Window, ...]:
    """Return the windows about two corners of the target's box; none where the whole surround is as quickly read.

    Those go first that lie well within a tile of the file each and near its upper rim, as a tile is decoded from its
    first row on; of these, opposite ones.
    """
    y0, y1, x0, x1 = surround_pixels(target, frame.height, frame.width, frame.pattern.shape)
    if (y1 - y0) * (x1 - x0) < SMALL:
        return ()
    left, top, right, bottom = target.box
    high, wide = (bottom - top) * frame.height, (right - left) * frame.width
    reach_y, reach_x = min(_REACH * high, _REACH_PX), min(_REACH * wide, _REACH_PX)
    found = []
    for low, y in enumerate((round(top * frame.height), round(bottom * frame.height))):
        up, down = (_INWARDS * reach_y, reach_y) if low else (reach_y, _INWARDS * reach_y)
        for to_right, x in enumerate((round(left * frame.width), round(right * frame.width))):
            for in_tile in (True, False):
                window = _window(frame, y, x, (up, down, reach_x), in_tile)
                y0, y1, x0, x1 = window
                room = min((y - y0) / high, (y1 - y) / high, (x - x0) / wide, (x1 - x) / wide)
                if room >= _NEAR and min(y1 - y0, x1 - x0) >= 2 * BINS:
                    found.append(_Corner(low, to_right, in_tile, _depth(frame, y1), room, window))
                    break
    best = max(combinations(found, 2), key=lambda pair: _worth(*pair), default=())
    return tuple(corner.window for corner in best)


def _worth(one: _Corner, other: _Corner) -> tuple[int, int, bool, float]:
    """Return how well two corners serve: by tiles and rows that are decoded, then as opposite ones, then by room."""
    opposite = one.low != other.low and one.right != other.right
    depth = round(_DEPTHS * (one.depth + other.depth))
    return one.in_tile + other.in_tile, -depth, opposite, min(one.room, other.room)


def _depth(frame: Frame, bottom: int) -> float:
    """Return how much of a tile or strip is decoded for rows that end there; 0 where that does not count."""
    dng = frame.by_region
    if dng is None or not dng.raster.decoded_by_rows:
        return 0.0
    return ((bottom - 1 + dng.top) % dng.raster.rows + 1) / dng.raster.rows


def _window(frame: Frame, y: int, x: int, reach: tuple[float, float, float], in_tile: bool) -> Window:
    """Return the pixels about a place, within the frame, and within the tile that it lies in where that is asked.

    Args:
        reach: Upwards, downwards, and to either side [px].
    """
    up, down, beside = reach
    y0, y1 = max(0, round(y - up)), min(frame.height, round(y + down))
    x0, x1 = max(0, round(x - beside)), min(frame.width, round(x + beside))
    dng = frame.by_region
    if in_tile and dng is not None and not dng.raster.plain:
        raster = dng.raster
        first_y, first_x = (
            (at + before) // step * step - before
            for at, before, step in ((y, dng.top, raster.rows), (x, dng.left, raster.wide))
        )
        y0, y1 = max(y0, first_y), min(y1, first_y + raster.rows)
        x0, x1 = max(x0, first_x), min(x1, first_x + raster.wide)
    return y0, y1, x0, x1


def corner_region(window: Window) -> Region:
    """Return as many pixels of a window as its map takes."""
    y0, y1, x0, x1 = window
    return Region(*window, stride(y1 - y0, BINS, _A_BIN), stride(x1 - x0, BINS, _A_BIN))


def corner_maps(windows: Sequence[Mosaic]) -> Floats:
    """Return small maps (k, 12, 12) of the green above black about each corner, 1 on the mean."""
    maps = np.stack([binned(window, BINS) for window in windows])
    mean = float(maps.mean())
    return np.round(maps / mean, 4) if mean > 0 else np.zeros_like(maps)


def in_place(corners: Sequence[Floats], reference: Floats) -> Booleans:
    """Say of frames (n,) whether their corners are those of the reference: edges alike in both directions.

    Args:
        corners: Arrays (k, 12, 12), each of `corner_maps`.
        reference: Array (k, 12, 12). Their median over frames.
    """
    now, then = _slopes(np.stack(corners)), _slopes(reference[None])
    strengths = np.sum(now**2, axis=2) * np.sum(then**2, axis=2)
    return np.asarray((np.sum(now * then, axis=2) > _ALIKE * np.sqrt(strengths)).all(axis=1))


def _slopes(maps: Floats) -> Floats:
    """Return the slopes of all corners of frames (n, 2, m): down and across."""
    return np.moveaxis(slopes(maps), 0, 1).reshape(len(maps), 2, -1)
