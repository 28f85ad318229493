"""Chromaticity of a white: CIE 1931 xy, CIE 1960 uv, CIE 1976 u'v', CCT and Duv.

CCT and Duv are always those that Ohno (2013) defines, for the CIE 1931 2 degree observer: the nearest point of the
Planckian locus, and the distance from it. What is no chromaticity of a white gets NaN.
"""

from typing import Final

import numpy as np
import numpy.typing as npt

from greystep.arrays import Floats
from greystep.colour_library import open_library
from greystep.constants import CCT_RANGE_K, DUV_LIMIT, STEP_UPRIME_VPRIME
from greystep.measure import locus

#: Linear working spaces by their CLF-style names, and what the library calls them.
SPACES: Final = {
    "lin_rec709": "ITU-R BT.709",
    "lin_rec2020": "ITU-R BT.2020",
    "lin_ap0": "ACES2065-1",
    "lin_ap1": "ACEScg",
}
_OBSERVER: Final = "CIE 1931 2 Degree Standard Observer"


def xyz_to_xy(xyz: npt.ArrayLike) -> Floats:
    """Return CIE 1931 xy (..., 2) of XYZ (..., 3); NaN where X + Y + Z is zero."""
    values = np.asarray(xyz, dtype=np.float64)
    return _ratio(values[..., :2], values.sum(axis=-1, keepdims=True))


def xy_to_xyz(xy: npt.ArrayLike) -> Floats:
    """Return XYZ (..., 3) with Y = 1 of CIE 1931 xy (..., 2); NaN where y is zero."""
    x, y = _parts(xy)
    return _ratio(np.stack([x, y, 1.0 - x - y], axis=-1), y[..., None])


def xy_to_uv1960(xy: npt.ArrayLike) -> Floats:
    """Return CIE 1960 uv (..., 2) of CIE 1931 xy (..., 2); CIE 15:2018 gives u = u', v = 2 v' / 3."""
    return xy_to_upvp(xy) * (1.0, 2.0 / 3.0)


def uv1960_to_xy(uv: npt.ArrayLike) -> Floats:
    """Return CIE 1931 xy (..., 2) of CIE 1960 uv (..., 2)."""
    return upvp_to_xy(np.asarray(uv, dtype=np.float64) * (1.0, 1.5))


def xy_to_upvp(xy: npt.ArrayLike) -> Floats:
    """Return CIE 1976 u'v' (..., 2) of CIE 1931 xy (..., 2)."""
    x, y = _parts(xy)
    return _ratio(np.stack([4.0 * x, 9.0 * y], axis=-1), (-2.0 * x + 12.0 * y + 3.0)[..., None])


def upvp_to_xy(upvp: npt.ArrayLike) -> Floats:
    """Return CIE 1931 xy (..., 2) of CIE 1976 u'v' (..., 2)."""
    u, v = _parts(upvp)
    return _ratio(np.stack([9.0 * u, 4.0 * v], axis=-1), (6.0 * u - 16.0 * v + 12.0)[..., None])


def xyz_to_upvp(xyz: npt.ArrayLike) -> Floats:
    """Return CIE 1976 u'v' (..., 2) of XYZ (..., 3)."""
    return xy_to_upvp(xyz_to_xy(xyz))


def mired(cct: npt.ArrayLike) -> Floats:
    """Return the reciprocal temperature [mired] of a CCT [K], and a CCT of mireds."""
    return np.asarray(1e6 / np.asarray(cct, dtype=np.float64))


def steps(upvp_a: npt.ArrayLike, upvp_b: npt.ArrayLike) -> Floats:
    """Return the distance of two u'v' (..., 2) in steps of 0.0011, CIE TN 001:2014."""
    difference = np.asarray(upvp_b, dtype=np.float64) - np.asarray(upvp_a, dtype=np.float64)
    return np.asarray(np.hypot(difference[..., 0], difference[..., 1]) / STEP_UPRIME_VPRIME)


def cct_duv(xy: npt.ArrayLike, duv_limit: float = DUV_LIMIT) -> tuple[Floats, Floats]:
    """Return CCT and Duv by Ohno (2013), LEUKOS 10(1) 47-55, CIE 1931 2 degree observer.

    Args:
        xy: Array (..., 2). CIE 1931 xy of whites.
        duv_limit: Farther than this from the Planckian locus there is Duv, but no CCT (CIE 15:2004).

    Returns:
        cct: array (...). [K]; NaN where there is none.
        duv: array (...). Signed distance from the locus in CIE 1960 uv, positive = greener; NaN where `xy` is not
            finite and positive, or is nearest to an end of the locus (1000 K, 100 000 K).
    """
    values = np.asarray(xy, dtype=np.float64)
    points = values.reshape(-1, 2)
    cct, duv = np.full(len(points), np.nan), np.full(len(points), np.nan)
    real = np.isfinite(points).all(axis=1) & (points > 0.0).all(axis=1)
    if real.any():
        at, duv[real] = locus.nearest(xy_to_uv1960(points[real]))
        cct[real] = mired(at)
    known = (cct >= CCT_RANGE_K[0]) & (cct <= CCT_RANGE_K[1])
    duv = np.where(known, duv, np.nan)
    cct = np.where(np.abs(duv) <= duv_limit, cct, np.nan)
    return cct.reshape(values.shape[:-1]), duv.reshape(values.shape[:-1])


def cct_duv_to_xy(cct: npt.ArrayLike, duv: npt.ArrayLike) -> Floats:
    """Return CIE 1931 xy (..., 2) of a white at `duv` from the Planckian locus at `cct` [K].

    NaN outside the limits of `cct_duv`: 1000 K to 100 000 K, and |Duv| up to 0.05.
    """
    temperature, distance = np.broadcast_arrays(np.asarray(cct, np.float64), np.asarray(duv, np.float64))
    known = (temperature >= CCT_RANGE_K[0]) & (temperature <= CCT_RANGE_K[1]) & (np.abs(distance) <= DUV_LIMIT)
    uv = np.full((*temperature.shape, 2), np.nan)
    if known.any():
        here, slope, _ = locus.points(mired(temperature[known]))
        uv[known] = here + distance[known][:, None] * locus.greener(slope)
    return uv1960_to_xy(uv)


def cct_duv_jacobian(xy: npt.ArrayLike, found: tuple[Floats, Floats] | None = None) -> Floats:
    """Return the derivatives of CCT [K] and Duv by x and y, from the tangent and curvature of the Planckian locus.

    With the locus p(m) by mired, its unit tangent t and normal n (towards green), uv = p(m) + Duv n(m); inverting this
    gives dm = t . duv / (|p'| + Duv t . n') and dDuv = n . duv.

    Args:
        xy: Array (..., 2). CIE 1931 xy.
        found: Tuple of 2 arrays (...). What `cct_duv` gives for them, where it is at hand.

    Returns: array (..., 2, 2): Rows CCT, Duv; columns x, y; NaN where `cct_duv` gives no CCT.
    """
    values = np.asarray(xy, dtype=np.float64)
    cct, duv = (result.reshape(-1) for result in found or cct_duv(values))
    jacobian = np.full((len(cct), 2, 2), np.nan)
    known = np.isfinite(cct)
    if known.any():
        _, slope, bend = locus.points(mired(cct[known]))
        speed, normal = np.hypot(slope[:, 0], slope[:, 1])[:, None], locus.greener(slope)
        tangent = slope / speed
        turn = -np.sum(bend * normal, axis=1, keepdims=True) / speed
        along = tangent / (speed + duv[known][:, None] * turn) * -(cct[known] ** 2 / 1e6)[:, None]
        jacobian[known] = np.stack([along, normal], axis=1) @ _uv1960_jacobian(values.reshape(-1, 2)[known])
    return jacobian.reshape(*values.shape[:-1], 2, 2)


def working_space(space: str) -> tuple[Floats, Floats]:
    """Return the matrix (3, 3) from XYZ to a linear working space of `SPACES`, and the XYZ (3,) of its white, Y = 1."""
    library = open_library()
    known = library.RGB_COLOURSPACES[SPACES[space]]
    # From primaries and white rather than the rounded published matrix, so that the white is exactly (1, 1, 1).
    to_xyz = library.normalised_primary_matrix(known.primaries, known.whitepoint)
    return np.linalg.inv(to_xyz), xy_to_xyz(known.whitepoint)


def bradford(white_xyz: npt.ArrayLike, to_white_xyz: npt.ArrayLike) -> Floats:
    """Return the linear Bradford matrix (3, 3) that adapts XYZ from one white (3,) to another."""
    adapt = open_library().adaptation.matrix_chromatic_adaptation_VonKries
    return np.asarray(adapt(np.asarray(white_xyz), np.asarray(to_white_xyz), transform="Bradford"), np.float64)


def chart_xyz(white_xyz: npt.ArrayLike) -> Floats:
    """Return XYZ (24, 3) of the colours of a 24-patch chart, Bradford-adapted to a white (3,) with Y = 1."""
    chart = open_library().CCS_COLOURCHECKERS["cca2014"]
    x, y, luminance = np.array(list(chart.data.values()), dtype=np.float64).T
    colours = xy_to_xyz(np.stack([x, y], axis=-1)) * luminance[:, None]
    return np.asarray(colours @ bradford(xy_to_xyz(chart.illuminant), white_xyz).T)


def chart_reflectances() -> tuple[tuple[str, ...], Floats, Floats]:
    """Return names (24), wavelengths (m,) [nm] and reflectance factors (24, m) of the patches of a 24-patch chart.

    They run in rows of six from dark skin; the last row is the greys, white first. The library's mean of 30 charts.
    """
    chart = dict(open_library().SDS_COLOURCHECKERS["babel_average"])
    names = tuple(str(name).split(" (")[0] for name in chart)
    wavelengths = np.asarray(next(iter(chart.values())).wavelengths, np.float64)
    return names, wavelengths, np.array([spectrum.values for spectrum in chart.values()], np.float64)


def delta_e_2000(xyz: npt.ArrayLike, other_xyz: npt.ArrayLike, white_xyz: npt.ArrayLike) -> Floats:
    """Return CIE DE2000 (...) between XYZ (..., 3), both Bradford-adapted from a white (3,) with Y = 1 to D50."""
    library = open_library()
    d50 = np.asarray(library.CCS_ILLUMINANTS[_OBSERVER]["D50"], np.float64)
    adapt = bradford(white_xyz, xy_to_xyz(d50)).T
    labs = [library.XYZ_to_Lab(np.asarray(values, np.float64) @ adapt, d50) for values in (xyz, other_xyz)]
    return np.asarray(library.difference.delta_E_CIE2000(*labs), np.float64)


def srgb_code(linear: npt.ArrayLike) -> Floats:
    """Return linear sRGB values (any shape, 0 to 1, clipped) as whole 8-bit codes; NaN stays (IEC 61966-2-1)."""
    light = np.clip(np.asarray(linear, dtype=np.float64), 0.0, 1.0)
    return np.round(255.0 * np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055))


def _parts(pair: npt.ArrayLike) -> tuple[Floats, Floats]:
    values = np.asarray(pair, dtype=np.float64)
    return values[..., 0], values[..., 1]


def _ratio(numerator: Floats, denominator: Floats) -> Floats:
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(denominator == 0.0, np.nan, numerator / denominator)


def _uv1960_jacobian(xy: Floats) -> Floats:
    """Return d(u, v)/d(x, y), shape (n, 2, 2), of u = 4x/d, v = 6y/d with d = -2x + 12y + 3."""
    x, y = xy.T
    below = -2.0 * x + 12.0 * y + 3.0
    rows = [[4.0 * below + 8.0 * x, -48.0 * x], [12.0 * y, 6.0 * below - 72.0 * y]]
    return np.moveaxis(np.array(rows) / below**2, -1, 0)
