"""The camera's own picture: taken where there is one, small, and turned back to what the camera saw."""

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from greystep.raw import frame as frames
from greystep.raw import preview as previews
from greystep.raw.frame import Frame
from greystep.raw.preview import look_of, preview
from greystep.raw.raster import Region
from greystep.session.pictures import pictures_of
from greystep.session.workers import Crew

Make = Callable[..., Path]
NEUTRAL = np.array([0.501, 1.0, 0.7014])  # the AsShotNeutral of the files that the simulator writes
COUNTS = np.full((64, 96), 5000, np.uint16)


def painted(height: int, width: int) -> np.ndarray:
    """A white-balanced picture: a grey of sRGB code 128 with a darker right half, code 64."""
    picture = np.full((height, width, 3), 128, np.uint8)
    picture[:, width // 2 :] = 64
    return picture


def test_a_grey_is_the_neutral_of_the_camera_again(make_dng: Make, tmp_path: Path) -> None:
    """Codes 128 and 64 are 0.2159 and 0.0513 of the light: IEC 61966-2-1."""
    path = make_dng(tmp_path / "a.dng", COUNTS, preview=painted(400, 600))
    found = preview(path)
    assert found is not None
    assert found.shape == (171, 256, 3)
    np.testing.assert_allclose(found[50:120, 20:100].mean(axis=(0, 1)), 0.2159 * NEUTRAL, rtol=0.02)
    np.testing.assert_allclose(found[50:120, 160:240].mean(axis=(0, 1)), 0.0513 * NEUTRAL, rtol=0.02)


def test_a_smaller_one_keeps_its_size_and_a_tiny_one_is_none(make_dng: Make, tmp_path: Path) -> None:
    kept = preview(make_dng(tmp_path / "a.dng", COUNTS, preview=painted(128, 192)))
    assert kept is not None
    assert kept.shape == (128, 192, 3)
    assert preview(make_dng(tmp_path / "b.dng", COUNTS, preview=painted(64, 96))) is None
    assert preview(make_dng(tmp_path / "c.dng", COUNTS)) is None


@pytest.mark.parametrize("cut", [0, 40, 3000])
def test_a_broken_file_has_none(make_dng: Make, tmp_path: Path, cut: int) -> None:
    path = make_dng(tmp_path / "a.dng", COUNTS, preview=painted(400, 600))
    path.write_bytes(path.read_bytes()[:cut])
    assert preview(path) is None
    assert preview(tmp_path / "none.dng") is None


def test_thumbnails_read_no_pixels_where_a_picture_is_there(
    make_dng: Make, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    make_dng(tmp_path / "with.dng", COUNTS, preview=painted(200, 300))
    make_dng(tmp_path / "without.dng", COUNTS)
    read: list[str] = []
    whole = previews.overview

    def counted(frame: Frame, **how: bool) -> np.ndarray:
        read.append(frame.path.name)
        return whole(frame, **how)

    monkeypatch.setattr(previews, "overview", counted)
    names = ["with.dng", "without.dng"]
    draw = dict.fromkeys(names, lambda linear: (255 * np.clip(linear, 0, 1)).astype(np.uint8))
    pictures = pictures_of(tmp_path, draw, None, dict.fromkeys(names, ""), dict.fromkeys(names, ""), Crew())
    assert read == ["without.dng"]
    assert (pictures["with.dng"].height, pictures["with.dng"].width) == (171, 256)


def test_no_pixel_is_decoded_for_a_picture_that_is_there(make_dng: Make, tmp_path: Path) -> None:
    """LibRaw cannot decode these pixels, and asked for the white balance it tries to."""
    found = preview(make_dng(tmp_path / "a.dng", COUNTS, layout="jxl", preview=painted(400, 600)))
    assert found is not None
    np.testing.assert_allclose(found[50:120, 20:100].mean(axis=(0, 1)), 0.2159 * NEUTRAL, rtol=0.02)


@pytest.mark.parametrize("layout", ["ljpeg2", "strip"])
def test_a_large_frame_is_looked_at_through_slits(
    layout: str, make_dng: Make, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A darker lower half and a brighter right half are where they are, and a small part of the rows is decoded."""
    counts = np.full((1024, 1536), 4000, np.uint16)
    counts[512:] = 2000
    counts[:, 768:] *= 2
    path = make_dng(tmp_path / "a.dng", counts, layout=layout, bits=14, block=(256, 256))
    monkeypatch.setattr(previews, "LARGE", 1 << 20)
    rows: list[int] = []
    read = frames.read_stored

    def counted(path: Path, raster: Any, regions: Sequence[Region]) -> list[np.ndarray]:
        rows.extend(one.y1 - one.y0 for one in regions)
        return read(path, raster, regions)

    monkeypatch.setattr(frames, "read_stored", counted)
    small = look_of(path)
    assert sum(rows) < 1024 / 4
    assert small.shape == (171, 256, 3)
    level = small / small[:30, :100].mean()
    np.testing.assert_allclose(level[:40, :120], 1.0, atol=0.001)
    np.testing.assert_allclose(level[:40, 136:], 2.0, atol=0.001)
    np.testing.assert_allclose(level[135:, :120], 0.5, atol=0.001)
