"""The tags of one directory of a DNG: numbers as floats, and none that says more than could be read.

The library that reads them leaves out what it cannot read and goes on; a default would then stand for a tag that the
file has. So the directory's own list is compared with what was read.
"""

import struct
from collections import Counter
from collections.abc import Mapping
from itertools import pairwise
from typing import Final

import numpy as np
import tifffile

from greystep.arrays import Floats
from greystep.constants import DngTag
from greystep.errors import FrameError
from greystep.flags import Flag

#: Tags by code: numbers as floats (a rational over zero is NaN), text as text, bytes as bytes.
Tags = Mapping[int, Floats | str | bytes]

# Types of values (TIFF 6.0, p. 15): 1 BYTE, 2 ASCII, 3 SHORT, 4 LONG, 5 RATIONAL, 7 UNDEFINED, 10 SRATIONAL; 13 IFD and
# 16 LONG8, 18 IFD8 of BigTIFF (from memory).
_WHOLE: Final = frozenset({1, 3, 4, 16})
_BYTES: Final = frozenset({1, 7})
_RATIOS: Final = frozenset({5, 10})
_PLACES: Final = frozenset({3, 4, 13, 16, 18})
#: Tags of level, geometry and colour, with the types that TIFF 6.0 and DNG 1.7.1 allow (and its near relations).
_KINDS: Final[Mapping[int, frozenset[int]]] = {
    DngTag.NEW_SUBFILE_TYPE: _WHOLE, DngTag.IMAGE_WIDTH: _WHOLE, DngTag.IMAGE_LENGTH: _WHOLE,
    DngTag.BITS_PER_SAMPLE: _WHOLE, DngTag.COMPRESSION: _WHOLE, DngTag.PHOTOMETRIC: _WHOLE, DngTag.FILL_ORDER: _WHOLE,
    DngTag.STRIP_OFFSETS: _PLACES, DngTag.SAMPLES_PER_PIXEL: _WHOLE, DngTag.ROWS_PER_STRIP: _WHOLE,
    DngTag.STRIP_BYTE_COUNTS: _WHOLE, DngTag.PLANAR_CONFIGURATION: _WHOLE, DngTag.PREDICTOR: _WHOLE,
    DngTag.TILE_WIDTH: _WHOLE, DngTag.TILE_LENGTH: _WHOLE, DngTag.TILE_OFFSETS: _PLACES,
    DngTag.TILE_BYTE_COUNTS: _WHOLE, DngTag.SUB_IFDS: _PLACES, DngTag.SAMPLE_FORMAT: _WHOLE,
    DngTag.CFA_REPEAT_PATTERN_DIM: _WHOLE, DngTag.CFA_PATTERN: _BYTES, DngTag.DNG_VERSION: _BYTES,
    DngTag.DNG_BACKWARD_VERSION: _BYTES, DngTag.CFA_PLANE_COLOR: _BYTES, DngTag.CFA_LAYOUT: _WHOLE,
    DngTag.LINEARIZATION_TABLE: _WHOLE, DngTag.BLACK_LEVEL_REPEAT_DIM: _WHOLE, DngTag.BLACK_LEVEL: _WHOLE | _RATIOS,
    DngTag.BLACK_LEVEL_DELTA_H: _RATIOS,
    DngTag.BLACK_LEVEL_DELTA_V: _RATIOS, DngTag.WHITE_LEVEL: _WHOLE | _RATIOS,
    DngTag.COLOR_MATRIX_1: _RATIOS, DngTag.COLOR_MATRIX_2: _RATIOS, DngTag.COLOR_MATRIX_3: _RATIOS,
    DngTag.CAMERA_CALIBRATION_1: _RATIOS, DngTag.CAMERA_CALIBRATION_2: _RATIOS,
    DngTag.ANALOG_BALANCE: _RATIOS, DngTag.AS_SHOT_NEUTRAL: _WHOLE | _RATIOS,
    DngTag.CALIBRATION_ILLUMINANT_1: _WHOLE, DngTag.CALIBRATION_ILLUMINANT_2: _WHOLE, DngTag.ACTIVE_AREA: _WHOLE,
    DngTag.MASKED_AREAS: _WHOLE, DngTag.SUB_TILE_BLOCK_SIZE: _WHOLE, DngTag.ROW_INTERLEAVE_FACTOR: _WHOLE,
    DngTag.OPCODE_LIST_1: _BYTES, DngTag.OPCODE_LIST_2: _BYTES, DngTag.OPCODE_LIST_3: _BYTES,
    DngTag.COLUMN_INTERLEAVE_FACTOR: _WHOLE, DngTag.ILLUMINANT_DATA_1: _BYTES, DngTag.ILLUMINANT_DATA_2: _BYTES,
}  # fmt: skip


def read_tags(name: str, page: tifffile.TiffPage) -> Tags:
    """Read the tags of a directory.

    Args:
        name: Of the file, for the message.

    Raises:
        FrameError: With the flag ``damaged`` where a tag of level, geometry or colour is listed but cannot be read, is
            of another type, or stands there twice.
    """
    listed = _listed(page)
    for code, kinds in _KINDS.items():
        if listed[code] and (listed[code] > 1 or code not in page.tags or int(page.tags[code].dtype) not in kinds):
            raise unread(name, code)
    _check_apart(name, page)
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


def unread(name: str, code: int) -> FrameError:
    """Return the error that names a tag whose value cannot be what a camera wrote."""
    tag = DngTag(code).name.title().replace("_", "")
    return FrameError(f"{name}: its tag {tag} ({code}) is damaged; copy it from the card again", Flag.DAMAGED)


def numbers(tags: Tags, code: int) -> Floats:
    """Return a tag's numbers; empty where the tag is missing or text."""
    value = tags.get(code, b"")
    if isinstance(value, bytes):
        return np.frombuffer(value, np.uint8).astype(np.float64)
    return value if isinstance(value, np.ndarray) else np.empty(0)


def integers(tags: Tags, code: int) -> tuple[int, ...]:
    """Return a tag's numbers as integers."""
    return tuple(int(value) for value in numbers(tags, code))


def _check_apart(name: str, page: tifffile.TiffPage) -> None:
    """Refuse a directory in which the value of such a tag begins or ends within another value.

    Two tags may share one value; a pointer that was changed seldom hits just that.
    """
    values = sorted((tag.valueoffset, tag.valueoffset + tag.valuebytecount, tag.code) for tag in page.tags.values())
    for (begin, end, code), (other, other_end, other_code) in pairwise(values):
        if other < end and (begin, end) != (other, other_end):
            for wrong in (code, other_code):
                if wrong in _KINDS:
                    raise unread(name, wrong)


def _listed(page: tifffile.TiffPage) -> Counter[int]:
    """Count the codes that the directory lists."""
    tiff, file = page.parent.tiff, page.parent.filehandle
    file.seek(page.offset)
    (count,) = struct.unpack(tiff.tagnoformat, file.read(tiff.tagnosize))
    data = file.read(count * tiff.tagsize)
    return Counter(struct.unpack_from(f"{tiff.byteorder}H", data, place * tiff.tagsize)[0] for place in range(count))
