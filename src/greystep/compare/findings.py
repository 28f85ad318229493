"""What is known of each head: how it moves over its powers, how it stands to the others, what would decide."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from greystep.arrays import Booleans, Floats, Indices
from greystep.columns import HeadRow, rows_of
from greystep.compare.called import Called, WarmUp, find_warm_up
from greystep.compare.cells import same_powers
from greystep.compare.drift import Drift
from greystep.compare.fit import contrast
from greystep.compare.limits import Rows, longest_run, matches, own_rows, rounds_to_decide
from greystep.compare.odd_heads import MIRED_PER_DUV, OddHeads, away, lead_open, sound_cells, weight
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
    """A light minus another: kelvin [K], mired (positive is warmer), duv (positive is greener); 95 % half-widths."""

    kelvin: float
    mired: float
    duv: float
    u_mired: float = math.nan
    u_duv: float = math.nan


@dataclass(frozen=True)
class OnePower:
    """Only one power of the head was measured."""

    power: str


@dataclass(frozen=True)
class NoMove:
    """All powers of the head read the same."""


@dataclass(frozen=True)
class OutputOff:
    """The output error takes most of its limit: at `power`, `error` [stops] and its 95 % half-width, limit [stops]."""

    power: str
    error: float
    u_error: float
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
    """The lights of a head that are in doubt: the flag of `DOUBTS`, and their powers."""

    flag: Flag
    powers: tuple[str, ...]


@dataclass(frozen=True)
class Spoilt:
    """So many frames of a head, out of those shot, are rejected or in doubt; most of them carry this flag."""

    bad: int
    shot: int
    flag: str


@dataclass(frozen=True)
class Finding:
    """What is known of one head.

    Attributes:
        own: How it moves over its powers, by the quantity that takes most of its limit; None where nothing is judged.
        others: How it stands to the others where they do not match; `close` where that cannot be called, of the heads
            that most such pairs have in common.
        measured: The cells with frames, from full down.
        rounds: More rounds of all its powers that would decide; 0 where no number is open, infinity where no number
            would.
        between: It does not hold from one of these (columns of `PARTS`) to another, where it holds with each.
        doubted: What is in doubt, where the head is outside by that alone.
        colourless: It has none because no colour matrix is known for the camera.
        safe, mixes: The longest stretch of powers within every limit; and that which matches `partners` as well: every
            head that stays, or as many of them as match over that stretch.
    """

    head: str
    cells: int
    called: Called
    back: bool
    own: OwnDrift | None
    others: Stand | None
    close: Stand | None
    warm_up: WarmUp | None
    measured: tuple[str, ...]
    row: HeadRow
    rounds: float
    empty: tuple[str, ...]
    between: tuple[str, ...]
    doubted: Doubted | None
    spoilt: Spoilt | None
    colourless: bool
    safe: tuple[str, ...]
    mixes: tuple[str, ...]
    partners: tuple[str, ...]
    stays: int

    @property
    def verdict(self) -> Verdict:
        """The verdict on the head."""
        return self.called.verdict


def find(
    drift: Drift,
    rows: Mapping[Quantity, Rows],
    called: Sequence[Called],
    odd: OddHeads,
    outside: Booleans,
    open_pairs: Booleans,
) -> list[Finding]:
    """Gather the findings of every head."""
    match = matches(drift, rows)
    leading = lead_open(drift, open_pairs)
    power, n = drift.cells.names, drift.cells.table["n"].to_numpy()
    apart = np.array(away(drift))
    sound_cell = sound_cells(drift, called)
    sound = outside & sound_cell[drift.pair_first] & sound_cell[drift.pair_second]
    staying = ~np.isin(drift.cells.head, odd.back) & (n > 0)
    body = drift.cells.heads["body"].to_numpy(object)[drift.cells.head]
    findings = []
    table = drift.heads.assign(verdict=[str(one.verdict) for one in called], why="")
    for head, (call, row) in enumerate(zip(called, rows_of(table, HeadRow), strict=True)):
        cells = np.flatnonzero(drift.cells.head == head)
        series = drift.cells.series[cells]
        groups = [cells[series == one] for one in dict.fromkeys(series.tolist())]
        telling = cells if head in odd.between else _moves_most(drift, groups)
        others = staying & (drift.cells.head != head) & (body == body[cells[0]])
        partners, mixes = _mixes(drift, match, power, groups, others)
        shot, bad, fault = (drift.cells.heads[name][head] for name in ("shot", "bad", "fault"))
        findings.append(
            Finding(
                head=row.label,
                cells=len(cells),
                called=call,
                back=head in odd.back,
                own=_own_drift(drift, rows, telling, row, call),
                others=_stand(drift, rows, head, odd.back, sound, apart),
                close=_stand(drift, rows, head, odd.back, open_pairs, apart, near=True) if head in leading else None,
                warm_up=find_warm_up(drift, rows, head),
                measured=tuple(power[cells[n[cells] > 0]]),
                row=row,
                rounds=_rounds(drift, rows, head, row) if call.verdict == Verdict.UNDECIDED else 0.0,
                empty=tuple(power[cells[n[cells] == 0]]),
                between=_differing(drift, cells) if head in odd.between else (),
                doubted=_doubted(drift, cells) if head in odd.doubted else None,
                spoilt=Spoilt(int(bad), int(shot), str(fault)) if head in odd.spoilt else None,
                colourless=bool(drift.cells.colourless[cells[n[cells] == 0]].all()),
                safe=_safe(match, power, groups),
                mixes=mixes,
                partners=partners,
                stays=len(np.unique(drift.cells.head[others])),
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


def _mixes(
    drift: Drift, match: Booleans, names: npt.NDArray[np.object_], groups: Sequence[Indices], others: Booleans
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return the heads that a head matches over a stretch of its powers, as many as there are, and that stretch."""
    staying = np.unique(drift.cells.head[others])
    fits = np.array([match[:, others & (drift.cells.head == head)].all(axis=1) for head in staying], dtype=bool)
    if not len(staying):
        return (), ()
    mine = np.concatenate(groups)
    best = mine[int(np.argmax(fits[:, mine].sum(axis=0) * np.diagonal(match)[mine]))]
    for chosen in (np.full(len(staying), True), fits[:, best]):
        stretch = _safe(match & np.all(fits[chosen], axis=0)[:, None], names, groups) if chosen.any() else ()
        if stretch:
            return tuple(drift.cells.heads["label"].to_numpy(object)[staying[chosen]]), stretch
    return (), ()


def _leading(
    drift: Drift, rows: Mapping[Quantity, Rows], cells: Indices, row: HeadRow, called: Called
) -> Quantity | None:
    """Return the quantity whose size and uncertainty take most of its limit, one that is outside before the others.

    Output only where the head does not pass by it, or nothing else is judged.
    """
    own, shares = own_rows(drift, rows), dict[Quantity, tuple[bool, float]]()
    for name, one in rows.items():
        mine = np.isin(one.second, cells) & ((np.arange(len(one.second)) < own) | (name not in COLUMN))
        if name in COLUMN:
            size, u = getattr(row, f"span_{COLUMN[name]}"), getattr(row, f"u_span_{COLUMN[name]}")
        elif called.colour is not None and called.output == Verdict.WITHIN:
            continue
        else:
            size, u = row.largest_output_error_stops, 0.0
            if mine.any():
                size, u = float(np.fmax.reduce(one.size[mine] + np.nan_to_num(one.u[mine]))), 0.0
        if np.isfinite(size):
            shares[name] = bool(one.outside[mine].any()), (abs(size) + float(np.nan_to_num(u))) / one.limit
    return max(shares, key=lambda name: shares[name], default=None)


def _own_drift(
    drift: Drift, rows: Mapping[Quantity, Rows], cells: Indices, row: HeadRow, called: Called
) -> OwnDrift | None:
    """Return how a head moves over its own powers, by the quantity that takes most of its limit."""
    leading = _leading(drift, rows, cells, row, called)
    if leading is None:
        return None
    power, stops = drift.cells.names, drift.powers["stops"].to_numpy(np.float64)
    limit = rows[leading].limit
    if leading == Quantity.OUTPUT_STOPS:
        error, u = (drift.powers[f"{name}output_error_stops"].to_numpy(np.float64) for name in ("", "u_"))
        reach = np.abs(error) + (0.0 if called.output == Verdict.OUTSIDE else np.nan_to_num(u))
        worst = cells[int(np.nanargmax(reach[cells]))]
        return OutputOff(power[worst], float(error[worst]), float(u[worst]), limit)
    columns = np.array([drift.powers[name].to_numpy(np.float64) for name in ("cct_k", "mired", "duv")])
    values = columns[2 if leading == Quantity.DUV else 1]
    measured = cells[np.isfinite(values[cells])]
    if len(measured) < 2:
        return OnePower(power[measured[0]])
    span = np.ptp(values[measured])
    if span == 0.0:
        return NoMove()
    one_pack = len(set(drift.cells.series[cells])) == 1
    passes = getattr(row, f"span_{COLUMN[leading]}") + getattr(row, f"u_span_{COLUMN[leading]}") <= limit
    shaped = one_pack and not passes and len(measured) > 2  # enough to speak of more than its ends
    without = [np.ptp(np.delete(values[measured], place)) for place in range(len(measured))]
    lone = int(np.argmin(without))
    line = np.polyfit(stops[measured], values[measured], 1) if np.ptp(stops[measured]) > 0 else np.zeros(2)
    off_line = float(np.sum((values[measured] - np.polyval(line, stops[measured])) ** 2))
    off_rest = float(np.var(np.delete(values[measured], lone)) * (len(measured) - 1))
    moved = columns[:, measured[lone]] - np.median(columns[:, np.delete(measured, lone)], axis=1)
    doubt = _doubt(drift, {measured[lone]: np.delete(measured, lone)})
    shaped &= not weight(*moved[1:]) < weight(*np.nan_to_num(doubt))  # more than chance
    if shaped and without[lone] <= _ODD_POWER * span and off_rest < off_line:
        return OddPower(power[measured[lone]], _difference(moved, doubt), leading, limit)
    ends = measured[[int(np.argmin(values[measured])), int(np.argmax(values[measured]))]]
    base, far = sorted(ends, key=lambda cell: stops[cell])
    difference = _difference(columns[:, far] - columns[:, base], _doubt(drift, {far: base}))
    one_way = shaped and bool(abs(line[0]) * np.ptp(stops[measured]) > _ONE_WAY * span)
    return Ends(power[far], power[base], difference, leading, limit, one_way)


def _difference(delta: Floats, doubt: Sequence[float] | Floats) -> Difference:
    """Return a difference from (K, mired, Duv) and the half-widths of the last two."""
    return Difference(*map(float, (*delta, *doubt)))


def _doubt(drift: Drift, against: Mapping[int, Indices | int]) -> tuple[float, float]:
    """Return the 95 % half-widths, in mired and Duv, of the mean of some cells, each less the mean of other cells."""
    weights = np.zeros(len(drift.cells.table))
    for cell, others in against.items():
        weights[cell] += 1.0 / len(against)
        weights[others] -= 1.0 / max(np.size(others), 1) / len(against)
    mired, duv = (contrast(drift.fitted[name].cells, weights)[1] for name in ("mired", "duv"))
    return mired, duv


def _doubt_of_stand(drift: Drift, cells: Indices) -> tuple[float, float]:
    """Return `_doubt` of how cells of a head stand to the others at their powers, see `away`."""
    stops, body = drift.cells.table["stops"].to_numpy(), drift.cells.table["body"].to_numpy(object)
    known = np.isfinite(drift.powers["mired"].to_numpy(np.float64))
    others = known & (drift.cells.head != drift.cells.head[cells[0]]) & (body == body[cells[0]])
    return _doubt(drift, {cell: np.flatnonzero(others & same_powers(stops, stops[cell])) for cell in cells.tolist()})


def _stand(
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
    farthest = _difference(apart[:, worst], _doubt_of_stand(drift, cells[cells == worst]))
    as_a_whole = np.all(along > 0) and size.min() > _OFFSET * size.max()
    if not (_breaks(rows, farthest) or (near and as_a_whole)):
        return _widest_pair(drift, head, np.flatnonzero(chosen)[counted])
    if as_a_whole:
        whole = _difference(mean, _doubt_of_stand(drift, cells))
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
    difference = _difference(sign * columns[row, :3], columns[row, 3:])
    return OffPair(difference, names[mine], str(heads[drift.cells.head[other]]), names[other])


def _rounds(drift: Drift, rows: Mapping[Quantity, Rows], head: int, row: HeadRow) -> float:
    """Return how many more rounds of all powers of a head would decide what of it is open by its numbers; 0 if none."""
    mine = drift.cells.head == head
    n = np.array([max(float(drift.cells.table["n"].to_numpy()[mine].mean()), 1.0)])
    own = own_rows(drift, rows)
    needed = [0.0]
    for quantity, one in rows.items():
        if quantity == Quantity.OUTPUT_STOPS:
            chosen = (drift.cells.head[one.second] == head) & ~one.within & ~one.outside & (one.withheld == "")
            size, u, u_all, lasting = one.size[chosen], one.u[chosen], one.u_all[chosen], one.lasting[chosen]
        else:
            size, u = (np.array([getattr(row, f"{name}_{COLUMN[quantity]}")]) for name in ("span", "u_span"))
            here = (drift.cells.head[one.first[:own]] == head) & np.isfinite(one.size[:own])
            here = np.flatnonzero(here & (one.withheld[:own] == ""))
            if size[0] + u[0] <= one.limit or not len(here):
                continue
            widest = here[[int(np.argmax(one.size[here]))]]
            u_all, lasting = one.u_all[widest], one.lasting[widest]
        dof = np.full(len(size), drift.fitted["mired"].cells.dof[head])
        more = rounds_to_decide(size, u, u_all, one.limit, n, dof, int(mine.sum()), lasting)
        needed += [float(value) for value in more[np.isfinite(size)]]
    return max(needed)
