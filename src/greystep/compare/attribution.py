"""Head or pack: which of the two makes the difference, where heads were moved between packs.

At each power ``light = head + pack``. A head that was on two packs tells these apart, a pack that lit two heads tells
those apart, and a full exchange of two heads and two packs also checks that the two simply add.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any, Final

import numpy as np
import pandas as pd

from greystep import words as say
from greystep.compare.cells import settings
from greystep.compare.drift import Drift
from greystep.compare.fit import Array, Estimates, Indices, effective_dof
from greystep.files import records
from greystep.measure.uncertainty import ALPHA, student_factor

#: What is shared out: its noun, and the words for more and less of it.
_SHARED: Final = {
    "mired": ("warmth", "warmer", "cooler"),
    "duv": ("tint", "greener", "pinker"),
    "output_stops": ("output", "brighter", "darker"),
}
#: Less than this follows nothing: it is too little to show (a third of a step in warmth and tint; a choice in output).
_SHOWS: Final = {"mired": 1.0, "duv": 0.0003, "output_stops": 0.05}
#: One of two shares is called most of it when it is so many times the other (a choice, no source).
_MOSTLY: Final = 3.0
#: Head and pack do not add where a head's step differs from pack to pack by more than this share of the larger step.
_NOT_ADDING: Final = 0.5


@dataclass(frozen=True)
class Attribution:
    """What stays with the head and what with the pack.

    Attributes
    ----------
    table : DataFrame
        A row a difference, ``second`` less ``first``: among (the heads and packs that are tied together), part
        (``head``, ``pack``, or ``left``: by how much a head's step differs from pack to pack, 0 where the two add),
        power, and from_power where the row is the change from there to `power`. ``delta_*`` with their 95 %
        half-widths ``u_*``, and ``by_chance_*``: what chance alone may give, all rows looked at together.
    answers : DataFrame
        among, power, from_power, quantity, follows: ``head``, ``pack``, ``both``, ``neither`` (no
        more than chance, or too little to show), ``open`` (the design or its repeats cannot tell).
    notes : tuple of str
    """

    table: pd.DataFrame
    answers: pd.DataFrame
    notes: tuple[str, ...]


@dataclass(frozen=True)
class _Step:
    """A difference of cells: what it is of, and the weights that make it."""

    among: str
    part: str
    first: str
    second: str
    stops: float
    power: str
    weights: Array
    from_power: str = ""


def attribute(drift: Drift) -> Attribution | None:
    """Share out the differences of a session between heads and packs.

    Parameters
    ----------
    drift : Drift
        The facts; every difference is a contrast of its joint fit, cells weighing by their frames.

    Returns
    -------
    Attribution or None
        None where no head was on two packs. Heads and packs are compared among what moved heads tie together, under
        equal channel, modifier and company. A light that drifts with time all through an exchange in the order that
        `swap_cells` plans moves ``head`` and ``left`` by the same amount: where it shows in both, the answer is open.
    """
    table = drift.cells.table
    if "pack" not in table:
        return None
    known = (table["n"] > 0) & (table["pack"] != "")
    on = table[known].groupby(["body", "head"], sort=False)["pack"].unique()
    moved = on[on.map(len) > 1]
    if not len(moved):
        return None
    others = ["body", *(name for name in ("channel", "with", "modifier") if name in table)]
    steps: list[_Step] = []
    for _, stratum in table[known].groupby(others, sort=False):
        levels: list[_Step] = []
        for _, rows in stratum.groupby(settings(stratum["stops"].to_numpy(np.float64)), sort=True):
            levels += _steps(table, rows.index.to_numpy(np.intp))
        steps += [*levels, *_changes(levels)]
    if not steps:
        what = say.heads([str(head) for _, head in moved.index])
        note = (
            f"H{what[1:]} hung on more than one pack, but on no two at the same power: head and pack cannot be parted."
        )
        return Attribution(pd.DataFrame(), pd.DataFrame(), (note,))
    found = _rows(drift, steps)
    answers, notes = _answers(found)
    return Attribution(found, answers, tuple(notes))


def _steps(table: pd.DataFrame, cells: Indices) -> Iterator[_Step]:
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

    def spread(rows: Indices, weights: Array) -> Array:
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
            yield _Step(among, "head", str(heads[a]), str(heads[b]), stops, power, spread(everything, weights))
        for p, q in combinations(theirs, 2):
            weights = inverse[len(heads) + q] - inverse[len(heads) + p]
            yield _Step(among, "pack", str(packs[p]), str(packs[q]), stops, power, spread(everything, weights))
        for (a, b), (p, q) in ((x, y) for x in combinations(mine, 2) for y in combinations(theirs, 2)):
            if of_pack[np.ix_([a, b], [p, q])].all():
                full = np.zeros(len(table))
                for one, other, sign in ((b, q, 1.0), (b, p, -1.0), (a, q, -1.0), (a, p, 1.0)):
                    at = np.flatnonzero(head_is[:, one] & pack_is[:, other])
                    full += spread(at, sign * n[at] / n[at].sum())
                yield _Step(among, "left", f"{heads[a]} to {heads[b]}", f"{packs[p]} to {packs[q]}", stops, power, full)


def _changes(levels: Sequence[_Step]) -> Iterator[_Step]:
    """Yield how each difference changes from its highest power to its lowest."""
    same: dict[tuple[str, ...], list[_Step]] = {}
    for step in levels:
        same.setdefault((step.among, step.part, step.first, step.second), []).append(step)
    for (among, part, first, second), steps in same.items():
        top, low = min(steps, key=lambda step: step.stops), max(steps, key=lambda step: step.stops)
        if low.stops > top.stops:
            weights = low.weights - top.weights
            yield _Step(among, part, first, second, low.stops, low.power, weights, top.power)


def _rows(drift: Drift, steps: Sequence[_Step]) -> pd.DataFrame:
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


def _contrasts(estimates: Estimates, weights: Array, alpha: float) -> tuple[Array, Array, Array]:
    """Return contrasts, their 95 % half-widths, and the half-widths at chance `alpha`; NaN where a cell is unknown."""
    unknown = ((weights != 0) & np.isnan(estimates.values)).any(axis=1)
    delta = np.where(unknown, np.nan, weights @ np.nan_to_num(estimates.values))
    variances = np.einsum("ri,hij,rj->rh", weights, estimates.parts, weights)
    sd, dof = np.sqrt(np.sum(variances, axis=1)), effective_dof(variances, estimates.dof)
    u, chance = (np.where(unknown, np.nan, np.asarray(student_factor(dof, one)) * sd) for one in (ALPHA, alpha))
    return delta, u, chance


# --- what it says -----------------------------------------------------------------------------------------------------


def _answers(found: pd.DataFrame) -> tuple[pd.DataFrame, list[str]]:
    """Answer for every power and for the change over them; say it for the most telling power and for the change."""
    answers: list[dict[str, str]] = []
    notes = []
    for _, group in found.groupby("among", sort=False):
        level, change = group[group["from_power"] == ""], group[group["from_power"] != ""]
        for _, rows in group.groupby(["from_power", "power"], sort=False):
            answers += [_key(rows) | {"quantity": name, "follows": _follows(rows, name)[0]} for name in _SHARED]
        plain = level[level["part"] != "left"]
        telling = (plain["delta_mired"] / plain["by_chance_mired"]).abs()
        if telling.isna().all():
            notes.append(f"H{str(group['among'].iloc[0])[1:]}: nothing was shot twice, so that no one can say which.")
            continue
        at = plain["power"].iloc[int(np.nanargmax(telling))]
        notes += [_said(level[level["power"] == at]), *([_said(change)] if len(change) else [])]
    return pd.DataFrame(answers), notes


def _key(rows: pd.DataFrame) -> dict[str, str]:
    return {name: str(rows[name].iloc[0]) for name in ("among", "power", "from_power")}


def _widest(rows: pd.DataFrame, part: str, quantity: str) -> "pd.Series[Any] | None":
    """Return the row of a part that differs most in a quantity."""
    mine = rows[(rows["part"] == part) & rows[f"delta_{quantity}"].notna()]
    return mine.iloc[int(np.argmax(mine[f"delta_{quantity}"].abs()))] if len(mine) else None


def _follows(rows: pd.DataFrame, quantity: str) -> tuple[str, "pd.Series[Any] | None", "pd.Series[Any] | None"]:
    """Say what a quantity follows in the rows of one power, with the widest steps of heads and of packs."""
    head, pack, left = (_widest(rows, part, quantity) for part in ("head", "pack", "left"))
    size, real = {}, {}
    for part, row in (("head", head), ("pack", pack), ("left", left)):
        size[part] = 0.0 if row is None else abs(float(row[f"delta_{quantity}"]))
        real[part] = row is not None and size[part] > max(float(row[f"by_chance_{quantity}"]), _SHOWS[quantity])
    if pack is None or not np.isfinite(pack[f"by_chance_{quantity}"]):
        return "open", head, pack
    if real["left"] and size["left"] > _NOT_ADDING * max(size["head"], size["pack"]):
        return "open", head, pack
    if head is None:  # one head moved: its packs are compared, and no heads
        return "pack" if real["pack"] else "open", head, pack
    follows = {(True, True): "both", (True, False): "head", (False, True): "pack", (False, False): "neither"}
    return follows[real["head"], real["pack"]], head, pack


def _said(rows: pd.DataFrame) -> str:
    """Return the sentence on the rows of one power, or of the change from one to another."""
    power, before, among = (str(rows[name].iloc[0]) for name in ("power", "from_power", "among"))
    start = f"From {before} to {power}" if before else f"H{among[1:]}, at {power}"
    clauses, silent = [], []
    for quantity, (noun, _, _) in _SHARED.items():
        follows, head, pack = _follows(rows, quantity)
        what = f"the drift of {noun}" if before else f"the {noun}"
        if pack is None or not np.isfinite(pack[f"by_chance_{quantity}"]):
            continue
        if follows == "neither" or (head is None and follows == "open"):
            silent.append(noun)
        elif follows == "open":
            left = _widest(rows, "left", quantity)
            steps = "" if left is None else f", by {_size(quantity, left)}"
            clauses.append(f"head or pack cannot be told in {what}: the heads' step is another on each pack{steps}")
        else:
            clauses.append(f"{what} {_clause(quantity, follows, head, pack, before)}")
    alone = not (rows["part"] == "head").any()
    if silent:
        subject = "the packs make no" if alone else "neither head nor pack makes a"
        of = "the drift of " if before else ""
        clauses.append(f"{subject} difference in {of}{say.listed(silent)} that shows above chance")
    if alone:
        clauses.append("of the heads nothing is known, for one alone was moved")
    elif not (rows["part"] == "left").any():
        clauses.append("nothing checks that head and pack add up, for no two heads were on the same two packs")
    return f"{start}: {'; '.join(clauses)}."


def _clause(quantity: str, follows: str, head: "pd.Series[Any] | None", pack: "pd.Series[Any]", before: str) -> str:
    """Return what a quantity follows, with the steps of head and pack."""
    if head is None:
        return f"moves with the pack ({_step(pack, quantity, before)})"
    if follows == "both":
        sizes = [abs(float(row[f"delta_{quantity}"])) for row in (head, pack)]
        led = "comes from the head and from the pack"
        if max(sizes) > _MOSTLY * min(sizes):
            names = ("head", "pack") if sizes[0] > sizes[1] else ("pack", "head")
            led = f"follows mostly the {names[0]}, partly the {names[1]}"
        return f"{led} ({_step(head, quantity, before)} and {_step(pack, quantity, before)})"
    own, rest = (head, pack) if follows == "head" else (pack, head)
    size = say.give_or_take(quantity, abs(float(rest[f"delta_{quantity}"])), float(rest[f"u_delta_{quantity}"]))
    sure = abs(float(rest[f"delta_{quantity}"])) > float(rest[f"by_chance_{quantity}"])
    little = "too little to show" if sure else "no more than chance"
    return (
        f"follows the {follows}: {_step(own, quantity, before)} whatever the {rest['part']}, while "
        f"{rest['part']}s {rest['first']} and {rest['second']} differ by {size}, {little}"
    )


def _step(row: "pd.Series[Any]", quantity: str, before: str) -> str:
    """Return a step as it is said: ``head D is 290 K (9.6 ± 0.8 mired) warmer than head C``."""
    _, more, less = _SHARED[quantity]
    verb = "grows" if before else "is"
    way = more if row[f"delta_{quantity}"] > 0 else less
    part = row["part"]
    return f"{part} {row['second']} {verb} {_size(quantity, row)} {way} than {part} {row['first']}"


def _size(quantity: str, row: "pd.Series[Any]") -> str:
    size = say.give_or_take(quantity, abs(float(row[f"delta_{quantity}"])), float(row[f"u_delta_{quantity}"]))
    return f"{say.kelvin(float(row['delta_k']))} ({size})" if quantity == "mired" else size


def attribution_summary(attribution: Attribution | None) -> dict[str, Any] | None:
    """Return the attribution for summary.json."""
    if attribution is None:
        return None
    return {"answers": records(attribution.answers), "differences": records(attribution.table)}


def unparted_notes(drift: Drift, back: Sequence[str]) -> list[str]:
    """Say where the heads that go back are all that hang on a pack, so that it may be the pack.

    Parameters
    ----------
    drift : Drift
        The facts.
    back : sequence of str
        Heads that go back.
    """
    table = drift.cells.table
    if "pack" not in table:
        return []
    known = table[(table["n"] > 0) & (table["pack"] != "")]
    on = known.groupby("head", sort=False)["pack"].unique()
    good = [str(head) for head in on.index if head not in back]
    notes = []
    for pack, heads in known.groupby("pack", sort=False)["head"].unique().items():
        if good and all(head in back and len(on[head]) == 1 for head in heads):
            are = "is all that hangs" if len(heads) == 1 else "are all that hang"
            notes.append(
                f"H{say.heads(list(heads))[1:]} {are} on pack {pack}: this test cannot tell head from pack. Two heads "
                f"on both packs can: greystep plan DIR --swap {heads[0]},{good[0]} --packs {pack},{on[good[0]][0]}"
            )
    return notes
