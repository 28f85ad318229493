"""How frames scatter about a fit: more or less by head and power, and with a memory from one frame to the next."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
from scipy.special import digamma, polygamma

from greystep.arrays import Floats, Indices
from greystep.compare.fit import shrunk

#: Correlations of neighbours that are tried; above the last one a head does not scatter, it drifts.
_SERIAL: Final = np.linspace(0.0, 0.95, 20)
#: A memory is taken for longer than it shows by so many standard deviations of its own (a choice): held too short it
#: makes intervals too narrow, held too long it costs a little of them.
_SAFE: Final = 0.8
#: A sum of squares under this share of the largest of its head is rounding: the frames of the cell read the same.
_ROUNDING: Final = 1e-12


@dataclass(frozen=True)
class Pattern:
    """What the scatter of all heads has in common.

    Attributes:
        growth: Of ln(variance), per stop below full.
        serial: Correlation of a frame with the next one of its head, fading as its powers: AR(1).
    """

    growth: float = 0.0
    serial: float = 0.0

    def covariance(self, stops: Floats, place: Floats) -> Floats:
        """Return the (n, n) covariance of the frames of one head, for a mean variance of 1.

        Args:
            stops: (n,) array. Below full.
            place: (n,) array. Number of each frame among the flashes of its head.
        """
        size = self.sizes(stops)
        return np.asarray(size[:, None] * size * _memory(place, self.serial))

    def sizes(self, stops: Floats) -> Floats:
        """Return the standard deviation of each frame of one head (n,), 1 in the root mean square."""
        size = np.exp(0.5 * self.growth * (stops - stops.mean())) if len(stops) else stops
        return size / np.sqrt(np.mean(size**2)) if len(size) else size


@dataclass(frozen=True)
class Run:
    """What a fit leaves of one head: residuals (n,), stops (n,), place (n,), cell (n,), and the (n, p) design."""

    residuals: Floats
    stops: Floats
    place: Floats
    cell: Indices
    design: Floats

    @cached_property
    def leaves(self) -> Floats:
        """The (n, n) matrix that makes the residuals of the values."""
        q, _ = np.linalg.qr(self.design)
        return np.asarray(np.eye(len(self.residuals)) - q @ q.T)


def find_pattern(runs: Sequence[Run]) -> Pattern:
    """Find how the scatter grows with the power, and how far it remembers.

    Returns: Both are pooled over the heads, each by its own scale. Growth: the slope of ln(variance of a cell), known
        to ``trigamma(dof / 2)`` (Bartlett & Kendall 1946, from memory), shrunk by its own noise as James and Stein have
        it. Memory: the correlation at which the residuals of a least-squares fit would show the lag-1 sum that they
        show, and a little more (`_SAFE`); none where it is negative.
    """
    runs = [run for run in runs if len(run.residuals) > run.design.shape[1]]
    return Pattern(_growth(runs), _serial(runs))


def expected(run: Run, pattern: Pattern) -> tuple[float, float]:
    """Return what the residual sum of squares is for a variance of 1, and its degrees of freedom.

    ``tr(M V)`` and ``tr(M V)^2 / tr(M V M V)`` (Satterthwaite 1946, from memory); M makes the residuals, V is the
    pattern.
    """
    if pattern.serial > 0:
        seen = run.leaves @ pattern.covariance(run.stops, run.place)
    else:  # nothing off the diagonal: no product of large matrices
        seen = run.leaves * pattern.sizes(run.stops) ** 2
    trace = float(np.trace(seen))
    return (trace, trace**2 / float(np.sum(seen * seen.T))) if trace > 1e-9 else (0.0, 0.0)


def moderated(variance: Floats, dof: Floats) -> tuple[Floats, Floats]:
    """Return the variance of each head, drawn towards what all heads have in common, and its degrees of freedom.

    Args:
        variance, dof: (h,) arrays. Of each head by itself; no degrees of freedom where nothing is repeated.

    Returns: Empirical Bayes: Smyth (2004), Statistical Applications in Genetics and Molecular Biology 3(1), 3, from
        memory. How alike the heads are decides how far they are drawn together; never more degrees of freedom than all
        heads have. A head without repeats takes the common variance. NaN where no head has any.
    """
    known = (dof > 0) & (variance > 0)
    if not known.any():
        return np.where(dof > 0, variance, np.nan), dof
    d, total = dof[known], float(dof[dof > 0].sum())
    logs = np.log(variance[known]) - digamma(d / 2) + np.log(d / 2)
    spread = float(np.var(logs, ddof=1) - np.mean(polygamma(1, d / 2))) if len(d) > 1 else 0.0
    prior = total if polygamma(1, total / 2) >= spread else 2.0 * _inverse_trigamma(spread)
    if prior < total:
        common = float(np.exp(np.mean(logs) + digamma(prior / 2) - np.log(prior / 2)))
    else:
        common = float(np.sum(d * variance[known]) / d.sum())
    drawn = (prior * common + dof * np.nan_to_num(variance)) / (prior + dof)
    return drawn, np.minimum(prior + dof, total)


def _memory(place: Floats, serial: float) -> Floats:
    return np.asarray(serial ** np.abs(place[:, None] - place))


def _growth(runs: Sequence[Run]) -> float:
    """Return the slope of ln(variance) on stops, over the cells of all heads."""
    above = below = 0.0
    for run in runs:
        free = np.diagonal(run.leaves)
        dof = np.bincount(run.cell, free)
        sums = np.bincount(run.cell, run.residuals**2)
        known = (dof > 0.5) & (sums > _ROUNDING * sums.max())
        if known.sum() < 2:
            continue
        half = dof[known] / 2
        logs = np.log(sums[known] / dof[known]) - digamma(half) + np.log(half)
        weight = 1.0 / polygamma(1, half)
        stops = (np.bincount(run.cell, run.stops) / np.maximum(np.bincount(run.cell), 1))[known]
        away = stops - np.average(stops, weights=weight)
        above += float(np.sum(weight * away * logs))
        below += float(np.sum(weight * away**2))
    return shrunk(above / below, 1.0 / below) if below > 0 else 0.0


def _serial(runs: Sequence[Run]) -> float:
    """Return the correlation of neighbours that explains the lag-1 sum of the residuals."""
    shown, size, would = 0.0, 0.0, np.zeros(len(_SERIAL))
    for run in runs:
        power = float(np.sum(run.residuals**2))
        if len(run.residuals) < 3 or power <= 0:
            continue
        leaves = run.leaves
        scale = float(np.trace(leaves)) / power
        shown += scale * float(run.residuals[1:] @ run.residuals[:-1])
        apart = np.abs(run.place[:, None] - run.place).astype(np.intp).ravel()
        total, neighbours = (np.bincount(apart, one.ravel()) for one in (leaves, leaves[:, 1:] @ leaves[:-1]))
        fading = _SERIAL[:, None] ** np.arange(len(total))
        size += float(np.trace(leaves))
        would += float(np.trace(leaves)) * (fading @ neighbours) / (fading @ total)
    over = shown + _SAFE * np.sqrt(size) - would
    if over[0] <= 0:
        return 0.0
    first = np.flatnonzero(over <= 0)
    if not len(first):
        return float(_SERIAL[-1])
    at = int(first[0])
    return float(_SERIAL[at - 1] + (_SERIAL[at] - _SERIAL[at - 1]) * over[at - 1] / (over[at - 1] - over[at]))


def _inverse_trigamma(value: float) -> float:
    """Return x > 0 where trigamma(x) is the value, by Newton's steps on 1 / trigamma, which is nearly straight.

    Smyth 2004, Statistical Applications in Genetics and Molecular Biology 3(1), appendix (from memory); from the start
    0.5 + 1 / value no step overshoots. scipy.optimize, which could do it, takes as long to import as all else.
    """
    x = 0.5 + 1.0 / value
    for _ in range(50):
        tri = float(polygamma(1, x))
        step = tri * (1.0 - tri / value) / float(polygamma(2, x))
        x += step
        if abs(step) < 1e-12 * x:
            break
    return x
