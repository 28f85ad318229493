"""Known files of every layout: the true mean comes back, or the file is refused in one line that says why."""

import struct
import tracemalloc
import zlib
from collections.abc import Callable
from functools import partial
from pathlib import Path
from types import ModuleType
from typing import Any

import imagecodecs
import numpy as np
import pytest
import tifffile

from greystep.errors import FrameError
from greystep.flags import Flag
from greystep.measure.camera import neutral_to_xy
from greystep.measure.reading import measure_frame
from greystep.measure.target import fixed_target
from greystep.raw.dng import same_matrices
from greystep.raw.frame import open_frame, read_region
from greystep.raw.overview import overview
from greystep.raw.raster import pages_of, raw_page, read_raster
from greystep.raw.tags import read_tags

Write = Callable[..., Path]
Overwrite = Callable[..., None]
FULL = 10_000


def refused(path: Path) -> FrameError:
    def read() -> None:
        frame = open_frame(path)
        read_region(frame, 0, frame.height, 0, frame.width)

    with pytest.raises(FrameError) as caught:
        read()
    assert str(caught.value).startswith(f"{path.name}: ")
    assert "\n" not in str(caught.value)
    return caught.value


def shares(known: ModuleType, path: Path) -> np.ndarray[Any, Any]:
    """The measured patch as shares of white less the highest black."""
    reading = measure_frame(path, fixed_target(known.PATCH))
    assert reading.message == ""
    assert reading.signal is not None
    frame = open_frame(path)
    highest = max(frame.black_pattern.max(), 0.0) + (0.0 if frame.black_rows is None else frame.black_rows.max())
    return np.array(reading.signal.mean) / (reading.signal.white[0] - highest)


@pytest.mark.parametrize(
    "name",
    [
        "strip", "strips", "packed", "tiles", "ljpeg", "ljpeg2", "deflate", "predictor", "jxl", "interleaved", "float",
        "planes", "lossy", "table", "curve",
    ],
)  # fmt: skip
def test_every_layout_gives_the_light_that_was_written(known: ModuleType, write: Write, name: str) -> None:
    path = write(name)
    np.testing.assert_allclose(shares(known, path), known.true_means(), rtol=2e-3)
    # the overview sees the same card: a picture that is put together wrongly has other colours
    x0, y0, x1, y1 = known.PATCH
    small = overview(open_frame(path), longest=32)
    card = small[
        round(y0 * small.shape[0]) + 2 : round(y1 * small.shape[0]) - 2, round(x0 * 32) + 2 : round(x1 * 32) - 2
    ]
    np.testing.assert_allclose(card.mean(axis=(0, 1)), known.true_means(), rtol=6e-3)


# --- a: how pixels are put in order -----------------------------------------------------------------------------------


@pytest.mark.parametrize("factors", [(2, 2), (1, 2), (3, 1), (4, 3)])
@pytest.mark.parametrize("name", ["strips", "deflate"])
def test_interleaved_fields_are_put_in_order(
    known: ModuleType, tmp_path: Path, factors: tuple[int, int], name: str
) -> None:
    # DNG 1.7.1 p. 97: the rows (columns) 0, n, 2n, ... come first, then 1, n + 1, ...
    values = np.random.default_rng(3).integers(0, 4000, (61, 94)).astype(np.uint16)
    rows = np.concatenate([values[k :: factors[0]] for k in range(factors[0])])
    stored = np.concatenate([rows[:, k :: factors[1]] for k in range(factors[1])], axis=1)
    layout = known.LAYOUTS[name]
    tags = ((50975, 3, [factors[0]]), (52547, 3, [factors[1]]))
    path = tmp_path / "a.dng"
    path.write_bytes(
        known.file_bytes(known.Layout(**{**vars(layout), "tags": tags, "active": None, "extra": ()}), stored)
    )
    frame = open_frame(path)
    for y0, y1, x0, x1 in ((0, 61, 0, 94), (7, 50, 11, 12), (13, 14, 5, 90), (30, 61, 40, 94)):
        np.testing.assert_array_equal(read_region(frame, y0, y1, x0, x1).values, values[y0:y1, x0:x1])
        thinned = read_region(frame, y0, y1, x0, x1, (5, 7))
        np.testing.assert_array_equal(thinned.values, values[y0:y1:5, x0:x1:7])


def test_blocks_within_tiles_are_refused(write: Write) -> None:
    assert "an order that is not understood" in str(refused(write("tiles", (50974, 3, [8, 8]))))
    assert open_frame(write("tiles", (50974, 3, [1, 1]))).way == "region"


# --- b: curves --------------------------------------------------------------------------------------------------------


def opcode(number: int, *words: int, body: bytes = b"") -> bytes:
    data = struct.pack(f">{len(words)}I", *words) + body
    return struct.pack(">5I", 1, number, 0x01030000, 0, len(data)) + data


def area(known: ModuleType, *, top: int = 0, left: int = 0, bottom: int = 0, pitch: int = 1) -> tuple[int, ...]:
    return top, left, bottom or known.HEIGHT, known.WIDTH, 0, 1, pitch, pitch


def test_a_table_over_the_whole_frame_is_applied(known: ModuleType, write: Write) -> None:
    x = np.arange(65536) / 65535
    table = np.rint(65535 * (0.2 * x + 0.8 * x**2)).astype(">u2").tobytes()
    listed = opcode(7, *area(known), 65536, body=table)
    for name in ("strip", "packed", "jxl"):
        path = write(name, (51009, 7, listed), curve=known.squared)
        np.testing.assert_allclose(shares(known, path), known.true_means(), rtol=2e-3)


def test_curves_of_single_filter_colours_are_applied(known: ModuleType, write: Write) -> None:
    red_only = opcode(8, *area(known, pitch=2), 1, body=struct.pack(">2d", 0.0, 0.5))
    path = write("ljpeg2", (51009, 7, red_only))  # its ActiveArea begins at an odd corner
    np.testing.assert_allclose(shares(known, path), known.true_means() * (0.5, 1.0, 1.0), rtol=2e-3)


def test_a_curve_of_one_filter_colour_stays_at_its_places_where_rows_and_columns_are_left_out(
    known: ModuleType, write: Write
) -> None:
    red_only = opcode(8, *area(known, pitch=2), 1, body=struct.pack(">2d", 0.0, 0.5))
    frame = open_frame(write("strips", (51009, 7, red_only)))
    box = 3, 40, 6, 60
    np.testing.assert_array_equal(read_region(frame, *box, (5, 7)).values, read_region(frame, *box).values[::5, ::7])


def test_a_curve_follows_the_linearization_table(known: ModuleType, write: Write) -> None:
    listed = opcode(8, *area(known), 2, body=struct.pack(">3d", 0.0, 0.2, 0.8))
    path = write("table", (51009, 7, listed))
    seen = 0.2 * known.true_means() + 0.8 * known.true_means() ** 2
    np.testing.assert_allclose(shares(known, path), seen, rtol=4e-3)


@pytest.mark.parametrize(("code", "number"), [(51008, 7), (51009, 8), (51022, 8), (51009, 7)])
def test_a_curve_that_is_not_applied_refuses_the_frame(known: ModuleType, write: Write, code: int, number: int) -> None:
    part = area(known, bottom=0 if code != 51009 else known.HEIGHT // 2)
    body = struct.pack(">2H", 0, 65535) if number == 7 else struct.pack(">2d", 0.0, 0.5)
    listed = opcode(number, *part, 2 if number == 7 else 1, body=body)
    assert f"follow a curve (opcode {number})" in str(refused(write("strip", (code, 7, listed))))


# --- c, d, e: tags ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "code", "change", "said"),
    [
        ("strip", 50714, {"kind": 99}, "BlackLevel"),
        ("strip", 50714, {"kind": 12}, "BlackLevel"),
        ("strip", 50714, {"value": 2**31}, "BlackLevel"),
        ("strip", 50717, {"kind": 0x1000}, "WhiteLevel"),
        ("strips", 50829, {"count": 2**20}, "ActiveArea"),
        ("packed", 258, {"kind": 0x1000}, "BitsPerSample"),
        ("deflate", 322, {"kind": 0x1000}, "TileWidth"),
        ("strips", 50716, {"count": 2**28}, "BlackLevelDeltaV"),
        ("table", 50712, {"value": 2**31}, "LinearizationTable"),
        ("interleaved", 50975, {"kind": 17}, "RowInterleaveFactor"),
        ("strip", 50721, {"kind": 0x1000}, "ColorMatrix1"),
        ("strip", 50778, {"kind": 0x1000}, "CalibrationIlluminant1"),
        ("strip", 50706, {"kind": 0x1000}, "DngVersion"),
        ("curve", 51009, {"value": 2**31}, "OpcodeList2"),
    ],
)
def test_a_tag_that_cannot_be_read_is_damage_and_named(
    write: Write, overwrite: Overwrite, name: str, code: int, change: dict[str, int], said: str
) -> None:
    path = write(name)
    overwrite(path, code, **change)
    error = refused(path)
    assert error.flag == Flag.DAMAGED
    assert f"its tag {said} ({code})" in str(error)


def test_a_tag_of_no_weight_may_be_unreadable(write: Write, overwrite: Overwrite, known: ModuleType) -> None:
    path = write("strip")
    overwrite(path, 65000, kind=0x1000)
    np.testing.assert_allclose(shares(known, path), known.true_means(), rtol=2e-3)


def test_a_file_that_asks_for_a_later_reader_is_refused(known: ModuleType, write: Write) -> None:
    data = write("strip").read_bytes()
    path = write("strip", file="b.dng")
    for needed, refuses in ((b"\1\7\1\0", False), (b"\1\7\1\1", True), (b"\1\x08\0\0", True), (b"\2\0\0\0", True)):
        changed = bytearray(data)
        entry = next(entry for entry, code, *_ in known.entries_of(data) if code == 50707)
        changed[entry + 8 : entry + 12] = needed
        path.write_bytes(changed)
        if refuses:
            assert "asks for a reader of DNG" in str(refused(path))
        else:
            assert open_frame(path).way == "region"


def test_planes_in_another_order_are_refused(write: Write) -> None:
    assert "not red, green and blue" in str(refused(write("strip", (50710, 1, [2, 1, 0]))))
    assert open_frame(write("strip", (50710, 1, [0, 1, 2]))).way == "region"


@pytest.mark.parametrize("code", [50721, 50727])
def test_a_colour_tag_that_has_no_meaning_is_damage(
    write: Write, overwrite: Overwrite, known: ModuleType, code: int
) -> None:
    path = write("strip")
    data = bytearray(path.read_bytes())
    place = next(value for _, found, _, _, value in known.entries_of(data) if found == code)
    below = slice(place + 4, place + 8)
    assert struct.unpack("<I", data[below])[0] in (1, FULL)
    data[below] = bytes(4)  # a rational over zero
    path.write_bytes(data)
    error = refused(path)
    assert error.flag == Flag.DAMAGED
    assert f"({code})" in str(error)


def test_calibration_lights_may_be_told_by_their_white(known: ModuleType, write: Write, overwrite: Overwrite) -> None:
    whites = {52533: (0.44758, 0.40745), 52534: (0.31272, 0.32903)}  # lights A and D65, CIE 15
    data = [
        (code, 7, struct.pack("<H4I", 0, *(part for value in xy for part in (round(value * FULL), FULL))))
        for code, xy in whites.items()
    ]
    neutral = np.array(known.NEUTRAL)
    by_code = open_frame(write("strip")).colour
    path = write("strip", first=data)
    for code in (50778, 50779):
        overwrite(path, code, first=255)
    by_white = open_frame(path).colour
    assert by_code is not None
    assert by_white is not None
    assert by_white.source == "dng-2"
    found, known = neutral_to_xy(by_white, neutral), neutral_to_xy(by_code, neutral)
    np.testing.assert_allclose(found, known, atol=1e-4)  # A is 2850 K by its code, D65 6500 K
    assert not same_matrices(by_white, by_code)
    spectrum = [(code, 7, struct.pack("<HI", 1, 30) + bytes(256)) for code in whites]
    path = write("strip", first=spectrum)
    for code in (50778, 50779):
        overwrite(path, code, first=255)
    unknown = open_frame(path).colour
    assert unknown is not None
    assert unknown.source == "dng"
    assert (by_code.unused, by_white.unused, unknown.unused) == ((), (), ("calibration light as a spectrum",))


def test_a_third_calibration_is_told_and_changes_nothing(write: Write) -> None:
    rationals = [
        part for value in (0.9, 0.1, 0.0, 0.2, 1.1, 0.3, 0.0, 0.1, 0.8) for part in (round(value * FULL), FULL)
    ]
    two, three = open_frame(write("strip")).colour, open_frame(write("strip", first=[(52531, 10, rationals)])).colour
    assert two is not None
    assert three is not None
    assert same_matrices(two, three)
    assert (two.unused, three.unused) == ((), ("third calibration",))


@pytest.mark.parametrize(("red", "damaged"), [(25, False), (36, True)])
def test_gains_that_no_sensor_has_are_damage(write: Write, overwrite: Overwrite, red: int, damaged: bool) -> None:
    path = write("strip")
    overwrite(path, 50727, first=red)
    if damaged:
        assert "its tag AnalogBalance (50727)" in str(refused(path))
    else:
        assert open_frame(path).way == "region"


# --- f, g: places and sizes -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["strips", "packed", "tiles", "deflate", "jxl", "planes"])
def test_strips_that_lie_upon_each_other_are_damage(known: ModuleType, write: Write, tmp_path: Path, name: str) -> None:
    data = write(name).read_bytes()
    order = "<" if data[:2] == b"II" else ">"
    at = next(value for _, code, _, _, value in reversed(known.entries_of(data)) if code in (273, 324))
    first, second = struct.unpack_from(order + "2I", data, at)
    for offset in (first, first + 2, second - 2):
        bad = bytearray(data)
        struct.pack_into(order + "I", bad, at + 4, offset)
        (tmp_path / "b.dng").write_bytes(bad)
        error = refused(tmp_path / "b.dng")
        assert error.flag == Flag.DAMAGED
        assert "lie upon each other" in str(error)


@pytest.mark.parametrize(
    ("name", "code", "wrong"),
    [
        ("strip", 279, 128 * 192 * 2 - 384), ("strip", 256, 190), ("strip", 257, 126), ("strip", 258, 15),
        ("tiles", 322, 48), ("deflate", 322, 48), ("jxl", 323, 48), ("ljpeg", 322, 48), ("ljpeg2", 322, 48),
        ("table", 256, 180), ("packed", 258, 14), ("lossy", 323, 48),
    ],
)  # fmt: skip
def test_sizes_that_do_not_fit_the_bytes_are_refused(
    write: Write, overwrite: Overwrite, name: str, code: int, wrong: int
) -> None:
    path = write(name)
    overwrite(path, code, first=wrong)
    assert refused(path).flag in {Flag.DAMAGED, Flag.UNREADABLE}


@pytest.mark.parametrize(
    ("name", "code", "wrong"),
    [
        ("packed", 50713, 20_000), ("tiles", 323, 2**20), ("jxl", 322, 2**24), ("ljpeg", 256, 40_000),
        ("deflate", 257, 2**30),
    ],
)  # fmt: skip
def test_no_room_is_made_for_sizes_that_the_file_cannot_hold(
    write: Write, overwrite: Overwrite, name: str, code: int, wrong: int
) -> None:
    path = write(name)
    overwrite(path, code, first=wrong)
    tracemalloc.start()
    try:
        frame = open_frame(path)
        read_region(frame, 0, 8, 0, 8)
    except FrameError:
        pass
    finally:
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
    assert peak < 2**24


def test_a_repeat_size_alone_makes_no_pattern(known: ModuleType, write: Write, overwrite: Overwrite) -> None:
    path = write("packed")
    overwrite(path, 50713, value=20_000 + (20_000 << 16))
    assert open_frame(path).black_pattern.shape == (1, 1)
    np.testing.assert_allclose(shares(known, path), known.true_means(), rtol=2e-3)


@pytest.mark.breakage
def test_a_small_file_does_not_unfold_without_end(known: ModuleType, tmp_path: Path) -> None:
    layout = known.Layout(8, rows=64, code=lambda block, _: zlib.compress(bytes(2**22)))
    path = tmp_path / "a.dng"
    path.write_bytes(known.file_bytes(layout, np.zeros((128, 192), np.uint16)))
    assert refused(path).flag == Flag.DAMAGED  # each strip unfolds to 170 times what the tags say
    layout = known.Layout(8, rows=2_000, code=lambda block, _: zlib.compress(block.tobytes(), 9))
    path.write_bytes(known.file_bytes(layout, np.zeros((2_000, 2_000), np.uint16)))
    assert open_frame(path).height == 2_000  # 8 MB of black
    layout = known.Layout(8, rows=20_000, code=lambda block, _: zlib.compress(block.tobytes(), 9))
    path.write_bytes(known.file_bytes(layout, np.zeros((20_000, 2_000), np.uint16)))
    assert "does not fit" in str(refused(path))  # 80 MB of 80 kB
    with tifffile.TiffFile(path) as tif:
        page = raw_page(path, pages_of(tif))
        tags = read_tags(path.name, page)
        assert read_raster(path, page, tags, 450_000).height == 20_000
        with pytest.raises(FrameError, match="does not fit"):
            read_raster(path, page, tags, 350_000)


def test_a_jpeg_of_another_size_than_its_tile_is_damage(known: ModuleType, tmp_path: Path) -> None:
    layout = known.Layout(
        7, 14, block=(64, 64), code=lambda b, n: bytes(imagecodecs.ljpeg_encode(b[:32], bitspersample=n))
    )
    path = tmp_path / "a.dng"
    path.write_bytes(known.frame(layout, 1))
    assert refused(path).flag == Flag.DAMAGED


@pytest.mark.breakage
def test_a_jpeg_xl_that_unfolds_to_more_than_its_tile_is_not_unfolded(known: ModuleType, tmp_path: Path) -> None:
    bomb = bytes(imagecodecs.jpegxl_encode(np.zeros((3000, 3000), np.uint16), lossless=True, effort=1))
    layout = known.Layout(52546, block=(64, 96), code=lambda _block, _bits: bomb)
    path = tmp_path / "a.dng"
    path.write_bytes(known.frame(layout, 1))
    tracemalloc.start()
    assert refused(path).flag == Flag.DAMAGED
    assert tracemalloc.get_traced_memory()[1] < 2**24
    tracemalloc.stop()


@pytest.mark.parametrize(
    "shape", [(64, 96), (48, 48), (160, 256), (7, 600), (520, 13), (240, 320), (300, 5000), (90, 160)]
)
def test_jpeg_xl_tiles_of_any_size_are_read(known: ModuleType, tmp_path: Path, shape: tuple[int, int]) -> None:
    stored = np.random.default_rng(1).integers(0, 4000, shape).astype(np.uint16)
    path = tmp_path / "a.dng"
    for boxed in (False, True):
        how = {"lossless": True, "effort": 1, "usecontainer": boxed}
        code = partial(lambda block, _, how: bytes(imagecodecs.jpegxl_encode(block, **how)), how=how)
        path.write_bytes(known.file_bytes(known.Layout(52546, block=shape, code=code), stored))
        np.testing.assert_array_equal(read_region(open_frame(path), 0, shape[0], 0, shape[1]).values, stored)


# --- h: floats --------------------------------------------------------------------------------------------------------


def test_limits_of_a_float_frame_are_shares_of_its_range(known: ModuleType, write: Write, tmp_path: Path) -> None:
    for off, doubtful in ((0.0, False), (2e-3, True)):
        path = write("float", (50830, 4, [0, 0, 3, 200]), active=known.ACTIVE, black=(0.0625,))
        data = path.read_bytes()
        at, _ = known.pixels_of(data)
        border = np.full((3, 200), 0.0625 + off, "<f4") + np.random.default_rng(1).normal(0, 1e-4, (3, 200)).astype(
            "<f4"
        )
        path.write_bytes(data[:at] + border.astype("<f4").tobytes() + data[at + border.nbytes :])
        reading = measure_frame(path, fixed_target(known.PATCH))
        assert ("black_doubtful" in reading.flags) is doubtful


def test_a_float_frame_with_values_that_are_no_numbers_is_damaged_without_a_warning(
    known: ModuleType, write: Write
) -> None:
    path = write("float")
    data = bytearray(path.read_bytes())
    begin, _ = known.pixels_of(data)
    at = begin + 4 * (70 * 192 + 130)  # in the patch
    data[at : at + 4] = struct.pack("<f", np.nan)
    path.write_bytes(data)
    reading = measure_frame(path, fixed_target(known.PATCH))  # warnings are errors in these tests
    assert reading.flags == ("damaged",)
    assert "values that are no numbers" in reading.message
    with pytest.raises(FrameError, match="no numbers"):
        overview(open_frame(path))


def test_a_table_of_codes_on_floats_is_refused(write: Write) -> None:
    assert "LinearizationTable on values that are no codes" in str(refused(write("float", (50712, 3, [0, 1, 2, 3]))))
