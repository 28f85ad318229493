"""Damage small valid DNG files of many layouts and judge what is read of each (run by hand; a fixed set in the tests).

    python tests/benchmarks/fuzz_raw.py --seeds 2000

The files are written here, with struct and the codecs alone, so that the true mean of the grey patch is known. One
seed changes one of them: bytes or bits, a tag's code, type, count or value, a tag more, strips that are swapped, cut
pixels. What is read is right (patch within 0.5 %, colour tags and exposure as written), or the frame carries a flag
of its own or is refused, or it is told against two sound frames of its cell in a session. All else is wrong without a
word. Each seed has 20 s and 4 GB in a process of its own.
"""

import argparse
import json
import resource
import select
import struct
import subprocess
import sys
import tempfile
import time
import warnings
import zlib
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any

import imagecodecs
import numpy as np
from numpy.typing import NDArray

ACTIVE = (3, 5, 131, 197)  # of 134 x 200 px, where a layout has masked borders
HEIGHT, WIDTH = 128, 192
PATCH = (0.55, 0.3, 0.85, 0.75)
#: Colours of the two calibration illuminants are real cameras' (FACTS: a published pair of matrices).
A_MATRIX = (9033, -3555, -287, -4881, 12214, 3022, -459, 926, 7932)
D65_MATRIX = (8598, -2848, -857, -5618, 13606, 2195, -1002, 1773, 7137)
NEUTRAL = (0.501, 1.0, 0.7014)  # 4894 K between these two, Duv -0.001
LIT, ROOM = 0.42, 0.0004  # green, share of the range
TOLERANCE = 0.005
#: What a frame's tags of colour and exposure may change of its row in the session.
LIMITS = {"cct_k": 5.0, "duv": 1e-4, "output_stops": 0.01}
SECONDS, BYTES = 20.0, 4 * 2**30
Entry = tuple[int, int, list[Any] | bytes]


@dataclass(frozen=True)
class Layout:
    """How one file is stored; `coded` turns shares of the range (h, w) or (h, w, 3) into stored values."""

    compression: int = 1
    bits: int = 16
    order: str = "<"
    block: tuple[int, int] | None = None  # tiles; else strips of so many rows
    rows: int = HEIGHT
    black: tuple[float, ...] = (512.25, 517.5, 530.75, 505.0)
    white: float = 15600.0
    planes: int = 1
    active: tuple[int, int, int, int] | None = None
    kind: str = "u"
    code: Callable[[NDArray[Any], int], bytes] | None = None
    curve: Callable[[NDArray[Any]], NDArray[Any]] | None = None  # share to share as stored
    interleaved: bool = False
    tags: tuple[Entry, ...] = ()
    first: tuple[Entry, ...] = ()  # tags of the first directory
    extra: tuple[str, ...] = field(default=())


def polynomials(terms: list[tuple[float, ...]]) -> bytes:
    """An OpcodeList2 with one MapPolynomial for each, over the whole frame."""
    listed = struct.pack(">I", len(terms))
    for plane, term in enumerate(terms):
        body = struct.pack(">9I", 0, 0, HEIGHT, WIDTH, plane, 1, 1, 1, len(term) - 1)
        body += struct.pack(f">{len(term)}d", *term)
        listed += struct.pack(">4I", 8, 0x01030000, 0, len(body)) + body
    return listed


def squared(share: NDArray[Any]) -> NDArray[Any]:
    """Invert 0.2 x + 0.8 x^2."""
    return (-0.2 + np.sqrt(0.04 + 3.2 * np.maximum(share, 0.0))) / 1.6


def two_components(block: NDArray[Any], bits: int) -> bytes:
    half = np.ascontiguousarray(block).reshape(block.shape[0], block.shape[1] // 2, 2)
    return bytes(imagecodecs.jpeg8_encode(half, lossless=True, bitspersample=bits, predictor=1))


def differences(block: NDArray[Any], _bits: int) -> bytes:
    return zlib.compress(np.diff(block, axis=1, prepend=block[:, :1] * 0).astype(block.dtype).tobytes())


def lossy(block: NDArray[Any], _bits: int) -> bytes:
    return bytes(imagecodecs.jpeg8_encode(block, level=98, colorspace="rgb", outcolorspace="rgb"))


LAYOUTS: dict[str, Layout] = {
    "strip": Layout(),
    "strips": Layout(order=">", rows=32, active=ACTIVE, extra=("masked", "delta")),
    "packed": Layout(bits=12, rows=32, black=(64.5,), white=4000.0),
    "tiles": Layout(block=(64, 64)),
    "ljpeg": Layout(7, 14, block=(64, 64), code=lambda b, n: bytes(imagecodecs.ljpeg_encode(b, bitspersample=n))),
    "ljpeg2": Layout(7, 14, order=">", block=(64, 64), code=two_components, active=ACTIVE),
    "deflate": Layout(8, block=(64, 64), code=lambda b, _: zlib.compress(b.tobytes())),
    "predictor": Layout(8, block=(64, 64), code=differences, tags=((317, 3, [2]),)),
    "jxl": Layout(52546, block=(64, 96), code=lambda b, _: bytes(imagecodecs.jpegxl_encode(b, lossless=True))),
    "interleaved": Layout(
        52546, block=(64, 96), code=lambda b, _: bytes(imagecodecs.jpegxl_encode(b, lossless=True)),
        interleaved=True, tags=((50975, 3, [2]), (52547, 3, [2])),
    ),
    "float": Layout(bits=32, kind="f", rows=32, black=(0.0625,), white=1.0, tags=((339, 3, [3]),)),
    "planes": Layout(rows=32, planes=3, black=(100.0, 101.5, 99.0), white=12000.0),
    "lossy": Layout(
        34892, 8, block=(64, 64), planes=3, black=(0.0, 0.0, 0.0), white=255.0, code=lossy, curve=squared,
        tags=((51009, 7, polynomials([(0.0, 0.2, 0.8)] * 3)),),
    ),
    "table": Layout(
        8, 8, rows=64, black=(512.0,), white=15600.0, code=lambda b, _: zlib.compress(b.tobytes()),
        tags=((50712, 3, np.rint(15600.0 * (np.arange(256) / 255.0) ** 2).astype(int).tolist()),), extra=("root",),
    ),
    "curve": Layout(rows=64, curve=squared, tags=((51009, 7, polynomials([(0.0, 0.2, 0.8)])),)),
}  # fmt: skip


def frame(layout: Layout, seed: int, level: float = LIT) -> bytes:
    """Return one valid file: a grey card on a textured ground under one light, with photon noise."""
    rng = np.random.default_rng(seed)
    full = (134, 200) if layout.active else (HEIGHT, WIDTH)
    top, left = layout.active[:2] if layout.active else (0, 0)
    coarse = np.random.default_rng(7).uniform(0.1, 0.6, (HEIGHT // 8, WIDTH // 8))
    ground = np.kron(coarse, np.ones((8, 8)))[..., None] * np.array([1.1, 0.9, 1.0])
    x0, y0, x1, y1 = PATCH
    ground[round(y0 * HEIGHT) : round(y1 * HEIGHT), round(x0 * WIDTH) : round(x1 * WIDTH)] = 1.0
    share = ground * (level * np.array(NEUTRAL) + ROOM * np.array([0.9, 1.0, 0.4]))
    share += rng.normal(size=share.shape) * np.sqrt(2e-5 * share)
    rows, columns = np.indices(full)
    rows, columns = rows - top, columns - left
    if layout.planes == 1:
        colours = np.array([[0, 1], [1, 2]])[rows % 2, columns % 2]
        inside = (rows >= 0) & (rows < HEIGHT) & (columns >= 0) & (columns < WIDTH)
        light = np.zeros(full)
        light[inside] = np.take_along_axis(share, colours[inside].reshape(HEIGHT, WIDTH, 1), 2).ravel()
        side = (2, 2) if len(layout.black) == 4 else (1, 1)
        black = np.array(layout.black).reshape(side)[rows % side[0], columns % side[1]]
        if "delta" in layout.extra:
            black = black + np.where(rows >= 0, rows // 16, 0)
    else:
        light, black = share, np.array(layout.black)
    if "root" in layout.extra:
        counts = np.clip(light * (layout.white - 512.0) + 512.0, 0, None)
        stored = np.sqrt(counts / 15600.0) * 255.0 + rng.uniform(-0.5, 0.5, full)  # dithered: 8 bits are coarse
    else:
        light = light if layout.curve is None else layout.curve(light)
        stored = black + light * (layout.white - black.max())
    dtype = {("u", 8): "u1", ("f", 32): "f4"}.get((layout.kind, layout.bits), "u2")
    if layout.kind == "u":
        stored = np.clip(np.rint(stored), 0, 2**layout.bits - 1)
    values = stored.astype(dtype)
    if layout.interleaved:
        values = np.block([[values[y::2, x::2] for x in (0, 1)] for y in (0, 1)])
    return file_bytes(layout, values)


def file_bytes(layout: Layout, values: NDArray[Any]) -> bytes:
    """Put one stored image behind a preview: first directory, segments, raw directory, EXIF."""
    order, (height, width) = layout.order, values.shape[:2]
    high, wide = layout.block or (layout.rows, width)
    spare = [(0, -height % high if layout.block else 0), (0, -width % wide)] + [(0, 0)] * (values.ndim - 2)
    padded = np.pad(values, spare, mode="edge")
    segments = []
    for y in range(0, padded.shape[0], high):
        for x in range(0, padded.shape[1], wide):
            block = np.ascontiguousarray(padded[y : y + high, x : x + wide])
            if layout.code is not None and layout.compression == 8:
                segments.append(layout.code(block.astype(block.dtype.newbyteorder(order)), layout.bits))
            elif layout.code is not None:
                segments.append(layout.code(block, layout.bits))
            elif layout.bits == 12:
                ones = (block[..., None].astype(np.uint32) >> np.arange(11, -1, -1)) & 1
                segments.append(np.packbits(ones.reshape(len(block), -1).astype(np.uint8), axis=1).tobytes())
            else:
                segments.append(block.astype(block.dtype.newbyteorder(order)).tobytes())
    file = bytearray((b"II*\0" if order == "<" else b"MM\0*") + bytes(4)) + bytes(16 * 16 * 3)
    offsets = []
    for segment in segments:
        offsets.append(len(file))
        file += segment + bytes(len(segment) % 2)
    counts = [len(segment) for segment in segments]
    samples = layout.planes
    raw: list[Entry] = [
        (254, 4, [0]), (256, 4, [width]), (257, 4, [height]), (258, 3, [layout.bits] * samples),
        (259, 3, [layout.compression]), (262, 3, [34892 if samples == 3 else 32803]), (277, 3, [samples]),
        (284, 3, [1]), (50717, 4, [round(layout.white)] * samples), (65000, 3, [1]), *layout.tags,
    ]  # fmt: skip
    if layout.block:
        raw += [(322, 4, [wide]), (323, 4, [high]), (324, 4, offsets), (325, 4, counts)]
    else:
        raw += [(273, 4, offsets), (278, 4, [high]), (279, 4, counts)]
    if samples == 1:
        raw += [(33421, 3, [2, 2]), (33422, 1, [0, 1, 1, 2])]
        raw += [(50713, 3, [2, 2] if len(layout.black) == 4 else [1, 1])]
    raw += [(50714, 5, fractions(layout.black, 10_000))]
    if layout.active:
        raw += [(50829, 4, list(layout.active))]
    if "masked" in layout.extra:
        raw += [(50830, 4, [ACTIVE[0], 0, ACTIVE[2], ACTIVE[1]])]
    if "delta" in layout.extra:
        raw += [(50716, 10, fractions([row // 16 for row in range(HEIGHT)], 1))]
    raw_at = len(file)
    file += directory(order, raw_at, raw)
    exif_at = len(file)
    exif: list[Entry] = [
        (33434, 5, [1, 125]), (33437, 5, [11, 1]), (34855, 3, [100]), (36867, 2, b"2024:02:29 12:00:00\0"),
        (37386, 5, [90, 1]), (42033, 2, b"0042\0"), (42036, 2, b"90 mm\0"),
    ]  # fmt: skip
    file += directory(order, exif_at, exif)
    first: list[Entry] = [
        (254, 4, [1]), (256, 4, [16]), (257, 4, [16]), (258, 3, [8, 8, 8]), (259, 3, [1]), (262, 3, [2]),
        (271, 2, b"Nobody\0"), (272, 2, b"Box\0"), (273, 4, [8]), (274, 3, [1]), (277, 3, [3]), (278, 4, [16]),
        (279, 4, [768]), (330, 4, [raw_at]), (34665, 4, [exif_at]), (50706, 1, [1, 4, 0, 0]), (50707, 1, [1, 1, 0, 0]),
        (50708, 2, b"Nobody Box\0"),
        (50721, 10, [part for n in A_MATRIX for part in (n, 10_000)]),
        (50722, 10, [part for n in D65_MATRIX for part in (n, 10_000)]),
        (50727, 5, [1, 1] * 3), (50728, 5, fractions(NEUTRAL, 10_000)), (50778, 3, [17]), (50779, 3, [21]),
        *layout.first,
    ]  # fmt: skip
    struct.pack_into(order + "I", file, 4, len(file))
    return bytes(file + directory(order, len(file), first))


def fractions(values: Any, below: int) -> list[int]:
    return [part for value in values for part in (round(float(value) * below), below)]


def directory(order: str, at: int, entries: list[Entry]) -> bytes:
    """Return a directory that begins `at` bytes into the file, long values behind it."""
    codes = {1: "B", 3: "H", 4: "I", 5: "I", 10: "i"}
    table, values = struct.pack(order + "H", len(entries)), b""
    behind = at + 2 + 12 * len(entries) + 4
    for tag, kind, value in sorted(entries, key=lambda entry: entry[0]):
        data = value if isinstance(value, bytes) else struct.pack(f"{order}{len(value)}{codes[kind]}", *value)
        count = len(value) // 2 if kind in (5, 10) else len(value)
        inline = len(data) <= 4
        table += struct.pack(order + "HHI", tag, kind, count)
        table += data.ljust(4, b"\0") if inline else struct.pack(order + "I", behind + len(values))
        values += b"" if inline else data + bytes(len(data) % 2)
    return table + bytes(4) + values + bytes(len(values) % 2)


# --- damage -----------------------------------------------------------------------------------------------------------

#: Bytes of a value by TIFF type.
SIZES = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 6: 1, 7: 1, 8: 2, 9: 4, 10: 8, 11: 4, 12: 8}
#: Tags that change what the pixels mean, with values that a file may hold: put over a spare tag.
ADDED = (
    (50975, 3, 2), (50975, 3, 3), (52547, 3, 2), (50974, 3, 16), (50710, 1, 0x00010200), (50711, 3, 2), (266, 3, 2),
    (317, 3, 2), (317, 3, 3), (339, 3, 2), (339, 3, 3), (347, 7, 0x01020304), (50706, 1, 0x01090000), (50717, 3, 4000),
    (50714, 3, 900), (50712, 3, 7), (51008, 7, 0), (51009, 7, 1), (50713, 3, 4), (277, 3, 3), (284, 3, 2),
    (33422, 1, 0),
)  # fmt: skip


def entries_of(data: bytes | bytearray) -> list[tuple[int, int, int, int, int]]:
    """Every tag of a valid file: where its entry lies, code, type, count, where its value lies."""
    order = "<" if data[:2] == b"II" else ">"
    found, waiting = [], [struct.unpack_from(order + "I", data, 4)[0]]
    while waiting:
        at = waiting.pop()
        for place in range(struct.unpack_from(order + "H", data, at)[0]):
            entry = at + 2 + 12 * place
            code, kind, count, value = struct.unpack_from(order + "HHII", data, entry)
            inline = SIZES[kind] * count <= 4
            found.append((entry, code, kind, count, entry + 8 if inline else value))
            if code in (330, 34665):
                waiting.append(value)
    return found


def pixels_of(data: bytes) -> tuple[int, int]:
    """Where the segments of the raw image begin and end: behind the preview, before the raw directory."""
    return 8 + 768, min(entry for entry, code, *_ in entries_of(data) if code == 254 and entry > 776) - 2


def damaged(data: bytes, seed: int) -> tuple[str, bytes]:
    """Return what was done and the damaged file."""
    rng = np.random.default_rng(seed)
    order = "<" if data[:2] == b"II" else ">"
    bad, entries, (begin, end) = bytearray(data), entries_of(data), pixels_of(data)
    raw = [entry for entry in entries if begin < entry[0]]
    entry, code, kind, count, value = raw[rng.integers(len(raw))]
    ways = ("bytes", "bit", "pixels", "zeros", "cut", "drop", "type", "count", "value", "add", "offsets", "pointer")
    way = ways[rng.integers(len(ways))]
    what = f"{way} {code}"
    odd = [0, 1, 2, 3, 16, 255, 256, 20_000, 65_535, 2**20, 2**31 - 1, 2**32 - 1, int(rng.integers(2**32))]
    if way == "bytes":
        for place in rng.integers(end, len(bad), rng.integers(1, 9)):
            bad[place] = rng.integers(256)
        bad[entry + rng.integers(12)] = rng.integers(256)
    elif way == "bit":
        place = int(rng.integers(end, len(bad)))
        bad[place] ^= 1 << int(rng.integers(8))
        what = f"bit at {place}"
    elif way == "pixels":
        for place in rng.integers(begin, end, rng.integers(1, 65)):
            bad[place] = rng.integers(256)
    elif way == "zeros":
        place, length = int(rng.integers(begin, end)), int(2 ** rng.integers(6, 14))
        bad[place : min(place + length, end)] = bytes(min(place + length, end) - place)
    elif way == "cut":
        del bad[int(rng.integers(1, len(bad))) :]
    elif way == "drop":
        struct.pack_into(order + "H", bad, entry, int(rng.choice([code + 1, code - 1, 65_001, code ^ 1 << 8])) % 65_536)
    elif way == "type":
        struct.pack_into(order + "H", bad, entry + 2, int(rng.integers(0, 19)))
    elif way == "count":
        new = int(rng.choice([0, max(0, count - 1), count + 1, count * 2, count * 1000, 2**20, 2**31, 2**32 - 1]))
        struct.pack_into(order + "I", bad, entry + 4, new)
    elif way == "value":
        size = 4 if kind in (5, 10) else SIZES[kind]
        place = value + size * int(rng.integers(max(1, count) * (2 if kind in (5, 10) else 1)))
        old = int.from_bytes(bad[place : place + size], "little" if order == "<" else "big")
        new = int(rng.choice([*odd, old + 1, max(0, old - 1), old * 2, old // 2])) % 256**size
        bad[place : place + size] = new.to_bytes(size, "little" if order == "<" else "big")
    elif way == "add":
        spare = next(at for at, code, *_ in raw if code == 65_000)
        code, kind, new = ADDED[rng.integers(len(ADDED))]
        what = f"add {code}={new}"
        many = {1: 4, 7: 4}.get(kind, 2 if code in (50974, 50713, 50712) else 1)
        body = new.to_bytes(4, "big") if kind in (1, 7) else struct.pack(order + "2H", new, new if many == 2 else 0)
        bad[spare : spare + 12] = struct.pack(order + "HHI", code, kind, many) + body
        if rng.random() < 0.5:  # in its place among the others, as a writer would
            sort_directory(bad, order, spare, [at for at, *_ in raw])
    elif way == "offsets":
        _, code, _, count, value = next(e for e in raw if e[1] in (273, 324))
        places = [value + 4 * int(i) for i in rng.integers(0, count, 2)]
        one, two = (struct.unpack_from(order + "I", bad, place)[0] for place in places)
        moved = [(two, one), (two, two), (one + int(rng.integers(1, 600)), two), (max(1, one - 256), two)]
        for place, new in zip(places, moved[rng.integers(len(moved))], strict=True):
            struct.pack_into(order + "I", bad, place, new)
        what = f"offsets of {count}"
    elif way == "pointer":
        long = [e for e in raw if e[4] != e[0] + 8]
        entry, code, *_ = long[rng.integers(len(long))]
        new = int(rng.choice([*odd, len(bad) - 4, begin, end, *[e[4] for e in long]]))
        struct.pack_into(order + "I", bad, entry + 8, new % 2**32)
        what = f"pointer {code}"
    return what, bytes(bad)


def sort_directory(bad: bytearray, order: str, spare: int, places: list[int]) -> None:
    """Put the entries of the directory that holds `spare` in the order of their codes."""
    last = spare
    while last + 12 in places:
        last += 12
    first = spare
    while first - 12 in places:
        first -= 12
    table = [bytes(bad[at : at + 12]) for at in range(first, last + 1, 12)]
    table.sort(key=lambda entry: struct.unpack_from(order + "H", entry)[0])
    bad[first : last + 12] = b"".join(table)


# --- judging ----------------------------------------------------------------------------------------------------------


@dataclass
class Sound:
    """The session of a layout: its folder, the reading of the file that is damaged, and that file."""

    folder: Path
    reading: Any
    file: bytes

    @cached_property
    def row(self) -> dict[str, Any]:
        """What the session says of that file while it is whole."""
        (self.folder / "frames" / "m.dng").write_bytes(self.file)
        return session_row(self.folder)


class Judge:
    """Sessions of sound frames, one a layout, and what becomes of a damaged one among them."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.sessions: dict[str, Sound] = {}

    def sound(self, name: str) -> Sound:
        if name not in self.sessions:
            folder = self.folder / name
            (folder / "frames").mkdir(parents=True)
            rows, cells = ["frame,head,power,kind"], [("full", LIT), ("1/2", LIT / 2)]
            (folder / "frames" / "room.dng").write_bytes(frame(LAYOUTS[name], 1, 0.0))
            rows.append("room.dng,,,ambient")
            for power, level in cells:
                for place in range(3):
                    file = f"{'m' if (power, place) == ('full', 1) else power[0] + str(place)}.dng"
                    (folder / "frames" / file).write_bytes(frame(LAYOUTS[name], 10 * place + len(power), level))
                    rows.append(f"{file},A,{power},flash")
            (folder / "shots.csv").write_text("\n".join([*rows, ""]), encoding="utf-8")
            (folder / "session.toml").write_text(f"[target]\npatch = {list(PATCH)}\n", encoding="utf-8")
            file = (folder / "frames" / "m.dng").read_bytes()
            self.sessions[name] = Sound(folder, measured(folder / "frames" / "m.dng"), file)
        return self.sessions[name]

    def verdict(self, seed: int) -> tuple[str, str]:
        """Return what became of a seed and what was done: right, flagged, refused, told in the session, or wrong."""
        name = list(LAYOUTS)[seed % len(LAYOUTS)]
        sound = self.sound(name)
        what, bad = damaged(sound.file, seed)
        path = sound.folder / "frames" / "m.dng"
        what = f"{name}: {what}"
        path.write_bytes(bad)
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            try:
                reading = measured(path)
            except Exception as error:
                return "traceback", f"{what} ({type(error).__name__}: {error})"
        if "Error: " in reading.message or "Warning: " in reading.message:
            return "caught", f"{what} ({reading.message})"
        if {"unreadable", "damaged"} & set(reading.flags):
            return "refused", f"{what} ({reading.message})"
        if set(reading.flags) - set(sound.reading.flags):
            return "flagged", f"{what} ({';'.join(reading.flags)})"
        wrong = differences_of(reading, sound.reading)
        if not wrong:
            return "right", what
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            try:
                row = session_row(sound.folder)
            except Exception as error:
                return "traceback", f"{what} (session, {type(error).__name__}: {error})"
        if row["flags"]:  # a whole file has none
            return "told", f"{what} ({wrong}; {row['flags']})"
        if "signal" in wrong:
            return "wrong", f"{what} ({wrong})"
        off = [abs(row[name] - sound.row[name]) for name in LIMITS]
        changed = not all(o <= limit for o, limit in zip(off, LIMITS.values(), strict=True))
        return ("wrong" if changed else "right"), f"{what} ({wrong}; {off})"


def differences_of(reading: Any, sound: Any) -> str:
    from greystep.raw.dng import same_matrices

    found = []
    off = np.abs(np.array(reading.signal.mean) / np.array(sound.signal.mean) - 1.0)
    if not off.max() < TOLERANCE:
        found.append(f"signal {100 * off.max():.2f} %")
    if not same_matrices(reading.colour, sound.colour):
        found.append("colour")
    settings = ("exposure_s", "f_number", "iso")
    if any(getattr(reading.exposure, one) != getattr(sound.exposure, one) for one in settings):
        found.append("exposure")
    return ", ".join(found)


def measured(path: Path) -> Any:
    from greystep.measure.reading import measure_frame
    from greystep.measure.target import fixed_target

    return measure_frame(path, fixed_target(PATCH))


def session_row(folder: Path) -> dict[str, Any]:
    """What the session says of the damaged frame."""
    from greystep.session.ingest import ingest
    from greystep.session.settings import load_settings

    table = ingest(load_settings(folder)).readings
    return dict(table.loc[table["frame"] == "m.dng"].iloc[0])


def true_means() -> NDArray[Any]:
    """Red, green and blue of the grey patch above black, as written [share of white less the highest black]."""
    return LIT * np.array(NEUTRAL) + ROOM * np.array([0.9, 1.0, 0.4])


# --- run by hand ------------------------------------------------------------------------------------------------------


def worker(first: int, last: int) -> None:
    with tempfile.TemporaryDirectory() as folder:
        judge = Judge(Path(folder))
        for name in LAYOUTS:
            judge.sound(name)
        print("ready", flush=True)
        for seed in range(first, last):
            print(json.dumps([seed, *judge.verdict(seed)]), flush=True)


def run(first: int, last: int) -> Iterator[tuple[int, str, str]]:
    """Judge seeds in a child that is started again where one hangs or ends it."""

    def limited() -> None:
        resource.setrlimit(resource.RLIMIT_AS, (BYTES, BYTES))

    while first < last:
        command = [sys.executable, __file__, "--worker", str(first), str(last)]
        with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, bufsize=1, preexec_fn=limited) as child:
            assert child.stdout is not None
            limit = 120.0
            while first < last:
                ready, _, _ = select.select([child.stdout], [], [], limit)
                line = child.stdout.readline() if ready else ""
                if line.startswith("ready"):
                    limit = SECONDS
                    continue
                if not line:
                    child.kill()
                    yield first, "hang" if not ready else "died", list(LAYOUTS)[first % len(LAYOUTS)]
                    first += 1
                    break
                seed, verdict, what = json.loads(line)
                yield seed, verdict, what
                first = seed + 1


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", type=int, default=2000)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--worker", type=int, nargs=2)
    parser.add_argument("--list", nargs="*", default=["wrong", "traceback", "caught", "hang", "died"])
    chosen = parser.parse_args()
    if chosen.worker:
        worker(*chosen.worker)
        return
    counts: Counter[str] = Counter()
    began = time.monotonic()
    for seed, verdict, what in run(chosen.first, chosen.first + chosen.seeds):
        counts[verdict] += 1
        if verdict in chosen.list:
            print(seed, verdict, what, flush=True)
    print(dict(counts), f"{time.monotonic() - began:.0f} s")


if __name__ == "__main__":
    main()
