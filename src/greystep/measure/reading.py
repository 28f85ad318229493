"""One frame measured: its patch, its exposure data, its colour tags, and what is wrong with it by itself."""

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from itertools import pairwise
from pathlib import Path
from threading import Lock
from typing import Final

import numpy as np

from greystep.arrays import Floats, Triple
from greystep.errors import FrameError
from greystep.flags import Flag, ordered
from greystep.measure.patch import CLIPPED_PCT, PatchSignal, measure_patch
from greystep.measure.target import Box, Target, pixel_box
from greystep.measure.target_corners import Window, corner_maps, corner_region, corner_windows
from greystep.measure.target_moved import around_of, surround_of, surround_pixels
from greystep.raw.dng import ColourTags, read_dng
from greystep.raw.exposure import Exposure, filled_in, read_exposure
from greystep.raw.frame import Frame, Mosaic, library_exposure, open_frame, read_region, read_regions
from greystep.raw.raster import Region

#: To be raised whenever the same file would give other numbers: cached readings of another version are not used.
MEASURE_VERSION: Final = 7

# Limits: the contract's ruling on status.
NEAR_WHITE: Final = 0.90
TOO_DARK: Final = 0.02
UNEVEN_PCT: Final = 10.0
#: Dust and hot pixels are a hundredth of a patch at most; a shadow's edge, a mark or damage are more (own assumption).
OFF_PCT: Final = 5.0
BLACK_COUNTS: Final = 1.0

#: Share of the range under which the target's place is not looked at: no flash at all.
DARKEST: Final = 0.002
#: A patch with sides of so many pixels may lose a quarter of each to spare tiles: it has light enough.
_LARGE_SIDE: Final = 384
_LEFT: Final = 0.75
#: Larger surrounds are read in bands, every seventh row and column of them: neither is a filter pattern's period.
_LARGEST_REGION: Final = 2048 * 2048
_THINNED: Final = 7
_BAND: Final = 73 * _THINNED
#: Threads calculate one at a time, and read and decode beside that: two that calculate at once wait for each other at
#: every step, as the interpreter has one lock. Of 200 frames in tiles that took a sixth more processor time.
_TURN: Final = Lock()


@dataclass(frozen=True)
class Reading:
    """What one frame says by itself; no ambient light, matrix or neighbour has gone into it.

    Attributes:
        height, width: Of the visible frame [pixels]; 0 where it could not be opened.
        signal: None where there was no target to measure, or nothing could be read.
        black_masked: Tuple of 4 floats or None. Mean of the masked pixels of R, G1, B and G2 [raw counts].
        way: ``region`` or ``library``; blank where it could not be opened.
        surround: (m, n) array or None. Map of the target and its surround, see
            `greystep.measure.target_moved.surround_of`; None where it was not asked for and the corners may tell
            enough; None too where the pixels are damaged, clipped, or as good as black, so that the target's place
            cannot be told from them.
        corners: (k, 12, 12) array or None. Maps of the target's corners, see `greystep.measure.target_corners`; None
            where the whole surround is as quickly read, and as the surround.
        around: Light from about the target over that from the target, in red, green and blue; None as the surround.
        box: The area that was measured, as fractions of the visible frame.
        flags: By the limits for one frame. The log decides whether they matter for a frame of its kind: an ambient
            frame is dark on purpose, a job frame needs no target.
        message: One line on what is wrong and what to do; blank where nothing is.
    """

    exposure: Exposure = field(default_factory=Exposure)
    height: int = 0
    width: int = 0
    signal: PatchSignal | None = None
    colour: ColourTags | None = None
    black_masked: tuple[float, float, float, float] | None = None
    opcodes: bool = False
    way: str = ""
    surround: Floats | None = None
    box: Box | None = None
    flags: tuple[str, ...] = ()
    message: str = ""
    around: Triple | None = None
    corners: Floats | None = None

    @property
    def sparse(self) -> bool:
        """Only the corners have been read of what lies about the target."""
        return self.corners is not None and self.surround is None


def measure_frame(path: Path, target: Target | None, whole: bool = False, recorded: Exposure | None = None) -> Reading:
    """Measure one raw frame; a bad frame gives a reading with its flag and message, never an error.

    Args:
        target: Where the grey target stands; None reads exposure data and colour tags alone.
        whole: Read all that lies about the target, however large it is.
        recorded: The frame's exposure data where they have been read.

    Returns: Plain values only, fit to be handed from one process to another.
    """
    reading = Reading()
    try:
        reading = Reading(recorded or read_exposure(path))
        if not path.stat().st_size:
            raise FrameError(f"{path.name}: an empty file; copy it from the card again")
        frame = open_frame(path)
        reading = replace(
            reading,
            exposure=_completed(reading.exposure, frame.exposure),
            height=frame.height,
            width=frame.width,
            colour=frame.colour,
            black_masked=frame.black_masked,
            opcodes=frame.opcodes,
            way=frame.way,
        )
        if target is None:
            what = f"{path.name}: no target to measure; give its place in session.toml, [target] patch"
            return replace(reading, flags=ordered([Flag.NO_TARGET]), message=what)
        pixels = _pixels(frame, target, whole)
        with _TURN:
            return _measured(frame, target, pixels, reading)
    except FrameError as error:
        return replace(reading, flags=ordered([error.flag]), message=_one_line(str(error)))
    except Exception as error:  # a file may break any decoder in its own way, and must not stop the others
        return replace(reading, flags=ordered([Flag.UNREADABLE]), message=str(unreadable(path, error)))


def unreadable(path: Path, error: Exception) -> FrameError:
    """Return what is said of a file after an error of a reader that nobody foresaw."""
    if isinstance(error, MemoryError):
        what = "takes more memory than there is (MemoryError); close other programs or give --jobs 1"
    else:
        what = f"cannot be read ({type(error).__name__}: {error}); copy it from the card again"
    return FrameError(_one_line(f"{path.name}: {what}"))


def exposure_of(path: Path) -> Exposure:
    """Return a frame's exposure data without its pixels; body and time are those of its `Reading`.

    Raises:
        FrameError: Where the file cannot be read.
    """
    recorded = read_exposure(path)
    with suppress(FrameError):
        if not recorded.captured and read_dng(path) is None:
            return _completed(recorded, library_exposure(path))
    return recorded


def _completed(recorded: Exposure, found: Exposure | None) -> Exposure:
    """Fill in, field by field, what LibRaw found; of a zero it makes f/1 and 1 s, which are left out."""
    if found is None:
        return recorded
    f_number, exposure_s = (None if value == 1.0 else value for value in (found.f_number, found.exposure_s))
    return filled_in(recorded, replace(found, f_number=f_number, exposure_s=exposure_s))


@dataclass(frozen=True, eq=False)
class _Pixels:
    """What is read of a frame: the patch, and about its target some corners, all that lies there, or both.

    Attributes:
        area, spans, span: Where patch, corners and surround lie.
    """

    area: Window
    patch: Mosaic
    surround: Mosaic | None
    spans: Sequence[Window]
    corners: list[Mosaic]
    span: Window


def _pixels(frame: Frame, target: Target, whole: bool) -> _Pixels:
    """Read what is measured of a frame, in one go."""
    size = frame.height, frame.width, frame.pattern.shape
    area, spans, span = pixel_box(target.patch, *size), corner_windows(frame, target), surround_pixels(target, *size)
    area = _tiles_spared(frame, area) if spans and target.found else area
    about = [corner_region(window) for window in spans]
    if spans and not whole:
        patch, *corners = read_regions(frame, [Region(*area), *about])
        return _Pixels(area, patch, None, spans, corners, span)
    corners = read_regions(frame, about)
    return _Pixels(area, *_regions(frame, span, area), spans, corners, span)


def _measured(frame: Frame, target: Target, pixels: _Pixels, reading: Reading) -> Reading:
    """Add the patch, what lies about the target, and the frame's own faults to a reading."""
    signal, corners, surround = measure_patch(pixels.patch, frame.white), pixels.corners, pixels.surround
    faults = _faults(frame, signal)
    what = "; ".join(faults.values())
    lit = signal.mean[1] > DARKEST * (signal.white[1] - signal.black[1])
    sound = lit and not {Flag.DAMAGED, Flag.CLIPPED} & faults.keys()
    seen = list(zip(corners, pixels.spans, strict=True)) if surround is None or corners else [(surround, pixels.span)]
    about = [around_of(part, target, _fractions(frame, of)) for part, of in seen] if sound else []
    known = [np.array(light) / signal.mean for light in about if np.isfinite(light).all()]
    red, green, blue = np.mean(known, axis=0).tolist() if known else (np.nan,) * 3
    return replace(
        reading,
        signal=signal,
        surround=surround_of(surround) if sound and surround is not None else None,
        corners=corner_maps(corners) if sound and corners else None,
        around=(red, green, blue) if known else None,
        box=_fractions(frame, pixels.area),
        flags=ordered(faults),
        message=_one_line(f"{frame.path.name}: {what}") if faults else "",
    )


def _tiles_spared(frame: Frame, area: Window) -> Window:
    """Cut a large patch about its middle, by a quarter of a side at most, where that spares large tiles.

    A tile is decoded from its first row on, however little of it is asked for.
    """
    dng = frame.by_region
    if dng is None or dng.raster.plain:
        return area
    (y0, y1), (x0, x1) = (
        _cut(low, high, before, step, period)
        for low, high, before, step, period in (
            (*area[:2], dng.top, dng.raster.rows, frame.pattern.shape[0]),
            (*area[2:], dng.left, dng.raster.wide, frame.pattern.shape[1]),
        )
    )
    return y0, y1, x0, x1


def _cut(low: int, high: int, before: int, step: int, period: int) -> tuple[int, int]:
    """Cut a span [px] by whole periods at both ends so that it leaves the tile at one; as it is where that is too much.

    Args:
        before: Pixels of the tiles before the frame's first.
        step: A side of the tiles.
    """
    side = high - low
    first, last = (low + before) // step, (high - 1 + before) // step
    spare = min((first + 1) * step - before - low, high - last * step + before)
    spare = -(-spare // period) * period
    if first == last or side < _LARGE_SIDE or 2 * step < side or side - 2 * spare < _LEFT * side:
        return low, high
    return low + spare, high - spare


def _fractions(frame: Frame, window: Window) -> Box:
    """Return a window as fractions of the visible frame."""
    y0, y1, x0, x1 = window
    return x0 / frame.width, y0 / frame.height, x1 / frame.width, y1 / frame.height


def _regions(frame: Frame, span: Window, patch: Window) -> tuple[Mosaic, Mosaic]:
    """Read the patch and its surround: both at once, or a large surround in bands and thinned, to spare memory."""
    y0, y1, x0, x1 = span
    if (y1 - y0) * (x1 - x0) <= _LARGEST_REGION:
        whole = read_region(frame, y0, y1, x0, x1)
        rows, columns = slice(patch[0] - y0, patch[1] - y0), slice(patch[2] - x0, patch[3] - x0)
        return Mosaic(whole.values[rows, columns], whole.colours[rows, columns], whole.black[rows, columns]), whole
    bands = []
    for top, bottom in pairwise(_band_edges(frame, y0, y1)):
        band = read_region(frame, top, bottom, x0, x1)
        thinned = slice((y0 - top) % _THINNED, None, _THINNED), slice(None, None, _THINNED)
        bands.append([part[thinned] for part in (band.values, band.colours, band.black)])
    values, colours, black = (np.concatenate(parts) for parts in zip(*bands, strict=True))
    return read_region(frame, *patch), Mosaic(values, colours, black)


def _band_edges(frame: Frame, y0: int, y1: int) -> list[int]:
    """Return where bands of some rows begin and end, so that none of the file's strips or tiles is decoded twice."""
    step, first, dng = _BAND, y0, frame.by_region
    if dng is not None and not dng.raster.plain:
        step = dng.raster.rows
        first = y0 - (y0 + dng.top) % step
    return [y0, *(edge for edge in range(first, y1, step) if edge > y0), y1]


def _faults(frame: Frame, signal: PatchSignal) -> dict[Flag, str]:
    """Return the flags that a frame earns by itself, each with what is wrong and what to do."""
    if not np.isfinite([*signal.mean, *signal.u]).all():
        return {Flag.DAMAGED: "the patch holds values that are no numbers; copy it from the card again"}
    if signal.damage:
        return {Flag.DAMAGED: f"{signal.damage}; copy it from the card again"}
    faults: dict[Flag, str] = {}
    filled = max(mean / (ceiling - black) for mean, ceiling, black in zip(*_levels(signal), strict=True))
    green = signal.mean[1] / (signal.white[1] - signal.black[1])
    if signal.clipped_pct > CLIPPED_PCT:
        faults[Flag.CLIPPED] = f"{signal.clipped_pct:.1f} % of the patch is clipped; shoot it again one stop lower"
    if filled > NEAR_WHITE:
        faults[Flag.NEAR_WHITE] = f"the patch lies at {100 * filled:.0f} % of the range; shoot it half a stop lower"
        if Flag.CLIPPED in faults:  # one remedy is enough
            faults[Flag.NEAR_WHITE] = f"the patch lies at {100 * filled:.0f} % of the range"
    if green < TOO_DARK:
        faults[Flag.TOO_DARK] = f"the patch lies at {100 * green:.1f} % of the range; raise the ISO for the low powers"
    elif signal.gradient_pct > UNEVEN_PCT:  # near black the noise alone can tilt the plane
        faults[Flag.UNEVEN] = (
            f"the light falls off by {signal.gradient_pct:.0f} % over the patch; square the head to it"
        )
    if signal.off_pct > OFF_PCT and not {Flag.CLIPPED, Flag.TOO_DARK, Flag.UNEVEN} & faults.keys():
        faults[Flag.UNEVEN] = (
            f"{signal.off_pct:.0f} % of the patch is unlike the rest; look for a shadow or a mark, or copy it again"
        )
    if frame.black_masked is not None:
        red, green_1, blue, green_2 = frame.black_masked
        masked = np.array([red, (green_1 + green_2) / 2.0, blue])
        off = float(np.abs(masked - np.array(signal.black)).max())
        if off > BLACK_COUNTS:
            faults[Flag.BLACK_DOUBTFUL] = f"its black is {off:.1f} counts off its masked pixels; shoot an ambient frame"
    if frame.opcodes:
        faults[Flag.OPCODES_IGNORED] = (
            "it asks for pixel corrections that are not applied; use the camera's own raw file"
        )
    return faults


def _levels(signal: PatchSignal) -> tuple[Triple, ...]:
    return signal.mean, signal.ceiling, signal.black


def _one_line(message: str) -> str:
    return " ".join(message.split())
