"""One frame from file to reading: written by tifffile, measured here, checked against what was written."""

import json
import pickle
from collections.abc import Callable
from dataclasses import asdict, replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from greystep.documents import to_json
from greystep.measure import reading as reading_module
from greystep.measure.reading import Reading, measure_frame
from greystep.measure.target import Target, fixed_target, pixel_box
from greystep.measure.target_moved import reference_surround, surround_pixels, target_states
from greystep.raw import raster
from greystep.raw.frame import Frame, Mosaic, open_frame
from greystep.session.entries import as_json, from_json

Make = Callable[..., Path]
BLACKS = (500.25, 510.5, 520.75, 505.0)  # by site of the two by two period
LIGHT = np.array([[2000.0, 4000.0], [4100.0, 2600.0]])  # R G / G2 B above black
HEIGHT, WIDTH = 160, 240
TARGET = fixed_target((0.3, 0.25, 0.6, 0.7))


def counts(
    light: float = 1.0, seed: int = 0, tilt: float = 0.04, shift: float = 0.0, white: float = 16383.0
) -> NDArray[np.uint16]:
    """A grey card on a dark ground; `shift` in shares of the card's width."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[0:HEIGHT, 0:WIDTH] + 0.5
    card = (
        (x / WIDTH > 0.25 + 0.4 * shift) & (x / WIDTH < 0.65 + 0.4 * shift) & (y / HEIGHT > 0.2) & (y / HEIGHT < 0.75)
    )
    level = np.tile(LIGHT, (HEIGHT // 2, WIDTH // 2)) * light * np.where(card, 1 + tilt * (x / WIDTH - 0.45) / 0.3, 0.1)
    black = np.tile(np.reshape(BLACKS, (2, 2)), (HEIGHT // 2, WIDTH // 2))
    noisy = black + level + rng.normal(size=level.shape) * np.sqrt(0.4 * level + 9)
    return np.clip(np.round(noisy), 0, white).astype(np.uint16)


@pytest.fixture
def shoot(make_dng: Make, tmp_path: Path) -> Callable[..., Path]:
    def write(stored: NDArray[Any], name: str = "f0001.dng", **tags: Any) -> Path:
        tags = {"black": BLACKS, "black_dim": (2, 2), "white": [16383]} | tags
        return make_dng(tmp_path / name, stored, **tags)

    return write


def test_a_frame_is_measured(shoot: Callable[..., Path]) -> None:
    reading = measure_frame(shoot(counts()), TARGET)
    assert (reading.flags, reading.message, reading.way) == ((), "", "region")
    assert (reading.height, reading.width) == (HEIGHT, WIDTH)
    assert reading.signal is not None
    error = np.array(reading.signal.mean) - [2000, 4050, 2600]
    np.testing.assert_array_less(np.abs(error), 4 * np.array(reading.signal.u))
    np.testing.assert_allclose(reading.signal.black, (500.25, 515.625, 505.0))
    assert reading.signal.gradient_pct == pytest.approx(4, abs=0.5)
    assert reading.signal.g1_g2 == pytest.approx(4000 / 4100, rel=3e-3)
    assert reading.box == (72 / 240, 40 / 160, 144 / 240, 112 / 160)
    assert reading.around is not None  # of the card that goes on beside the box, and of the ground a tenth as bright
    assert all(0.1 < about < 0.9 for about in reading.around)
    assert reading.colour is not None
    assert reading.colour.source == "dng-2"


def test_a_reading_survives_json_and_pickle_to_the_last_digit(shoot: Callable[..., Path]) -> None:
    masked = {"active": (0, 16, HEIGHT, WIDTH), "masked": (0, 0, HEIGHT, 16)}
    cases = [
        measure_frame(shoot(counts()), TARGET),
        measure_frame(shoot(counts(light=0.0), "dark.dng"), TARGET),
        measure_frame(shoot(counts(), "masked.dng", **masked), TARGET),
        measure_frame(Path("nowhere.dng"), TARGET),
        measure_frame(shoot(counts(), "job.dng"), None),
    ]
    for reading in cases:
        again = from_json(json.loads(to_json(as_json(reading))), Reading)
        for copy in (again, pickle.loads(pickle.dumps(reading))):
            assert type(copy) is Reading
            np.testing.assert_equal(asdict(copy), asdict(reading))
            assert type(copy.signal) is type(reading.signal)
            assert type(copy.colour) is type(reading.colour)
    assert cases[2].black_masked is not None


@pytest.mark.parametrize("stored", [{}, {"signal": None}, {"signal": 3, "colour": None, "surround": None}])
def test_another_entry_is_no_reading(stored: dict[str, Any]) -> None:
    with pytest.raises((KeyError, TypeError, ValueError, AttributeError)):
        from_json(stored, Reading)


def spoilt(values: NDArray[np.uint16], place: Any, value: Any) -> NDArray[np.uint16]:
    values[place] = value
    return values


def halved(values: NDArray[np.uint16], place: Any) -> NDArray[np.uint16]:
    return spoilt(values, place, values[place] // 2 + 255)


FAULTS: dict[str, tuple[Callable[[], NDArray[np.uint16]], dict[str, Any], set[str]]] = {
    "clean, 8 % gradient": (lambda: counts(tilt=0.08), {}, set()),
    "clean, five stops down": (lambda: counts(light=0.09, tilt=0.08), {}, set()),
    "clipped": (lambda: counts(light=3.85), {}, {"clipped", "near_white"}),
    "clipped, white level wrong": (lambda: counts(light=3.45, white=14800), {}, {"clipped", "near_white"}),
    "near white": (lambda: counts(light=3.58, tilt=0.0), {}, {"near_white"}),
    "too dark": (lambda: counts(light=0.07), {}, {"too_dark"}),
    "uneven": (lambda: counts(tilt=0.12), {}, {"uneven"}),
    "zeroed": (lambda: spoilt(counts(), np.s_[60:68, 101:109], 0), {}, {"damaged"}),
    "constant": (lambda: spoilt(counts(), np.s_[70:], 1200), {}, {"damaged"}),
    "a mark of 4 %": (lambda: halved(counts(), np.s_[60:75, 90:105]), {}, set()),
    "a shadow over 6 %": (lambda: halved(counts(), np.s_[60:78, 90:108]), {}, {"uneven"}),
    "opcodes": (counts, {"extra": [(51009, 7, 28, bytes(3) + b"\1" + bytes(3) + b"\t" + b"\1\3" + bytes(18))]},
                {"opcodes_ignored"}),
}  # fmt: skip


@pytest.mark.parametrize("name", FAULTS)
def test_each_fault_has_its_own_flag(name: str, shoot: Callable[..., Path]) -> None:
    stored, tags, flags = FAULTS[name]
    reading = measure_frame(shoot(stored(), **tags), TARGET)
    assert set(reading.flags) == flags, reading.message
    assert reading.signal is not None
    assert bool(reading.message) == bool(flags)
    assert "\n" not in reading.message
    assert not flags or reading.message.startswith("f0001.dng: ")


@pytest.mark.parametrize("name", ["clipped", "zeroed", "clean, 8 % gradient"])
def test_of_clipped_or_damaged_pixels_no_place_of_the_target_is_told(name: str, shoot: Callable[..., Path]) -> None:
    reading = measure_frame(shoot(FAULTS[name][0]()), TARGET)
    assert (reading.surround is not None) == (reading.around is not None) == name.startswith("clean")


def test_a_patch_that_is_too_dark_is_not_said_to_be_uneven(shoot: Callable[..., Path]) -> None:
    assert measure_frame(shoot(counts(light=0.06, tilt=0.3)), TARGET).flags == ("too_dark",)


@pytest.mark.parametrize(("offset", "flags"), [(0.6, ()), (1.5, ("black_doubtful",))])
def test_black_is_held_against_the_masked_pixels(
    offset: float, flags: tuple[str, ...], shoot: Callable[..., Path]
) -> None:
    stored = counts()
    rng = np.random.default_rng(3)
    black = np.tile(np.reshape(BLACKS, (2, 2)), (HEIGHT // 2, 16)) + offset
    stored[:, :32] = np.round(black + rng.normal(size=black.shape) * 3)
    path = shoot(stored, active=(0, 32, HEIGHT, WIDTH), masked=(0, 0, HEIGHT, 32))
    target = fixed_target(((72 - 32) / 208, 0.25, (144 - 32) / 208, 0.7))
    assert measure_frame(path, target).flags == flags


def test_without_a_target_exposure_and_colour_are_kept(shoot: Callable[..., Path]) -> None:
    reading = measure_frame(shoot(counts()), None)
    assert reading.flags == ("no_target",)
    assert (reading.signal, reading.surround, reading.box) == (None, None, None)
    assert reading.colour is not None
    assert reading.width == WIDTH


def test_a_moved_target_shows_in_the_surround(shoot: Callable[..., Path]) -> None:
    target = fixed_target((0.25, 0.2, 0.65, 0.75))
    maps = [measure_frame(shoot(counts(2.0**-k, k), f"{k}.dng"), target).surround for k in range(5)]
    reference = reference_surround([surround for surround in maps if surround is not None])
    assert reference is not None
    for shift, light, state in ((0.0, 0.05, ""), (0.15, 1.0, "target_moved"), (-0.15, 0.05, "target_moved")):
        surround = measure_frame(shoot(counts(light, 9, shift=shift), "m.dng"), target).surround
        assert surround is not None
        assert target_states([surround], reference)[0] == state


@pytest.mark.parametrize("content", [b"", b"II*\0", b"a text\n" * 100, bytes(5000)])
def test_what_is_no_raw_file_is_a_reading_with_one_line(content: bytes, tmp_path: Path) -> None:
    path = tmp_path / "broken.dng"
    path.write_bytes(content)
    reading = measure_frame(path, TARGET)
    assert reading.flags == ("unreadable",)
    assert reading.message.startswith("broken.dng: ")
    assert "\n" not in reading.message
    assert reading.signal is None


def test_a_truncated_file_is_a_reading_at_every_length(shoot: Callable[..., Path]) -> None:
    path = shoot(counts(), layout="ljpeg", bits=14)
    whole = path.read_bytes()
    for share in np.linspace(0.01, 0.97, 25):
        path.write_bytes(whole[: int(share * len(whole))])
        reading = measure_frame(path, TARGET)
        assert set(reading.flags) <= {"unreadable", "damaged"}
        if reading.flags:
            assert reading.message.startswith("f0001.dng: ")


@pytest.mark.parametrize("error", [ValueError("two\nlines"), MemoryError(), RecursionError("deep")])
def test_an_unforeseen_error_is_a_reading_too(
    error: Exception, shoot: Callable[..., Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(*_: Any) -> None:
        raise error

    monkeypatch.setattr(reading_module, "measure_patch", fail)
    reading = measure_frame(shoot(counts()), TARGET)
    assert reading.flags == ("unreadable",)
    assert "\n" not in reading.message
    assert reading.colour is not None


def test_a_person_may_stop_it(shoot: Callable[..., Path], monkeypatch: pytest.MonkeyPatch) -> None:
    def stop(*_: Any) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(reading_module, "measure_patch", stop)
    with pytest.raises(KeyboardInterrupt):
        measure_frame(shoot(counts()), TARGET)


def test_a_large_surround_read_in_bands_says_the_same(
    shoot: Callable[..., Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    cells = counts(tilt=0.0).reshape(HEIGHT // 2, 2, WIDTH // 2, 2)
    path = shoot(cells.repeat(4, axis=0).repeat(4, axis=2).reshape(4 * HEIGHT, 4 * WIDTH))
    target = fixed_target((0.25, 0.2, 0.65, 0.75))
    whole = measure_frame(path, target)
    monkeypatch.setattr(reading_module, "_LARGEST_REGION", 1000)
    monkeypatch.setattr(reading_module, "_THINNED", 5)
    monkeypatch.setattr(reading_module, "_BAND", 75)
    banded = measure_frame(path, target)
    assert banded.signal == whole.signal
    assert whole.surround is not None
    assert banded.surround is not None
    np.testing.assert_allclose(np.median(np.abs(banded.surround - whole.surround)), 0, atol=0.01)
    assert target_states([banded.surround], whole.surround)[0] == ""


def _noted(decode: Callable[..., Any], at: list[int], data: bytes, index: int, *rest: Any) -> Any:
    at.append(index)
    return decode(data, index, *rest)


def test_a_large_patch_is_cut_about_its_middle_where_that_spares_a_row_of_tiles(
    make_dng: Make, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    rng = np.random.default_rng(4)
    stored = np.full((1152, 1152), 700.0)
    stored[384:1024, 448:1100] = 4000.0
    noisy = (stored + rng.normal(0, 40, stored.shape)).astype(np.uint16)
    target = Target(
        (448 / 1152, 384 / 1152, 1100 / 1152, 1024 / 1152), (530 / 1152, 448 / 1152, 1020 / 1152, 960 / 1152), True
    )
    read = {}
    for tile in (512, 64):
        path = make_dng(tmp_path / f"{tile}.dng", noisy, "ljpeg2", bits=14, block=(tile, tile))
        decoded: list[int] = []
        with monkeypatch.context() as patched:
            patched.setattr(raster, "_decoded", partial(_noted, raster._decoded, decoded))
            read[tile] = measure_frame(path, target)
        assert tile == 64 or sorted(decoded) == [0, 2, 4], "of nine tiles those of two corners, and one of the patch"
    cut, full = read[512], read[64]
    assert full.box == pytest.approx((530 / 1152, 448 / 1152, 1020 / 1152, 960 / 1152), abs=1e-9)
    assert cut.box == pytest.approx((530 / 1152, 512 / 1152, 1020 / 1152, 896 / 1152), abs=1e-9)
    assert cut.signal is not None
    assert full.signal is not None
    assert cut.signal.mean == pytest.approx(full.signal.mean, abs=4 * max(cut.signal.u))


@pytest.mark.parametrize("layout", ["ljpeg", "ljpeg_strips", "strip"])
def test_bands_decode_no_part_of_a_file_twice_and_thin_it_all_alike(
    layout: str, make_dng: Make, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    rng = np.random.default_rng(3)
    stored = rng.integers(600, 4000, (210, 256)).astype(np.uint16)
    path = make_dng(tmp_path / "a.dng", stored, layout=layout, bits=14, active=(6, 4, 206, 252), block=(32, 64))
    frame = open_frame(path)
    target = fixed_target((0.2, 0.2, 0.7, 0.75))
    box = pixel_box(target.patch, frame.height, frame.width, frame.pattern.shape)
    span = surround_pixels(target, frame.height, frame.width, frame.pattern.shape)
    _, whole = reading_module._regions(frame, span, box)
    monkeypatch.setattr(reading_module, "_LARGEST_REGION", 100)
    monkeypatch.setattr(reading_module, "_BAND", 49)
    read: list[tuple[int, int]] = []
    region = reading_module.read_region

    def watched(frame: Frame, y0: int, y1: int, x0: int, x1: int) -> Mosaic:
        read.append((y0, y1))
        return region(frame, y0, y1, x0, x1)

    monkeypatch.setattr(reading_module, "read_region", watched)
    _, thinned = reading_module._regions(frame, span, box)
    for part in ("values", "colours", "black"):
        np.testing.assert_array_equal(getattr(thinned, part), getattr(whole, part)[::7, ::7])
    bands = read[:-1]  # the last is the patch
    assert len(bands) > 2
    segments = [row for y0, y1 in bands for row in range((y0 + 6) // 32, (y1 + 5) // 32 + 1)]
    assert layout == "strip" or len(segments) == len(set(segments))


def test_three_planes(make_dng: Make, tmp_path: Path) -> None:
    rng = np.random.default_rng(5)
    planes = np.round(np.array([900.0, 1800.0, 1200.0]) + rng.normal(size=(120, 160, 3)) * 12).astype(np.uint16)
    path = make_dng(tmp_path / "linear.dng", planes, black=[100.0, 100.0, 100.0], white=[4095, 4095, 4095])
    reading = measure_frame(path, TARGET)
    assert reading.flags == ()
    assert reading.signal is not None
    np.testing.assert_array_less(
        np.abs(np.array(reading.signal.mean) - [800, 1700, 1100]), 4 * np.array(reading.signal.u)
    )


def test_limits_are_limits(shoot: Callable[..., Path]) -> None:
    reading = measure_frame(shoot(counts()), TARGET)
    assert reading.signal is not None

    def flagged(**changes: Any) -> set[str]:
        assert reading.signal is not None
        frame = reading_module.open_frame(shoot(counts()))
        return set(reading_module._faults(frame, replace(reading.signal, **changes)))

    black, white = (0.0, 0.0, 0.0), (1000.0, 1000.0, 1000.0)
    common = {"black": black, "white": white, "ceiling": white, "mean": (500.0, 500.0, 500.0)}
    assert flagged(**common) == set()
    assert flagged(**common, clipped_pct=0.1) == set()
    assert flagged(**common, clipped_pct=0.11) == {"clipped"}
    assert flagged(**common, gradient_pct=10.0) == set()
    assert flagged(**common, gradient_pct=10.1) == {"uneven"}
    assert flagged(**common | {"mean": (900.0, 500.0, 500.0)}) == set()
    assert flagged(**common | {"mean": (500.0, 500.0, 901.0)}) == {"near_white"}
    assert flagged(**common | {"mean": (500.0, 821.0, 500.0), "ceiling": (900.0, 900.0, 900.0)}) == {"near_white"}
    assert flagged(**common | {"mean": (10.0, 20.0, 10.0)}) == set()
    assert flagged(**common | {"mean": (10.0, 19.9, 10.0)}) == {"too_dark"}
    assert flagged(**common | {"u": (float("nan"), 1.0, 1.0)}) == {"damaged"}
