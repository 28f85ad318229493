"""Which part of a kit is the odd one: a head that does not hold or stands apart, or the packs of the heads."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from greystep.arrays import Booleans, Floats, Indices
from greystep.compare.called import Called
from greystep.compare.cells import same_powers
from greystep.compare.drift import Drift
from greystep.compare.limits import Rows, own_rows
from greystep.terms import COLUMN, PARTS, Quantity, Verdict, Withheld

#: Mired that weigh as much as Duv 1: one step of 0.0011 in u'v' is 2.3 mired along, and 0.00089 across, at 5600 K.
MIRED_PER_DUV: Final = 2600.0


@dataclass(frozen=True)
class OddHeads:
    """Heads to return, heads and packs not to combine.

    Attributes:
        clash: Heads that do not match, where nothing shows which is the odd one.
        between: Heads that are outside only from one pack (channel, modifier) to another, so that they are not odd
            themselves.
        doubted: Heads that are outside only by lights in doubt (`Cells.doubts`).
        spoilt: Heads that are not within, where most frames of the head are rejected or in doubt.
    """

    back: tuple[int, ...]
    clash: tuple[int, ...]
    between: tuple[int, ...]
    packs: tuple[str, ...]
    doubted: tuple[int, ...]
    spoilt: tuple[int, ...]


def find_odd_heads(
    drift: Drift, rows: Mapping[Quantity, Rows], outside: Booleans, called: Sequence[Called]
) -> OddHeads:
    """Say what the odd one is.

    Back goes each head that is outside itself, on one and the same pack and by sound lights (`sound_cells`); then, body
    by body, while two of the others do not match, the one with the most such pairs, and on equal terms the one that
    stands clearly farther from the whole kit, over all its powers. Heads that shared a pack are compared on it alone.
    """
    head, series, part = drift.cells.head, drift.cells.series, _parts(drift)
    own, sound_cell = own_rows(drift, rows), sound_cells(drift, called)
    colours = [one for name, one in rows.items() if name in COLUMN]
    broken = [np.stack([one.first, one.second])[:, :own][:, one.outside[:own]] for one in colours]
    first, second = np.hstack([np.zeros((2, 0), np.intp), *broken])
    sound = sound_cell[first] & sound_cell[second]
    same = series[first] == series[second]
    itself = set(head[first[sound & same]].tolist())
    if one := rows.get(Quantity.OUTPUT_STOPS):
        itself |= set(head[one.second[one.outside & sound_cell[one.first] & sound_cell[one.second]]].tolist())
    rest = [n for n, one in enumerate(called) if one.verdict == Verdict.OUTSIDE and n not in itself]
    between = tuple(number for number in rest if (head[first[sound & ~same]] == number).any())
    pack = drift.cells.table["pack"].to_numpy(object) if "pack" in drift.cells.varying else np.full(len(head), "")
    across = np.isin(head[first], between) & (pack[first] != pack[second])
    packs = tuple(sorted({*pack[first[across]], *pack[second[across]]}))

    a, b = drift.pair_first, drift.pair_second
    ties = head[a] * len(drift.cells.heads) + head[b]
    alike = part[a] == part[b]
    counted = outside & sound_cell[a] & sound_cell[b] & (alike | ~np.isin(ties, ties[alike]))
    counted &= (pack[a] == pack[b]) | ~(np.isin(pack[a], packs) & np.isin(pack[b], packs))
    distance = weight(*away(drift)[1:])
    back, clash = sorted(itself), list[int]()
    for body in dict.fromkeys(drift.cells.heads["body"]):
        members = np.flatnonzero((drift.cells.heads["body"] == body).to_numpy())
        here = counted & np.isin(head[a], members)
        back, unsettled = _odd(drift, distance, head[a[here]], head[b[here]], back, len(members))
        clash += unsettled
    poor, settled = _poor(drift), [*back, *clash, *between]
    lights = np.append(a[outside], b[outside])
    apart = {*rest, *head[lights[(drift.cells.doubts[lights] != "") | poor[head[lights]]]].tolist()}
    open_ones = {n for n, one in enumerate(called) if one.verdict != Verdict.WITHIN}
    spoilt = tuple(n for n in sorted(apart | open_ones) if poor[n])
    doubted = tuple(
        n for n in sorted(apart) if n not in (*settled, *spoilt) and (drift.cells.doubts[head == n] != "").any()
    )
    return OddHeads(tuple(sorted(back)), tuple(sorted(clash)), between, packs, doubted, spoilt)


def sound_cells(drift: Drift, called: Sequence[Called]) -> Booleans:
    """Return the cells for which a head may go back.

    Not in doubt, of a head with mostly good frames, and none whose heat hides in its powers.
    """
    barred = _poor(drift) | np.array([Withheld.HEAT in one.withheld for one in called], dtype=bool)
    return np.asarray((drift.cells.doubts == "") & ~barred[drift.cells.head])


def _poor(drift: Drift) -> Booleans:
    """Return of which heads more than half of the frames are rejected or in doubt."""
    return np.asarray(2 * drift.cells.heads["bad"].to_numpy() > drift.cells.heads["shot"].to_numpy())


def lead_open(drift: Drift, chosen: Booleans) -> list[int]:
    """Return the heads that stand in the most of some pairs, until each pair has one of them.

    On equal terms the head that stands farther from the others.
    """
    first, second = (drift.cells.head[at[chosen]] for at in (drift.pair_first, drift.pair_second))
    distance = weight(*away(drift)[1:])
    found: list[int] = []
    while (left := ~np.isin(first, found) & ~np.isin(second, found)).any():
        counts = np.bincount(np.append(first[left], second[left]))
        most = np.flatnonzero(counts == counts.max()).tolist()
        found.append(max(most, key=lambda head: _mean(distance[drift.cells.head == head])))
    return found


def _odd(
    drift: Drift, distance: Floats, first: Indices, second: Indices, known: Sequence[int], members: int
) -> tuple[list[int], list[int]]:
    """Return the odd heads, those known and more of one body, and which clash, from its pairs that do not match."""
    odd = list(known)
    unsure = 2.0 * float(np.nanmax(drift.powers["u_mired"].to_numpy(), initial=0.0))
    while (left := ~np.isin(first, odd) & ~np.isin(second, odd)).any():
        counts = np.bincount(np.append(first[left], second[left]), minlength=len(drift.cells.heads))
        most = np.flatnonzero(counts == counts.max())
        far = np.array([_mean(distance[drift.cells.head == head]) for head in most])
        order = np.argsort(-far, kind="stable")
        if len(most) > 1 and (members < 3 or far[order[0]] - far[order[1]] <= unsure):
            return odd, [int(head) for head in most]
        odd.append(int(most[order[0]]))
    return odd, []


def away(drift: Drift) -> tuple[Floats, Floats, Floats]:
    """Return how each cell stands to the median of the other heads at its power: K, mired, Duv; NaN without others.

    A head that was on several packs (channels, modifiers) is compared on the same one, where there is one.
    """
    table, head, part = drift.cells.table, drift.cells.head, _parts(drift)
    stops, body = table["stops"].to_numpy(), drift.cells.heads["body"].to_numpy(object)[head]
    columns = np.array([drift.powers[name].to_numpy(np.float64) for name in ("cct_k", "mired", "duv")])
    others = (head[:, None] != head) & (body[:, None] == body) & same_powers(stops[:, None], stops)
    others &= np.isfinite(columns[1])
    moved = drift.cells.moved
    alike = others & ((part[:, None] == part) | ~(moved[:, None] | moved))
    others = np.where(alike.any(axis=1)[:, None], alike, others)
    found = np.full((3, len(table)), np.nan)
    for cell in np.flatnonzero(others.any(axis=1)):
        found[:, cell] = columns[:, cell] - np.median(columns[:, others[cell]], axis=1)
    return found[0], found[1], found[2]


def _parts(drift: Drift) -> Indices:
    """Number the packs (channels, companies, modifiers) of the cells, where these vary."""
    names = [name for name in PARTS if name in drift.cells.varying]
    if not names:
        return np.zeros(len(drift.cells.table), dtype=np.intp)
    return np.asarray(drift.cells.table.groupby(names, sort=False).ngroup(), dtype=np.intp)


def weight(mired: Floats, duv: Floats) -> Floats:
    """Return one size of a difference in mired and Duv [mired]."""
    return np.asarray(np.hypot(mired, MIRED_PER_DUV * duv))


def _mean(values: Floats) -> float:
    known = values[np.isfinite(values)]
    return float(known.mean()) if len(known) else 0.0
