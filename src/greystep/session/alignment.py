"""Frames aligned with the rows of a log by the light in them."""

from collections.abc import Hashable, Sequence
from typing import Final

import numpy as np
import pandas as pd

from greystep.arrays import Floats, Indices
from greystep.session.costs import GAP, disagreement
from greystep.terms import PARTS, TESTED, UNLIT, Kind

#: Another place that costs no more than this [stop] above the best is as good.
_AS_GOOD: Final = 0.25
#: A frame that may as well be left out, to within this [stop], is one of two alike: neither has the row.
_ALIKE: Final = 0.08
#: Rounds in which the heads' levels and the places settle on each other; in each, every head is tried at levels up to
#: four stops off [stop].
_ROUNDS: Final = 2
_LEVELS: Final = (0.0, *(sign * step / 2.0 for step in range(1, 9) for sign in (1, -1)))
#: What parts the lights of a log, as far as it has it; each set of these but power and kind has a level of its own.
OWN_LEVEL: Final = ("head", *PARTS)
LIGHT: Final = (*OWN_LEVEL, "stops", "kind")


def place_by_light(shots: pd.DataFrame, light_stops: Floats) -> Indices:
    """Return the row of each frame, -1 where it fits none or more than one light.

    Args:
        shots: The log, rows in the order of shooting: head, stops, kind.
        light_stops: (n,) array. Of each frame in capture order: log2 of its light, exposure settings taken out, in any
            unit; -inf where there is no flash in it, NaN where it is not known.

    Returns: (n,) int array: Positions in `shots`: the alignment of expected and measured stops with gaps that disagrees
        least (dynamic programming, forwards and backwards). Each head's level is the median of its frames, found with
        the places. Rows of one light in succession are one place, of which the first rows are filled. A frame of which
        there are two alike, or that is far from the light of its place, has none.
    """
    if not len(light_stops) or not len(shots):
        return np.full(len(light_stops), -1)
    stops = expected_stops(shots)
    lit = np.isfinite(stops)
    own = pd.factorize(pd.Series(light_keys(shots, OWN_LEVEL)))[0]
    lights = light_keys(shots, LIGHT)

    def cost(level: Floats) -> Floats:
        return disagreement(np.where(lit, level - stops, stops), light_stops)

    def best_of(levels: Sequence[Floats]) -> Floats:
        expected = np.where(lit, np.stack(levels) - stops, stops)
        return levels[int(np.argmin(least_costs(expected, light_stops)))]

    one = one_level(stops, light_stops)
    in_order = np.rint(np.linspace(0, len(shots) - 1, len(light_stops))).astype(np.intp)
    found = []
    for level in (levels_of(stops, light_stops, own, in_order, one), one):
        for _ in range(_ROUNDS):
            for number in np.unique(own[lit]):
                level = best_of([level + step * (own == number) for step in _LEVELS])
            level = levels_of(stops, light_stops, own, _sure(cost(level), lights), level)
        found.append(level)
    level = best_of(found)
    placed = _sure(cost(level), lights)
    far = np.isfinite(light_stops) & (cost(level)[placed, np.arange(len(placed))] > GAP)
    return np.where(far, -1, placed)


def least_costs(expected: Floats, light_stops: Floats) -> Floats:
    """Return the cost of the best alignment (k,) for each of k ways (k, rows) to expect light, see `disagreement`.

    The least of them is exact; another one may be told too high, where its alignment runs far from the diagonal: the
    band that is looked at is widened until whatever leaves it has more gaps than the least alignment costs.
    """
    rows, frames = expected.shape[1], len(light_stops)
    band = 32 + rows // 16
    while True:
        found = _in_band(expected, light_stops, band)
        if found.min() <= GAP * (2 * band - abs(frames - rows)) or band >= max(rows, frames):
            return found
        band *= 2


def _in_band(expected: Floats, light_stops: Floats, band: int) -> Floats:
    """Return the least costs (k,) of alignments of which no frame is farther than so many from the diagonal."""
    rows, frames = expected.shape[1], len(light_stops)
    gaps = GAP * np.arange(frames + 1)
    alike = np.all((expected == expected[0]) | np.isnan(expected), axis=0)  # of most rows all ways expect the same
    total = np.full((len(expected), frames + 1), np.inf)
    total[:, : band + 1] = gaps[: band + 1]
    for row in range(rows):
        middle = (row + 1) * frames // rows
        low, high = max(0, middle - band), min(frames, middle + band)
        first = max(low, 1)
        cost = disagreement(expected[: 1 if alike[row] else None, row], light_stops[first - 1 : high])
        here = np.full((len(expected), high + 1 - low), np.inf)
        here[:, first - low :] = total[:, first - 1 : high] + cost
        here = np.minimum(here, total[:, low : high + 1] + GAP)
        total[:, low : high + 1] = np.minimum.accumulate(here - gaps[low : high + 1], axis=1) + gaps[low : high + 1]
        total[:, :low] = np.inf
    return total[:, -1]


def light_keys(shots: pd.DataFrame, names: Sequence[str]) -> list[Hashable]:
    """Return what these columns say of each row, as far as the log has them; a check is a flash."""
    shots = shots.assign(kind=shots["kind"].where(shots["kind"] != Kind.CHECK, Kind.FLASH.value))
    return list(shots[[name for name in names if name in shots]].fillna(-1.0).itertuples(index=False, name=None))


def expected_stops(shots: pd.DataFrame) -> Floats:
    """Return the stops below full of each row; inf where no flash is due, NaN where its light is not known."""
    unlit = shots["kind"].isin(UNLIT).to_numpy()
    known = shots["kind"].isin([*TESTED, Kind.CARD]).to_numpy() & (shots["head"] != "").to_numpy()
    return np.where(unlit, np.inf, np.where(known, shots["stops"].to_numpy(np.float64), np.nan))


def one_level(stops: Floats, light: Floats) -> Floats:
    """Take every head for one whose highest power is the brightest frame."""
    known = light[np.isfinite(light)], stops[np.isfinite(stops)]
    return np.full(len(stops), known[0].max() + known[1].min() if len(known[0]) and len(known[1]) else 0.0)


def levels_of(stops: Floats, light: Floats, own: Indices, placed: Indices, level: Floats) -> Floats:
    """Return the level of each row's head at full: the median of its placed frames; without any, as it was."""
    found = level.copy()
    at = np.flatnonzero(placed >= 0)
    row = placed[at]
    usable = np.isfinite(light[at]) & np.isfinite(stops[row])
    at, row = at[usable], row[usable]
    for number in np.unique(own[row]):
        mine = own[row] == number
        found[own == number] = np.median(light[at[mine]] + stops[row[mine]])
    return found


def _sure(cost: Floats, lights: Sequence[Hashable]) -> Indices:
    """Return the row of each frame in the best alignment; -1 where another light, or no place, is as good."""
    forward = _best(cost)
    backward = _best(cost[::-1, ::-1])[::-1, ::-1]
    through = forward[:-1, :-1] + cost + backward[1:, 1:]  # (rows, frames): best alignment with this match in it
    skipped = np.min(forward[:, :-1] + GAP + backward[:, 1:], axis=0)
    best = float(forward[-1, -1])
    placed = np.full(cost.shape[1], -1)
    taken = -1
    for frame in range(cost.shape[1]):
        near = np.flatnonzero(through[:, frame] <= best + _AS_GOOD)
        exact = near[through[near, frame] <= best + 1e-9]
        exact = exact[exact > taken]
        if len(exact):
            taken = int(exact[0])
            if len({lights[row] for row in near.tolist()}) == 1 and skipped[frame] > best + _ALIKE:
                placed[frame] = taken
    return placed


def _best(cost: Floats) -> Floats:
    """Return the least cost (rows + 1, frames + 1) of aligning the first rows with the first frames."""
    rows, frames = cost.shape
    gaps = GAP * np.arange(frames + 1)
    total = np.tile(gaps, (rows + 1, 1))
    for row in range(rows):
        total[row + 1, 0] = total[row, 0] + GAP
        total[row + 1, 1:] = np.minimum(total[row, :-1] + cost[row], total[row, 1:] + GAP)
        total[row + 1] = np.minimum.accumulate(total[row + 1] - gaps) + gaps  # frames skipped on this row
    return total
