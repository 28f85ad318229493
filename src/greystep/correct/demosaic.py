"""A raw frame as a linear image in a working space: black off, demosaiced, corrected in camera RGB, one matrix.

The demosaic is the plain bilinear one: where the filter has the colour the pixel's own value stands, elsewhere the mean
of its neighbours of that colour, near ones with more weight. It is linear and even light stays even, which is what a
correction needs; it does not look for edges.
"""

from collections.abc import Iterator

import numpy as np
from scipy import ndimage

from greystep.arrays import Filters, Floats, Image
from greystep.raw.frame import Frame, read_region, usable_range

#: Rows that are developed at a time, to spare memory.
BAND = 512


def developed_bands(frame: Frame, factors: Floats, neutral: Floats, developed: Floats) -> Iterator[tuple[int, Image]]:
    """Develop a frame in bands of rows, from the top.

    Args:
        factors: Array (3,). ``2**exposure_stops * gains`` in camera RGB.
        neutral: Array (3,). The reference neutral, camera RGB, green = 1.
        developed: Array (3, 3). A: camera RGB to the working space, with the reference neutral at (k, k, k).

    Yields:
        top: First row of the band.
        band: array float32 (rows, width, 3). Working space; 1 is the white level of green under the reference light.
            What lies above the level that all three channels can reach is cut off there, so that blown highlights stay
            neutral; nothing else is cut.

    Raises:
        FrameError: Where the pixels cannot be decoded.
    """
    # One scale for the three channels: the gains are ratios of counts.
    scale = usable_range(frame)
    colours = np.where(frame.pattern == 3, 1, frame.pattern)
    reach = reach_of(colours)
    ceiling = (neutral * np.min(factors / neutral)).astype(np.float32)
    gains, matrix = (factors / scale).astype(np.float32), developed.T.astype(np.float32)
    for top in range(0, frame.height, BAND):
        bottom = min(top + BAND, frame.height)
        above, below = max(0, top - reach), min(frame.height, bottom + reach)
        box = read_region(frame, above, below, 0, frame.width)
        light = (box.values - box.black).astype(np.float32)
        rgb = light if light.ndim == 3 else demosaic(light, np.where(box.colours == 3, 1, box.colours), reach)
        band = np.minimum(rgb[top - above : bottom - above] * gains, ceiling)
        yield top, band @ matrix


def demosaic(light: Image, colours: Filters, reach: int) -> Image:
    """Fill in the colours that each pixel's filter does not pass.

    Args:
        light: Array float32 (h, w). Above black.
        colours: Array (h, w). Filter colour of each pixel: 0 red, 1 green, 2 blue.
        reach: Half side of the square about each pixel in which every colour stands; 1 for a 2 x 2 pattern.

    Returns: array float32 (h, w, 3)
    """
    tent = np.concatenate([np.arange(1, reach + 2), np.arange(reach, 0, -1)]).astype(np.float32)
    rgb = np.empty((*light.shape, 3), np.float32)
    for colour in range(3):
        there = (colours == colour).astype(np.float32)
        total, weight = _smoothed(light * there, tent), _smoothed(there, tent)
        # At the corner of a frame the square is cut and may lack a colour: the nearest rim of the frame fills it.
        missing = weight == 0
        total /= np.where(missing, np.float32(1.0), weight)
        rgb[..., colour] = np.where(there > 0, light, total)
        if missing.any():
            nearest = ndimage.distance_transform_edt(missing, return_distances=False, return_indices=True)
            rgb[..., colour] = rgb[..., colour][tuple(nearest)]
    return rgb


def reach_of(colours: Filters) -> int:
    """Return the half side [px] of the smallest square that holds every colour wherever it lies on a filter pattern."""
    if colours.min() < 0:
        return 0
    side = max(colours.shape)
    wide = np.tile(colours, (4 * side // colours.shape[0] + 1, 4 * side // colours.shape[1] + 1))
    reach = 1
    while not all(
        ndimage.maximum_filter(wide == colour, size=2 * reach + 1)[side:-side, side:-side].all() for colour in range(3)
    ):
        reach += 1
    return reach


def _smoothed(plane: Image, tent: Image) -> Image:
    for axis in (0, 1):
        plane = ndimage.correlate1d(plane, tent, axis=axis, mode="constant")
    return plane
