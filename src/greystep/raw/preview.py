"""The small picture that a camera puts into its raw files: quick to read, and for looking at only."""

import io
import warnings
from contextlib import suppress
from pathlib import Path
from typing import Any, Final

import numpy as np
import rawpy
from numpy.typing import NDArray

from greystep.arrays import Floats, Image
from greystep.errors import FrameError
from greystep.raw.dng import read_dng
from greystep.raw.frame import open_frame
from greystep.raw.library import decoder
from greystep.raw.overview import LARGE, overview

#: A smaller picture shows nothing [px, longer side].
_SMALLEST: Final = 128


def overview_of(path: Path) -> Image:
    """Return the overview of a file; errors are those of `greystep.raw.overview.overview`."""
    return overview(open_frame(path))


def look_of(path: Path) -> Image:
    """Return a small picture of a file, the camera's own where there is one: it takes a hundredth of the time.

    Without one a large frame is looked at through slits, see `greystep.raw.overview.overview`.

    Raises:
        FrameError: Where there is none, and the frame cannot be decoded.
    """
    small = preview(path)
    if small is not None:
        return small
    frame = open_frame(path)
    large = frame.height * frame.width >= LARGE
    return overview(frame, thinned=large, slits=large)


def preview(path: Path, longest: int = 256) -> Image | None:
    """Return the camera's own picture of a frame as a linear one in camera RGB, as `overview` does.

    Its curve is taken for that of sRGB and its white balance taken off again; what else the camera did to it stays, so
    that nothing may be measured in it.

    Args:
        longest: Longer side of the picture [px].

    Returns: ndarray float32 (h, w, 3), 1 at its white; None where the file holds no picture of at least 128 px that can
        be read, or does not tell its white balance.
    """
    with suppress(FrameError), decoder(path) as raw:
        picture = _small(raw.extract_thumb(), longest)
        neutral = None if picture is None else _neutral(path, raw)
        if picture is not None and neutral is not None:
            codes = picture.astype(np.float64) / 255.0
            light = np.where(codes <= 0.04045, codes / 12.92, ((codes + 0.055) / 1.055) ** 2.4)  # IEC 61966-2-1
            return np.asarray(light * neutral, np.float32)
    return None


def _neutral(path: Path, raw: rawpy.RawPy) -> Floats | None:
    """Return the neutral (3,) that the camera chose, green = 1: of a DNG by its tag, as LibRaw decodes all for it."""
    dng = read_dng(path)
    if dng is None:
        gains = np.array(raw.camera_whitebalance[:3], np.float64)
        return gains[1] / gains if (gains > 0).all() else None
    tag = dng.colour.as_shot_neutral if dng.colour is not None else None
    return None if tag is None else np.array(tag) / tag[1]


def _small(thumb: Any, longest: int) -> NDArray[np.uint8] | None:
    """Return an embedded picture no larger than asked; a JPEG is decoded no finer than that takes."""
    from PIL import Image as Pictures  # a run whose pictures are all kept needs none

    if thumb.format == rawpy.ThumbFormat.JPEG:
        with warnings.catch_warnings(action="ignore"):  # of a picture of many pixels, which is not decoded whole
            coded = Pictures.open(io.BytesIO(thumb.data), formats=["JPEG"])
        coded.draft("RGB", (longest, longest))
        picture: Pictures.Image = coded
    else:
        picture = Pictures.fromarray(thumb.data)
    if max(picture.size) < _SMALLEST:
        return None
    picture = picture.convert("RGB")
    picture.thumbnail((longest, longest), Pictures.Resampling.BOX)
    return np.asarray(picture, np.uint8)
