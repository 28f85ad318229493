"""Verdicts on heads, pairs and the kit, and all that a report says of a session."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from scipy.special import chdtri

from greystep import words as say
from greystep.arrays import Booleans, Indices
from greystep.columns import PairRow, rows_of
from greystep.compare import limits
from greystep.compare.actions import Action, find_actions, find_open_pairs
from greystep.compare.calipers import Calipers, find_calipers
from greystep.compare.called import Called, call_heads, call_kit, find_warm_up, groups_apart
from greystep.compare.cells import same_powers
from greystep.compare.check_frames import CheckFrames, Moved, find_check_frames, find_moves
from greystep.compare.drift import Drift
from greystep.compare.findings import Finding, find
from greystep.compare.head_or_pack import Attribution, OnePack, attribute, heads_on_one_pack
from greystep.compare.iso_steps import IsoStep, find_iso_steps
from greystep.compare.levels import look_alpha
from greystep.compare.odd_heads import OddHeads, find_odd_heads
from greystep.constants import OBSERVER_SAME_HEAD
from greystep.errors import GreystepError
from greystep.measure.uncertainty import student_factor
from greystep.session.settings import Tolerance
from greystep.terms import COLUMN, Quantity, Verdict, Withheld

_CLAIM: Final = re.compile(r"(?:\+/?-|\u00b1)?\s*(\d+(?:[.,]\d+)?)\s*(k|kelvin|mired)", re.IGNORECASE)


@dataclass(frozen=True)
class WorstPair:
    """The two lights of different heads with the largest difference over its limit.

    Attributes:
        light_a, light_b: What the lights are called beside their heads: the power, and the pack of a head that was on
            several.
        quantity: By which it is the worst; None where no colour limit is given, so that the distance in u'v' counts.
        ratio: Difference over limit; NaN without a limit.
        by_chance_mired: What the worst pair would read if all heads were alike [mired]; NaN where nothing is known of
            chance.
    """

    row: int
    pair: PairRow
    light_a: str
    light_b: str
    quantity: Quantity | None
    ratio: float
    by_chance_mired: float


@dataclass(frozen=True)
class Judged:
    """The verdicts of a session.

    Attributes:
        heads, pairs: The contract's tables with verdict (and, for heads, safe_powers, the claim's verdicts and the two
            parts of the verdict), without ``why``.
        ranges: head_a, head_b, safe_powers: over which powers two heads may stand in one picture.
        called: The verdict on the kit, of colour and of output, and why neither.
        apart: The heads that each camera saw, where some heads were compared with none of the others.
        odd: Heads to return, heads and packs not to combine; its numbers are places in `findings`.
        rows: Every difference that was judged, by quantity.
        calipers: The differences that decide, as figures draw them.
    """

    heads: pd.DataFrame
    pairs: pd.DataFrame
    ranges: pd.DataFrame
    worst_pair: WorstPair | None
    called: Called
    apart: tuple[tuple[str, ...], ...]
    findings: tuple[Finding, ...]
    odd: OddHeads
    actions: tuple[Action, ...]
    rows: Mapping[Quantity, limits.Rows]
    calipers: Calipers

    @property
    def kit_verdict(self) -> Verdict:
        """The verdict on the kit, the worse of colour and output."""
        return self.called.verdict

    @property
    def open_heads(self) -> Indices:
        """The heads whose own verdict more rounds may decide."""
        rounds = np.array([0.0 if one.back or one.spoilt else one.rounds for one in self.findings])
        return np.flatnonzero(rounds > 0)

    @property
    def closed_heads(self) -> Indices:
        """The heads of which no more rounds are asked: they go back, or their heat hides in their powers."""
        return np.flatnonzero([one.back or Withheld.HEAT in one.called.withheld for one in self.findings])

    @property
    def back(self) -> tuple[str, ...]:
        """The heads that should go back."""
        return tuple(self.findings[head].head for head in self.odd.back)

    @property
    def clash(self) -> tuple[str, ...]:
        """Heads that do not match, where nothing shows which is the odd one."""
        return tuple(self.findings[head].head for head in self.odd.clash)


@dataclass(frozen=True)
class ReportFacts:
    """All that is found in a session, as codes and numbers.

    Attributes:
        attribution: Head or pack; None where no head was moved.
        check_frames: None without two visits.
    """

    judged: Judged
    attribution: Attribution | None
    one_pack: tuple[OnePack, ...]
    check_frames: CheckFrames | None
    moves: tuple[Moved, ...]
    iso_steps: tuple[IsoStep, ...]


def report_facts(readings: pd.DataFrame, drift: Drift, tolerance: Tolerance, claim: str | None = None) -> ReportFacts:
    """Judge a session, and find what else its report says; arguments as those of `judge`, and the readings."""
    judged, check_frames = judge(drift, tolerance, claim), find_check_frames(drift)
    return ReportFacts(
        judged=judged,
        attribution=attribute(drift),
        one_pack=tuple(heads_on_one_pack(drift, judged.back)),
        check_frames=check_frames,
        moves=tuple(find_moves(check_frames, tolerance)),
        iso_steps=tuple(find_iso_steps(drift, readings)),
    )


def judge(drift: Drift, tolerance: Tolerance, claim: str | None = None) -> Judged:
    """Judge a session by its tolerance.

    Args:
        claim: A maker's claim such as ``150K`` or ``5 mired`` (plus or minus): tested at one power (95 of 100 shots
            stay within it) and across the range of powers (half the span), each by itself, with the observer term of
            another camera.

    Raises:
        GreystepError: If the claim cannot be read.
    """
    rows = limits.judge_rows(drift, tolerance)
    pairs, outside = _judge_pairs(drift, rows)
    warm_ups = [find_warm_up(drift, limits.colour_limits(tolerance), head) for head in range(len(drift.heads))]
    called, apart = call_heads(drift, rows, warm_ups), groups_apart(drift)
    odd = find_odd_heads(drift, rows, outside, called)
    open_pairs = find_open_pairs(drift, rows, pairs, called, odd)
    findings = find(drift, rows, called, warm_ups, odd, outside, open_pairs)
    return Judged(
        heads=_heads_table(drift, called, findings, claim),
        pairs=pairs,
        ranges=_ranges(drift, rows),
        worst_pair=_worst_pair(drift, pairs, rows),
        called=call_kit(drift, rows, called, pairs["verdict"].unique(), apart),
        apart=apart,
        findings=tuple(findings),
        odd=odd,
        actions=tuple(find_actions(drift, rows, open_pairs, findings, odd, apart)),
        rows=rows,
        calipers=find_calipers(drift, rows, findings, odd),
    )


def _heads_table(
    drift: Drift, called: Sequence[Called], findings: Sequence[Finding], claim: str | None
) -> pd.DataFrame:
    """Return heads.csv without ``why``."""
    heads = insert_after(drift.heads, "u_warmup_mired", "verdict", [str(one.verdict) for one in called])
    heads["safe_powers"] = [say.stretch(finding.safe) if finding.safe else "" for finding in findings]
    if claim is not None:
        heads = _test_claim(heads, drift, claim)
    heads["verdict_colour"] = [str(one.colour or "") for one in called]
    heads["verdict_output"] = [str(one.output or "") for one in called]
    heads["withheld"] = [";".join(one.withheld) for one in called]
    return heads


def insert_after(table: pd.DataFrame, column: str, name: str, values: Sequence[str]) -> pd.DataFrame:
    """Return a table with one more column, behind another."""
    columns = list(table.columns)
    columns.insert(columns.index(column) + 1, name)
    return table.assign(**{name: np.asarray(values, dtype=object)})[columns]


def _judge_pairs(drift: Drift, rows: Mapping[Quantity, limits.Rows]) -> tuple[pd.DataFrame, Booleans]:
    within, outside = limits.colour_rows(rows, slice(limits.own_rows(drift, rows), None))
    if not len(within):
        within, outside = np.zeros(len(drift.pairs), dtype=bool), np.zeros(len(drift.pairs), dtype=bool)
    return insert_after(drift.pairs, "delta_steps", "verdict", list(limits.verdicts(within, outside))), outside


def _ranges(drift: Drift, rows: Mapping[Quantity, limits.Rows]) -> pd.DataFrame:
    """Return for every two heads the longest stretch of common powers at any of which they match each other."""
    match = limits.matches(drift, rows)
    stops, power = drift.cells.table["stops"].to_numpy(), drift.cells.names
    names = drift.cells.heads["label"].to_numpy(object)[drift.cells.head]
    found = []
    series = drift.cells.series
    for a, b in dict.fromkeys(zip(series[drift.pair_first], series[drift.pair_second], strict=True)):
        of_a, of_b = np.flatnonzero(series == a), np.flatnonzero(series == b)
        first, second = np.nonzero(same_powers(stops[of_a][:, None], stops[of_b]))
        fits = match[np.ix_(of_a[first], of_b[second])]
        run = limits.longest_run(fits & fits.T)
        safe = "" if run is None else say.stretch(list(power[of_a[first]][run[0] : run[1] + 1]))
        found.append({"head_a": names[of_a[0]], "head_b": names[of_b[0]], "safe_powers": safe})
    return pd.DataFrame(found, columns=["head_a", "head_b", "safe_powers"])


def _worst_pair(drift: Drift, pairs: pd.DataFrame, rows: Mapping[Quantity, limits.Rows]) -> WorstPair | None:
    """Return the pair with the largest difference over its limit."""
    if not len(pairs):
        return None
    own = limits.own_rows(drift, rows)
    colour = [one for name, one in rows.items() if name in COLUMN]
    ratios = [one.size[own:] / one.limit for one in colour] or [pairs["delta_steps"].to_numpy(np.float64)]
    table = np.nan_to_num(np.array(ratios), nan=-1.0)
    which, at = (int(place) for place in np.unravel_index(int(np.argmax(table)), table.shape))
    if table[which, at] < 0:
        return None
    return WorstPair(
        row=at,
        pair=rows_of(pairs.iloc[[at]], PairRow)[0],
        light_a=str(drift.cells.names[drift.pair_first[at]]),
        light_b=str(drift.cells.names[drift.pair_second[at]]),
        quantity=colour[which].quantity if colour else None,
        ratio=float(table[which, at]) if colour else float("nan"),
        by_chance_mired=limits.by_chance_mired(drift),
    )


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
    known, alpha = np.maximum(dof, 1.0), look_alpha(drift.looks)
    low, high = (scatter * np.sqrt(known / chdtri(known, chance)) for chance in (alpha / 2.0, 1.0 - alpha / 2.0))
    factor = student_factor(float("inf"))
    half = heads[f"span_{column}"].to_numpy(np.float64) / 2.0
    observer = 2.0 * OBSERVER_SAME_HEAD * half
    u_half = np.hypot(heads[f"u_span_{column}"].to_numpy(np.float64) / 2.0, observer)
    table = heads.copy()
    table["claim"] = claim.strip()
    table["claim_one_power"] = limits.verdicts(factor * high <= limit, factor * low > limit)
    sure = u_half * limits.span_factor(drift)
    several = np.bincount(drift.cells.head[drift.cells.table["n"] > 0], minlength=len(heads)) > 1
    table["claim_over_range"] = np.where(several, limits.verdicts(half + sure <= limit, half - sure > limit), "")
    table[f"shots_within_{column}"] = factor * scatter
    table[f"range_within_{column}"], table[f"u_range_within_{column}"] = half, u_half
    pairs = zip(table["claim_one_power"], table["claim_over_range"], strict=True)
    table["claim_verdict"] = [limits.worst_of([one for one in both if one]) for both in pairs]
    return table
