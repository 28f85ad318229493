"""Least squares with its covariance, and estimates whose every contrast has the uncertainty of that one fit."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
import scipy  # its parts are imported when they are first named: that takes half of the start
from scipy.special import fdtrc

from greystep.arrays import Floats, Indices
from greystep.measure.uncertainty import student_factor

#: Draws are taken in chunks of so many values, which stay in the processor's cache.
_CHUNK: Final = 200_000


@dataclass(frozen=True)
class LeastSquares:
    """A linear fit.

    Attributes:
        coefficients: (p,) array. Of the columns of the design.
        estimator: (p, n) array. The matrix that makes the coefficients of the values.
        residuals: (n,) array. Values minus fit.
        sum_of_squares, dof: Residual sum of squares and its degrees of freedom, n - p.
    """

    coefficients: Floats
    estimator: Floats
    residuals: Floats
    sum_of_squares: float
    dof: float


@dataclass(frozen=True)
class Estimates:
    """Joint estimates of one quantity; each head has a scatter of its own, and a common constant may add to all.

    Attributes:
        values: (p,) array. The estimates; NaN where there is no frame.
        parts: (h, p, p) array. Covariance (k = 1) that each of the h independent sources of chance brings; their sum is
            the covariance.
        dof: (h,) array. Degrees of freedom of each source.
    """

    values: Floats
    parts: Floats
    dof: Floats


def least_squares(design: npt.ArrayLike, values: npt.ArrayLike) -> LeastSquares:
    """Fit ``values = design @ coefficients`` by least squares.

    Args:
        design: (n, p) array. Of full column rank.
        values: (n,) array. What is to be fitted.

    Returns: By Householder QR of the design. The covariance of the coefficients is ``estimator @ diag(variances) @
        estimator.T``.
    """
    x, y = np.asarray(design, dtype=np.float64), np.asarray(values, dtype=np.float64)
    q, r = np.linalg.qr(x)
    coefficients = np.linalg.solve(r, q.T @ y)
    residuals = y - x @ coefficients
    return LeastSquares(
        coefficients=coefficients,
        estimator=np.linalg.solve(r, q.T),
        residuals=residuals,
        sum_of_squares=float(np.sum(residuals**2)),
        dof=float(x.shape[0] - x.shape[1]),
    )


def pooled_sd(sums_of_squares: npt.ArrayLike, dofs: npt.ArrayLike) -> float:
    """Return ``sqrt(sum SS / sum df)``; NaN without a degree of freedom.

    NIST/SEMATECH e-Handbook of Statistical Methods, section 2.4.4.4.
    """
    dof = float(np.sum(dofs))
    return float(np.sqrt(np.sum(sums_of_squares) / dof)) if dof > 0 else float("nan")


def shrunk(value: float, variance: float) -> float:
    """Return an estimate drawn towards 0 by its own variance: ``value max(0, 1 - variance / value^2)``; 0 of 0.

    James & Stein (1961), the positive part, from memory.
    """
    return value * max(0.0, 1.0 - variance / value**2) if value else 0.0


def f_test(smaller: tuple[float, float], larger: tuple[float, float]) -> tuple[float, float]:
    """Test whether a model needs the columns by which it exceeds a smaller one.

    Args:
        smaller, larger: (float, float). Residual sum of squares and degrees of freedom of either model.

    Returns: (float, float): F, and the chance of at least that F where the further columns mean nothing.
    """
    further = smaller[1] - larger[1]
    scatter = larger[0] / larger[1]
    if scatter == 0:
        return (float("inf"), 0.0) if smaller[0] > 0 else (0.0, 1.0)
    f = (smaller[0] - larger[0]) / further / scatter
    return f, float(fdtrc(further, larger[1], max(f, 0.0)))


def effective_dof(variances: Floats, dof: Floats) -> Floats:
    """Return the degrees of freedom of a sum of variances, of shape (..., h), each with its own `dof` (h,).

    Welch-Satterthwaite, JCGM 100:2008 equation G.2b (from memory), with variances in place of products.
    """
    total = np.sum(variances, axis=-1)
    with np.errstate(invalid="ignore", divide="ignore"):
        spread = np.sum(np.where(variances > 0, variances**2 / dof, 0.0), axis=-1)
        return np.asarray(np.where(spread > 0, total**2 / spread, np.max(dof, initial=0.0)))


def half_width(variances: Floats, dof: Floats) -> Floats:
    """Return the 95 % half-width of values whose variances are the sums of (..., h) parts, by Student's factor."""
    return np.asarray(student_factor(effective_dof(variances, dof)) * np.sqrt(np.sum(variances, axis=-1)))


def own_variances(estimates: Estimates) -> Floats:
    """Return the (p, h) variances of the estimates themselves."""
    return np.asarray(np.diagonal(estimates.parts, axis1=1, axis2=2).T)


def pair_variances(estimates: Estimates, first: Indices, second: Indices) -> Floats:
    """Return the (r, h) variances of ``values[second] - values[first]``."""
    parts = estimates.parts
    own = np.diagonal(parts, axis1=1, axis2=2)
    return np.asarray((own[:, first] + own[:, second] - 2 * parts[:, first, second]).T)


def contrast(estimates: Estimates, weights: Floats) -> tuple[float, float]:
    """Return ``weights @ values`` and its 95 % half-width."""
    variances = np.einsum("i,hij,j->h", weights, estimates.parts, weights)
    return float(weights @ estimates.values), float(half_width(variances, estimates.dof))


def draw_errors(
    estimates: Estimates, draws: int, rng: np.random.Generator, studentised: bool = False
) -> tuple[Floats, Floats]:
    """Draw what chance may do to the estimates.

    Args:
        studentised: Divide each source's errors by the scatter that would have been measured with them, over the true
            one.

    Returns:
        (p, draws) array: The errors.
        (h, draws) array: Each source's measured variance over its true one: chi-square over its degrees of freedom.
    """
    heads, count, _ = estimates.parts.shape
    sized = np.isfinite(estimates.dof)[:, None]  # of the others the size is known
    dof = np.where(sized[:, 0] & (estimates.dof > 0), estimates.dof, 1.0)[:, None]
    measured = np.where(sized, rng.chisquare(dof, (heads, draws)) / dof, 1.0)
    errors = np.zeros((count, draws))
    for part, ratio in zip(estimates.parts, measured, strict=True):
        here = np.flatnonzero(np.diagonal(part) > 0)
        if len(here):
            root = _root(part[np.ix_(here, here)])
            normal = rng.standard_normal((root.shape[1], draws))
            errors[here] += root @ (normal / np.sqrt(ratio) if studentised else normal)
    return errors, measured


def _root(part: Floats) -> Floats:
    """Return a root R (p, rank) of a covariance, ``R R^T = part``; proportional ones have proportional roots.

    Cholesky with pivots, so that one error which moves many estimates is one column, and its largest move is positive.
    """
    if np.count_nonzero(part) == len(part):
        return np.diag(np.sqrt(np.diagonal(part)))
    factor, pivots, rank, _ = scipy.linalg.lapack.dpstrf(part, tol=1e-12 * float(np.max(np.diagonal(part))), lower=1)
    root = np.zeros((len(part), rank))
    root[pivots - 1] = np.tril(factor)[:, :rank]
    return root


def draw_distances(
    components: Sequence[Estimates], draws: int, rng: np.random.Generator, studentised: bool = False
) -> tuple[list[Floats], Floats]:
    """Draw errors of one quantity, or of the axes of a plane together; see `draw_errors`.

    All axes share their draws, as if chance moved along one line: of all errors with the same total variance these have
    the longest tail, so that no distance is held surer than it is.
    """
    seed = int(rng.integers(2**63))
    drawn = [draw_errors(part, draws, np.random.default_rng(seed), studentised) for part in components]
    return [errors for errors, _ in drawn], drawn[0][1]


def largest_studentised(
    components: Sequence[Estimates], first: Indices, second: Indices, draws: int, rng: np.random.Generator
) -> Floats:
    """Draw the largest ``|error| / standard uncertainty`` of many differences at once.

    Args:
        components: One, or the two axes of a plane (then the error is a distance, and its variance the sum of both).
        first, second: (r,) arrays. Differences ``second - first`` to be judged together.

    Returns: (draws,) array: Its quantile at 1 - alpha is the factor by which all r intervals hold at once ("max-t").
    """
    variances = np.nan_to_num(np.sum([pair_variances(part, first, second) for part in components], axis=0))
    drawn, measured = draw_distances(components, draws, rng)
    most = int(np.max(np.count_nonzero(variances > 0, axis=1), initial=1))
    sources = np.argsort(-variances, axis=1, kind="stable")[:, :most]
    scale = np.take_along_axis(variances, sources, axis=1).astype(np.float32)[:, :, None]
    ratios = measured.astype(np.float32)
    errors = [one.astype(np.float32) for one in drawn]
    largest = np.zeros(draws)
    chunk = int(np.clip(_CHUNK // max(len(first), 1), 8, draws))
    for start in range(0, draws, chunk):
        some = slice(start, start + chunk)
        squares = sum(((one[:, some][second] - one[:, some][first]) ** 2 for one in errors), np.float32(0))
        here = ratios[:, some]
        seen = sum((scale[:, at] * here[sources[:, at]] for at in range(scale.shape[1])), np.float32(1e-30))
        largest[some] = np.max(squares / seen, axis=0, initial=0.0)
    return np.sqrt(largest)
