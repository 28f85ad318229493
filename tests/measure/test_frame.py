"""Frames read by region and by LibRaw: against the array that was written, and against each other."""

import os
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import rawpy
import tifffile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from greystep.errors import FrameError
from greystep.raw import frame as frame_module
from greystep.raw import raster
from greystep.raw.exposure import read_exposure
from greystep.raw.frame import Frame, library_exposure, open_frame, read_region, read_regions
from greystep.raw.overview import overview
from greystep.raw.raster import Region

Make = Callable[..., Path]
CORPUS = os.environ.get("GREYSTEP_CORPUS", "")
XTRANS = (1, 1, 0, 1, 1, 2, 1, 1, 2, 1, 1, 0, 2, 0, 1, 0, 2, 1, 1, 1, 2, 1, 1, 0, 1, 1, 0, 1, 1, 2, 0, 2, 1, 2, 0, 1)
BAYER = ((0, 1, 1, 2), (2, 1, 1, 0), (1, 0, 2, 1), (1, 2, 0, 1))


def noise(height: int, width: int, top: int = 4000, seed: int = 1) -> NDArray[np.uint16]:
    return np.random.default_rng(seed).integers(100, top, (height, width)).astype(np.uint16)


def by_library(monkeypatch: pytest.MonkeyPatch, path: Path) -> Frame:
    """Open as any other format: without a look at DNG's tags."""
    monkeypatch.setattr(frame_module, "read_dng", lambda _path: None)
    return open_frame(path)


# --- reading by region is bit-equal to what was written ---------------------------------------------------------------

#: Layouts in which LibRaw is right, and so a second witness. Not: lossless JPEG strips, deflate, JPEG XL; lossless JPEG
#: tiles wider than the frame, or half of it with two components (99 % of its pixels are wrong, and it says nothing).
WITNESSED = {"strip", "strips", "tiles", "packed", "packed_strip", "ljpeg", "ljpeg2"}
LAYOUTS = sorted(WITNESSED | {"ljpeg_strips", "ljpeg2_strip", "deflate", "predictor", "jxl"})


@st.composite
def cases(draw: st.DrawFn) -> dict[str, Any]:
    height, width = draw(st.integers(40, 90)), draw(st.integers(48, 140)) // 2 * 2
    layout = draw(st.sampled_from(LAYOUTS))
    top, left = draw(st.integers(0, 9)), draw(st.integers(0, 9))
    bottom, right = height - draw(st.integers(0, 7)), width - draw(st.integers(0, 7))
    rows, cols = draw(st.sampled_from([(1, 1), (2, 2), (1, 2), (2, 1), (3, 2), (4, 4), (6, 6)]))
    whole = layout in {"strip", "strips", "tiles", "deflate", "predictor", "jxl"}
    xtrans = draw(st.booleans())
    y0, x0 = draw(st.integers(0, bottom - top - 2)), draw(st.integers(0, right - left - 2))
    return {
        "shape": (height, width),
        "layout": layout,
        "bits": 16 if whole else draw(st.sampled_from((10, 12, 14))),
        "block": (16 * draw(st.integers(1, 4)), 16 * draw(st.integers(1, 4))),
        "byteorder": draw(st.sampled_from("<>")),
        "subifd": draw(st.booleans()),
        "active": (top, left, bottom, right),
        "cfa": XTRANS if xtrans else draw(st.sampled_from(BAYER)),
        "cfa_dim": (6, 6) if xtrans else (2, 2),
        "black": [32 + draw(st.integers(0, 4000)) / 1000 for _ in range(rows * cols)],
        "black_dim": (rows, cols),
        "deltas": draw(st.booleans()),
        "table": draw(st.booleans()),
        "box": (y0, draw(st.integers(y0 + 1, bottom - top)), x0, draw(st.integers(x0 + 1, right - left))),
        "seed": draw(st.integers(0, 2**31)),
    }


@settings(
    max_examples=150, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(case=cases())
def test_a_region_is_bit_equal_to_the_array_written_and_so_is_the_library_where_it_is_right(
    make_dng: Make, monkeypatch: pytest.MonkeyPatch, case: dict[str, Any]
) -> None:
    case = dict(case)
    shape, (y0, y1, x0, x1), deltas, table = (case.pop(key) for key in ("shape", "box", "deltas", "table"))
    rng = np.random.default_rng(case.pop("seed"))
    stored = rng.integers(0, 2 ** min(case["bits"], 15), shape).astype(np.uint16)
    top, left, bottom, right = case["active"]
    extra: dict[str, Any] = {"table": np.sort(rng.integers(0, 65535, 900))} if table else {}
    if deltas:
        extra |= {"delta_v": rng.integers(-8, 9, bottom - top) / 4, "delta_h": rng.integers(-8, 9, right - left) / 4}
    with tempfile.TemporaryDirectory() as folder:
        path = make_dng(Path(folder) / "a.dng", stored, **case, **extra)
        frame = open_frame(path)
        got = read_region(frame, y0, y1, x0, x1)
        linear = extra["table"][np.minimum(stored, 899)] if table else stored
        widest = {"ljpeg": shape[1], "ljpeg2": shape[1] / 2 - 1}.get(case["layout"], 999)
        witnessed = case["layout"] in WITNESSED and case["block"][1] <= widest
        if witnessed:
            with monkeypatch.context() as patch:
                patch.setattr(frame_module, "DECODED", frozenset())
                whole = open_frame(path)
            assert (frame.way, whole.way) == ("region", "library")
            again = read_region(whole, y0, y1, x0, x1)
            np.testing.assert_array_equal(again.values, got.values)
            np.testing.assert_array_equal(again.black, got.black)
            np.testing.assert_array_equal(again.colours, got.colours)
    assert (frame.height, frame.width, frame.way) == (bottom - top, right - left, "region")
    np.testing.assert_array_equal(got.values, linear[top + y0 : top + y1, left + x0 : left + x1])
    assert got.values.dtype == np.float64
    # colours and black pixel by pixel, by the specification's words: repeated from the ActiveArea's corner
    rows, cols = case["black_dim"]
    ph, pw = case["cfa_dim"]
    second = False
    for y, x in [(y0, x0), (y1 - 1, x1 - 1), (y0, x1 - 1), ((y0 + y1) // 2, (x0 + x1) // 2)]:
        colour = case["cfa"][y % ph * pw + x % pw]
        second = (ph, pw) == (2, 2) and colour == 1 and y % 2 == 1
        assert got.colours[y - y0, x - x0] == (3 if second else colour)
        black = case["black"][y % rows * cols + x % cols]
        if deltas:
            black += extra["delta_v"][y] + extra["delta_h"][x]
        assert got.black[y - y0, x - x0] == pytest.approx(black, abs=1.01e-4)  # tags written in ten-thousandths


def test_three_planes_are_read_by_region(make_dng: Make, tmp_path: Path) -> None:
    rng = np.random.default_rng(9)
    stored = rng.integers(0, 4000, (61, 93, 3)).astype(np.uint16)
    black = np.round(rng.uniform(60, 70, 2 * 2 * 3), 3)
    for layout in ("strip", "strips", "tiles", "deflate"):
        path = make_dng(
            tmp_path / "a.dng", stored, layout, active=(1, 3, 60, 91), black=black, black_dim=(2, 2), delta_v=[0.5] * 59
        )
        got = read_region(open_frame(path), 5, 50, 7, 80)
        np.testing.assert_array_equal(got.values, stored[6:51, 10:83])
        assert got.black.shape == got.values.shape
        assert got.black[0, 0] == pytest.approx(black.reshape(2, 2, 3)[1, 1] + 0.5, abs=1e-4)
        assert (got.colours == -1).all()


def test_separate_planes_are_put_together(tmp_path: Path) -> None:
    stored = np.random.default_rng(9).integers(0, 4000, (3, 64, 96)).astype(np.uint16)
    path = tmp_path / "a.dng"
    tags = [(50706, 1, 4, bytes((1, 4, 0, 0)), True)]
    for how in ({"tile": (32, 32)}, {"rowsperstrip": 16}):
        tifffile.imwrite(path, stored, photometric=34892, planarconfig=2, extratags=tags, metadata=None, **how)
        got = read_region(open_frame(path), 3, 60, 5, 90)
        np.testing.assert_array_equal(got.values, stored.transpose(1, 2, 0)[3:60, 5:90])


def test_masked_pixels_are_averaged_by_filter_colour_and_change_no_black(make_dng: Make, tmp_path: Path) -> None:
    stored = noise(70, 100)
    # check value raw.black_masked_overrides: LibRaw lets the masked mean replace the tag
    stored[:, :9] = np.arange(70)[:, None] % 2 * 20 + np.arange(9) % 2 * 4 + 600
    path = make_dng(tmp_path / "a.dng", stored, black=(512,), active=(3, 9, 70, 100), masked=(0, 0, 70, 9))
    frame = open_frame(path)
    assert frame.black_pattern.tolist() == [[512.0]]
    # the corner of the ActiveArea, (3, 9), is red: so is every odd row and odd column of the masked border
    assert frame.black_masked == (624.0, 620.0, 600.0, 604.0)
    with rawpy.imread(str(path)) as raw:
        assert raw.black_level_per_channel[0] != 512
    assert open_frame(make_dng(tmp_path / "b.dng", stored, black=(512,))).black_masked is None


def test_a_box_outside_the_frame_is_refused(make_dng: Make, tmp_path: Path) -> None:
    frame = open_frame(make_dng(tmp_path / "a.dng", noise(50, 60)))
    for box in ((-1, 10, 0, 10), (0, 51, 0, 10), (0, 10, 20, 61), (10, 10, 0, 10)):
        with pytest.raises(FrameError, match="give a patch inside the frame"):
            read_region(frame, *box)


# --- the library's way ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("margins", [(0, 0), (6, 7), (7, 6), (5, 5), (10, 14), (12, 18)])
def test_the_xtrans_period_is_right_at_every_margin(
    make_dng: Make, monkeypatch: pytest.MonkeyPatch, tmp_path: Path, margins: tuple[int, int]
) -> None:
    stored = noise(80, 96)
    active = (*margins, 80, 96)
    path = make_dng(tmp_path / "a.dng", stored, cfa=XTRANS, cfa_dim=(6, 6), active=active, black=(64,))
    tags = open_frame(path)
    library = by_library(monkeypatch, path)
    with rawpy.imread(str(path)) as raw:  # LibRaw may round the margins: follow it
        dy, dx = raw.sizes.top_margin - margins[0], raw.sizes.left_margin - margins[1]
    assert library.way == "library"
    y, x = np.indices((library.height, library.width))
    got = library.pattern[y % library.pattern.shape[0], x % library.pattern.shape[1]]
    np.testing.assert_array_equal(got, tags.pattern[(y + dy) % 6, (x + dx) % 6])
    np.testing.assert_array_equal(
        read_region(library, 3, 40, 5, 50).values,
        stored[margins[0] + dy + 3 : margins[0] + dy + 40, margins[1] + dx + 5 : margins[1] + dx + 50],
    )


@pytest.mark.parametrize("cfa", BAYER)
def test_library_blacks_stand_at_their_own_filter_colours(
    make_dng: Make, monkeypatch: pytest.MonkeyPatch, tmp_path: Path, cfa: tuple[int, ...]
) -> None:
    path = make_dng(tmp_path / "a.dng", noise(60, 80), cfa=cfa, black=(500, 510, 520, 530), black_dim=(2, 2))
    tags = open_frame(path)
    library = by_library(monkeypatch, path)
    assert library.pattern.tolist() == tags.pattern.tolist()
    assert library.black_pattern.tolist() == tags.black_pattern.tolist() == [[500, 510], [520, 530]]
    assert library.white == tags.white
    np.testing.assert_array_equal(read_region(library, 3, 9, 5, 20).values, read_region(tags, 3, 9, 5, 20).values)
    np.testing.assert_array_equal(read_region(library, 3, 9, 5, 20).black, read_region(tags, 3, 9, 5, 20).black)
    np.testing.assert_array_equal(overview(library), overview(tags))
    assert library.colour is None  # an unknown model: LibRaw's matrix is all zeros


def test_the_library_refuses_what_has_no_mosaic(
    make_dng: Make, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    mono = make_dng(tmp_path / "mono.dng", noise(60, 80), subifd=False)
    with tifffile.TiffFile(mono, mode="r+b") as tif:
        tif.pages[0].tags[262].overwrite(34892)
    with pytest.raises(FrameError, match=r"^mono\.dng: a monochrome raw"):
        by_library(monkeypatch, mono)
    planes = make_dng(tmp_path / "planes.dng", np.stack([noise(60, 80)] * 3, axis=-1))
    with pytest.raises(FrameError, match=r"^planes\.dng: three values a pixel"):
        by_library(monkeypatch, planes)


def test_library_exposure_knows_no_epoch_and_no_zeros(make_dng: Make, tmp_path: Path) -> None:
    # check value raw.no_exif_timestamp: a file without EXIF is dated 1970-01-01 by the library
    path = make_dng(tmp_path / "a.dng", noise(60, 80))
    with rawpy.imread(str(path)) as raw:
        assert raw.other.timestamp.year in (1969, 1970)
    assert library_exposure(path).captured == ""
    assert library_exposure(path).iso is None


# --- the overview -----------------------------------------------------------------------------------------------------


def test_the_overview_is_the_mean_of_each_bin_above_black(make_dng: Make, tmp_path: Path) -> None:
    stored = noise(96, 128)
    black, white = (64.0, 70.5, 72.0, 80.0), 4095
    path = make_dng(tmp_path / "a.dng", stored, "tiles", black=black, black_dim=(2, 2), white=(white,))
    small = overview(open_frame(path), longest=16)
    assert small.shape == (12, 16, 3)
    assert small.dtype == np.float32
    for row in range(12):
        for col in range(16):
            bin_ = stored[8 * row : 8 * row + 8, 8 * col : 8 * col + 8].astype(float)
            red = bin_[0::2, 0::2].mean() - 64
            green = (bin_[0::2, 1::2].mean() - 70.5 + bin_[1::2, 0::2].mean() - 72) / 2
            blue = bin_[1::2, 1::2].mean() - 80
            assert small[row, col] * (white - 80) == pytest.approx((red, green, blue), rel=1e-5)


def test_the_overview_is_scaled_by_the_highest_black_as_the_specification_says(make_dng: Make, tmp_path: Path) -> None:
    # check value dng.normalise.max_black (DNG 1.7.1 p. 99): raw, black, white -> linear, +-1e-8
    stored = np.tile(np.array([[2500, 4000], [4010, 3000]], np.uint16), (20, 20))
    path = make_dng(tmp_path / "a.dng", stored, black=(512, 513, 514, 515), black_dim=(2, 2), white=(15000,))
    expected = (0.13724543, (0.24073179 + 0.24135312) / 2, 0.17155678)
    assert overview(open_frame(path))[3, 4] == pytest.approx(expected, abs=5e-8)  # float32


@pytest.mark.parametrize("layout", ["strip", "ljpeg2", "packed", "deflate"])
def test_an_even_frame_is_even_to_the_last_bin_whatever_black_does(make_dng: Make, tmp_path: Path, layout: str) -> None:
    height, width = 131, 203
    down, across = np.arange(height) // 10, np.arange(width) // 20
    pattern = np.tile(np.array([[64, 66, 68], [70, 72, 74]]), (66, 68))[:height, :width]
    stored = np.full((height + 5, width + 7), 3000, np.uint16)
    stored[3 : 3 + height, 5 : 5 + width] = 1000 + pattern + down[:, None] + across
    tags = {"black": (64, 66, 68, 70, 72, 74), "black_dim": (2, 3), "delta_v": down, "delta_h": across}
    active = (3, 5, 3 + height, 5 + width)
    path = make_dng(tmp_path / "a.dng", stored[:, :210], layout, bits=14 if "p" in layout else None, white=(4000,), active=active, **tags)  # fmt: skip # noqa: E501
    small = overview(open_frame(path), longest=64)
    assert small.shape[:2] == (41, 64)
    assert small == pytest.approx(np.full_like(small, 1000 / (4000 - 74)), rel=1e-6)


def test_the_overview_of_planes_and_of_a_frame_smaller_than_asked(make_dng: Make, tmp_path: Path) -> None:
    stored = np.stack([noise(40, 60, seed=s) for s in (1, 2, 3)], axis=-1)
    path = make_dng(tmp_path / "a.dng", stored, black=(10, 20, 30), white=(4010, 4020, 4030))
    small = overview(open_frame(path), longest=30)
    by_hand = (stored.reshape(20, 2, 30, 2, 3).mean(axis=(1, 3)) - (10, 20, 30)) / 4000  # plane by plane
    assert small == pytest.approx(by_hand, rel=1e-5)
    assert overview(open_frame(path), longest=256).shape == (40, 60, 3)
    tiny = make_dng(tmp_path / "b.dng", noise(41, 61))
    assert overview(open_frame(tiny)).shape == (20, 30, 3)


# --- bad files: one clear line ----------------------------------------------------------------------------------------


def one_line(path: Path) -> str:
    """Open and read everything; return "" where that goes well, else the one line, which names the file."""
    try:
        frame = open_frame(path)
        read_region(frame, 0, frame.height, 0, frame.width)
        overview(frame)
    except FrameError as caught:
        error = caught
    else:
        return ""
    text = str(error)
    assert text.startswith(f"{path.name}: ")
    assert "\n" not in text
    assert error.flag in {"unreadable", "damaged", "missing"}
    return text


def test_files_that_are_no_frames_are_each_refused_in_one_line(tmp_path: Path) -> None:
    contents = {"empty.cr3": b"", "text.nef": b"hello", "random.arw": np.random.default_rng(0).bytes(5000)}
    contents |= {"head.dng": b"II*\0\x08\0\0\0", "loop.dng": b"II*\0\x08\0\0\0\0\0\x08\0\0\0"}
    for name, content in contents.items():
        (tmp_path / name).write_bytes(content)
        assert one_line(tmp_path / name)
    assert "there is no such file" in one_line(tmp_path / "gone.dng")
    (tmp_path / "folder.dng").mkdir()
    assert one_line(tmp_path / "folder.dng")
    tifffile.imwrite(tmp_path / "grey.tif", noise(60, 80), photometric=1)
    assert "not a raw frame" in one_line(tmp_path / "grey.tif")


@pytest.mark.parametrize("layout", ["strip", "strips", "packed", "ljpeg2", "tiles", "deflate"])
def test_a_cut_file_is_refused_wherever_it_is_cut(make_dng: Make, tmp_path: Path, layout: str) -> None:
    path = make_dng(tmp_path / "a.dng", noise(64, 96), layout, bits=14 if layout in {"packed", "ljpeg2"} else None)
    whole = path.read_bytes()
    assert one_line(path) == ""
    for share in (0.999, 0.9, 0.5, 0.3, 0.1, 0.01):
        path.write_bytes(whole[: int(share * len(whole))])
        assert one_line(path)


def test_a_file_that_shrinks_after_it_was_opened_is_damaged(make_dng: Make, tmp_path: Path) -> None:
    for layout in ("strip", "tiles", "deflate"):
        path = make_dng(tmp_path / "a.dng", noise(64, 96), layout)
        frame = open_frame(path)
        path.write_bytes(path.read_bytes()[:9000])
        with pytest.raises(FrameError) as caught:
            read_region(frame, 40, 60, 0, 90)
        assert caught.value.flag == "damaged"


@pytest.mark.parametrize("layout", ["strip", "packed", "ljpeg2", "deflate", "jxl"])
def test_flipped_bytes_never_raise_anything_else(make_dng: Make, tmp_path: Path, layout: str) -> None:
    path = make_dng(tmp_path / "a.dng", noise(64, 96), layout, bits=14 if layout in {"packed", "ljpeg2"} else None)
    whole = np.frombuffer(path.read_bytes(), np.uint8)
    rng = np.random.default_rng(7)
    for _ in range(60):
        bad = whole.copy()
        # half of the time in the tags, which lie at the start
        where = rng.integers(4, 1500 if rng.random() < 0.5 else bad.size, 6)
        bad[where] = rng.integers(0, 256, 6)
        path.write_bytes(bad.tobytes())
        one_line(path)
        read_exposure(path)


# --- real files -------------------------------------------------------------------------------------------------------

corpus = pytest.mark.skipif(not CORPUS, reason="GREYSTEP_CORPUS does not name a folder of real raw files")
#: What decodes, by the corpus' own README: way, height, width, black by R, G1, B, G2, white, matrix.
DECODABLE = {
    "imagemeta_CRW.CRW": ("library", 1448, 2176, (127, 128, 128, 128), 4095, "library"),
    "magicknet_DSC8695.dng": ("region", 400, 600, (0,) * 4, 65535, "dng-2"),
    "skia_dng_with_preview.dng": ("region", 338, 600, (0,) * 4, 65535, "dng-2"),
    "skia_sample_1mp.dng": ("region", 338, 600, (0,) * 4, 65535, "dng-2"),
    "tinydng_colorchart.dng": ("region", 1156, 1734, (2056,) * 4, 15000, "dng"),
}


@corpus
@pytest.mark.parametrize("name", sorted(DECODABLE))
def test_every_decodable_real_frame_has_sane_levels_and_pattern(name: str) -> None:
    way, height, width, black, white, source = DECODABLE[name]
    frame = open_frame(Path(CORPUS) / name)
    assert (frame.way, frame.height, frame.width) == (way, height, width)
    assert frame.white == (white,) * 4
    assert frame.colour is not None
    assert frame.colour.source == source
    got = read_region(frame, 100, 300, 100, 500)
    if got.values.ndim == 2:
        assert frame.pattern.tolist() == [[0, 1], [3, 2]]
        for colour in range(4):
            assert got.black[got.colours == colour].mean() == black[colour]
    else:
        assert not got.black.any()
    with rawpy.imread(str(Path(CORPUS) / name)) as raw:
        image = raw.raw_image_visible[100:300, 100:500].astype(float)
    if got.values.ndim == 2:
        np.testing.assert_array_equal(got.values, image)
    elif "skia" in name:  # no black in the codes: LibRaw is right, to its integer
        np.testing.assert_allclose(got.values, image[..., :3], atol=1.0)
    small = overview(frame)
    assert max(small.shape) == 256
    assert -0.01 < small.min() < small.max() < 1.01


@corpus
def test_every_other_real_file_gives_one_clear_line() -> None:
    others = [p for p in sorted(Path(CORPUS).iterdir()) if p.name not in DECODABLE]
    assert len(others) > 10
    for path in others:
        assert one_line(path), path.name


@corpus
def test_real_exposure_data() -> None:
    found = read_exposure(Path(CORPUS) / "magicknet_DSC8695.dng")
    assert (found.exposure_s, found.f_number, found.iso) == (1 / 1600, 2.8, 400)
    assert (found.captured, found.serial) == ("2026-07-20T22:20:59.43", "2055816")
    zeros = read_exposure(Path(CORPUS) / "tinydng_colorchart.dng")
    assert (zeros.exposure_s, zeros.f_number, zeros.iso, zeros.captured, zeros.focal_mm) == (None, None, None, "", None)
    frame = open_frame(Path(CORPUS) / "imagemeta_CRW.CRW")
    assert frame.exposure == library_exposure(frame.path)
    assert frame.exposure is not None
    assert frame.exposure.iso == 100
    assert frame.exposure.f_number == pytest.approx(5.6, rel=0.01)
    assert frame.exposure.captured.startswith("2018-01-0")


def test_nothing_reaches_the_terminal(make_dng: Make, tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    path = make_dng(tmp_path / "a.dng", noise(64, 96), "ljpeg2", bits=14)
    path.write_bytes(path.read_bytes()[:3000])
    assert one_line(path)
    assert capfd.readouterr() == ("", "")


@pytest.mark.parametrize("layout", ["ljpeg", "ljpeg_strips", "deflate", "strip"])
def test_what_several_boxes_lie_in_is_decoded_once_and_as_far_as_the_lowest_of_them(
    layout: str, make_dng: Callable[..., Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two boxes in one tile, one over four, one thinned."""
    stored = np.random.default_rng(6).integers(600, 4000, (128, 192)).astype(np.uint16)
    frame = open_frame(make_dng(tmp_path / "a.dng", stored, layout=layout, bits=14, block=(64, 64)))
    regions = [Region(4, 20, 6, 30), Region(40, 70, 50, 100), Region(9, 50, 2, 60, 5, 7), Region(0, 8, 130, 150)]
    decoded: dict[int, int] = {}
    decode = raster._decoded

    def noted(data: bytes, index: int, of: Any, shape: Any, rows: int) -> Any:
        assert index not in decoded
        decoded[index] = rows
        return decode(data, index, of, shape, rows)

    monkeypatch.setattr(raster, "_decoded", noted)
    for (y0, y1, x0, x1, down, across), box in zip(regions, read_regions(frame, regions), strict=True):
        of = slice(y0, y1, down), slice(x0, x1, across)
        np.testing.assert_array_equal(box.values, stored[of])
        np.testing.assert_array_equal(box.colours, np.tile(frame.pattern, (64, 96))[of])
        assert box.black.shape == box.values.shape
    if layout == "ljpeg":
        assert decoded == {0: 64, 1: 64, 2: 8, 3: 6, 4: 6}


@pytest.mark.parametrize(
    ("layout", "by_rows"), [("ljpeg", True), ("ljpeg_strips", True), ("deflate", False), ("tiles", False)]
)
def test_lossless_jpeg_is_decoded_by_rows(make_dng: Make, tmp_path: Path, layout: str, by_rows: bool) -> None:
    dng = open_frame(make_dng(tmp_path / "a.dng", noise(64, 96), layout)).by_region
    assert dng is not None
    assert dng.raster.decoded_by_rows == by_rows
