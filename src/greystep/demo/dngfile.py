"""An invented camera's frames as DNG files, through the writer that corrected copies use too."""

import datetime
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from greystep import dng_writer
from greystep.arrays import Floats, Triple

#: EXIF LightSource codes of the two colour matrices (DNG 1.7.1.0): standard light A, D65.
_LIGHT_A, _D65 = 17, 21
_RGGB = np.array([[0, 1], [1, 2]], np.int8)


@dataclass(frozen=True)
class Picture:
    """Everything about a frame but its pixels; exposure as a camera records it."""

    captured: datetime.datetime  # clock of the camera, no zone, to the hundredth of a second
    exposure_s: Fraction
    f_number: float
    iso: int
    focal_mm: float
    fired: bool
    matrix_a: Floats
    matrix_d65: Floats
    neutral: Triple
    black: tuple[float, float, float, float]
    white: int
    make: str = "Invented"
    model: str = "Bench 14"
    serial: str = "000417"
    lens: str = "Invented 100 mm"


def dng_bytes(mosaic: NDArray[np.uint16], picture: Picture, compressed: bool = True) -> bytes:
    """Return a DNG file of one RGGB frame.

    Args:
        mosaic: Array of uint16, shape (height, width). Raw counts, black level included.
        compressed: Lossless JPEG in tiles, else one uncompressed strip.
    """
    hundredths = picture.captured.microsecond // 10_000
    recorded = dng_writer.Recorded(
        captured=f"{picture.captured:%Y-%m-%dT%H:%M:%S}.{hundredths:02d}",
        exposure_s=picture.exposure_s,
        f_number=picture.f_number,
        iso=picture.iso,
        focal_mm=picture.focal_mm,
        fired=picture.fired,
        make=picture.make,
        model=picture.model,
        serial=picture.serial,
        lens=picture.lens,
    )
    image = dng_writer.RawImage(mosaic, _RGGB, np.reshape(picture.black, (2, 2)), picture.white)
    matrices = ((_LIGHT_A, picture.matrix_a), (_D65, picture.matrix_d65))
    colour = dng_writer.RawColour(matrices, picture.neutral)
    return dng_writer.dng_bytes(image, colour, recorded, compressed=compressed)
