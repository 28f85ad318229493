"""What a DNG's tags say of its raw values: filter pattern, black, white, and how codes become linear counts.

Everything is phased to the ActiveArea's corner. Page numbers are those of the DNG specification 1.7.1.0.
"""

import math
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from greystep.arrays import Filters, Floats
from greystep.constants import DngTag
from greystep.errors import FrameError
from greystep.flags import Flag
from greystep.raw.curves import Curve, apply_curves, read_curves
from greystep.raw.tags import Tags, integers, numbers, unread

#: Counts that full scale is given where the file's own codes are no counts: they follow a curve, or are floats, whose
#: white is 1 as a rule. So a limit of one count is a share of the range; floats get a camera's 14 bits.
_CURVE_SCALE: Final = 65535.0
_FLOAT_SCALE: Final = 16383.0
_REMEDY: Final = "use the camera's own raw file"


@dataclass(frozen=True, eq=False)
class Coding:
    """Curves on ``(count - black) / (white - highest black)``, with the levels of the stored codes.

    ``black`` has an axis of planes; ``rows`` and ``columns`` are added to it, as in `Levels`; ``range`` is the white
    level above the highest black of each plane.
    """

    curves: tuple[Curve, ...]
    black: Floats
    rows: Floats | None
    columns: Floats | None
    range: Floats


@dataclass(frozen=True, eq=False)
class Levels:
    """Levels and pattern of a raw image; `greystep.raw.frame.Frame` explains the fields that it shares.

    ``table`` is the LinearizationTable, ``scale`` the counts of one unit of a file of floats; ``coding`` is there where
    codes follow a curve; all levels are of the linear counts that `linear` gives.
    """

    pattern: Filters
    black_pattern: Floats
    black_rows: Floats | None
    black_cols: Floats | None
    white: tuple[float, float, float, float]
    table: Floats | None
    coding: Coding | None
    opcodes: bool
    name: str
    scale: float


def read_levels(name: str, tags: Tags, height: int, width: int, samples: int, bits: int | None) -> Levels:
    """Read levels and pattern from the tags of the raw image.

    Args:
        height, width: Of the ActiveArea [px].
        samples: 1 for a mosaic, 3 for a linear image of three planes.
        bits: Of a sample; None for floats, whose white level is 1 where the file gives none.

    Raises:
        FrameError: Where the tags contradict each other, the filters are not red, green and blue, or a curve cannot be
            applied.
    """
    pattern = np.array([[-1]], np.int8) if samples == 3 else _pattern(name, tags)
    black = _black(name, tags, samples)
    rows, cols = numbers(tags, DngTag.BLACK_LEVEL_DELTA_V), numbers(tags, DngTag.BLACK_LEVEL_DELTA_H)
    for values, length, what in ((rows, height, "V"), (cols, width, "H")):
        if values.size not in (0, length) or not np.isfinite(values).all():
            raise FrameError(f"{name}: BlackLevelDelta{what} has {values.size} values, not {length}; {_REMEDY}")
    white = _white(name, tags, samples, 1.0 if bits is None else 2.0**bits - 1.0)
    if not (np.isfinite(white).all() and np.isfinite(black).all() and white.min() > black.max()):
        raise FrameError(f"{name}: white level {white.min():g} is not above black level {black.max():g}; {_REMEDY}")
    table = numbers(tags, DngTag.LINEARIZATION_TABLE)
    if (np.diff(np.trim_zeros(table, "b")) < 0).any():  # what no code reaches may be left empty
        raise unread(name, DngTag.LINEARIZATION_TABLE)
    if table.size and bits is None:
        raise FrameError(f"{name}: a LinearizationTable on values that are no codes; {_REMEDY}")
    scale = _FLOAT_SCALE / float(white.max()) if bits is None else 1.0
    black, white, rows, cols = black * scale, white * scale, rows * scale, cols * scale
    of_rows, of_cols = rows if rows.size else None, cols if cols.size else None
    curves, opcodes = read_curves(name, tags, height, width, samples)
    coding = None
    if curves:
        planes = black if samples == 3 else black[..., None]
        highest = planes.max(axis=(0, 1)) + max(rows, default=0.0) + max(cols, default=0.0)
        coding = Coding(curves, planes, of_rows, of_cols, white[:samples] - highest)
        black, white, of_rows, of_cols = np.zeros_like(black[:1, :1]), np.full(3, _CURVE_SCALE), None, None
    red, green, blue = white.tolist()
    return Levels(
        pattern=pattern,
        black_pattern=black,
        black_rows=of_rows,
        black_cols=of_cols,
        white=(red, green, blue, green),
        table=table if table.size else None,
        coding=coding,
        opcodes=opcodes,
        name=name,
        scale=scale,
    )


def linear(levels: Levels, stored: NDArray[Any], y0: int, x0: int) -> Floats:
    """Turn stored values into linear counts, black not subtracted.

    Args:
        stored: Ndarray (h, w) or (h, w, 3). As they lie in the file.
        y0, x0: Their place in the ActiveArea [px].

    Returns: ndarray float64: Of the same shape. A value past the end of the LinearizationTable takes its last entry (p.
        99).

    Raises:
        FrameError: With the flag ``damaged`` for floats that are no numbers.
    """
    if levels.table is not None:
        counts = np.asarray(levels.table[np.minimum(stored, levels.table.size - 1)])
    else:
        if stored.dtype.kind == "f" and not np.isfinite(stored).all():
            raise FrameError(
                f"{levels.name}: holds values that are no numbers; copy it from the card again", Flag.DAMAGED
            )
        counts = stored.astype(np.float64) * levels.scale
    if levels.coding is None:
        return counts
    coding, (height, width) = levels.coding, stored.shape[:2]
    black = tiled(coding.black, y0, y0 + height, x0, x0 + width)
    black = black if coding.rows is None else black + coding.rows[y0 : y0 + height, None, None]
    black = black if coding.columns is None else black + coding.columns[None, x0 : x0 + width, None]
    planes = counts.reshape(height, width, -1)
    share = (planes - black) / coding.range
    return _CURVE_SCALE * apply_curves(coding.curves, share, y0, x0).reshape(counts.shape)


def tiled(period: NDArray[Any], y0: int, y1: int, x0: int, x1: int, steps: tuple[int, int] = (1, 1)) -> NDArray[Any]:
    """Return a box of a plane that repeats ``period`` from its origin, thinned to every so many rows and columns."""
    rows, columns = np.arange(y0, y1, steps[0]), np.arange(x0, x1, steps[1])
    if period.shape[:2] == (1, 1):  # the usual black level: nothing to copy
        return np.broadcast_to(period, (len(rows), len(columns), *period.shape[2:]))
    return np.asarray(np.take(np.take(period, columns % period.shape[1], axis=1), rows % period.shape[0], axis=0))


def split_greens(pattern: Filters) -> Filters:
    """Name the second green of a 2 x 2 pattern 3; larger patterns have one kind of green."""
    pattern = np.where(pattern == 3, 1, pattern).astype(np.int8)
    greens = np.argwhere(pattern == 1)
    if pattern.shape == (2, 2) and len(greens) == 2:
        pattern[tuple(greens[1])] = 3
    return pattern


def _pattern(name: str, tags: Tags) -> Filters:
    dim, colours = integers(tags, DngTag.CFA_REPEAT_PATTERN_DIM), integers(tags, DngTag.CFA_PATTERN)
    if len(dim) != 2 or min(dim) < 1 or dim[0] * dim[1] != len(colours):
        raise FrameError(f"{name}: its filter pattern is missing or broken; {_REMEDY}")
    square = integers(tags, DngTag.CFA_LAYOUT)[:1] in ((), (1,))
    if set(colours) != {0, 1, 2} or not square or integers(tags, DngTag.CFA_PLANE_COLOR) not in ((), (0, 1, 2)):
        raise FrameError(
            f"{name}: its filters are not red, green and blue on a square grid; no colour can be measured, use another"
            " camera"
        )
    return split_greens(np.array(colours, np.int8).reshape(dim))


def _black(name: str, tags: Tags, samples: int) -> Floats:
    """BlackLevel as (rows, columns) or (rows, columns, 3): the values run row, column, sample."""
    values = numbers(tags, DngTag.BLACK_LEVEL)
    dims = integers(tags, DngTag.BLACK_LEVEL_REPEAT_DIM) or (1, 1)
    if values.size < 2:  # one level for all, whatever the size of the pattern
        return np.full((1, 1, 3) if samples == 3 else (1, 1), values[0] if values.size else 0.0)
    if len(dims) != 2 or min(dims) < 1 or values.size != dims[0] * dims[1] * samples:
        raise FrameError(f"{name}: BlackLevel has {values.size} values, not {math.prod(dims) * samples}; {_REMEDY}")
    return values.reshape(*dims, *([3] if samples == 3 else []))


def _white(name: str, tags: Tags, samples: int, full_scale: float) -> Floats:
    """WhiteLevel as (3,)."""
    values = numbers(tags, DngTag.WHITE_LEVEL)[:samples]
    if values.size not in (0, 1, samples):
        raise unread(name, DngTag.WHITE_LEVEL)
    return np.resize(values if values.size else np.array([full_scale]), 3)
