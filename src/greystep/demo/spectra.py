"""Lights, surfaces and cameras as spectra on one grid, and the true colour of every light.

All spectra are invented but for the measured camera, the standard illuminants and the chart that the colour matrices
are fitted to, which colour-science carries. A flash is a Planckian continuum with xenon-like lines in a fixed
proportion to it: its colour moves with the temperature of the continuum, its shape stays.
"""

from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Final

import numpy as np

from greystep.arrays import Floats
from greystep.colour_library import open_library
from greystep.constants import C2_M_K, XENON_LINES_NM
from greystep.errors import GreystepError

colour = open_library()

#: The grid of every spectrum [nm]: the range of the CIE 1931 observer, 1 nm.
NM: Final[Floats] = np.arange(360.0, 831.0)

#: Height of each xenon line above the continuum, invented; the lines are broad, as a dense discharge makes them.
LINE_HEIGHTS: Final = (0.10, 0.10, 0.22, 0.12, 0.20, 0.14, 0.15, 0.12, 0.06, 0.05, 0.05, 0.05, 0.25, 0.35, 0.30)
LINE_WIDTH_NM: Final = 2.5

#: The broad absorption or emission that makes one head greener than another (glass, coating), invented.
TINT_CENTRE_NM: Final = 545.0
TINT_WIDTH_NM: Final = 40.0

ROOM_LIGHT_K: Final = 2900.0

#: The grey card as its seller might tabulate it: nearly flat, a little warm; invented.
GREY_CARD: Final = (
    (360.0, 0.1660), (400.0, 0.1745), (440.0, 0.1768), (480.0, 0.1780), (520.0, 0.1788), (560.0, 0.1795),
    (600.0, 0.1802), (640.0, 0.1810), (680.0, 0.1818), (720.0, 0.1826), (780.0, 0.1835), (830.0, 0.1840),
)  # fmt: skip

#: Other surfaces of the scene: floor, then (kind, centre [nm], width [nm], height) of its bands; invented.
SURFACES: Final[dict[str, tuple[float, tuple[tuple[str, float, float, float], ...]]]] = {
    "wall": (0.015, (("band", 470, 60, 0.015),)),
    "table": (0.018, (("edge", 590, 40, 0.040),)),
    "red": (0.035, (("edge", 605, 12, 0.240),)),
    "yellow": (0.030, (("edge", 515, 14, 0.170),)),
    "green": (0.030, (("band", 530, 32, 0.150),)),
    "blue": (0.030, (("band", 455, 34, 0.190),)),
    "violet": (0.045, (("band", 430, 30, 0.120), ("edge", 640, 18, 0.110))),
    "skin": (0.065, (("edge", 580, 30, 0.120),)),
}

#: XYZ to camera of the `exact` camera: the observer through one 3x3, of the size of real ones; invented.
EXACT_MATRIX: Final = ((0.95, -0.28, -0.09), (-0.55, 1.32, 0.24), (-0.17, 0.27, 0.72))


@dataclass(frozen=True)
class LightColour:
    """Colour of lights, each an array of shape (n,): CIE 1931 2 degree observer, Ohno (2013)."""

    cct_k: Floats
    duv: Floats
    mired: Floats
    u_prime: Floats
    v_prime: Floats


@dataclass(frozen=True)
class Camera:
    """Sensitivities (nm, 3) on `NM`, and the 3x3 from XYZ for illuminant A and for D65, as a DNG holds them."""

    sensitivities: Floats
    matrix_a: Floats
    matrix_d65: Floats


def observer() -> Floats:
    """Return the CIE 1931 2 degree colour-matching functions on `NM`, shape (nm, 3)."""
    return _on_grid(colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"])


def planck(temperature_k: Floats | float) -> Floats:
    """Return Planckian spectra, shape (..., nm), 1 at 560 nm, for temperatures [K] of shape (...)."""
    kelvin = np.asarray(temperature_k, dtype=np.float64)[..., None]
    return (560.0 / NM) ** 5 * np.expm1(C2_M_K / (560e-9 * kelvin)) / np.expm1(C2_M_K / (NM * 1e-9 * kelvin))


def flash(mired: Floats, duv: Floats) -> Floats:
    """Return flash spectra of wanted colours, luminance (Y) 1.

    The temperature of the continuum and the strength of the tint are solved for by chord iteration, so that a head
    can be described by the colour that it shows. Near Ohno's seam at Duv 0.002 the result may be 0.05 K off: the
    truth of a light is always `true_colour` of its spectrum.

    Args:
        mired: Array, shape (n,). Wanted 1e6 / CCT [MK^-1].
        duv: Array, shape (n,). Wanted distance from the Planckian locus, positive = greener.

    Returns: array, shape (n, nm)
    """
    return np.array(_flash(tuple(np.asarray(mired).tolist()), tuple(np.asarray(duv).tolist())))


@lru_cache(maxsize=4)
def _flash(mired: tuple[float, ...], duv: tuple[float, ...]) -> Floats:
    """Solve for `flash`: frames and truth of a session ask for the same lights."""
    wanted = np.stack([mired, duv], axis=-1).astype(np.float64)
    parameters = np.stack([wanted[:, 0], np.zeros(len(wanted))], axis=-1)
    start = _shown(parameters)
    steps = (np.array([1.0, 0.0]), np.array([0.0, 0.02]))
    columns = [(_shown(parameters + step) - start) / step.sum() for step in steps]
    inverse = np.linalg.inv(np.stack(columns, axis=-1))
    for _ in range(8):
        parameters = parameters + np.einsum("nij,nj->ni", inverse, wanted - _shown(parameters))
    return _unit_luminance(_flash_shape(parameters))


def room_light() -> Floats:
    """Return the spectrum of the room's lamps, luminance 1, shape (nm,)."""
    return _unit_luminance(planck(ROOM_LIGHT_K))


def true_colour(spectra: Floats) -> LightColour:
    """Return the colour of spectra of shape (n, nm) by summation over the observer at 1 nm."""
    xyz = spectra @ observer()
    uv = xyz[:, :2] * (4.0, 6.0) / (xyz @ np.array([1.0, 15.0, 3.0]))[:, None]
    # A light on the locus to the last digit makes the library take the root of a negative number: that Duv is 0.
    with np.errstate(invalid="ignore"):
        cct_k, duv = np.asarray(colour.temperature.uv_to_CCT_Ohno2013(uv)).T
    return LightColour(cct_k, np.nan_to_num(duv), 1e6 / cct_k, uv[:, 0], 1.5 * uv[:, 1])


def grey_card() -> Floats:
    """Return the reflectance of the grey card on `NM`: straight lines between the rows of `GREY_CARD`."""
    nm, factor = np.array(GREY_CARD).T
    return np.asarray(np.interp(NM, nm, factor))


def surface(name: str) -> Floats:
    """Return the reflectance of a surface of the scene on `NM`."""
    floor, bands = SURFACES[name]
    shapes = {"band": lambda x: np.exp(-0.5 * x**2), "edge": lambda x: 1.0 / (1.0 + np.exp(-x))}
    total = floor + sum(height * shapes[kind]((NM - centre) / width) for kind, centre, width, height in bands)
    return np.asarray(total, dtype=np.float64)


def camera(name: str) -> Camera:
    """Return the camera ``measured`` (sensitivities of a real body) or ``exact`` (the observer through one 3x3).

    Raises:
        GreystepError: For another name.
    """
    if name == "exact":
        matrix = np.array(EXACT_MATRIX)
        return Camera(observer() @ matrix.T, matrix, matrix)
    if name == "measured":
        # Two bodies measured by a national laboratory come with the library; the one tabulated at 5 nm is taken.
        measured = next(s for s in colour.MSDS_CAMERA_SENSITIVITIES.values() if s.shape.interval == 5)
        sensitivities = _on_grid(measured)
        matrices = [fit_matrix(sensitivities, _on_grid(colour.SDS_ILLUMINANTS[light])) for light in ("A", "D65")]
        return Camera(sensitivities, *matrices)
    raise GreystepError(f"camera '{name}': not known; use measured or exact")


def fit_matrix(sensitivities: Floats, illuminant: Floats) -> Floats:
    """Fit the 3x3 from XYZ to camera under one light: least squares over a chart, the light's own white kept exactly.

    Args:
        sensitivities: Array, shape (nm, 3). Of the camera, on `NM`.
        illuminant: Array, shape (nm,). Spectrum of the light, any scale.

    Returns: array, shape (3, 3): For XYZ with the white at Y = 1.

    Notes:
        The chart is the 24 reflectances that colour-science lists under the name of ISO 17321-1.
    """
    chart = np.stack([_on_grid(sd) for sd in colour.SDS_COLOURCHECKERS["ISO 17321-1"].values()])
    luminance = illuminant @ observer()[:, 1]
    lit = np.vstack([illuminant, chart * illuminant]) / luminance
    xyz, rgb = lit @ observer(), lit @ sensitivities
    white = np.outer(rgb[0], xyz[0]) / (xyz[0] @ xyz[0])
    free = np.linalg.svd(xyz[:1])[2][1:]  # the two directions of XYZ that leave the white alone
    rest = np.linalg.lstsq(xyz[1:] @ free.T, rgb[1:] - xyz[1:] @ white.T, rcond=None)[0]
    return np.asarray(white + rest.T @ free)


def _flash_shape(parameters: Floats) -> Floats:
    """Spectra (n, nm) for rows of continuum temperature [MK^-1] and tint."""
    lines = sum(
        height * np.exp(-0.5 * ((NM - centre) / LINE_WIDTH_NM) ** 2)
        for centre, height in zip(XENON_LINES_NM, LINE_HEIGHTS, strict=True)
    )
    tint = np.exp(parameters[:, 1:] * np.exp(-0.5 * ((NM - TINT_CENTRE_NM) / TINT_WIDTH_NM) ** 2))
    return np.asarray(planck(1e6 / parameters[:, 0]) * (1.0 + lines) * tint)


def _shown(parameters: Floats) -> Floats:
    found = true_colour(_flash_shape(parameters))
    return np.stack([found.mired, found.duv], axis=-1)


def _unit_luminance(spectra: Floats) -> Floats:
    return np.asarray(spectra / (spectra @ observer()[:, 1])[..., None])


def _on_grid(spectrum: Any) -> Floats:
    """Bring a library spectrum, one or several columns, onto `NM`: straight lines, end values held outside."""
    values = np.asarray(spectrum.values, dtype=np.float64)
    columns = values.reshape(len(values), -1).T
    return np.stack([np.interp(NM, spectrum.wavelengths, column) for column in columns], axis=-1).reshape(
        len(NM), *values.shape[1:]
    )
