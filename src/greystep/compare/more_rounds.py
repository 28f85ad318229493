"""Which lights decide what cannot be called yet, and how many more frames of each that takes."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from greystep.arrays import Floats, Indices
from greystep.compare.drift import Drift
from greystep.compare.limits import Rows, judge_rows, own_rows, rounds_to_decide
from greystep.session.settings import Tolerance
from greystep.terms import COLUMN, Quantity

#: A light without a usable frame is shot this often: fewer say nothing of the scatter.
_EMPTY_ROUNDS: Final = 2
_NONE: Final = np.zeros(0, dtype=np.intp)


@dataclass(frozen=True)
class Deciding:
    """What is open in a test.

    Attributes:
        rounds: (c,) int array. Further frames of each cell of `Cells`; 0 where none are asked for.
        open, settled, on_the_limit: Differences that cannot be called; how many of them these frames are to settle, and
            how many would not be decided by any number of rounds that people shoot.
    """

    rounds: Indices
    open: int
    settled: int
    on_the_limit: int


def deciding_rounds(
    drift: Drift,
    tolerance: Tolerance,
    open_heads: Indices,
    most: int | None = None,
    closed_heads: Indices = _NONE,
) -> Deciding:
    """Return the frames that decide what is undecided, if differences and scatter stay as they are.

    Args:
        open_heads: Int array. Heads (rows of `Cells.heads`) whose own verdict is undecided: within a head that is
            decided nothing is asked. Pairs of different heads are asked wherever they are open.
        most: Differences that need more rounds than this are left open; by default as many rounds as settle half of
            those that can be settled, because the last few ask for most of the frames.
        closed_heads: Int array. Heads of which nothing is asked, such as those that go back.

    What is withheld (`Rows.withheld`) is not asked either: more rounds do not cure it.
    """
    n = drift.cells.table["n"].to_numpy()
    rounds = np.where((n == 0) & ~np.isin(drift.cells.head, closed_heads), _EMPTY_ROUNDS, 0).astype(np.intp)
    found = open_differences(drift, judge_rows(drift, tolerance), open_heads, closed_heads)
    possible = found.needed[np.isfinite(found.needed)]
    limit = most or (float(np.quantile(possible, 0.5, method="higher")) if len(possible) else 0.0)
    chosen = found.needed <= limit
    for at in (found.first, found.second):
        np.maximum.at(rounds, at[chosen], found.needed[chosen].astype(np.intp))
    return Deciding(rounds, len(found.needed), int(chosen.sum()), len(found.needed) - len(possible))


@dataclass(frozen=True)
class OpenDifferences:
    """What cannot be called, and more rounds may cure.

    Attributes:
        first, second: (r,) int arrays. The cells.
        needed: (r,) array. Further frames of both cells that would decide; infinity where no number would.
    """

    first: Indices
    second: Indices
    needed: Floats


def open_differences(
    drift: Drift, rows: Mapping[Quantity, Rows], open_heads: Indices, closed_heads: Indices
) -> OpenDifferences:
    """Return the differences that are open, of one head or of two; arguments as of `deciding_rounds`."""
    cells, own = drift.cells, own_rows(drift, rows)
    n = cells.table["n"].to_numpy(np.float64)
    dof = drift.fitted["mired"].cells.dof[cells.head]
    closed = np.isin(cells.head, closed_heads)
    asked = np.zeros(len(cells.heads), dtype=bool)
    colour = [one for name, one in rows.items() if name in COLUMN]
    groups = [colour] if colour else []
    groups += [[one] for name, one in rows.items() if name not in COLUMN]
    wanted: list[tuple[Indices, Indices, Floats]] = []
    for group in groups:
        first, second = group[0].first, group[0].second
        is_open = ~np.any([one.outside for one in group], axis=0) & ~np.all([one.within for one in group], axis=0)
        of_one = np.arange(len(first)) < own if group is colour else np.ones(len(first), dtype=bool)
        is_open &= np.all([one.withheld == "" for one in group], axis=0) & ~closed[first] & ~closed[second]
        is_open &= (n[first] > 0) & (n[second] > 0) & (~of_one | np.isin(cells.head[first], open_heads))
        frames = np.minimum(n[first], n[second])
        free = np.minimum(dof[first], dof[second])
        needed = np.ones(len(first))
        for one in group:
            more = rounds_to_decide(one.size, one.u, one.u_all, one.limit, frames, free, 2, one.lasting)
            needed = np.where(one.within, needed, np.fmax(needed, more))
        asked[cells.head[first[is_open & of_one]]] = True
        wanted.append((first[is_open], second[is_open], needed[is_open]))
    for head in open_heads[~asked[open_heads]]:  # every difference passes, but the widest of them all does not yet
        mine = np.flatnonzero(cells.head == head)
        wanted.append((mine[:-1], mine[1:], np.ones(len(mine) - 1)))
    first, second, needed = (np.concatenate(column) for column in zip(*wanted, strict=True))
    return OpenDifferences(first, second, needed)
