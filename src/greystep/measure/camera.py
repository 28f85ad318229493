"""From a camera's neutral to the colour of the light, by the two-illuminant model of the DNG specification 1.7.1.

CameraNeutral = XYZtoCamera x XYZ(xy), with XYZtoCamera = AnalogBalance x CameraCalibration x ColorMatrix, interpolated
linearly in reciprocal temperature between two calibration illuminants. A session uses ONE such matrix, fixed at its
reference neutral, so that a difference between two frames is a difference of light and never of matrix.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
import scipy  # its parts are imported when they are first named: that takes half of the start

from greystep.arrays import Floats
from greystep.constants import C2_M_K, FLASH_SHAPE, LIGHT_SOURCE_K
from greystep.errors import GreystepError
from greystep.measure import chromaticity, locus
from greystep.measure.uncertainty import expanded, propagate
from greystep.raw.dng import ColourTags, two_lights

#: A matrix worse conditioned than this cannot be told from one without an inverse; those of real cameras are below 20.
WORST_CONDITION: Final = 1e4
#: CCT [K] and Duv of a flash of which nothing is known; common practice, no source.
USUAL_FLASH: Final = (5500.0, 0.0)
#: Lights so far on either side give the slopes of what a target does [mired], [Duv]: as far as flashes of a kit differ.
SLOPE_MIRED: Final = 15.0
SLOPE_DUV: Final = 0.005
#: xy of D50, a white that every camera must see as three positive numbers. CIE 15:2018.
_D50_XY: Final = (0.34567, 0.35851)


@dataclass(frozen=True)
class Colours:
    """The colour of n neutrals; each field is an array, NaN where a neutral has no such value.

    Attributes:
        x, y, u_prime, v_prime: Array (n,). CIE 1931 xy and CIE 1976 u'v'.
        cct_k, duv, mired: Array (n,). Ohno (2013), CIE 1931 2 degree observer; [K], CIE 1960 uv, [mired].
        u_cct_k, u_duv, u_mired: Array (n,). Half-widths of their 95 % intervals (k = 2).
        covariance: Array (n, 2, 2). Of (mired, duv), k = 1.
        by_rgb: Array (n, 2, 3). Derivatives of (mired, duv) by camera RGB.
    """

    x: Floats
    y: Floats
    u_prime: Floats
    v_prime: Floats
    cct_k: Floats
    duv: Floats
    mired: Floats
    u_cct_k: Floats
    u_duv: Floats
    u_mired: Floats
    covariance: Floats
    by_rgb: Floats


def xyz_to_camera(tags: ColourTags, xy: npt.ArrayLike) -> Floats:
    """Return the matrix (3, 3) from XYZ to camera RGB for a white `xy` (2,), DNG 1.7.1 pp. 100-101.

    The product of the three matrices is what is interpolated, as in the specification's reference code; its text
    interpolates CameraCalibration and ColorMatrix apart. They differ only where the two CameraCalibrations do, by 5 K
    in an extreme case; converters follow the code, and so the white that is found here is theirs. Outside the two
    temperatures the nearer set stands alone; with a second set missing, or a temperature unknown or equal, the first.
    """
    warm, cool = _sets(tags)
    return _blend(warm, cool, _weight(warm, cool, np.asarray(xy, dtype=np.float64)))


def check_matrices(tags: ColourTags) -> None:
    """Refuse a calibration through which no light can be told.

    Raises:
        GreystepError: If a matrix has no inverse, or makes of daylight a white that no camera can see.
    """
    for _, matrix in _sets(tags):
        if not sees_daylight(matrix):
            raise GreystepError(
                f"its colour matrix ({_said(matrix)}) would make a negative camera RGB of daylight; make a camera.json "
                "from a frame of a colour chart"
            )


def has_inverse(matrix: Floats) -> bool:
    """Say whether a matrix can be inverted, as that of any camera can."""
    return bool(np.all(np.isfinite(matrix)) and np.linalg.cond(matrix) <= WORST_CONDITION)


def sees_daylight(matrix: Floats) -> bool:
    """Say whether a matrix makes three positive numbers of daylight (D50), as that of any camera must."""
    return bool(np.all(matrix @ chromaticity.xy_to_xyz(_D50_XY) > 0.0))


def neutral_to_xy(tags: ColourTags, neutral: npt.ArrayLike) -> Floats:
    """Return the CIE 1931 xy (2,) of the light under which a grey target gives the camera RGB `neutral` (3,).

    Raises:
        GreystepError: See `fixed_matrix`.
    """
    matrix = fixed_matrix(tags, neutral)
    return chromaticity.xyz_to_xy(np.linalg.inv(matrix) @ np.asarray(neutral, dtype=np.float64))


def fixed_matrix(tags: ColourTags, neutral: npt.ArrayLike) -> Floats:
    """Return the one matrix (3, 3) from XYZ to camera RGB that belongs to the reference `neutral` (3,).

    The specification iterates from xy to matrix to xy (p. 102), which can swing between two values for ever. The weight
    of the warmer set is the one unknown: the weight that follows from a trial weight lies within 0 and 1, so the
    difference of the two changes sign between 0 and 1, and bracketing always ends.

    Raises:
        GreystepError: If `neutral` is not three positive numbers, or a matrix has no inverse, given or between two.
    """
    rgb = np.asarray(neutral, dtype=np.float64)
    if rgb.shape != (3,) or not np.all(np.isfinite(rgb) & (rgb > 0.0)):
        raise GreystepError(
            f"neutral {np.array2string(rgb, precision=6)}: a grey target gives three positive numbers; "
            "measure a frame in which it is lit"
        )
    warm, cool = _sets(tags)

    def gap(weight: float) -> float:
        xy = chromaticity.xyz_to_xy(np.linalg.solve(_blend(warm, cool, weight), rgb))
        return _weight(warm, cool, xy) - weight

    try:
        return _blend(warm, cool, 1.0 if warm is cool else float(scipy.optimize.brentq(gap, 0.0, 1.0, xtol=1e-12)))
    except (np.linalg.LinAlgError, ValueError) as error:
        raise GreystepError(f"between its two colour matrices lies one that has no inverse ({error})") from error


def neutral_xyz(matrix: npt.ArrayLike, rgb: npt.ArrayLike) -> Floats:
    """Return XYZ (n, 3) with Y = 1 of camera RGB (n, 3) through a fixed matrix (3, 3); NaN where Y is not positive."""
    xyz = np.asarray(rgb, dtype=np.float64) @ np.linalg.inv(np.asarray(matrix, dtype=np.float64)).T
    luminance = xyz[..., 1:2]
    return np.asarray(xyz / np.where(luminance > 0.0, luminance, np.nan))


def colour_from_matrix(matrix: npt.ArrayLike, rgb: npt.ArrayLike, u_rgb_cov: npt.ArrayLike) -> Colours:
    """Return the colour of n neutrals through one fixed matrix, with the uncertainty that their own noise gives.

    Args:
        matrix: Array (3, 3). XYZ to camera RGB, from `fixed_matrix`.
        rgb: Array (n, 3). Camera RGB above black and ambient, any scale; the scale cancels.
        u_rgb_cov: Array (n, 3, 3). Of `rgb` in its own scale, k = 1.
    """
    to_xyz = np.linalg.inv(np.asarray(matrix, dtype=np.float64))
    xyz = np.asarray(rgb, dtype=np.float64) @ to_xyz.T
    total = xyz.sum(axis=-1, keepdims=True)
    # Three negative signals would have the chromaticity of their opposites.
    total = np.where(total > 0.0, total, np.nan)
    xy = xyz[..., :2] / total
    upvp = chromaticity.xy_to_upvp(xy)
    cct, duv = chromaticity.cct_duv(xy)
    mired = chromaticity.mired(cct)

    # x = X / (X + Y + Z), so dx = (dX - x d(X + Y + Z)) / (X + Y + Z), and y alike.
    projection = (np.eye(2, 3) - xy[..., :, None]) / total[..., None]
    by_rgb = chromaticity.cct_duv_jacobian(xy, (cct, duv)) @ projection @ to_xyz
    # mired = 1e6 / CCT, so dmired = -mired / CCT dCCT.
    by_rgb = by_rgb * np.stack([-mired / cct, np.ones_like(cct)], axis=-1)[..., None]
    covariance = propagate(by_rgb, u_rgb_cov)
    u_mired = expanded(np.sqrt(covariance[..., 0, 0]))
    return Colours(
        x=xy[..., 0],
        y=xy[..., 1],
        u_prime=upvp[..., 0],
        v_prime=upvp[..., 1],
        cct_k=cct,
        duv=duv,
        mired=mired,
        u_cct_k=u_mired * cct / mired,
        u_duv=expanded(np.sqrt(covariance[..., 1, 1])),
        u_mired=u_mired,
        covariance=covariance,
        by_rgb=by_rgb,
    )


def smooth_light(cct: float, duv: float, shape: Floats | float = 1.0) -> Floats:
    """Return a spectrum (m,) on the wavelengths of `locus.observer`, the smoothest of its colour; its Y is 1.

    The Planckian radiator of the CCT [K] times the parabola over wavelength that brings it to the Duv. It stands in for
    a light of which only the colour is known; NaN where the two are no colour of a white.

    Args:
        shape: Array (m,) or 1. What the radiator is multiplied by first; the colour stays.
    """
    wavelengths, functions = locus.observer()
    white = chromaticity.xy_to_xyz(chromaticity.cct_duv_to_xy(cct, duv))
    if not np.all(np.isfinite(white)):
        return np.full(len(wavelengths), np.nan)
    planck = shape * (560.0 / wavelengths) ** 5 / np.expm1(C2_M_K / (wavelengths * 1e-9 * cct))
    powers = ((wavelengths - 560.0) / 100.0)[:, None] ** np.arange(3) ** 2
    # XYZ is linear in the parabola's three coefficients, and three equations give them.
    lights = planck[:, None] * powers
    return np.asarray(lights @ np.linalg.solve(functions.T @ lights, white))


def target_factor(nm: npt.ArrayLike, reflectance: npt.ArrayLike, cct: float, duv: float) -> Floats:
    """Return what a target that is not spectrally flat does to the XYZ of a light: divide it out.

    The spectrum of the light is not known, so `smooth_light` stands in. The colour seen off the target serves for the
    colour of the light; the error of that is of second order.

    Args:
        nm, reflectance: Array (m,). Wavelengths [nm], rising, and reflectance factors; held at its end values outside.
        cct, duv: Of the light [K].

    Returns: array (3,): XYZ of the light off the target over XYZ of the light itself, scaled so that Y is 1; NaN
        without a CCT. A matrix times ``diag`` of it sees the light itself.
    """
    wavelengths, functions = locus.observer()
    light = smooth_light(cct, duv)
    seen = functions.T @ (light * np.interp(wavelengths, np.asarray(nm), np.asarray(reflectance)))
    return np.asarray(seen / (functions.T @ light) / seen[1])


def target_matrix(nm: npt.ArrayLike, reflectance: npt.ArrayLike, cct: float, duv: float) -> Floats:
    """Return what a target that is not spectrally flat does to the XYZ of lights near one colour, as one matrix (3, 3).

    `target_factor` holds for one light; a light 6 mired and 0.002 Duv away would read 0.04 mired and 3e-5 Duv too near
    or too far by it, off a usual card. This is the factor at the light itself, and its slopes about it.

    Args:
        nm, reflectance, cct, duv: As for `target_factor`.

    Returns: array (3, 3): The XYZ of a light to that of the light off the target, whose Y is 1 at the light itself; NaN
        without a CCT.
    """
    wavelengths, functions = locus.observer()
    warmer, cooler = (smooth_light(1e6 / (1e6 / cct + sign * SLOPE_MIRED), duv) for sign in (1.0, -1.0))
    greener, pinker = (smooth_light(cct, duv + sign * SLOPE_DUV) for sign in (1.0, -1.0))
    lights = np.stack([smooth_light(cct, duv), warmer - cooler, greener - pinker], axis=1)
    seen = functions.T @ (lights * np.interp(wavelengths, np.asarray(nm), np.asarray(reflectance))[:, None])
    return np.asarray(seen @ np.linalg.inv(functions.T @ lights) / seen[1, 0])


def target_doubt(nm: npt.ArrayLike, reflectance: npt.ArrayLike, cct: float, duv: float) -> Floats:
    """Return how far a light whose spectrum is not smooth reads off, though the target is divided out.

    Lights of one colour may differ in shape: lines, glass, coating. Each band of `FLASH_SHAPE` may stand higher or
    lower by the share it names, each by itself.

    Args:
        nm, reflectance, cct, duv: As for `target_factor`.

    Returns: array (2, 2): Covariance of (mired, Duv), k = 1; nought without a CCT.
    """
    wavelengths, functions = locus.observer()
    seen_by = target_matrix(nm, reflectance, cct, duv)
    if not np.isfinite(seen_by).all():
        return np.zeros((2, 2))
    first, last, width, share = FLASH_SHAPE
    bands = np.exp(-0.5 * ((wavelengths - np.arange(first, last + 1.0, width)[:, None]) / width) ** 2)
    lights = np.array([smooth_light(cct, duv, 1.0 + share * band) for band in bands])
    seen = (lights * np.interp(wavelengths, np.asarray(nm), np.asarray(reflectance))) @ functions
    xyz = np.stack([lights @ functions, np.linalg.solve(seen_by, seen.T).T])
    read_k, read_duv = chromaticity.cct_duv(chromaticity.xyz_to_xy(xyz))
    off = np.diff([1e6 / read_k, read_duv], axis=1)[:, 0]
    return np.asarray(off @ off.T)


def meter_scale(matrix: npt.ArrayLike, neutral: npt.ArrayLike, cct: float, duv: float) -> Floats:
    """Return the gains (3,), green = 1, that make a camera `neutral` (3,) read as a meter read the light.

    Args:
        matrix: Array (3, 3). XYZ to camera RGB, from `fixed_matrix`.
        neutral: Array (3,). Camera RGB of the metered frame.
        cct, duv: The meter's reading [K].

    Returns: array (3,): Multiply camera RGB by it, or the matrix by ``diag`` of its inverse (von Kries in camera RGB);
        NaN where the reading is no colour of a white.
    """
    white = chromaticity.xy_to_xyz(chromaticity.cct_duv_to_xy(cct, duv))
    gains = np.asarray(matrix, dtype=np.float64) @ white / np.asarray(neutral, dtype=np.float64)
    return np.asarray(gains / gains[1])


def _sets(tags: ColourTags) -> tuple[tuple[float, Floats], tuple[float, Floats]]:
    """Return (mired, XYZ to camera RGB) of the warmer and the cooler calibration; one and the same where one serves."""
    first = _product(tags.matrix_1, tags.calibration_1, tags.analog_balance)
    kelvin_1, kelvin_2 = _kelvin(tags.illuminant_1, tags.white_1), _kelvin(tags.illuminant_2, tags.white_2)
    if tags.matrix_2 is None or not two_lights(kelvin_1, kelvin_2):
        only = (np.nan, first)
        return only, only
    second = _product(tags.matrix_2, tags.calibration_2, tags.analog_balance)
    assert kelvin_1 is not None  # two_lights has asked
    assert kelvin_2 is not None
    one, other = (1e6 / kelvin_1, first), (1e6 / kelvin_2, second)
    return (one, other) if one[0] > other[0] else (other, one)


def _kelvin(illuminant: int, white: tuple[float, float] | None) -> float | None:
    """Return the temperature of a calibration illuminant [K], by its code or by its xy; None where neither says it."""
    if illuminant in LIGHT_SOURCE_K or white is None:
        return LIGHT_SOURCE_K.get(illuminant)
    kelvin = float(chromaticity.cct_duv(np.array(white))[0])
    return kelvin if np.isfinite(kelvin) else None


def _product(matrix: Floats, calibration: Floats | None, balance: Floats | None) -> Floats:
    product = matrix if calibration is None else calibration @ matrix
    product = product if balance is None else np.diag(balance) @ product
    if not has_inverse(product):
        raise GreystepError(
            f"its colour matrix has no inverse ({_said(product)}); make a camera.json from a frame of a colour chart"
        )
    return np.asarray(product, dtype=np.float64)


def _said(matrix: Floats) -> str:
    return " ".join(f"{value:.4g}" for value in matrix.ravel())


def _blend(warm: tuple[float, Floats], cool: tuple[float, Floats], weight: float) -> Floats:
    return np.asarray(weight * warm[1] + (1.0 - weight) * cool[1])


def _weight(warm: tuple[float, Floats], cool: tuple[float, Floats], xy: Floats) -> float:
    """Return the weight of the warmer set for a white, within 0 and 1: linear in 1 / CCT (p. 100)."""
    if warm is cool:
        return 1.0
    cct = float(chromaticity.cct_duv(xy, duv_limit=np.inf)[0])
    if np.isnan(cct):
        # Beyond an end of the locus, where x tells red from blue: the nearer set.
        return float(xy[0] > 1.0 / 3.0)
    return float(np.clip((1e6 / cct - cool[0]) / (warm[0] - cool[0]), 0.0, 1.0))
