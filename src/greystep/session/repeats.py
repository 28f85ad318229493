"""Repeats of a light, and how they scatter: the frames of one cell, over all cells."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from greystep.arrays import SD_PER_MAD, Floats, Indices

#: Frames within this many robust deviations enter the pooled one.
POOLED_WITHIN_SD: Final = 4.0


def pooled_sd(values: Floats, cell: NDArray[np.int64]) -> tuple[float, int]:
    """Return the scatter within cells, robust against outliers, and its degrees of freedom.

    First the median distance of two repeats, over all pairs of all cells, each cell weighing by its degrees of
    freedom, scaled to the standard deviation of a normal distribution (median |a - b| = 0.6745 sqrt(2) sd, closed
    form); deviations from a cell's own median would be too small: of three repeats one is the median. Then the plain
    pooled deviation of what lies within 4 of these about its cell's median, which is the steadier estimate.

    Returns:
        sd: NaN without repeats.
        dof: int
    """
    return Repeats.of(values, cell).pooled_sd()


@dataclass(frozen=True)
class Repeats:
    """Values of cells that have two or more.

    Attributes:
        values, away, cell: (n,) arrays. With their distance from the cell's median, and the cell's number.
        distance, weight, pair: (p,) arrays. Of two repeats of one cell, their weight, and the cell's number.
    """

    values: Floats
    away: Floats
    cell: Indices
    distance: Floats
    weight: Floats
    pair: Indices

    @classmethod
    def of(cls, values: Floats, cell: NDArray[np.int64]) -> "Repeats":
        """Sort values (n,) by their cells, those that are not finite and those without a repeat left out."""
        known = np.flatnonzero(np.isfinite(values))
        known = known[np.argsort(cell[known], kind="stable")]
        count = np.unique(cell[known], return_counts=True)[1]
        known, size = known[np.repeat(count > 1, count)], count[count > 1]
        values, cell = values[known], cell[known].astype(np.intp)
        begin = np.cumsum(size) - size
        inside = [values[at : at + n] for at, n in zip(begin.tolist(), size.tolist(), strict=True)]
        away = [np.abs(one - np.median(one)) for one in inside]
        pairs = [np.abs(one[first] - one[second]) for one in inside for first, second in [np.triu_indices(len(one), 1)]]
        count = size * (size - 1) // 2
        none = [values[:0]]
        return cls(
            values, np.concatenate(away or none), cell,
            np.concatenate(pairs or none), np.repeat(2.0 / size, count), np.repeat(cell[begin], count),
        )  # fmt: skip

    def without(self, number: int) -> "Repeats":
        """Leave a cell out."""
        stays, pairs = self.cell != number, self.pair != number
        return Repeats(
            self.values[stays], self.away[stays], self.cell[stays],
            self.distance[pairs], self.weight[pairs], self.pair[pairs],
        )  # fmt: skip

    def pooled_sd(self) -> tuple[float, int]:
        """See `pooled_sd`."""
        if not len(self.values):
            return float("nan"), 0
        order = np.argsort(self.distance)
        passed = np.cumsum(self.weight[order])
        middle = float(self.distance[order[np.searchsorted(passed, passed[-1] / 2.0)]]) * SD_PER_MAD / np.sqrt(2.0)
        near = self.away <= POOLED_WITHIN_SD * middle
        values, cell = self.values[near], self.cell[near]
        count = np.bincount(cell, minlength=1)
        dof = int(np.maximum(count - 1, 0).sum())
        mean = np.bincount(cell, values, minlength=1) / np.maximum(count, 1)
        squares = float(np.sum((values - mean[cell]) ** 2))
        return (float(np.sqrt(squares / dof)), dof) if dof else (middle, 1)
