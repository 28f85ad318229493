"""Containers that no library reads, each built by the layout of its format around what a camera would have written."""

import os
import struct
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

import pytest

from greystep.raw.exposure import Exposure, read_exposure
from helpers.tiff_writer import ASCII, BYTES, CAMERA, EXIF, LONG, SHORT, Entry, without

CORPUS = os.environ.get("GREYSTEP_CORPUS", "")
Tiff = Callable[..., Path]
Block = Callable[..., bytes]


def jpeg(block: Block, main: list[Entry], exif: list[Entry]) -> bytes:
    body = b"Exif\0\0" + block(main, exif)
    return b"\xff\xd8\xff\xe1" + struct.pack(">H", len(body) + 2) + body + b"\xff\xd9"


def box(name: bytes, content: bytes, long: bool = False) -> bytes:
    if long:
        return struct.pack(">I4sQ", 1, name, len(content) + 16) + content
    return struct.pack(">I4s", len(content) + 8, name) + content


def cr3(block: Block) -> bytes:
    boxes = box(b"CNCV", b"x" * 30) + box(b"CMT1", block(CAMERA, []))
    boxes += box(b"CMT2", block(EXIF, []), long=True) + box(b"CMT3", block([(0xC, LONG, 7)], []))
    uuid = bytes.fromhex("85c0b687820f11e08111f4ce462b6a48")
    moov = box(b"uuid", uuid + boxes) + box(b"mvhd", bytes(100))
    return box(b"ftyp", b"crx \0\0\0\1crx isom") + box(b"moov", moov) + box(b"mdat", bytes(999))


def raf(block: Block) -> bytes:
    picture = jpeg(block, CAMERA, EXIF)
    return (b"SOMEBODYCCD-RAW 0201".ljust(84, b"\0") + struct.pack(">II", 160, len(picture))).ljust(
        160, b"\0"
    ) + picture


def mrw(block: Block) -> bytes:
    header = block(CAMERA, EXIF, ">")
    blocks = b"\0PRD" + struct.pack(">I", 24) + bytes(24) + b"\0TTW" + struct.pack(">I", len(header)) + header
    return b"\0MRM" + struct.pack(">I", len(blocks)) + blocks + bytes(500)


def rw2(block: Block) -> bytes:
    camera = [*CAMERA, (0x17, SHORT, 800), (0x2E, BYTES, jpeg(block, CAMERA, without(0x8827)))]
    made = block(camera, without(0x8827, 0x9291, 0xA431, 0xA434))
    return b"IIU\0" + made[4:]


def x3f(sections: Sequence[tuple[bytes, bytes]]) -> bytes:
    made, rows = bytearray(b"FOVb" + struct.pack("<I", 0x20003) + bytes(96)), b""
    for name, section in sections:
        rows += struct.pack("<II4s", len(made), len(section), name)
        made += section + bytes(-len(section) % 4)
    where = len(made)
    return bytes(made) + b"SECd" + struct.pack("<II", 0x20000, len(sections)) + rows + struct.pack("<I", where)


def listed(properties: dict[str, str]) -> bytes:
    """The property list of an X3F: places of names and values, in characters, before UTF-16 text."""
    text, places = "", b""
    for pair in properties.items():
        for word in pair:
            places += struct.pack("<I", len(text))
            text += word + "\0"
    head = b"SECp" + struct.pack("<IIIII", 0x20000, len(properties), 0, 0, len(text))
    return head + places + text.encode("utf-16-le")


def old_x3f(_: Block) -> bytes:
    told = {
        "CAMMANUF": "Maker ", "CAMMODEL": "Model Nine", "CAMSERIAL": "0012345", "ISO": "640", "EXPTIME": "4000",
        "APERTURE": "11.00", "FLENGTH": "80.0", "LENSMODEL": "80 mm f/2.8", "TIME": str(MOMENT), "FLASH": "auto",
    }  # fmt: skip
    return x3f([(b"IMA2", b"SECi" + bytes(60)), (b"PROP", listed(told))])


def new_x3f(block: Block) -> bytes:
    picture = b"SECi" + struct.pack("<6I", 0x20000, 2, 18, 96, 64, 0) + jpeg(block, CAMERA, EXIF)
    return x3f([(b"IMAG", b"SECi" + bytes(60)), (b"IMA2", picture)])


#: 2025-11-25 08:10:59 by the camera's clock, as seconds since 1970.
MOMENT = 1764058259


def crw(_: Block) -> bytes:
    def heap(entries: Sequence[tuple[int, bytes]]) -> bytes:
        made, rows = b"", b""
        for tag, value in entries:
            inside = struct.pack("<H", tag | 0x4000) + value.ljust(8, b"\0")
            rows += inside if len(value) <= 8 else struct.pack("<HII", tag, len(value), len(made))
            made += b"" if len(value) <= 8 else value
        return made + struct.pack("<H", len(entries)) + rows + struct.pack("<I", len(made))

    camera = heap([(0x080A, b"Maker\0Model Nine\0"), (0x180B, struct.pack("<I", 12345))])
    shot = heap([(0x300A, b""), (0x180E, struct.pack("<III", MOMENT, 0, 0)), (0x2807, camera)])
    return b"II" + struct.pack("<I", 26) + b"HEAPCCDR" + bytes(12) + heap([(0x2005, bytes(70)), (0x300A, shot)])


WHOLE = Exposure(0.004, 11.0, 640.0, "2025-11-25T08:10:59.24", "Maker", "Model Nine", "0012345", "80 mm f/2.8", 80.0, 6)
SECONDS = "2025-11-25T08:10:59"


@pytest.mark.parametrize(
    ("name", "build", "expected"),
    [
        ("a.cr3", cr3, WHOLE),
        ("a.raf", raf, WHOLE),
        ("a.mrw", mrw, WHOLE),
        ("a.rw2", rw2, replace(WHOLE, iso=800.0)),
        ("new.x3f", new_x3f, WHOLE),
        ("old.x3f", old_x3f, replace(WHOLE, captured=SECONDS, orientation=1)),
        (
            "a.crw",
            crw,
            Exposure(captured=SECONDS, make="Maker", model="Model Nine", serial="12345"),
        ),
    ],
)
def test_a_container_gives_what_the_camera_wrote_into_it(
    tmp_path: Path,
    tiff: Tiff,
    monkeypatch: pytest.MonkeyPatch,
    name: str,
    build: Callable[[Block], bytes],
    expected: Exposure,
) -> None:
    def block(main: list[Entry], exif: list[Entry], order: str = "<") -> bytes:
        return tiff(tmp_path / "block", main, exif, order).read_bytes()

    (tmp_path / name).write_bytes(whole := build(block))
    for zone in ("UTC", "America/St_Johns"):  # a camera's clock has no zone
        with monkeypatch.context() as patch:
            patch.setenv("TZ", zone)
            time.tzset()
            assert read_exposure(tmp_path / name) == expected
    time.tzset()
    for length in range(0, len(whole), 13):  # cut anywhere, it gives what is left and raises nothing
        (tmp_path / name).write_bytes(whole[:length])
        assert read_exposure(tmp_path / name).serial in ("", expected.serial)


@pytest.mark.parametrize("order", ["<", ">"])
def test_a_big_tiff_is_read_as_a_small_one(tmp_path: Path, tiff: Tiff, order: str) -> None:
    assert read_exposure(tiff(tmp_path / "a.dng", CAMERA, EXIF, order, big=True)) == WHOLE
    dng = [*CAMERA[:1], (50708, ASCII, "Unique Nine"), (50735, ASCII, "77")]
    found = read_exposure(tiff(tmp_path / "b.dng", dng, without(0xA431, 0x9003, 0x9291), order, big=True))
    assert (found.model, found.serial, found.captured) == ("Unique Nine", "77", "")


def test_containers_whose_places_lead_nowhere_or_in_a_circle_say_nothing(tmp_path: Path) -> None:
    loop = b"II" + struct.pack("<I", 14) + b"HEAPCCDR"
    loop += struct.pack("<HHII", 1, 0x300A, 16, 0) + struct.pack("<I", 0)  # a heap that holds itself
    far = b"FOVb" + bytes(100) + b"SECd" + struct.pack("<II", 0, 2**31) + struct.pack("<I", 104)
    for content in (
        loop,
        far,
        b"\0MRM" + b"\xff" * 40,
        box(b"ftyp", b"crx ") + struct.pack(">I4s", 0, b"moov") + bytes(64),
        b"SOMEBODYCCD-RAW ".ljust(84, b"\0") + b"\xff" * 16,
    ):
        (tmp_path / "a.raw").write_bytes(content)
        assert read_exposure(tmp_path / "a.raw") == Exposure()


@pytest.mark.skipif(not CORPUS, reason="GREYSTEP_CORPUS does not name a folder of real raw files")
@pytest.mark.parametrize(
    ("name", "captured", "serial", "lens", "iso"),
    [
        # read with two libraries that this project does not use
        ("nomexif_canon_r6.cr3", "2025-09-06T20:24:47.72", "072021007989", "EF100mm f/2.8L Macro IS USM", 25600),
        ("imagemeta_CRW.CRW", "2018-01-01T13:03:32", "305465770", "", None),
    ],
)
def test_real_containers(name: str, captured: str, serial: str, lens: str, iso: float | None) -> None:
    found = read_exposure(Path(CORPUS) / name)
    assert (found.captured, found.serial, found.lens, found.iso) == (captured, serial, lens, iso)
    assert found.make
    assert found.model.startswith(found.make)


def test_a_property_that_is_no_number_leaves_the_others(tmp_path: Path) -> None:
    told = {"CAMSERIAL": "7", "EXPTIME": "bulb", "ISO": "", "TIME": "never", "APERTURE": "8"}
    (tmp_path / "a.x3f").write_bytes(x3f([(b"PROP", listed(told))]))
    assert read_exposure(tmp_path / "a.x3f") == Exposure(serial="7", f_number=8.0)
