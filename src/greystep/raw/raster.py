"""How the raw image of a DNG lies in its file, and any box of what is stored there.

What the tags declare (sizes, byte counts, places) is held against the file before room is made for any pixel.
"""

import math
import struct
import zlib
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import Any, Final, NamedTuple

import imagecodecs
import numpy as np
import tifffile
from numpy.typing import NDArray

from greystep.constants import DngTag
from greystep.errors import FrameError
from greystep.flags import Flag
from greystep.raw import turns
from greystep.raw.guard import one_line
from greystep.raw.tags import Tags, integers

CFA: Final = 32803
LINEAR_RAW: Final = 34892
_NONE, _DEFLATE, _JPEG, _LOSSY_JPEG, _JPEG_XL = 1, 8, 7, 34892, 52546
#: Compressions that are decoded by tile or strip.
DECODED: Final = frozenset({_NONE, _DEFLATE, _JPEG, _LOSSY_JPEG, _JPEG_XL})
_MOST_PAGES: Final = 32
#: An image may unfold to so many times the size of its file, or so many bytes: a black frame shrinks a hundredfold.
_MOST_UNFOLDED: Final = 200
_FREELY_UNFOLDED: Final = 2**26


@dataclass(frozen=True, eq=False)
class Raster:
    """How the raw image lies in the file.

    ``plain`` says that any row can be read where it lies: uncompressed strips of whole or packed samples. ``rows``
    is the height of a strip or tile, ``wide`` its width, ``offsets`` where each begins. ``fields`` are the factors by
    which rows and columns are interleaved: with (2, 2) the image is stored as four images of every other pixel.
    ``page`` is the directory, of which nothing is read from the file any more.
    """

    height: int
    width: int
    samples: int
    bits: int
    dtype: np.dtype[Any]
    compression: int
    plain: bool
    rows: int
    wide: int
    offsets: tuple[int, ...]
    page: tifffile.TiffPage
    fields: tuple[int, int] = (1, 1)


def pages_of(tif: tifffile.TiffFile) -> list[tifffile.TiffPage]:
    """Return the directories of a file and those below them, up to a limit: a list may run in a circle."""
    main = [page for page in islice(tif.pages, _MOST_PAGES) if isinstance(page, tifffile.TiffPage)]
    return main + [sub for page in main for sub in page.pages or () if isinstance(sub, tifffile.TiffPage)]


def raw_page(path: Path, pages: list[tifffile.TiffPage]) -> tifffile.TiffPage:
    """Return the directory of the largest raw image.

    Raises:
        FrameError: If there is none.
    """
    main = [page for page in pages if int(page.tags.valueof(DngTag.NEW_SUBFILE_TYPE, 0)) == 0]
    raw = [page for page in main if page.photometric in (CFA, LINEAR_RAW)]
    if not raw:
        raise FrameError(f"{path.name}: a DNG without a raw image in it; use the camera's own raw file")
    return max(raw, key=lambda page: page.imagelength * page.imagewidth)


def read_raster(path: Path, page: tifffile.TiffPage, tags: Tags, size: int) -> Raster:
    """Read how the image of a directory is stored.

    Args:
        size: Of the file [bytes].

    Raises:
        FrameError: For an image that is not understood, and where the tags do not fit each other or the file.
    """
    height, width, samples, dtype = page.imagelength, page.imagewidth, page.samplesperpixel, page.dtype
    if samples == 1 and page.photometric == LINEAR_RAW:
        raise FrameError(f"{path.name}: a monochrome raw; no colour can be measured in it, use a colour camera")
    fields = tuple(
        max(1, *integers(tags, code)) if integers(tags, code) else 1
        for code in (DngTag.ROW_INTERLEAVE_FACTOR, DngTag.COLUMN_INTERLEAVE_FACTOR)
    )
    if (
        samples != (3 if page.photometric == LINEAR_RAW else 1)
        or dtype is None
        or dtype.kind not in "uf"
        or not 0 < height * width < 2**31
        or len(set(integers(tags, DngTag.BITS_PER_SAMPLE))) > 1
    ):
        raise FrameError(
            f"{path.name}: {width} x {height} px of {samples} x {page.bitspersample} bit are not understood;"
            " use the camera's own raw file"
        )
    if (
        set(integers(tags, DngTag.SUB_TILE_BLOCK_SIZE)) - {1}
        or int(page.fillorder) != 1
        or fields[0] > height
        or fields[1] > width
    ):
        raise FrameError(f"{path.name}: its pixels are stored in an order that is not understood; convert it again")
    tile, planes, compression = page.is_tiled, samples if page.planarconfig == 2 else 1, int(page.compression)
    bits = int(page.bitspersample)
    plain = (
        (compression, int(page.predictor), planes, tile) == (_NONE, 1, 1, False)
        and (bits == 8 * dtype.itemsize or dtype.kind == "u")
    )  # fmt: skip
    rows, wide = (page.tilelength, page.tilewidth) if tile else (min(page.rowsperstrip, height), width)
    if rows <= 0 or wide <= 0:
        raise _not_fitting(path, f"tiles of {wide} x {rows} px")
    down, across = math.ceil(height / rows), math.ceil(width / wide)
    row_bytes = math.ceil(wide * (samples // planes) * bits / 8)
    if planes * down * across * rows * row_bytes > max(_FREELY_UNFOLDED, _MOST_UNFOLDED * size):
        raise _not_fitting(path, f"{width} x {height} px in tiles or strips of {wide} x {rows}")
    sizes = None
    if compression == _NONE:
        of_rows = np.full(down, rows) if tile else np.minimum(rows, height - rows * np.arange(down))
        sizes = np.tile(np.repeat(of_rows, across), planes) * row_bytes
    offsets = _places(path, page, size, planes * down * across, sizes, min(row_bytes, rows * row_bytes // wide))
    order = dtype.newbyteorder(page.parent.byteorder)
    assert callable(page.decode)  # made while the file is open, which it looks into
    return Raster(
        height, width, samples, bits, order, compression, plain, rows, wide, offsets, page, (fields[0], fields[1])
    )  # fmt: skip


def read_stored(
    path: Path, raster: Raster, top: int, bottom: int, left: int, right: int, every: int = 1
) -> NDArray[Any]:
    """Read a box of the image, in place: codes as they are stored, (h, w) or (h, w, 3).

    Args:
        every: So many rows are one row on; those between are not read where rows lie by themselves.

    Raises:
        FrameError: With the flag ``damaged`` where the pixels cannot be decoded.
    """
    with turns.left(), one_line(path, "its pixels cannot be decoded", Flag.DAMAGED):
        read = _rows if raster.plain else _segments
        if raster.fields == (1, 1):
            box = path, raster, top, bottom, left, right
            stored = _rows(*box, every) if raster.plain else _segments(*box)[::every]
        else:
            stored = np.empty((bottom - top, right - left, raster.samples), raster.dtype.newbyteorder("="))
            for of_rows, y0, y1 in _fields(raster.height, raster.fields[0], top, bottom):
                for of_columns, x0, x1 in _fields(raster.width, raster.fields[1], left, right):
                    stored[of_rows, of_columns] = read(path, raster, y0, y1, x0, x1)
            stored = stored[::every]
        return stored[..., 0] if raster.samples == 1 else stored


def _fields(side: int, factor: int, low: int, high: int) -> list[tuple[slice, int, int]]:
    """Return where each field of interleaved rows or columns goes in a box, and where it is stored.

    Field k holds the rows k, k + factor, ...; the fields are stored one after the other (DNG 1.7.1, p. 97).
    """
    found = []
    begin = 0
    for field in range(factor):
        first = (field - low) % factor
        if low + first < high:
            place = begin + (low + first - field) // factor
            found.append((slice(first, None, factor), place, place + math.ceil((high - low - first) / factor)))
        begin += math.ceil((side - field) / factor)
    return found


def _places(
    path: Path, page: tifffile.TiffPage, size: int, needed: int, sizes: NDArray[Any] | None, spare: int
) -> tuple[int, ...]:
    """Return where each strip or tile begins, after a look whether all lie in the file and none upon another.

    Args:
        sizes: Their bytes by arithmetic; None where they are compressed.
        spare: Bytes by which a writer may have filled one up: less than a row or a column of pixels takes.
    """
    offsets, counts = np.array(page.dataoffsets, np.int64), np.array(page.databytecounts, np.int64)
    declared = DngTag.STRIP_BYTE_COUNTS in page.tags or DngTag.TILE_BYTE_COUNTS in page.tags
    if (listed := min(len(offsets), len(counts))) < needed:
        raise FrameError(f"{path.name}: lists {listed} of {needed} strips or tiles; copy it from the card again")
    offsets, counts = offsets[:needed], counts[:needed]
    if sizes is not None:
        filled = (counts >= sizes) & ((counts < sizes + max(spare, 1)) | (counts == sizes.max()))
        if declared and not filled.all():
            raise _not_fitting(path, f"{int(counts[~filled][0])} bytes in a strip or tile of {int(sizes[~filled][0])}")
        counts = sizes
    end = int((offsets + counts).max())
    if end > size or offsets.min() <= 0 or counts.min() <= 0:
        raise FrameError(f"{path.name}: cut off, {size} bytes of at least {end}; copy it from the card again")
    order = np.argsort(offsets)
    begins, ends = offsets[order], (offsets + counts)[order]
    tags = np.array([page.offset, *(tag.valueoffset for tag in page.tags.values())])
    before = np.searchsorted(begins, tags, "right") - 1
    if (begins[1:] < ends[:-1]).any() or ((before >= 0) & (tags < ends[before])).any():
        raise FrameError(
            f"{path.name}: its strips or tiles lie upon each other or upon its tags; copy it from the card again",
            Flag.DAMAGED,
        )
    return tuple(offsets.tolist())


def _not_fitting(path: Path, what: str) -> FrameError:
    return FrameError(
        f"{path.name}: its tags say {what}, which does not fit; copy it from the card again", Flag.DAMAGED
    )


def _rows(path: Path, raster: Raster, top: int, bottom: int, left: int, right: int, every: int = 1) -> NDArray[Any]:
    """Read uncompressed rows where they lie; plain reads, because a memory map dies with the card that it looks at."""
    per_pixel = raster.samples * raster.bits
    first, last = left // 8 * 8, min(-(-right // 8) * 8, raster.width)  # eight packed pixels fill whole bytes
    begin, row_bytes = first * per_pixel // 8, math.ceil(raster.width * per_pixel / 8)
    span = math.ceil(last * per_pixel / 8) - begin
    rows = range(top, bottom, every)
    data = bytearray(len(rows) * span)
    lines = memoryview(data)
    with path.open("rb", buffering=0) as file:
        for line, row in enumerate(rows):
            file.seek(raster.offsets[row // raster.rows] + row % raster.rows * row_bytes + begin)
            if file.readinto(lines[line * span : (line + 1) * span]) != span:
                raise FrameError(f"{path.name}: cut off in row {row}; copy it from the card again", Flag.DAMAGED)
    if raster.bits == 8 * raster.dtype.itemsize:
        values = np.frombuffer(data, raster.dtype)
    else:
        values = imagecodecs.packints_decode(
            bytes(data), raster.dtype.newbyteorder("="), raster.bits, runlen=(last - first) * raster.samples
        )
    return values.reshape(len(rows), last - first, raster.samples)[:, left - first : right - first]


def _segments(path: Path, raster: Raster, top: int, bottom: int, left: int, right: int) -> NDArray[Any]:
    """Decode the strips or tiles that cover the box, and no other."""
    out = np.empty((bottom - top, right - left, raster.samples), raster.dtype.newbyteorder("="))
    page, high, wide = raster.page, raster.rows, raster.wide
    down, across = math.ceil(raster.height / high), math.ceil(raster.width / wide)
    with path.open("rb") as file:
        for plane in range(raster.samples if page.planarconfig == 2 else 1):
            into = out if page.planarconfig == 1 else out[..., plane : plane + 1]
            for y in range(top // high * high, bottom, high):
                for x in range(left // wide * wide, right, wide):
                    index = (plane * down + y // high) * across + x // wide
                    file.seek(raster.offsets[index])
                    data = file.read(page.databytecounts[index])
                    shape = (high if page.is_tiled else min(high, raster.height - y), wide, into.shape[2])
                    t, b, le, r = max(top, y), min(bottom, y + high), max(left, x), min(right, x + wide)
                    tile = _decoded(data, index, raster, shape, b - y)
                    if tile is None or tile.dtype != out.dtype:
                        raise FrameError(
                            f"{path.name}: tile {index} is not what its tags say; copy it from the card again",
                            Flag.DAMAGED,
                        )
                    into[t - top : b - top, le - left : r - left] = tile[t - y : b - y, le - x : r - x]
    return out


def _decoded(data: bytes, index: int, raster: Raster, shape: tuple[int, int, int], rows: int) -> NDArray[Any] | None:
    """Decode a strip or tile to (h, w, samples); None where it holds another number of pixels than the tags say.

    The decoders would cut what is too much, and put rows together anew. A lossless JPEG is decoded no farther than to
    the last of the `rows` that are asked for.
    """
    pixels = math.prod(shape)
    of_strip = {pixels, pixels // shape[0] * raster.rows}  # the last strip may be filled up
    if raster.compression == _JPEG_XL:
        if _jpeg_xl(data) != shape[:2]:
            return None
        image = imagecodecs.jpegxl_decode(data)
        return image.reshape(shape) if image.size == pixels else None
    if raster.compression == _DEFLATE:
        size = max(of_strip) * raster.bits // 8
        unfold = zlib.decompressobj()
        found = len(unfold.decompress(data, size + 1))  # to its end, where its checksum stands
        if not unfold.eof or found not in {math.ceil(count * raster.bits / 8) for count in of_strip}:
            return None
    page = raster.page
    if raster.compression in (_JPEG, _LOSSY_JPEG):
        head = _jpeg(data)
        if head is None or head.precision > 8 * raster.dtype.itemsize or head.samples not in of_strip:
            return None
        if head.lossless and head.height == shape[0] > rows and head.samples == pixels:
            begun = bytearray(data)
            struct.pack_into(">H", begun, head.at, rows)
            decoded = imagecodecs.jpeg_decode(begun, bitspersample=raster.bits, tables=page.jpegtables)
            return np.asarray(decoded).reshape(rows, *shape[1:])
    tables = {"jpegtables": page.jpegtables} if page.jpegtables else {}
    tile = page.decode(data, index, **tables)[0]
    return None if tile is None else np.asarray(tile[0])


class _Jpeg(NamedTuple):
    """The frame header of a JPEG: bits of a sample, samples of all components, rows, and where their number stands."""

    precision: int
    samples: int
    height: int
    at: int
    lossless: bool


def _jpeg(data: bytes) -> _Jpeg | None:
    """Read the frame header of a JPEG; None where it has none."""
    at = 2
    while at + 10 <= len(data) and data[at] == 0xFF:
        marker = data[at + 1]
        if 0xC0 <= marker <= 0xCF and marker not in (0xC4, 0xC8, 0xCC):
            precision, height, width, components = struct.unpack_from(">BHHB", data, at + 4)
            return _Jpeg(precision, height * width * components, height, at + 5, marker == 0xC3)
        at += 1 if marker == 0xFF else 2 + struct.unpack_from(">H", data, at + 2)[0]
    return None


def _jpeg_xl(data: bytes) -> tuple[int, int]:
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
