"""How the raw image of a DNG lies in its file, and any box of what is stored there.

What the tags declare (sizes, byte counts, places) is held against the file before room is made for any pixel.
"""

import math
import struct
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import islice, product
from pathlib import Path
from typing import Any, Final, NamedTuple

import imagecodecs
import numpy as np
import tifffile
from numpy.typing import NDArray

from greystep.constants import DngTag
from greystep.errors import FrameError
from greystep.flags import Flag
from greystep.raw.guard import one_line
from greystep.raw.picture_heads import jpeg_head, jpeg_xl_size
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

    @property
    def decoded_by_rows(self) -> bool:
        """A tile or strip is decoded no farther than to the last row that is asked for."""
        return self.compression == _JPEG


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


class Region(NamedTuple):
    """A box of an image [px], of which every so many rows and every so many columns are read."""

    y0: int
    y1: int
    x0: int
    x1: int
    down: int = 1
    across: int = 1


def read_stored(path: Path, raster: Raster, regions: Sequence[Region]) -> list[NDArray[Any]]:
    """Read boxes of the image, in place: codes as they are stored, (h, w) or (h, w, 3) each.

    A strip or tile that several boxes lie in is decoded once. Rows between those that are asked for are not read where
    rows lie by themselves.

    Raises:
        FrameError: With the flag ``damaged`` where the pixels cannot be decoded.
    """
    with one_line(path, "its pixels cannot be decoded", Flag.DAMAGED):
        if raster.plain and raster.fields == (1, 1):
            found = [_rows(path, raster, one) for one in regions]
        else:
            boxes = (
                _segments(path, raster, regions)
                if raster.fields == (1, 1)
                else [_interleaved(path, raster, one) for one in regions]
            )
            found = [box[:: one.down] for box, one in zip(boxes, regions, strict=True)]
        thinned = [box[:, :: one.across] for box, one in zip(found, regions, strict=True)]
        return [box[..., 0] for box in thinned] if raster.samples == 1 else thinned


def _interleaved(path: Path, raster: Raster, region: Region) -> NDArray[Any]:
    """Read all of a box whose rows and columns are stored in fields."""
    top, bottom, left, right = region[:4]
    stored = np.empty((bottom - top, right - left, raster.samples), raster.dtype.newbyteorder("="))
    for of_rows, y0, y1 in _fields(raster.height, raster.fields[0], top, bottom):
        for of_columns, x0, x1 in _fields(raster.width, raster.fields[1], left, right):
            field = Region(y0, y1, x0, x1)
            stored[of_rows, of_columns] = (
                _rows(path, raster, field) if raster.plain else _segments(path, raster, [field])[0]
            )
    return stored


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


def _rows(path: Path, raster: Raster, region: Region) -> NDArray[Any]:
    """Read every so many uncompressed rows where they lie: plainly, as a memory map dies with the card it looks at."""
    top, bottom, left, right, every, _ = region
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


def _segments(path: Path, raster: Raster, regions: Sequence[Region]) -> list[NDArray[Any]]:
    """Decode the strips or tiles that cover the boxes, each once and no other; all of the boxes."""
    kind, page, high, wide = raster.dtype.newbyteorder("="), raster.page, raster.rows, raster.wide
    boxes = [np.empty((one.y1 - one.y0, one.x1 - one.x0, raster.samples), kind) for one in regions]
    asked: dict[tuple[int, int], list[int]] = {}
    for number, one in enumerate(regions):
        for y in range(one.y0 // high * high, one.y1, high):
            for x in range(one.x0 // wide * wide, one.x1, wide):
                asked.setdefault((y, x), []).append(number)
    down, across = math.ceil(raster.height / high), math.ceil(raster.width / wide)
    planes = 1 if page.planarconfig == 1 else raster.samples
    with path.open("rb") as file:
        for plane, ((y, x), numbers) in product(range(planes), sorted(asked.items())):
            index = (plane * down + y // high) * across + x // wide
            file.seek(raster.offsets[index])
            data = bytearray(page.databytecounts[index])
            del data[file.readinto(data) :]  # of a file that is cut off meanwhile
            shape = (high if page.is_tiled else min(high, raster.height - y), wide, raster.samples // planes)
            rows = min(high, max(regions[number].y1 for number in numbers) - y)
            tile = _decoded(data, index, raster, shape, rows)
            if tile is None or tile.dtype != kind:
                raise FrameError(
                    f"{path.name}: tile {index} is not what its tags say; copy it from the card again", Flag.DAMAGED
                )
            for number in numbers:
                one, into = regions[number], boxes[number][..., plane : plane + shape[2]]
                t, b = max(one.y0, y), min(one.y1, y + high)
                le, r = max(one.x0, x), min(one.x1, x + wide)
                into[t - one.y0 : b - one.y0, le - one.x0 : r - one.x0] = tile[t - y : b - y, le - x : r - x]
    return boxes


def _decoded(
    data: bytearray, index: int, raster: Raster, shape: tuple[int, int, int], rows: int
) -> NDArray[Any] | None:
    """Decode a strip or tile to (h, w, samples); None where it holds another number of pixels than the tags say.

    The decoders would cut what is too much, and put rows together anew. A lossless JPEG is decoded no farther than to
    the last of the `rows` that are asked for.
    """
    pixels = math.prod(shape)
    of_strip = {pixels, pixels // shape[0] * raster.rows}  # the last strip may be filled up
    if raster.compression == _JPEG_XL:
        if jpeg_xl_size(data) != shape[:2]:
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
        head = jpeg_head(data)
        if head is None or head.precision > 8 * raster.dtype.itemsize or head.samples not in of_strip:
            return None
        if head.lossless and head.height == shape[0] > rows and head.samples == pixels:
            struct.pack_into(">H", data, head.at, rows)
            decoded = imagecodecs.jpeg_decode(data, bitspersample=raster.bits, tables=page.jpegtables)
            return np.asarray(decoded).reshape(rows, *shape[1:])
    tables = {"jpegtables": page.jpegtables} if page.jpegtables else {}
    tile = page.decode(data, index, **tables)[0]
    return None if tile is None else np.asarray(tile[0])
