"""The one value of a reference: what the joint fit of a session says of the light that is meant."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from greystep.arrays import Booleans, Floats, Indices
from greystep.compare.cells import Cells, Frames, find_cells
from greystep.compare.fit import contrast
from greystep.compare.joint_fit import Fitted, fit_cells
from greystep.session.reference import TestedLight, WholeKit, choose_lights


@dataclass(frozen=True, eq=False)
class TestedLights:
    """The lights of a test: its cells, their joint fit, and how bright each cell is in raw counts.

    Attributes:
        green_log2: (c,) array. log2 of the green counts above black: mean of the cell's used frames, each brought to
            the fitted output.
    """

    cells: Cells
    fitted: Mapping[str, Fitted]
    green_log2: Floats


@dataclass(frozen=True, eq=False)
class ReferenceLight:
    """The light that a reference names, in one session and through one camera body.

    Attributes:
        head, power: As the log has them; no head where it is the whole kit.
        stops: Below full.
        of_heads: Tuple of int arrays. The cells of each head in it, rows of `Cells.table`.
        values: mired, duv, u_prime, v_prime, output_stops: mean over the heads; cct_k of that mired.
    """

    head: str | None
    power: str
    stops: float
    of_heads: tuple[Indices, ...]
    values: Mapping[str, float]
    u_mired: float


def find_lights(readings: pd.DataFrame) -> TestedLights | None:
    """Fit the lights of a session; None where its log has no flash frame."""
    cells, frames = find_cells(readings)
    return tested_lights(readings, cells, frames, fit_cells(cells, frames)) if len(cells.table) else None


def tested_lights(readings: pd.DataFrame, cells: Cells, frames: Frames, fitted: Mapping[str, Fitted]) -> TestedLights:
    """Return the lights of a session that has been fitted; `readings` are those of the fit."""
    counts, output = np.log2(readings["signal_g"].to_numpy(np.float64)[frames.rows]), fitted["output_stops"]
    level = counts - frames.values["output_stops"] + output.cells.values[frames.cell]
    known, count = np.isfinite(level), len(cells.table)
    number = np.bincount(frames.cell[known], minlength=count)
    sums = np.bincount(frames.cell[known], level[known], minlength=count)
    return TestedLights(cells, fitted, np.where(number > 0, sums / np.maximum(number, 1), np.nan))


def measured_cells(cells: Cells, fitted: Mapping[str, Fitted], body: str) -> Booleans:
    """Return which cells of a body have a colour."""
    return np.isfinite(fitted["mired"].cells.values) & (cells.table["body"] == body).to_numpy()


def reference_light(
    cells: Cells, fitted: Mapping[str, Fitted], body: str, wanted: TestedLight
) -> ReferenceLight | None:
    """Return the light that is meant, with the values of the joint fit.

    Args:
        cells, fitted: Of the session, see `fit_cells`: no check frame of a light that was shot otherwise too, no
            outlier and no rejected frame is in their values.
        wanted: Of a head that was moved from pack to pack: where the log has it first. Of the kit: the mean over the
            heads, each the mean of its own cells.

    Returns: None where it was not measured.
    """
    table, kit = cells.table, isinstance(wanted, WholeKit)
    found = choose_lights(wanted, table["head"].to_list(), table["stops"], measured_cells(cells, fitted, body))
    if not found:
        return None
    of_heads = found if kit else (found[0][:1],)
    weights = np.zeros(len(table))
    for group in of_heads:
        weights[group] = 1.0 / len(group) / len(of_heads)
    first = table.iloc[int(of_heads[0][0])]
    values = {name: float(weights[weights > 0] @ one.cells.values[weights > 0]) for name, one in fitted.items()}
    u_mired = contrast(fitted["mired"].cells, weights)[1]
    head = None if kit else str(first["head"])
    light = values | {"cct_k": 1e6 / values["mired"]}
    return ReferenceLight(head, str(first["power"]), float(first["stops"]), of_heads, light, u_mired)
