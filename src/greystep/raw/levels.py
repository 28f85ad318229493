"""What a DNG's tags say of its raw values: filter pattern, black, white, and how codes become linear counts.

Everything is phased to the ActiveArea's corner. Page numbers are those of the DNG specification 1.7.1.0.
"""

import struct
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from greystep.arrays import Filters, Floats
from greystep.constants import DngTag
from greystep.errors import FrameError

#: Tags by code: numbers as floats (a rational over zero is NaN), text as text, bytes as bytes.
Tags = Mapping[int, Floats | str | bytes]

LINEAR_RAW: Final = 34892
LOSSY_JPEG: Final = 34892
#: Opcodes that leave the counts of an even patch alone: geometry, dead pixels, trimming.
_HARMLESS_OPCODES: Final = frozenset({1, 2, 4, 5, 6, 14})
_MAP_POLYNOMIAL: Final = 8
#: Counts that full scale is given where the file's own codes are no counts (lossy linear DNG).
_LINEAR_SCALE: Final = 65535.0
_REMEDY: Final = "use the camera's own raw file"


@dataclass(frozen=True, eq=False)
class Coding:
    """The curve of a lossy linear DNG: a polynomial a plane on ``(code - black) / (white - black)``, both in codes."""

    polynomials: tuple[Floats, Floats, Floats]
    black: Floats
    white: Floats


@dataclass(frozen=True, eq=False)
class Levels:
    """Levels and pattern of a raw image; `greystep.raw.frame.Frame` explains the fields that it shares.

    ``table`` is the LinearizationTable; ``coding`` is there where codes are no counts; all levels are of the linear
    counts that `linear` gives.
    """

    pattern: Filters
    black_pattern: Floats
    black_rows: Floats | None
    black_cols: Floats | None
    white: tuple[float, float, float, float]
    table: Floats | None
    coding: Coding | None
    opcodes: bool


def read_levels(name: str, tags: Tags, height: int, width: int, samples: int, full_scale: float) -> Levels:
    """Read levels and pattern from the tags of the raw image.

    Args:
        height, width: Of the ActiveArea [px].
        samples: 1 for a mosaic, 3 for a linear image of three planes.
        full_scale: White level where the file gives none [counts]: ``2 ** bits - 1``, or 1.0 for floats.

    Raises:
        FrameError: Where the tags contradict each other, or the filters are not red, green and blue.
    """
    pattern = np.array([[-1]], np.int8) if samples == 3 else _pattern(name, tags)
    black = _black(name, tags, samples)
    rows, cols = numbers(tags, DngTag.BLACK_LEVEL_DELTA_V), numbers(tags, DngTag.BLACK_LEVEL_DELTA_H)
    for values, length, what in ((rows, height, "V"), (cols, width, "H")):
        if values.size not in (0, length):
            raise FrameError(f"{name}: BlackLevelDelta{what} has {values.size} values, not {length}; {_REMEDY}")
    white = numbers(tags, DngTag.WHITE_LEVEL)
    white = (
        np.resize(white if white.size else np.array([full_scale]), 3)
        if samples == 3 or not white.size
        else (np.full(3, white[0]))
    )
    if not (np.isfinite(white).all() and np.isfinite(black).all() and white.min() > black.max()):
        raise FrameError(f"{name}: white level {white.min():g} is not above black level {black.max():g}; {_REMEDY}")
    polynomials, opcodes = _opcodes(tags, samples)
    coding = None
    if polynomials is not None:
        coding = Coding(polynomials, black.max(axis=(0, 1)), white)
        black, white = np.zeros((1, 1, 3)), np.full(3, _LINEAR_SCALE)
    red, green, blue = white.tolist()
    table = numbers(tags, DngTag.LINEARIZATION_TABLE)
    return Levels(
        pattern=pattern,
        black_pattern=black,
        black_rows=rows if rows.size else None,
        black_cols=cols if cols.size else None,
        white=(red, green, blue, green),
        table=table if table.size else None,
        coding=coding,
        opcodes=opcodes,
    )


def linear(levels: Levels, stored: NDArray[Any]) -> Floats:
    """Turn stored values into linear counts, black not subtracted.

    Args:
        stored: Ndarray (h, w) or (h, w, 3). As they lie in the file.

    Returns: ndarray float64: Of the same shape. A value past the end of the LinearizationTable takes its last entry (p.
        99).
    """
    if levels.table is not None:
        return np.asarray(levels.table[np.minimum(stored, levels.table.size - 1)])
    if levels.coding is None:
        return stored.astype(np.float64)
    share = (stored - levels.coding.black) / (levels.coding.white - levels.coding.black)
    planes = [np.polyval(terms[::-1], share[..., i]) for i, terms in enumerate(levels.coding.polynomials)]
    return np.asarray(_LINEAR_SCALE * np.stack(planes, axis=-1), np.float64)


def tiled(period: NDArray[Any], y0: int, y1: int, x0: int, x1: int) -> NDArray[Any]:
    """Return the box [y0:y1, x0:x1] of a plane that repeats ``period`` from its origin, in every direction."""
    if period.shape[:2] == (1, 1):  # the usual black level: nothing to copy
        return np.broadcast_to(period, (y1 - y0, x1 - x0, *period.shape[2:]))
    rows = np.take(period, np.arange(y0, y1) % period.shape[0], axis=0)
    return np.asarray(np.take(rows, np.arange(x0, x1) % period.shape[1], axis=1))


def split_greens(pattern: Filters) -> Filters:
    """Name the second green of a 2 x 2 pattern 3; larger patterns have one kind of green."""
    pattern = np.where(pattern == 3, 1, pattern).astype(np.int8)
    greens = np.argwhere(pattern == 1)
    if pattern.shape == (2, 2) and len(greens) == 2:
        pattern[tuple(greens[1])] = 3
    return pattern


def numbers(tags: Tags, code: int) -> Floats:
    """Return a tag's numbers; empty where the tag is missing or text."""
    value = tags.get(code, b"")
    if isinstance(value, bytes):
        return np.frombuffer(value, np.uint8).astype(np.float64)
    return value if isinstance(value, np.ndarray) else np.empty(0)


def integers(tags: Tags, code: int) -> tuple[int, ...]:
    """Return a tag's numbers as integers."""
    return tuple(int(value) for value in numbers(tags, code))


def _pattern(name: str, tags: Tags) -> Filters:
    dim, colours = integers(tags, DngTag.CFA_REPEAT_PATTERN_DIM), integers(tags, DngTag.CFA_PATTERN)
    if len(dim) != 2 or not 0 < dim[0] * dim[1] == len(colours):
        raise FrameError(f"{name}: its filter pattern is missing or broken; {_REMEDY}")
    if set(colours) != {0, 1, 2} or integers(tags, DngTag.CFA_LAYOUT)[:1] not in ((), (1,)):
        raise FrameError(
            f"{name}: its filters are not red, green and blue on a square grid; no colour can be measured, use another"
            " camera"
        )
    return split_greens(np.array(colours, np.int8).reshape(dim))


def _black(name: str, tags: Tags, samples: int) -> Floats:
    """BlackLevel as (rows, columns) or (rows, columns, 3): the values run row, column, sample."""
    values = numbers(tags, DngTag.BLACK_LEVEL)
    shape = (*(integers(tags, DngTag.BLACK_LEVEL_REPEAT_DIM) or (1, 1)), *([3] if samples == 3 else []))
    if values.size < 2:
        return np.full(shape, values[0] if values.size else 0.0)
    if values.size != np.prod(shape):
        raise FrameError(f"{name}: BlackLevel has {values.size} values, not {int(np.prod(shape))}; {_REMEDY}")
    return values.reshape(shape)


def _opcodes(tags: Tags, samples: int) -> tuple[tuple[Floats, Floats, Floats] | None, bool]:
    """Return the polynomials of a lossy linear DNG, and whether other opcodes ask for a change of the counts.

    Of lists 1 and 2 none is applied, but for those polynomials: without them such a file's codes are not linear.
    """
    lossy = samples == 3 and integers(tags, DngTag.COMPRESSION)[:1] == (LOSSY_JPEG,)
    polynomials: dict[int, Floats] = {}
    changing = False
    for code in (DngTag.OPCODE_LIST_1, DngTag.OPCODE_LIST_2):
        data = tags.get(code, b"")
        if not isinstance(data, bytes) or not data:
            continue
        position = 4
        for _ in range(struct.unpack_from(">I", data)[0]):
            number, _, _, length = struct.unpack_from(">4I", data, position)
            position += 16
            if lossy and code == DngTag.OPCODE_LIST_2 and number == _MAP_POLYNOMIAL:
                plane, planes, row_pitch, column_pitch, degree = struct.unpack_from(">5I", data, position + 16)
                terms = np.array(struct.unpack_from(f">{degree + 1}d", data, position + 36))
                changing = changing or (row_pitch, column_pitch) != (1, 1)
                polynomials |= dict.fromkeys(range(plane, plane + planes), terms)
            else:
                changing = changing or number not in _HARMLESS_OPCODES
            position += length
    if set(polynomials) >= {0, 1, 2}:
        return (polynomials[0], polynomials[1], polynomials[2]), changing
    return None, changing or bool(polynomials)
