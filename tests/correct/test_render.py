"""Rendered frames against true neutrals, other readers (LibRaw, exifread, Pillow, OpenEXR) and bad luck."""

import hashlib
import io
import json
import os
import resource
import shutil
import struct
import sys
from collections import namedtuple
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import OpenEXR
import pytest
import rawpy
import tifffile
from PIL import Image, ImageCms, ImageOps

from greystep.correct import plates as adding
from greystep.correct.demosaic import demosaic, reach_of
from greystep.correct.dng_copy import baseline_exposure, corrected_copy
from greystep.correct.images import linear_profile, turned, turned_back
from greystep.correct.plates import add_plates, read_plates
from greystep.correct.record import RECORD
from greystep.correct.render import render_frames
from greystep.errors import FaultsError, FrameError, GreystepError
from greystep.measure.chromaticity import SPACES, working_space
from greystep.raw.exposure import read_exposure


def exr_pixels(path: Path) -> np.ndarray:
    with OpenEXR.File(str(path)) as file:
        return np.asarray(file.channels()["RGB"].pixels)


# --- what the corrections are for ----------------------------------------------------------------------------------


def test_an_exr_file_into_a_path_that_is_no_utf_8_is_refused_in_one_line(stack: Any, tmp_path: Path) -> None:
    with pytest.raises(GreystepError, match="needs a path in UTF-8"):
        render_frames(stack.true, stack.corrections, tmp_path / os.fsdecode(b"odd\xff"), "exr")


@pytest.mark.parametrize("form", ["tiff", "exr"])
def test_true_neutrals_agree_after_the_correction(stack: Any, stacking: ModuleType, tmp_path: Path, form: str) -> None:
    """Gains found on noisy frames, applied to noise-free frames of the true light: 0.1 step and 0.005 stop."""
    done = render_frames(stack.true, stack.corrections, tmp_path, form)
    files = [tmp_path / row.file for row in done.files]
    read = (lambda path: tifffile.imread(path) / 65535.0) if form == "tiff" else exr_pixels
    neutrals = np.array([read(path).astype(np.float64)[16:-16, 16:-16].mean(axis=(0, 1)) for path in files])
    steps, stops = stacking.spread(neutrals)
    assert len(files) == 12
    assert steps < 0.1
    assert stops < 0.005
    uncorrected = np.array(list(stack.neutrals.values())) @ next(iter(stack.corrections.developed.values())).T
    steps, stops = stacking.spread(uncorrected)
    assert steps > 2.0
    assert stops > 0.05


def test_copies_agree_through_another_raw_converter(stack: Any, stacking: ModuleType, tmp_path: Path) -> None:
    """DNG copy, LibRaw with the file's own white balance, 16-bit linear TIFF: within 0.3 step."""
    done = render_frames(stack.true, stack.corrections, tmp_path, "dng")
    neutrals = []
    for row in done.files:
        path = tmp_path / row.file
        with rawpy.imread(str(path)) as raw:
            picture = raw.postprocess(
                gamma=(1, 1), no_auto_bright=True, output_bps=16, use_camera_wb=True, adjust_maximum_thr=0.0,
                output_color=rawpy.ColorSpace.sRGB,
            )  # fmt: skip
        tifffile.imwrite(path.with_suffix(".tif"), picture)
        image = tifffile.imread(path.with_suffix(".tif")) / 65535.0
        # LibRaw leaves BaselineExposure to the one who asks it; converters apply it.
        exposure = baseline_exposure(path.name, path.read_bytes())
        neutrals.append(image[16:-16, 16:-16].mean(axis=(0, 1)) * 2.0**exposure)
    steps, stops = stacking.spread(np.array(neutrals))
    assert steps < 0.3
    assert stops < 0.005
    assert np.ptp(neutrals[0]) / np.mean(neutrals[0]) < 0.002


def test_numbers_of_a_frame_by_hand(stack: Any, tmp_path: Path) -> None:
    """Working space = A @ (2**e * gain * counts / range), the range being white minus black."""
    found = stack.corrections
    render_frames(stack.true, found, tmp_path, "exr")
    row = found.table.iloc[4]
    gains = 2.0 ** row["exposure_stops"] * np.array([row["gain_r"], 1.0, row["gain_b"]])
    (developed,) = found.developed.values()
    wanted = developed @ (gains * stack.neutrals[row["frame"]] / (16383 - 512))
    image = exr_pixels(tmp_path / "exr" / f"{Path(row['frame']).stem}.exr").astype(np.float64)
    assert image[16:-16, 16:-16].mean(axis=(0, 1)) == pytest.approx(wanted, rel=3e-4)


def test_blown_highlights_stay_neutral(stack: Any, stacking: ModuleType, tmp_path: Path) -> None:
    (body,) = stack.ingested.bodies.values()
    row = stack.corrections.table.iloc[2]
    true = replace(stack.true, settings=replace(stack.true.settings, frames_dir=tmp_path / "frames"))
    (tmp_path / "frames").mkdir()
    for name in stack.neutrals:
        stacking.write_flat(tmp_path / "frames" / name, np.full(3, 20000.0), body.tags.matrix_1, None)
    render_frames(true, stack.corrections, tmp_path / "out", "exr")
    image = exr_pixels(tmp_path / "out" / "exr" / f"{Path(row['frame']).stem}.exr").astype(np.float64)
    top = 2.0 ** row["exposure_stops"] * min(1.0, row["gain_r"] / 0.4, row["gain_b"] / 0.5)
    assert image.mean(axis=(0, 1)) == pytest.approx(np.full(3, top), rel=1e-3)


# --- DNG copies ----------------------------------------------------------------------------------------------------


def dng(tags: list[tuple[int, str, int, Any, bool]], order: str = "<", big: bool = False) -> bytes:
    """A small DNG as another camera might write it: pixels in an odd place, a second page, any tags."""
    stream = io.BytesIO()
    mosaic = np.arange(64 * 64, dtype=np.uint16).reshape(64, 64)
    common: list[tuple[int, str, int, Any, bool]] = [
        (33421, "H", 2, (2, 2), True), (33422, "B", 4, bytes((0, 1, 1, 2)), True),
        (50706, "B", 4, bytes((1, 4, 0, 0)), True), (50708, "s", 0, "Invented Bench", True),
        (50721, "2i", 9, [part for value in np.eye(3).ravel() for part in (round(value * 1000), 1000)], True),
    ]  # fmt: skip
    with tifffile.TiffWriter(stream, byteorder=order, bigtiff=big) as writer:
        writer.write(mosaic, photometric="CFA", metadata=None, extratags=[*common, *tags])
        writer.write(np.full((8, 8, 3), 7, np.uint8), photometric="rgb", metadata=None)
    return stream.getvalue()


OLD_NEUTRAL = (50728, "2I", 3, (1, 2, 1, 1, 3, 4), True)
OLD_XY = (50729, "2I", 2, (3127, 10000, 3290, 10000), True)
OLD_EXPOSURE = (50730, "2i", 1, (-3, 4), True)


@pytest.mark.parametrize("order", ["<", ">"])
@pytest.mark.parametrize("big", [False, True])
@pytest.mark.parametrize("tags", [[], [OLD_NEUTRAL], [OLD_NEUTRAL, OLD_EXPOSURE], [OLD_XY, OLD_EXPOSURE]])
def test_a_copy_differs_in_its_tags_alone(order: str, big: bool, tags: list[tuple[int, str, int, Any, bool]]) -> None:
    data = dng(tags, order, big)
    copy = corrected_copy("a.dng", data, (0.4567, 1.0, 0.789), 0.3)
    assert copy is not None
    pointer = 8 if big else 4
    assert copy[:pointer] == data[:pointer]
    assert copy[2 * pointer : len(data)] == data[2 * pointer :]
    with tifffile.TiffFile(io.BytesIO(data)) as old, tifffile.TiffFile(io.BytesIO(copy)) as new:
        assert len(new.pages) == len(old.pages) == 2
        assert np.array_equal(new.pages[0].asarray(), old.pages[0].asarray())
        assert np.array_equal(new.pages[1].asarray(), old.pages[1].asarray())
        before, after = ({tag.code: tag.value for tag in tif.pages.first.tags} for tif in (old, new))
        assert list(after) == sorted(after)
    over, under = after.pop(50730)
    assert over / under == pytest.approx(0.3 + (-0.75 if OLD_EXPOSURE in tags else 0.0), abs=1e-6)
    ratios = np.array(after.pop(50728)).reshape(3, 2)
    assert ratios[:, 0] / ratios[:, 1] == pytest.approx([0.4567, 1.0, 0.789], abs=1e-7)
    for code in (50728, 50729, 50730):
        before.pop(code, None)
    assert after == before


def test_other_readers_find_the_new_neutral(stack: Any, tmp_path: Path) -> None:
    """LibRaw's camera white balance is 1 / AsShotNeutral = gain / reference neutral; its pixels are the original's."""
    done = render_frames(stack.ingested, stack.corrections, tmp_path, "dng")
    rows = stack.corrections.table.set_index("frame")
    (reference,) = stack.corrections.references.values()
    for row in done.files[:3]:
        gains = rows.loc[row.frame, ["gain_r", "gain_g", "gain_b"]].to_numpy(np.float64)
        original = stack.ingested.settings.frames_dir / row.frame
        with rawpy.imread(str(tmp_path / row.file)) as new, rawpy.imread(str(original)) as old:
            balance = np.array(new.camera_whitebalance[:3])
            assert balance / balance[1] == pytest.approx(gains / np.array(reference.neutral), rel=1e-5)
            assert np.array_equal(new.raw_image, old.raw_image)
        assert read_exposure(tmp_path / row.file) == read_exposure(original)


def test_what_is_no_dng_has_no_copy_and_a_damaged_one_is_named() -> None:
    stream = io.BytesIO()
    tifffile.imwrite(stream, np.zeros((8, 8), np.uint16))
    for data in (b"", b"some other raw format " * 8, stream.getvalue()):
        assert corrected_copy("a.raw", data, (0.5, 1.0, 0.7), 0.0) is None
        assert baseline_exposure("a.raw", data) == 0.0
    with pytest.raises(FrameError, match=r"^a\.dng: its first directory is cut off; .*card again$"):
        corrected_copy("a.dng", b"II*\0\xff\xff\xff\x7f" + bytes(40), (0.5, 1.0, 0.7), 0.0)


# --- images --------------------------------------------------------------------------------------------------------


@pytest.fixture
def portrait(stack: Any, stacking: ModuleType, tmp_path: Path) -> Any:
    """The stack with its first frame held upright (orientation 6), bright in its top left corner as stored."""
    frames = tmp_path / "portrait"
    shutil.copytree(stack.true.settings.frames_dir, frames)
    path = next(iter(sorted(frames.iterdir())))
    data = bytearray(path.read_bytes())
    with tifffile.TiffFile(path) as tif:
        struct.pack_into("<H", data, tif.pages.first.tags[274].valueoffset, 6)
        offset = tif.pages.first.dataoffsets[0]
    for row in range(8):
        struct.pack_into("<8H", data, offset + row * 128 * 2, *[9000] * 8)
    path.write_bytes(data)
    return replace(stack.true, settings=replace(stack.true.settings, frames_dir=frames))


def test_orientation_is_kept(stack: Any, portrait: Any, tmp_path: Path) -> None:
    """A TIFF keeps pixels and tag; OpenEXR knows no orientation, so there the pixels stand upright."""
    for form in ("tiff", "exr", "dng"):
        render_frames(portrait, stack.corrections, tmp_path, form)
    name = Path(sorted(stack.neutrals)[0]).stem
    with tifffile.TiffFile(tmp_path / "tiff" / f"{name}.tif") as tif:
        assert tif.pages.first.tags[274].value == 6
        stored = tif.asarray()
    with tifffile.TiffFile(tmp_path / "dng" / f"{name}_c.dng") as tif:
        assert tif.pages.first.tags[274].value == 6
    upright = exr_pixels(tmp_path / "exr" / f"{name}.exr")
    assert stored.shape == (96, 128, 3)
    assert upright.shape == (128, 96, 3)
    assert stored[:6, :6].mean() > 1.2 * stored[20:].mean()
    assert upright[:6, -6:].mean() > 1.2 * upright[20:].mean()


@pytest.mark.parametrize("orientation", range(1, 9))
def test_every_orientation_as_another_library_turns_it(orientation: int) -> None:
    pixels = np.arange(24, dtype=np.uint8).reshape(4, 6)
    image = Image.fromarray(pixels)
    image.getexif()[274] = orientation
    assert np.array_equal(turned(pixels, orientation), np.asarray(ImageOps.exif_transpose(image)))
    assert np.array_equal(turned_back(turned(pixels, orientation), orientation), pixels)


def test_what_the_camera_recorded_is_kept(stack: Any, tmp_path: Path) -> None:
    for form in ("tiff", "exr"):
        render_frames(stack.ingested, stack.corrections, tmp_path, form)
    frame = stack.corrections.table["frame"].iloc[0]
    recorded = read_exposure(stack.ingested.settings.frames_dir / frame)
    kept = read_exposure(tmp_path / "tiff" / f"{Path(frame).stem}.tif")
    # The reader looks for these two in the Exif directory alone; tifffile sees them.
    assert replace(kept, serial=recorded.serial, lens=recorded.lens, captured=recorded.captured) == recorded
    with tifffile.TiffFile(tmp_path / "tiff" / f"{Path(frame).stem}.tif") as tif:
        tags = tif.pages.first.tags
        assert tags.valueof(42033) == recorded.serial
        assert tags.valueof(42036) == recorded.lens
        assert f"{tags.valueof(36867)}.{tags.valueof(37521)}" == recorded.captured.replace("-", ":").replace("T", " ")
        assert tif.pages.first.dtype == np.uint16
    with OpenEXR.File(str(tmp_path / "exr" / f"{Path(frame).stem}.exr")) as file:
        header = dict(file.header())
        assert file.channels()["RGB"].pixels.dtype == np.float16
    assert header["expTime"] == pytest.approx(recorded.exposure_s)
    assert (header["aperture"], header["isoSpeed"]) == (recorded.f_number, recorded.iso)
    assert (header["cameraMake"], header["lensModel"]) == (recorded.make, recorded.lens)
    # Rec. ITU-R BT.709: the primaries and the white.
    assert header["chromaticities"] == pytest.approx((0.64, 0.33, 0.30, 0.60, 0.15, 0.06, 0.3127, 0.3290), abs=1e-6)
    assert header["adoptedNeutral"] == pytest.approx((0.3127, 0.3290), abs=1e-6)


def test_owner_and_description_go_with_the_image(stack: Any, tmp_path: Path) -> None:
    from greystep.correct.images import owner_texts

    path = tmp_path / "a.dng"
    texts = [(315, "s", 0, "A. Invented", True), (33432, "s", 0, "Nobody 2025", True), (270, "s", 0, "plate 3", True)]
    path.write_bytes(dng(texts))
    assert owner_texts(path) == {270: "plate 3", 315: "A. Invented", 33432: "Nobody 2025"}
    path.write_bytes(b"no TIFF at all")
    assert owner_texts(path) == {}


@pytest.mark.parametrize("space", list(SPACES))
def test_the_profile_says_what_the_space_is(space: str) -> None:
    """Pillow's colour engine takes linear values through the profile to sRGB as the matrices and the curve do."""
    profile = ImageCms.ImageCmsProfile(io.BytesIO(linear_profile(space, "a linear space")))
    assert ImageCms.getProfileDescription(profile).strip() == "a linear space"
    values = np.array([[128, 128, 128], [40, 40, 40], [150, 120, 90], [90, 110, 130]], np.uint8)
    shown = ImageCms.profileToProfile(
        Image.fromarray(values[None]), profile, ImageCms.createProfile("sRGB"), renderingIntent=1
    )
    from greystep.measure.chromaticity import bradford

    from_xyz, white = working_space(space)
    to_srgb, srgb_white = working_space("lin_rec709")
    linear = values / 255.0 @ (to_srgb @ bradford(white, srgb_white) @ np.linalg.inv(from_xyz)).T
    curve = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * np.maximum(linear, 0) ** (1 / 2.4) - 0.055)
    assert np.asarray(shown)[0] == pytest.approx(255.0 * curve, abs=2.0)
    assert linear_profile(space, "a linear space") == linear_profile(space, "a linear space")


@pytest.mark.parametrize("space", list(SPACES))
def test_the_profile_holds_the_primaries_exactly(space: str) -> None:
    """Read tag by tag with Pillow: Bradford-adapted columns and white to the last bit of s15Fixed16."""
    from greystep.measure.chromaticity import bradford

    data = linear_profile(space, "a linear space")
    profile = ImageCms.ImageCmsProfile(io.BytesIO(data)).profile
    from_xyz, white = working_space(space)
    d50 = (0.9642, 1.0, 0.8249)  # the white of the profile connection space, ICC.1:2010
    wanted = (bradford(white, d50) @ np.linalg.inv(from_xyz)).T
    for primary, column in zip(("red", "green", "blue"), wanted, strict=True):
        assert getattr(profile, f"{primary}_colorant")[0] == pytest.approx(column, abs=1.6e-5)
    assert profile.media_white_point[0] == pytest.approx(d50, abs=1e-5)
    assert profile.creation_date is not None
    assert profile.creation_date.year == 2020
    assert len(data) == int.from_bytes(data[:4], "big")


def test_openexr_missing_is_said_before_anything_is_written(
    stack: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "OpenEXR", None)
    with pytest.raises(GreystepError, match=r"greystep\[exr\]"):
        render_frames(stack.ingested, stack.corrections, tmp_path / "out", "exr")
    assert not (tmp_path / "out").exists()


# --- demosaic ------------------------------------------------------------------------------------------------------

BAYER = np.array([[0, 1], [1, 2]], np.int8)
XTRANS = np.array(
    [
        [1, 2, 1, 1, 0, 1], [0, 1, 0, 2, 1, 2], [1, 2, 1, 1, 0, 1],
        [1, 0, 1, 1, 2, 1], [2, 1, 2, 0, 1, 0], [1, 0, 1, 1, 2, 1],
    ],
    np.int8,
)  # fmt: skip


@pytest.mark.parametrize("pattern", [BAYER, XTRANS, np.kron(BAYER, np.ones((2, 2), np.int8)), np.array([[0, 1, 2, 1]])])
def test_even_light_stays_even_to_the_edge(pattern: np.ndarray) -> None:
    colours = np.tile(pattern, (24, 6))[:23, :29].astype(np.int8)
    reach = reach_of(pattern)
    windows = np.lib.stride_tricks.sliding_window_view(colours, (2 * reach + 1, 2 * reach + 1))
    assert all(set(window.ravel().tolist()) == {0, 1, 2} for row in windows for window in row)
    light = np.array([100.0, 200.0, 150.0], np.float32)[colours]
    assert np.abs(demosaic(light, colours, reach) - [100.0, 200.0, 150.0]).max() < 1e-3


def test_bayer_by_hand() -> None:
    """At a red pixel: its own red, the mean of four greens, the mean of four blues; between two reds their mean."""
    light = np.random.default_rng(1).uniform(0, 1, (8, 8)).astype(np.float32)
    rgb = demosaic(light, np.tile(BAYER, (4, 4)), 1)
    around = light[1:4, 1:4]
    assert rgb[2, 2, 0] == light[2, 2]
    assert rgb[2, 2, 1] == pytest.approx((around[0, 1] + around[1, 0] + around[1, 2] + around[2, 1]) / 4)
    assert rgb[2, 2, 2] == pytest.approx((around[0, 0] + around[0, 2] + around[2, 0] + around[2, 2]) / 4)
    assert rgb[2, 3, 0] == pytest.approx((light[2, 2] + light[2, 4]) / 2)


def test_bands_leave_no_seam(stack: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    one = render_frames(stack.ingested, stack.corrections, tmp_path / "one", "tiff").files[0].file
    monkeypatch.setattr("greystep.correct.demosaic.BAND", 37)
    render_frames(stack.ingested, stack.corrections, tmp_path / "two", "tiff")
    whole, parts = (tifffile.imread(tmp_path / folder / one).astype(int) for folder in ("one", "two"))
    assert np.abs(whole - parts).max() <= 1


# --- whole, resumable, safe ----------------------------------------------------------------------------------------


def prints(folder: Path) -> dict[str, str]:
    return {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in folder.rglob("*") if path.is_file()}


def test_originals_are_never_written_to(stack: Any, tmp_path: Path) -> None:
    frames = stack.ingested.settings.frames_dir
    before = prints(frames)
    render_frames(stack.ingested, stack.corrections, tmp_path, "dng")
    assert prints(frames) == before
    for inside in (frames, frames / "out", frames.parent / "x" / ".." / frames.name):
        with pytest.raises(GreystepError, match="never written to"):
            render_frames(stack.ingested, stack.corrections, inside, "dng")
    assert prints(frames) == before


def test_a_second_run_goes_on_where_the_first_stopped(stack: Any, tmp_path: Path) -> None:
    def states(found: Any = stack.corrections, force: bool = False) -> list[str]:
        return [row.state for row in render_frames(stack.ingested, found, tmp_path, "dng", force=force).files]

    assert states() == ["written"] * 12
    assert states() == ["kept"] * 12
    (tmp_path / "dng" / "f0003_c.dng").unlink()
    with (tmp_path / "dng" / "f0005_c.dng").open("ab") as file:
        file.write(b"x")
    changed = {place: state for place, state in enumerate(states()) if state != "kept"}
    assert changed == {1: "written", 3: "not ours"}
    assert states(force=True) == ["kept"] * 3 + ["written"] + ["kept"] * 8
    table = stack.corrections.table.copy()
    table.loc[6, "gain_r"] *= 1.001
    assert states(replace(stack.corrections, table=table)) == ["kept"] * 6 + ["written"] + ["kept"] * 5
    (tmp_path / RECORD).write_text('{"files": [')
    assert states() == ["not ours"] * 12
    assert states(force=True) == ["written"] * 12
    record = json.loads((tmp_path / RECORD).read_text())
    assert record["schema"] == 1
    assert len(record["files"]) == 12


def test_a_raw_file_that_changed_is_rendered_again(stack: Any, tmp_path: Path) -> None:
    frames = tmp_path / "frames"
    shutil.copytree(stack.ingested.settings.frames_dir, frames)
    found = replace(stack.ingested, settings=replace(stack.ingested.settings, frames_dir=frames))
    render_frames(found, stack.corrections, tmp_path / "out", "dng")
    shutil.copy(frames / "f0002.dng", frames / "f0006.dng")
    states = [row.state for row in render_frames(found, stack.corrections, tmp_path / "out", "dng").files]
    assert states == ["kept"] * 4 + ["written"] + ["kept"] * 7
    assert prints(tmp_path / "out" / "dng")["f0006_c.dng"] != prints(tmp_path / "out" / "dng")["f0007_c.dng"]


def test_progress_counts_every_frame(stack: Any, tmp_path: Path) -> None:
    seen: list[tuple[int, int]] = []
    render_frames(stack.ingested, stack.corrections, tmp_path, "dng", lambda done, total: seen.append((done, total)))
    assert seen == [(done, 12) for done in range(13)]


def test_too_little_room_is_said_first(stack: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    usage = namedtuple("usage", "total used free")
    monkeypatch.setattr(shutil, "disk_usage", lambda path: usage(10**9, 10**9 - 5_000_000, 5_000_000))
    for form, needed in (("tiff", 12), ("exr", 14)):  # 12 frames of 320 x 480 px, 6 bytes a pixel
        with pytest.raises(GreystepError, match=rf"{needed}\d* MB are needed and 5 MB are free"):
            render_frames(stack.ingested, stack.corrections, tmp_path / "out", form)
    assert not (tmp_path / "out").exists()
    assert len(render_frames(stack.ingested, stack.corrections, tmp_path / "out", "dng").files) == 12


@pytest.fixture
def small_files() -> Iterator[None]:
    """No file may grow beyond 200 kB, as on a disk that is full."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (200_000, hard))
    yield
    resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


@pytest.mark.parametrize("form", ["tiff", "exr"])
@pytest.mark.usefixtures("small_files")
def test_a_full_disk_leaves_nothing_half_written(stack: Any, tmp_path: Path, form: str) -> None:
    with pytest.raises(GreystepError, match="cannot be written"):
        render_frames(stack.ingested, stack.corrections, tmp_path / "out", form)
    assert [path for path in (tmp_path / "out").rglob("*") if path.is_file()] == []


@pytest.mark.parametrize("form", ["tiff", "exr", "dng"])
def test_a_folder_that_cannot_be_made(stack: Any, tmp_path: Path, form: str) -> None:
    (tmp_path / "out").write_text("a file where the folder should be")
    with pytest.raises(GreystepError, match="cannot be written"):
        render_frames(stack.ingested, stack.corrections, tmp_path / "out", form)


def test_one_lost_frame_does_not_stop_the_others(stack: Any, tmp_path: Path) -> None:
    frames = tmp_path / "frames"
    shutil.copytree(stack.ingested.settings.frames_dir, frames)
    found = replace(stack.ingested, settings=replace(stack.ingested.settings, frames_dir=frames))
    (frames / "f0003.dng").unlink()
    (frames / "f0004.dng").write_bytes((frames / "f0004.dng").read_bytes()[:300])
    done = render_frames(found, stack.corrections, tmp_path / "out", "tiff")
    assert [row.state for row in done.files] == ["written", "failed", "failed", *["written"] * 9]
    assert sum(message.startswith(("f0003.dng", "f0004.dng")) for message in done.messages) == 2
    for path in frames.iterdir():
        path.write_bytes(b"nothing")
    with pytest.raises(GreystepError, match="none of 12 frames"):
        render_frames(found, stack.corrections, tmp_path / "other", "tiff")


def test_nothing_to_render(stack: Any, tmp_path: Path) -> None:
    with pytest.raises(GreystepError, match="no frame has a correction"):
        render_frames(stack.ingested, replace(stack.corrections, matrices={}), tmp_path, "dng")


# --- plates --------------------------------------------------------------------------------------------------------


def test_plates_add_as_light_adds(stack: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    room: list[int] = []
    monkeypatch.setattr(adding, "check_room", lambda folder, size: room.append(size))
    frames = list(stack.corrections.matrices)
    table = tmp_path / "PLATES.csv"
    table.write_text(f"Plate;Gain;Stops\n{frames[0]};;\n{Path(frames[1]).stem};0,5;\n{frames[2]};0.5;-1\n")
    plates = read_plates(table, frames)
    assert [plate.factor for plate in plates] == [1.0, 0.5, 0.25]
    for form in ("tiff", "exr"):
        render_frames(stack.true, stack.corrections, tmp_path, form)
        path, messages = add_plates(stack.true, stack.corrections, plates, tmp_path, form)
        assert messages == ()
        assert room[-1] == 12 * np.prod(tifffile.imread(tmp_path / "sum.tif").shape[:2])
        read = exr_pixels if form == "exr" else (lambda path: tifffile.imread(path) / 65535.0)
        parts = [read(tmp_path / form / f"{Path(name).stem}{path.suffix}").astype(np.float64) for name in frames[:3]]
        total = parts[0] + 0.5 * parts[1] + 0.25 * parts[2]
        assert read(path).astype(np.float64) == pytest.approx(total, abs=1e-3)


def test_faults_of_a_table_of_plates_come_together(stack: Any, tmp_path: Path) -> None:
    table = tmp_path / "PLATES.csv"
    table.write_text("frame,gain\nf0002.dng,one\nf9999.dng,1\nf0003.dng,-1\n")
    with pytest.raises(FaultsError) as caught:
        read_plates(table, list(stack.corrections.matrices))
    assert [line.split(":")[0] for line in caught.value.faults] == ["row 2", "row 3", "row 4"]
    table.write_text("image\nf0002.dng\n")
    with pytest.raises(GreystepError, match="no column plate;"):
        read_plates(table, [])


def test_plates_that_do_not_lie_on_each_other(stack: Any, portrait: Any, tmp_path: Path) -> None:
    names = list(stack.corrections.matrices)[:2]
    plates = read_plates_of(tmp_path, names)
    with pytest.raises(GreystepError, match=rf"^{names[1]}: .* px, orientation \d, and {names[0]} .*plates must lie"):
        add_plates(portrait, stack.corrections, plates, tmp_path, "tiff")
    with pytest.raises(GreystepError, match="--as tiff or --as exr"):
        add_plates(stack.true, stack.corrections, plates, tmp_path, "dng")
    with pytest.raises(GreystepError, match=f"{names[0]}: has no correction"):
        add_plates(stack.true, replace(stack.corrections, matrices={}), plates, tmp_path, "tiff")


def read_plates_of(folder: Path, frames: list[str]) -> Any:
    (folder / "p.csv").write_text("plate\n" + "\n".join(frames) + "\n")
    return read_plates(folder / "p.csv", frames)
