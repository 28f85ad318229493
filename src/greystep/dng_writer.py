"""Raw frames as DNG files: tifffile writes the image, the Exif part is put together here.

tifffile writes neither an Exif IFD nor the tag that points to it. So the pointer is written under the next, unused tag
number, and the finished file is patched: the number becomes that of the pointer, its value the place of the Exif IFD at
the end of the file. The same frame gives the same bytes: no clock and no version is written. Tags are those of the DNG
specification 1.7.1.0 and of EXIF 2.3; what is None or blank is left out.
"""

import hashlib
import io
import struct
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from fractions import Fraction
from typing import Any, Final

import imagecodecs
import numpy as np
import tifffile
from numpy.typing import NDArray

from greystep.arrays import Filters, Floats, Triple
from greystep.constants import ISO_NOT_IN_TAG, DngTag
from greystep.words import camera_name

#: Edge of a compressed tile [px]; a smaller frame has smaller ones, in multiples of 16 (TIFF 6.0, p. 67).
_TILE: Final = 160
_TILE_STEP: Final = 16
#: Denominators of black levels, of stops, of matrices and neutrals (10 000 would cost 0.7 K), and the largest of times.
_BLACK, _STOPS, _COLOUR, _TIME = 1000, 1_000_000, 10_000_000, 1_000_000
_PLACEHOLDER: Final = 34666
_TYPES: Final = {"ascii": 2, "short": 3, "long": 4, "rational": 5, "undefined": 7}
#: EXIF SensitivityType: the number beside it is a recommended exposure index.
_IS_EXPOSURE_INDEX: Final = 2

TiffTag = tuple[int, str, int, Any, bool]
ExifTag = tuple[int, str, Any]


@dataclass(frozen=True, eq=False)
class RawImage:
    """Raw counts and what they mean; patterns repeat from the corner of the active area.

    Attributes:
        pixels: Ndarray uint16 (h, w), or (h, w, 3) for three planes. Black level and masked borders included.
        pattern: Ndarray (ph, pw). Filter colours: 0 R, 1 G, 2 B; not asked for three planes.
        black: Ndarray (rh, rw) or (rh, rw, 3). Black level, to a thousandth [counts].
        white: White level of every plane [counts].
        area: Top, left, bottom and right of the active area [px]; None for the whole.
    """

    pixels: NDArray[np.uint16]
    pattern: Filters
    black: Floats
    white: int
    area: tuple[int, int, int, int] | None = None


@dataclass(frozen=True, eq=False)
class RawColour:
    """The colour of a frame.

    Attributes:
        matrices: One or two of: EXIF LightSource code (0 is unknown), ndarray (3, 3) from XYZ to camera RGB.
        neutral: AsShotNeutral, camera RGB.
        stops: BaselineExposure [stops].
    """

    matrices: tuple[tuple[int, Floats], ...]
    neutral: Triple
    stops: float | None = None


@dataclass(frozen=True)
class Recorded:
    """What a camera records of a frame.

    Attributes:
        captured: ISO 8601 by the camera's clock, without zone, with any fraction.
        exposure_s, focal_mm: [s], [mm]
        fired: Whether a flash did.
        texts: Description, artist and the like by their TIFF tags.
    """

    captured: str = ""
    exposure_s: float | Fraction | None = None
    f_number: float | None = None
    iso: float | None = None
    focal_mm: float | None = None
    fired: bool | None = None
    orientation: int = 1
    make: str = ""
    model: str = ""
    serial: str = ""
    lens: str = ""
    texts: Mapping[int, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Original:
    """The raw file of another format that a DNG is made from: its name and the MD5 of its bytes."""

    name: str
    md5: bytes


def dng_bytes(
    image: RawImage, colour: RawColour, recorded: Recorded, original: Original | None = None, compressed: bool = True
) -> bytes:
    """Return a DNG file of one frame.

    Args:
        original: Where the frame comes from; then the file names it, and has a digest of the pixels.
        compressed: Lossless JPEG in tiles, else one uncompressed strip; a frame smaller than a tile is a strip always.
    """
    pixels = np.ascontiguousarray(image.pixels)
    height, width = pixels.shape[:2]
    day, _ = exif_time(recorded.captured)
    common: dict[str, Any] = {
        "photometric": "CFA" if pixels.ndim == 2 else "LINEAR_RAW",
        "planarconfig": None if pixels.ndim == 2 else "CONTIG",
        "subfiletype": 0,
        "metadata": None,
        "software": False,
        "datetime": day or None,
        "extratags": [*_levels(image), *_colour(colour), *_origin(pixels, recorded, original)],
    }
    stream = io.BytesIO()
    with tifffile.TiffWriter(stream, byteorder="<") as writer:
        if not compressed or min(height, width) < _TILE_STEP:
            writer.write(pixels, rowsperstrip=height, **common)
        else:
            tile = _tile(height, width)
            coding = {"lossless": True, "bitspersample": _bits(image)}
            writer.write(
                _tiles(pixels, tile, coding), shape=pixels.shape, dtype="uint16", tile=tile,
                compression="JPEG", compressionargs=coding, **common,
            )  # fmt: skip
    return _with_exif(stream.getvalue(), recorded)


def exif_time(captured: str) -> tuple[str, str]:
    """Return an ISO 8601 time as EXIF writes it, and its fraction's digits; blanks where it is none."""
    try:
        moment = datetime.fromisoformat(captured)
    except ValueError:
        return "", ""
    _, _, fraction = captured.partition(".")
    return moment.strftime("%Y:%m:%d %H:%M:%S"), fraction if fraction.isdecimal() else ""


def _tile(height: int, width: int) -> tuple[int, int]:
    """Return height and width of a tile; LibRaw decodes pairs wrongly where the frame is just two tiles wide."""
    high, wide = (min(_TILE, side // _TILE_STEP * _TILE_STEP) for side in (height, width))
    return high, wide - _TILE_STEP if width == 2 * wide else wide


def _bits(image: RawImage) -> int:
    """Return how many bits hold every count; nine at least, as eight would be another type."""
    return max(9, int(max(image.white, image.pixels.max())).bit_length())


def _tiles(pixels: NDArray[np.uint16], tile: tuple[int, int], coding: Mapping[str, Any]) -> Iterator[bytes]:
    """Code each tile; of a mosaic pairs of neighbouring columns are two components, as the DNG specification allows."""
    high, wide = tile
    shape = (high, wide // 2, 2) if pixels.ndim == 2 else (high, wide, 3)
    for top in range(0, pixels.shape[0], high):
        for left in range(0, pixels.shape[1], wide):
            part = pixels[top : top + high, left : left + wide]
            if part.shape[:2] != tile:
                beyond = [(0, high - part.shape[0]), (0, wide - part.shape[1]), (0, 0)]
                part = np.pad(part, beyond[: pixels.ndim], "edge")
            yield bytes(imagecodecs.jpeg_encode(np.ascontiguousarray(part).reshape(shape), predictor=1, **coding))


def _ratios(values: Floats | tuple[float, ...], denominator: int) -> list[int]:
    return [part for value in np.ravel(values) for part in (round(float(value) * denominator), denominator)]


def _levels(image: RawImage) -> list[TiffTag]:
    height, width, planes = (*image.pixels.shape, 1)[:3]
    top, left, bottom, right = image.area or (0, 0, height, width)
    tags: list[TiffTag] = [
        (DngTag.BLACK_LEVEL_REPEAT_DIM, "H", 2, image.black.shape[:2], True),
        (DngTag.BLACK_LEVEL, "2I", image.black.size, _ratios(image.black, _BLACK), True),
        (DngTag.WHITE_LEVEL, "I", planes, [image.white] * planes if planes > 1 else image.white, True),
    ]
    if planes == 1:
        tags += [
            (DngTag.CFA_REPEAT_PATTERN_DIM, "H", 2, image.pattern.shape, True),
            (DngTag.CFA_PATTERN, "B", image.pattern.size, image.pattern.astype(np.uint8).tobytes(), True),
        ]
    if image.area is not None:
        tags += [
            (DngTag.ACTIVE_AREA, "I", 4, (top, left, bottom, right), True),
            (DngTag.DEFAULT_CROP_ORIGIN, "I", 2, (0, 0), True),
            (DngTag.DEFAULT_CROP_SIZE, "I", 2, (right - left, bottom - top), True),
        ]
    return tags


def _colour(colour: RawColour) -> list[TiffTag]:
    tags: list[TiffTag] = [(DngTag.AS_SHOT_NEUTRAL, "2I", 3, _ratios(colour.neutral, _COLOUR), True)]
    codes = (
        (DngTag.COLOR_MATRIX_1, DngTag.CALIBRATION_ILLUMINANT_1),
        (DngTag.COLOR_MATRIX_2, DngTag.CALIBRATION_ILLUMINANT_2),
    )
    for (illuminant, matrix), (matrix_tag, illuminant_tag) in zip(colour.matrices, codes, strict=False):
        tags.append((matrix_tag, "2i", 9, _ratios(matrix, _COLOUR), True))
        tags.append((illuminant_tag, "H", 1, illuminant, True))
    if colour.stops is not None:
        tags.append((DngTag.BASELINE_EXPOSURE, "2i", 1, _ratios((colour.stops,), _STOPS), True))
    return tags


def _origin(pixels: NDArray[np.uint16], recorded: Recorded, original: Original | None) -> list[TiffTag]:
    texts = {
        **recorded.texts,
        DngTag.MAKE: recorded.make,
        DngTag.MODEL: recorded.model,
        DngTag.UNIQUE_CAMERA_MODEL: camera_name(recorded.make, recorded.model) or "unknown camera",  # must be there
        DngTag.CAMERA_SERIAL_NUMBER: recorded.serial,
        DngTag.ORIGINAL_RAW_FILE_NAME: original.name if original else "",
    }
    tags: list[TiffTag] = [
        (DngTag.ORIENTATION, "H", 1, recorded.orientation, True),
        (_PLACEHOLDER, "I", 1, 0, True),
        (DngTag.DNG_VERSION, "B", 4, bytes((1, 4, 0, 0)), True),
        (DngTag.DNG_BACKWARD_VERSION, "B", 4, bytes((1, 1, 0, 0)), True),
        *((code, "s", 0, _coded(text), True) for code, text in texts.items() if text),
    ]
    if original is not None:
        digest = hashlib.md5(pixels.astype("<u2", copy=False).data, usedforsecurity=False).digest()
        tags += [
            (DngTag.RAW_DATA_UNIQUE_ID, "B", 16, original.md5, True),
            (DngTag.RAW_IMAGE_DIGEST, "B", 16, digest, True),
        ]
    return tags


def _coded(text: str) -> bytes:
    return text.encode("utf-8", "backslashreplace")


def _with_exif(file: bytes, recorded: Recorded) -> bytes:
    with tifffile.TiffFile(io.BytesIO(file)) as opened:
        tag = opened.pages[0].tags[_PLACEHOLDER]  # type: ignore[union-attr]
        entry, value = tag.offset, tag.valueoffset
    patched = bytearray(file) + bytes(len(file) % 2)
    struct.pack_into("<H", patched, entry, DngTag.EXIF_POINTER)
    struct.pack_into("<I", patched, value, len(patched))
    return bytes(patched + _exif_part(_exif_tags(recorded), at=len(patched)))


def _exif_tags(recorded: Recorded) -> list[ExifTag]:
    day, fraction = exif_time(recorded.captured)
    sensitivity: list[ExifTag] = []
    if recorded.iso is not None:
        sensitivity.append((DngTag.PHOTOGRAPHIC_SENSITIVITY, "short", min(round(recorded.iso), int(ISO_NOT_IN_TAG))))
        if recorded.iso >= ISO_NOT_IN_TAG:
            sensitivity.append((DngTag.SENSITIVITY_TYPE, "short", _IS_EXPOSURE_INDEX))
            sensitivity.append((DngTag.RECOMMENDED_EXPOSURE_INDEX, "long", round(recorded.iso)))
    # Flash: fired or did not fire, compulsory mode.
    flash: list[ExifTag] = [] if recorded.fired is None else [(DngTag.FLASH, "short", 9 if recorded.fired else 16)]
    tags: list[ExifTag] = [
        (DngTag.EXPOSURE_TIME, "rational", recorded.exposure_s),
        (DngTag.F_NUMBER, "rational", recorded.f_number),
        *sensitivity,
        (DngTag.EXIF_VERSION, "undefined", b"0230"),
        (DngTag.DATE_TIME_ORIGINAL, "ascii", day),
        *flash,
        (DngTag.FOCAL_LENGTH, "rational", recorded.focal_mm),
        (DngTag.SUB_SEC_TIME_ORIGINAL, "ascii", fraction),
        (DngTag.BODY_SERIAL_NUMBER, "ascii", recorded.serial),
        (DngTag.LENS_MODEL, "ascii", recorded.lens),
    ]
    return [tag for tag in tags if tag[2] not in (None, "")]


def _exif_part(tags: list[ExifTag], at: int) -> bytes:
    """Return the Exif IFD with its values behind it, for a place `at` bytes into the file."""
    table, values = struct.pack("<H", len(tags)), b""
    behind = at + 2 + 12 * len(tags) + 4
    for code, kind, value in tags:
        count = 1
        if kind == "rational":
            ratio = Fraction(value).limit_denominator(_TIME)
            data = struct.pack("<II", ratio.numerator, ratio.denominator)
        elif kind in ("short", "long"):
            data = struct.pack("<H" if kind == "short" else "<I", value)
        else:
            data = value if kind == "undefined" else _coded(value) + b"\0"
            count = len(data)
        if len(data) > 4:
            place = struct.pack("<I", behind + len(values))
            values += data + bytes(len(data) % 2)
        else:
            place = data.ljust(4, b"\0")
        table += struct.pack("<HHI", code, _TYPES[kind], count) + place
    return table + struct.pack("<I", 0) + values
