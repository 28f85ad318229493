"""The law of propagation of uncertainty, and the factor that makes a 95 % interval of a standard uncertainty."""

from typing import Final, overload

import numpy as np
import numpy.typing as npt
import scipy  # its parts are imported when they are first named: that takes half of the start

from greystep.arrays import Floats

#: Every interval holds the truth 95 times in 100.
ALPHA: Final = 0.05
#: Above this many degrees of freedom the factor of a 95 % interval is 2, as JCGM 100:2008 G.6.6 allows (from memory).
DOF_OF_TWO: Final = 50.0
#: From here on Student's factor equals the normal one to the last digit kept.
_DOF_NORMAL: Final = 1e9


def propagate(jacobian: npt.ArrayLike, covariance: npt.ArrayLike) -> Floats:
    """Return the covariance of a function's results: ``J C J^T``.

    Args:
        jacobian: Array (..., m, n). Derivatives of the m results by the n inputs.
        covariance: Array (..., n, n). Of the inputs, k = 1.

    Returns: array (..., m, m): Of the results, k = 1. JCGM 102:2011 section 6.2 (matrix form of JCGM 100:2008 equation
        13); from memory.
    """
    slopes = np.asarray(jacobian, dtype=np.float64)
    return np.asarray(slopes @ np.asarray(covariance, dtype=np.float64) @ np.swapaxes(slopes, -1, -2))


@overload
def student_factor(dof: float, alpha: float = ALPHA) -> float: ...
@overload
def student_factor(dof: Floats, alpha: float = ALPHA) -> Floats: ...
def student_factor(dof: float | Floats, alpha: float = ALPHA) -> float | Floats:
    """Return the factor by which a standard uncertainty becomes the half-width of a two-sided interval.

    Args:
        dof: Float or array. Degrees of freedom of the standard uncertainty.
        alpha: Chance that the interval misses the truth; 0.05 is the 95 % interval.

    Returns: float or array: Student's t at ``1 - alpha / 2``; exactly 2 for a 95 % interval above 50 degrees of
        freedom. NaN where `dof` is not positive: one value alone says nothing about its scatter.
    """
    degrees = np.asarray(dof, dtype=np.float64)
    many = (degrees > DOF_OF_TWO) & (alpha == ALPHA)
    factor = np.full(degrees.shape, 2.0)
    if not many.all():
        quantile = scipy.special.stdtrit(np.minimum(degrees, _DOF_NORMAL), 1.0 - alpha / 2.0)
        factor = np.where(many, factor, quantile)
    return factor if factor.ndim else float(factor)


def expanded(standard: npt.ArrayLike, dof: float | Floats = np.inf) -> Floats:
    """Return the half-width of the 95 % interval of a standard uncertainty, see `student_factor`."""
    return np.asarray(np.asarray(standard, dtype=np.float64) * student_factor(dof))
