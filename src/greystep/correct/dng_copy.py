"""A corrected copy of a DNG: the same file with another neutral and baseline exposure, its pixels untouched.

The first directory of the file is written again at its end, and the header points there. Everything else stays where it
is, byte for byte, so that no offset in the file has to be understood. Tags are those of the DNG specification 1.7.1.0.
"""

import struct
from dataclasses import dataclass
from typing import Final

from greystep.arrays import Triple
from greystep.constants import DngTag
from greystep.errors import FrameError

_RATIONAL, _SRATIONAL = 5, 10
#: Of the neutral: 10 000 would cost 0.7 K. Of the stops: a millionth.
_NEUTRAL_DENOMINATOR: Final = 10_000_000
_STOPS_DENOMINATOR: Final = 1_000_000


@dataclass(frozen=True)
class _Layout:
    """How directories of one kind of TIFF are packed; ``first`` is where the header points to the first of them."""

    order: str
    first: int
    count: str
    entry: str
    pointer: str


@dataclass(frozen=True)
class _Entry:
    """One tag as it lies in a directory: its value, or where that is, as bytes."""

    code: int
    kind: int
    count: int
    value: bytes


def corrected_copy(name: str, data: bytes, neutral: Triple, stops: float) -> bytes | None:
    """Return a copy of a DNG that carries a correction; None where the file is no DNG.

    Args:
        neutral: Tuple of 3 floats. New AsShotNeutral, camera RGB; an AsShotWhiteXY, which may not stand beside it, is
            left out.
        stops: Added to BaselineExposure, which is made where the file has none (then it is 0) [stops].

    Returns: `data` but for the header's pointer, with a new first directory behind it.

    Raises:
        FrameError: If its first directory is damaged.
    """
    if (found := _directory(name, data)) is None:
        return None
    layout, entries, following = found
    exposure = _rational(name, data, layout, entries.get(DngTag.BASELINE_EXPOSURE)) + stops
    ratios = [part for value in neutral for part in (round(value * _NEUTRAL_DENOMINATOR), _NEUTRAL_DENOMINATOR)]
    values = {
        DngTag.AS_SHOT_NEUTRAL: (_RATIONAL, 3, struct.pack(f"{layout.order}6I", *ratios)),
        DngTag.BASELINE_EXPOSURE: (
            _SRATIONAL, 1, struct.pack(f"{layout.order}2i", round(exposure * _STOPS_DENOMINATOR), _STOPS_DENOMINATOR)
        ),
    }  # fmt: skip
    kept = [entry for code, entry in entries.items() if code not in (*values, DngTag.AS_SHOT_WHITE_XY)]
    room = struct.calcsize(layout.pointer)
    copy = bytearray(data) + bytes(-len(data) % 8)
    for code, (kind, count, value) in values.items():
        if len(value) <= room:
            kept.append(_Entry(code, kind, count, value.ljust(room, b"\0")))
        else:
            kept.append(_Entry(code, kind, count, struct.pack(layout.pointer, len(copy))))
            copy += value
    struct.pack_into(layout.pointer, copy, layout.first, len(copy))
    copy += struct.pack(layout.count, len(kept))
    for entry in sorted(kept, key=lambda entry: entry.code):
        copy += struct.pack(layout.entry, entry.code, entry.kind, entry.count, entry.value)
    return bytes(copy + struct.pack(layout.pointer, following))


def baseline_exposure(name: str, data: bytes) -> float:
    """Return the BaselineExposure of a raw file [stops], 0 where it has none or is no DNG.

    Raises:
        FrameError: If its first directory is damaged.
    """
    if (found := _directory(name, data)) is None:
        return 0.0
    layout, entries, _ = found
    return _rational(name, data, layout, entries.get(DngTag.BASELINE_EXPOSURE))


def _directory(name: str, data: bytes) -> tuple[_Layout, dict[int, _Entry], int] | None:
    """Read the first directory of a DNG: its layout, its entries by tag, and where the next one lies."""
    order = {b"II": "<", b"MM": ">"}.get(data[:2])
    version = struct.unpack_from(f"{order}H", data, 2)[0] if order and len(data) > 16 else 0
    if order is None or version not in (42, 43):
        return None
    layout = (
        _Layout(order, 4, f"{order}H", f"{order}HHI4s", f"{order}I")
        if version == 42
        else _Layout(order, 8, f"{order}Q", f"{order}HHQ8s", f"{order}Q")
    )
    try:
        at = struct.unpack_from(layout.pointer, data, layout.first)[0]
        count = struct.unpack_from(layout.count, data, at)[0]
        at += struct.calcsize(layout.count)
        size = struct.calcsize(layout.entry)
        entries = [_Entry(*struct.unpack_from(layout.entry, data, at + size * place)) for place in range(count)]
        following = struct.unpack_from(layout.pointer, data, at + size * count)[0]
    except struct.error as error:
        raise FrameError(f"{name}: its first directory is cut off; copy it from the card again") from error
    by_code = {entry.code: entry for entry in entries}
    return (layout, by_code, following) if DngTag.DNG_VERSION in by_code else None


def _rational(name: str, data: bytes, layout: _Layout, entry: _Entry | None) -> float:
    if entry is None or entry.kind != _SRATIONAL or entry.count != 1:
        return 0.0
    inside = len(entry.value) >= 8
    try:
        at = 0 if inside else struct.unpack(layout.pointer, entry.value)[0]
        over, under = struct.unpack_from(f"{layout.order}2i", entry.value if inside else data, at)
    except struct.error as error:
        raise FrameError(f"{name}: its BaselineExposure is cut off; copy it from the card again") from error
    return over / under if under else 0.0
