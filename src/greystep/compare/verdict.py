"""Verdicts on heads, pairs and the kit, with the reason for each and what to do next."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any, Final

import numpy as np
import pandas as pd
from scipy.special import chdtri

from greystep import __version__
from greystep import words as say
from greystep.compare.advice import todo
from greystep.compare.blame import find_blame
from greystep.compare.drift import Drift
from greystep.compare.findings import find, sentence, why
from greystep.compare.limits import (
    COLUMN,
    Flags,
    Rows,
    by_chance_mired,
    colour_limits,
    colour_rows,
    judge_rows,
    longest_run,
    matches,
    own_rows,
    verdicts,
    worst_of,
)
from greystep.errors import GreystepError
from greystep.files import plain, records
from greystep.log.session import Session, Tolerance
from greystep.log.table import status_counts
from greystep.measure.uncertainty import student_factor
from greystep.published import OBSERVER_SAME_HEAD

_CLAIM: Final = re.compile(r"(?:\+/?-|\u00b1)?\s*(\d+(?:[.,]\d+)?)\s*(k|kelvin|mired)", re.IGNORECASE)


@dataclass(frozen=True)
class Judged:
    """The verdicts of a session.

    Attributes
    ----------
    heads, pairs : DataFrame
        The contract's tables with verdict (and, for heads, why, safe_powers and the claim's verdicts).
    ranges : DataFrame
        head_a, head_b, safe_powers: over which powers two heads may stand in one picture.
    worst_pair : dict or None
        The row of `pairs` with the largest difference over its limit, with quantity, ratio and by_chance_mired.
    kit_verdict : str
    back : tuple of str
        The heads that should go back; ``clash``: heads that do not match, where nothing tells which is the odd one.
    clash : tuple of str
    packs : tuple of str
        Packs between which heads are outside that hold on each of them.
    sentences : dict of head to str
        One sentence a head that a hire desk understands.
    todo : tuple of str
        What to do next, first things first.
    """

    heads: pd.DataFrame
    pairs: pd.DataFrame
    ranges: pd.DataFrame
    worst_pair: dict[str, Any] | None
    kit_verdict: str
    back: tuple[str, ...]
    clash: tuple[str, ...]
    packs: tuple[str, ...]
    sentences: dict[str, str]
    todo: tuple[str, ...]


def judge(drift: Drift, tolerance: Tolerance, claim: str | None = None) -> Judged:
    """Judge a session by its tolerance.

    Parameters
    ----------
    drift : Drift
        The facts.
    tolerance : Tolerance
        The limits; one that is None is not judged.
    claim : str, optional
        A maker's claim such as ``150K`` or ``5 mired`` (plus or minus): tested at one power (95 of 100 shots stay
        within it) and across the range of powers (half the span), told apart, with the observer term of another camera.

    Returns
    -------
    Judged

    Raises
    ------
    GreystepError
        If the claim cannot be read.
    """
    rows = judge_rows(drift, tolerance)
    pairs, outside = _judge_pairs(drift, rows)
    verdict = [_head_verdict(drift, tolerance, rows, head) for head in range(len(drift.cells.heads))]
    blame = find_blame(drift, rows, outside, verdict)
    findings = find(drift, rows, verdict, blame, outside)
    heads = _after(drift.heads, "u_warmup_mired", "verdict", verdict)
    heads = _after(heads, "verdict", "why", [why(finding, drift.pace) for finding in findings])
    heads["safe_powers"] = [say.stretch(finding.safe) if finding.safe else "" for finding in findings]
    return Judged(
        heads=heads if claim is None else _test_claim(heads, drift, claim),
        pairs=pairs,
        ranges=_ranges(drift, rows),
        worst_pair=_worst_pair(drift, pairs, rows),
        kit_verdict=worst_of([*verdict, *pairs["verdict"].unique()]),
        back=tuple(findings[head].head for head in blame.back),
        clash=tuple(findings[head].head for head in blame.clash),
        packs=blame.packs,
        sentences={finding.head: sentence(finding, drift.pace) for finding in findings},
        todo=tuple(todo(drift, rows, pairs, findings, blame)),
    )


def summary(
    judged: Judged, drift: Drift, session: Session, readings: pd.DataFrame, bodies: Sequence[Mapping[str, Any]] = ()
) -> dict[str, Any]:
    """Return the object of summary.json, with None for every number that is not known.

    Parameters
    ----------
    judged : Judged
        The verdicts.
    drift : Drift
        The facts.
    session : Session
        For its title and tolerance.
    readings : DataFrame
        For the count of frames.
    bodies : sequence of mapping
        What stands once per camera body: label, matrix, meter, their uncertainty.
    """
    source = "this tool's default, no standard" if session.tolerance.is_default else "session.toml or option"
    content = {
        "schema": 1,
        "greystep": __version__,
        "session": session.title,
        "reference": dict(drift.reference),
        "tolerance": {**asdict(session.tolerance), "source": source},
        "heads": records(judged.heads),
        "worst_pair": judged.worst_pair,
        "frames": status_counts(readings),
        "kit_verdict": judged.kit_verdict,
        "back": judged.back,
        "clash": judged.clash,
        "packs": judged.packs,
        "sentences": judged.sentences,
        "todo": judged.todo,
        "safe_ranges": records(judged.ranges),
        "notes": drift.notes,
        "bodies": list(bodies),
    }
    made: dict[str, Any] = plain(content)
    return made


def _after(table: pd.DataFrame, column: str, name: str, values: Sequence[str]) -> pd.DataFrame:
    """Return a table with one more column, behind another."""
    columns = list(table.columns)
    columns.insert(columns.index(column) + 1, name)
    return table.assign(**{name: np.asarray(values, dtype=object)})[columns]


def _judge_pairs(drift: Drift, rows: Mapping[str, Rows]) -> tuple[pd.DataFrame, Flags]:
    within, outside = colour_rows(rows, slice(own_rows(drift, rows), None))
    if not len(within):
        within, outside = np.zeros(len(drift.pairs), dtype=bool), np.zeros(len(drift.pairs), dtype=bool)
    return _after(drift.pairs, "delta_steps", "verdict", list(verdicts(within, outside))), outside


def _head_verdict(drift: Drift, tolerance: Tolerance, rows: Mapping[str, Rows], head: int) -> str:
    """Return a head's verdict: the worst of its spans and its output errors; an empty cell leaves it undecided."""
    row, own = drift.heads.iloc[head], own_rows(drift, rows)
    within, outside = bool((drift.cells.table["n"].to_numpy()[drift.cells.head == head] > 0).all()), False
    within &= len(drift.cells.table) > 1  # one light alone is compared with nothing
    for quantity, limit in colour_limits(tolerance).items():
        column = COLUMN[quantity]
        within &= bool(row[f"span_{column}"] + row[f"u_span_{column}"] <= limit)
        mine = drift.cells.head[rows[quantity].first[:own]] == head
        outside |= bool(rows[quantity].outside[:own][mine].any())
    if "output_stops" in rows:
        mine = drift.cells.head[rows["output_stops"].second] == head
        within &= bool(rows["output_stops"].within[mine].all())
        outside |= bool(rows["output_stops"].outside[mine].any())
    return "outside" if outside else "within" if within else "undecided"


def _ranges(drift: Drift, rows: Mapping[str, Rows]) -> pd.DataFrame:
    """Return for every two heads the longest stretch of common powers at any of which they match each other."""
    match = matches(drift, rows)
    stops, power = drift.cells.table["stops"].to_numpy(), drift.cells.names
    names = drift.cells.heads["label"].to_numpy(object)[drift.cells.head]
    found = []
    series = drift.cells.series
    for a, b in dict.fromkeys(zip(series[drift.pair_first], series[drift.pair_second], strict=True)):
        of_a, of_b = np.flatnonzero(series == a), np.flatnonzero(series == b)
        first, second = np.nonzero(np.abs(stops[of_a][:, None] - stops[of_b]) < 0.011)
        fits = match[np.ix_(of_a[first], of_b[second])]
        run = longest_run(fits & fits.T)
        safe = "" if run is None else say.stretch(list(power[of_a[first]][run[0] : run[1] + 1]))
        found.append({"head_a": names[of_a[0]], "head_b": names[of_b[0]], "safe_powers": safe})
    return pd.DataFrame(found, columns=["head_a", "head_b", "safe_powers"])


def _worst_pair(drift: Drift, pairs: pd.DataFrame, rows: Mapping[str, Rows]) -> dict[str, Any] | None:
    """Return the pair with the largest difference over its limit."""
    if not len(pairs):
        return None
    own = own_rows(drift, rows)
    ratios = {name: one.size[own:] / one.limit for name, one in rows.items() if name in COLUMN}
    if not ratios:
        ratios = {"distance": pairs["delta_steps"].to_numpy(np.float64)}
    table = np.nan_to_num(np.array(list(ratios.values())), nan=-1.0)
    quantity, at = np.unravel_index(int(np.argmax(table)), table.shape)
    if table[quantity, at] < 0:
        return None
    row: dict[str, Any] = records(pairs.iloc[[int(at)]])[0]
    return row | {
        "light_a": str(drift.cells.names[drift.pair_first[at]]),
        "light_b": str(drift.cells.names[drift.pair_second[at]]),
        "quantity": list(ratios)[int(quantity)],
        "ratio": float(table[quantity, at]) if list(ratios) != ["distance"] else None,
        "by_chance_mired": by_chance_mired(drift),
    }


def parse_claim(claim: str) -> tuple[float, str]:
    """Read a maker's plus-or-minus figure: its size, and ``k`` or ``mired``; a `GreystepError` where it is none."""
    match = _CLAIM.fullmatch(claim.strip())
    if not match or float(match[1].replace(",", ".")) <= 0:
        raise GreystepError(f'claim "{claim}": not understood; write the plus or minus as 150K or 5 mired')
    return float(match[1].replace(",", ".")), "k" if match[2].lower().startswith("k") else "mired"


def _test_claim(heads: pd.DataFrame, drift: Drift, claim: str) -> pd.DataFrame:
    """Add a maker's claim: at one power, across the range, and the worst of both."""
    limit, column = parse_claim(claim)
    dof = drift.fitted["mired"].dof
    scatter = heads[f"repeatability_{column}"].to_numpy(np.float64)
    known = np.maximum(dof, 1.0)
    low, high = scatter * np.sqrt(known / chdtri(known, 0.025)), scatter * np.sqrt(known / chdtri(known, 0.975))
    factor = student_factor(float("inf"))
    half = heads[f"span_{column}"].to_numpy(np.float64) / 2.0
    observer = 2.0 * OBSERVER_SAME_HEAD * half
    u_half = np.hypot(heads[f"u_span_{column}"].to_numpy(np.float64) / 2.0, observer)
    table = heads.copy()
    table["claim"] = claim.strip()
    table["claim_one_power"] = verdicts(factor * high <= limit, factor * low > limit)
    several = np.bincount(drift.cells.head[drift.cells.table["n"] > 0], minlength=len(heads)) > 1
    table["claim_over_range"] = np.where(several, verdicts(half + u_half <= limit, half - u_half > limit), "")
    table[f"shots_within_{column}"] = factor * scatter
    table[f"range_within_{column}"], table[f"u_range_within_{column}"] = half, u_half
    pairs = zip(table["claim_one_power"], table["claim_over_range"], strict=True)
    table["claim_verdict"] = [worst_of([one for one in both if one]) for both in pairs]
    return table
