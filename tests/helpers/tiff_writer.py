"""Headers of TIFF files tag by tag; nothing of the package has a hand in them."""

import struct
from pathlib import Path
from typing import Any

ASCII, SHORT, LONG, RATIONAL, BYTES, LONG8 = 2, 3, 4, 5, 7, 16
Entry = tuple[int, int, Any]

#: What a camera's main directory and its Exif directory hold.
CAMERA: list[Entry] = [(0x10F, ASCII, "Maker "), (0x110, ASCII, "Model Nine"), (0x112, SHORT, 6)]
EXIF: list[Entry] = [
    (0x829A, RATIONAL, (10, 2500)),
    (0x829D, RATIONAL, (110, 10)),
    (0x8827, SHORT, 640),
    (0x9003, ASCII, "2025:11:25 08:10:59"),
    (0x9291, ASCII, "24"),
    (0x920A, RATIONAL, (80, 1)),
    (0xA431, ASCII, "0012345"),
    (0xA434, ASCII, "80 mm f/2.8"),
]


def without(*codes: int) -> list[Entry]:
    return [entry for entry in EXIF if entry[0] not in codes]


def write_tiff(path: Path, main: list[Entry], exif: list[Entry], order: str = "<", big: bool = False) -> Path:
    """Write a TIFF of two directories and no image: what a camera's header holds; `big` has offsets of 64 bits."""
    word, counts, room = ("Q", "Q", 8) if big else ("I", "H", 4)
    start = struct.pack(order + "HHHQ", 43, 8, 0, 16) if big else struct.pack(order + "HI", 42, 8)
    head = (b"II" if order == "<" else b"MM") + start

    def directory(entries: list[Entry], begin: int) -> bytes:
        rows, spill = b"", b""
        after = begin + struct.calcsize(order + counts) + (4 + 2 * room) * len(entries) + room
        for code, dtype, value in sorted(entries):
            if dtype in (ASCII, BYTES):
                body = value.encode() + b"\0" if dtype == ASCII else value
                count = len(body)
            else:
                values = value if isinstance(value, tuple) else (value,)
                kind = {SHORT: "H", LONG: "I", RATIONAL: "I", LONG8: "Q"}[dtype]
                body = struct.pack(order + kind * len(values), *values)
                count = len(values) // (2 if dtype == RATIONAL else 1)
            if len(body) <= room:
                field = body.ljust(room, b"\0")
            else:
                field = struct.pack(order + word, after + len(spill))
                spill += body + b"\0" * (len(body) % 2)
            rows += struct.pack(order + "HH" + word, code, dtype, count) + field
        return struct.pack(order + counts, len(entries)) + rows + struct.pack(order + word, 0) + spill

    pointer = (0x8769, LONG8 if big else LONG)
    size = len(directory([*main, (*pointer, 0)], len(head)))
    first = directory([*main, (*pointer, len(head) + size)] if exif else main, len(head))
    path.write_bytes(head + first + (directory(exif, len(head) + size) if exif else b""))
    return path
