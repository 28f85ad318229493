"""What there is to say of each head: how it moves over its powers, how it stands to the others, what would decide."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd

from greystep.compare import sentences as say
from greystep.compare.drift import Drift
from greystep.compare.fit import Array, Indices
from greystep.compare.limits import COLUMN, Flags, Rows, longest_run, matches, own_rows, rounds_to_decide

#: Mired that weigh as much as Duv 1: one step of 0.0011 in u'v' is 2.3 mired along, and 0.00089 across, at 5600 K.
_MIRED_PER_DUV: Final = 2600.0
#: A power is the odd one if the others together move less than this share of the head's span.
_ODD_POWER: Final = 0.4
#: A head drifts one way if a straight line makes up this share of its span.
_ONE_WAY: Final = 0.7
#: A whole head is off if no power stands less than this share of its worst away from the others.
_OFFSET: Final = 0.5
_SAME_POWER: Final = 0.011
_NO_COLOUR: Final = "no colour matrix is known for its camera"


@dataclass(frozen=True)
class Finding:
    """What is known of one head.

    Attributes
    ----------
    head : str
    cells : (k,) int array
    verdict : str
    own, others : str
        How it moves over its powers, and how it stands to the heads that it does not match; empty where it does.
    over : str
        Its whole range with how much it moves there.
    rounds : float
        More rounds of all its powers that would decide; 0 where nothing is open.
    empty : tuple of str
        Powers without a usable frame.
    colourless : bool
        They have none because no colour matrix is known for the camera.
    safe : tuple of str
        The longest stretch of powers within every limit.
    outliers : int
    """

    head: str
    cells: Indices
    verdict: str
    own: str
    others: str
    over: str
    rounds: float
    empty: tuple[str, ...]
    colourless: bool
    safe: tuple[str, ...]
    outliers: int


def find(
    drift: Drift, rows: Mapping[str, Rows], verdicts: Sequence[str], odd: Sequence[int], outside: Flags
) -> list[Finding]:
    """Gather the findings of every head.

    Parameters
    ----------
    drift : Drift
        The facts.
    rows : mapping of quantity to Rows
        What was judged.
    verdicts : sequence of str
        One a head.
    odd : sequence of int
        Heads that go back; the others are not held against what these do.
    outside : bool array
        One a row of `Drift.pairs`.
    """
    match = matches(drift, rows)
    power, n = (drift.cells.table[name].to_numpy() for name in ("power", "n"))
    findings = []
    for head, verdict in enumerate(verdicts):
        cells = np.flatnonzero(drift.cells.head == head)
        row = drift.heads.iloc[head]
        run = longest_run(match[np.ix_(cells, cells)])
        findings.append(
            Finding(
                head=str(drift.cells.heads["label"][head]),
                cells=cells,
                verdict=verdict,
                own=_own_words(drift, rows, verdict, cells, row),
                others=_others_words(drift, head, odd, outside),
                over=_over_words(list(power[cells[n[cells] > 0]]), row),
                rounds=_rounds(drift, rows, head, row) if verdict == "undecided" else 0.0,
                empty=tuple(power[cells[n[cells] == 0]]),
                colourless=bool(drift.cells.colourless[cells[n[cells] == 0]].all()),
                safe=() if run is None else tuple(power[cells[run[0] : run[1] + 1]]),
                outliers=int(row["n_outlier"]),
            )
        )
    return findings


def odd_heads(drift: Drift, outside: Flags, verdicts: Sequence[str]) -> tuple[list[int], list[int]]:
    """Return the heads that should go back, and those that clash where nothing tells which is the odd one.

    Back goes each head that is outside itself; then, while two of the others do not match, the one with the most such
    pairs, and on equal terms the one that stands clearly farther from the whole kit, over all its powers.
    """
    odd = [head for head, verdict in enumerate(verdicts) if verdict == "outside"]
    first, second = drift.cells.head[drift.pair_first[outside]], drift.cells.head[drift.pair_second[outside]]
    distance = _weight(*_away(drift)[1:])
    count = len(drift.cells.heads)
    unsure = 2.0 * float(np.nanmax(drift.powers["u_mired"].to_numpy(), initial=0.0))
    while (left := ~np.isin(first, odd) & ~np.isin(second, odd)).any():
        counts = np.bincount(np.append(first[left], second[left]), minlength=count)
        most = np.flatnonzero(counts == counts.max())
        far = np.array([_mean(distance[drift.cells.head == head]) for head in most])
        order = np.argsort(-far, kind="stable")
        if len(most) > 1 and (count < 3 or far[order[0]] - far[order[1]] <= unsure):
            return sorted(odd), sorted(int(head) for head in most)
        odd.append(int(most[order[0]]))
    return sorted(odd), []


def why(finding: Finding, pace_s: float) -> str:
    """Return the cell ``why`` of heads.csv: what would decide, quantity and cells, and the stand to the others."""
    parts = [_NO_COLOUR] if finding.empty and finding.colourless else []
    parts += [f"no usable frame at {power}" for power in finding.empty if not finding.colourless]
    if finding.verdict == "undecided" and not finding.empty:
        parts.append(say.cannot_call(finding.rounds, len(finding.cells), pace_s))
    parts += [finding.own] if finding.own else []
    parts += [f"against the others: {finding.others}"] if finding.others else []
    if finding.outliers:
        parts.append(f"{finding.outliers} outlier{'s' if finding.outliers > 1 else ''} left out")
    return "; ".join(parts)


def sentence(finding: Finding, pace_s: float) -> str:
    """Return one sentence on a head that a hire desk understands."""
    head = f"Head {finding.head}"
    if finding.verdict == "outside":
        safe = f"; safe over {say.stretch(finding.safe)}" if len(finding.safe) > 1 else ""
        also = f"; it is also {finding.others}" if "every power" in finding.others else ""
        return f"{head} does not hold: {finding.own}{also}{safe}."
    if finding.others:
        steady = "is steady on its own" if finding.verdict == "within" else "cannot be called on its own yet"
        return f"{head} {steady}, but it is {finding.others}."
    if finding.empty:
        what = _NO_COLOUR if finding.colourless else f"no usable frame at {say.listed(finding.empty)}"
        return f"{head} cannot be called: {what}."
    if finding.verdict == "undecided":
        return f"{head}: {say.cannot_call(finding.rounds, len(finding.cells), pace_s)}; {finding.own}."
    if len(finding.cells) == 1:
        return f"{head} was tested at one power only, so that it has no drift to judge."
    return f"{head} holds its colour: {finding.over}."


def todo(
    drift: Drift, rows: Mapping[str, Rows], pairs: pd.DataFrame, findings: Sequence[Finding], odd: Sequence[int],
    clash: Sequence[int],
) -> list[str]:  # fmt: skip
    """Return what to do next, first things first, with the cautions where it means handling kit."""
    lines = []
    back = [findings[head].head for head in odd]
    if back:
        lines.append(f"Send back {say.heads(back)}, or swap {'them' if len(back) > 1 else 'it'}. {say.CAUTION}")
    lines += [
        f"If head {finding.head} must stay, use it over {say.stretch(finding.safe)} only."
        for finding in (findings[head] for head in odd)
        if finding.verdict == "outside" and len(finding.safe) > 1
    ]
    if clash:
        lines.append(
            f"Keep {say.heads([findings[head].head for head in clash])} out of one picture: they do not match, and "
            "nothing here tells which is the odd one. A third head or a colour meter would."
        )
    if any(finding.empty and finding.colourless for finding in findings):
        lines.append(
            "Give the camera a colour matrix: shoot a 24-patch colour chart by flash, run greystep camera on that "
            'frame, and name its camera.json in session.toml, [camera] matrix = "camera.json".'
        )
    shoot: dict[str, list[str]] = {}
    for head, finding in enumerate(findings):
        if finding.empty and not finding.colourless:
            shoot.setdefault(f"at {say.listed(finding.empty)}: no frame there can be used", []).append(finding.head)
        elif not finding.empty and finding.verdict == "undecided" and head not in odd and math.isfinite(finding.rounds):
            time = say.rounds(finding.rounds, len(finding.cells), drift.pace_s)
            shoot.setdefault(f"again at every power: {time}", []).append(finding.head)
    for what, names in shoot.items():
        each = " each" if len(names) > 1 and what.endswith("min") else ""
        lines.append(f"Shoot {say.heads(names)} {what}{each}.")
    open_ones = (pairs["verdict"] == "undecided").to_numpy() & pairs["delta_mired"].notna().to_numpy()
    open_ones &= ~np.isin(drift.cells.head[drift.pair_first], odd) & ~np.isin(drift.cells.head[drift.pair_second], odd)
    if open_ones.any():
        lines.append(_open_pairs(drift, rows, np.flatnonzero(open_ones)))
    return lines


def _away(drift: Drift) -> tuple[Array, Array, Array]:
    """Return how each cell stands to the median of the other heads at its power: K, mired, Duv; NaN without others."""
    table, head = drift.cells.table, drift.cells.head
    stops, body = table["stops"].to_numpy(), pd.factorize(table["body"])[0]
    columns = np.array([drift.powers[name].to_numpy(np.float64) for name in ("cct_k", "mired", "duv")])
    others = (head[:, None] != head) & (body[:, None] == body) & (np.abs(stops[:, None] - stops) < _SAME_POWER)
    others &= np.isfinite(columns[1])
    away = np.full((3, len(table)), np.nan)
    for cell in np.flatnonzero(others.any(axis=1)):
        away[:, cell] = columns[:, cell] - np.median(columns[:, others[cell]], axis=1)
    return away[0], away[1], away[2]


def _mean(values: Array) -> float:
    known = values[np.isfinite(values)]
    return float(known.mean()) if len(known) else 0.0


def _weight(mired: Array, duv: Array) -> Array:
    return np.asarray(np.hypot(mired, _MIRED_PER_DUV * duv))


def _leading(rows: Mapping[str, Rows], verdict: str, row: "pd.Series[Any]") -> str:
    """Return the quantity that takes most of its limit; output only where the head does not pass."""
    shares = {name: row[f"span_{COLUMN[name]}"] / one.limit for name, one in rows.items() if name in COLUMN}
    if "output_stops" in rows and (verdict != "within" or not shares):
        shares["output_stops"] = abs(row["largest_output_error_stops"]) / rows["output_stops"].limit
    known = {name: share for name, share in shares.items() if np.isfinite(share)}
    return max(known, key=lambda name: known[name], default="")


def _own_words(drift: Drift, rows: Mapping[str, Rows], verdict: str, cells: Indices, row: "pd.Series[Any]") -> str:
    """Say how a head moves over its own powers, by the quantity that takes most of its limit."""
    leading = _leading(rows, verdict, row)
    if not leading:
        return ""
    power, stops = drift.powers["power"].to_numpy(object), drift.powers["stops"].to_numpy(np.float64)
    limit = f"(limit {say.limit(leading, rows[leading].limit)})"
    if leading == "output_stops":
        error = drift.powers["output_error_stops"].to_numpy(np.float64)
        worst = cells[int(np.nanargmax(np.abs(error[cells])))]
        return f"{power[worst]} is {say.output(error[worst])} {limit}"
    columns = np.array([drift.powers[name].to_numpy(np.float64) for name in ("cct_k", "mired", "duv")])
    values = columns[2 if leading == "duv" else 1]
    measured = cells[np.isfinite(values[cells])]
    if len(measured) < 2:
        return f"only {power[measured[0]]} was tested"
    span = np.ptp(values[measured])
    without = [np.ptp(np.delete(values[measured], place)) for place in range(len(measured))]
    lone = int(np.argmin(without))
    if verdict != "within" and len(measured) > 2 and without[lone] <= _ODD_POWER * span:
        moved = columns[:, measured[lone]] - np.median(columns[:, np.delete(measured, lone)], axis=1)
        return f"one odd power, {power[measured[lone]]}: {say.gap(*moved)} than at its other powers {limit}"
    ends = measured[[int(np.argmin(values[measured])), int(np.argmax(values[measured]))]]
    base, far = sorted(ends, key=lambda cell: stops[cell])
    text = f"{power[far]} is {say.gap(*(columns[:, far] - columns[:, base]))} than {power[base]} {limit}"
    line = np.polyfit(stops[measured], values[measured], 1)[0] if np.ptp(stops[measured]) > 0 else 0.0
    if verdict != "within" and len(measured) > 2 and abs(line) * np.ptp(stops[measured]) > _ONE_WAY * span:
        return f"it grows {say.way(*(columns[1:, far] - columns[1:, base]))} as power falls: {text}"
    return text


def _over_words(power: Sequence[str], row: "pd.Series[Any]") -> str:
    if not len(power):
        return ""
    error = row["largest_output_error_stops"]
    output = f", at most {say.output(error)}" if abs(error) >= 0.05 else ""
    moved = say.swing(row["span_k"], row["span_mired"], row["span_duv"])
    return f"it moves {moved} from {power[0]} to {power[-1]}{output}"


def _others_words(drift: Drift, head: int, odd: Sequence[int], outside: Flags) -> str:
    """Say how a head stands to the rest of the kit where it does not match: as a whole, or at some powers."""
    first, second = drift.pair_first[outside], drift.pair_second[outside]
    mine, other = drift.cells.head[first] == head, drift.cells.head[second] == head
    against = np.where(mine, drift.cells.head[second], drift.cells.head[first])
    counted = (mine | other) & ~np.isin(against, [one for one in odd if one != head])
    touched = np.unique(np.where(mine, first, second)[counted])
    if not len(touched):
        return ""
    body = drift.cells.heads["body"]
    rivals = [
        name for number, name in enumerate(drift.cells.heads["label"]) if number != head and body[number] == body[head]
    ]
    rest = f"head {rivals[0]}" if len(rivals) == 1 else "the rest of the kit"
    away = np.array(_away(drift))
    power = drift.cells.table["power"].to_numpy(object)
    cells = np.flatnonzero((drift.cells.head == head) & np.isfinite(away[1]))
    if not len(cells):
        return f"unlike {rest} at {say.listed(list(power[touched]))}"
    size = _weight(*away[1:, cells])
    mean = away[:, cells].mean(axis=1)
    along = away[1, cells] * mean[1] + _MIRED_PER_DUV**2 * away[2, cells] * mean[2]
    worst = cells[int(np.argmax(size))]
    if np.all(along > 0) and size.min() > _OFFSET * size.max():
        where = "at every power" if len(cells) > 1 else f"at {power[worst]}"
        return f"{say.gap(*mean)} than {rest} {where}"
    alone = " alone" if len(touched) == 1 and len(cells) > 2 else ""
    return f"{say.gap(*away[:, worst])} than {rest} at {power[worst]}{alone}"


def _rounds(drift: Drift, rows: Mapping[str, Rows], head: int, row: "pd.Series[Any]") -> float:
    """Return how many more rounds of all powers of a head would decide about it."""
    mine = drift.cells.head == head
    n = np.array([max(float(drift.cells.table["n"].to_numpy()[mine].mean()), 1.0)])
    own = own_rows(drift, rows)
    needed = [1.0]
    for quantity, one in rows.items():
        if quantity == "output_stops":
            chosen = (drift.cells.head[one.second] == head) & ~one.within & ~one.outside
            size, u, u_all = one.size[chosen], one.u[chosen], one.u_all[chosen]
        else:
            size, u = (np.array([row[f"{name}_{COLUMN[quantity]}"]], np.float64) for name in ("span", "u_span"))
            here = np.flatnonzero((drift.cells.head[one.first[:own]] == head) & np.isfinite(one.size[:own]))
            if size[0] + u[0] <= one.limit or not len(here):
                continue
            u_all = one.u_all[here[[int(np.argmax(one.size[here]))]]]
        dof = np.full(len(size), drift.fitted["mired"].cells.dof[head])
        more = rounds_to_decide(size, u, u_all, one.limit, n, dof, int(mine.sum()))
        needed += [float(value) for value in more[np.isfinite(size)]]
    return max(needed)


def _open_pairs(drift: Drift, rows: Mapping[str, Rows], chosen: Indices) -> str:
    """Say how many more rounds would decide the pairs that are open: as many as settle half of those that can be."""
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
    heads = drift.cells.head[np.sort(np.append(first, second))]
    names = list(dict.fromkeys(drift.cells.heads["label"].to_numpy(object)[heads]))
    said = f"{len(chosen)} pair{'s' if len(chosen) > 1 else ''} of {say.heads(names)} cannot be called yet"
    settled = needed[np.isfinite(needed)]
    if not len(settled):
        return f"{said}: on the limit, where more rounds would not tell; keep these out of one picture."
    rounds = float(np.quantile(settled, 0.5, method="higher"))
    cells = len(np.unique(np.append(first, second)))
    time = say.rounds(rounds, cells, drift.pace_s)
    return f"{said}: {time} of their powers would tell for {int((settled <= rounds).sum())}."
