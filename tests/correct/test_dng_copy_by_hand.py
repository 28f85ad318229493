"""Directories of a DNG packed by hand, in both orders of bytes and both sizes of file: read, corrected, damaged."""

import struct

import pytest

from greystep.correct.dng_copy import baseline_exposure, corrected_copy
from greystep.errors import FrameError

VERSION, EXPOSURE, NEUTRAL, WHITE = 50706, 50730, 50728, 50729
BYTE, LONG, SRATIONAL = 1, 4, 10


def packed(order: str, big: bool, *entries: tuple[int, int, int, bytes], following: int = 0) -> bytes:
    """A file of one directory: values longer than a pointer lie behind it; the pixels are its last four bytes."""
    pointer, room = (f"{order}Q", 8) if big else (f"{order}I", 4)
    start = 16 if big else 8
    mark = b"II" if order == "<" else b"MM"
    header = mark + (struct.pack(f"{order}HHHQ", 43, 8, 0, start) if big else struct.pack(f"{order}HI", 42, start))
    size = (8 + 20 * len(entries) + 8) if big else (2 + 12 * len(entries) + 4)
    body, behind = struct.pack(f"{order}Q" if big else f"{order}H", len(entries)), b""
    for code, kind, count, value in entries:
        if len(value) > room:
            value, behind = struct.pack(pointer, start + size + len(behind)), behind + value
        body += struct.pack(f"{order}HHQ" if big else f"{order}HHI", code, kind, count) + value.ljust(room, b"\0")
    return header + body + struct.pack(pointer, following) + behind + b"PIXL"


def ratio(order: str, over: int, under: int) -> tuple[int, int, int, bytes]:
    return EXPOSURE, SRATIONAL, 1, struct.pack(f"{order}2i", over, under)


DNG = (VERSION, BYTE, 4, bytes((1, 4, 0, 0)))
KINDS = [(order, big) for order in "<>" for big in (False, True)]


@pytest.mark.parametrize(("order", "big"), KINDS)
def test_a_baseline_exposure_is_read_in_any_order_and_size(order: str, big: bool) -> None:
    assert baseline_exposure("f", packed(order, big, DNG, ratio(order, -3, 4))) == -0.75
    assert baseline_exposure("f", packed(order, big, DNG)) == 0.0
    assert baseline_exposure("f", packed(order, big, DNG, ratio(order, 5, 0))) == 0.0
    assert baseline_exposure("f", packed(order, big, ratio(order, -3, 4))) == 0.0, "no DNG"
    other = (EXPOSURE, LONG, 1, struct.pack(f"{order}I", 7))
    assert baseline_exposure("f", packed(order, big, DNG, other)) == 0.0
    two = (EXPOSURE, SRATIONAL, 2, struct.pack(f"{order}4i", 1, 2, 3, 4))
    assert baseline_exposure("f", packed(order, big, DNG, two)) == 0.0


@pytest.mark.parametrize(("order", "big"), KINDS)
def test_a_copy_has_a_new_directory_behind_the_file_and_nothing_else_is_moved(order: str, big: bool) -> None:
    white = (WHITE, LONG, 1, struct.pack(f"{order}I", 9))
    data = packed(
        order, big, DNG, (256, LONG, 1, struct.pack(f"{order}I", 60)), white, ratio(order, 1, 2), following=77
    )
    copy = corrected_copy("f", data, (0.5, 1.0, 0.75), 0.25)
    assert copy is not None
    assert isinstance(copy, bytes)
    head = 16 if big else 8
    assert copy[head : len(data)] == data[head:]
    assert baseline_exposure("f", copy) == pytest.approx(0.75)
    at = struct.unpack_from(f"{order}Q" if big else f"{order}I", copy, 8 if big else 4)[0]
    assert at >= len(data)
    count, size = (8, 20) if big else (2, 12)
    (number,) = struct.unpack_from(f"{order}Q" if big else f"{order}H", copy, at)
    form = f"{order}HHQQ" if big else f"{order}HHII"
    entries = {}
    for place in range(number):
        code, kind, many, value = struct.unpack_from(form, copy, at + count + size * place)
        entries[code] = kind, many, value
    assert list(entries) == [256, VERSION, NEUTRAL, EXPOSURE], "in the order of their codes, the white left out"
    assert entries[256][1:] == (1, 60 if order == "<" or not big else 60 << 32)
    where = entries[NEUTRAL][2]
    assert where % 8 == 0
    ratios = struct.unpack_from(f"{order}6I", copy, where)
    assert [over / under for over, under in zip(ratios[::2], ratios[1::2], strict=True)] == [0.5, 1.0, 0.75]
    (last,) = struct.unpack_from(f"{order}Q" if big else f"{order}I", copy, at + count + size * number)
    assert last == 77, "the next directory of the file"
    again = corrected_copy("f", copy, (0.5, 1.0, 0.75), 0.25)
    assert again is not None
    assert baseline_exposure("f", again) == pytest.approx(1.0)


def test_what_is_no_dng_has_no_copy_and_one_that_is_cut_off_is_named() -> None:
    data = packed("<", False, DNG, ratio("<", 1, 2))
    for other in (b"", b"II", b"XX" + data[2:], data[:2] + b"\x07\0" + data[4:], packed("<", False, ratio("<", 1, 2))):
        assert corrected_copy("f", other, (0.5, 1.0, 0.75), 0.0) is None
    assert baseline_exposure("f", data[:16]) == 0.0, "too short for a directory"
    with pytest.raises(FrameError, match="f: its first directory is cut off; copy it from the card again"):
        baseline_exposure("f", data[:20])
    with pytest.raises(FrameError, match="f: its BaselineExposure is cut off; copy it from the card again"):
        baseline_exposure("f", data[:-8])
