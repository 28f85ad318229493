"""What there is to say of each head: how it moves over its powers, how it stands to the others, what would decide."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from greystep import words as say
from greystep.compare.blame import MIRED_PER_DUV, Blame, away, sound_rows, weight
from greystep.compare.cells import PARTS
from greystep.compare.drift import Drift
from greystep.compare.fit import Array, Indices
from greystep.compare.limits import COLUMN, Flags, Rows, longest_run, matches, own_rows, rounds_to_decide

#: A power is the odd one if the others together move less than this share of the head's span.
_ODD_POWER: Final = 0.4
#: A head drifts one way if a straight line makes up this share of its span.
_ONE_WAY: Final = 0.7
#: A whole head is off if no power stands less than this share of its worst away from the others.
_OFFSET: Final = 0.5
#: By the flag of a light that was shot in another way: what is wrong, and how to shoot it again.
DOUBTED: Final = {
    "tail_cut": ("the shutter was shorter than the flash", "at a longer shutter time, for the flash was cut"),
    "settings_changed": ("the settings were not those of the other frames", "at the settings of the other frames"),
}
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
    parted : str
        From one of what to another it does not hold, where it holds with each: ``pack``; else blank.
    doubted : tuple of str
        Powers at which all frames were shot in another way, where the head is outside by these alone; first the flag.
    colourless : bool
        They have none because no colour matrix is known for the camera.
    safe, mixes : tuple of str
        The longest stretch of powers within every limit; and that which matches every head that stays as well.
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
    parted: str
    doubted: tuple[str, ...]
    colourless: bool
    safe: tuple[str, ...]
    mixes: tuple[str, ...]
    outliers: int


def find(
    drift: Drift, rows: Mapping[str, Rows], verdicts: Sequence[str], blame: Blame, outside: Flags
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
    blame : Blame
        The heads that go back: the others are not held against what these do.
    outside : bool array
        One a row of `Drift.pairs`.
    """
    match = matches(drift, rows)
    power, n = drift.cells.names, drift.cells.table["n"].to_numpy()
    apart = np.array(away(drift))
    sound = outside & sound_rows(drift, drift.pair_first, drift.pair_second)
    staying = ~np.isin(drift.cells.head, blame.back) & (n > 0)
    body = drift.cells.heads["body"].to_numpy(object)[drift.cells.head]
    findings = []
    for head, verdict in enumerate(verdicts):
        cells = np.flatnonzero(drift.cells.head == head)
        series = drift.cells.series[cells]
        groups = [cells[series == one] for one in dict.fromkeys(series.tolist())]
        telling = cells if head in blame.parted else _moves_most(drift, groups)
        others = staying & (drift.cells.head != head) & (body == body[cells[0]])
        fits = np.asarray(match[:, others].all(axis=1))
        row = drift.heads.iloc[head]
        findings.append(
            Finding(
                head=str(drift.cells.heads["label"][head]),
                cells=cells,
                verdict=verdict,
                own=_own_words(drift, rows, verdict, telling, row),
                others=_others_words(drift, rows, head, blame.back, sound, apart),
                over=_over_words(list(power[cells[n[cells] > 0]]), row),
                rounds=_rounds(drift, rows, head, row) if verdict == "undecided" else 0.0,
                empty=tuple(power[cells[n[cells] == 0]]),
                parted=_parted(drift, cells) if head in blame.parted else "",
                doubted=_doubted(drift, cells) if head in blame.doubted else (),
                colourless=bool(drift.cells.colourless[cells[n[cells] == 0]].all()),
                safe=_safe(match, power, groups),
                mixes=_safe(match & fits[:, None], power, groups),
                outliers=int(row["n_outlier"]),
            )
        )
    return findings


def _parted(drift: Drift, cells: Indices) -> str:
    """Return what parts the cells of a head: ``pack``, or ``pack or modifier``."""
    nouns = {"with": "company"}
    names = [
        name for name in PARTS if name in drift.cells.varying and drift.cells.table[name].iloc[cells].nunique() > 1
    ]
    return " or ".join(nouns.get(name, name) for name in names)


def _doubted(drift: Drift, cells: Indices) -> tuple[str, ...]:
    """Return the doubt that most cells of a head have, and their names."""
    here = cells[drift.cells.doubts[cells] != ""]
    flags = list(drift.cells.doubts[here])
    flag = max(flags, key=flags.count)
    return (flag, *drift.cells.names[here[drift.cells.doubts[here] == flag]])


def _moves_most(drift: Drift, groups: Sequence[Indices]) -> Indices:
    """Return the cells of a head on the pack where it moves most."""
    mired, duv = (drift.powers[name].to_numpy(np.float64) for name in ("mired", "duv"))

    def moves(group: Indices) -> float:
        known = group[np.isfinite(mired[group])]
        return float(weight(np.ptp(mired[known]), np.ptp(duv[known]))) if len(known) else -1.0

    return max(groups, key=moves)


def _safe(match: Flags, names: npt.NDArray[np.object_], groups: Sequence[Indices]) -> tuple[str, ...]:
    """Return the longest stretch of powers within every limit, on one and the same pack."""
    runs = [(group, run) for group in groups if (run := longest_run(match[np.ix_(group, group)])) is not None]
    group, run = max(runs, key=lambda item: item[1][1] - item[1][0], default=(np.zeros(0, np.intp), (0, -1)))
    return tuple(names[group[run[0] : run[1] + 1]])


def why(finding: Finding, pace: say.Pace) -> str:
    """Return the cell ``why`` of heads.csv: what would decide, quantity and cells, and the stand to the others."""
    parts = [_NO_COLOUR] if finding.empty and finding.colourless else []
    parts += [f"no usable frame at {power}" for power in finding.empty if not finding.colourless]
    if finding.verdict == "undecided" and not finding.empty:
        parts.append(say.cannot_call(finding.rounds, len(finding.cells), pace))
    parts += [finding.own] if finding.own else []
    parts += [f"against the others: {finding.others}"] if finding.others else []
    if finding.outliers:
        parts.append(f"{finding.outliers} outlier{'s' if finding.outliers > 1 else ''} left out")
    return "; ".join(parts)


def sentence(finding: Finding, pace: say.Pace) -> str:
    """Return one sentence on a head that a hire desk understands."""
    head = f"Head {finding.head}"
    if finding.doubted:
        return f"{head} cannot be called: at {say.listed(finding.doubted[1:])} {DOUBTED[finding.doubted[0]][0]}."
    if finding.parted:
        return f"{head} holds on its own, but not from one {finding.parted} to another: {finding.own}."
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
        return f"{head}: {say.cannot_call(finding.rounds, len(finding.cells), pace)}; {finding.own}."
    if len(finding.cells) == 1:
        return f"{head} was tested at one power only, so that it has no drift to judge."
    return f"{head} holds its colour: {finding.over}."


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
    power, stops = drift.cells.names, drift.powers["stops"].to_numpy(np.float64)
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
    one_pack = len(set(drift.cells.series[cells])) == 1
    shaped = one_pack and verdict != "within" and len(measured) > 2  # enough to speak of more than its ends
    without = [np.ptp(np.delete(values[measured], place)) for place in range(len(measured))]
    lone = int(np.argmin(without))
    if span == 0.0:
        return "all its powers are alike"
    line = np.polyfit(stops[measured], values[measured], 1) if np.ptp(stops[measured]) > 0 else np.zeros(2)
    off_line = float(np.sum((values[measured] - np.polyval(line, stops[measured])) ** 2))
    off_rest = float(np.var(np.delete(values[measured], lone)) * (len(measured) - 1))
    odd = without[lone] <= _ODD_POWER * span and off_rest < off_line
    if shaped and odd:
        moved = columns[:, measured[lone]] - np.median(columns[:, np.delete(measured, lone)], axis=1)
        return f"one odd power, {power[measured[lone]]}: {say.gap(*moved)} than at its other powers {limit}"
    ends = measured[[int(np.argmin(values[measured])), int(np.argmax(values[measured]))]]
    base, far = sorted(ends, key=lambda cell: stops[cell])
    text = f"{power[far]} is {say.gap(*(columns[:, far] - columns[:, base]))} than {power[base]} {limit}"
    if shaped and abs(line[0]) * np.ptp(stops[measured]) > _ONE_WAY * span:
        return f"it grows {say.way(*(columns[1:, far] - columns[1:, base]))} as power falls: {text}"
    return text


def _over_words(power: Sequence[str], row: "pd.Series[Any]") -> str:
    if not len(power):
        return ""
    error = row["largest_output_error_stops"]
    output = f", at most {say.output(error)}" if abs(error) >= 0.05 else ""
    moved = say.swing(row["span_k"], row["span_mired"], row["span_duv"])
    return f"it moves {moved} from {power[0]} to {power[-1]}{output}"


def _others_words(
    drift: Drift, rows: Mapping[str, Rows], head: int, odd: Sequence[int], outside: Flags, apart: Array
) -> str:
    """Say how a head stands to the rest of the kit where it does not match: as a whole, or at some powers.

    `apart` (3, c) is how each cell stands to the others, see `away`.
    """
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
    power = drift.cells.names
    cells = np.flatnonzero((drift.cells.head == head) & np.isfinite(apart[1]))
    if not len(cells):
        return f"unlike {rest} at {say.listed(list(power[touched]))}"
    size = weight(*apart[1:, cells])
    mean = apart[:, cells].mean(axis=1)
    along = apart[1, cells] * mean[1] + MIRED_PER_DUV**2 * apart[2, cells] * mean[2]
    worst = cells[int(np.argmax(size))]
    if not _breaks(rows, *apart[:, worst]):
        return _widest_pair(drift, head, np.flatnonzero(outside)[counted])
    if np.all(along > 0) and size.min() > _OFFSET * size.max():
        where = "at every power" if len(cells) > 1 else f"at {power[worst]}"
        return f"{say.gap(*mean)} than {rest} {where}"
    alone = " alone" if len(touched) == 1 and len(cells) > 2 else ""
    return f"{say.gap(*apart[:, worst])} than {rest} at {power[worst]}{alone}"


def _breaks(rows: Mapping[str, Rows], kelvin: float, mired: float, duv: float) -> bool:
    """Return whether a difference is over a limit of warmth or tint, or none is judged."""
    sizes = {"mired": abs(mired), "kelvin": abs(kelvin), "duv": abs(duv)}
    judged = [sizes[name] > rows[name].limit for name in sizes if name in rows]
    return any(judged) or not judged


def _widest_pair(drift: Drift, head: int, pairs: Indices) -> str:
    """Say how a head stands to the light that it is farthest from, of some rows of the pairs."""
    told = drift.pairs.iloc[pairs]
    row = pairs[int(np.argmax(weight(told["delta_mired"].to_numpy(), told["delta_duv"].to_numpy())))]
    first, second = int(drift.pair_first[row]), int(drift.pair_second[row])
    mine, other, sign = (second, first, 1.0) if drift.cells.head[second] == head else (first, second, -1.0)
    gap = say.gap(*(sign * float(drift.pairs[f"delta_{name}"].iloc[row]) for name in ("k", "mired", "duv")))
    names, heads = drift.cells.names, drift.cells.heads["label"]
    return f"{gap} at {names[mine]} than head {heads[drift.cells.head[other]]} at {names[other]}"


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
