"""DNG files of the demo, read back by three libraries that did not make them."""

import datetime
import io
from fractions import Fraction
from pathlib import Path

import exifread
import numpy as np
import pytest
import rawpy
import tifffile

from greystep.demo.dngfile import Picture, dng_bytes

MATRIX_A = np.array([[1.0542646, -0.34505, -0.0353068], [-0.41405, 1.10307, 0.29943], [-0.0887227, 0.16957, 0.75862]])
MATRIX_D65 = np.array([[0.95, -0.28, -0.09], [-0.55, 1.32, 0.24], [-0.17, 0.27, 0.72]])


def picture(**changes: object) -> Picture:
    values: dict[str, object] = {
        "captured": datetime.datetime(2025, 9, 1, 8, 30, 7, 370_000), "exposure_s": Fraction(1, 125),
        "f_number": 5.6, "iso": 200, "focal_mm": 100.0, "fired": True, "matrix_a": MATRIX_A, "matrix_d65": MATRIX_D65,
        "neutral": (0.6434221, 1.0, 0.7986555), "black": (512.0, 511.25, 513.5, 510.0), "white": 16383,
    }  # fmt: skip
    return Picture(**(values | changes))  # type: ignore[arg-type]


def mosaic(height: int = 320, width: int = 480) -> np.ndarray:
    rng = np.random.default_rng(8)
    ramp = np.linspace(600, 15000, width)
    return np.clip(rng.normal(ramp, 60, (height, width)), 0, 16383).round().astype(np.uint16)


@pytest.fixture(params=[True, False], ids=["lossless", "strip"])
def file(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    path = tmp_path / "frame.dng"
    path.write_bytes(dng_bytes(mosaic(), picture(), compressed=request.param))
    return path


def test_two_libraries_decode_the_counts_that_were_written(file: Path) -> None:
    with rawpy.imread(str(file)) as raw:
        np.testing.assert_array_equal(raw.raw_image, mosaic())
        np.testing.assert_array_equal(raw.raw_pattern, [[0, 1], [3, 2]])
        assert raw.color_desc == b"RGBG"
        assert raw.white_level == 16383
        assert raw.black_level_per_channel == [512, 511, 510, 513]  # whole counts, in the order R, G, B, second G
        np.testing.assert_allclose(raw.camera_whitebalance[:3], 1 / np.array(picture().neutral), rtol=1e-6)
    with tifffile.TiffFile(file) as tiff:
        page = tiff.pages[0]
        np.testing.assert_array_equal(page.asarray(), mosaic())
        assert page.is_tiled == (page.compression == 7)
        assert (page.tilewidth, page.tilelength) == ((160, 160) if page.is_tiled else (0, 0))


def test_exif_is_read_back_by_a_library_that_knows_only_exif(file: Path) -> None:
    with file.open("rb") as stream:
        tags = {name: str(value) for name, value in exifread.process_file(stream, details=False).items()}
    assert tags["EXIF ExposureTime"] == "1/125"
    assert tags["EXIF FNumber"] == "28/5"
    assert tags["EXIF ISOSpeedRatings"] == "200"
    assert tags["EXIF DateTimeOriginal"] == "2025:09:01 08:30:07"
    assert tags["EXIF SubSecTimeOriginal"] == "37"
    assert tags["EXIF FocalLength"] == "100"
    assert tags["EXIF LensModel"] == "Invented 100 mm"
    assert tags["EXIF BodySerialNumber"] == "000417"
    assert tags["EXIF Flash"].startswith("Flash fired")
    assert (tags["Image Make"], tags["Image Model"]) == ("Invented", "Bench 14")


def test_exposure_is_read_back_by_the_raw_library(file: Path) -> None:
    with rawpy.imread(str(file)) as raw:
        raw.raw_image  # noqa: B018 - the library fills `other` only after it has decoded
        assert raw.other.iso_speed == 200
        assert raw.other.shutter_speed == pytest.approx(1 / 125, rel=1e-6)
        assert raw.other.aperture == pytest.approx(5.6, rel=1e-6)


def test_matrices_and_neutral_survive_to_the_seventh_decimal(file: Path) -> None:
    with tifffile.TiffFile(file) as tiff:
        tags = tiff.pages[0].tags
        for code, matrix in ((50721, MATRIX_A), (50722, MATRIX_D65)):
            parts = np.array(tags[code].value, dtype=float).reshape(-1, 2)
            assert parts[:, 1].min() >= 1_000_000
            np.testing.assert_allclose((parts[:, 0] / parts[:, 1]).reshape(3, 3), matrix, atol=5.1e-8)
            assert tags[code].dtype.name == "SRATIONAL"
        assert tags[50728].dtype.name == "RATIONAL"
        assert (tags[50778].value, tags[50779].value) == (17, 21)
        black = np.array(tags[50714].value, dtype=float).reshape(-1, 2)
        np.testing.assert_array_equal(black[:, 0] / black[:, 1], picture().black)


def test_tags_stand_in_order_and_no_clock_or_version_is_written(file: Path) -> None:
    with tifffile.TiffFile(file) as tiff:
        codes = [tag.code for tag in sorted(tiff.pages[0].tags, key=lambda tag: tag.offset)]
    assert codes == sorted(codes)
    assert 34665 in codes
    assert 34666 not in codes
    assert 305 not in codes
    assert b"tifffile" not in file.read_bytes()


def test_same_picture_same_bytes() -> None:
    assert dng_bytes(mosaic(), picture()) == dng_bytes(mosaic(), picture())
    assert dng_bytes(mosaic(), picture()) != dng_bytes(mosaic(), picture(iso=100))


@pytest.mark.parametrize(("height", "width"), [(160, 320), (320, 470), (150, 480)])
@pytest.mark.parametrize("compressed", [True, False])
def test_a_frame_of_any_size(height: int, width: int, compressed: bool) -> None:
    with tifffile.TiffFile(io.BytesIO(dng_bytes(mosaic(height, width), picture(), compressed))) as tiff:
        np.testing.assert_array_equal(tiff.pages[0].asarray(), mosaic(height, width))


def test_a_frame_without_flash_says_so(tmp_path: Path) -> None:
    path = tmp_path / "ambient.dng"
    path.write_bytes(dng_bytes(mosaic(160, 160), picture(fired=False)))
    with path.open("rb") as stream:
        assert "did not fire" in str(exifread.process_file(stream, details=False)["EXIF Flash"])
