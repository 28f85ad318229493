"""Head or pack: which of the two makes the difference, where heads were moved between packs.

At each power ``light = head + pack``. A head that was on two packs tells these apart, a pack that lit two heads tells
those apart, and a full exchange of two heads and two packs also checks that the two simply add.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import combinations
from typing import Any, Final

import numpy as np
import pandas as pd

from greystep import words as say
from greystep.arrays import Floats, Indices
from greystep.compare.cells import settings
from greystep.compare.drift import Drift
from greystep.compare.fit import Estimates, effective_dof
from greystep.measure.uncertainty import ALPHA, student_factor
from greystep.terms import PARTS, Quantity

#: What is shared out between heads and packs.
_SHARED: Final = (Quantity.MIRED, Quantity.DUV, Quantity.OUTPUT_STOPS)
#: Less than this follows nothing: it is too little to show (a third of a step in warmth and tint; a choice in output).
_SHOWS: Final = {Quantity.MIRED: 1.0, Quantity.DUV: 0.0003, Quantity.OUTPUT_STOPS: 0.05}
#: Head and pack do not add where a head's step differs from pack to pack by more than this share of the larger step.
_NOT_ADDING: Final = 0.5


class Follows(StrEnum):
    """Which part a difference goes with; `NEITHER`: no more than chance, `OPEN`: the test cannot tell."""

    HEAD = "head"
    PACK = "pack"
    BOTH = "both"
    NEITHER = "neither"
    OPEN = "open"


@dataclass(frozen=True)
class Step:
    """A difference, `second` less `first`, of one quantity.

    Attributes:
        part: ``head``, ``pack``, or ``left``: by how much the step of a head differs from pack to pack.
        delta, u, by_chance: In the unit of the quantity: with its 95 % half-width, and what chance alone may give.
        kelvin: The step in warmth [K].
    """

    part: str
    first: str
    second: str
    delta: float
    u: float
    by_chance: float
    kelvin: float


@dataclass(frozen=True)
class Share:
    """What a quantity follows, with the widest steps; `pack` is None where nothing is known of chance."""

    quantity: Quantity
    follows: Follows
    head: Step | None
    pack: Step | None
    left: Step | None


@dataclass(frozen=True)
class Answer:
    """Head or pack, at one power, or of the change from `from_power` to it.

    Attributes:
        heads_compared: More than one head was moved.
        checked: Two heads were on the same two packs, so that it is checked whether head and pack add.
    """

    among: str
    power: str
    from_power: str
    shares: tuple[Share, ...]
    heads_compared: bool
    checked: bool


@dataclass(frozen=True)
class NothingRepeatedAmong:
    """Nothing was shot twice among these heads and packs, so that no one can say which it is."""

    among: str


@dataclass(frozen=True)
class NoCommonPower:
    """These heads were on more than one pack, but on no two at the same power."""

    heads: tuple[str, ...]


@dataclass(frozen=True)
class OnePack:
    """All heads of a pack go back and were on no other; exchanged with a good head on its pack they would show more."""

    pack: str
    heads: tuple[str, ...]
    good_head: str
    good_pack: str


@dataclass(frozen=True)
class Attribution:
    """What stays with the head and what with the pack.

    Attributes:
        table: A row a difference, ``second`` less ``first``: among (the heads and packs that are tied together), part
            (``head``, ``pack``, or ``left``: by how much a head's step differs from pack to pack, 0 where the two add),
            power, and from_power where the row is the change from there to `power`. ``delta_*`` with their 95 %
            half-widths ``u_*``, and ``by_chance_*``: what chance alone may give, all rows looked at together.
        answers: among, power, from_power, quantity, follows (see `Follows`).
    """

    table: pd.DataFrame
    answers: pd.DataFrame
    told: tuple[Answer | NothingRepeatedAmong | NoCommonPower, ...]


@dataclass(frozen=True)
class _Contrast:
    """A difference of cells: what it is of, and the weights that make it."""

    among: str
    part: str
    first: str
    second: str
    stops: float
    power: str
    weights: Floats
    from_power: str = ""


def attribute(drift: Drift) -> Attribution | None:
    """Share out the differences of a session between heads and packs.

    Args:
        drift: The facts; every difference is a contrast of its joint fit, cells weighing by their frames.

    Returns: None where no head was on two packs. Heads and packs are compared among what moved heads tie together,
        under equal channel, modifier and company. A light that drifts with time all through an exchange in the order
        that `swap_cells` plans moves ``head`` and ``left`` by the same amount: where it shows in both, the answer is
        open.
    """
    table = drift.cells.table
    if "pack" not in table:
        return None
    known = (table["n"] > 0) & (table["pack"] != "")
    on = table[known].groupby(["body", "head"], sort=False)["pack"].unique()
    moved = on[on.map(len) > 1]
    if not len(moved):
        return None
    others = ["body", *(name for name in PARTS if name in table and name != "pack")]
    steps: list[_Contrast] = []
    for _, stratum in table[known].groupby(others, sort=False):
        levels: list[_Contrast] = []
        for _, rows in stratum.groupby(settings(stratum["stops"].to_numpy(np.float64)), sort=True):
            levels += _steps(table, rows.index.to_numpy(np.intp))
        steps += [*levels, *_changes(levels)]
    if not steps:
        heads = tuple(str(head) for _, head in moved.index)
        return Attribution(pd.DataFrame(), pd.DataFrame(), (NoCommonPower(heads),))
    found = _rows(drift, steps)
    answers, told = _answers(found)
    return Attribution(found, answers, tuple(told))


def _steps(table: pd.DataFrame, cells: Indices) -> Iterator[_Contrast]:
    """Yield the differences of heads, of packs, and what is left, of the cells of one power."""
    head, pack = (table[name].to_numpy(object)[cells] for name in ("head", "pack"))
    n = table["n"].to_numpy(np.float64)[cells]
    heads, packs = list(dict.fromkeys(head)), sorted(dict.fromkeys(pack))
    head_is = head[:, None] == np.array(heads, dtype=object)
    pack_is = pack[:, None] == np.array(packs, dtype=object)
    design = np.hstack([head_is, pack_is]).astype(np.float64)
    inverse = np.linalg.pinv(design * np.sqrt(n)[:, None]) * np.sqrt(n)
    tied = np.linalg.matrix_power((design.T @ design > 0).astype(np.int64), len(heads) + len(packs)) > 0
    of_pack = head_is.T.astype(np.int64) @ pack_is > 0  # (heads, packs)
    stops, power = float(table["stops"].to_numpy()[cells[0]]), str(table["power"].to_numpy(object)[cells[0]])

    def spread(rows: Indices, weights: Floats) -> Floats:
        full = np.zeros(len(table))
        np.add.at(full, cells[rows], weights)
        return full

    everything = np.arange(len(cells))
    for members in dict.fromkeys(tuple(np.flatnonzero(row)) for row in tied):
        mine = [at for at in members if at < len(heads)]
        theirs = [at - len(heads) for at in members if at >= len(heads)]
        if len(theirs) < 2:
            continue  # no head of these was moved
        names, hung = [str(heads[at]) for at in mine], [str(packs[at]) for at in theirs]
        among = f"{say.heads(names)} on packs {say.listed(hung)}"
        for a, b in combinations(mine, 2):
            weights = inverse[b] - inverse[a]
            yield _Contrast(among, "head", str(heads[a]), str(heads[b]), stops, power, spread(everything, weights))
        for p, q in combinations(theirs, 2):
            weights = inverse[len(heads) + q] - inverse[len(heads) + p]
            yield _Contrast(among, "pack", str(packs[p]), str(packs[q]), stops, power, spread(everything, weights))
        for (a, b), (p, q) in ((x, y) for x in combinations(mine, 2) for y in combinations(theirs, 2)):
            if of_pack[np.ix_([a, b], [p, q])].all():
                full = np.zeros(len(table))
                for one, other, sign in ((b, q, 1.0), (b, p, -1.0), (a, q, -1.0), (a, p, 1.0)):
                    at = np.flatnonzero(head_is[:, one] & pack_is[:, other])
                    full += spread(at, sign * n[at] / n[at].sum())
                yield _Contrast(
                    among, "left", f"{heads[a]} to {heads[b]}", f"{packs[p]} to {packs[q]}", stops, power, full
                )


def _changes(levels: Sequence[_Contrast]) -> Iterator[_Contrast]:
    """Yield how each difference changes from its highest power to its lowest."""
    same: dict[tuple[str, ...], list[_Contrast]] = {}
    for step in levels:
        same.setdefault((step.among, step.part, step.first, step.second), []).append(step)
    for (among, part, first, second), steps in same.items():
        top, low = min(steps, key=lambda step: step.stops), max(steps, key=lambda step: step.stops)
        if low.stops > top.stops:
            weights = low.weights - top.weights
            yield _Contrast(among, part, first, second, low.stops, low.power, weights, top.power)


def _rows(drift: Drift, steps: Sequence[_Contrast]) -> pd.DataFrame:
    """Put the steps to the estimates."""
    columns: dict[str, Any] = {
        name: [getattr(step, name) for step in steps]
        for name in ("among", "part", "first", "second", "power", "from_power")
    }
    weights = np.array([step.weights for step in steps])
    for quantity in _SHARED:
        delta, u, chance = _contrasts(drift.fitted[quantity].cells, weights, ALPHA / len(steps))
        columns |= {f"delta_{quantity}": delta, f"u_delta_{quantity}": u, f"by_chance_{quantity}": chance}
        if quantity == "mired":
            mired = drift.fitted["mired"].cells.values
            about = [float(np.nanmean(mired[step.weights != 0])) for step in steps]
            columns["delta_k"] = -delta * 1e6 / np.square(about)
    return pd.DataFrame(columns)


def _contrasts(estimates: Estimates, weights: Floats, alpha: float) -> tuple[Floats, Floats, Floats]:
    """Return contrasts, their 95 % half-widths, and the half-widths at chance `alpha`; NaN where a cell is unknown."""
    unknown = ((weights != 0) & np.isnan(estimates.values)).any(axis=1)
    delta = np.where(unknown, np.nan, weights @ np.nan_to_num(estimates.values))
    variances = np.einsum("ri,hij,rj->rh", weights, estimates.parts, weights)
    sd, dof = np.sqrt(np.sum(variances, axis=1)), effective_dof(variances, estimates.dof)
    u, chance = (np.where(unknown, np.nan, np.asarray(student_factor(dof, one)) * sd) for one in (ALPHA, alpha))
    return delta, u, chance


def _answers(found: pd.DataFrame) -> tuple[pd.DataFrame, list[Answer | NothingRepeatedAmong]]:
    """Answer for every power and for the change over them; kept apart for the most telling power and the change."""
    rows: list[dict[str, str]] = []
    told: list[Answer | NothingRepeatedAmong] = []
    for among, group in found.groupby("among", sort=False):
        answers = [_answer(part) for _, part in group.groupby(["from_power", "power"], sort=False)]
        for one in answers:
            key = {"among": one.among, "power": one.power, "from_power": one.from_power}
            rows += [key | {"quantity": str(share.quantity), "follows": str(share.follows)} for share in one.shares]
        plain = group[(group["from_power"] == "") & (group["part"] != "left")]
        telling = (plain["delta_mired"] / plain["by_chance_mired"]).abs()
        if telling.isna().all():
            told.append(NothingRepeatedAmong(str(among)))
            continue
        at = plain["power"].iloc[int(np.nanargmax(telling))]
        told += [one for one in answers if one.power == at and not one.from_power]
        told += [one for one in answers if one.from_power]
    return pd.DataFrame(rows), told


def _answer(rows: pd.DataFrame) -> Answer:
    """Answer for the rows of one power, or of the change from one to another."""
    among, power, from_power = (str(rows[name].iloc[0]) for name in ("among", "power", "from_power"))
    parts = set(rows["part"])
    shares = tuple(_share(rows, quantity) for quantity in _SHARED)
    return Answer(among, power, from_power, shares, "head" in parts, "left" in parts)


def _widest(rows: pd.DataFrame, part: str, quantity: Quantity) -> Step | None:
    """Return the step of a part that is the largest in a quantity."""
    mine = rows[(rows["part"] == part) & rows[f"delta_{quantity}"].notna()]
    if not len(mine):
        return None
    row = mine.iloc[int(np.argmax(mine[f"delta_{quantity}"].abs()))]
    delta, u, chance = (float(row[f"{name}_{quantity}"]) for name in ("delta", "u_delta", "by_chance"))
    return Step(part, str(row["first"]), str(row["second"]), delta, u, chance, float(row["delta_k"]))


def _share(rows: pd.DataFrame, quantity: Quantity) -> Share:
    """Say what a quantity follows in the rows of one power, with the widest steps of heads and of packs."""
    head, pack, left = (_widest(rows, part, quantity) for part in ("head", "pack", "left"))
    size = [0.0 if step is None else abs(step.delta) for step in (head, pack, left)]
    of_head, of_pack, unequal = (
        step is not None and abs(step.delta) > max(step.by_chance, _SHOWS[quantity]) for step in (head, pack, left)
    )
    known = pack is not None and bool(np.isfinite(pack.by_chance))
    if not known or (unequal and size[2] > _NOT_ADDING * max(size[:2])):
        follows = Follows.OPEN
    elif head is None:  # one head moved: its packs are compared, and no heads
        follows = Follows.PACK if of_pack else Follows.OPEN
    elif of_head:
        follows = Follows.BOTH if of_pack else Follows.HEAD
    else:
        follows = Follows.PACK if of_pack else Follows.NEITHER
    return Share(quantity, follows, head, pack if known else None, left)


def heads_on_one_pack(drift: Drift, back: Sequence[str]) -> list[OnePack]:
    """Return the packs of which every head goes back, so that the pack may be the cause."""
    table = drift.cells.table
    if "pack" not in table:
        return []
    known = table[(table["n"] > 0) & (table["pack"] != "")]
    on = known.groupby("head", sort=False)["pack"].unique()
    good = [str(head) for head in on.index if head not in back]
    return [
        OnePack(str(pack), tuple(heads), good[0], str(on[good[0]][0]))
        for pack, heads in known.groupby("pack", sort=False)["head"].unique().items()
        if good and all(head in back and len(on[head]) == 1 for head in heads)
    ]
