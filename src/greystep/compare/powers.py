"""What a test says of each head at each power: light, scatter, and how far it is from what it is held against."""

from collections.abc import Mapping
from typing import Any, Final

import numpy as np
import pandas as pd

from greystep.arrays import Floats, Indices
from greystep.compare.cells import Cells, Frames
from greystep.compare.differences import components, difference
from greystep.compare.fit import Estimates, half_width, own_variances
from greystep.compare.joint_fit import Fitted
from greystep.constants import STEP_UPRIME_VPRIME
from greystep.terms import COLUMN

_REFERENCE: Final = {"mired": "mired", "k": "cct_k", "duv": "duv"}


def power_table(
    cells: Cells,
    frames: Frames,
    fitted: Mapping[str, Fitted],
    own: Indices,
    of_body: Mapping[str, Mapping[str, Any]],
) -> pd.DataFrame:
    """Return the table of heads at powers, see `greystep.columns.PowerRow`.

    Args:
        own: (c,) array. Of each cell: the cell of its head that its drift is measured from; -1 without one.
        of_body: Of each body: the light that all of its cells are compared with.
    """
    count, stops = len(cells.table), cells.table["stops"].to_numpy()
    columns: dict[str, Any] = {name: cells.table[name] for name in ("head", "power", "stops", "n")}
    estimates = {"cct_k": components(fitted, "kelvin")[0]} | {name: one.cells for name, one in fitted.items()}
    output = estimates.pop("output_stops")
    for name, estimate in estimates.items():
        columns[name] = estimate.values
    for name in estimates:
        steady = 1e6 / fitted["mired"].steady if name == "cct_k" else fitted[name].steady
        columns[f"s_{name}"] = _sd(frames.cell, steady, count)
    for name, estimate in estimates.items():
        columns[f"u_{name}"] = _own_width(estimate)
    at, base = np.arange(count), np.where(own >= 0, own, np.arange(count))
    delta = {name: difference(components(fitted, quantity), base, at) for quantity, name in COLUMN.items()}
    columns |= {f"delta_{name}": value for name, (value, _) in delta.items()}
    error, u_error = difference((output,), base, at)
    columns |= {"output_stops": output.values, "output_error_stops": error + stops - stops[base]}
    light = {
        name: np.array([of_body.get(body, {}).get(name, np.nan) for body in cells.table["body"]], dtype=np.float64)
        for name in ("mired", "cct_k", "duv", "u_prime", "v_prime")
    }
    columns |= {f"ref_delta_{told}": columns[name] - light[name] for told, name in _REFERENCE.items()}
    distance = np.hypot(columns["u_prime"] - light["u_prime"], columns["v_prime"] - light["v_prime"])
    columns["ref_delta_steps"] = distance / STEP_UPRIME_VPRIME
    columns |= {"s_output_stops": _sd(frames.cell, fitted["output_stops"].steady, count)}
    columns |= {"u_output_stops": _own_width(output), "u_output_error_stops": u_error}
    columns |= {f"u_delta_{name}": u for name, (_, u) in delta.items()}
    columns["n_outlier"] = cells.table["n_outlier"]
    columns["up_less_down_mired"] = legs(cells, frames, fitted["mired"].residuals)
    columns |= {str(name): cells.table[name] for name in cells.table if name not in columns}
    return pd.DataFrame(columns)


def _own_width(estimate: Estimates) -> Floats:
    half = half_width(own_variances(estimate), estimate.dof)
    return np.where(np.isnan(estimate.values), np.nan, half)


def _sd(cell: Indices, values: Floats, count: int) -> Floats:
    """Return the sample standard deviation (n - 1) of each cell; NaN at n < 2."""
    known = np.isfinite(values)
    cell, values = cell[known], values[known]
    n = np.bincount(cell, minlength=count).astype(np.float64)
    mean = np.bincount(cell, values, minlength=count) / np.maximum(n, 1)
    squares = np.bincount(cell, (values - mean[cell]) ** 2, minlength=count)
    return np.where(n > 1, np.sqrt(squares / np.maximum(n - 1, 1)), np.nan)


def legs(cells: Cells, frames: Frames, residuals: Floats) -> Floats:
    """Return for each cell what is left on the way up in power less that on the way down; NaN without both."""
    sums, counts = np.zeros((2, len(cells.table))), np.zeros((2, len(cells.table)))
    for head in range(len(cells.heads)):
        at = np.flatnonzero(frames.head == head)
        moves = np.sign(-np.round(np.diff(frames.stops[at], prepend=frames.stops[at][:1]), 2))
        leg = pd.Series(moves).replace(0.0, np.nan).ffill().to_numpy()
        for side, sign in enumerate((1.0, -1.0)):
            chosen = at[leg == sign]
            sums[side] += np.bincount(frames.cell[chosen], residuals[chosen], minlength=len(cells.table))
            counts[side] += np.bincount(frames.cell[chosen], minlength=len(cells.table))
    both = np.all(counts > 0, axis=0)
    means = sums / np.maximum(counts, 1)
    return np.where(both, means[0] - means[1], np.nan)
