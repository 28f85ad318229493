"""What a test says of each head by itself: how far its light moves with power and heat, and how it scatters."""

from collections.abc import Mapping
from typing import Any, Final

import numpy as np
import pandas as pd

from greystep.arrays import Floats, Indices
from greystep.compare.cells import Cells, Frames
from greystep.compare.differences import components, difference, slope, spans
from greystep.compare.fit import half_width, pair_variances, pooled_sd
from greystep.compare.joint_fit import Fitted

#: With fewer degrees of freedom no scatter is told: its 95 % interval would reach over a factor of 30.
_SCATTER_DOF: Final = 2


def head_table(
    cells: Cells, frames: Frames, fitted: Mapping[str, Fitted], own: Indices, rng: np.random.Generator
) -> pd.DataFrame:
    """Return the table of heads, see `greystep.columns.HeadRow`.

    Args:
        own: (c,) array. Of each cell: the light of its head that its output is held against; -1 without one.
        rng: Draws the widest of many differences.
    """
    moves = spans(cells, fitted, rng)
    stops, mired = cells.table["stops"].to_numpy(), fitted["mired"]
    output, u_output = difference(components(fitted, "output_stops"), np.maximum(own, 0), np.arange(len(own)))
    error = output + stops - stops[np.maximum(own, 0)]
    rows = []
    for head in range(len(cells.heads)):
        mine = np.flatnonzero(cells.head == head)
        known = mine[np.isfinite(mired.cells.values[mine])]
        used = frames.head == head
        slope_mired, u_slope = slope(mired.cells, known, stops, cells.table["n"].to_numpy())
        kelvin = mired.residuals[used] * 1e6 / mired.cells.values[frames.cell[used]] ** 2
        dof = mired.dof[head]
        off = mine[np.isfinite(error[mine])]
        worst = int(off[np.argmax(np.abs(error[off]))]) if len(off) else -1
        row: dict[str, Any] = {"head": cells.heads["head"][head], "n": int(used.sum())}
        row |= {name: moves[name][head] for name in ("span_k", "span_mired", "u_span_mired", "span_duv", "span_steps")}
        row |= {"slope_mired_per_stop": slope_mired, "u_slope_mired_per_stop": u_slope}
        row["repeatability_mired"] = _scatter(mired.sums[head], dof)
        row["repeatability_k"] = _scatter(np.sum(kelvin**2), dof)
        row["repeatability_stops"] = _scatter(fitted["output_stops"].sums[head], fitted["output_stops"].dof[head])
        row["warmup_mired"], row["u_warmup_mired"] = _warmup(frames, fitted["mired"], head)
        row["warmup_kept"] = bool(frames.heat.kept[head])
        row |= {name: moves[name][head] for name in ("u_span_k", "u_span_duv", "u_span_steps")}
        row["repeatability_duv"] = _scatter(fitted["duv"].sums[head], fitted["duv"].dof[head])
        row["largest_output_error_stops"] = error[worst] if worst >= 0 else np.nan
        row["u_largest_output_error_stops"] = u_output[worst] if worst >= 0 else np.nan
        row["n_outlier"] = int(cells.table["n_outlier"].to_numpy()[mine].sum())
        row["lag1"] = _lag1(mired.residuals[used])
        row |= {name: cells.heads[name][head] for name in ("body", "label")}
        row["moved_mired"], row["u_moved_mired"] = _moved(cells, frames, mired, head)
        rows.append(row)
    return pd.DataFrame(rows)


def _scatter(sum_of_squares: float, dof: float) -> float:
    """Return the scatter of a head; NaN under two degrees of freedom, which say nothing of it."""
    return pooled_sd(sum_of_squares, dof) if dof >= _SCATTER_DOF else float("nan")


def _warmup(frames: Frames, mired: Fitted, head: int) -> tuple[float, float]:
    """Return the change from a head's first frame to its hottest; from its own frames where no term is kept."""
    heat, used = frames.heat, np.flatnonzero(frames.head == head)
    if not heat.separable[head] or not len(used):
        return float("nan"), float("nan")
    if heat.kept[head]:
        return float(mired.warmup[head]), float(half_width(mired.warmup_variances[head], mired.cells.dof))
    warmth, residuals, cell = frames.warmth[used], mired.residuals[used], frames.cell[used]
    mean = np.bincount(cell, warmth) / np.maximum(np.bincount(cell), 1)
    away, dof = warmth - mean[cell], mired.dof[head] - 1
    power, reach = float(np.sum(away**2)), float(warmth.max() - warmth[0])
    if power <= 0 or dof <= 0:
        return float("nan"), float("nan")
    amplitude = float(away @ residuals) / power
    variance = float(np.sum((residuals - amplitude * away) ** 2)) / dof / power
    return amplitude * reach, float(half_width(np.array([variance]), np.array([dof]))) * reach


def _moved(cells: Cells, frames: Frames, mired: Fitted, head: int) -> tuple[float, float]:
    """Return how far the light of a head moved over power and heat within its test, with its half-width.

    The frames farthest apart by the fit: two cells, and the warm-up between them where a term is kept.
    """
    used = np.flatnonzero((frames.head == head) & np.isfinite(mired.steady))
    if not len(used):
        return float("nan"), float("nan")
    cell, warmth = frames.cell[used], frames.warmth[used]
    read = mired.cells.values[cell] + mired.heat[used]
    low, high = int(np.argmin(read)), int(np.argmax(read))
    first, second = np.array([cell[low]]), np.array([cell[high]])
    variances = pair_variances(mired.cells, first, second)[0]
    if mired.amplitude[head] and (reach := float(warmth.max() - warmth[0])) > 0:
        share = float(warmth[high] - warmth[low]) / reach
        variances = variances + share**2 * np.nan_to_num(mired.warmup_variances[head])
    return float(read[high] - read[low]), float(half_width(variances, mired.cells.dof))


def _lag1(residuals: Floats) -> float:
    """Return the correlation of each residual with the next: near 0 where order leaves no trace."""
    power = float(np.sum(residuals**2))
    return float(residuals[1:] @ residuals[:-1]) / power if len(residuals) > 2 and power > 0 else float("nan")
