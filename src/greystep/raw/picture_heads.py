"""What a picture in a tile or strip says of itself, before room is made for its pixels: JPEG and JPEG XL."""

import struct
from typing import NamedTuple


class JpegHead(NamedTuple):
    """The frame header of a JPEG: bits of a sample, samples of all components, rows, and where their number stands."""

    precision: int
    samples: int
    height: int
    at: int
    lossless: bool


def jpeg_head(data: bytearray) -> JpegHead | None:
    """Read the frame header of a JPEG; None where it has none."""
    at = 2
    while at + 10 <= len(data) and data[at] == 0xFF:
        marker = data[at + 1]
        if 0xC0 <= marker <= 0xCF and marker not in (0xC4, 0xC8, 0xCC):
            precision, height, width, components = struct.unpack_from(">BHHB", data, at + 4)
            return JpegHead(precision, height * width * components, height, at + 5, marker == 0xC3)
        at += 1 if marker == 0xFF else 2 + struct.unpack_from(">H", data, at + 2)[0]
    return None


def jpeg_xl_size(data: bytearray) -> tuple[int, int]:
    """Return height and width of a JPEG XL image as its size header says (ISO/IEC 18181-1, from memory).

    Of an image in boxes it is the first thing in the first box that holds a codestream.
    """
    for box, head in ((b"jxlc", 4), (b"jxlp", 8)):
        if data[:4] == bytes((0, 0, 0, 12)) and (at := data.find(box)) >= 0:
            data = data[at + head :]
    bits = int.from_bytes(data[2:18], "little")

    def take(count: int) -> int:
        nonlocal bits
        value = bits & ((1 << count) - 1)
        bits >>= count
        return value

    small = take(1)

    def side() -> int:
        return 8 * (take(5) + 1) if small else take((9, 13, 18, 30)[take(2)]) + 1

    height = side()
    over, under = ((0, 1), (1, 1), (12, 10), (4, 3), (3, 2), (16, 9), (5, 4), (2, 1))[take(3)]
    return height, height * over // under if over else side()
