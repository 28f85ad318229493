"""A DNG by its own tags: where its raw image lies in the file, its levels and colour, and any box of it.

*Stored* coordinates are of the raw image as it lies in the file, masked borders included; all others are of its
ActiveArea. Page numbers are those of the DNG specification 1.7.1.0.
"""

import math
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import Any, Final

import imagecodecs
import numpy as np
import tifffile
from numpy.typing import NDArray

from greystep.arrays import Floats, Triple
from greystep.constants import LIGHT_SOURCE_K, DngTag
from greystep.errors import FrameError
from greystep.flags import Flag
from greystep.raw.exposure import quiet
from greystep.raw.levels import LINEAR_RAW, LOSSY_JPEG, Levels, Tags, integers, linear, numbers, read_levels

CFA: Final = 32803
#: Compressions that are decoded by tile or strip: none, JPEG (lossless), deflate, lossy JPEG, JPEG XL.
DECODED: Final = frozenset({1, 7, 8, LOSSY_JPEG, 52546})
#: Longest side of the part of a masked area that is read [px].
_MASKED_SIDE: Final = 512
_MOST_PAGES: Final = 32
_SIGNATURES: Final = (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")


@dataclass(frozen=True, eq=False)
class ColourTags:
    """The colour calibration of a camera.

    Attributes:
        matrix_1, matrix_2: Ndarray (3, 3). ColorMatrix: XYZ to camera RGB under each calibration illuminant; the second
            may be None.
        illuminant_1, illuminant_2: EXIF LightSource codes; 0 is unknown, and so is a light that only IlluminantData
            describes.
        calibration_1, calibration_2: Ndarray (3, 3) or None. CameraCalibration of this one body; None stands for
            identity.
        as_shot_neutral: Tuple of 3 floats or None. The neutral that the camera chose, in linear camera RGB. An
            AsShotWhiteXY is not turned into one.
        source: ``dng`` (one matrix, or one that can be used), ``dng-2`` or ``library``.
    """

    matrix_1: Floats
    matrix_2: Floats | None = None
    illuminant_1: int = 0
    illuminant_2: int = 0
    calibration_1: Floats | None = None
    calibration_2: Floats | None = None
    analog_balance: Floats | None = None
    as_shot_neutral: Triple | None = None
    source: str = "dng"


@dataclass(frozen=True, eq=False)
class Raster:
    """How the raw image lies in the file.

    ``plain`` says that any row can be read where it lies: uncompressed strips of whole or packed samples. ``rows``
    is the height of a strip or tile, ``offsets`` where each begins.
    """

    height: int
    width: int
    samples: int
    bits: int
    dtype: np.dtype[Any]
    compression: int
    plain: bool
    rows: int
    offsets: tuple[int, ...]


@dataclass(frozen=True, eq=False)
class Dng:
    """What a DNG says of its raw image: ``top`` and ``left`` are the stored position of its ActiveArea."""

    raster: Raster
    top: int
    left: int
    height: int
    width: int
    levels: Levels
    masked: tuple[tuple[int, int, int, int], ...]
    colour: ColourTags | None


def read_dng(path: Path) -> Dng | None:
    """Read the tags of a DNG.

    Returns: None where the file is no DNG; another format may then be tried.

    Raises:
        FrameError: For a DNG that cannot be measured (monochrome, other filter colours, contradicting tags, cut off),
            and for a plain picture in a TIFF, which is no raw frame.
    """
    quiet("tifffile")
    with one_line(path, "its tags are damaged"):
        with path.open("rb") as file:
            if file.read(4) not in _SIGNATURES:
                return None
        try:
            tif = tifffile.TiffFile(path)
        except tifffile.TiffFileError:
            if path.suffix.lower() == ".dng":
                raise
            return None
        with tif:
            pages = _pages(tif)
            if not pages or DngTag.DNG_VERSION not in pages[0].tags:
                _refuse_picture(path, pages)
                return None
            return _dng(path, pages[0], _raw_page(path, pages), tif.filehandle.size)


def read_box(path: Path, dng: Dng, y0: int, y1: int, x0: int, x1: int) -> Floats:
    """Read a box of the image as linear counts, black not subtracted.

    Args:
        y0, y1, x0, x1: Box [px].

    Returns: ndarray float64 (y1 - y0, x1 - x0), or (..., 3) for a frame of three planes

    Raises:
        FrameError: With the flag ``damaged`` where the pixels cannot be decoded.
    """
    top, left = dng.top, dng.left
    return linear(dng.levels, read_stored(path, dng.raster, top + y0, top + y1, left + x0, left + x1))


def read_stored(path: Path, raster: Raster, top: int, bottom: int, left: int, right: int) -> NDArray[Any]:
    """Read a box of the stored image: codes as they lie in the file, (h, w) or (h, w, 3)."""
    with one_line(path, "its pixels cannot be decoded", Flag.DAMAGED):
        read = _rows if raster.plain else _segments
        stored = read(path, raster, top, bottom, left, right)
        return stored[..., 0] if raster.samples == 1 else stored


def middle(area: tuple[int, int, int, int]) -> tuple[int, int, int, int]:
    """Return the part of a masked area that is read (top, bottom, left, right): its middle, at most 512 px a side."""
    top, left, bottom, right = area
    skip_y, skip_x = max(0, bottom - top - _MASKED_SIDE) // 2, max(0, right - left - _MASKED_SIDE) // 2
    return (
        top + skip_y,
        min(bottom, top + skip_y + _MASKED_SIDE),
        left + skip_x,
        min(right, left + skip_x + _MASKED_SIDE),
    )


def same_matrices(a: ColourTags | None, b: ColourTags | None) -> bool:
    """Say whether two frames carry the same colour calibration; what the camera chose as neutral does not count."""
    if a is None or b is None:
        return a is b
    names = ("matrix_1", "matrix_2", "calibration_1", "calibration_2", "analog_balance")
    pairs = [(getattr(a, name), getattr(b, name)) for name in names]
    return (a.illuminant_1, a.illuminant_2) == (b.illuminant_1, b.illuminant_2) and all(
        x is y if x is None or y is None else np.array_equal(x, y) for x, y in pairs
    )


def two_lights(illuminant_1: int, illuminant_2: int) -> bool:
    """Say whether two EXIF LightSource codes name different temperatures: without that nothing is interpolated."""
    one, other = LIGHT_SOURCE_K.get(illuminant_1), LIGHT_SOURCE_K.get(illuminant_2)
    return one is not None and other is not None and one != other


def neutral_of(values: Floats) -> Triple | None:
    """Return three positive finite values as a camera neutral, None where they are not that."""
    if values.size != 3 or not np.isfinite(values).all() or values.min() <= 0:
        return None
    red, green, blue = values.tolist()
    return red, green, blue


@contextmanager
def one_line(path: Path, wrong: str, flag: str = Flag.UNREADABLE) -> Iterator[None]:
    """Turn whatever a parser of foreign files raises into one `FrameError` of one line."""
    try:
        yield
    except FrameError:
        raise
    except FileNotFoundError as error:
        raise FrameError(f"{path.name}: there is no such file in {path.parent}; copy it again", Flag.MISSING) from error
    except OSError as error:
        raise FrameError(f"{path.name}: cannot be read ({_brief(error)}); copy it from the card again") from error
    except Exception as error:  # damaged files raise nearly anything
        unknown = "Unsupported" in type(error).__name__  # LibRaw's words for what it cannot decode; a copy is no better
        remedy = "convert it to a lossless DNG" if unknown else "copy it from the card again"
        raise FrameError(f"{path.name}: {wrong} ({_brief(error)}); {remedy}", flag) from error


def _brief(error: Exception) -> str:
    raw = error.args[-1] if error.args else ""
    text = raw.decode("utf-8", "replace") if isinstance(raw, bytes) else str(raw)  # LibRaw's messages are bytes
    return " ".join(text.split())[:100] or type(error).__name__


def _pages(tif: tifffile.TiffFile) -> list[tifffile.TiffPage]:
    # no more than a raw file has: the list of a damaged file may run in a circle
    main = [page for page in islice(tif.pages, _MOST_PAGES) if isinstance(page, tifffile.TiffPage)]
    return main + [sub for page in main for sub in page.pages or () if isinstance(sub, tifffile.TiffPage)]


def _raw_page(path: Path, pages: list[tifffile.TiffPage]) -> tifffile.TiffPage:
    main = [page for page in pages if int(page.tags.valueof(DngTag.NEW_SUBFILE_TYPE, 0)) == 0]
    raw = [page for page in main if page.photometric in (CFA, LINEAR_RAW)]
    if not raw:
        raise FrameError(f"{path.name}: a DNG without a raw image in it; use the camera's own raw file")
    return max(raw, key=lambda page: page.imagelength * page.imagewidth)


def _refuse_picture(path: Path, pages: list[tifffile.TiffPage]) -> None:
    # LibRaw would take any grey TIFF for a mosaic. A raw TIFF has a CFA image, or none that is plainly a picture.
    if any(page.photometric in (CFA, LINEAR_RAW) for page in pages):
        return
    largest = max(pages, key=lambda page: page.imagelength * page.imagewidth, default=None)
    if largest is not None and 262 in largest.tags and largest.photometric in (0, 1):
        raise FrameError(f"{path.name}: a grey picture in a TIFF, not a raw frame; use the camera's own raw file")


def _tags(page: tifffile.TiffPage) -> Tags:
    tags: dict[int, Floats | str | bytes] = {}
    for tag in page.tags.values():
        value = tag.value
        if not isinstance(value, str | bytes | dict | list):
            values = np.array(value, np.float64).ravel()
            if tag.dtype in (5, 10):
                over, under = values[0::2], values[1::2]
                values = np.divide(over, under, out=np.full(over.size, np.nan), where=under != 0)
            value = values
        if isinstance(value, str | bytes | np.ndarray):
            tags[tag.code] = value
    return tags


def _dng(path: Path, first: tifffile.TiffPage, page: tifffile.TiffPage, size: int) -> Dng:
    raster, tags = _raster(path, page, size), _tags(page)
    top, left, bottom, right = integers(tags, DngTag.ACTIVE_AREA) or (0, 0, raster.height, raster.width)
    if not (0 <= top < bottom <= raster.height and 0 <= left < right <= raster.width):
        raise FrameError(
            f"{path.name}: its ActiveArea {top} {left} {bottom} {right} does not lie in its"
            f" {raster.width} x {raster.height} px; use the camera's own raw file"
        )
    full_scale = 1.0 if raster.dtype.kind == "f" else 2.0**raster.bits - 1.0
    masked = integers(tags, DngTag.MASKED_AREAS)
    return Dng(
        raster=raster,
        top=top,
        left=left,
        height=bottom - top,
        width=right - left,
        levels=read_levels(path.name, tags, bottom - top, right - left, raster.samples, full_scale),
        masked=tuple(
            (t, le, b, r)
            for t, le, b, r in zip(*(masked[i::4] for i in range(4)), strict=False)
            if 0 <= t < b <= raster.height and 0 <= le < r <= raster.width
        ),
        colour=_colour(_tags(first) if DngTag.COLOR_MATRIX_1 in first.tags else tags),
    )


def _raster(path: Path, page: tifffile.TiffPage, size: int) -> Raster:
    height, width, samples, dtype = page.imagelength, page.imagewidth, page.samplesperpixel, page.dtype
    if samples == 1 and page.photometric == LINEAR_RAW:
        raise FrameError(f"{path.name}: a monochrome raw; no colour can be measured in it, use a colour camera")
    if samples != (3 if page.photometric == LINEAR_RAW else 1) or dtype is None or not 0 < height * width < 2**31:
        raise FrameError(
            f"{path.name}: {width} x {height} px of {samples} x {page.bitspersample} bit are not understood;"
            " use the camera's own raw file"
        )
    bits, tile, planes = int(page.bitspersample), page.is_tiled, samples if page.planarconfig == 2 else 1
    plain = (
        (int(page.compression), int(page.predictor), int(page.fillorder), planes, tile) == (1, 1, 1, 1, False)
        and (bits == 8 * dtype.itemsize or dtype.kind == "u")
    )  # fmt: skip
    rows = page.tilelength if tile else min(page.rowsperstrip, height)
    across = math.ceil(width / page.tilewidth) if tile else 1
    needed = planes * across * math.ceil(height / rows)
    offsets, counts = np.array(page.dataoffsets, np.int64), np.array(page.databytecounts, np.int64)
    if (listed := min(len(offsets), len(counts))) < needed:
        raise FrameError(f"{path.name}: lists {listed} of {needed} strips or tiles; copy it from the card again")
    offsets, counts = offsets[:needed], counts[:needed]
    if plain:  # by arithmetic: some writers count a padding of the last strip
        counts = math.ceil(width * samples * bits / 8) * np.minimum(rows, height - rows * np.arange(needed))
    end = int((offsets + counts).max())
    if end > size or offsets.min() <= 0 or counts.min() <= 0:
        raise FrameError(f"{path.name}: cut off, {size} bytes of at least {end}; copy it from the card again")
    order = dtype.newbyteorder(page.parent.byteorder)
    return Raster(height, width, samples, bits, order, int(page.compression), plain, rows, tuple(offsets.tolist()))


def _colour(tags: Tags) -> ColourTags | None:
    def matrix(code: int) -> Floats | None:
        values = numbers(tags, code)
        usable = values.size == 9 and np.isfinite(values).all() and values.any()
        return values.reshape(3, 3) if usable else None

    def illuminant(code: int) -> int:
        value = (integers(tags, code) or (0,))[0]
        return 0 if value == 255 else value

    matrix_1, matrix_2 = matrix(DngTag.COLOR_MATRIX_1), matrix(DngTag.COLOR_MATRIX_2)
    if matrix_1 is None:
        return None
    illuminant_1 = illuminant(DngTag.CALIBRATION_ILLUMINANT_1)
    illuminant_2 = illuminant(DngTag.CALIBRATION_ILLUMINANT_2)
    # CameraCalibration counts where the signatures match, p. 101.
    own = tags.get(DngTag.CAMERA_CALIBRATION_SIGNATURE, "") == tags.get(DngTag.PROFILE_CALIBRATION_SIGNATURE, "")
    balance = numbers(tags, DngTag.ANALOG_BALANCE)
    return ColourTags(
        matrix_1=matrix_1,
        matrix_2=matrix_2,
        illuminant_1=illuminant_1,
        illuminant_2=illuminant_2,
        calibration_1=matrix(DngTag.CAMERA_CALIBRATION_1) if own else None,
        calibration_2=matrix(DngTag.CAMERA_CALIBRATION_2) if own else None,
        analog_balance=None if neutral_of(balance) is None else balance,
        as_shot_neutral=neutral_of(numbers(tags, DngTag.AS_SHOT_NEUTRAL)),
        source="dng-2" if matrix_2 is not None and two_lights(illuminant_1, illuminant_2) else "dng",
    )


def _rows(path: Path, raster: Raster, top: int, bottom: int, left: int, right: int) -> NDArray[Any]:
    """Read uncompressed rows where they lie; plain reads, because a memory map dies with the card that it looks at."""
    per_pixel = raster.samples * raster.bits
    first, last = left // 8 * 8, min(-(-right // 8) * 8, raster.width)  # eight packed pixels fill whole bytes
    begin, row_bytes = first * per_pixel // 8, math.ceil(raster.width * per_pixel / 8)
    span = math.ceil(last * per_pixel / 8) - begin
    data = bytearray((bottom - top) * span)
    lines = memoryview(data)
    with path.open("rb", buffering=0) as file:
        for line, row in enumerate(range(top, bottom)):
            file.seek(raster.offsets[row // raster.rows] + row % raster.rows * row_bytes + begin)
            if file.readinto(lines[line * span : (line + 1) * span]) != span:
                raise FrameError(f"{path.name}: cut off in row {row}; copy it from the card again", Flag.DAMAGED)
    if raster.bits == 8 * raster.dtype.itemsize:
        values = np.frombuffer(data, raster.dtype)
    else:
        values = imagecodecs.packints_decode(
            bytes(data), raster.dtype.newbyteorder("="), raster.bits, runlen=(last - first) * raster.samples
        )
    return values.reshape(bottom - top, last - first, raster.samples)[:, left - first : right - first]


def _segments(path: Path, raster: Raster, top: int, bottom: int, left: int, right: int) -> NDArray[Any]:
    """Decode the strips or tiles that cover the box, and no other."""
    out = np.empty((bottom - top, right - left, raster.samples), raster.dtype.newbyteorder("="))
    with tifffile.TiffFile(path) as tif:
        page = _raw_page(path, _pages(tif))
        high, wide = raster.rows, page.tilewidth if page.is_tiled else raster.width
        down, across = math.ceil(raster.height / high), math.ceil(raster.width / wide)
        tables = {"jpegtables": page.jpegtables} if page.jpegtables else {}
        for plane in range(raster.samples if page.planarconfig == 2 else 1):
            into = out if page.planarconfig == 1 else out[..., plane : plane + 1]
            for y in range(top // high * high, bottom, high):
                for x in range(left // wide * wide, right, wide):
                    index = (plane * down + y // high) * across + x // wide
                    tif.filehandle.seek(page.dataoffsets[index])
                    data = tif.filehandle.read(page.databytecounts[index])
                    tile = page.decode(data, index, **tables)[0]
                    t, b, le, r = max(top, y), min(bottom, y + high), max(left, x), min(right, x + wide)
                    if tile is None:
                        raise FrameError(
                            f"{path.name}: tile {index} is empty; copy it from the card again", Flag.DAMAGED
                        )
                    into[t - top : b - top, le - left : r - left] = tile[0, t - y : b - y, le - x : r - x]
    return out
