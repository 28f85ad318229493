"""How a head stands to the others: as a whole, at one of its powers, or by its widest pair."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from greystep.arrays import Booleans, Floats, Indices
from greystep.compare.cells import same_powers
from greystep.compare.differences import Difference, doubt_of_means
from greystep.compare.drift import Drift
from greystep.compare.limits import Rows
from greystep.compare.odd_heads import MIRED_PER_DUV, weight
from greystep.terms import Quantity

#: A whole head is off if no power stands less than this share of its worst away from the others.
_OFFSET: Final = 0.5


@dataclass(frozen=True)
class Offset:
    """The head as a whole stands off the `rival` (blank: all other heads), at `power`; blank: at every power."""

    difference: Difference
    rival: str
    power: str


@dataclass(frozen=True)
class OffAt:
    """The head stands off the `rival` (blank: all other heads) at `power`; `alone`: at no other of its powers."""

    difference: Difference
    rival: str
    power: str
    alone: bool


@dataclass(frozen=True)
class OffPair:
    """The head at `power` minus the head `other` at `other_power`, its widest pair outside."""

    difference: Difference
    power: str
    other: str
    other_power: str


@dataclass(frozen=True)
class Unlike:
    """The head does not match at these powers, and no other head was measured at any of them."""

    rival: str
    powers: tuple[str, ...]


Stand = Offset | OffAt | OffPair | Unlike


def find_stand(
    drift: Drift,
    rows: Mapping[Quantity, Rows],
    head: int,
    odd: Sequence[int],
    chosen: Booleans,
    apart: Floats,
    near: bool = False,
) -> Stand | None:
    """Return how a head stands to the rest of the kit by some pairs: as a whole, or at some powers.

    `chosen` are pairs that do not match, or with `near` those that cannot be called. `apart` (3, c) is how each cell
    stands to the others, see `away`.
    """
    first, second = drift.pair_first[chosen], drift.pair_second[chosen]
    mine, other = drift.cells.head[first] == head, drift.cells.head[second] == head
    against = np.where(mine, drift.cells.head[second], drift.cells.head[first])
    counted = (mine | other) & ~np.isin(against, [one for one in odd if one != head])
    touched = np.unique(np.where(mine, first, second)[counted])
    if not len(touched):
        return None
    body = drift.cells.heads["body"]
    rivals = [
        name for number, name in enumerate(drift.cells.heads["label"]) if number != head and body[number] == body[head]
    ]
    rival = str(rivals[0]) if len(rivals) == 1 else ""
    power = drift.cells.names
    cells = np.flatnonzero((drift.cells.head == head) & np.isfinite(apart[1]))
    if not len(cells):
        return Unlike(rival, tuple(power[touched]))
    size = weight(*apart[1:, cells])
    mean = apart[:, cells].mean(axis=1)
    along = apart[1, cells] * mean[1] + MIRED_PER_DUV**2 * apart[2, cells] * mean[2]
    worst = cells[int(np.argmax(size))]
    farthest = Difference.of(apart[:, worst], _doubt_of_stand(drift, cells[cells == worst]))
    as_a_whole = np.all(along > 0) and size.min() > _OFFSET * size.max()
    if not (_breaks(rows, farthest) or (near and as_a_whole)):
        return _widest_pair(drift, head, np.flatnonzero(chosen)[counted])
    if as_a_whole:
        whole = Difference.of(mean, _doubt_of_stand(drift, cells))
        return Offset(whole, rival, "" if len(cells) > 1 else power[worst])
    return OffAt(farthest, rival, power[worst], len(touched) == 1 and len(cells) > 2)


def _breaks(rows: Mapping[Quantity, Rows], difference: Difference) -> bool:
    """Return whether a difference is over a limit of warmth or tint, or none is judged."""
    sizes = {Quantity(name): abs(getattr(difference, name)) for name in ("mired", "kelvin", "duv")}
    judged = [sizes[name] > rows[name].limit for name in sizes if name in rows]
    return any(judged) or not judged


def _widest_pair(drift: Drift, head: int, pairs: Indices) -> OffPair:
    """Return how a head stands to the light that it is farthest from, of some rows of the pairs."""
    columns = drift.pairs[["delta_k", "delta_mired", "delta_duv", "u_delta_mired", "u_delta_duv"]].to_numpy(np.float64)
    row = pairs[int(np.argmax(weight(columns[pairs, 1], columns[pairs, 2])))]
    first, second = int(drift.pair_first[row]), int(drift.pair_second[row])
    mine, other, sign = (second, first, 1.0) if drift.cells.head[second] == head else (first, second, -1.0)
    names, heads = drift.cells.names, drift.cells.heads["label"]
    difference = Difference.of(sign * columns[row, :3], columns[row, 3:])
    return OffPair(difference, names[mine], str(heads[drift.cells.head[other]]), names[other])


def _doubt_of_stand(drift: Drift, cells: Indices) -> tuple[float, float]:
    """Return `_doubt` of how cells of a head stand to the others at their powers, see `away`."""
    stops, body = drift.cells.table["stops"].to_numpy(), drift.cells.table["body"].to_numpy(object)
    known = np.isfinite(drift.powers["mired"].to_numpy(np.float64))
    others = known & (drift.cells.head != drift.cells.head[cells[0]]) & (body == body[cells[0]])
    return doubt_of_means(
        drift.fitted, {cell: np.flatnonzero(others & same_powers(stops, stops[cell])) for cell in cells.tolist()}
    )
