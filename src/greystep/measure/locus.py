"""The Planckian locus: whites of Planck's law in CIE 1960 uv, and the point of it that is nearest to a colour.

Everything runs in reciprocal temperature [mired], in which the locus is smooth: a cubic spline through its exact points
every 4 mired leaves 1.3e-9 in uv.
"""

import csv
from functools import cache
from importlib import resources
from typing import Final

import numpy as np

from greystep.arrays import Floats
from greystep.constants import C2_M_K

#: Exact points of the locus [mired]: beyond both ends of the scale, so that what lies nearest to an end is seen.
_AT: Final = np.arange(4.0, 1101.0, 4.0)
_ROUNDS: Final = 8
#: So many colours are compared with all exact points at once.
_CHUNK: Final = 4096


@cache
def observer() -> tuple[Floats, Floats]:
    """Return wavelengths (m,) [nm] and colour matching functions (m, 3) of the CIE 1931 2 degree observer, 1 nm.

    CIE 018:2019, 360 nm to 830 nm, as colour-science carries it.
    """
    text = resources.files(__package__).joinpath("observer.csv").read_text(encoding="ascii")
    table = np.array(list(csv.reader(text.splitlines()))[1:], dtype=np.float64)
    table.setflags(write=False)
    return table[:, 0], table[:, 1:]


def planckian_uv(mired: Floats) -> Floats:
    """Return CIE 1960 uv (n, 2) of Planck's law at reciprocal temperatures (n,) [mired], by its sum over 1 nm."""
    nm, functions = observer()
    power = np.expm1(np.outer(mired * 1e-6, C2_M_K / (nm * 1e-9)))
    x, y, z = ((560.0 / nm) ** 5 / power @ functions).T
    return np.asarray(np.stack([4.0 * x, 6.0 * y], axis=1) / (x + 15.0 * y + 3.0 * z)[:, None])


def points(mired: Floats) -> tuple[Floats, Floats, Floats]:
    """Return the locus (n, 2) in CIE 1960 uv at reciprocal temperatures (n,) [mired], its slope and its curvature."""
    exact, bends = _curve()
    step = _AT[1] - _AT[0]
    place = np.clip((mired - _AT[0]) // step, 0, len(_AT) - 2).astype(np.intp)
    after = ((mired - _AT[place]) / step)[:, None]
    before = 1.0 - after
    low, high, bend_low, bend_high = exact[place], exact[place + 1], bends[place], bends[place + 1]
    curved = bend_low * (before**3 - before) + bend_high * (after**3 - after)
    steeper = bend_high * (3.0 * after**2 - 1.0) - bend_low * (3.0 * before**2 - 1.0)
    return (
        before * low + after * high + step**2 / 6.0 * curved,
        (high - low) / step + step / 6.0 * steeper,
        before * bend_low + after * bend_high,
    )


def greener(slope: Floats) -> Floats:
    """Return the unit normal (n, 2) of the locus on its green side, from its slope by mired (n, 2)."""
    return np.stack([-slope[:, 1], slope[:, 0]], axis=1) / np.hypot(slope[:, 0], slope[:, 1])[:, None]


def nearest(uv: Floats) -> tuple[Floats, Floats]:
    """Return where on the locus (n,) [mired] it is nearest to CIE 1960 uv (n, 2), and the signed distance (n,).

    Newton's method from the nearest exact point, held within its neighbours; the distance is positive on the green
    side. An end of the table is the nearest point of what lies beyond it.
    """
    start = np.concatenate([_nearest_exact(uv[at : at + _CHUNK]) for at in range(0, len(uv), _CHUNK)] or [np.zeros(0)])
    mired, reach = start, _AT[1] - _AT[0]
    for _ in range(_ROUNDS):
        here, slope, bend = points(mired)
        along = np.sum((here - uv) * slope, axis=1)
        speed = np.sum(slope**2, axis=1)
        curved = speed + np.sum((here - uv) * bend, axis=1)
        mired = mired - along / np.where(curved > 0.1 * speed, curved, speed)
        mired = np.clip(mired, np.maximum(start - reach, _AT[0]), np.minimum(start + reach, _AT[-1]))
    here, slope, _ = points(mired)
    return mired, np.sum((uv - here) * greener(slope), axis=1)


@cache
def _curve() -> tuple[Floats, Floats]:
    """Return the exact points (n, 2) and there the second derivatives of the cubic spline through them.

    The third derivative is the same on both sides of the second point from each end (the textbook's "not a knot").
    """
    exact, count, step = planckian_uv(_AT), len(_AT), _AT[1] - _AT[0]
    rows = 4.0 * np.eye(count) + np.eye(count, k=1) + np.eye(count, k=-1)
    right = np.zeros_like(exact)
    right[1:-1] = 6.0 / step**2 * (exact[:-2] - 2.0 * exact[1:-1] + exact[2:])
    rows[[0, -1]] = 0.0
    rows[0, :3] = rows[-1, -3:] = 1.0, -2.0, 1.0
    return exact, np.asarray(np.linalg.solve(rows, right), dtype=np.float64)


def _nearest_exact(uv: Floats) -> Floats:
    away = np.sum((uv[:, None] - _curve()[0]) ** 2, axis=2)
    return np.asarray(_AT[np.argmin(away, axis=1)])
