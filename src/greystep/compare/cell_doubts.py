"""What makes lights less sure than the scatter of their heads: frames' own noise, blocks, places, and room light."""

from typing import Final

import numpy as np

from greystep.arrays import Floats, Indices
from greystep.compare.blocks import Watch
from greystep.compare.cells import QUANTITIES, Cells, Frames, settings, size_of
from greystep.constants import PLACEMENT_DUV, PLACEMENT_MIRED, UNWATCHED_DUV, UNWATCHED_MIRED
from greystep.measure.uncertainty import student_factor

#: A head so many standard deviations of a place off the others is another light, and tells nothing of places.
_ODD_SD: Final = 3.0
#: What is compared between heads, so that what moves between them matters.
COLOURS: Final = tuple(name for name in QUANTITIES if name != "output_stops")


def add_between(
    cells: Cells,
    frames: Frames,
    quantity: str,
    rows: Indices,
    seen: Floats,
    means: Floats,
    values: Floats,
    watch: Watch,
    parts: Floats,
) -> list[float]:
    """Put the last sources into `parts` (3, c, c): blocks, places, and what has a known size; return their freedom.

    Args:
        rows, seen: (n,) arrays. Frames, and their values.
        means: (c, n) array. The cells as sums of these frames.
        values: (c,) array. The cells.
    """
    count = len(values)
    place, freedom = _place(cells, quantity, values, watch)
    apart, line = _between(frames, quantity, rows, means)
    if np.isinf(freedom):  # else the heads' own scatter holds what camera and mains did as well
        parts[0] = watch.variance * apart + watch.slope_variance * line
    parts[1] = place * apart
    parts[2] = _shared(frames, quantity, rows, means, count)
    if frames.heat.kept.any():  # there may be no warm-up at all: the cells would be their plain means
        cell = frames.cell[rows]
        plain = np.bincount(cell, seen, count) / np.maximum(np.bincount(cell, minlength=count), 1)
        away = np.nan_to_num(plain - values)
        parts[2] += frames.heat.doubt * np.outer(away, away)
    return [watch.dof, freedom, float("inf")]


def hold_to_noise(cells: Cells, cell: Indices, noise: Floats, parts: Floats) -> Floats:
    """Raise the uncertainty of cells that would be surer than their frames' own noise / sqrt(n)."""
    count = len(cells.table)
    squares = np.bincount(cell, np.nan_to_num(noise) ** 2, minlength=count)
    floor = squares / np.maximum(np.bincount(cell, minlength=count), 1) ** 2
    own = np.sum(np.diagonal(parts, axis1=1, axis2=2), axis=0)
    silent = (own < 1e-12 * floor) & (floor > 0)  # frames so alike that only their noise says anything
    raised = np.sqrt(np.maximum(np.divide(floor, own, out=np.ones(count), where=(own > 0) & ~silent), 1.0))
    parts = parts * raised[:, None] * raised[None, :]
    parts[cells.head[silent], silent, silent] = floor[silent]
    return np.asarray(parts)


def _between(frames: Frames, quantity: str, rows: Indices, means: Floats) -> tuple[Floats, Floats]:
    """Return the covariance of the cells for a variance of 1 of each block, and of a line over the test.

    Args:
        means: (c, n) array. The cells as sums of the frames `rows`.
    """
    block = frames.block[rows]
    numbers = np.unique(block)
    nothing = np.zeros((len(means), len(means)))
    if frames.rounds > 1 or len(numbers) < 2 or quantity not in COLOURS:
        return nothing, nothing
    shares = means @ (block[:, None] == numbers).astype(np.float64)
    late = means @ (frames.clock[rows] - np.mean(frames.clock[rows]))
    return np.asarray(shares @ shares.T), np.outer(late, late)


def _place(cells: Cells, quantity: str, values: Floats, watch: Watch) -> tuple[float, float]:
    """Return the variance that each head's place brings, with that of camera and mains where nothing watched them.

    Returns: The variance and its degrees of freedom. Its size is assumed (`PLACEMENT_MIRED`, `UNWATCHED_MIRED`), but
        heads cannot have been moved farther than they read apart: where most of them agree, their own scatter about the
        median of each power is taken if its interval is the narrower one; a head farther off than its place explains
        does not count.
    """
    size = float(size_of(quantity, PLACEMENT_MIRED, PLACEMENT_DUV))
    if not watch.dof:
        size = float(np.hypot(size, size_of(quantity, UNWATCHED_MIRED, UNWATCHED_DUV)))
    power = settings(cells.table["stops"].to_numpy(np.float64))
    body = np.unique(cells.table["body"].to_numpy(object), return_inverse=True)[1]
    away = np.full(len(values), np.nan)
    for one in np.unique(np.column_stack([body, power]), axis=0):
        here = (body == one[0]) & (power == one[1]) & np.isfinite(values)
        if len(np.unique(cells.head[here])) > 1:
            away[here] = values[here] - np.median(values[here])
    told = np.isfinite(away)
    levels = np.array([away[told & (cells.head == head)].mean() for head in np.unique(cells.head[told])])
    alike = levels[np.abs(levels - np.median(levels)) <= _ODD_SD * size] if len(levels) else levels
    if len(alike) > 2 and 2 * len(alike) > len(levels):
        dof, apart = len(alike) - 1.0, float(np.std(alike, ddof=1))
        if student_factor(dof) * apart < student_factor(np.inf) * size:
            return apart**2, dof
    return size**2, float("inf")


def _shared(frames: Frames, quantity: str, rows: Indices, means: Floats, count: int) -> Floats:
    """Return the covariance of errors that a cell's frames share, and of room light that changed between them.

    The switch of a lamp lies between two frames; with the chance p that it had happened, two frames of one stretch have
    the covariance ``p (1 - q)``, p the smaller of both chances and q the larger (of a step at an unknown moment).
    """
    cell = frames.cell[rows]
    n = np.maximum(np.bincount(cell, minlength=count), 1)
    found = np.diag(np.bincount(cell, frames.shared[quantity][rows] ** 2, minlength=count) / n)
    for stretch in np.unique(frames.room[rows][frames.room[rows] >= 0]):
        mine = np.flatnonzero(frames.room[rows] == stretch)
        share = frames.share[rows[mine]]
        step = np.minimum(share[:, None], share) * (1.0 - np.maximum(share[:, None], share))
        moved = means[:, mine] * frames.room_effects[quantity][rows[mine]]
        found += moved @ step @ moved.T
    return np.asarray(found)
