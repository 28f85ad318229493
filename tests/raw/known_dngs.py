"""Small DNG files of many layouts whose light is known: struct, numpy and the codecs, nothing of the package."""

import struct
import zlib
from collections.abc import Callable
from dataclasses import dataclass, field
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
#: Bytes of a value by TIFF type.
SIZES = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 6: 1, 7: 1, 8: 2, 9: 4, 10: 8, 11: 4, 12: 8}
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


def true_means() -> NDArray[Any]:
    """Red, green and blue of the grey patch above black, as written [share of white less the highest black]."""
    return LIT * np.array(NEUTRAL) + ROOM * np.array([0.9, 1.0, 0.4])


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
