"""The numbers that the figures draw, a table a figure: what is plotted can be read, compared and tested."""

import numpy as np
import pandas as pd

from greystep.compare.cells import settings
from greystep.constants import STEP_UPRIME_VPRIME
from greystep.flags import Flag, Status
from greystep.pages.formats import known
from greystep.sentences.summary import ReferenceLight
from greystep.terms import PARTS, TESTED


def figure_tables(powers: pd.DataFrame, readings: pd.DataFrame, reference: ReferenceLight) -> dict[str, pd.DataFrame]:
    """Return the numbers of every figure of the report, by name; empty where the reference could not be measured."""
    if not (powers["mired"].notna().any() and known(reference.mired)):
        return {}
    return {
        "colour": colour_table(powers),
        "map": map_table(powers),
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


def colour_table(powers: pd.DataFrame) -> pd.DataFrame:
    """Return each cell's mired, kelvin and Duv with their uncertainties (figures of warmth and of green and pink)."""
    columns = ["series", "head", "power", "stops", "n", "mired", "u_mired", "cct_k", "u_cct_k", "duv", "u_duv"]
    return with_series(powers)[columns]


def map_table(powers: pd.DataFrame) -> pd.DataFrame:
    """Return each cell minus the reference light of its camera body: delta_mired, delta_k, delta_duv."""
    columns = {f"ref_delta_{name}": f"delta_{name}" for name in ("mired", "k", "duv")}
    return with_series(powers)[["series", "head", "power", "stops", *columns]].rename(columns=columns)


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
