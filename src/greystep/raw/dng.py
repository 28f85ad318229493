"""A DNG by its own tags: where its raw image lies in the file, its levels and colour, and any box of it.

*Stored* coordinates are of the raw image as it lies in the file, masked borders included; all others are of its
ActiveArea. Page numbers are those of the DNG specification 1.7.1.0.
"""

import struct
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Final

import numpy as np
import tifffile

from greystep.arrays import Floats, Triple
from greystep.constants import LIGHT_SOURCE_K, DngTag
from greystep.errors import FrameError
from greystep.raw.exposure import quiet
from greystep.raw.guard import one_line
from greystep.raw.levels import Levels, linear, read_levels
from greystep.raw.raster import CFA, LINEAR_RAW, Raster, Region, pages_of, raw_page, read_raster, read_stored
from greystep.raw.tags import Tags, integers, numbers, read_tags, unread
from greystep.terms import UnusedCalibration

#: Longest side of the part of a masked area that is read [px].
_MASKED_SIDE: Final = 512
#: Gains of a sensor's colours lie nearer to each other than this ratio (own assumption, far beyond any light).
_MOST_BALANCE: Final = 30.0
#: IlluminantData that is a white: its kind, 0, and the two rationals of its xy.
_XY_BYTES: Final = 18
#: The latest version of the specification that is known here; a file may ask for a later reader.
_VERSION: Final = (1, 7, 1, 0)
_SIGNATURES: Final = (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")


@dataclass(frozen=True, eq=False)
class ColourTags:
    """The colour calibration of a camera.

    Attributes:
        matrix_1, matrix_2: Ndarray (3, 3). ColorMatrix: XYZ to camera RGB under each calibration illuminant; the second
            may be None.
        illuminant_1, illuminant_2: EXIF LightSource codes; 0 is unknown, or a light that only its white describes.
        calibration_1, calibration_2: Ndarray (3, 3) or None. CameraCalibration of this one body; None stands for
            identity.
        as_shot_neutral: Tuple of 3 floats or None. The neutral that the camera chose, in linear camera RGB. An
            AsShotWhiteXY is not turned into one.
        source: ``dng`` (one matrix, or one that can be used), ``dng-2`` or ``library``.
        white_1, white_2: Tuple of 2 floats or None. CIE 1931 xy of the calibration illuminants where IlluminantData
            holds it; a light that it describes as a spectrum stays unknown.
        unused: What the file says of colour and nothing here uses, see `UnusedCalibration`.
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
    white_1: tuple[float, float] | None = None
    white_2: tuple[float, float] | None = None
    unused: tuple[str, ...] = ()

    @cached_property
    def calibration(self) -> tuple[object, ...]:
        """What makes XYZ of camera RGB, to be compared: all but what the camera chose as neutral."""
        arrays = (self.matrix_1, self.matrix_2, self.calibration_1, self.calibration_2, self.analog_balance)
        numbers = (None if one is None else tuple(one.ravel().tolist()) for one in arrays)
        return (*numbers, self.illuminant_1, self.illuminant_2, self.white_1, self.white_2)


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
    with one_line(path, "its tags are damaged"), _directories(path) as pages:
        if pages is None:
            return None
        first = read_tags(path.name, pages[0]) if pages else {}
        if DngTag.DNG_VERSION not in first:
            if path.suffix.lower() == ".dng":
                raise unread(path.name, DngTag.DNG_VERSION)
            _refuse_picture(path, pages)
            return None
        _check_version(path, first)
        return _dng(path, first, pages)


def compression_of(path: Path) -> int | None:
    """Return how the raw image of a DNG is compressed, by two of its tags; None where the file is no DNG.

    Raises:
        FrameError: Where its tags cannot be read.
    """
    with one_line(path, "its tags are damaged"), _directories(path) as pages:
        if not pages or DngTag.DNG_VERSION not in pages[0].tags:
            return None
        return int(raw_page(path, pages).compression)


@contextmanager
def _directories(path: Path) -> Iterator[list[tifffile.TiffPage] | None]:
    """Hold a TIFF open and give its directories; None where the file is none."""
    quiet("tifffile")
    with path.open("rb") as file:
        signed = file.read(4) in _SIGNATURES
    try:
        tif = tifffile.TiffFile(path) if signed else None
    except tifffile.TiffFileError:
        if path.suffix.lower() == ".dng":
            raise
        tif = None
    if tif is None:
        yield None
        return
    with tif:
        yield pages_of(tif)


def read_boxes(path: Path, dng: Dng, boxes: Sequence[Region]) -> list[Floats]:
    """Read boxes of the image as linear counts, black not subtracted; what several lie in is decoded once.

    Returns: ndarray float64 (h, w) of each, or (h, w, 3) for a frame of three planes

    Raises:
        FrameError: With the flag ``damaged`` where the pixels cannot be decoded.
    """
    whole = dng.levels.coding is not None  # its curves go by the place
    stored = [
        Region(dng.top + y0, dng.top + y1, dng.left + x0, dng.left + x1, *((1, 1) if whole else steps))
        for y0, y1, x0, x1, *steps in boxes
    ]
    read = zip(read_stored(path, dng.raster, stored), boxes, strict=True)
    counts = [linear(dng.levels, codes, box.y0, box.x0) for codes, box in read]
    return [one[:: box.down, :: box.across] for one, box in zip(counts, boxes, strict=True)] if whole else counts


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
    return a.calibration == b.calibration


def two_lights(one: float | tuple[float, float] | None, other: float | tuple[float, float] | None) -> bool:
    """Say whether two temperatures or whites are known and differ: without that nothing is interpolated."""
    return one is not None and other is not None and one != other


def neutral_of(values: Floats) -> Triple | None:
    """Return three positive finite values as a camera neutral, None where they are not that."""
    if values.size != 3 or not np.isfinite(values).all() or values.min() <= 0:
        return None
    red, green, blue = values.tolist()
    return red, green, blue


def _refuse_picture(path: Path, pages: list[tifffile.TiffPage]) -> None:
    # LibRaw would take any grey TIFF for a mosaic. A raw TIFF has a CFA image, or none that is plainly a picture.
    if any(page.photometric in (CFA, LINEAR_RAW) for page in pages):
        return
    largest = max(pages, key=lambda page: page.imagelength * page.imagewidth, default=None)
    if largest is not None and 262 in largest.tags and largest.photometric in (0, 1):
        raise FrameError(f"{path.name}: a grey picture in a TIFF, not a raw frame; use the camera's own raw file")


def _check_version(path: Path, first: Tags) -> None:
    written = integers(first, DngTag.DNG_VERSION)
    needed = integers(first, DngTag.DNG_BACKWARD_VERSION) or (*written[:2], 0, 0)  # its default
    if needed > _VERSION:
        raise FrameError(
            f"{path.name}: asks for a reader of DNG {'.'.join(map(str, needed))}, and {'.'.join(map(str, _VERSION))} is"
            " the latest that is known here; convert it to an older version"
        )


def _dng(path: Path, first: Tags, pages: list[tifffile.TiffPage]) -> Dng:
    page = raw_page(path, pages)
    tags = first if page is pages[0] else read_tags(path.name, page)
    raster = read_raster(path, page, tags, page.parent.filehandle.size)
    top, left, bottom, right = integers(tags, DngTag.ACTIVE_AREA) or (0, 0, raster.height, raster.width)
    if not (0 <= top < bottom <= raster.height and 0 <= left < right <= raster.width):
        raise FrameError(
            f"{path.name}: its ActiveArea {top} {left} {bottom} {right} does not lie in its"
            f" {raster.width} x {raster.height} px; use the camera's own raw file"
        )
    bits = None if raster.dtype.kind == "f" else raster.bits
    masked = integers(tags, DngTag.MASKED_AREAS)
    return Dng(
        raster=raster,
        top=top,
        left=left,
        height=bottom - top,
        width=right - left,
        levels=read_levels(path.name, tags, bottom - top, right - left, raster.samples, bits),
        masked=tuple(
            (t, le, b, r)
            for t, le, b, r in zip(*(masked[i::4] for i in range(4)), strict=False)
            if 0 <= t < b <= raster.height and 0 <= le < r <= raster.width
        ),
        colour=_colour(path.name, first if DngTag.COLOR_MATRIX_1 in first else tags, page.parent.byteorder),
    )


def _colour(name: str, tags: Tags, order: str) -> ColourTags | None:
    def matrix(code: int) -> Floats | None:
        values = numbers(tags, code)
        if code not in tags or (values.size == 9 and not values.any()):  # zeros stand for none
            return None
        return _invertible(name, code, values)

    def illuminant(code: int) -> int:
        value = (integers(tags, code) or (0,))[0]
        return 0 if value == 255 else value

    def white(code: int) -> tuple[float, float] | None:
        data = tags.get(code)
        if not isinstance(data, bytes) or len(data) < _XY_BYTES:
            return None
        kind, x, of_x, y, of_y = struct.unpack_from(f"{order}H4I", data)
        return (x / of_x, y / of_y) if kind == 0 and min(x, of_x, y, of_y) > 0 else None

    matrix_1, matrix_2 = matrix(DngTag.COLOR_MATRIX_1), matrix(DngTag.COLOR_MATRIX_2)
    if matrix_1 is None:
        return None
    illuminant_1 = illuminant(DngTag.CALIBRATION_ILLUMINANT_1)
    illuminant_2 = illuminant(DngTag.CALIBRATION_ILLUMINANT_2)
    white_1, white_2 = white(DngTag.ILLUMINANT_DATA_1), white(DngTag.ILLUMINANT_DATA_2)
    two = two_lights(LIGHT_SOURCE_K.get(illuminant_1) or white_1, LIGHT_SOURCE_K.get(illuminant_2) or white_2)
    lights = (illuminant_1, DngTag.ILLUMINANT_DATA_1, white_1), (illuminant_2, DngTag.ILLUMINANT_DATA_2, white_2)
    unused = {
        UnusedCalibration.THIRD: numbers(tags, DngTag.COLOR_MATRIX_3).any(),
        UnusedCalibration.SPECTRUM: any(code == 0 and tag in tags and xy is None for code, tag, xy in lights),
    }
    # CameraCalibration counts where the signatures match, p. 101.
    own = tags.get(DngTag.CAMERA_CALIBRATION_SIGNATURE, "") == tags.get(DngTag.PROFILE_CALIBRATION_SIGNATURE, "")
    balance = numbers(tags, DngTag.ANALOG_BALANCE)
    if DngTag.ANALOG_BALANCE in tags and (neutral_of(balance) is None or balance.max() > _MOST_BALANCE * balance.min()):
        raise unread(name, DngTag.ANALOG_BALANCE)
    return ColourTags(
        matrix_1=matrix_1,
        matrix_2=matrix_2,
        illuminant_1=illuminant_1,
        illuminant_2=illuminant_2,
        calibration_1=matrix(DngTag.CAMERA_CALIBRATION_1) if own else None,
        calibration_2=matrix(DngTag.CAMERA_CALIBRATION_2) if own else None,
        analog_balance=balance if balance.size else None,
        as_shot_neutral=neutral_of(numbers(tags, DngTag.AS_SHOT_NEUTRAL)),
        source="dng-2" if matrix_2 is not None and two else "dng",
        white_1=white_1,
        white_2=white_2,
        unused=tuple(str(what) for what, held in unused.items() if held),
    )


def _invertible(name: str, code: int, values: Floats) -> Floats:
    if values.size == 9 and np.isfinite(values).all():
        matrix = values.reshape(3, 3)
        if np.linalg.matrix_rank(matrix) == 3:
            return matrix
    raise unread(name, code)
