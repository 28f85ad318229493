"""The numbers that the figures draw, a table a figure: what is plotted can be read, compared and tested."""

from dataclasses import fields
from typing import Final

import numpy as np
import pandas as pd

from greystep.compare.calipers import Calipers, Gap
from greystep.compare.cells import settings
from greystep.constants import STEP_UPRIME_VPRIME
from greystep.flags import Flag, Status
from greystep.pages.formats import known
from greystep.sentences.figures import GapRow
from greystep.sentences.summary import ReferenceLight
from greystep.terms import PARTS, TESTED, Verdict

#: A bar that nothing can be read from reaches so many times the limit.
PAST_THE_LIMIT: Final = 1.2


def figure_tables(
    powers: pd.DataFrame, readings: pd.DataFrame, reference: ReferenceLight, calipers: Calipers
) -> dict[str, pd.DataFrame]:
    """Return the numbers of every figure of the report, by name; empty where the reference could not be measured."""
    if not (powers["mired"].notna().any() and known(reference.mired)):
        return {}
    return {
        "colour": colour_table(powers, calipers),
        "calipers": calipers_table(calipers),
        "matrix": matrix_table(calipers),
        "chromaticity": chromaticity_table(powers, reference),
        "output": output_table(powers),
        "order": order_table(readings),
    }


def with_series(powers: pd.DataFrame) -> pd.DataFrame:
    """Return the cells with a column ``series``: the head, and what separates cells that share head and power."""
    table = powers.copy()
    table["series"] = table["head"].astype(str)
    for part in ("body", *PARTS):
        if part in table and table[part].nunique() > 1 and table.duplicated(["series", "power"]).any():
            table["series"] = table["series"] + ", " + table[part].astype(str)
    return table


def colour_table(powers: pd.DataFrame, calipers: Calipers) -> pd.DataFrame:
    """Return each cell's mired, kelvin, Duv and output error with their uncertainties, for the panels of the heads.

    ``label`` and ``light`` are what head and light are called in `calipers_table`.
    """
    columns = ["series", "head", "power", "stops", "n", "mired", "u_mired", "cct_k", "u_cct_k", "duv", "u_duv"]
    named = [calipers.light(cell) for cell in range(len(powers))]
    table = with_series(powers)[[*columns, "output_error_stops", "u_output_error_stops"]]
    return table.assign(label=[label for label, _ in named], light=[light for _, light in named])


def calipers_table(calipers: Calipers) -> pd.DataFrame:
    """Return each light of a head against the light that decides of it, a quantity after the other.

    ``u`` is the half-width that the verdict counts and ``low`` to ``high`` the bar that is drawn; ``decides`` marks the
    difference by which the head is called.
    """
    rows = [
        _named(calipers, gap) | {"decides": gap == told.decides}
        for stand in calipers.heads
        for told in stand.by.values()
        for gap in told.gaps
    ]
    return pd.DataFrame(rows, columns=[*GAP_COLUMNS, "decides"])


def matrix_table(calipers: Calipers) -> pd.DataFrame:
    """Return of every two heads, and of each head alone, the worst difference by a limit of colour; see above."""
    return pd.DataFrame([_named(calipers, gap) for gap in calipers.pairs.values()], columns=GAP_COLUMNS)


#: Columns of a table of differences.
GAP_COLUMNS: Final = [field.name for field in fields(GapRow)][:-1]


def gap_rows(table: pd.DataFrame) -> list[GapRow]:
    """Return the rows of a table of differences, typed."""
    return [GapRow(*row) for row in table.itertuples(index=False, name=None)]


def _named(calipers: Calipers, gap: Gap) -> dict[str, object]:
    limit = float("nan") if gap.limit is None else gap.limit
    numbers = (gap.size, gap.u, limit, str(gap.verdict or ""), gap.withheld, *bar(gap))
    names = (*calipers.light(gap.light), *calipers.light(gap.against), str(gap.quantity))
    return dict(zip(GAP_COLUMNS, (*names, *numbers), strict=True))


def bar(gap: Gap) -> tuple[float, float]:
    """Return from where to where a difference is drawn: its half-width to both sides, as its verdict counts it.

    What is withheld is called neither, whatever its numbers say: its bar reaches from nothing over the limit.
    """
    u = gap.u if known(gap.u) else 0.0
    low, high = gap.size - u, gap.size + u
    if gap.withheld and gap.limit is not None:
        past = PAST_THE_LIMIT * gap.limit
        return (min(low, 0.0), max(high, past)) if gap.size >= 0 else (min(low, -past), max(high, 0.0))
    if gap.verdict == Verdict.UNDECIDED and not known(gap.u) and gap.limit is not None:
        return -PAST_THE_LIMIT * gap.limit, PAST_THE_LIMIT * gap.limit  # shot once: its scatter is not known
    return low, high


def chromaticity_table(powers: pd.DataFrame, reference: ReferenceLight) -> pd.DataFrame:
    """Return each cell about the reference in CIE 1976 u'v': du_prime, dv_prime, their uncertainties and steps.

    Only the cells of the reference's own camera body: white points of two bodies cannot be compared.
    """
    table = with_series(powers)
    if "body" in table:
        table = table[table["body"] == table["body"].iloc[0]].copy()
    for axis, white in (("u_prime", reference.u_prime), ("v_prime", reference.v_prime)):
        table[f"d{axis}"] = table[axis] - white
    table["steps"] = np.hypot(table["du_prime"], table["dv_prime"]) / STEP_UPRIME_VPRIME
    return table[["series", "head", "power", "stops", "du_prime", "dv_prime", "u_u_prime", "u_v_prime", "steps"]]


def output_table(powers: pd.DataFrame) -> pd.DataFrame:
    """Return each cell's output error [stops] with its uncertainty, positive = brighter than set."""
    return with_series(powers)[["series", "head", "power", "stops", "output_error_stops", "u_output_error_stops"]]


def order_table(readings: pd.DataFrame) -> pd.DataFrame:
    """Return every measured flash frame with its place in shooting order and its mired minus its cell's mean."""
    lit = readings["kind"].isin(TESTED) & (readings["status"] != Status.REJECTED) & readings["mired"].notna()
    flash = readings[lit]
    table = flash[["shot", "frame", "body", "head", "power", "stops", "mired"]].copy()
    parts = [flash[part].fillna("") for part in ("body", *PARTS) if part in flash]
    cell = [table["head"], settings(table["stops"].to_numpy(np.float64)), *parts]
    used = table["mired"].where(~flash["flags"].str.contains(Flag.OUTLIER, regex=False))
    table["residual_mired"] = table["mired"] - used.groupby(cell).transform("mean")
    return table
