"""Exposure data against files built tag by tag, and the third-stop series against published arithmetic."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import exifread
import numpy as np
import pytest

from greystep.errors import FrameError
from greystep.measure import reading
from greystep.raw import exposure
from greystep.raw.exposure import (
    Exposure,
    body_label,
    filled_in,
    nominal_f_number,
    nominal_iso,
    nominal_time,
    read_exposure,
    relative_exposure_stops,
)
from greystep.raw.frame import open_frame
from helpers.tiff_writer import ASCII, CAMERA, EXIF, LONG, RATIONAL, SHORT, without

Tiff = Callable[..., Path]


@pytest.mark.parametrize("order", ["<", ">"])
def test_a_whole_header_is_read_with_unreduced_ratios_sub_seconds_and_the_serial_as_text(
    tmp_path: Path, tiff: Tiff, order: str
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
def test_a_zero_or_absurd_setting_is_unknown(tmp_path: Path, tiff: Tiff, value: tuple[int, int]) -> None:
    exif = [*without(0x829A, 0x829D, 0x920A), *[(code, RATIONAL, value) for code in (0x829A, 0x829D, 0x920A)]]
    found = read_exposure(tiff(tmp_path / "a.dng", CAMERA, exif))
    assert (found.exposure_s, found.f_number, found.focal_mm) == (None, None, None)
    assert found.iso == 640


@pytest.mark.parametrize("iso", [0, 65535])
def test_a_sensitivity_that_is_no_number_is_unknown(tmp_path: Path, tiff: Tiff, iso: int) -> None:
    found = read_exposure(tiff(tmp_path / "a.dng", CAMERA, [*without(0x8827), (0x8827, SHORT, iso)]))
    assert found.iso is None


def test_a_sensitivity_too_large_for_its_tag_is_found_in_the_newer_one(tmp_path: Path, tiff: Tiff) -> None:
    exif = [*without(0x8827), (0x8827, SHORT, 65535), (0x8832, LONG, 102_400)]
    assert read_exposure(tiff(tmp_path / "a.dng", CAMERA, exif)).iso == 102_400


@pytest.mark.parametrize("big", [False, True])
def test_a_sensitivity_with_a_second_number_is_its_first_and_no_ratio(tmp_path: Path, tiff: Tiff, big: bool) -> None:
    exif = [*without(0x8827), (0x8827, SHORT, (640, 0))]
    assert read_exposure(tiff(tmp_path / "a.dng", CAMERA, exif, big=big)).iso == 640


@pytest.mark.parametrize(("lost", "asked"), [(0, 0), (0xA434, 0), (0xA431, 1), (0x8827, 1)])
def test_exifread_is_asked_only_for_what_the_other_reader_did_not_find(
    tmp_path: Path, tiff: Tiff, monkeypatch: pytest.MonkeyPatch, lost: int, asked: int
) -> None:
    calls = []
    monkeypatch.setattr(exifread, "process_file", lambda *_, details, **__: calls.append(details) or {})
    read_exposure(tiff(tmp_path / "a.dng", CAMERA, without(lost)))
    assert len(calls) == asked


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
def test_the_time_is_the_shutters_and_never_an_empty_one(
    tmp_path: Path, tiff: Tiff, dates: dict[int, str], captured: str
) -> None:
    exif = without(0x9003, 0x9291) + [(code, ASCII, text) for code, text in dates.items()]
    main = [*CAMERA, (0x132, ASCII, "2024:01:02 03:04:05")]
    assert read_exposure(tiff(tmp_path / "a.dng", main, exif)).captured == captured


def test_the_serial_of_a_dng_stands_in_for_that_of_exif(tmp_path: Path, tiff: Tiff) -> None:
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


@pytest.mark.parametrize(
    ("make", "model", "label"),
    [
        ("Optik", "Optik 5", "Optik 5 77"),
        ("OPTIK CORPORATION", "Optik 5", "Optik 5 77"),
        ("Optik", "Optikon 5", "Optik Optikon 5 77"),
        ("Optik", "", "Optik 77"),
    ],
)
def test_a_make_that_begins_the_model_stands_once(make: str, model: str, label: str) -> None:
    assert body_label(Exposure(make=make, model=model, serial="77")) == label


@pytest.mark.parametrize("orientation", [0, 9])
def test_an_impossible_orientation_is_upright(tmp_path: Path, tiff: Tiff, orientation: int) -> None:
    main = [*CAMERA[:2], (0x112, SHORT, orientation)]
    assert read_exposure(tiff(tmp_path / "a.dng", main, EXIF)).orientation == 1


def test_a_header_cut_anywhere_gives_what_is_left(tmp_path: Path, tiff: Tiff) -> None:
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


def test_what_is_unknown_is_filled_in_field_by_field() -> None:
    recorded = Exposure(exposure_s=0.01, captured="2026-05-01T10:00:02", make="Maker", orientation=6)
    other = Exposure(0.02, 8.0, 200.0, "2026-05-01T10:00:02.45", "Other", "Nine", "77", "80 mm", 80.0, 3)
    filled = Exposure(0.01, 8.0, 200.0, "2026-05-01T10:00:02.45", "Maker", "Nine", "77", "80 mm", 80.0, 6)
    assert filled_in(recorded, other) == filled
    assert filled_in(filled, recorded) == filled
    assert filled_in(filled, replace(other, captured="2026-05-01T10:00:03.45")) == filled
    assert filled_in(Exposure(), other) == other


def test_what_libraw_found_fills_the_rest_but_not_what_it_makes_of_zeros(
    tmp_path: Path, make_dng: Callable[..., Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    path = make_dng(tmp_path / "a.dng", np.full((64, 96), 1000, np.uint16))
    frame, known = open_frame(path), replace(Exposure(), serial="7", captured="2026-05-01T10:00:02")
    found = Exposure(exposure_s=1.0, f_number=1.0, iso=200.0, captured="2026-05-01T09:00:02", lens="80 mm")
    monkeypatch.setattr(reading, "read_exposure", lambda _: known)
    monkeypatch.setattr(reading, "open_frame", lambda _: replace(frame, exposure=found))
    assert reading.measure_frame(path, None).exposure == replace(known, iso=200.0, lens="80 mm")


def test_a_serial_in_the_makers_notes_alone_is_found(
    tmp_path: Path, tiff: Tiff, monkeypatch: pytest.MonkeyPatch
) -> None:
    plain = exposure._tags

    def with_notes(block: Any, *, details: bool) -> Any:
        return plain(block, details=details) | ({"MakerNote SerialNumber": "N 0815"} if details else {})

    monkeypatch.setattr(exposure, "_tags", with_notes)
    assert read_exposure(tiff(tmp_path / "a.dng", CAMERA, without(0xA431))).serial == "N 0815"
    assert read_exposure(tiff(tmp_path / "b.dng", CAMERA, EXIF)).serial == "0012345"
