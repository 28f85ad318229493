"""Which heads at which powers go together best: an exact search, and what it finds in a test session.

The search adds the pairs of lights one by one, the closest first, to a graph. A set of lights turns into a clique of
that graph with its widest pair, so every set is met once, at its own worst pair, and the first sets met are the best.
"""

import heapq
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Final

import numpy as np
import numpy.typing as npt

#: Distances are compared to a billionth of a step, as integers, so that equal means equal.
UNIT: Final = 1e9
#: Sets of many lights with one worst pair can be too many to look at for the smallest sum; after so many steps the best
#: one seen stands.
MOST_STEPS: Final = 100_000


@dataclass(frozen=True)
class BestSet:
    """One set of lights.

    Attributes:
        members: Places in rising order.
        worst, total: The distance of the widest pair, and the sum of the distances of all pairs [steps].
        settled: No set with the same worst pair has a smaller sum; that no set has a smaller worst pair is always so.
    """

    members: tuple[int, ...]
    worst: float
    total: float
    settled: bool


def best_sets(points: npt.ArrayLike, heads: Sequence[int], need: int, count: int = 1) -> list[BestSet]:
    """Return the sets of lights of distinct heads whose widest pair is smallest; proven, best first.

    Args:
        points: (n, 2) array. Chromaticities [steps].
        heads: Sequence of int (n,). Head of each.
        need: Lights in a set, from 2 up.

    Returns: In the order of widest pair, then sum of all pairs, then places; fewer where there are no more, none where
        fewer heads than `need` are left.
    """
    at = np.asarray(points, dtype=np.float64)
    size = len(at)
    owner = np.asarray(heads)
    away = np.hypot(at[:, None, 0] - at[None, :, 0], at[:, None, 1] - at[None, :, 1])
    apart = np.rint(away * UNIT).astype(np.int64)
    first, second = np.triu_indices(size, 1)
    other = owner[first] != owner[second]
    first, second = first[other], second[other]
    order = np.lexsort((second, first, apart[first, second]))
    search = _Search(
        apart=apart.tolist(),
        near=[0] * size,
        of_head=[sum(1 << int(i) for i in np.flatnonzero(owner == head)) for head in dict.fromkeys(owner.tolist())],
        count=count,
        found=[],
        steps=[0],
    )
    for i, j in zip(first[order].tolist(), second[order].tolist(), strict=True):
        worst = search.apart[i][j]
        if len(search.found) == count and worst > -search.found[0][0][0]:
            break
        search.near[i] |= 1 << j
        search.near[j] |= 1 << i
        among = search.near[i] & search.near[j]
        full = len(search.found) == count
        if full and not _promising(search, [i, j], worst, worst, among, need - 2):
            continue
        if _heads_in(search, among) >= need - 2:
            among = _reachable(search, among, need - 2)
            _grow(search, [i, j], worst, worst, among, need - 2)
    best = sorted((tuple(-part for part in key[:2]), members) for key, members in search.found)
    return [_chosen(search, members) for _, members in sorted(best)]


@dataclass(frozen=True)
class _Search:
    """The graph so far (`near`: for each place a bit mask), the masks of the heads, and the best sets as a heap.

    The heap's first is the worst of the best: its key holds the negated worst distance, sum and places. `steps` counts.
    """

    apart: list[list[int]]
    near: list[int]
    of_head: list[int]
    count: int
    found: list[tuple[tuple[int, int, tuple[int, ...]], tuple[int, ...]]]
    steps: list[int]


def _grow(search: _Search, members: list[int], worst: int, total: int, among: int, left: int) -> None:
    """Add `left` lights of those in `among`, each near all of `members`, in every way that can still be kept."""
    if left == 0:
        places = tuple(sorted(members))
        key = (-worst, -total, tuple(-place for place in places))
        if len(search.found) < search.count:
            heapq.heappush(search.found, (key, places))
        elif key > search.found[0][0]:
            heapq.heapreplace(search.found, (key, places))
        return
    if len(search.found) == search.count:
        search.steps[0] += 1
        if search.steps[0] > MOST_STEPS or not _promising(search, members, worst, total, among, left):
            return
    rest = among
    while rest:
        bit = rest & -rest
        rest ^= bit
        place = bit.bit_length() - 1
        here = rest & search.near[place]
        if left > 1 and _heads_in(search, here) < left - 1:
            continue
        row = search.apart[place]
        _grow(search, [*members, place], worst, total + sum(row[m] for m in members), here, left - 1)


def _promising(search: _Search, members: list[int], worst: int, total: int, among: int, left: int) -> bool:
    """Say whether a bound on sum and places can still beat the worst of the sets that are kept."""
    kept = search.found[0][0]
    heads = [own for mask in search.of_head if (own := among & mask)]
    if len(heads) < left:
        return False
    bound = total
    if (-worst, -bound) > kept[:2]:  # the sum so far does not settle it: add what the nearest heads add at least
        least = []
        for own in heads:
            costs = []
            while own:
                bit = own & -own
                own ^= bit
                row = search.apart[bit.bit_length() - 1]
                costs.append(sum(row[m] for m in members))
            least.append(min(costs))
        bound += sum(sorted(least)[:left])
    if (-worst, -bound) != kept[:2]:
        return (-worst, -bound) > kept[:2]
    lowest = sorted((own & -own).bit_length() - 1 for own in heads)
    places = sorted([*members, *lowest[:left]])
    return tuple(-place for place in places) > kept[2]


def _heads_in(search: _Search, mask: int) -> int:
    return sum(1 for own in search.of_head if mask & own)


def _reachable(search: _Search, among: int, left: int) -> int:
    """Drop the lights that too few heads are near to, until none is left to drop."""
    while left > 1:
        kept, rest = 0, among
        while rest:
            bit = rest & -rest
            rest ^= bit
            if _heads_in(search, among & search.near[bit.bit_length() - 1]) >= left - 1:
                kept |= bit
        if kept == among:
            break
        among = kept
    return among


def _chosen(search: _Search, members: tuple[int, ...]) -> BestSet:
    pairs = [search.apart[a][b] for a, b in combinations(members, 2)]
    return BestSet(members, max(pairs) / UNIT, sum(pairs) / UNIT, search.steps[0] <= MOST_STEPS)
