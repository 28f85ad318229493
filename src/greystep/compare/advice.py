"""What to do next: what goes back, what may stay over which powers, and what to shoot again."""

import math
from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from greystep import words as say
from greystep.compare.blame import Blame
from greystep.compare.drift import Drift
from greystep.compare.findings import DOUBTED, Finding
from greystep.compare.fit import Indices
from greystep.compare.limits import COLUMN, Rows, own_rows, rounds_to_decide


def todo(
    drift: Drift, rows: Mapping[str, Rows], pairs: pd.DataFrame, findings: Sequence[Finding], blame: Blame
) -> list[str]:
    """Return what to do next, first things first, with the cautions where it means handling kit."""
    lines, odd = [], blame.back
    back = [findings[head].head for head in odd]
    if back:
        lines.append(f"Send back {say.heads(back)}, or swap {'them' if len(back) > 1 else 'it'}. {say.CAUTION}")
    for finding in (findings[head] for head in odd):
        if finding.mixes:
            lines.append(f"If head {finding.head} must stay, use it over {say.stretch(finding.mixes)} only.")
        elif len(finding.safe) > 1:
            safe = say.stretch(finding.safe)
            lines.append(f"If head {finding.head} must stay, use it alone in a picture, over {safe} only.")
    if blame.packs:
        lines.append(
            f"Keep packs {say.listed(blame.packs)} out of one picture, or swap the odd one: what ran on both of them "
            f"holds on each, but not from one to the other. {say.CAUTION}"
        )
    if blame.clash:
        lines.append(
            f"Keep {say.heads([findings[head].head for head in blame.clash])} out of one picture: they do not match, "
            "and nothing here tells which is the odd one. A third head or a colour meter would."
        )
    if any(finding.empty and finding.colourless for finding in findings):
        lines.append(f"Give the camera a colour matrix: {say.GIVE_MATRIX}.")
    lines += [
        f"Shoot head {one.head} at {say.listed(one.doubted[1:])} again, {DOUBTED[one.doubted[0]][1]}."
        for one in findings
        if one.doubted
    ]
    shoot: dict[str, list[str]] = {}
    for head, finding in enumerate(findings):
        if finding.empty and not finding.colourless:
            shoot.setdefault(f"at {say.listed(finding.empty)}: no frame there can be used", []).append(finding.head)
        elif not finding.empty and finding.verdict == "undecided" and head not in odd and math.isfinite(finding.rounds):
            time = say.rounds(finding.rounds, len(finding.cells), drift.pace)
            shoot.setdefault(f"again at every power: {time}", []).append(finding.head)
    for what, names in shoot.items():
        each = " each" if len(names) > 1 and what.endswith("min") else ""
        lines.append(f"Shoot {say.heads(names)} {what}{each}.")
    open_ones = (pairs["verdict"] == "undecided").to_numpy() & pairs["delta_mired"].notna().to_numpy()
    open_ones &= ~np.isin(drift.cells.head[drift.pair_first], odd) & ~np.isin(drift.cells.head[drift.pair_second], odd)
    if open_ones.any():
        lines.append(_open_pairs(drift, rows, np.flatnonzero(open_ones)))
    return lines


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
    if not (dof > 0).any():
        return f"{said}: no light was shot twice; one more round shows their scatter."
    if not len(settled):
        return f"{said}: {say.ON_THE_LIMIT}; keep these out of one picture."
    rounds = float(np.quantile(settled, 0.5, method="higher"))
    cells = len(np.unique(np.append(first, second)))
    time = say.rounds(rounds, cells, drift.pace, len(names))
    return f"{said}: {time}, of their powers, would tell for {int((settled <= rounds).sum())} of them."
