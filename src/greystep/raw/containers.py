"""Where the formats that exifread does not know keep what the camera wrote, found and handed over.

Most hold a whole TIFF or JPEG block, which exifread reads; three have lists of their own. Layouts are from memory,
where no document is named; checked against real files (CR3, CRW) or, as built in the tests, other libraries.
"""

import io
import struct
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import suppress
from datetime import UTC, datetime
from typing import Any, BinaryIO, Final

import tifffile

from greystep.constants import DngTag

#: The values of tags by the names that exifread gives them.
Tags = Mapping[str, Any]
#: Tags, or a TIFF or JPEG block for exifread: a part of the file, or the file.
Block = Tags | bytes | BinaryIO

#: Headers lie at a file's start, and those of an embedded picture at its start.
_HEADER_BYTES: Final = 1 << 20
#: Directories within directories, and entries of one, that a camera writes; a damaged file may have any number.
_DEEPEST: Final = 5
_MOST_ENTRIES: Final = 4096

_JPEG: Final = b"\xff\xd8\xff"
#: Tag of RW2's first directory: the whole JPEG picture.
_RW2_JPEG: Final = 0x2E
#: Records of CIFF, the format of CRW: maker and model, serial number, time [s since 1970 by the camera's clock].
_CRW_MODEL: Final = 0x080A
_CRW_SERIAL: Final = 0x180B
_CRW_TIME: Final = 0x180E
#: Properties of X3F by exifread's names, and the number that makes a unit of exifread's of one of theirs.
_X3F_TEXTS: Final = {
    "CAMMANUF": "Image Make",
    "CAMMODEL": "Image Model",
    "CAMSERIAL": "EXIF BodySerialNumber",
    "LENSMODEL": "EXIF LensModel",
}
_X3F_NUMBERS: Final = {
    "ISO": ("EXIF ISOSpeedRatings", 1.0),
    "EXPTIME": ("EXIF ExposureTime", 1e-6),
    "APERTURE": ("EXIF FNumber", 1.0),
    "FLENGTH": ("EXIF FocalLength", 1.0),
}
#: Tags of more values are not exposure data: places of pixels, profiles, makers' own.
_MOST_VALUES: Final = 256
#: Tags whose value is a ratio, of which tifffile gives both numbers.
_RATIOS: Final = ("ExposureTime", "FNumber", "FocalLength")
#: What tifffile calls otherwise than exifread.
_OTHER_NAMES: Final = {
    "SubsecTime": "SubSecTime",
    "SubsecTimeOriginal": "SubSecTimeOriginal",
    "SubsecTimeDigitized": "SubSecTimeDigitized",
    "PhotographicSensitivity": "ISOSpeedRatings",
}


def blocks(file: BinaryIO) -> list[Block]:
    """Return the blocks of a file in which exposure data stand, the best first; a file that is no container is one.

    Raises:
        OSError, ValueError, struct.error: and other errors of a damaged file.
    """
    file.seek(0)
    start = file.read(16)
    for at, mark, find in _FORMATS:
        if start[at : at + len(mark)] == mark:
            return find(file)
    return [file]


def _head(file: BinaryIO) -> bytes:
    """Read the start of a file, in which such a container keeps its headers."""
    file.seek(0)
    return file.read(_HEADER_BYTES)


def _at(file: BinaryIO, start: int, size: int) -> bytes:
    """Read `size` bytes, no more than of a header; of a block that is cut, exifread may make anything."""
    file.seek(start)
    found = file.read(min(size, _HEADER_BYTES))
    if len(found) < min(size, _HEADER_BYTES):
        raise ValueError("cut")
    return found


def _cr3(file: BinaryIO) -> list[Block]:
    """Boxes (ISO/IEC 14496-12): in moov a uuid of the maker's; CMT2 has the Exif directory, CMT1 the main one."""
    head = _head(file)
    moov = b"".join(content for name, content in _boxes(head) if name == b"moov")
    inner = [content[16:] for name, content in _boxes(moov) if name == b"uuid"]
    found = dict(pair for content in inner for pair in _boxes(content))
    return [found[name] for name in (b"CMT2", b"CMT1") if name in found]


def _boxes(data: bytes) -> Iterator[tuple[bytes, bytes]]:
    at = 0
    while at + 8 <= len(data):
        size, name = struct.unpack_from(">I4s", data, at)
        start = 8
        if size == 1 and at + 16 <= len(data):
            (size,) = struct.unpack_from(">Q", data, at + 8)
            start = 16
        if size < start or at + size > len(data):
            return
        yield name, data[at + start : at + size]
        at += size


def _raf(file: BinaryIO) -> list[Block]:
    head = _head(file)
    start, size = struct.unpack_from(">II", head, 84)
    picture = _at(file, start, size)
    return [picture] if picture.startswith(_JPEG) else []


def _mrw(file: BinaryIO) -> list[Block]:
    head = _head(file)
    at, end = 8, 8 + int.from_bytes(head[4:8], "big")
    while at + 8 <= min(end, len(head)):
        name, size = struct.unpack_from(">4sI", head, at)
        if name == b"\0TTW" and at + 8 + size <= len(head):
            return [head[at + 8 : at + 8 + size]]
        at += 8 + size
    return []


def _rw2(file: BinaryIO) -> list[Block]:
    """A TIFF but for its third byte; newer cameras write more into the JPEG in it."""
    head = _head(file)
    found: list[Block] = [head]
    (first,) = struct.unpack_from("<I", head, 4)
    (count,) = struct.unpack_from("<H", head, first)
    for at in range(first + 2, first + 2 + 12 * count, 12):
        tag, _, size, start = struct.unpack_from("<HHII", head, at)
        if tag == _RW2_JPEG and (picture := _at(file, start, size)).startswith(_JPEG):
            found.append(picture)
    return found


def _crw(file: BinaryIO) -> list[Block]:
    """CIFF 1.0: heaps, each with its directory at its end. Exposure is not read: LibRaw knows its units."""
    head = _head(file)
    (start,) = struct.unpack_from("<I", head, 2)
    records = dict(_heap(file, start, file.seek(0, io.SEEK_END), _DEEPEST))
    tags: dict[str, Any] = {}
    if _CRW_MODEL in records:
        make, model = [*records[_CRW_MODEL].decode("latin-1").split("\0"), "", ""][:2]
        tags |= {"Image Make": make, "Image Model": model}
    if _CRW_SERIAL in records:
        tags["EXIF BodySerialNumber"] = str(int.from_bytes(records[_CRW_SERIAL][:4], "little"))
    if _CRW_TIME in records:
        tags["EXIF DateTimeOriginal"] = _moment(int.from_bytes(records[_CRW_TIME][:4], "little"))
    return [tags]


def _heap(file: BinaryIO, start: int, end: int, deepest: int) -> Iterator[tuple[int, bytes]]:
    at = start + int.from_bytes(_at(file, end - 4, 4), "little")
    count = int.from_bytes(_at(file, at, 2), "little")
    table = _at(file, at + 2, 10 * min(count, _MOST_ENTRIES))
    for entry in range(0, len(table), 10):
        tag, size, place = struct.unpack_from("<HII", table, entry)
        if tag & 0xC000:  # eight bytes in the entry itself
            yield tag & 0x3FFF, table[entry + 2 : entry + 10]
        elif tag & 0x3800 in (0x2800, 0x3000):
            if deepest:
                yield from _heap(file, start + place, start + place + size, deepest - 1)
        elif tag in (_CRW_MODEL, _CRW_SERIAL, _CRW_TIME):
            yield tag, _at(file, start + place, size)


def _x3f(file: BinaryIO) -> list[Block]:
    """A list of sections at the end; properties as UTF-16 text in the old ones, a JPEG with Exif in the new ones."""
    end = file.seek(0, io.SEEK_END)
    where = int.from_bytes(_at(file, end - 4, 4), "little")
    count = int.from_bytes(_at(file, where + 8, 4), "little")
    found: list[Block] = []
    for entry in range(where + 12, where + 12 + 12 * min(count, _MOST_ENTRIES), 12):
        start, size, name = struct.unpack("<II4s", _at(file, entry, 12))
        section = _at(file, start, size) if name in (b"PROP", b"IMA2") else b""
        if name == b"PROP":
            found.insert(0, _properties(section))
        elif section[28:].startswith(_JPEG):
            found.append(section[28:])
    return found


def _properties(section: bytes) -> Tags:
    (count,) = struct.unpack_from("<I", section, 8)
    places = struct.unpack_from(f"<{2 * min(count, _MOST_ENTRIES)}I", section, 24)
    text = section[24 + 8 * count :].decode("utf-16-le", "replace")
    words = [text[place : place + 200].split("\0")[0] for place in places]
    told = dict(zip(words[::2], words[1::2], strict=True))
    tags: dict[str, Any] = {_X3F_TEXTS[name]: value for name, value in told.items() if name in _X3F_TEXTS}
    for name, (tag, unit) in _X3F_NUMBERS.items():
        with suppress(KeyError, ValueError):
            tags[tag] = [float(told[name]) * unit]
    with suppress(KeyError, ValueError, OverflowError):
        tags["EXIF DateTimeOriginal"] = _moment(int(told["TIME"]))
    return tags


def _moment(seconds: int) -> str:
    return datetime.fromtimestamp(seconds, UTC).strftime("%Y:%m:%d %H:%M:%S")


def _tiff(file: BinaryIO) -> list[Block]:
    """What tifffile reads: a third of the time of exifread, which cannot read BigTIFF but knows the makers' notes."""
    file.seek(0)
    main, exif = {}, None
    with suppress(Exception), tifffile.TiffFile(file) as tif:  # exifread reads more of what is damaged
        page = tif.pages[0]
        assert isinstance(page, tifffile.TiffPage)
        own = (tag for tag in page.tags if tag.count <= _MOST_VALUES and tag.code != DngTag.EXIF_POINTER)
        main = {tag.name: tag.value for tag in own}
        exif = page.tags.valueof(DngTag.EXIF_POINTER)
    both = {"Image": main, "EXIF": exif if isinstance(exif, dict) else {}}
    tags = {
        f"{group} {_OTHER_NAMES.get(name, name)}": _as_exifread(name, value)
        for group, of_group in both.items()
        for name, value in of_group.items()
    }
    return [tags, file]


def _as_exifread(name: str, value: object) -> object:
    """Return text as it is, numbers as a list."""
    if name in _RATIOS and isinstance(value, tuple) and len(value) == 2:
        return [value[0] / value[1] if value[1] else 0.0]
    if isinstance(value, str) or not isinstance(value, Sequence):
        return value if isinstance(value, str) else [value]
    return list(value)


#: Each format by what stands where in its first bytes.
_FORMATS: Final[tuple[tuple[int, bytes, Callable[[BinaryIO], list[Block]]], ...]] = (
    (4, b"ftypcrx ", _cr3),
    (8, b"CCD-RAW ", _raf),
    (0, b"\0MRM", _mrw),
    (0, b"IIU\0", _rw2),
    (6, b"HEAPCCDR", _crw),
    (0, b"FOVb", _x3f),
    (0, b"II*\0", _tiff),
    (0, b"MM\0*", _tiff),
    (0, b"II+\0", _tiff),
    (0, b"MM\0+", _tiff),
)
