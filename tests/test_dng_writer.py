"""DNG files of the one writer, read back by LibRaw, tifffile and exifread, and by the reader that is not its own."""

import hashlib
from pathlib import Path
from typing import Any

import exifread
import numpy as np
import pytest
import rawpy
import tifffile

from greystep.dng_writer import Original, RawColour, RawImage, Recorded, dng_bytes
from greystep.raw.exposure import read_exposure
from greystep.raw.frame import open_frame, read_region

BAYER = [[0, 1], [1, 2]]
#: A period of 6 x 6 with 20 greens, 8 reds and 8 blues.
SIX = [
    [1, 1, 0, 1, 1, 2], [1, 1, 2, 1, 1, 0], [2, 0, 1, 0, 2, 1],
    [1, 1, 2, 1, 1, 0], [1, 1, 0, 1, 1, 2], [0, 2, 1, 2, 0, 1],
]  # fmt: skip
MATRIX = np.array([[0.9899, -0.2771, -0.1324], [-0.6072, 1.4112, 0.2129], [-0.1298, 0.2184, 0.7531]])
NEUTRAL = (0.4567891, 1.0, 0.7890123)
RECORDED = Recorded(
    captured="2026-03-01T10:20:30.057", exposure_s=1 / 200, f_number=5.6, iso=102400, focal_mm=85.0, orientation=6,
    make="Invented", model="Invented Two", serial="0071", lens="85 mm ä", texts={315: "A. Nobody"},
)  # fmt: skip


def counts(shape: tuple[int, ...], top: int) -> np.ndarray:
    """Noise with both ends of the range side by side: the longest differences that a coder can meet."""
    found = np.random.default_rng(5).integers(0, top + 1, shape).astype(np.uint16)
    found[: shape[0] // 3, ::2], found[: shape[0] // 3, 1::2] = 0, top
    return found


def write(path: Path, pixels: np.ndarray, **more: Any) -> np.ndarray:
    values = {"pattern": np.array(BAYER), "black": np.array([[512.0, 511.0], [513.0, 510.0]]), "white": 15000}
    image = RawImage(pixels, **(values | more))
    path.write_bytes(
        dng_bytes(image, RawColour(((21, MATRIX),), NEUTRAL, -0.25), RECORDED, Original("a.raw", bytes(range(16))))
    )
    return pixels


def check_pixels(path: Path, pixels: np.ndarray) -> None:
    """Three decoders that did not write them, and the reader."""
    if min(pixels.shape[:2]) >= 22:  # LibRaw opens no smaller frame
        with rawpy.imread(str(path)) as raw:
            np.testing.assert_array_equal(raw.raw_image if pixels.ndim == 2 else raw.raw_image[..., :3], pixels)
    with tifffile.TiffFile(path) as tif:
        np.testing.assert_array_equal(tif.pages.first.asarray(), pixels)
    frame = open_frame(path)
    assert frame.dng is not None
    top, left = frame.dng.top, frame.dng.left
    inside = pixels[top : top + frame.height, left : left + frame.width]
    np.testing.assert_array_equal(read_region(frame, 0, frame.height, 0, frame.width).values, inside)


@pytest.mark.parametrize("top", [300, 1023, 4095, 16383, 65535])
@pytest.mark.parametrize(
    ("height", "width"),
    [(160, 160), (96, 320), (200, 319), (161, 321), (333, 640), (320, 176), (26, 24), (40, 33), (12, 50), (50, 9)],
)
def test_every_size_and_depth_comes_back_bit_by_bit(tmp_path: Path, height: int, width: int, top: int) -> None:
    path = tmp_path / "a.dng"
    check_pixels(path, write(path, counts((height, width), top), white=max(top, 600)))
    with tifffile.TiffFile(path) as tif:
        assert (tif.pages.first.compression == 7) == (min(height, width) >= 16)


@pytest.mark.parametrize("area", [None, (6, 12, 186, 300), (7, 5, 190, 311)])
@pytest.mark.parametrize("pattern", [BAYER, SIX, [[2, 1], [1, 0]]])
def test_pattern_and_levels_are_of_the_active_area(tmp_path: Path, pattern: list[list[int]], area: Any) -> None:
    path = tmp_path / "a.dng"
    black = np.arange(500.0, 504.0).reshape(2, 2) if len(pattern) == 2 else np.full((6, 6), 1022.0)
    pixels = write(path, counts((192, 312), 16383), pattern=np.array(pattern), black=black, area=area)
    check_pixels(path, pixels)
    top, left, bottom, right = area or (0, 0, 192, 312)
    frame = open_frame(path)
    assert (frame.height, frame.width, frame.white) == (bottom - top, right - left, (15000.0,) * 4)
    np.testing.assert_array_equal(np.where(frame.pattern == 3, 1, frame.pattern), pattern)
    np.testing.assert_array_equal(frame.black_pattern, black)
    assert frame.colour is not None
    np.testing.assert_array_equal(frame.colour.matrix_1, MATRIX)
    assert frame.colour.as_shot_neutral == NEUTRAL
    with rawpy.imread(str(path)) as raw:
        seen = [[raw.raw_color(top + y, left + x) for x in range(len(pattern))] for y in range(len(pattern))]
        np.testing.assert_array_equal(np.where(np.array(seen) == 3, 1, seen), pattern)
        assert raw.white_level == 15000
        np.testing.assert_allclose(raw.camera_whitebalance[:3], 1 / np.array(NEUTRAL), rtol=1e-6)
        if len(pattern) == 2 and top % 2 == left % 2 == 0:  # LibRaw rounds odd margins for its black levels
            by_colour = dict(zip(np.ravel(seen).tolist(), black.ravel().tolist(), strict=True))
            assert raw.black_level_per_channel == [by_colour[colour] for colour in range(4)]


def test_three_planes_are_written_as_linear_raw(tmp_path: Path) -> None:
    path = tmp_path / "a.dng"
    black = np.array([[[100.0, 101.0, 102.5]]])
    check_pixels(path, write(path, counts((170, 330, 3), 65535), black=black, white=65535))
    frame = open_frame(path)
    assert frame.pattern.tolist() == [[-1]]
    np.testing.assert_array_equal(frame.black_pattern, black)
    assert frame.white == (65535.0,) * 4
    with rawpy.imread(str(path)) as raw:
        assert raw.raw_type == rawpy.RawType.Stack
        # LibRaw weighs the three by their ranges, which differ by two counts and a half of 65,000.
        np.testing.assert_allclose(raw.camera_whitebalance[:3], 1 / np.array(NEUTRAL), rtol=1e-4)
    with tifffile.TiffFile(path) as tif:
        assert tif.pages.first.photometric == 34892
        assert not {33421, 33422} & {tag.code for tag in tif.pages.first.tags}


def test_the_tags_that_a_dng_must_have_and_the_digests(tmp_path: Path) -> None:
    """DNG specification 1.7.1.0: NewSubfileType, versions, camera, matrix, levels; the digest by its own words."""
    path = tmp_path / "a.dng"
    pixels = write(path, counts((200, 310), 16383), area=(4, 6, 196, 306))
    with tifffile.TiffFile(path) as tif:
        (page,) = tif.pages
        tags = {tag.code: tag.value for tag in page.tags}
        assert list(tags) == sorted(tags)
        assert page.tags[50721].dtype.name == "SRATIONAL"
        assert min(tags[50721][1::2]) >= 1_000_000
    assert (tags[254], tags[259], tags[262], tags[274], tags[277]) == (0, 7, 32803, 6, 1)
    assert (bytes(tags[50706]), bytes(tags[50707])) == (bytes((1, 4, 0, 0)), bytes((1, 1, 0, 0)))
    assert (tags[50708], tags[50735], tags[50827], tags[315]) == ("Invented Two", "0071", "a.raw", "A. Nobody")
    assert (tags[50778], tags[50829], tags[50719], tags[50720]) == (21, (4, 6, 196, 306), (0, 0), (300, 192))
    assert (tags[50713], tags[50717]) == ((2, 2), 15000)
    assert tags[50730][0] / tags[50730][1] == -0.25
    assert bytes(tags[50781]) == bytes(range(16))
    # Pixels in row-scan order, each padded to 16 bits, low byte first.
    assert bytes(tags[50972]) == hashlib.md5(b"".join(int(v).to_bytes(2, "little") for v in pixels.flat)).digest()


def test_what_the_camera_recorded_comes_back(tmp_path: Path) -> None:
    path = tmp_path / "a.dng"
    write(path, counts((64, 64), 4095))
    found = read_exposure(path)
    assert (found.exposure_s, found.f_number, found.iso, found.focal_mm) == (1 / 200, 5.6, 102400, 85.0)
    assert (found.captured, found.orientation) == ("2026-03-01T10:20:30.057", 6)
    assert (found.make, found.model, found.serial) == ("Invented", "Invented Two", "0071")
    with path.open("rb") as stream:
        tags = exifread.process_file(stream, details=False)
    assert str(tags["EXIF LensModel"]).startswith("85 mm")
    assert str(tags["EXIF ExposureTime"]) == "1/200"
    with rawpy.imread(str(path)) as raw:
        assert raw.sizes.flip == 6


def test_what_is_unknown_is_left_out(tmp_path: Path) -> None:
    path = tmp_path / "a.dng"
    image = RawImage(counts((64, 64), 4095), np.array(BAYER), np.full((1, 1), 64.0), 4095)
    path.write_bytes(dng_bytes(image, RawColour(((0, MATRIX),), NEUTRAL), Recorded()))
    with tifffile.TiffFile(path) as tif:
        tags = {tag.code: tag.value for tag in tif.pages.first.tags}
    assert not {271, 272, 306, 50730, 50735, 50781, 50827, 50829, 50972} & set(tags)
    assert tags[50708] == "unknown camera"
    found = read_exposure(path)
    assert (found.exposure_s, found.f_number, found.iso, found.captured, found.focal_mm) == (None, None, None, "", None)
    check_pixels(path, image.pixels)
