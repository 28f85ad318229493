"""How sure each of several looks at a test has to be, so that it is wrong no more often than a test judged once.

Every look asks for the same sureness (Pocock 1977, Biometrika 64, 191, from memory): which light was shot how often
when the test ended needs no telling then, only how often it may have been looked at. A bound that falls from look to
look (O'Brien & Fleming 1979) asks too much of the first look, where frames that are few and Student's factor that is
wide already speak against it.
"""

from functools import cache
from typing import Final

import numpy as np
import numpy.typing as npt
import scipy  # its parts are imported when they are first named: that takes half of the start

from greystep.measure.uncertainty import ALPHA

#: Points of the integral over what was seen at one look (Gauss and Legendre): up to 20 even looks are exact to 1e-9.
_POINTS: Final = 64


def crossing_chance(bounds: npt.ArrayLike, information: npt.ArrayLike) -> float:
    """Return the chance that a true nought passes its bound, up or down, at some look.

    Args:
        bounds: (k,) array. Of each look, in standard uncertainties.
        information: (k,) array. What is known at each look as a share of what is known at the last, rising.

    Returns: By the recursion of Armitage, McPherson & Rowe (1969, from memory): the density of the sum at a look, where
        no look before has passed, carried on to the next.
    """
    limits, shares = np.asarray(bounds, np.float64), np.asarray(information, np.float64)
    nodes, weights = np.polynomial.legendre.leggauss(_POINTS)
    reach, sd = limits * np.sqrt(shares), np.sqrt(np.diff(shares, prepend=0.0))
    at, mass, passed = np.zeros(1), np.ones(1), 0.0
    for edge, step in zip(reach, sd, strict=True):
        passed += float(mass @ (scipy.special.ndtr((-edge - at) / step) + scipy.special.ndtr((at - edge) / step)))
        moved = (edge * nodes[:, None] - at) / step
        mass = np.exp(-0.5 * moved**2) / (np.sqrt(2.0 * np.pi) * step) @ mass * edge * weights
        at = edge * nodes
    return passed


@cache
def look_bound(looks: int, alpha: float = ALPHA) -> float:
    """Return the bound of each of so many evenly spaced looks, all passed by a true nought with chance `alpha`."""
    shares = np.arange(1, looks + 1) / looks
    least, most = -scipy.special.ndtri(alpha / 2.0), -scipy.special.ndtri(alpha / (2.0 * looks))
    if looks == 1:
        return float(least)
    return float(
        scipy.optimize.brentq(lambda bound: crossing_chance(np.full(looks, bound), shares) - alpha, least, most + 1e-9)
    )


@cache
def look_alpha(looks: int, alpha: float = ALPHA, rows: int = 1) -> float:
    """Return the chance of error of each look, so that over all looks it is `alpha` for all of some rows at once.

    Rows that say the same would allow a little more: they are taken for independent.
    """
    if looks == 1 or rows < 1:
        return alpha
    return float(2.0 * rows * scipy.special.ndtr(-look_bound(looks, alpha / rows)))
