"""Warm-up flashes fired through the camera: frames at full at a head's start for which the log has no rows.

Rows and frames are aligned by their light, as `greystep.session.alignment` does; in front of the first row of a head,
three frames or more at its full level may be passed over for next to nothing.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd

from greystep.arrays import Booleans, Floats, Indices, runs_of
from greystep.session.costs import GAP, WARM_UPS, disagreement
from greystep.session.readings import WARM_UP_NOTE
from greystep.session.shots import check_rows
from greystep.terms import TESTED, UNLIT

#: A frame that is passed over as a warm-up; warm-ups must save two slips at least.
_PASSED: Final = 0.01
_SAVES: Final = 2.0 * GAP - 0.1
#: A warm-up is so near its head's full level [stop]; fired in a hurry, it may fall a little short.
_LIKE_FULL: Final = 0.3
#: Heads are tried so far from the brightest [stop], so many times over.
_LEVELS: Final = tuple(step / 2.0 for step in range(-6, 5))
_ROUNDS: Final = 2


def find_warm_ups(shots: pd.DataFrame, light: Floats) -> list[tuple[int, str]]:
    """Return the frames that are warm-ups, by their place in capture order, each with its head; none where in doubt.

    Args:
        shots: The log, rows in the order of shooting: head, stops, kind; perhaps not shot to its end.
        light: (n,) array. Of each frame in capture order: log2 of its light, exposure settings taken out, in any unit;
            -inf where there is no flash in it, NaN where it is not known.
    """
    fired = (shots["kind"].isin(TESTED) & (shots["head"] != "")).to_numpy()
    unlit = shots["kind"].isin(UNLIT).to_numpy()
    stops = np.where(unlit, np.inf, np.where(fired, shots["stops"].to_numpy(np.float64), np.nan))
    own, heads = pd.factorize(shots["head"].where(fired, ""))
    starts: dict[int, int] = {}  # rows in front of which a head may be warmed up
    for row in np.flatnonzero(fired & ~check_rows(shots)).tolist():
        if int(own[row]) not in starts.values() or _told(shots, row):
            starts[row] = int(own[row])
    known = light[np.isfinite(light)]
    if not starts or not _alike_in_a_row(light):
        return []
    levels = np.full(len(heads), known.max() + np.nanmin(np.where(fired, stops, np.nan)))

    def cost(levels: Floats) -> Floats:
        return disagreement(np.where(fired, levels[own] - stops, stops), light)

    def searched(levels: Floats, order: Sequence[int]) -> tuple[float, Floats]:
        total = np.inf
        for head in [*order] * _ROUNDS:
            tried = [np.where(np.arange(len(heads)) == head, known.max() + offset, levels) for offset in _LEVELS]
            tried = [levels, *tried]
            totals = [float(_align(cost(each), _runs(each, starts, light))[0].min()) for each in tried]
            total, levels = min(totals), tried[int(np.argmin(totals))]
        return total, levels

    order = sorted(set(own[fired].tolist()))  # either way: the first head that is tried takes what fits another better
    levels = min((searched(levels, one) for one in (order, order[::-1])), key=lambda found: found[0])[1]
    found: list[tuple[int, str]] = []
    for _ in range(_ROUNDS):
        _, placed, aside = _align(cost(levels), _runs(levels, starts, light), trace=True)
        levels = _settled(levels, own, stops, light, placed)
        found = [(frame, str(heads[head])) for frame, head in aside]
    saved = _align(cost(levels), {})[0].min() - _align(cost(levels), _runs(levels, starts, light))[0].min()
    return found if saved >= _SAVES else []


def _alike_in_a_row(light: Floats) -> bool:
    """Say whether so many frames in a row have one light, without which there are no warm-ups."""
    if len(light) < WARM_UPS:
        return False
    windows = np.where(np.isfinite(light), light, np.nan)[
        np.arange(WARM_UPS)[:, None] + np.arange(len(light) - WARM_UPS + 1)
    ]
    return bool((np.ptp(windows, axis=0) <= _LIKE_FULL).any())


def _told(shots: pd.DataFrame, row: int) -> bool:
    """Say whether the log's note speaks of warm-up shots before a row."""
    return "note" in shots and "warm-up" in str(shots["note"].iloc[row])


def _runs(levels: Floats, starts: dict[int, int], light: Floats) -> dict[int, tuple[int, Booleans]]:
    """Return by row, in front of which a head is warmed up, the head and which frames are at its full level."""
    return {row: (head, np.abs(light - levels[head]) <= _LIKE_FULL) for row, head in starts.items()}


def _settled(levels: Floats, own: Indices, stops: Floats, light: Floats, placed: Indices) -> Floats:
    """Return the level of each head at full: the median of its placed frames; without any, as it was."""
    found = levels.copy()
    at = np.flatnonzero(placed >= 0)
    at = at[np.isfinite(light[at]) & np.isfinite(stops[placed[at]])]
    for head in np.unique(own[placed[at]]).tolist():
        mine = at[own[placed[at]] == head]
        found[head] = np.median(light[mine] + stops[placed[mine]])
    return found


def _align(
    cost: Floats, runs: dict[int, tuple[int, Booleans]], trace: bool = False
) -> tuple[Floats, Indices, list[tuple[int, int]]]:
    """Align rows and frames at the least cost; rows at the end may be not shot yet, which costs nothing.

    Returns:
        ends: (rows + 1,) array. The cost where the frames end before each row.
        placed: (frames,) int array. The row of each frame, -1 without one; only with `trace`.
        aside: Frames that are warm-ups, with the heads; only with `trace`.
    """
    rows, frames = cost.shape
    gaps = GAP * np.arange(frames + 1)
    totals = np.full((rows + 1, frames + 1), np.inf)
    passed: dict[int, Indices] = {}
    for row in range(rows + 1):
        line = np.full(frames + 1, np.inf)
        if row:
            line = totals[row - 1] + GAP
            line[1:] = np.minimum(line[1:], totals[row - 1, :-1] + cost[row - 1])
        else:
            line[0] = 0.0
        line = np.minimum.accumulate(line - gaps) + gaps
        if row in runs:
            line, passed[row] = _pass_over(line, runs[row][1])
            line = np.minimum.accumulate(line - gaps) + gaps
        totals[row] = line
    placed = np.full(frames, -1)
    aside: list[tuple[int, int]] = []
    row, at = int(np.argmin(totals[:, -1])), frames
    while trace and (row or at):
        now = totals[row, at]
        if at and now >= totals[row, at - 1] + GAP - 1e-9:
            at -= 1
        elif row in passed and passed[row][at] >= 0:
            aside += [(frame, runs[row][0]) for frame in range(int(passed[row][at]), at)]
            at = int(passed[row][at])
        elif row and at and now >= totals[row - 1, at - 1] + cost[row - 1, at - 1] - 1e-9:
            row, at = row - 1, at - 1
            placed[at] = row
        else:
            row -= 1
    return totals[:, -1], placed, sorted(aside)


def _pass_over(line: Floats, like: Booleans) -> tuple[Floats, Indices]:
    """Pass over three frames in a row, or more, that are alike.

    Returns:
        line: (frames + 1,) array. The costs, where that costs less.
        start: (frames + 1,) int array. Where the frames begin that are passed over up to here; -1 where none are.
    """
    found, start = line.copy(), np.full(len(line), -1)
    for first, end in runs_of(like):
        for at in range(first + WARM_UPS, end + 1):
            places = np.arange(first, at - WARM_UPS + 1)
            costs = line[places] + _PASSED * (at - places)
            if costs.min() < found[at] - 1e-12:
                found[at], start[at] = costs.min(), places[int(np.argmin(costs))]
    return found, start


@dataclass(frozen=True)
class WarmUpsAside:
    """Frames that were set aside as warm-ups of these heads."""

    frames: tuple[str, ...]
    heads: tuple[str, ...]


def set_aside(
    shots: pd.DataFrame, files: Sequence[str], light: Floats | None
) -> tuple[pd.DataFrame, tuple[WarmUpsAside, ...]]:
    """Return rows for the frames that are warm-ups, of no kind, and what there is to say of them.

    Args:
        shots: The log, which names no frames.
        files, light: Frames in capture order and their light, see `find_warm_ups`; None where it cannot be compared.
    """
    found = find_warm_ups(shots, light) if light is not None else []
    texts = {str(name): [""] * len(found) for name in shots if name not in ("stops", "row")}
    texts |= {"frame": [files[place] for place, _ in found], "note": [WARM_UP_NOTE] * len(found)}
    rows = pd.DataFrame({name: pd.array(cells, dtype="str") for name, cells in texts.items()})
    rows = rows.assign(stops=np.full(len(found), np.nan), row=np.zeros(len(found), dtype=np.int64))[list(shots)]
    told = WarmUpsAside(tuple(texts["frame"]), tuple(dict.fromkeys(head for _, head in found)))
    return rows, (told,) if found else ()
