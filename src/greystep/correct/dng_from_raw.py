"""A raw frame of another format as a DNG that carries its correction: the same counts, levels, matrix and records."""

import hashlib
from pathlib import Path
from typing import Final

import numpy as np

from greystep.arrays import Floats, Triple
from greystep.correct.images import owner_texts
from greystep.dng_writer import Original, RawColour, RawImage, Recorded, dng_bytes
from greystep.errors import FrameError
from greystep.measure.reading import measure_frame
from greystep.raw.dng import ColourTags
from greystep.raw.frame import Frame, open_frame
from greystep.words import GIVE_MATRIX

#: EXIF LightSource code of D65: the library's matrices are for daylight of 6500 K (LibRaw's table, from memory).
_D65: Final = 21


def dng_from_raw(path: Path, neutral: Triple, stops: float, known: ColourTags | None) -> bytes:
    """Return a DNG made from a decoded frame, with its masked borders, the name of its file and the file's MD5.

    Args:
        neutral: AsShotNeutral, camera RGB.
        stops: BaselineExposure [stops].
        known: Colour of the camera, where the file and the library know none.

    Raises:
        FrameError: If the frame cannot be decoded, or no matrix is known for its camera.
    """
    frame = open_frame(path)
    colour = frame.colour or known
    if colour is None:
        raise FrameError(f"{path.name}: no colour matrix is known for its camera, which a DNG must have; {GIVE_MATRIX}")
    found = measure_frame(path, None).exposure  # as the session tells it
    recorded = Recorded(
        captured=found.captured,
        exposure_s=found.exposure_s,
        f_number=found.f_number,
        iso=found.iso,
        focal_mm=found.focal_mm,
        orientation=found.orientation,
        make=found.make,
        model=found.model,
        serial=found.serial,
        lens=found.lens,
        texts=owner_texts(path),
    )
    with path.open("rb") as file:
        original = Original(path.name, hashlib.file_digest(file, "md5").digest())
    return dng_bytes(_raw_image(frame), RawColour(_matrices(colour), neutral, stops), recorded, original)


def _raw_image(frame: Frame) -> RawImage:
    """Return a frame that was decoded whole as it is to be written."""
    assert frame.whole is not None
    area = (frame.top, frame.left, frame.top + frame.height, frame.left + frame.width)
    pattern = np.where(frame.pattern == 3, 1, frame.pattern)  # both greens are green
    return RawImage(frame.whole, pattern, frame.black_pattern, int(min(frame.white)), area)


def _matrices(colour: ColourTags) -> tuple[tuple[int, Floats], ...]:
    first = (_D65 if colour.source == "library" else colour.illuminant_1, colour.matrix_1)
    return (first,) if colour.matrix_2 is None else (first, (colour.illuminant_2, colour.matrix_2))
