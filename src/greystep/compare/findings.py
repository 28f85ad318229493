"""What is known of each head: how it moves over its powers, how it stands to the others, what would decide."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from greystep.arrays import Booleans, Floats, Indices
from greystep.columns import HeadRow, rows_of
from greystep.compare.drift import Drift
from greystep.compare.limits import Rows, longest_run, matches, own_rows, rounds_to_decide
from greystep.compare.odd_heads import MIRED_PER_DUV, OddHeads, away, sound_rows, weight
from greystep.flags import Flag
from greystep.terms import COLUMN, PARTS, Quantity, Verdict

#: A power is the odd one if the others together move less than this share of the head's span.
_ODD_POWER: Final = 0.4
#: A head drifts one way if a straight line makes up this share of its span.
_ONE_WAY: Final = 0.7
#: A whole head is off if no power stands less than this share of its worst away from the others.
_OFFSET: Final = 0.5


@dataclass(frozen=True)
class Difference:
    """A light minus another: kelvin [K], mired (positive is warmer), duv (positive is greener)."""

    kelvin: float
    mired: float
    duv: float


@dataclass(frozen=True)
class OnePower:
    """Only one power of the head was measured."""

    power: str


@dataclass(frozen=True)
class NoMove:
    """All powers of the head read the same."""


@dataclass(frozen=True)
class OutputOff:
    """The output error takes most of its limit: at `power`, `error` [stops], limit [stops]."""

    power: str
    error: float
    limit: float


@dataclass(frozen=True)
class OddPower:
    """One power stands apart from the head's other powers, by `difference`; `quantity` takes most of its limit."""

    power: str
    difference: Difference
    quantity: Quantity
    limit: float


@dataclass(frozen=True)
class Ends:
    """The two powers farthest apart: `power` minus `base`, the higher one; `one_way` where the others lie between."""

    power: str
    base: str
    difference: Difference
    quantity: Quantity
    limit: float
    one_way: bool


OwnDrift = OnePower | NoMove | OutputOff | OddPower | Ends


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


@dataclass(frozen=True)
class Doubted:
    """The lights of a head that were shot in another way than the others: the flag of `DOUBTS`, and their powers."""

    flag: Flag
    powers: tuple[str, ...]


@dataclass(frozen=True)
class Finding:
    """What is known of one head.

    Attributes:
        own: How it moves over its powers, by the quantity that takes most of its limit; None where nothing is judged.
        measured: The cells with frames, from full down.
        rounds: More rounds of all its powers that would decide; 0 where nothing is open, infinity where no number
            would.
        between: It does not hold from one of these (columns of `PARTS`) to another, where it holds with each.
        doubted: What was shot in another way, where the head is outside by that alone.
        colourless: It has none because no colour matrix is known for the camera.
        safe, mixes: The longest stretch of powers within every limit; and that which matches every head that stays as
            well.
    """

    head: str
    cells: int
    verdict: Verdict
    own: OwnDrift | None
    others: Stand | None
    measured: tuple[str, ...]
    row: HeadRow
    rounds: float
    empty: tuple[str, ...]
    between: tuple[str, ...]
    doubted: Doubted | None
    colourless: bool
    safe: tuple[str, ...]
    mixes: tuple[str, ...]


def find(
    drift: Drift, rows: Mapping[Quantity, Rows], verdicts: Sequence[Verdict], odd: OddHeads, outside: Booleans
) -> list[Finding]:
    """Gather the findings of every head."""
    match = matches(drift, rows)
    power, n = drift.cells.names, drift.cells.table["n"].to_numpy()
    apart = np.array(away(drift))
    sound = outside & sound_rows(drift, drift.pair_first, drift.pair_second)
    staying = ~np.isin(drift.cells.head, odd.back) & (n > 0)
    body = drift.cells.heads["body"].to_numpy(object)[drift.cells.head]
    findings = []
    table = drift.heads.assign(verdict=[str(one) for one in verdicts], why="")
    for head, (verdict, row) in enumerate(zip(verdicts, rows_of(table, HeadRow), strict=True)):
        cells = np.flatnonzero(drift.cells.head == head)
        series = drift.cells.series[cells]
        groups = [cells[series == one] for one in dict.fromkeys(series.tolist())]
        telling = cells if head in odd.between else _moves_most(drift, groups)
        others = staying & (drift.cells.head != head) & (body == body[cells[0]])
        fits = np.asarray(match[:, others].all(axis=1))
        findings.append(
            Finding(
                head=row.label,
                cells=len(cells),
                verdict=verdict,
                own=_own_drift(drift, rows, telling, row),
                others=_stand(drift, rows, head, odd.back, sound, apart),
                measured=tuple(power[cells[n[cells] > 0]]),
                row=row,
                rounds=_rounds(drift, rows, head, row) if verdict == Verdict.UNDECIDED else 0.0,
                empty=tuple(power[cells[n[cells] == 0]]),
                between=_differing(drift, cells) if head in odd.between else (),
                doubted=_doubted(drift, cells) if head in odd.doubted else None,
                colourless=bool(drift.cells.colourless[cells[n[cells] == 0]].all()),
                safe=_safe(match, power, groups),
                mixes=_safe(match & fits[:, None], power, groups),
            )
        )
    return findings


def _differing(drift: Drift, cells: Indices) -> tuple[str, ...]:
    """Return the columns in which the cells of a head differ, such as ``pack``."""
    table = drift.cells.table.iloc[cells]
    return tuple(name for name in PARTS if name in drift.cells.varying and table[name].nunique() > 1)


def _doubted(drift: Drift, cells: Indices) -> Doubted:
    """Return the doubt that most cells of a head have, and their names."""
    here = cells[drift.cells.doubts[cells] != ""]
    doubts = list(drift.cells.doubts[here])
    flag = max(doubts, key=doubts.count)
    return Doubted(Flag(flag), tuple(drift.cells.names[here[drift.cells.doubts[here] == flag]]))


def _moves_most(drift: Drift, groups: Sequence[Indices]) -> Indices:
    """Return the cells of a head on the pack where it moves most."""
    mired, duv = (drift.powers[name].to_numpy(np.float64) for name in ("mired", "duv"))

    def moves(group: Indices) -> float:
        known = group[np.isfinite(mired[group])]
        return float(weight(np.ptp(mired[known]), np.ptp(duv[known]))) if len(known) else -1.0

    return max(groups, key=moves)


def _safe(match: Booleans, names: npt.NDArray[np.object_], groups: Sequence[Indices]) -> tuple[str, ...]:
    """Return the longest stretch of powers within every limit, on one and the same pack."""
    runs = [(group, run) for group in groups if (run := longest_run(match[np.ix_(group, group)])) is not None]
    group, run = max(runs, key=lambda item: item[1][1] - item[1][0], default=(np.zeros(0, np.intp), (0, -1)))
    return tuple(names[group[run[0] : run[1] + 1]])


def _leading(rows: Mapping[Quantity, Rows], row: HeadRow) -> Quantity | None:
    """Return the quantity that takes most of its limit; output only where the head does not pass."""
    shares = {name: getattr(row, f"span_{COLUMN[name]}") / one.limit for name, one in rows.items() if name in COLUMN}
    output = rows.get(Quantity.OUTPUT_STOPS)
    if output and (row.verdict != Verdict.WITHIN or not shares):
        shares[Quantity.OUTPUT_STOPS] = abs(row.largest_output_error_stops) / output.limit
    known = {name: share for name, share in shares.items() if np.isfinite(share)}
    return max(known, key=lambda name: known[name], default=None)


def _own_drift(drift: Drift, rows: Mapping[Quantity, Rows], cells: Indices, row: HeadRow) -> OwnDrift | None:
    """Return how a head moves over its own powers, by the quantity that takes most of its limit."""
    leading = _leading(rows, row)
    if leading is None:
        return None
    power, stops = drift.cells.names, drift.powers["stops"].to_numpy(np.float64)
    limit = rows[leading].limit
    if leading == Quantity.OUTPUT_STOPS:
        error = drift.powers["output_error_stops"].to_numpy(np.float64)
        worst = cells[int(np.nanargmax(np.abs(error[cells])))]
        return OutputOff(power[worst], float(error[worst]), limit)
    columns = np.array([drift.powers[name].to_numpy(np.float64) for name in ("cct_k", "mired", "duv")])
    values = columns[2 if leading == Quantity.DUV else 1]
    measured = cells[np.isfinite(values[cells])]
    if len(measured) < 2:
        return OnePower(power[measured[0]])
    span = np.ptp(values[measured])
    if span == 0.0:
        return NoMove()
    one_pack = len(set(drift.cells.series[cells])) == 1
    shaped = one_pack and row.verdict != Verdict.WITHIN and len(measured) > 2  # enough to speak of more than its ends
    without = [np.ptp(np.delete(values[measured], place)) for place in range(len(measured))]
    lone = int(np.argmin(without))
    line = np.polyfit(stops[measured], values[measured], 1) if np.ptp(stops[measured]) > 0 else np.zeros(2)
    off_line = float(np.sum((values[measured] - np.polyval(line, stops[measured])) ** 2))
    off_rest = float(np.var(np.delete(values[measured], lone)) * (len(measured) - 1))
    if shaped and without[lone] <= _ODD_POWER * span and off_rest < off_line:
        moved = columns[:, measured[lone]] - np.median(columns[:, np.delete(measured, lone)], axis=1)
        return OddPower(power[measured[lone]], Difference(*moved.tolist()), leading, limit)
    ends = measured[[int(np.argmin(values[measured])), int(np.argmax(values[measured]))]]
    base, far = sorted(ends, key=lambda cell: stops[cell])
    difference = Difference(*(columns[:, far] - columns[:, base]).tolist())
    one_way = shaped and bool(abs(line[0]) * np.ptp(stops[measured]) > _ONE_WAY * span)
    return Ends(power[far], power[base], difference, leading, limit, one_way)


def _stand(
    drift: Drift, rows: Mapping[Quantity, Rows], head: int, odd: Sequence[int], outside: Booleans, apart: Floats
) -> Stand | None:
    """Return how a head stands to the rest of the kit where it does not match: as a whole, or at some powers.

    `apart` (3, c) is how each cell stands to the others, see `away`.
    """
    first, second = drift.pair_first[outside], drift.pair_second[outside]
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
    farthest = Difference(*apart[:, worst].tolist())
    if not _breaks(rows, farthest):
        return _widest_pair(drift, head, np.flatnonzero(outside)[counted])
    if np.all(along > 0) and size.min() > _OFFSET * size.max():
        return Offset(Difference(*mean.tolist()), rival, "" if len(cells) > 1 else power[worst])
    return OffAt(farthest, rival, power[worst], len(touched) == 1 and len(cells) > 2)


def _breaks(rows: Mapping[Quantity, Rows], difference: Difference) -> bool:
    """Return whether a difference is over a limit of warmth or tint, or none is judged."""
    sizes = {Quantity(name): abs(getattr(difference, name)) for name in ("mired", "kelvin", "duv")}
    judged = [sizes[name] > rows[name].limit for name in sizes if name in rows]
    return any(judged) or not judged


def _widest_pair(drift: Drift, head: int, pairs: Indices) -> OffPair:
    """Return how a head stands to the light that it is farthest from, of some rows of the pairs."""
    columns = drift.pairs[["delta_k", "delta_mired", "delta_duv"]].to_numpy(np.float64)
    row = pairs[int(np.argmax(weight(columns[pairs, 1], columns[pairs, 2])))]
    first, second = int(drift.pair_first[row]), int(drift.pair_second[row])
    mine, other, sign = (second, first, 1.0) if drift.cells.head[second] == head else (first, second, -1.0)
    names, heads = drift.cells.names, drift.cells.heads["label"]
    difference = Difference(*(sign * columns[row]).tolist())
    return OffPair(difference, names[mine], str(heads[drift.cells.head[other]]), names[other])


def _rounds(drift: Drift, rows: Mapping[Quantity, Rows], head: int, row: HeadRow) -> float:
    """Return how many more rounds of all powers of a head would decide about it."""
    mine = drift.cells.head == head
    n = np.array([max(float(drift.cells.table["n"].to_numpy()[mine].mean()), 1.0)])
    own = own_rows(drift, rows)
    needed = [1.0]
    for quantity, one in rows.items():
        if quantity == Quantity.OUTPUT_STOPS:
            chosen = (drift.cells.head[one.second] == head) & ~one.within & ~one.outside
            size, u, u_all = one.size[chosen], one.u[chosen], one.u_all[chosen]
        else:
            size, u = (np.array([getattr(row, f"{name}_{COLUMN[quantity]}")]) for name in ("span", "u_span"))
            here = np.flatnonzero((drift.cells.head[one.first[:own]] == head) & np.isfinite(one.size[:own]))
            if size[0] + u[0] <= one.limit or not len(here):
                continue
            u_all = one.u_all[here[[int(np.argmax(one.size[here]))]]]
        dof = np.full(len(size), drift.fitted["mired"].cells.dof[head])
        more = rounds_to_decide(size, u, u_all, one.limit, n, dof, int(mine.sum()))
        needed += [float(value) for value in more[np.isfinite(size)]]
    return max(needed)
