"""What to do next: what goes back, what may stay over which powers, and what to shoot again."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd

from greystep.arrays import Booleans, Indices
from greystep.compare.called import Called, WarmUp
from greystep.compare.drift import Drift
from greystep.compare.findings import Doubted, Finding, Spoilt
from greystep.compare.limits import Rows, own_rows, rounds_to_decide
from greystep.compare.odd_heads import OddHeads
from greystep.terms import COLUMN, Quantity, Verdict, Withheld


@dataclass(frozen=True)
class SendBack:
    """Return these heads, or swap them."""

    heads: tuple[str, ...]


@dataclass(frozen=True)
class UseOver:
    """If the head must stay: over which powers it may be used alone, and together with other heads.

    Attributes:
        together: Blank where it matches no other head over any power.
        partners: The heads of which that is true.
        stays: How many other heads stay.
    """

    head: str
    alone: tuple[str, ...]
    together: tuple[str, ...]
    partners: tuple[str, ...]
    stays: int


@dataclass(frozen=True)
class KeepPacksApart:
    """Do not use these packs in one picture."""

    packs: tuple[str, ...]


@dataclass(frozen=True)
class KeepHeadsApart:
    """Do not use these heads in one picture; nothing shows which is the odd one."""

    heads: tuple[str, ...]


@dataclass(frozen=True)
class GiveMatrix:
    """Give the camera a colour matrix."""


@dataclass(frozen=True)
class ShootAgain:
    """Shoot the lights of a head again that are in doubt."""

    head: str
    doubted: Doubted


@dataclass(frozen=True)
class ShootHeadAgain:
    """Shoot a head again before anything is said of it: most of its frames are rejected or in doubt."""

    head: str
    spoilt: Spoilt


@dataclass(frozen=True)
class CompareHeads:
    """Shoot all heads with one camera; where there is one light alone, a second light."""

    groups: tuple[tuple[str, ...], ...]


@dataclass(frozen=True)
class SeparateHeat:
    """Shoot these heads up and down through these powers, so that heat is separated from power."""

    heads: tuple[str, ...]
    powers: tuple[str, ...]


@dataclass(frozen=True)
class WatchBetween:
    """Shoot check frames of a reference head between these heads, over these powers."""

    heads: tuple[str, ...]
    powers: tuple[str, ...]


@dataclass(frozen=True)
class ShootFlashOff:
    """Take a flash-off frame after the frames of these heads."""

    heads: tuple[str, ...]


@dataclass(frozen=True)
class FireFirst:
    """Fire flashes at full before the head is used."""

    head: str
    warm_up: WarmUp


@dataclass(frozen=True)
class ShootEmpty:
    """Shoot these heads at the powers that have no usable frame."""

    heads: tuple[str, ...]
    powers: tuple[str, ...]


@dataclass(frozen=True)
class ShootRounds:
    """Shoot each of these heads, of `cells` lights, so many more rounds."""

    heads: tuple[str, ...]
    rounds: float
    cells: int


@dataclass(frozen=True)
class OpenPairs:
    """Pairs of lights that are undecided.

    Attributes:
        odd: The heads that these pairs have in common: one of each pair.
        repeated: Some of these lights were shot twice, so that their scatter is known.
        rounds: More rounds that decide half of the pairs that can be decided; infinity where none can.
        cells, decided: How many lights a round has; how many of the pairs the rounds decide.
    """

    pairs: int
    heads: tuple[str, ...]
    odd: tuple[str, ...]
    repeated: bool
    rounds: float
    cells: int
    decided: int


Action = (
    SendBack
    | UseOver
    | KeepPacksApart
    | KeepHeadsApart
    | GiveMatrix
    | ShootAgain
    | ShootHeadAgain
    | CompareHeads
    | SeparateHeat
    | WatchBetween
    | ShootFlashOff
    | FireFirst
    | ShootEmpty
    | ShootRounds
    | OpenPairs
)


#: What settles that for which more rounds do nothing.
UNCURED: Final = (CompareHeads, SeparateHeat, WatchBetween, ShootFlashOff, FireFirst)


def find_actions(
    drift: Drift,
    rows: Mapping[Quantity, Rows],
    open_pairs: Booleans,
    findings: Sequence[Finding],
    odd: OddHeads,
    apart: tuple[tuple[str, ...], ...],
) -> list[Action]:
    """Return what to do next, first things first.

    Args:
        open_pairs: Rows of `Drift.pairs` that more rounds may decide, see `find_open_pairs`.
        apart: Heads that each camera saw, where some were not compared.
    """
    actions: list[Action] = [ShootHeadAgain(one.head, one.spoilt) for one in findings if one.spoilt]
    back = [findings[head] for head in odd.back]
    if back:
        actions.append(SendBack(tuple(one.head for one in back)))
    actions += [UseOver(one.head, one.safe, one.mixes, one.partners, one.stays) for one in back if one.safe]
    if odd.packs:
        actions.append(KeepPacksApart(odd.packs))
    if odd.clash:
        actions.append(KeepHeadsApart(tuple(findings[head].head for head in odd.clash)))
    if any(one.empty and one.colourless for one in findings):
        actions.append(GiveMatrix())
    actions += [ShootAgain(one.head, one.doubted) for one in findings if one.doubted]
    actions += _to_settle(drift, rows, findings, apart)
    actions += _to_shoot(findings)
    if open_pairs.any():
        actions.append(_open_pairs(drift, rows, np.flatnonzero(open_pairs), findings))
    return actions


def find_open_pairs(
    drift: Drift, rows: Mapping[Quantity, Rows], pairs: pd.DataFrame, called: Sequence[Called], odd: OddHeads
) -> Booleans:
    """Return which pairs are undecided and may be decided by more rounds.

    None of heads that go back or are to be shot again, none that is withheld, and none of a head whose heat hides in
    its powers.
    """
    chosen = (pairs["verdict"] == Verdict.UNDECIDED).to_numpy() & pairs["delta_mired"].notna().to_numpy()
    own = own_rows(drift, rows)
    for name, one in rows.items():
        if name in COLUMN:
            chosen &= one.withheld[own:] == ""
    closed = [head for head, one in enumerate(called) if Withheld.HEAT in one.withheld]
    for at in (drift.pair_first, drift.pair_second):
        chosen &= ~np.isin(drift.cells.head[at], [*odd.back, *odd.spoilt, *closed])
    return np.asarray(chosen)


def _to_settle(
    drift: Drift, rows: Mapping[Quantity, Rows], findings: Sequence[Finding], apart: tuple[tuple[str, ...], ...]
) -> list[Action]:
    """Return what settles that for which more rounds do nothing."""
    own = own_rows(drift, rows)
    names = drift.cells.heads["head"].to_numpy(object)
    why = [set[Withheld]() if one.back or one.spoilt else set(one.called.withheld) for one in findings]
    of_pairs = [
        (drift.cells.head[[drift.pair_first[row], drift.pair_second[row]]].tolist(), Withheld(one.withheld[own + row]))
        for name, one in rows.items()
        if name in COLUMN
        for row in np.flatnonzero(one.withheld[own:] != "")
    ]
    known = Withheld.UNWATCHED
    of_pairs = [one for one in of_pairs if one[1] == known or not any(one[1] in why[head] for head in one[0])]
    for two, reason in of_pairs:  # what neither head has by itself, or lies between heads
        for head in two:
            why[head] |= set() if findings[head].back else {reason}

    held = {reason: tuple(names[[reason in one for one in why]].tolist()) for reason in Withheld}
    actions: list[Action] = [CompareHeads(apart)] if apart else []
    if not apart and held[Withheld.NOT_COMPARED]:
        actions.append(CompareHeads((held[Withheld.NOT_COMPARED],)))
    actions += settle(drift, held)
    actions += [
        FireFirst(one.head, one.warm_up)
        for one in findings
        if one.warm_up and one.warm_up.beyond and not one.back and one.verdict != Verdict.OUTSIDE
    ]
    return actions


def settle(drift: Drift, held: Mapping[Withheld, Sequence[str]]) -> list[Action]:
    """Return what to shoot, so that heads can be called of which nothing is; the heads that each reason holds back."""
    names = {reason: tuple(dict.fromkeys(heads)) for reason, heads in held.items()}

    def powers(reason: Withheld) -> tuple[str, ...]:
        mine = drift.cells.table[drift.cells.table["head"].isin(names[reason])]
        return tuple(mine.sort_values("stops").drop_duplicates("stops")["power"])

    actions: list[Action] = []
    if hot := names[Withheld.HEAT]:
        actions.append(SeparateHeat(hot, powers(Withheld.HEAT)))
    if len(unwatched := names[Withheld.UNWATCHED]) > 1:  # one head alone is held against none
        actions.append(WatchBetween(unwatched, powers(Withheld.UNWATCHED)))
    if unproven := names[Withheld.ROOM]:
        actions.append(ShootFlashOff(unproven))
    return actions


def _to_shoot(findings: Sequence[Finding]) -> list[Action]:
    """Return what to shoot of single heads; heads that need the same share one action."""
    wanted: dict[tuple[tuple[str, ...], float, int], list[str]] = {}
    for one in findings:
        if one.back or one.spoilt:
            continue
        if one.empty and not one.colourless:
            wanted.setdefault((one.empty, 0.0, 0), []).append(one.head)
        elif not one.empty and 0 < one.rounds < math.inf:
            wanted.setdefault(((), one.rounds, one.cells), []).append(one.head)
    return [
        ShootEmpty(tuple(heads), powers) if powers else ShootRounds(tuple(heads), rounds, cells)
        for (powers, rounds, cells), heads in wanted.items()
    ]


def _open_pairs(drift: Drift, rows: Mapping[Quantity, Rows], chosen: Indices, findings: Sequence[Finding]) -> OpenPairs:
    """Return how many more rounds would decide the pairs that are open: as many as settle half of those that can be."""
    n = drift.cells.table["n"].to_numpy(np.float64)
    first, second = drift.pair_first[chosen], drift.pair_second[chosen]
    frames = np.minimum(n[first], n[second])
    dof = np.minimum(*(drift.fitted["mired"].cells.dof[drift.cells.head[at]] for at in (first, second)))
    at = own_rows(drift, rows) + chosen
    needed = np.ones(len(chosen))
    for quantity, one in rows.items():
        if quantity in COLUMN:
            more = rounds_to_decide(one.size[at], one.u[at], one.u_all[at], one.limit, frames, dof, 2, one.lasting[at])
            needed = np.where(one.within[at], needed, np.maximum(needed, more))
    settled = needed[np.isfinite(needed)]
    rounds = float(np.quantile(settled, 0.5, method="higher")) if len(settled) else math.inf
    cells = np.unique(np.append(first, second))
    labels = drift.cells.heads["label"].to_numpy(object)[drift.cells.head[cells]]
    return OpenPairs(
        pairs=len(chosen),
        heads=tuple(dict.fromkeys(labels.tolist())),
        odd=tuple(one.head for one in findings if one.close),
        repeated=bool((dof > 0).any()),
        rounds=rounds,
        cells=len(cells),
        decided=int((settled <= rounds).sum()),
    )
