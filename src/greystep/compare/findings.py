"""What is known of each head, and what would decide."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from greystep.arrays import Booleans, Indices
from greystep.columns import HeadRow, rows_of
from greystep.compare.against_others import Stand, find_stand
from greystep.compare.called import Called, WarmUp
from greystep.compare.drift import Drift
from greystep.compare.limits import Rows, longest_run, matches, own_rows, rounds_to_decide, span_of
from greystep.compare.odd_heads import OddHeads, away, lead_open, sound_cells, weight
from greystep.compare.own_drift import OwnDrift, find_own_drift
from greystep.flags import Flag
from greystep.terms import PARTS, Quantity, Verdict


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
    warm_ups: Sequence[WarmUp | None],
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
                own=find_own_drift(drift, rows, telling, row, call),
                others=find_stand(drift, rows, head, odd.back, sound, apart),
                close=find_stand(drift, rows, head, odd.back, open_pairs, apart, near=True)
                if head in leading
                else None,
                warm_up=warm_ups[head],
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
            size, u = (np.array([number]) for number in span_of(drift, head, row, quantity))
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
