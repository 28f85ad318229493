"""Which part of a kit is the odd one: a head that does not hold or stands apart, or the packs of the heads."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from greystep.arrays import Booleans, Floats, Indices
from greystep.compare.cells import same_powers
from greystep.compare.drift import Drift
from greystep.compare.limits import Rows, own_rows
from greystep.terms import COLUMN, PARTS, Quantity, Verdict

#: Mired that weigh as much as Duv 1: one step of 0.0011 in u'v' is 2.3 mired along, and 0.00089 across, at 5600 K.
MIRED_PER_DUV: Final = 2600.0


@dataclass(frozen=True)
class OddHeads:
    """Heads to return, heads and packs not to combine.

    Attributes:
        clash: Heads that do not match, where nothing shows which is the odd one.
        between: Heads that are outside only from one pack (channel, modifier) to another, so that they are not odd
            themselves.
        doubted: Heads that are outside only by lights that were shot in another way (`Cells.doubts`).
    """

    back: tuple[int, ...]
    clash: tuple[int, ...]
    between: tuple[int, ...]
    packs: tuple[str, ...]
    doubted: tuple[int, ...]


def find_odd_heads(
    drift: Drift, rows: Mapping[Quantity, Rows], outside: Booleans, verdicts: Sequence[Verdict]
) -> OddHeads:
    """Say what the odd one is.

    Back goes each head that is outside itself, on one and the same pack and by frames that are not in doubt; then, body
    by body, while two of the others do not match, the one with the most such pairs, and on equal terms the one that
    stands clearly farther from the whole kit, over all its powers. Heads that shared a pack are compared on it alone.
    """
    head, series, part = drift.cells.head, drift.cells.series, _parts(drift)
    own = own_rows(drift, rows)
    colours = [one for name, one in rows.items() if name in COLUMN]
    broken = [np.stack([one.first, one.second])[:, :own][:, one.outside[:own]] for one in colours]
    first, second = np.hstack([np.zeros((2, 0), np.intp), *broken])
    sound = sound_rows(drift, first, second)
    same = series[first] == series[second]
    itself = set(head[first[sound & same]].tolist())
    if one := rows.get(Quantity.OUTPUT_STOPS):
        itself |= set(head[one.second[one.outside & sound_rows(drift, one.first, one.second)]].tolist())
    rest = [number for number, verdict in enumerate(verdicts) if verdict == Verdict.OUTSIDE and number not in itself]
    between = tuple(number for number in rest if (head[first[sound & ~same]] == number).any())
    doubted = tuple(number for number in rest if number not in between)
    pack = drift.cells.table["pack"].to_numpy(object) if "pack" in drift.cells.varying else np.full(len(head), "")
    across = np.isin(head[first], between) & (pack[first] != pack[second])
    packs = tuple(sorted({*pack[first[across]], *pack[second[across]]}))

    a, b = drift.pair_first, drift.pair_second
    ties = head[a] * len(drift.cells.heads) + head[b]
    alike = part[a] == part[b]
    counted = outside & sound_rows(drift, a, b) & (alike | ~np.isin(ties, ties[alike]))
    counted &= (pack[a] == pack[b]) | ~(np.isin(pack[a], packs) & np.isin(pack[b], packs))
    distance = weight(*away(drift)[1:])
    back, clash = sorted(itself), list[int]()
    for body in dict.fromkeys(drift.cells.heads["body"]):
        members = np.flatnonzero((drift.cells.heads["body"] == body).to_numpy())
        here = counted & np.isin(head[a], members)
        back, unsettled = _odd(drift, distance, head[a[here]], head[b[here]], back, len(members))
        clash += unsettled
    return OddHeads(tuple(sorted(back)), tuple(sorted(clash)), between, packs, doubted)


def sound_rows(drift: Drift, first: Indices, second: Indices) -> Booleans:
    """Return which differences are between two cells that are not in doubt."""
    sound: Booleans = drift.cells.doubts == ""
    return np.asarray(sound[first] & sound[second])


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
