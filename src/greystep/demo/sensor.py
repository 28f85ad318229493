"""What a locked-off camera records of a table-top with a grey card: light on surfaces, then electrons, then counts."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.special import expit

from greystep.arrays import Floats
from greystep.errors import GreystepError

#: Surfaces of the scene by number; the grey card is the only even one, the patches stand in a row beside it.
WALL, TABLE, CARD = 0, 1, 2
PATCHES: Final = ("red", "yellow", "green", "blue", "violet", "skin")
MATERIALS: Final = ("wall", "table", "card", *PATCHES)

#: Box of the card as (centre x, centre y, width, height) in fractions of the frame, and how far it is turned.
CARD_BOX: Final = (0.43, 0.45, 0.34, 0.50)
CARD_TURN_DEG: Final = 1.2

#: Filter colour (0 R, 1 G, 2 B) of the 2x2 cell, row by row: RGGB.
CFA: Final = ((0, 1), (1, 2))


@dataclass(frozen=True)
class Sensor:
    """The invented sensor: 14 bit, RGGB, about 63 000 electrons at the white level at ISO 100."""

    height: int = 320
    width: int = 480
    black: tuple[float, float, float, float] = (512.0, 512.0, 512.0, 512.0)  # by site of the 2x2 cell, row by row
    white: int = 16383
    counts_per_electron: float = 0.25  # at ISO 100
    read_noise_e: float = 3.0
    prnu: float = 0.002  # pixel-to-pixel sensitivity, standard deviation, the same in every frame
    hot_pixels: int = 15
    dust: int = 3


@dataclass(frozen=True)
class Scene:
    """Which surface each pixel sees, and how much of the light reaches it (1 at the centre of the card)."""

    surface: NDArray[np.int64]
    structure: Floats  # reflectance against the surface's own, the cloth and the wood are not even
    shading: Floats


@dataclass(frozen=True)
class Chip:
    """What one sensor does in every frame: sensitivity and dust per pixel, and the counts that hot pixels add."""

    response: Floats
    hot: Floats


def table_top(
    sensor: Sensor, rng: np.random.Generator, gradient: float = 0.0, shift: float = 0.0, flat: bool = False
) -> Scene:
    """Lay the scene out.

    Args:
        sensor: For the size of the frame.
        rng: Draws the structure of wall and table; the same state gives the same scene.
        shift: How far the card has slid to the right, in card widths.
        flat: Card from edge to edge and nothing else, lit without fall-off but for `gradient`.
    """
    size = (sensor.height, sensor.width)
    y, x = np.mgrid[0 : sensor.height, 0 : sensor.width] + 0.5
    x, y = x / sensor.width, y / sensor.height
    if flat:
        return Scene(np.full(size, CARD), np.ones(size), 1.0 + gradient * (x - 0.5))
    centre_x, centre_y, width, height = CARD_BOX
    aspect = sensor.height / sensor.width
    turn = np.deg2rad(CARD_TURN_DEG)
    across = x - centre_x - shift * width
    along = y - centre_y
    inside_x = np.abs(np.cos(turn) * across + np.sin(turn) * along * aspect) < width / 2
    inside_y = np.abs(np.cos(turn) * along - np.sin(turn) * across / aspect) < height / 2
    surface = np.where(y > 0.58 - 0.05 * x, TABLE, WALL)
    left, top, side = 0.72, 0.20, 0.085
    for number in range(len(PATCHES)):
        column, row = number % 2, number // 2
        near_x, near_y = left + column * 1.25 * side, top + row * 1.25 * side / aspect
        patch = (x >= near_x) & (x < near_x + side) & (y >= near_y) & (y < near_y + side / aspect)
        surface = np.where(patch, CARD + 1 + number, surface)
    surface = np.where(inside_x & inside_y, CARD, surface)
    grain = ndimage.gaussian_filter(rng.standard_normal(size), (2.0, 9.0))
    structure = np.where(surface < CARD, np.exp(0.25 * grain / grain.std()), 1.0)
    lens = 1.0 - 0.25 * ((x - 0.5) ** 2 + ((y - 0.5) * aspect) ** 2)
    shading = lens * (1.0 + gradient * (x - centre_x) / width)
    at_card = 1.0 - 0.25 * ((centre_x - 0.5) ** 2 + ((centre_y - 0.5) * aspect) ** 2)
    return Scene(surface, structure, np.maximum(shading, 0.0) / at_card)


def chip(sensor: Sensor, rng: np.random.Generator) -> Chip:
    """Draw the fixed faults of a sensor: pixel sensitivities, dust shadows (1 to 3 %), hot pixels."""
    size = (sensor.height, sensor.width)
    response = 1.0 + sensor.prnu * rng.standard_normal(size)
    y, x = np.mgrid[0 : sensor.height, 0 : sensor.width]
    for _ in range(sensor.dust):
        at_y, at_x = rng.uniform(0, sensor.height), rng.uniform(0, sensor.width)
        radius, depth = rng.uniform(3.0, 6.0), rng.uniform(0.01, 0.03)
        response *= 1.0 - depth * expit(2.0 * (radius - np.hypot(y - at_y, x - at_x)))
    hot = np.zeros(size)
    hot.flat[rng.choice(hot.size, size=min(sensor.hot_pixels, hot.size), replace=False)] = rng.uniform(
        300.0, 3000.0, size=min(sensor.hot_pixels, hot.size)
    )
    return Chip(response, hot)


def expose(
    sensor: Sensor,
    fixed: Chip,
    scene: Scene,
    flash_e: Floats,
    room_e: Floats,
    rng: np.random.Generator,
    iso: float = 100.0,
    focus: float | None = None,
) -> NDArray[np.uint16]:
    """Record one frame.

    Args:
        flash_e, room_e: Array, shape (surfaces, 3). Electrons that each surface of `MATERIALS` gives in R, G, B, at
            shading 1.
        rng: Draws photon and read noise of this frame.
        iso: Scales counts per electron.
        focus: Height in the frame (0 top, 1 bottom) that is sharp, the rest blurred with distance; without it all is
            sharp.

    Returns: array of uint16, shape (height, width): Raw counts, black level included.
    """
    image = scene.structure[..., None] * (flash_e[scene.surface] * scene.shading[..., None] + room_e[scene.surface])
    image = _blurred(np.maximum(image, 0.0), focus)
    rows, columns = np.indices(scene.surface.shape) % 2
    colours = np.array(CFA)[rows, columns]
    expected = np.take_along_axis(image, colours[..., None], axis=-1)[..., 0] * fixed.response
    electrons = rng.poisson(expected) + sensor.read_noise_e * rng.standard_normal(expected.shape)
    black = np.array(sensor.black).reshape(2, 2)[rows, columns]
    counts = black + fixed.hot + electrons * sensor.counts_per_electron * iso / 100.0
    recorded: NDArray[np.uint16] = np.clip(np.rint(counts), 0, sensor.white).astype(np.uint16)
    return recorded


def electrons_at(sensor: Sensor, level: float) -> float:
    """Return the electrons at ISO 100 that reach `level`, a fraction of the range between black and white."""
    if not level > 0.0:
        raise GreystepError(f"exposure level {level}: give a positive share of the range, such as 0.75")
    return float(level * (sensor.white - np.mean(sensor.black)) / sensor.counts_per_electron)


def _blurred(image: Floats, focus: float | None) -> Floats:
    """Soften as the lens does (0.6 px), and more with distance from the plane of focus: 6 px over the frame."""
    sharp = ndimage.gaussian_filter(image, (0.6, 0.6, 0.0))
    if focus is None:
        return np.asarray(sharp)
    sigmas = np.array([0.6, 1.5, 3.0, 6.0])
    levels = np.stack([sharp, *(ndimage.gaussian_filter(image, (sigma, sigma, 0.0)) for sigma in sigmas[1:])])
    wanted = 0.6 + 6.0 * np.abs((np.arange(len(image)) + 0.5) / len(image) - focus)
    weights = np.stack([np.interp(wanted, sigmas, np.eye(len(sigmas))[k]) for k in range(len(sigmas))])
    return np.asarray(np.einsum("kr,krxc->rxc", weights, levels))
