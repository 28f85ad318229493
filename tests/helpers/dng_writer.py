"""DNG files of many layouts, written with tifffile alone; nothing of the package has a hand in them."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import imagecodecs
import numpy as np
import tifffile
from numpy.typing import NDArray

A_MATRIX = (9033, -3555, -287, -4881, 12214, 3022, -459, 926, 7932)
D65_MATRIX = (8598, -2848, -857, -5618, 13606, 2195, -1002, 1773, 7137)


def ratios(values: Sequence[float], below: int = 10_000) -> tuple[int, ...]:
    return tuple(part for value in values for part in (round(value * below), below))


def pack(rows: NDArray[Any], bits: int) -> bytes:
    """Most significant bit first, each row filled up to a byte."""
    ones = (rows.reshape(len(rows), -1)[..., None].astype(np.uint32) >> np.arange(bits - 1, -1, -1)) & 1
    return np.packbits(ones.reshape(len(rows), -1).astype(np.uint8), axis=1).tobytes()


def two_components(block: NDArray[Any], bits: int) -> bytes:
    half = np.ascontiguousarray(block).reshape(block.shape[0], block.shape[1] // 2, 2)
    return bytes(imagecodecs.jpeg8_encode(half, lossless=True, bitspersample=bits, predictor=1))


def opcode_list(*numbers: int, body: bytes = b"") -> bytes:
    def word(value: int) -> bytes:
        return value.to_bytes(4, "big")

    return word(len(numbers)) + b"".join(word(n) + word(0x01030000) + word(0) + word(len(body)) + body for n in numbers)


def write_dng(
    path: Path,
    stored: NDArray[Any],
    layout: str = "strip",
    bits: int | None = None,
    block: tuple[int, int] = (32, 48),
    byteorder: str = "<",
    subifd: bool = True,
    cfa: Sequence[int] = (0, 1, 1, 2),
    cfa_dim: tuple[int, int] = (2, 2),
    active: Sequence[int] | None = None,
    black: Sequence[float] | None = None,
    black_dim: tuple[int, int] | None = None,
    delta_v: Sequence[float] | None = None,
    delta_h: Sequence[float] | None = None,
    white: Sequence[int] | None = None,
    masked: Sequence[int] | None = None,
    table: Sequence[int] | None = None,
    extra: Sequence[tuple[int, int, int, Any]] = (),
    first: Sequence[tuple[int, int, int, Any]] = (),
    photometric: int | None = None,
    preview: NDArray[np.uint8] | None = None,
) -> Path:
    """Write `stored` (h, w) as a mosaic or (h, w, 3) as a linear image; `preview` (h, w, 3) as a JPEG beside it.

    Layouts: strip, strips, tiles (uncompressed); packed; ljpeg, ljpeg2 (lossless JPEG tiles of one and of two
    components), ljpeg_strips, ljpeg2_strip; deflate, predictor, jxl, lossy.
    """
    planes = stored.ndim == 3
    bits = bits or stored.dtype.itemsize * 8
    raw: list[tuple[int, int, int, Any, bool]] = []

    def tag(code: int, dtype: int, values: Sequence[float] | None, count: int | None = None) -> None:
        if values is not None:
            stored_values = ratios(values) if dtype in (5, 10) else tuple(values)
            raw.append((code, dtype, count or len(values), stored_values, True))

    if not planes and photometric is None:
        tag(33421, 3, cfa_dim)
        raw.append((33422, 1, len(cfa), bytes(cfa), True))
    tag(50829, 4, active)
    tag(50713, 3, black_dim)
    tag(50714, 5, black)
    tag(50715, 10, delta_h)
    tag(50716, 10, delta_v)
    tag(50717, 4, white)
    tag(50830, 4, masked)
    tag(50712, 3, table)
    raw += [(*entry, True) for entry in extra]
    main = [
        (50706, 1, 4, bytes((1, 4, 0, 0)), True),
        (50721, 10, 9, tuple(part for n in A_MATRIX for part in (n, 10_000)), True),
        (50722, 10, 9, tuple(part for n in D65_MATRIX for part in (n, 10_000)), True),
        (50778, 3, 1, 17, True),
        (50779, 3, 1, 21, True),
        (50728, 5, 3, ratios((0.501, 1.0, 0.7014)), True),
    ]
    replaced = {entry[0] for entry in first}
    main = [entry for entry in main if entry[0] not in replaced] + [(*e, True) for e in first if e[2] != 0]
    stored = stored.astype(stored.dtype.newbyteorder(byteorder))
    high, wide = block
    native = stored.astype(stored.dtype.newbyteorder("="))
    spare = [(0, -side % step) for side, step in zip(stored.shape, block, strict=False)] + [(0, 0)] * planes
    padded = np.pad(native, spare, mode="edge")
    blocks = [
        padded[y : y + high, x : x + wide]
        for y in range(0, padded.shape[0], high)
        for x in range(0, padded.shape[1], wide)
    ]
    strips = [native[y : y + high] for y in range(0, len(stored), high)]
    how: dict[str, Any] = {"rowsperstrip": len(stored)}
    data: Any = stored
    lossless = {"compression": 7, "compressionargs": {"lossless": True, "bitspersample": bits}}
    if layout in ("strips", "ljpeg_strips", "packed"):
        how = {"rowsperstrip": high}
    if layout in ("tiles", "ljpeg", "ljpeg2", "deflate", "predictor", "jxl", "lossy"):
        how = {"tile": block}
    if layout in ("packed", "packed_strip"):
        data = iter([pack(strip, bits) for strip in (strips if layout == "packed" else [stored])])
        how |= {"bitspersample": bits}
    elif layout == "ljpeg":
        data = iter([bytes(imagecodecs.ljpeg_encode(b, bitspersample=bits)) for b in blocks])
    elif layout == "ljpeg_strips":
        data = iter([bytes(imagecodecs.ljpeg_encode(s, bitspersample=bits)) for s in strips])
    elif layout == "ljpeg2":
        data = iter([two_components(b, bits) for b in blocks])
    elif layout == "ljpeg2_strip":
        data = iter([two_components(native, bits)])
    elif layout == "jxl":
        data = iter([bytes(imagecodecs.jpegxl_encode(b, lossless=True)) for b in blocks])
        how |= {"compression": 52546}
    elif layout == "lossy":
        data = iter(
            [bytes(imagecodecs.jpeg8_encode(b, level=95, colorspace="rgb", outcolorspace="rgb")) for b in blocks]
        )
        how |= {"compression": 34892}
    elif layout == "deflate":
        how |= {"compression": 8}
    elif layout == "predictor":
        how |= {"compression": 8, "predictor": 3 if stored.dtype.kind == "f" else 2}
    if "ljpeg" in layout:
        how |= lossless
    order: Any = byteorder
    if photometric is None:
        photometric = 34892 if planes else 32803
    common = {"photometric": photometric, "planarconfig": 1 if planes else None, "metadata": None} | how
    with tifffile.TiffWriter(path, byteorder=order) as tif:
        if subifd:
            if preview is None:
                small = {"data": np.zeros((16, 16, 3), np.uint8), "photometric": 2}
            else:  # one strip of JPEG, as cameras write it
                coded = bytes(imagecodecs.jpeg8_encode(preview, level=95, colorspace="rgb"))
                small = {"data": iter([coded]), "shape": preview.shape, "dtype": np.uint8, "photometric": 6}
                small |= {"compression": 7, "rowsperstrip": len(preview)}
            tif.write(subfiletype=1, subifds=1, extratags=main, metadata=None, **small)
        tif.write(
            data,
            shape=stored.shape,
            dtype=stored.dtype,
            subfiletype=0,
            extratags=raw if subifd else [*main, *raw],
            **common,
        )
    return path
