"""Limits of raw files: what a container, a curve and a picture may hold, just inside and just outside.

Each limit is written as a number in its test.
"""

import struct
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
import rawpy

from greystep.constants import DngTag
from greystep.errors import FrameError
from greystep.raw import dng, frame
from greystep.raw import preview as previews
from greystep.raw.containers import blocks
from greystep.raw.curves import Curve, read_curves
from greystep.raw.levels import linear, read_levels
from greystep.raw.overview import _Bins
from greystep.raw.preview import look_of
from greystep.raw.raster import LINEAR_RAW, read_raster
from helpers.tiff_writer import ASCII, CAMERA, EXIF

MIB = 1024 * 1024


# --- containers -------------------------------------------------------------------------------------------------------


def tags_in(path: Path, content: bytes) -> Any:
    """The tags of the one list that a file of a format with its own has."""
    path.write_bytes(content)
    with path.open("rb") as file:
        (found,) = blocks(file)
    return found


def heap(entries: list[tuple[int, bytes]]) -> bytes:
    """A heap of CIFF, its directory at its end; values that begin at 0 in it are those of `entries`, one by one."""
    values, rows = b"", b""
    for tag, value in entries:
        rows += struct.pack("<HII", tag, len(value), len(values))
        values += value
    return values + struct.pack("<H", len(entries)) + rows + struct.pack("<I", len(values))


def crw(entries: list[tuple[int, bytes]]) -> bytes:
    return b"II" + struct.pack("<I", 14) + b"HEAPCCDR" + heap(entries)


MODEL = [(0x080A, b"Maker\0Model Nine\0")]


@pytest.mark.parametrize(("levels", "read"), [(5, True), (6, False)])
def test_heaps_lie_five_deep_in_the_first(levels: int, read: bool, tmp_path: Path) -> None:
    inner = MODEL
    for _ in range(levels):
        inner = [(0x300A, heap(inner))]
    assert ("Image Model" in tags_in(tmp_path / "a.crw", crw(inner))) == read


@pytest.mark.parametrize(("before", "read"), [(4095, True), (4096, False)])
def test_four_thousand_and_ninety_six_entries_of_a_directory_are_read(before: int, read: bool, tmp_path: Path) -> None:
    assert ("Image Model" in tags_in(tmp_path / "a.crw", crw([(1, b"")] * before + MODEL))) == read


@pytest.mark.parametrize(("size", "read"), [(MIB, True), (MIB + 1, False)])
def test_headers_lie_in_the_first_mebibyte(size: int, read: bool, tmp_path: Path) -> None:
    """An MRW whose block of tags ends where the header does."""
    block = b"MM\0*" + bytes(12)
    before = size - 8 - 8 - 8 - len(block)
    content = b"\0PAD" + struct.pack(">I", before) + bytes(before) + b"\0TTW" + struct.pack(">I", len(block)) + block
    (tmp_path / "a.mrw").write_bytes(b"\0MRM" + struct.pack(">I", len(content)) + content)
    with (tmp_path / "a.mrw").open("rb") as file:
        assert blocks(file) == ([block] if read else [])


@pytest.mark.parametrize(("values", "read"), [(256, True), (257, False)])
def test_a_tag_of_more_than_two_hundred_and_fifty_six_values_is_no_exposure_data(
    values: int, read: bool, tiff: Callable[..., Path], tmp_path: Path
) -> None:
    with tiff(tmp_path / "a.dng", [(0x10F, ASCII, "M" * (values - 1)), *CAMERA[1:]], EXIF).open("rb") as file:
        found: Any = blocks(file)[0]
    assert ("Image Make" in found) == read
    assert "Image Model" in found


# --- how a DNG is stored ----------------------------------------------------------------------------------------------


def opcode(number: int, count: int, body: bytes) -> bytes:
    """A list of one opcode over a whole frame of 8 x 8 px."""
    data = struct.pack(">9I", 0, 0, 8, 8, 0, 1, 1, 1, count) + body
    return struct.pack(">5I", 1, number, 0x01030000, 0, len(data)) + data


def curve_of(number: int, count: int, body: bytes) -> Curve | None:
    """The curve that an opcode gives; None where it is refused."""
    try:
        (curve,), _ = read_curves("a.dng", {DngTag.OPCODE_LIST_2: opcode(number, count, body)}, 8, 8, 1)
    except FrameError:
        return None
    return curve


@pytest.mark.parametrize(("degree", "applied"), [(8, True), (9, False)])
def test_a_polynomial_has_eight_degrees_at_most(degree: int, applied: bool) -> None:
    curve = curve_of(8, degree, struct.pack(f">{degree + 1}d", *[0.0] * degree, 1.0))
    assert (curve is not None) == applied
    assert curve is None or curve(np.array([0.5])) == pytest.approx(0.5**8)


def test_a_table_has_an_entry_for_each_code_of_sixteen_bits() -> None:
    entries = np.arange(65_537) // 2
    curve = curve_of(7, 65_536, entries[:65_536].astype(">u2").tobytes())
    assert curve is not None
    assert curve(np.array([0.0, 0.5, 1.0])) == pytest.approx([0.0, 0.25, 0.5], abs=1e-5)
    assert curve_of(7, 65_537, entries.astype(">u2").tobytes()) is None


@pytest.mark.parametrize(("size", "white"), [(17, None), (18, (0.3, 0.4))])
def test_the_white_of_a_calibration_light_takes_eighteen_bytes(size: int, white: tuple[float, float] | None) -> None:
    data = struct.pack("<H4I", 0, 3, 10, 4, 10)[:size]
    colour = dng._colour("a.dng", {DngTag.COLOR_MATRIX_1: np.eye(3).ravel(), DngTag.ILLUMINANT_DATA_1: data}, "<")
    assert colour is not None
    assert colour.white_1 == white


def test_floats_are_counts_of_fourteen_bits_and_what_curves_give_of_sixteen() -> None:
    """Limits in counts, such as one count of black, mean the same in all frames."""
    tags: Any = {DngTag.WHITE_LEVEL: np.array([2.0] * 3), DngTag.BLACK_LEVEL: np.array([0.5] * 3)}
    levels = read_levels("a.dng", tags, 8, 8, 3, None)
    assert levels.white == (16383.0,) * 4
    assert levels.black_pattern.ravel().tolist() == [16383.0 / 4.0] * 3
    levels = read_levels(
        "a.dng", tags | {DngTag.OPCODE_LIST_2: opcode(8, 1, struct.pack(">2d", 0.0, 0.5))}, 8, 8, 3, 12
    )
    assert levels.white == (65535.0,) * 4
    assert linear(levels, np.full((8, 8, 3), 2), 0, 0)[0, 0].tolist() == [65535.0 / 2.0, 65535.0, 65535.0]


@pytest.mark.parametrize(
    ("rows", "size", "refused"),
    [
        (2**14 - 1, 1000, False), (2**14 + 1, 1000, True),  # 64 MiB whatever the file
        (2**15 - 40, 671_000, False), (2**15 + 40, 671_000, True),  # 134.2 MB, 200 times the file
    ],
)  # fmt: skip
def test_an_image_unfolds_to_64_mebibytes_or_to_200_times_its_file(rows: int, size: int, refused: bool) -> None:
    page: Any = SimpleNamespace(
        imagelength=rows, imagewidth=2**11, samplesperpixel=1, dtype=np.dtype(np.uint16), photometric=32803,
        bitspersample=16, fillorder=1, is_tiled=False, planarconfig=1, compression=8, predictor=1, rowsperstrip=rows,
        offset=200, dataoffsets=[8], databytecounts=[100], tags={}, parent=SimpleNamespace(byteorder="<"), decode=len,
    )  # fmt: skip
    assert page.photometric != LINEAR_RAW
    if refused:
        with pytest.raises(FrameError, match="does not fit"):
            read_raster(Path("a.dng"), page, {}, size)
    else:
        assert read_raster(Path("a.dng"), page, {}, size).rows == rows


# --- pictures ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("width", "slits"), [(4095, False), (4096, True)])
def test_a_frame_of_eight_mebipixels_is_looked_at_through_slits(
    width: int, slits: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[dict[str, bool]] = []
    monkeypatch.setattr(previews, "preview", lambda _: None)
    monkeypatch.setattr(previews, "open_frame", lambda _: SimpleNamespace(height=2048, width=width))
    monkeypatch.setattr(previews, "overview", lambda _, **how: asked.append(how))
    look_of(Path("a.dng"))
    assert asked == [{"thinned": slits, "slits": slits}]


@pytest.mark.parametrize(("longer", "shown"), [(127, False), (128, True)])
def test_a_picture_of_128_pixels_shows_something(longer: int, shown: bool) -> None:
    thumb = SimpleNamespace(format=rawpy.ThumbFormat.BITMAP, data=np.zeros((90, longer, 3), np.uint8))
    assert (previews._small(thumb, 256) is not None) == shown


@pytest.mark.parametrize(
    ("light", "bends"),
    [
        # the middle of three slits is brighter; the sum of both steps, on a scale of logarithms above 0.03 of the range
        (0.03 * np.exp(0.0145) - 0.03, False), (0.03 * np.exp(0.0155) - 0.03, True),
        # above a ground of a tenth of the range
        (0.13 * np.exp(0.0145) - 0.03, False), (0.13 * np.exp(0.0155) - 0.03, True),
    ],
)  # fmt: skip
def test_light_that_bends_by_three_hundredths_begins_or_ends_something(light: float, bends: bool) -> None:
    ground = 0.0 if light < 0.05 else 0.1
    frame: Any = SimpleNamespace(
        dng=SimpleNamespace(left=0, raster=SimpleNamespace(wide=4)), pattern=np.array([[0, 1], [1, 2]])
    )
    bins = _Bins(frame, np.arange(6), np.arange(5), False)
    picture = np.full((5, 4, 3), ground, np.float32)
    picture[2, 1] = light
    assert bool(list(bins.unlike(picture, np.array([0, 2, 4])))) == bends


@pytest.mark.parametrize("side", [2, 4, 6])
def test_filter_patterns_repeat_after_two_four_or_six_pixels(side: int) -> None:
    """Bayer, each filter twice as large, and X-Trans (colours that lie in no smaller square)."""
    number = np.arange(36).reshape(6, 6)
    patterns = {
        2: [[0, 1], [3, 2]],
        4: np.kron([[0, 1], [3, 2]], np.ones((2, 2), dtype=int)).tolist(),
        6: np.where(number % 5 == 0, 0, np.where(number % 7 == 0, 2, 1)).tolist(),
    }
    pattern = patterns[side]
    raw: Any = SimpleNamespace(
        sizes=SimpleNamespace(top_margin=1, left_margin=2),
        raw_color=lambda y, x: pattern[(y - 1) % side][(x - 2) % side],
    )
    found = frame._library_pattern(raw)
    assert found is not None
    assert found.tolist() == pattern
