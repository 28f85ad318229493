"""The light's smooth surface over a patch: terms y**i x**j up to the second degree, by least squares."""

from functools import lru_cache

import numpy as np

from greystep.arrays import Booleans, Floats


def fit_surface(level: Floats, keep: Booleans, y: Floats, x: Floats, degree: int) -> Floats:
    """Fit the light's surface of the given degree by least squares; return its (3, 3) terms y**i x**j."""
    places = y.tobytes(), x.tobytes()
    powers_y, powers_x = map(powers, places)
    if keep.all():
        solver = _solver_of_all(*places, degree)
    else:
        weight = keep.astype(np.float64)
        solver, level = _solver(powers_y @ weight @ powers_x.T, degree), weight * level
    right = powers_y[:3] @ level @ powers_x[:3].T
    orders = tuple(np.transpose(_orders(degree)))
    terms = np.zeros((3, 3))
    terms[orders] = solver @ right[orders]
    return terms


@lru_cache(maxsize=16)
def _solver_of_all(y: bytes, x: bytes, degree: int) -> Floats:
    """Return what `_solver` does where every place counts; places (n,) are given as their bytes."""
    return _solver(np.outer(powers(y).sum(axis=1), powers(x).sum(axis=1)), degree)


def _orders(degree: int) -> list[tuple[int, int]]:
    """Return the orders i, j of the terms y**i x**j of a surface."""
    return [(i, j) for i in range(degree + 1) for j in range(degree + 1 - i)]


def _solver(moments: Floats, degree: int) -> Floats:
    """Return the matrix that makes the terms of a surface of its sums with their powers of y and x.

    Args:
        moments: Array (5, 5). Sums of y**i x**j over the places that count.
    """
    pairs = _orders(degree)
    normal = np.array([[moments[i + k, j + m] for k, m in pairs] for i, j in pairs])
    return np.asarray(np.linalg.pinv(normal, hermitian=True))


def surface(terms: Floats, y: Floats, x: Floats) -> Floats:
    """Return a surface of such terms over places (h,) and (w,): (h, w)."""
    return np.asarray(powers(y.tobytes())[:3].T @ (terms @ powers(x.tobytes())[:3]))


def mean_square(terms: Floats, down: Floats, across: Floats) -> float:
    """Return the mean square of a surface of such terms, from the means of the powers 0 to 4 of its places."""
    orders = np.add.outer(np.arange(3), np.arange(3))
    return float(np.sum(terms * (down[orders] @ terms @ across[orders])))


@lru_cache(maxsize=32)
def powers(places: bytes) -> Floats:
    """Return the powers 0 to 4 of places (n,), which are given as their bytes: (5, n)."""
    return np.vander(np.frombuffer(places), 5, increasing=True).T.copy()
