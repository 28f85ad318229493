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

    def covariance_of(self, stops: Floats, place: Floats, columns: Floats) -> Floats:
        """Return the covariance (n, n) of the frames of one head, for a mean variance of 1, times `columns`.

        Args:
            stops: (n,) array. Below full.
            place: (n,) array. Number of each frame among the flashes of its head, rising.
            columns: (n, k) array.

        Returns: (n, k) array.
        """
        size = self.sizes(stops)[:, None]
        return size * _faded(place, self.serial, size * columns)

    def whitened(self, stops: Floats, place: Floats, columns: Floats) -> Floats:
        """Return `columns` (n, k), so weighed that frames of this pattern are independent, of variance 1.

        What a frame of AR(1) adds to the one before it is independent of all before: the inverse Cholesky factor of the
        covariance has two diagonals. Arguments as for `covariance_of`.
        """
        even = columns / self.sizes(stops)[:, None]
        kept = self.serial ** np.diff(place)[:, None]
        even[1:] = (even[1:] - kept * even[:-1]) / np.sqrt(1.0 - kept**2)
        return even

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
    def basis(self) -> Floats:
        """Orthonormal columns (n, p) that span the design: ``M = 1 - basis @ basis.T`` makes residuals of values."""
        return np.linalg.qr(self.design)[0]


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
    pattern. By the few columns that M lacks: ``tr(M V) = tr V - tr(Q^T V Q)``, ``tr(M V M V) = tr V^2 - 2 tr(Q^T V^2
    Q) + tr (Q^T V Q)^2``.
    """
    size2 = pattern.sizes(run.stops) ** 2
    spread = pattern.covariance_of(run.stops, run.place, run.basis)
    taken = run.basis.T @ spread
    trace = float(size2.sum() - np.trace(taken))
    if trace <= 1e-9:
        return 0.0, 0.0
    squared = float(size2 @ _faded(run.place, pattern.serial**2, size2[:, None])[:, 0])
    squared += float(np.sum(taken * taken.T)) - 2.0 * float(np.sum(spread**2))
    free = float(np.subtract(*run.basis.shape))
    return trace, trace**2 / max(squared, trace**2 / free)  # at most n - p (Cauchy, Schwarz), whatever rounding does


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


def _faded(place: Floats, serial: float, columns: Floats) -> Floats:
    """Return the matrix (n, n) of ``serial ** |difference of place|`` times columns (n, k), by their transforms."""
    if serial == 0.0:
        return columns
    at, length = _laid_out(place)
    laid = np.zeros((length, columns.shape[1]))
    laid[at] = columns
    apart = np.minimum(np.arange(length), length - np.arange(length))
    kernel = np.fft.rfft(serial**apart)[:, None]
    return np.asarray(np.fft.irfft(kernel * np.fft.rfft(laid, axis=0), length, axis=0)[at])


def _lag_sums(place: Floats, left: Floats, right: Floats) -> Floats:
    """Return the sums of ``left @ right.T``, columns (n, k) each, over frames equally far apart, by that distance."""
    at, length = _laid_out(place)
    one, other = np.zeros((2, length, left.shape[1]))
    one[at], other[at] = left, right
    product = np.fft.rfft(one, axis=0) * np.conj(np.fft.rfft(other, axis=0))
    sums = np.fft.irfft(product.sum(axis=1), length)
    half = length // 2
    return np.concatenate([sums[:1], sums[1:half] + sums[:half:-1]])


def _laid_out(place: Floats) -> tuple[Indices, int]:
    """Return where frames stand among all flashes of their head, and an even length at which none meets itself."""
    at = (place - place.min()).astype(np.intp)
    return at, 2 * (int(at.max()) + 1)


def _growth(runs: Sequence[Run]) -> float:
    """Return the slope of ln(variance) on stops, over the cells of all heads."""
    above = below = 0.0
    for run in runs:
        free = 1.0 - np.sum(run.basis**2, axis=1)
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
        free = float(len(run.residuals) - run.design.shape[1])
        shown += free / power * float(run.residuals[1:] @ run.residuals[:-1])
        total, neighbours = _memories(run)
        fading = _SERIAL[:, None] ** np.arange(len(total))
        size += free
        would += free * (fading @ neighbours) / (fading @ total)
    over = shown + _SAFE * np.sqrt(size) - would
    if over[0] <= 0:
        return 0.0
    first = np.flatnonzero(over <= 0)
    if not len(first):
        return float(_SERIAL[-1])
    at = int(first[0])
    return float(_SERIAL[at - 1] + (_SERIAL[at] - _SERIAL[at - 1]) * over[at - 1] / (over[at - 1] - over[at]))


def _memories(run: Run) -> tuple[Floats, Floats]:
    """Return by distance of places: the sums of M, and of ``M L M`` where L takes each frame to the next one.

    The quadratic form of residuals is ``tr(M V)``, that of each with its neighbour ``tr(M L M V)``; both are sums over
    V, which is one number a distance.
    """
    place, q = run.place, run.basis
    earlier, later = np.zeros_like(q), np.zeros_like(q)
    earlier[:-1], later[1:] = q[1:], q[:-1]
    total = -_lag_sums(place, q, q)
    total[0] += len(q)
    neighbours = np.bincount(np.diff(place).astype(np.intp), minlength=len(total)).astype(np.float64)
    neighbours += _lag_sums(place, q @ (q.T @ later) - later, q) - _lag_sums(place, q, earlier)
    return total, neighbours


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
