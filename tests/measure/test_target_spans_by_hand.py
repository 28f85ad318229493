"""Spans in whole periods, bins that hold green, exposure data and files of cameras: at their limits."""

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from greystep.errors import FaultsError, FrameError, GreystepError
from greystep.measure import reading
from greystep.measure.camera_json import read_camera_json
from greystep.measure.target import pixel_span
from greystep.measure.target_moved import binned, reference_surround
from greystep.raw.exposure import Exposure
from greystep.raw.frame import Mosaic

Floats = NDArray[np.float64]


# --- spans ------------------------------------------------------------------------------------------------------------


def plain_span(start: float, end: float, size: int, period: int, longest: int) -> tuple[int, int]:
    """The whole periods between the rounded ends; at least the one in their middle, at most the middle ones."""
    inside = [at for at in range(0, size, period) if round(start * size) <= at and at + period <= round(end * size)]
    if not inside:
        middle = max(0, round((start + end) / 2 * size)) // period
        inside = [period * min(middle, size // period - 1)]
    most = longest // period
    spare = max(0, len(inside) - most)
    inside = inside[spare // 2 : spare // 2 + most]
    return inside[0], inside[-1] + period


def test_a_span_is_rounded_inwards_to_whole_periods_and_cut_about_its_middle() -> None:
    rng = np.random.default_rng(1)
    for _ in range(600):
        start, end = (
            np.sort(rng.uniform(0.0, 1.0, 2))
            if rng.random() < 0.7
            else rng.uniform(0.45, 0.55) + np.array([0.0, 0.004])
        )
        period, longest = int(rng.choice([1, 2, 6])), int(rng.choice([64, 100, 512]))
        size = int(rng.integers(20, 900))
        given = float(start), float(end), size, period, longest
        assert pixel_span(*given) == plain_span(*given), given
    assert pixel_span(0.999, 1.0, 101, 2, 64) == (98, 100)
    assert pixel_span(0.0, 0.001, 101, 2, 64) == (0, 2)


# --- maps of a target's surround --------------------------------------------------------------------------------------


def test_bins_are_as_small_as_still_hold_a_green_pixel_each() -> None:
    """A filter of two by two pixels of one colour has squares of two without green, and none of three."""
    quad = np.repeat(np.repeat(np.array([[0, 1], [1, 2]], np.int8), 2, axis=0), 2, axis=1)
    values = np.random.default_rng(2).uniform(100.0, 900.0, (12, 12))
    colours = np.tile(quad, (3, 3))
    found = binned(Mosaic(values + 64.0, colours, np.full((12, 12), 64.0)), 32)
    assert found.shape == (4, 4)
    for row, column in np.ndindex(4, 4):
        part = np.s_[3 * row : 3 * row + 3, 3 * column : 3 * column + 3]
        assert found[row, column] == pytest.approx(values[part][colours[part] == 1].mean())
    sparse = np.zeros((12, 12), np.int8)
    sparse[3::4, 3::4] = 3
    assert binned(Mosaic(values, sparse, np.zeros((12, 12))), 32) == pytest.approx(values[3::4, 3::4])


def test_what_frames_are_compared_with_where_there_are_two_or_shapes_differ() -> None:
    one, two, dark = np.full((4, 4), 1.0), np.full((4, 4), 3.0), np.zeros((4, 4))
    assert reference_surround([dark, one, two, dark]) is one, "of two the first"
    assert reference_surround([dark, two]) is two
    assert reference_surround([dark]) is None
    odd = np.full((3, 4), 9.0)
    found = reference_surround([odd, one, two, two])
    assert found is not None
    assert found.tolist() == two.tolist()


# --- exposure data ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("captured", "dng", "broken", "iso"),
    [
        ("", False, False, 800.0),
        ("2026-03-02T09:00:00", False, False, None),
        ("", True, False, None),
        ("", False, True, None),
    ],
)
def test_the_library_is_asked_for_exposure_data_where_a_file_that_is_no_dng_has_none(
    monkeypatch: pytest.MonkeyPatch, captured: str, dng: bool, broken: bool, iso: float | None
) -> None:
    def asked(path: Path) -> Exposure:
        if broken:
            raise FrameError("it cannot be read")
        return Exposure(iso=800.0, f_number=1.0)

    monkeypatch.setattr(reading, "read_exposure", lambda path: Exposure(captured=captured, model="Nine"))
    monkeypatch.setattr(reading, "read_dng", lambda path: "a DNG" if dng else None)
    monkeypatch.setattr(reading, "library_exposure", asked)
    found = reading.exposure_of(Path("f.raw"))
    assert (found.iso, found.f_number, found.model, found.captured) == (iso, None, "Nine", captured)


def test_a_reading_is_sparse_where_corners_alone_were_read() -> None:
    maps = np.ones((2, 12, 12))
    assert reading.Reading(corners=maps).sparse
    assert not reading.Reading(corners=maps, surround=maps[0]).sparse
    assert not reading.Reading(surround=maps[0]).sparse
    assert not reading.Reading().sparse


# --- files of cameras -------------------------------------------------------------------------------------------------

MATRIX = np.array([[0.95, -0.28, -0.09], [-0.55, 1.32, 0.24], [-0.17, 0.27, 0.72]])


def camera(folder: Path, **content: Any) -> tuple[int, int, int] | list[str]:
    """The illuminants of a file, and the number of its matrices; or its faults."""
    path = folder / "camera.json"
    path.write_text(json.dumps({"schema": 1, "matrix_1": MATRIX.tolist()} | content))
    try:
        found = read_camera_json(path)
    except FaultsError as error:
        return list(error.faults)
    assert found.source == "camera.json"
    return found.illuminant_1, found.illuminant_2, 1 if found.matrix_2 is None else 2


def test_a_camera_file_has_one_matrix_or_two_with_the_lights_that_they_are_for(tmp_path: Path) -> None:
    two = {"matrix_2": (1.1 * MATRIX).tolist()}
    assert camera(tmp_path) == (0, 0, 1)
    assert camera(tmp_path, illuminant_1=17) == (17, 0, 1)
    assert camera(tmp_path, illuminant_1=0, matrix_2=None, illuminant_2=99) == (0, 0, 1)
    assert camera(tmp_path, illuminant_1=17, illuminant_2=21, **two) == (17, 21, 2)
    unknown = "{} is no EXIF light source with a known temperature, such as 17 (A) or 21 (D65)"
    assert camera(tmp_path, illuminant_1=99) == [f"illuminant_1: {unknown.format(99)}"]
    assert camera(tmp_path, illuminant_1=17.0) == [f"illuminant_1: {unknown.format(17.0)}"]
    assert camera(tmp_path, **two) == [f"illuminant_1: {unknown.format(0)}", f"illuminant_2: {unknown.format(0)}"]
    assert camera(tmp_path, illuminant_1=17, **two) == [f"illuminant_2: {unknown.format(0)}"]
    for content in ("[1]", '{"schema": 2}', "{}"):
        (tmp_path / "other.json").write_text(content)
        with pytest.raises(GreystepError, match='"schema" is not 1'):
            read_camera_json(tmp_path / "other.json")


@pytest.mark.parametrize(
    ("matrix", "fault"),
    [
        (MATRIX * 1e3 / 1.32, ""), (MATRIX * 1.01e3 / 1.32, "three rows"), (MATRIX * 1e-3 / 1.31, ""),
        (MATRIX * 0.99e-3 / 1.32, "three rows"), (MATRIX[:2], "three rows"), ("none", "three rows"),
        (np.outer([1.0, 2.0, 3.0], [1.0, 1.0, 1.0]), "it cannot be inverted"),
        (np.linalg.inv(MATRIX) - 1.0, "a camera RGB of daylight"), (-MATRIX, "a camera RGB of daylight"),
    ],
)  # fmt: skip
@pytest.mark.parametrize("key", ["matrix_1", "matrix_2"])
def test_a_matrix_must_be_one_of_a_camera(tmp_path: Path, key: str, matrix: Any, fault: str) -> None:
    given = matrix if isinstance(matrix, str) else matrix.tolist()
    found = camera(tmp_path, illuminant_1=17, illuminant_2=21, **{key: given})
    if fault:
        assert isinstance(found, list)
        assert found[0].startswith(f"{key}: {fault}")
    else:
        assert found == (17, 21, 2) if key == "matrix_2" else (17, 0, 1)
