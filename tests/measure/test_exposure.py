"""Exposure data against files built tag by tag, and the third-stop series against published arithmetic."""

import os
import struct
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from greystep.errors import FrameError
from greystep.raw.exposure import (
    Exposure,
    body_label,
    nominal_f_number,
    nominal_iso,
    nominal_time,
    read_exposure,
    relative_exposure_stops,
)

CORPUS = os.environ.get("GREYSTEP_CORPUS", "")
ASCII, SHORT, LONG, RATIONAL, BYTES, LONG8 = 2, 3, 4, 5, 7, 16
Entry = tuple[int, int, Any]


def tiff(path: Path, main: list[Entry], exif: list[Entry], order: str = "<", big: bool = False) -> Path:
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


@pytest.mark.parametrize("order", ["<", ">"])
def test_a_whole_header_is_read_with_unreduced_ratios_sub_seconds_and_the_serial_as_text(
    tmp_path: Path, order: str
) -> None:
    found = read_exposure(tiff(tmp_path / "a.nef", CAMERA, EXIF, order))
    assert found == Exposure(
        exposure_s=0.004,
        f_number=11.0,
        iso=640.0,
        captured="2025-11-25T08:10:59.24",
        make="Maker",
        model="Model Nine",
        serial="0012345",
        lens="80 mm f/2.8",
        focal_mm=80.0,
        orientation=6,
    )
    assert body_label(found) == "Maker Model Nine 0012345"


@pytest.mark.parametrize("value", [(0, 1_000_000), (0, 0), (5, 0), (4_000_000_000, 1)])
def test_a_zero_or_absurd_setting_is_unknown(tmp_path: Path, value: tuple[int, int]) -> None:
    exif = [*without(0x829A, 0x829D, 0x920A), *[(code, RATIONAL, value) for code in (0x829A, 0x829D, 0x920A)]]
    found = read_exposure(tiff(tmp_path / "a.dng", CAMERA, exif))
    assert (found.exposure_s, found.f_number, found.focal_mm) == (None, None, None)
    assert found.iso == 640


@pytest.mark.parametrize("iso", [0, 65535])
def test_a_sensitivity_that_is_no_number_is_unknown(tmp_path: Path, iso: int) -> None:
    found = read_exposure(tiff(tmp_path / "a.dng", CAMERA, [*without(0x8827), (0x8827, SHORT, iso)]))
    assert found.iso is None


def test_a_sensitivity_too_large_for_its_tag_is_found_in_the_newer_one(tmp_path: Path) -> None:
    exif = [*without(0x8827), (0x8827, SHORT, 65535), (0x8832, LONG, 102_400)]
    assert read_exposure(tiff(tmp_path / "a.dng", CAMERA, exif)).iso == 102_400


@pytest.mark.parametrize(
    ("dates", "captured"),
    [
        ({0x9003: "2025:11:25 08:10:59", 0x9291: "583"}, "2025-11-25T08:10:59.583"),
        ({0x9003: "2025:11:25 08:10:59", 0x9291: "00"}, "2025-11-25T08:10:59.00"),
        ({0x9003: "2025:11:25 08:10:59", 0x9291: "  "}, "2025-11-25T08:10:59"),
        ({0x9003: "2025:11:25 08:10:59"}, "2025-11-25T08:10:59"),
        ({0x9003: "", 0x9004: "2025:11:25 08:11:00", 0x9292: "5"}, "2025-11-25T08:11:00.5"),
        ({0x9003: "0000:00:00 00:00:00"}, "2024-01-02T03:04:05"),  # ImageDateTime of the camera
        ({0x9003: "1970:01:01 00:00:00"}, "2024-01-02T03:04:05"),
        ({0x9003: "2025:13:40 99:00:00"}, "2024-01-02T03:04:05"),
        ({}, "2024-01-02T03:04:05"),
    ],
)
def test_the_time_is_the_shutters_and_never_an_empty_one(tmp_path: Path, dates: dict[int, str], captured: str) -> None:
    exif = without(0x9003, 0x9291) + [(code, ASCII, text) for code, text in dates.items()]
    main = [*CAMERA, (0x132, ASCII, "2024:01:02 03:04:05")]
    assert read_exposure(tiff(tmp_path / "a.dng", main, exif)).captured == captured


def test_the_serial_of_a_dng_stands_in_for_that_of_exif(tmp_path: Path) -> None:
    main = [*CAMERA, (50735, ASCII, "DNG 77")]
    assert read_exposure(tiff(tmp_path / "a.dng", main, without(0xA431))).serial == "DNG 77"
    assert read_exposure(tiff(tmp_path / "b.dng", main, EXIF)).serial == "0012345"


def test_nothing_known_is_blank_and_never_an_error(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    for name, content in (
        ("a.cr3", b"\0\0\0\x18ftypcrx "),
        ("b.raf", b"FUJIFILMCCD-RAW "),
        ("c.crw", b""),
        ("d", b"x"),
    ):
        (tmp_path / name).write_bytes(content)
        assert read_exposure(tmp_path / name) == Exposure()
    assert body_label(Exposure()) == ""
    assert body_label(Exposure(model="M")) == "M"
    assert capfd.readouterr() == ("", "")


@pytest.mark.parametrize("orientation", [0, 9])
def test_an_impossible_orientation_is_upright(tmp_path: Path, orientation: int) -> None:
    main = [*CAMERA[:2], (0x112, SHORT, orientation)]
    assert read_exposure(tiff(tmp_path / "a.dng", main, EXIF)).orientation == 1


def test_a_header_cut_anywhere_gives_what_is_left(tmp_path: Path) -> None:
    whole = tiff(tmp_path / "a.dng", CAMERA, EXIF).read_bytes()
    for length in range(0, len(whole), 7):
        cut = tmp_path / "cut.dng"
        cut.write_bytes(whole[:length])
        assert read_exposure(cut).exposure_s in (None, 0.004)


def test_only_a_file_that_cannot_be_read_is_an_error(tmp_path: Path) -> None:
    with pytest.raises(FrameError, match=r"gone\.dng: cannot be read") as caught:
        read_exposure(tmp_path / "gone.dng")
    assert caught.value.flag == "missing"
    with pytest.raises(FrameError, match="cannot be read"):
        read_exposure(tmp_path)


# Check values exp.fnumber.*: third-stop series N = 2^(k/6), Av = 2 log2 N (EXIF/APEX); exact +-0.0001.
@pytest.mark.parametrize(
    ("marking", "exact"),
    [
        (1.4, 1.4142), (2.8, 2.8284), (4, 4.0), (5.6, 5.6569), (8, 8.0), (11, 11.3137), (13, 12.6992), (16, 16.0),
        (22, 22.6274), (29, 28.5088),
    ],
)  # fmt: skip
def test_exact_f_number_behind_the_marking(marking: float, exact: float) -> None:
    assert nominal_f_number(marking) == pytest.approx(exact, abs=1e-4)
    assert nominal_f_number(exact) == pytest.approx(exact, abs=1e-4)  # the exact value stays


# Check values exp.shutter.*: T = 2^(-k/3) s, Tv = -log2 T (EXIF/APEX); reciprocal +-0.001, as printed.
@pytest.mark.parametrize(
    ("reciprocal", "exact"),
    [
        (60, 64.0),
        (125, 128.0),
        (160, 161.27),
        (200, 203.187),
        (250, 256.0),
        (500, 512.0),
        (1000, 1024.0),
        (8000, 8192.0),
    ],
)
def test_exact_time_behind_the_marking(reciprocal: float, exact: float) -> None:
    assert 1 / nominal_time(1 / reciprocal) == pytest.approx(exact, abs=0.0011)


def test_every_marking_of_the_third_stop_series_falls_on_its_own_third() -> None:
    f_numbers = [1, 1.1, None, 1.4, 1.6, 1.8, 2, 2.2, 2.5, 2.8, 3.2, 3.5, 4, 4.5, 5, 5.6, 6.3, 7.1, 8, 9, 10, 11, 13]
    for k, marking in enumerate([*f_numbers, 14, 16, 18, 20, 22, 25, 29, 32]):
        if marking is not None:  # 1.2 marks a third and a half stop alike
            assert nominal_f_number(marking) == pytest.approx(2 ** (k / 6), rel=1e-12)
    isos = [100, 125, 160, 200, 250, 320, 400, 500, 640, 800, 1000, 1250, 1600, 2000, 2500, 3200, 4000, 5000, 6400]
    for k, iso in enumerate(isos):
        assert nominal_iso(iso) == pytest.approx(100 * 2 ** (k / 3), rel=1e-12)
    assert nominal_iso(50) == pytest.approx(50)
    slow = [1, 1.3, 1.6, 2, 2.5, 3.2, 4, 5, 6, 8, 10, 13, 15, 20, 25, 30]
    for k, seconds in enumerate(slow):
        assert nominal_time(seconds) == pytest.approx(2 ** (k / 3), rel=1e-12)
    fast = [1, 1.3, 1.6, 2, 2.5, 3, 4, 5, 6, 8, 10, 13, 15, 20, 25, 30, 40, 50, 60, 80, 100, 125, 160, 200, 250, 320]
    for k, s in enumerate([*fast, 400, 500, 640, 800, 1000, 1250, 1600, 2000, 2500, 3200, 4000, 5000, 6400, 8000]):
        assert nominal_time(1 / s) == pytest.approx(2 ** (-k / 3), rel=1e-12)


@pytest.mark.parametrize(("marking", "twelfths"), [(1.7, 9), (2.4, 15), (3.3, 21), (6.7, 33), (9.5, 39), (19, 51)])
def test_a_half_stop_marking_stays_a_half_stop(marking: float, twelfths: int) -> None:
    assert nominal_f_number(marking) == pytest.approx(2 ** (twelfths / 12), rel=1e-12)
    assert nominal_time(1 / 90) == pytest.approx(2**-6.5)


def test_exposure_is_taken_out_in_exact_thirds() -> None:
    # FACTS, exposure: ISO 800 f/4 -> ISO 100 f/11 is 6 stops; 5.919 if 4 and 11 are taken literally
    assert relative_exposure_stops(11, 100) - relative_exposure_stops(4, 800) == pytest.approx(6.0, abs=1e-12)
    # one whole stop of aperture is one stop of ISO, and the marking of either is enough
    assert relative_exposure_stops(8, 200) == pytest.approx(relative_exposure_stops(11, 400), abs=1e-12)


# --- containers: each built by the layout of its format, around what a camera would have written ----------------------


def block(folder: Path, main: list[Entry], exif: list[Entry], order: str = "<") -> bytes:
    return tiff(folder / "block", main, exif, order).read_bytes()


def jpeg(folder: Path, main: list[Entry], exif: list[Entry]) -> bytes:
    body = b"Exif\0\0" + block(folder, main, exif)
    return b"\xff\xd8\xff\xe1" + struct.pack(">H", len(body) + 2) + body + b"\xff\xd9"


def box(name: bytes, content: bytes, long: bool = False) -> bytes:
    if long:
        return struct.pack(">I4sQ", 1, name, len(content) + 16) + content
    return struct.pack(">I4s", len(content) + 8, name) + content


def cr3(folder: Path) -> bytes:
    boxes = box(b"CNCV", b"x" * 30) + box(b"CMT1", block(folder, CAMERA, []))
    boxes += box(b"CMT2", block(folder, EXIF, []), long=True) + box(b"CMT3", block(folder, [(0xC, LONG, 7)], []))
    uuid = bytes.fromhex("85c0b687820f11e08111f4ce462b6a48")
    moov = box(b"uuid", uuid + boxes) + box(b"mvhd", bytes(100))
    return box(b"ftyp", b"crx \0\0\0\1crx isom") + box(b"moov", moov) + box(b"mdat", bytes(999))


def raf(folder: Path) -> bytes:
    picture = jpeg(folder, CAMERA, EXIF)
    return (b"SOMEBODYCCD-RAW 0201".ljust(84, b"\0") + struct.pack(">II", 160, len(picture))).ljust(
        160, b"\0"
    ) + picture


def mrw(folder: Path) -> bytes:
    header = block(folder, CAMERA, EXIF, ">")
    blocks = b"\0PRD" + struct.pack(">I", 24) + bytes(24) + b"\0TTW" + struct.pack(">I", len(header)) + header
    return b"\0MRM" + struct.pack(">I", len(blocks)) + blocks + bytes(500)


def rw2(folder: Path) -> bytes:
    camera = [*CAMERA, (0x17, SHORT, 800), (0x2E, BYTES, jpeg(folder, CAMERA, without(0x8827)))]
    made = block(folder, camera, without(0x8827, 0x9291, 0xA431, 0xA434))
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


def old_x3f(_: Path) -> bytes:
    told = {
        "CAMMANUF": "Maker ", "CAMMODEL": "Model Nine", "CAMSERIAL": "0012345", "ISO": "640", "EXPTIME": "4000",
        "APERTURE": "11.00", "FLENGTH": "80.0", "LENSMODEL": "80 mm f/2.8", "TIME": str(MOMENT), "FLASH": "ON",
    }  # fmt: skip
    return x3f([(b"IMA2", b"SECi" + bytes(60)), (b"PROP", listed(told))])


def new_x3f(folder: Path) -> bytes:
    picture = b"SECi" + struct.pack("<6I", 0x20000, 2, 18, 96, 64, 0) + jpeg(folder, CAMERA, EXIF)
    return x3f([(b"IMAG", b"SECi" + bytes(60)), (b"IMA2", picture)])


#: 2025-11-25 08:10:59 by the camera's clock, as seconds since 1970.
MOMENT = 1764058259


def crw(_: Path) -> bytes:
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
    tmp_path: Path, name: str, build: Callable[[Path], bytes], expected: Exposure, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / name).write_bytes(whole := build(tmp_path))
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
def test_a_big_tiff_is_read_as_a_small_one(tmp_path: Path, order: str) -> None:
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
