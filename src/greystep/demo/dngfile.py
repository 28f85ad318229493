"""Raw frames as DNG files: tifffile writes the image, the Exif part is put together here.

tifffile writes neither an Exif IFD nor the tag that points to it. So the pointer is written under the next, unused tag
number, and the finished file is patched: the number becomes that of the pointer, its value the place of the Exif IFD at
the end of the file. The same picture gives the same bytes: no clock and no version is written.
"""

import datetime
import io
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from typing import Any, Final

import imagecodecs
import numpy as np
import tifffile
from numpy.typing import NDArray

from greystep.arrays import Floats, Triple
from greystep.constants import DngTag
from greystep.errors import GreystepError

#: Edge of a compressed tile [px], and how its two-component lossless JPEG is coded.
TILE: Final = 160
LOSSLESS: Final[dict[str, Any]] = {"lossless": True, "bitspersample": 14}

_PLACEHOLDER: Final = 34666
#: Denominator of matrix and neutral: 10 000 would cost 0.7 K.
_DENOMINATOR: Final = 10_000_000
#: EXIF LightSource codes of the two colour matrices (DNG 1.7.1.0): standard light A, D65.
_ILLUMINANTS: Final = (17, 21)
_TYPES: Final = {"ascii": 2, "short": 3, "rational": 5, "undefined": 7}


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
        compressed: Lossless JPEG in tiles of 160 px with two components, else one uncompressed strip.

    Raises:
        GreystepError: For a compressed frame that the tiles do not fit, or that is two tiles wide: LibRaw decodes those
            wrongly.
    """
    height, width = mosaic.shape
    stream = io.BytesIO()
    common: dict[str, Any] = {
        "photometric": "CFA", "subfiletype": 0, "metadata": None, "software": False,
        "datetime": picture.captured.strftime("%Y:%m:%d %H:%M:%S"), "extratags": _tags(picture),
    }  # fmt: skip
    with tifffile.TiffWriter(stream, byteorder="<") as writer:
        if not compressed:
            writer.write(np.ascontiguousarray(mosaic), rowsperstrip=height, **common)
        elif height % TILE or width % TILE or width == 2 * TILE:
            raise GreystepError(
                f"a compressed frame of {width} x {height} px: give multiples of {TILE}, and a width other than "
                f"{2 * TILE}, or write it uncompressed"
            )
        else:
            writer.write(
                _tiles(mosaic), shape=mosaic.shape, dtype="uint16", tile=(TILE, TILE),
                compression="JPEG", compressionargs=LOSSLESS, **common,
            )  # fmt: skip
    return _with_exif(stream.getvalue(), picture)


def _tiles(mosaic: NDArray[np.uint16]) -> Iterator[bytes]:
    """Code each tile with pairs of neighbouring columns as two components, as the DNG specification allows."""
    for top in range(0, mosaic.shape[0], TILE):
        for left in range(0, mosaic.shape[1], TILE):
            tile = np.ascontiguousarray(mosaic[top : top + TILE, left : left + TILE])
            yield bytes(imagecodecs.jpeg_encode(tile.reshape(TILE, TILE // 2, 2), predictor=1, **LOSSLESS))


def _tags(picture: Picture) -> list[tuple[int, str, int, Any, bool]]:
    def ratios(values: Floats | tuple[float, ...], denominator: int) -> list[int]:
        return [part for value in np.ravel(values) for part in (round(float(value) * denominator), denominator)]

    return [
        (DngTag.MAKE, "s", 0, picture.make, True),
        (DngTag.MODEL, "s", 0, picture.model, True),
        (DngTag.ORIENTATION, "H", 1, 1, True),
        (DngTag.CFA_REPEAT_PATTERN_DIM, "H", 2, (2, 2), True),
        (DngTag.CFA_PATTERN, "B", 4, bytes((0, 1, 1, 2)), True),
        (_PLACEHOLDER, "I", 1, 0, True),
        (DngTag.DNG_VERSION, "B", 4, bytes((1, 4, 0, 0)), True),
        (DngTag.DNG_BACKWARD_VERSION, "B", 4, bytes((1, 1, 0, 0)), True),
        (DngTag.UNIQUE_CAMERA_MODEL, "s", 0, f"{picture.make} {picture.model}", True),
        (DngTag.BLACK_LEVEL_REPEAT_DIM, "H", 2, (2, 2), True),
        (DngTag.BLACK_LEVEL, "2I", 4, ratios(picture.black, 1000), True),
        (DngTag.WHITE_LEVEL, "I", 1, picture.white, True),
        (DngTag.COLOR_MATRIX_1, "2i", 9, ratios(picture.matrix_a, _DENOMINATOR), True),
        (DngTag.COLOR_MATRIX_2, "2i", 9, ratios(picture.matrix_d65, _DENOMINATOR), True),
        (DngTag.AS_SHOT_NEUTRAL, "2I", 3, ratios(picture.neutral, _DENOMINATOR), True),
        (DngTag.CAMERA_SERIAL_NUMBER, "s", 0, picture.serial, True),
        (DngTag.CALIBRATION_ILLUMINANT_1, "H", 1, _ILLUMINANTS[0], True),
        (DngTag.CALIBRATION_ILLUMINANT_2, "H", 1, _ILLUMINANTS[1], True),
    ]


def _with_exif(file: bytes, picture: Picture) -> bytes:
    with tifffile.TiffFile(io.BytesIO(file)) as opened:
        tag = opened.pages[0].tags[_PLACEHOLDER]  # type: ignore[union-attr]
        entry, value = tag.offset, tag.valueoffset
    patched = bytearray(file) + bytes(len(file) % 2)
    struct.pack_into("<H", patched, entry, DngTag.EXIF_POINTER)
    struct.pack_into("<I", patched, value, len(patched))
    return bytes(patched + _exif(picture, at=len(patched)))


def _exif(picture: Picture, at: int) -> bytes:
    """Return the Exif IFD with its values behind it, for a place `at` bytes into the file (tags of EXIF 2.3)."""
    hundredths = picture.captured.microsecond // 10_000
    entries: list[tuple[int, str, Any]] = [
        (DngTag.EXPOSURE_TIME, "rational", picture.exposure_s),
        (DngTag.F_NUMBER, "rational", Fraction(str(picture.f_number))),
        (DngTag.PHOTOGRAPHIC_SENSITIVITY, "short", picture.iso),
        (DngTag.EXIF_VERSION, "undefined", b"0230"),
        (DngTag.DATE_TIME_ORIGINAL, "ascii", picture.captured.strftime("%Y:%m:%d %H:%M:%S")),
        (DngTag.FLASH, "short", 9 if picture.fired else 16),  # Flash: fired or did not fire, compulsory mode
        (DngTag.FOCAL_LENGTH, "rational", Fraction(str(picture.focal_mm))),
        (DngTag.SUB_SEC_TIME_ORIGINAL, "ascii", f"{hundredths:02d}"),
        (DngTag.BODY_SERIAL_NUMBER, "ascii", picture.serial),
        (DngTag.LENS_MODEL, "ascii", picture.lens),
    ]
    table, values = struct.pack("<H", len(entries)), b""
    behind = at + 2 + 12 * len(entries) + 4
    for code, kind, value in entries:
        count = 1
        if kind == "rational":
            data = struct.pack("<II", value.numerator, value.denominator)
        elif kind == "short":
            data = struct.pack("<H", value)
        else:
            data = value if kind == "undefined" else value.encode("ascii") + b"\0"
            count = len(data)
        if len(data) > 4:
            place = struct.pack("<I", behind + len(values))
            values += data + bytes(len(data) % 2)
        else:
            place = data.ljust(4, b"\0")
        table += struct.pack("<HHI", code, _TYPES[kind], count) + place
    return table + struct.pack("<I", 0) + values
