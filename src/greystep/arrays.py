"""The types of arrays, the robust statistics that more than one room uses, and a way to import what disturbs."""

import os
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Final

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Booleans = npt.NDArray[np.bool_]
#: Places in another array.
Indices = npt.NDArray[np.intp]
#: Filter colours of a mosaic: 0 red, 1 green, 2 blue, 3 the second green, -1 all three.
Filters = npt.NDArray[np.int8]
#: Pixels of a picture, (h, w) or (h, w, 3).
Image = npt.NDArray[np.float32]
#: One number each for red, green and blue.
Triple = tuple[float, float, float]

#: Standard deviation of a normal distribution per median absolute deviation (closed form).
SD_PER_MAD: Final = 1.482602218505602


def robust_sd(values: Floats, middle: float | None = None) -> float:
    """Return the standard deviation of values (n,) that a minority of outliers does not change.

    The median absolute deviation about `middle`, about the median where that is not given, scaled to a normal
    distribution.
    """
    about = np.median(values) if middle is None else middle
    return SD_PER_MAD * float(np.median(np.abs(values - about)))


def runs_of(chosen: Booleans) -> Iterator[tuple[int, int]]:
    """Yield where each run of true values (n,) begins and ends."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], chosen, [False]])))
    yield from zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True)


def tukey_weights(residuals: Floats, cut: float, least: float = 0.0) -> Floats:
    """Return Tukey's biweights (n,): 1 for a residual of 0, falling to 0 at `cut` and beyond; (1 - (r / cut)**2)**2.

    `least` is the smallest value that the bracket takes, for weights that must stay above 0.
    """
    return np.asarray(np.clip(1.0 - (residuals / cut) ** 2, least, None) ** 2)


def jackknife_sd(estimates: Floats) -> float:
    """Return the standard uncertainty of a result from n estimates (n,), each with one of n like observations left out.

    sqrt((n - 1) / n sum (x - mean)**2): the delete-one jackknife (Efron 1982, from memory).
    """
    count = len(estimates)
    return float(np.sqrt((count - 1) / count * np.sum((estimates - np.mean(estimates)) ** 2)))


def jackknife_deviations(whole: Floats, without: Floats, shares: Floats) -> Floats:
    """Return deviations (k, ...) whose mean square is the variance of a result: jackknife with groups of unequal size.

    Args:
        whole: Array (...). The result from everything.
        without: Array (k, ...). The result with each of k groups left out.
        shares: Array (k,). Share of the whole weight that lies in each group, below 1.

    Returns: array (k, ...): (whole - without) sqrt(1 / share - 1): Busing, Meijer & van der Leeden (1999), from memory.
    """
    scale = np.sqrt(np.maximum(1.0 / shares - 1.0, 0.0))
    return np.asarray((whole - without) * scale.reshape(-1, *(1,) * whole.ndim))


@contextmanager
def untouched() -> Iterator[None]:
    """Import a library of colour or drawing so that neither side disturbs the other.

    The colour library would leave numpy printing in its legacy style, which cuts floats in CSV files. A MPLBACKEND that
    this installation lacks, as notebooks set it, would end the import of any library that draws.
    """
    backend = os.environ.pop("MPLBACKEND", None)
    try:
        with np.printoptions():
            yield
    finally:
        if backend is not None:
            os.environ["MPLBACKEND"] = backend
