"""Curves that a DNG asks for before its counts are linear light: MapTable and MapPolynomial of OpcodeList2.

Opcodes are those of the DNG specification 1.7.1.0, chapter 7. A curve works on the linear reference value,
``(count - black) / (white - highest black)``, of the ActiveArea.
"""

import struct
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np

from greystep.arrays import Floats
from greystep.constants import DngTag
from greystep.errors import FrameError
from greystep.raw.tags import Tags

#: Opcodes that leave the counts of an even patch alone: geometry, dead pixels, trimming.
_HARMLESS: Final = frozenset({1, 2, 4, 5, 6, 14})
_MAP_TABLE: Final = 7
_MAP_POLYNOMIAL: Final = 8
#: Largest degree of a polynomial (p. 113, from memory), entries of a full table.
_MOST_DEGREES: Final = 8
_TABLE: Final = 65536


@dataclass(frozen=True, eq=False)
class Curve:
    """One curve, over the pixels of every ``pitch[0]``-th row and ``pitch[1]``-th column from ``start``.

    Attributes:
        planes: First plane and the one behind the last.
        terms: Ndarray (n,). Of the polynomial, constant first; None for a table.
        table: Ndarray (65536,). Shares of the range by share of the range; None for a polynomial.
    """

    start: tuple[int, int]
    pitch: tuple[int, int]
    planes: tuple[int, int]
    terms: Floats | None
    table: Floats | None

    def __call__(self, share: Floats) -> Floats:
        """Return what the curve makes of shares of the range; a table is point-symmetric below black."""
        if self.terms is not None:
            return np.asarray(np.polyval(self.terms[::-1], share))
        assert self.table is not None
        found = np.interp(np.abs(share) * (_TABLE - 1), np.arange(_TABLE), self.table)
        return np.asarray(np.where(share < 0.0, 2.0 * self.table[0] - found, found))


def read_curves(name: str, tags: Tags, height: int, width: int, samples: int) -> tuple[tuple[Curve, ...], bool]:
    """Read the opcode lists.

    Args:
        height, width: Of the ActiveArea [px].

    Returns: The curves of list 2, in their order, and whether other opcodes of lists 1 and 2 change the counts.

    Raises:
        FrameError: For a curve that cannot be applied: over a part of the frame, or in another list.
    """
    curves: list[Curve] = []
    changing = False
    for listed in (DngTag.OPCODE_LIST_1, DngTag.OPCODE_LIST_2, DngTag.OPCODE_LIST_3):
        data = tags.get(listed, b"")
        for number, body in _opcodes(data if isinstance(data, bytes) else b""):
            if number in (_MAP_TABLE, _MAP_POLYNOMIAL):
                curve = _curve(number, body, height, width, samples) if listed == DngTag.OPCODE_LIST_2 else None
                if curve is None:
                    raise FrameError(
                        f"{name}: its counts follow a curve (opcode {number}) that cannot be applied here; use the"
                        " camera's own raw file"
                    )
                curves.append(curve)
            else:
                changing = changing or (listed != DngTag.OPCODE_LIST_3 and number not in _HARMLESS)
    return tuple(curves), changing


def apply_curves(curves: tuple[Curve, ...], share: Floats, y0: int, x0: int) -> Floats:
    """Return shares of the range (h, w) or (h, w, 3) after the curves; ``y0``, ``x0`` is their place [px]."""
    share = share.copy()
    planes = share[..., None] if share.ndim == 2 else share
    for curve in curves:
        rows, columns = (
            slice((start - at) % pitch, None, pitch)
            for start, at, pitch in zip(curve.start, (y0, x0), curve.pitch, strict=True)
        )
        of = slice(*curve.planes)
        planes[rows, columns, of] = curve(planes[rows, columns, of])
    return share


def _opcodes(data: bytes) -> Iterator[tuple[int, bytes]]:
    if not data:
        return
    position = 4
    for _ in range(struct.unpack_from(">I", data)[0]):
        number, _, _, length = struct.unpack_from(">4I", data, position)
        position += 16
        if position + length > len(data):
            raise ValueError("an opcode is cut off")
        yield number, data[position : position + length]
        position += length


def _curve(number: int, body: bytes, height: int, width: int, samples: int) -> Curve | None:
    """Return a curve over the whole frame, or over every n-th row and column of it; None for any other."""
    top, left, bottom, right, plane, planes, down, across, count = struct.unpack_from(">9I", body)
    if not (0 < down <= height and 0 < across <= width and top < down and left < across):
        return None
    last = top + (height - 1 - top) // down * down, left + (width - 1 - left) // across * across
    if last[0] >= bottom or last[1] >= right or plane >= samples or not planes:
        return None
    terms = table = None
    if number == _MAP_POLYNOMIAL:
        if count > _MOST_DEGREES:
            return None
        terms = np.array(struct.unpack_from(f">{count + 1}d", body, 36))
        if not np.isfinite(terms).all():
            return None
    elif not 0 < count <= _TABLE:
        return None
    else:
        entries = np.frombuffer(body, ">u2", count, 36) / (_TABLE - 1.0)
        table = np.append(entries, np.full(_TABLE - count, entries[-1]))
    return Curve((top, left), (down, across), (plane, min(plane + planes, samples)), terms, table)
