"""What to do next: what goes back, what may stay over which powers, and what to shoot again."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from greystep.arrays import Indices
from greystep.compare.drift import Drift
from greystep.compare.findings import Doubted, Finding
from greystep.compare.limits import Rows, own_rows, rounds_to_decide
from greystep.compare.odd_heads import OddHeads
from greystep.terms import COLUMN, Quantity, Verdict


@dataclass(frozen=True)
class SendBack:
    """Return these heads, or swap them."""

    heads: tuple[str, ...]


@dataclass(frozen=True)
class UseOver:
    """If the head must stay, use it over these powers only; `alone`: with no other head in the picture."""

    head: str
    powers: tuple[str, ...]
    alone: bool


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
    """Shoot the lights of a head again that were shot in another way than the others."""

    head: str
    doubted: Doubted


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
        repeated: Some of these lights were shot twice, so that their scatter is known.
        rounds: More rounds that decide half of the pairs that can be decided; infinity where none can.
        cells, decided: How many lights a round has; how many of the pairs the rounds decide.
    """

    pairs: int
    heads: tuple[str, ...]
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
    | ShootEmpty
    | ShootRounds
    | OpenPairs
)


def find_actions(
    drift: Drift, rows: Mapping[Quantity, Rows], pairs: pd.DataFrame, findings: Sequence[Finding], odd: OddHeads
) -> list[Action]:
    """Return what to do next, first things first."""
    actions: list[Action] = []
    back = [findings[head] for head in odd.back]
    if back:
        actions.append(SendBack(tuple(one.head for one in back)))
    for one in back:
        if one.mixes:
            actions.append(UseOver(one.head, one.mixes, alone=False))
        elif len(one.safe) > 1:
            actions.append(UseOver(one.head, one.safe, alone=True))
    if odd.packs:
        actions.append(KeepPacksApart(odd.packs))
    if odd.clash:
        actions.append(KeepHeadsApart(tuple(findings[head].head for head in odd.clash)))
    if any(one.empty and one.colourless for one in findings):
        actions.append(GiveMatrix())
    actions += [ShootAgain(one.head, one.doubted) for one in findings if one.doubted]
    actions += _to_shoot(findings, odd)
    open_ones = (pairs["verdict"] == Verdict.UNDECIDED).to_numpy() & pairs["delta_mired"].notna().to_numpy()
    for at in (drift.pair_first, drift.pair_second):
        open_ones &= ~np.isin(drift.cells.head[at], odd.back)
    if open_ones.any():
        actions.append(_open_pairs(drift, rows, np.flatnonzero(open_ones)))
    return actions


def _to_shoot(findings: Sequence[Finding], odd: OddHeads) -> list[Action]:
    """Return what to shoot of single heads; heads that need the same share one action."""
    wanted: dict[tuple[tuple[str, ...], float, int], list[str]] = {}
    for head, one in enumerate(findings):
        if one.empty and not one.colourless:
            wanted.setdefault((one.empty, 0.0, 0), []).append(one.head)
        elif not one.empty and one.verdict == Verdict.UNDECIDED and head not in odd.back and math.isfinite(one.rounds):
            wanted.setdefault(((), one.rounds, one.cells), []).append(one.head)
    return [
        ShootEmpty(tuple(heads), powers) if powers else ShootRounds(tuple(heads), rounds, cells)
        for (powers, rounds, cells), heads in wanted.items()
    ]


def _open_pairs(drift: Drift, rows: Mapping[Quantity, Rows], chosen: Indices) -> OpenPairs:
    """Return how many more rounds would decide the pairs that are open: as many as settle half of those that can be."""
    n = drift.cells.table["n"].to_numpy(np.float64)
    first, second = drift.pair_first[chosen], drift.pair_second[chosen]
    frames = np.maximum(np.minimum(n[first], n[second]), 1.0)
    dof = np.minimum(*(drift.fitted["mired"].cells.dof[drift.cells.head[at]] for at in (first, second)))
    at = own_rows(drift, rows) + chosen
    needed = np.ones(len(chosen))
    for quantity, one in rows.items():
        if quantity in COLUMN:
            more = rounds_to_decide(one.size[at], one.u[at], one.u_all[at], one.limit, frames, dof, 2)
            needed = np.where(one.within[at], needed, np.maximum(needed, more))
    settled = needed[np.isfinite(needed)]
    rounds = float(np.quantile(settled, 0.5, method="higher")) if len(settled) else math.inf
    cells = np.unique(np.append(first, second))
    labels = drift.cells.heads["label"].to_numpy(object)[drift.cells.head[cells]]
    return OpenPairs(
        pairs=len(chosen),
        heads=tuple(dict.fromkeys(labels.tolist())),
        repeated=bool((dof > 0).any()),
        rounds=rounds,
        cells=len(cells),
        decided=int((settled <= rounds).sum()),
    )
