"""Corrected copies of raw frames that are no DNG, and of real files: read by LibRaw, tifffile and the reader."""

import hashlib
import json
import os
import shutil
from dataclasses import asdict, replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
import rawpy
import tifffile

from greystep import Session, open_session
from greystep.correct.render import render_frames
from greystep.errors import GreystepError
from greystep.measure.reading import measure_frame
from greystep.raw.frame import open_frame, read_region
from greystep.results.correction import Correction

CORPUS = os.environ.get("GREYSTEP_CORPUS", "")
corpus = pytest.mark.skipif(not CORPUS, reason="GREYSTEP_CORPUS does not name a folder of real raw files")

BAYER = [[0, 1], [1, 2]]
SIX = [
    [1, 1, 0, 1, 1, 2], [1, 1, 2, 1, 1, 0], [2, 0, 1, 0, 2, 1],
    [1, 1, 2, 1, 1, 0], [1, 1, 0, 1, 1, 2], [0, 2, 1, 2, 0, 1],
]  # fmt: skip
TOP, LEFT, HEIGHT, WIDTH = 6, 12, 96, 180


MATRIX = np.array([[0.9899, -0.2771, -0.1324], [-0.6072, 1.4112, 0.2129], [-0.1298, 0.2184, 0.7531]])
#: True neutrals of four frames [counts above black]: a flash that becomes cooler and brighter.
NEUTRALS = {f"f{n}.raw": 6000.0 * 1.03**n * np.array([0.52 - 0.006 * n, 1.0, 0.70 + 0.008 * n]) for n in range(4)}


def foreign_raw(path: Path, neutral: np.ndarray, pattern: list[list[int]], seed: int) -> None:
    """A mosaic in a TIFF with masked borders and a filter pattern, and no sign of a DNG: LibRaw's way."""
    rng = np.random.default_rng(seed)
    pixels = rng.integers(500, 525, (TOP + HEIGHT + 4, LEFT + WIDTH + 8)).astype(np.uint16)
    rows, columns = np.indices((HEIGHT, WIDTH))
    colours = np.array(pattern)[rows % len(pattern), columns % len(pattern)]
    shot = rng.normal(512 + neutral[colours], 20.0)
    pixels[TOP : TOP + HEIGHT, LEFT : LEFT + WIDTH] = np.clip(shot, 0, 16000).round()
    tags: list[tuple[int, str, int, Any, bool]] = [
        (271, "s", 0, "Nobody", True), (272, "s", 0, "No. 1", True), (274, "H", 1, 8, True),
        (315, "s", 0, "A. Invented", True), (33421, "H", 2, (len(pattern), len(pattern)), True),
        (33422, "B", len(pattern) ** 2, bytes(np.ravel(pattern).tolist()), True),
        (33434, "2I", 1, (1, 250), True), (33437, "2I", 1, (8, 1), True), (34855, "H", 1, 100, True),
        (50714, "H", 1, 512, True), (50717, "H", 1, 16000, True),
        (50829, "I", 4, (TOP, LEFT, TOP + HEIGHT, LEFT + WIDTH), True),
    ]  # fmt: skip
    with tifffile.TiffWriter(path) as writer:
        writer.write(pixels, photometric="CFA", metadata=None, software=False, subfiletype=0, extratags=tags)


def session(folder: Path, camera: bool = True) -> Session:
    """A session of the frames in a folder, each at the middle of the frame; the camera's matrix is known or not."""
    names = sorted(path.name for path in (folder / "frames").iterdir())
    (folder / "shots.csv").write_text("frame,head,power\n" + "".join(f"{name},A,full\n" for name in names))
    (folder / "camera.json").write_text(json.dumps({"schema": 1, "matrix_1": MATRIX.tolist(), "illuminant_1": 21}))
    known = '[camera]\nmatrix = "camera.json"\n' if camera else ""
    (folder / "session.toml").write_text(f"{known}[target]\npatch = [0.3, 0.3, 0.7, 0.7]\n")
    return open_session(folder)


@pytest.fixture(scope="module", params=[BAYER, SIX], ids=["2x2", "6x6"])
def foreign(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Correction]:
    """A session shot with a camera that writes no DNG, and its corrections, brightness too; only read."""
    folder = tmp_path_factory.mktemp("foreign")
    (folder / "frames").mkdir()
    for place, (name, neutral) in enumerate(NEUTRALS.items()):
        foreign_raw(folder / "frames" / name, neutral, request.param, place)
    return folder, session(folder).correct(to="median", match_brightness=True)


def test_a_raw_that_is_no_dng_becomes_one(foreign: tuple[Path, Correction], tmp_path: Path) -> None:
    folder, found = foreign
    done = found.render(tmp_path / "out", "dng")
    assert [path.name for path in done.wrote] == [f"f{n}_c.dng" for n in range(4)]
    rows = found.table.set_index("frame")
    for name, copy in zip(NEUTRALS, done.wrote, strict=True):
        source = folder / "frames" / name
        with rawpy.imread(str(source)) as old, rawpy.imread(str(copy)) as new:
            assert np.array_equal(new.raw_image, old.raw_image)
            assert np.array_equal(new.raw_image_visible, old.raw_image_visible)
            seen = [[raw.raw_color(TOP + y, LEFT + x) for y in range(6) for x in range(6)] for raw in (old, new)]
            assert seen[0] == seen[1]
            assert new.black_level_per_channel == old.black_level_per_channel == [512] * 4
            assert new.white_level == old.white_level == 16000
            assert new.sizes.flip == old.sizes.flip == 5
            balance = np.array(new.camera_whitebalance[:3])
        typed = rows.loc[name, ["multiplier_r", "multiplier_b"]].to_numpy(np.float64)
        assert balance[[0, 2]] / balance[1] == pytest.approx(typed, rel=1e-5)
        # Balanced by what its copy carries, the true neutral of each frame is grey.
        grey = balance / balance[1] * NEUTRALS[name] / NEUTRALS[name][1]
        assert grey == pytest.approx([1.0, 1.0, 1.0], rel=1e-3)
        before, after = open_frame(source), open_frame(copy)
        assert (before.way, after.way) == ("library", "region")
        assert np.array_equal(after.pattern, before.pattern)
        for part in ("values", "black", "colours"):
            one, other = (getattr(read_region(frame, 3, 91, 5, 170), part) for frame in (before, after))
            assert np.array_equal(one, other)
        assert after.colour is not None
        assert np.array_equal(after.colour.matrix_1, MATRIX)
        assert measure_frame(copy, None).exposure == measure_frame(source, None).exposure
        with tifffile.TiffFile(copy) as tif:
            tags = {tag.code: tag.value for tag in tif.pages.first.tags}
        assert (tags[315], tags[50827]) == ("A. Invented", name)
        assert bytes(tags[50781]) == hashlib.md5(source.read_bytes()).digest()
        assert tags[50730][0] / tags[50730][1] == pytest.approx(rows.loc[name, "exposure_stops"], abs=1e-6)
    again = found.render(tmp_path / "out", "dng")
    assert {str(row["state"]) for row in again.frames} == {"kept"}


def test_a_made_dng_is_measured_again(foreign: tuple[Path, Correction], tmp_path: Path) -> None:
    _, found = foreign
    found.render(tmp_path / "out", "dng")
    table = found.check(tmp_path / "out").checked.table
    assert list(table["file"]) == [f"dng/f{n}_c.dng" for n in range(4)]
    assert table["steps_after"].max() < 0.05
    assert table["stops_after"].abs().max() < 0.001
    assert table["steps_before"].max() > 2.0


def test_a_camera_without_a_matrix_is_named(foreign: tuple[Path, Correction], tmp_path: Path) -> None:
    _, found = foreign
    bodies = {label: replace(body, tags=None) for label, body in found.ingested.bodies.items()}
    with pytest.raises(GreystepError, match=r"f\d\.raw: no colour matrix is known for its camera"):
        render_frames(replace(found.ingested, bodies=bodies), found.corrections, tmp_path / "out", "dng")
    assert not list((tmp_path / "out").rglob("*.dng"))


def test_room_is_asked_for_by_the_size_of_the_mosaic(
    foreign: tuple[Path, Correction], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    _, found = foreign
    pixels = (TOP + HEIGHT + 4) * (LEFT + WIDTH + 8)
    free = 4 * pixels * 2
    monkeypatch.setattr(shutil, "disk_usage", lambda path: SimpleNamespace(free=free))
    with pytest.raises(GreystepError, match="MB are needed"):
        found.render(tmp_path / "out", "dng")
    free = 4 * (pixels * 3 + 100_000)
    assert len(found.render(tmp_path / "out", "dng").wrote) == 4


# --- real files ----------------------------------------------------------------------------------------------------

#: What decodes, by the corpus' own README.
DECODABLE = (
    "imagemeta_CRW.CRW", "magicknet_DSC8695.dng", "skia_dng_with_preview.dng", "skia_sample_1mp.dng",
    "tinydng_colorchart.dng",
)  # fmt: skip


@pytest.fixture(scope="module")
def real(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Correction]:
    """A session of all real frames that decode, each body brought to its own median, and its copies."""
    folder = tmp_path_factory.mktemp("real")
    (folder / "frames").mkdir()
    for name in DECODABLE:
        shutil.copyfile(Path(CORPUS) / name, folder / "frames" / name)
    found = session(folder, camera=False).correct(to="median")
    found.render(folder / "report", "dng")
    return folder, found


@corpus
@pytest.mark.parametrize("name", DECODABLE)
def test_every_real_frame_has_a_copy_with_equal_pixels_equal_matrix_and_the_told_neutral(
    real: tuple[Path, Correction], name: str
) -> None:
    folder, found = real
    source, copy = folder / "frames" / name, folder / "report" / "dng" / f"{Path(name).stem}_c.dng"
    row = found.table.set_index("frame").loc[name]
    before, after = open_frame(source), open_frame(copy)
    assert before.colour is not None
    assert after.colour is not None
    neutral = 1.0 / np.array([row["multiplier_r"], 1.0, row["multiplier_b"]])
    assert after.colour.as_shot_neutral == pytest.approx(neutral, abs=2e-7)
    assert np.float32(after.colour.matrix_1) == pytest.approx(np.float32(before.colour.matrix_1), abs=0.0)
    assert (after.height, after.width, after.white) == (before.height, before.width, before.white)
    told, kept = (asdict(measure_frame(path, None).exposure) for path in (source, copy))
    kept["model"] = kept["model"] if told["model"] else ""  # a DNG must name some camera
    for field, value in told.items():
        assert kept[field] == (pytest.approx(value, rel=1e-6) if isinstance(value, float) else value), field
    regions = [read_region(frame, 0, frame.height, 0, frame.width) for frame in (before, after)]
    assert np.array_equal(regions[0].values, regions[1].values)
    assert np.array_equal(regions[0].black, regions[1].black)
    with rawpy.imread(str(source)) as old, rawpy.imread(str(copy)) as new:
        assert np.array_equal(new.raw_image, old.raw_image)
        assert (new.sizes, new.white_level) == (old.sizes, old.white_level) or name.endswith(".CRW")
        assert new.black_level_per_channel == old.black_level_per_channel
        if told["model"]:  # by which LibRaw finds its own matrix
            assert np.array_equal(new.rgb_xyz_matrix, old.rgb_xyz_matrix)
        balance = np.array(new.camera_whitebalance[:3])
        assert balance / balance[1] == pytest.approx(1 / neutral, rel=2e-3 if after.pattern[0, 0] < 0 else 1e-5)
        if name.endswith(".dng"):
            assert np.array_equal(new.color_matrix, old.color_matrix)
        else:
            assert after.colour.illuminant_1 == 21  # EXIF LightSource: D65
            # LibRaw makes camera -> sRGB from the tags: white of equal values, the sRGB primaries of IEC 61966-2-1.
            from_srgb = np.array(
                [[0.412453, 0.357580, 0.180423], [0.212671, 0.715160, 0.072169], [0.019334, 0.119193, 0.950227]]
            )
            to_camera = old.rgb_xyz_matrix[:3] @ from_srgb
            wanted = np.linalg.inv(to_camera / to_camera.sum(axis=1, keepdims=True))
            assert new.color_matrix[:, :3] == pytest.approx(wanted, abs=2e-3)
