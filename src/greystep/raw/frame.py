"""A raw frame: its levels, filter pattern and colour tags, and any box of its pixels as linear counts.

There are two ways in. A DNG is read by region: its tags, then only the strips or tiles that cover the box. Every other
format, and a DNG in a compression that cannot be decoded by tile, is decoded whole by LibRaw. A LinearizationTable is
applied by both, a curve over the whole frame by the first, and no other opcode by either.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

import numpy as np
import rawpy
from numpy.typing import NDArray

from greystep.arrays import Filters, Floats, robust_sd
from greystep.errors import FrameError
from greystep.raw.dng import ColourTags, Dng, compression_of, middle, neutral_of, read_boxes, read_dng
from greystep.raw.exposure import Exposure, is_moment, within
from greystep.raw.levels import linear, split_greens, tiled
from greystep.raw.library import decoder
from greystep.raw.raster import DECODED, Region, read_stored

#: Periods of the filter patterns that LibRaw knows [px]: Bayer, its doubled kinds, X-Trans.
_PERIODS: Final = (2, 4, 6)


@dataclass(frozen=True, eq=False)
class Frame:
    """One raw frame, opened; sizes and phases are of its ActiveArea or visible area, orientation ignored.

    Attributes:
        height, width: [px]
        pattern: Ndarray int8 (ph, pw). Filter colour of the pixel (row % ph, column % pw): 0 R, 1 G, 2 B, and 3 the
            second G of a 2 x 2 pattern. [[-1]] for a frame of three planes (linear DNG).
        black_pattern: Ndarray float64 (rh, rw), or (rh, rw, 3) for three planes. Black level by (row % rh, column % rw)
            [counts].
        black_rows, black_cols: Ndarray float64 (height,), (width,) or None. Added to the black level of each row and
            column [counts].
        black_masked: Tuple of 4 floats or None. Mean of the masked pixels (R, G1, B, G2) [counts]: only for comparison,
            the file's own black is used.
        white: Tuple of 4 floats. Declared white level (R, G1, B, G2) [counts].
        exposure: What LibRaw found while it decoded another format than DNG.
        dng: The tags; None for another format.
        mosaic: Ndarray (height, width) or None. What LibRaw decoded, kept for this one frame; None where it is read by
            region.
        whole, top, left: Of another format than DNG: ndarray with the masked borders, of which `mosaic` is a view, and
            where that lies in it [px].
    """

    path: Path
    height: int
    width: int
    pattern: Filters
    black_pattern: Floats
    black_rows: Floats | None
    black_cols: Floats | None
    black_masked: tuple[float, float, float, float] | None
    white: tuple[float, float, float, float]
    colour: ColourTags | None
    opcodes: bool
    way: str
    exposure: Exposure | None = None
    dng: Dng | None = field(default=None, repr=False)
    mosaic: NDArray[Any] | None = field(default=None, repr=False)
    whole: NDArray[Any] | None = field(default=None, repr=False)
    top: int = 0
    left: int = 0

    @property
    def by_region(self) -> Dng | None:
        """The tags by which any box is read from the file; None of a frame that has been decoded whole."""
        return self.dng if self.mosaic is None else None


@dataclass(frozen=True, eq=False)
class Mosaic:
    """A box of a frame.

    Attributes:
        values: Ndarray float64 (h, w), or (h, w, 3) for a frame of three planes. Linear raw counts, black not
            subtracted.
        colours: Ndarray int8 (h, w). Filter colour of each pixel, as in `Frame`; -1 for three planes.
        black: Ndarray float64, of the shape of ``values``. The file's black level [counts].
    """

    values: Floats
    colours: Filters
    black: Floats


def open_frame(path: Path) -> Frame:
    """Open a raw frame.

    Returns: Of a DNG only the tags have been read; any other format has been decoded.

    Raises:
        FrameError: One line: what is wrong with the file and what to do.
    """
    dng = read_dng(path)
    if dng is None:
        return _open_library(path)
    levels = dng.levels
    mosaic = None if dng.raster.compression in DECODED else _library_mosaic(path, dng)
    return Frame(
        path=path,
        height=dng.height,
        width=dng.width,
        pattern=levels.pattern,
        black_pattern=levels.black_pattern,
        black_rows=levels.black_rows,
        black_cols=levels.black_cols,
        black_masked=_masked_means(path, dng) if mosaic is None and levels.coding is None else None,
        white=levels.white,
        colour=dng.colour,
        opcodes=levels.opcodes,
        way="region" if mosaic is None else "library",
        dng=dng,
        mosaic=mosaic,
    )


def needs_library(path: Path) -> bool:
    """Say whether `open_frame` would let LibRaw decode a file; False too where it would refuse it by its tags."""
    try:
        compression = compression_of(path)
    except Exception:  # opening it tells of it
        return False
    return compression not in DECODED


def read_region(frame: Frame, y0: int, y1: int, x0: int, x1: int, steps: tuple[int, int] = (1, 1)) -> Mosaic:
    """Read a box of a frame, see `read_regions`."""
    return read_regions(frame, [Region(y0, y1, x0, x1, *steps)])[0]


def read_regions(frame: Frame, regions: Sequence[Region]) -> list[Mosaic]:
    """Read boxes of a frame; what several of them lie in is decoded once.

    Raises:
        FrameError: Where one does not lie in the frame; with the flag ``damaged`` where the pixels cannot be decoded.
    """
    for y0, y1, x0, x1, _, _ in regions:
        if not (0 <= y0 < y1 <= frame.height and 0 <= x0 < x1 <= frame.width):
            raise FrameError(
                f"{frame.path.name}: rows {y0}-{y1}, columns {x0}-{x1} do not lie in its"
                f" {frame.width} x {frame.height} px; give a patch inside the frame"
            )
    dng, mosaic = frame.by_region, frame.mosaic
    if dng is not None:
        found = read_boxes(frame.path, dng, regions)
    else:
        assert mosaic is not None
        found = [mosaic[y0:y1:down, x0:x1:across].astype(np.float64) for y0, y1, x0, x1, down, across in regions]
    return [
        Mosaic(values, tiled(frame.pattern, *region[:4], region[4:]), black_of(frame, *region[:4], region[4:]))
        for values, region in zip(found, regions, strict=True)
    ]


def stored_rows(frame: Frame, y0: int, y1: int, x0: int, x1: int) -> NDArray[Any]:
    """Return a box of a frame as it is stored; errors are those of `read_regions`."""
    dng = frame.by_region
    if dng is not None:
        stored = Region(dng.top + y0, dng.top + y1, dng.left + x0, dng.left + x1)
        return read_stored(frame.path, dng.raster, [stored])[0]
    assert frame.mosaic is not None
    return frame.mosaic[y0:y1, x0:x1]


def usable_range(frame: Frame) -> float:
    """Return the lowest white level of the filter colours above the highest black level [counts]."""
    return min(frame.white) - float(frame.black_pattern.max())


def library_exposure(path: Path) -> Exposure:
    """Return the exposure data that LibRaw finds, for formats in which `read_exposure` finds nothing.

    Args:
        path: The raw file; it is decoded for this.

    Returns: Without make, model and serial, which LibRaw's door does not show; the time is the camera's clock in whole
        seconds, shifted where the computer's zone had no such hour.

    Raises:
        FrameError: Where LibRaw cannot decode the file.
    """
    with decoder(path) as raw:
        return _library_exposure(raw)


def black_of(frame: Frame, y0: int, y1: int, x0: int, x1: int, steps: tuple[int, int] = (1, 1)) -> Floats:
    """Return the file's black level over a box, thinned as by `read_regions` [counts]."""
    black: Floats = tiled(frame.black_pattern, y0, y1, x0, x1, steps)
    deeper = (None,) * (black.ndim - 2)
    if frame.black_rows is not None:
        black = black + frame.black_rows[y0 : y1 : steps[0], None, *deeper]
    if frame.black_cols is not None:
        black = black + frame.black_cols[None, x0 : x1 : steps[1], *deeper]
    return black


def _masked_means(path: Path, dng: Dng) -> tuple[float, float, float, float] | None:
    """Return the mean of the masked pixels of each filter colour, without hot pixels; None where one has none."""
    found: tuple[list[Floats], ...] = ([], [], [], [])
    areas = [Region(*middle(area)) for area in dng.masked]
    for (top, bottom, left, right, *_), stored in zip(areas, read_stored(path, dng.raster, areas), strict=True):
        values = linear(dng.levels, stored, top - dng.top, left - dng.left)
        if values.ndim == 3:
            for colour, plane in enumerate((0, 1, 2, 1)):
                found[colour].append(values[..., plane].ravel())
            continue
        colours = tiled(dng.levels.pattern, top - dng.top, bottom - dng.top, left - dng.left, right - dng.left)
        for colour, chosen in enumerate(found):
            chosen.append(values[colours == colour])
    pixels = [np.concatenate(chosen) if chosen else np.zeros(0) for chosen in found]
    if not pixels[3].size:  # one kind of green only
        pixels[3] = pixels[1]
    if not all(values.size for values in pixels):
        return None
    red, green, blue, green_2 = (_mean_without_hot(values) for values in pixels)
    return red, green, blue, green_2


def _mean_without_hot(values: Floats) -> float:
    """Mean of what lies within five robust standard deviations, one count at least, of the median."""
    away = np.abs(values - np.median(values))
    return float(values[away <= max(5.0 * robust_sd(values), 1.0)].mean())


def _library_mosaic(path: Path, dng: Dng) -> NDArray[Any]:
    """Decode a DNG whole; LibRaw's own margins and levels are not used, they are rounded and cut."""
    raster = dng.raster
    cannot = FrameError(
        f"{path.name}: its compression {raster.compression} is not one that can be decoded; convert it to a lossless"
        " DNG"
    )
    if raster.dtype.kind == "f" or raster.fields != (1, 1) or dng.levels.coding is not None:
        raise cannot  # LibRaw hands floats out as scaled integers, knows no fields, and applies some curves
    try:
        with decoder(path) as raw:
            image = raw.raw_image if raster.samples == 1 else raw.raw_image[..., : raster.samples]
            if image.shape[:2] != (raster.height, raster.width):
                raise FrameError(
                    f"{path.name}: LibRaw decodes {image.shape[1]} x {image.shape[0]} px, its tags say"
                    f" {raster.width} x {raster.height}; use the camera's own raw file"
                )
            visible: NDArray[Any] = image[dng.top : dng.top + dng.height, dng.left : dng.left + dng.width].copy()
            return visible
    except FrameError as error:
        if isinstance(error.__cause__, rawpy.LibRawError):
            raise cannot from error
        raise


def _open_library(path: Path) -> Frame:
    with decoder(path) as raw:
        if raw.raw_type != rawpy.RawType.Flat:
            raise FrameError(
                f"{path.name}: three values a pixel, not the sensor's own counts; set the camera to its full-size raw"
            )
        if raw.num_colors == 1:
            raise FrameError(f"{path.name}: a monochrome raw; no colour can be measured in it, use a colour camera")
        found = _library_pattern(raw)
        if raw.color_desc != b"RGBG" or found is None:
            raise FrameError(
                f"{path.name}: its filters are not red, green and blue in a known pattern; no colour can be measured,"
                " use another camera"
            )
        whole, sizes = raw.raw_image.copy(), raw.sizes  # never LibRaw's own: it dies with the decoder
        image = whole[sizes.top_margin :, sizes.left_margin :][: sizes.height, : sizes.width]
        blacks = np.array(raw.black_level_per_channel, np.float64)  # by filter colour: R, G, B, second G
        declared = [float(raw.white_level)] * 4
        for channel, limit in enumerate(raw.camera_white_level_per_channel or ()):
            if 0 < limit < declared[channel]:
                declared[channel] = float(limit)
        red, green, blue, green_2 = declared
        if min(declared) <= blacks.max():
            raise FrameError(f"{path.name}: white level {min(declared):g} is not above black level {blacks.max():g}")
        return Frame(
            path=path,
            height=image.shape[0],
            width=image.shape[1],
            pattern=split_greens(found),
            black_pattern=blacks[found],
            black_rows=None,
            black_cols=None,
            black_masked=None,
            white=(red, green, blue, green_2),
            colour=_library_colour(raw),
            opcodes=False,
            way="library",
            exposure=_library_exposure(raw),
            mosaic=image,
            whole=whole,
            top=sizes.top_margin,
            left=sizes.left_margin,
        )


def _library_pattern(raw: rawpy.RawPy) -> Filters | None:
    """Return LibRaw's colour of each pixel of the smallest period at the visible origin.

    Pixel by pixel, because `raw_pattern` and `raw_colors` read past LibRaw's table for X-Trans with wide margins.
    """
    top, left = raw.sizes.top_margin, raw.sizes.left_margin
    block = np.array([[raw.raw_color(top + y, left + x) for x in range(12)] for y in range(12)])
    for side in _PERIODS:
        period = block[:side, :side]
        if np.array_equal(tiled(period, 0, 12, 0, 12), block):
            return period.astype(np.int8) if set(period.ravel().tolist()) | {3} == {0, 1, 2, 3} else None
    return None


def _library_exposure(raw: rawpy.RawPy) -> Exposure:
    other = raw.other
    captured = other.timestamp.replace(tzinfo=None).isoformat() if other.timestamp is not None else ""
    return Exposure(
        exposure_s=within(float(other.shutter_speed), 1e-6, 1e5),
        f_number=within(float(other.aperture), 0.5, 256.0),
        iso=within(float(other.iso_speed), 1.0, 1e7),
        captured=captured if is_moment(captured) else "",
        lens=raw.lens.model.strip(),
        focal_mm=within(float(other.focal_length), 0.5, 1e5),
    )


def _library_colour(raw: rawpy.RawPy) -> ColourTags | None:
    matrix = np.array(raw.rgb_xyz_matrix, np.float64)[:3]
    if not matrix.any():
        return None
    gains = np.array(raw.camera_whitebalance, np.float64)[:3]
    neutral = neutral_of(gains[1] / gains) if (gains > 0).all() else None
    return ColourTags(matrix, as_shot_neutral=neutral, source="library")
