"""Differences of estimates in every unit they are given in, and how sure they are: pairs, spans and slopes."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from greystep.arrays import Floats, Indices
from greystep.compare.cells import Cells
from greystep.compare.fit import Estimates, contrast, draw_distances, half_width, pair_variances
from greystep.compare.joint_fit import Fitted
from greystep.constants import STEP_UPRIME_VPRIME
from greystep.terms import COLUMN, Quantity

#: Chance is drawn this often for the uncertainty of a span.
DRAWS: Final = 2000


@dataclass(frozen=True)
class Difference:
    """A light minus another: kelvin [K], mired (positive is warmer), duv (positive is greener); 95 % half-widths."""

    kelvin: float
    mired: float
    duv: float
    u_mired: float = math.nan
    u_duv: float = math.nan

    @classmethod
    def of(cls, delta: Floats, doubt: Sequence[float] | Floats) -> "Difference":
        """Return a difference from (K, mired, Duv) and the half-widths of the last two."""
        return cls(*map(float, (*delta, *doubt)))


def components(fitted: Mapping[str, Fitted], quantity: str) -> tuple[Estimates, ...]:
    """Return the estimates behind a quantity: one, or for ``steps`` the two axes of u'v' in steps.

    ``kelvin`` is 1e6 / mired, its covariance by the derivative.
    """
    if quantity == Quantity.STEPS:
        axes = [_scaled(fitted[axis].cells, 1.0 / STEP_UPRIME_VPRIME) for axis in ("u_prime", "v_prime")]
        dof = np.min([axis.dof for axis in axes], axis=0)
        return tuple(replace(axis, dof=dof) for axis in axes)
    if quantity == Quantity.KELVIN:
        mired = fitted["mired"].cells
        kelvin = 1e6 / mired.values
        slope = np.nan_to_num(kelvin / mired.values)
        return (Estimates(kelvin, mired.parts * slope[:, None] * slope[None, :], mired.dof),)
    return (fitted[quantity].cells,)


def difference(parts: Sequence[Estimates], first: Indices, second: Indices) -> tuple[Floats, Floats]:
    """Return ``second - first`` (for two axes: their distance) and its 95 % half-width.

    The variance of a distance is taken as the sum over both axes, which is never less than along the difference.
    """
    steps = [part.values[second] - part.values[first] for part in parts]
    delta = steps[0] if len(parts) == 1 else np.hypot(*steps)
    variances = np.sum([pair_variances(part, first, second) for part in parts], axis=0)
    return delta, np.where(np.isnan(delta), np.nan, half_width(variances, parts[0].dof))


def doubt_of_means(fitted: Mapping[str, Fitted], against: Mapping[int, Indices | int]) -> tuple[float, float]:
    """Return the 95 % half-widths, in mired and Duv, of the mean of some cells, each less the mean of other cells."""
    weights = np.zeros(len(fitted["mired"].cells.values))
    for cell, others in against.items():
        weights[cell] += 1.0 / len(against)
        weights[others] -= 1.0 / max(np.size(others), 1) / len(against)
    mired, duv = (contrast(fitted[name].cells, weights)[1] for name in ("mired", "duv"))
    return mired, duv


def within_pairs(cells: Cells) -> tuple[Indices, Indices]:
    """Return every two cells of the same head."""
    first, second = np.triu_indices(len(cells.table), 1)
    same = cells.head[first] == cells.head[second]
    return first[same], second[same]


def spans(cells: Cells, fitted: Mapping[str, Fitted], rng: np.random.Generator) -> dict[str, Floats]:
    """Return each head's spans with half-widths that hold the true span 95 times in 100.

    A span is the largest of many differences d. It misses the true one by no more than the largest error among the
    differences that may be the largest: ``|span - true span| <= max |error of d|``. So the half-width is the 95 %
    quantile of that maximum, drawn from the joint covariance, over the differences that lie within reach (the 95 %
    quantile over all of them) of the span. Where all cells are alike that is the Studentised range; where two stand
    clear of the rest it is their own interval.
    """
    found: dict[str, Floats] = {}
    for quantity, name in COLUMN.items():
        parts = components(fitted, quantity)
        span, half = np.full(len(cells.heads), np.nan), np.full(len(cells.heads), np.nan)
        for head in range(len(cells.heads)):
            mine = np.flatnonzero((cells.head == head) & np.isfinite(parts[0].values))
            if len(mine) < 2:
                span[head] = half[head] = 0.0 if len(mine) == 1 else np.nan
                continue
            reach = np.any([part.parts[:, mine, mine].any(axis=1) for part in parts], axis=0)
            own = [
                Estimates(part.values[mine], part.parts[np.ix_(reach, mine, mine)], part.dof[reach]) for part in parts
            ]
            first, second = np.triu_indices(len(mine), 1)
            delta = np.abs(difference(own, first, second)[0])
            span[head] = delta.max()
            if not parts[0].dof[head] > 0:
                continue
            errors, _ = draw_distances(own, DRAWS, rng, studentised=True)
            apart = np.sqrt(sum((error[second] - error[first]) ** 2 for error in errors))
            reach = np.quantile(apart.max(axis=0), 0.95)
            leading = delta >= span[head] - reach
            half[head] = np.quantile(apart[leading].max(axis=0), 0.95)
        found[f"span_{name}"], found[f"u_span_{name}"] = span, half
    return found


def slope(mired: Estimates, cells: Indices, stops: Floats, n: Floats) -> tuple[float, float]:
    """Return the least-squares slope of mired against stops below full over the frames of a head, per stop."""
    if len(cells) < 2:
        return float("nan"), float("nan")
    away = stops[cells] - np.average(stops[cells], weights=n[cells])
    spread = float(np.sum(n[cells] * away**2))
    if spread == 0:
        return float("nan"), float("nan")
    weights = np.zeros(len(mired.values))
    weights[cells] = n[cells] * away / spread
    return contrast(Estimates(np.nan_to_num(mired.values), mired.parts, mired.dof), weights)


def _scaled(estimates: Estimates, by: float) -> Estimates:
    return Estimates(estimates.values * by, estimates.parts * by**2, estimates.dof)
