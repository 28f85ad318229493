"""A whole frame as a small linear picture: every pixel of it, some of its rows, or what tells a large frame's scene."""

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from greystep.arrays import Filters, Floats, Image, Indices, runs_of
from greystep.errors import FrameError
from greystep.raw.frame import Frame, black_of, stored_rows
from greystep.raw.levels import linear

#: Of a smaller frame the whole overview is quickly made [px].
LARGE: Final = 1 << 23
#: Where the light along a column bends by more from slit to slit [natural log], something begins or ends between them.
_BENDS: Final = 0.03
#: Light that is added before logarithms, of the white level: in the dark there is only noise.
_DARK: Final = 0.03


def overview(
    frame: Frame, longest: int = 256, thinned: bool = False, slits: bool = False, sparse: bool = False
) -> Image:
    """Return the whole frame binned to a small linear picture in camera RGB.

    Args:
        longest: Longest side of the picture [px]; a frame with fewer filter periods than that gives fewer.
        thinned: Only the middle quarter of each bin's rows is looked at, two filter periods at least.
        sparse: Of a frame in tiles only those are decoded whole in which the light changes from the one above to that
            below; through the others lie straight lines. What lies within a row of tiles may be missed, see `unseen`.
        slits: For a rough look: only some rows of bins are read, the first in each row of tiles and every fourth where
            rows are not packed, and what lies between is blended.

    Returns: ndarray float32 (h, w, 3): Above black, divided by the white level minus the highest black level (DNG
        specification 1.7.1.0, p. 99); the picture's edges are the frame's to within one filter period.

    Raises:
        FrameError: With the flag ``damaged`` where the pixels cannot be decoded.
    """
    ph, pw = frame.pattern.shape
    cells_y, cells_x = frame.height // ph, frame.width // pw
    if not cells_y or not cells_x:
        raise FrameError(f"{frame.path.name}: {frame.width} x {frame.height} px are too few to measure")
    scale = min(1.0, longest / max(cells_y, cells_x))
    bins = _Bins(frame, _edges(cells_y, scale), _edges(cells_x, scale), thinned)
    plain = frame.by_region is not None and frame.by_region.raster.plain
    known = bins.slits() if slits or (sparse and not plain) else bins.rows
    picture = np.empty((len(bins.rows), bins.columns, 3), np.float32)
    if len(known) == len(bins.rows) and not (thinned and plain):
        bins.read(picture, 0, len(bins.rows), 0, bins.columns)
        return picture
    for row in known.tolist():
        bins.read(picture, row, row + 1, 0, bins.columns)
    if len(known) < len(bins.rows):
        _blend(picture, known)
        for top, bottom, left, right in () if slits else bins.unlike(picture, known):
            bins.read(picture, top, bottom, left, right)
    return picture


def unseen(frame: Frame) -> float:
    """Return how high a thing can be that a sparse overview may miss, as a share of the frame's height."""
    dng = frame.by_region
    return min(1.0, dng.raster.rows / frame.height) if dng is not None and dng.raster.page.is_tiled else 0.0


@dataclass(frozen=True, eq=False)
class _Bins:
    """The bins of a picture: where their rows and columns begin in the frame, in periods of its filters."""

    frame: Frame
    edges_y: Indices
    edges_x: Indices
    thinned: bool

    @property
    def rows(self) -> Indices:
        return np.arange(len(self.edges_y) - 1)

    @property
    def columns(self) -> int:
        return len(self.edges_x) - 1

    def read(self, picture: Image, top: int, bottom: int, left: int, right: int) -> None:
        """Read a box of bins into the picture; the pixels are decoded once, and are floats a row of bins at a time."""
        frame, (ph, pw) = self.frame, self.frame.pattern.shape
        levels = frame.by_region.levels if frame.by_region is not None else None
        x0, x1 = int(self.edges_x[left]) * pw, int(self.edges_x[right]) * pw
        begins, ends = zip(*(self._span(row) for row in range(top, bottom)), strict=True)
        first = begins[0] * ph
        stored = stored_rows(frame, first, ends[-1] * ph, x0, x1)
        edges_x = self.edges_x[left : right + 1] - self.edges_x[left]
        white = np.array(frame.white[:3]) - frame.black_pattern.max(axis=(0, 1))
        for row, low, high in zip(range(top, bottom), begins, ends, strict=True):
            band = stored[low * ph - first : high * ph - first]
            above = band.astype(np.float64) if levels is None else linear(levels, band, low * ph, x0)
            above -= black_of(frame, low * ph, high * ph, x0, x1)
            cells = above.reshape(high - low, ph, (x1 - x0) // pw, pw, -1).sum(axis=0)
            sites = np.add.reduceat(cells, edges_x[:-1], axis=1) / ((high - low) * np.diff(edges_x)[:, None, None])
            picture[row, left:right] = _rgb(sites, frame.pattern) / white

    def _span(self, row: int) -> tuple[int, int]:
        """Return the rows of filter periods of a row of bins that are looked at."""
        low, high = int(self.edges_y[row]), int(self.edges_y[row + 1])
        if self.thinned and high - low > 2:
            few = max(2, (high - low) // 4)
            low += (high - low - few) // 2
            high = low + few
        return low, high

    def slits(self) -> Indices:
        """Return which rows are quickly read; all where none is."""
        frame, rows, dng = self.frame, self.rows, self.frame.by_region
        if dng is None:
            return rows
        raster = dng.raster
        if raster.plain:
            return rows[::4]
        first, last = (
            (edge * frame.pattern.shape[0] + dng.top - at) // raster.rows
            for edge, at in ((self.edges_y[:-1], 0), (self.edges_y[1:], 1))
        )
        inside = rows[first == last]
        if not raster.page.is_tiled or not inside.size or raster.fields != (1, 1):
            return rows
        return np.asarray(inside[np.unique(first[inside], return_index=True)[1]])

    def unlike(self, picture: Image, known: Indices) -> Iterator[tuple[int, int, int, int]]:
        """Yield the boxes of bins (top, bottom, left, right) between known rows that straight lines do not tell.

        They are as wide as tiles. All of what lies above the first known row and below the last is among them.
        """
        assert self.frame.dng is not None
        light = np.log(np.maximum(picture[known], 0.0) + _DARK)
        bends = np.zeros(light.shape[:2], dtype=np.bool_)
        bends[1:-1] = (np.abs(np.diff(light, 2, axis=0)) > _BENDS).any(axis=2)
        tile = (self.edges_x[:-1] * self.frame.pattern.shape[1] + self.frame.dng.left) // self.frame.dng.raster.wide
        if known[0] > 0:
            yield 0, int(known[0]), 0, self.columns
        for (upper, lower), bent in zip(pairwise(known.tolist()), bends[:-1] | bends[1:], strict=True):
            if lower - upper > 1:
                for left, right in runs_of(np.isin(tile, tile[bent])):
                    yield upper + 1, lower, left, right
        if known[-1] + 1 < len(self.rows):
            yield int(known[-1]) + 1, len(self.rows), 0, self.columns


def _edges(cells: int, scale: float) -> NDArray[np.int64]:
    return np.linspace(0, cells, max(1, round(cells * scale)) + 1).astype(np.int64)


def _blend(picture: Image, known: Indices) -> None:
    """Fill the rows of a picture between known ones by straight lines, those beyond with the nearest."""
    rows = np.arange(len(picture))
    after = np.clip(np.searchsorted(known, rows), 1, max(1, len(known) - 1))
    low, high = known[after - 1], known[np.minimum(after, len(known) - 1)]
    share = np.clip((rows - low) / np.maximum(high - low, 1), 0.0, 1.0)[:, None, None]
    picture[:] = (1.0 - share) * picture[low] + share * picture[high]


def _rgb(sites: Floats, pattern: Filters) -> Floats:
    """Turn the mean of each site of the period (ph, bins, pw, planes) into camera RGB (bins, 3)."""
    if pattern[0, 0] < 0:
        return sites[0, :, 0]
    by_site: Any = sites[..., 0].transpose(1, 0, 2)
    chosen = (pattern == 0, (pattern == 1) | (pattern == 3), pattern == 2)
    return np.stack([by_site[:, sites_of].mean(axis=1) for sites_of in chosen], axis=-1)
