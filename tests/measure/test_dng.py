"""Tags and levels of DNG files whose tags are known, each against the specification's rule or hand arithmetic."""

from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
import rawpy
import tifffile

from greystep.errors import FrameError
from greystep.raw import raster
from greystep.raw.dng import Dng, read_boxes, read_dng, same_matrices
from greystep.raw.raster import Region

Make = Callable[..., Path]
RAMP = np.arange(60 * 90, dtype=np.uint16).reshape(60, 90) % 4000


def opened(path: Path) -> Dng:
    dng = read_dng(path)
    assert dng is not None
    return dng


def library_black(path: Path) -> list[int]:
    with rawpy.imread(str(path)) as raw:
        return list(raw.black_level_per_channel)


# Check values raw.black_*: what LibRaw 0.22.2 makes of each tag (R, G, B, second G), beside what the tag says at the
# pixels (0, 0), (0, 1), (1, 0), (1, 1) of the ActiveArea of an RGGB frame.
@pytest.mark.parametrize(
    ("tags", "library", "expected"),
    [
        ({"black": (512, 513, 514, 515), "black_dim": (2, 2)}, [512, 513, 515, 514], [512, 513, 514, 515]),
        ({"black": (512.7,)}, [512] * 4, [512.7] * 4),
        ({"black": tuple(range(500, 516)), "black_dim": (4, 4)}, [500] * 4, [500, 501, 504, 505]),
        (
            {"black": (501, 502, 503, 504), "black_dim": (2, 2), "active": (3, 5, 60, 90)},
            [504, 503, 501, 502],
            [501, 502, 503, 504],
        ),
        ({}, [0] * 4, [0] * 4),
    ],
)
def test_black_is_the_tags_own_where_the_library_cuts_or_swaps_it(
    make_dng: Make, tmp_path: Path, tags: dict[str, Any], library: list[int], expected: list[float]
) -> None:
    path = make_dng(tmp_path / "a.dng", RAMP, **tags)
    assert library_black(path) == library
    black = opened(path).levels.black_pattern
    got = [black[y % black.shape[0], x % black.shape[1]] for y in (0, 1) for x in (0, 1)]
    assert got == pytest.approx(expected, abs=1e-9)


def test_row_and_column_deltas_are_kept_for_each_row_and_column(make_dng: Make, tmp_path: Path) -> None:
    down, across = np.linspace(-4, 4, 57), np.linspace(0, 40, 85)
    path = make_dng(tmp_path / "a.dng", RAMP, black=(512,), delta_v=down, delta_h=across, active=(3, 5, 60, 90))
    levels = opened(path).levels
    assert levels.black_rows == pytest.approx(down, abs=1e-4)
    assert levels.black_cols == pytest.approx(across, abs=1e-4)
    with pytest.raises(FrameError, match=r"BlackLevelDeltaV has 56 values, not 57"):
        read_dng(make_dng(tmp_path / "b.dng", RAMP, delta_v=down[:-1], active=(3, 5, 60, 90)))


@pytest.mark.parametrize(
    ("tags", "white"),
    [({"white": (15000,)}, 15000), ({}, 65535), ({"layout": "packed", "bits": 12}, 4095), ({"layout": "ljpeg", "bits": 14}, 16383)],  # noqa: E501
)  # fmt: skip
def test_white_is_declared_or_what_the_bits_hold(
    make_dng: Make, tmp_path: Path, tags: dict[str, Any], white: float
) -> None:
    # DNG specification: default 2^BitsPerSample - 1; check value raw.whitelevel_missing: 65535 in a 16-bit container
    assert opened(make_dng(tmp_path / "a.dng", RAMP, **tags)).levels.white == (white,) * 4


def test_a_linear_image_has_levels_by_plane(make_dng: Make, tmp_path: Path) -> None:
    data = np.stack([RAMP, RAMP + 1, RAMP + 2], axis=-1)
    dng = opened(make_dng(tmp_path / "a.dng", data, black=(64, 65.5, 67), white=(15000, 14000, 13000)))
    assert dng.levels.white == (15000, 14000, 13000, 14000)
    assert dng.levels.black_pattern.tolist() == [[[64, 65.5, 67]]]
    assert dng.levels.pattern.tolist() == [[-1]]
    np.testing.assert_array_equal(read_boxes(tmp_path / "a.dng", dng, [Region(5, 9, 10, 30)])[0], data[5:9, 10:30])


def test_a_float_image_is_read_as_written_in_counts_of_14_bits(make_dng: Make, tmp_path: Path) -> None:
    data = np.random.default_rng(3).random((60, 90)).astype(np.float32)
    for layout in ("strip", "tiles", "deflate", "predictor"):
        for white, scale in ((None, 16383.0), ((2,), 8191.5)):  # without the tag white is 1
            dng = opened(make_dng(tmp_path / "a.dng", data, layout, black=(0.0625,), white=white))
            assert dng.levels.white == (16383.0,) * 4
            assert dng.levels.black_pattern.tolist() == [[0.0625 * scale]]
            got = read_boxes(tmp_path / "a.dng", dng, [Region(3, 50, 7, 80)])[0]
            np.testing.assert_array_equal(got, data[3:50, 7:80].astype(np.float64) * scale)


def test_the_linearization_table_is_applied_and_its_last_entry_holds_past_its_end(
    make_dng: Make, tmp_path: Path
) -> None:
    # check value raw.linearization_table: table x4, stored 1000 -> 4000
    path = make_dng(tmp_path / "a.dng", RAMP, table=np.arange(3000) * 4)
    dng = opened(path)
    values = read_boxes(path, dng, [Region(0, 60, 0, 90)])[0]
    assert values[11, 10] == 4000 == 4 * RAMP[11, 10]
    np.testing.assert_array_equal(values, np.minimum(RAMP, 2999) * 4.0)


def polynomial(plane: int, terms: tuple[float, ...], height: int, width: int) -> bytes:
    head = np.array([0, 0, height, width, plane, 1, 1, 1, len(terms) - 1], ">u4").tobytes()
    return head + np.array(terms, ">f8").tobytes()


def test_codes_of_a_lossy_linear_dng_become_counts_by_its_polynomials(
    make_dng: Make, make_opcodes: Callable[..., bytes], tmp_path: Path
) -> None:
    codes = np.random.default_rng(5).integers(40, 250, (64, 96, 3)).astype(np.uint8)
    terms = ((0.0, 0.1, 0.0, 0.9), (0.0, 0.2, 0.8), (0.001, 0.3, 0.0, 0.6))
    bodies = [make_opcodes(8, body=polynomial(i, t, 64, 96))[4:] for i, t in enumerate(terms)]
    listed = (3).to_bytes(4, "big") + b"".join(bodies)
    extra = [(51009, 7, len(listed), listed)]
    path = tmp_path / "a.dng"
    for black in (0, 51):
        make_dng(path, codes, "lossy", black=(black,) * 3, white=(255,) * 3, extra=extra)
        with tifffile.TiffFile(path) as tif:  # what JPEG left of the codes
            kept = tif.pages[0].pages[0].asarray().astype(float)
        share = (kept - black) / (255 - black)
        by_hand = 65535 * np.stack(
            [sum(a * share[..., i] ** k for k, a in enumerate(t)) for i, t in enumerate(terms)], -1
        )
        dng = opened(path)
        assert dng.levels.white == (65535,) * 4
        assert not dng.levels.black_pattern.any()
        assert not dng.levels.opcodes
        np.testing.assert_allclose(
            read_boxes(path, dng, [Region(7, 60, 9, 91)])[0], by_hand[7:60, 9:91], rtol=0, atol=1e-6
        )
        if not black:  # LibRaw forgets the black of the codes; without one it is right to its integer
            with rawpy.imread(str(path)) as raw:
                np.testing.assert_allclose(raw.raw_image[..., :3], by_hand, rtol=0, atol=1.0)


@pytest.mark.parametrize(
    ("code", "number", "changes"),
    [
        (51008, 4, False), (51008, 5, False), (51009, 1, False), (51022, 9, False),
        (51009, 9, True), (51009, 3, True), (51009, 99, True),
    ],
)  # fmt: skip
def test_opcodes_that_change_counts_are_noticed_and_not_applied(
    make_dng: Make, make_opcodes: Callable[..., bytes], tmp_path: Path, code: int, number: int, changes: bool
) -> None:
    listed = make_opcodes(4, number, body=b"12345678")  # a harmless one first
    path = make_dng(tmp_path / "a.dng", RAMP, extra=[(code, 7, len(listed), listed)])
    dng = opened(path)
    assert dng.levels.opcodes is changes
    np.testing.assert_array_equal(read_boxes(path, dng, [Region(0, 60, 0, 90)])[0], RAMP)


@pytest.mark.parametrize(
    ("cfa", "pattern"),
    [
        ((0, 1, 1, 2), [[0, 1], [3, 2]]),
        ((2, 1, 1, 0), [[2, 1], [3, 0]]),
        ((1, 0, 2, 1), [[1, 0], [2, 3]]),
        ((1, 2, 0, 1), [[1, 2], [0, 3]]),
    ],
)
def test_the_pattern_is_phased_to_the_active_area(
    make_dng: Make, tmp_path: Path, cfa: tuple[int, ...], pattern: list[list[int]]
) -> None:
    for active in (None, (3, 5, 60, 90)):
        assert opened(make_dng(tmp_path / "a.dng", RAMP, cfa=cfa, active=active)).levels.pattern.tolist() == pattern


QUAD = (0, 0, 1, 1, 0, 0, 1, 1, 1, 1, 2, 2, 1, 1, 2, 2)


def test_larger_patterns_have_one_kind_of_green(make_dng: Make, tmp_path: Path) -> None:
    levels = opened(make_dng(tmp_path / "a.dng", RAMP, cfa=QUAD, cfa_dim=(4, 4))).levels
    assert levels.pattern.ravel().tolist() == list(QUAD)


@pytest.mark.parametrize(
    ("tags", "message"),
    [
        ({"cfa": (0, 1, 3, 2)}, "not red, green and blue"),
        ({"cfa": (0, 1, 1, 1)}, "not red, green and blue"),
        ({"cfa_dim": (2, 3)}, "filter pattern is missing or broken"),
        ({"extra": [(50711, 3, 1, 2)]}, "square grid"),
        ({"active": (0, 0, 61, 90)}, "ActiveArea 0 0 61 90 does not lie in its 90 x 60 px"),
        ({"active": (9, 9, 9, 20)}, "ActiveArea"),
        ({"black": (1, 2, 3)}, "BlackLevel has 3 values, not 1"),
        ({"black": (600,), "white": (600,)}, "white level 600 is not above black level 600"),
        ({"extra": [(50714, 5, 1, (1, 0))]}, "black level nan"),
    ],
)
def test_what_cannot_be_measured_is_refused_in_one_line(
    make_dng: Make, tmp_path: Path, tags: dict[str, Any], message: str
) -> None:
    with pytest.raises(FrameError, match=message) as caught:
        read_dng(make_dng(tmp_path / "a.dng", RAMP, **tags))
    assert str(caught.value).startswith("a.dng: ")
    assert "\n" not in str(caught.value)


def test_monochrome_is_refused(make_dng: Make, tmp_path: Path) -> None:
    path = make_dng(tmp_path / "a.dng", RAMP, subifd=False)
    with tifffile.TiffFile(path, mode="r+b") as tif:
        tif.pages[0].tags[262].overwrite(34892)
    with pytest.raises(FrameError, match="monochrome"):
        read_dng(path)


def test_two_or_four_samples_are_refused(make_dng: Make, tmp_path: Path) -> None:
    data = np.stack([RAMP] * 4, axis=-1)
    with pytest.raises(FrameError, match="4 x 16 bit are not understood"):
        read_dng(make_dng(tmp_path / "a.dng", data))


def test_a_preview_is_never_taken_for_the_raw_image(make_dng: Make, tmp_path: Path) -> None:
    dng = opened(make_dng(tmp_path / "a.dng", RAMP, subifd=True))
    assert (dng.height, dng.width) == RAMP.shape
    path = tmp_path / "b.dng"
    dng_version = [(50706, 1, 4, bytes((1, 4, 0, 0)), True)]
    pattern = [(33421, 3, 2, (2, 2), True), (33422, 1, 4, bytes((0, 1, 1, 2)), True)]
    with tifffile.TiffWriter(path) as tif:  # one directory after the other, a larger preview first
        tif.write(np.zeros((64, 99, 3), np.uint8), photometric=2, subfiletype=1, extratags=dng_version)
        tif.write(RAMP, photometric=32803, subfiletype=0, extratags=pattern)
    np.testing.assert_array_equal(read_boxes(path, opened(path), [Region(0, 60, 0, 90)])[0], RAMP)
    with tifffile.TiffWriter(path) as tif:
        tif.write(np.zeros((64, 64, 3), np.uint8), photometric=2, subfiletype=1, extratags=dng_version)
    with pytest.raises(FrameError, match="a DNG without a raw image"):
        read_dng(path)


def test_a_plain_picture_is_no_raw_frame_and_another_format_is_left_to_others(tmp_path: Path) -> None:
    grey, colour, raw_tiff = tmp_path / "grey.tif", tmp_path / "rgb.tif", tmp_path / "camera.nef"
    tifffile.imwrite(grey, RAMP, photometric=1)
    tifffile.imwrite(colour, np.stack([RAMP] * 3, axis=-1), photometric=2)
    tifffile.imwrite(raw_tiff, RAMP, photometric=32803)
    with pytest.raises(FrameError, match="a grey picture in a TIFF, not a raw frame"):
        read_dng(grey)
    assert read_dng(colour) is None
    assert read_dng(raw_tiff) is None
    (tmp_path / "x").write_bytes(b"not a picture")
    assert read_dng(tmp_path / "x") is None


# --- colour tags: numbers written as printed in FACTS and check_values dng.neutral_to_xy.* ---------------------------

A = np.array([[0.9033, -0.3555, -0.0287], [-0.4881, 1.2214, 0.3022], [-0.0459, 0.0926, 0.7932]])
D65 = np.array([[0.8598, -0.2848, -0.0857], [-0.5618, 1.3606, 0.2195], [-0.1002, 0.1773, 0.7137]])
CALIBRATION = (105, 100, 0, 1, 0, 1, 0, 1, 1, 1, 0, 1, 0, 1, 0, 1, 93, 100)


def test_colour_comes_from_the_files_own_tags(make_dng: Make, tmp_path: Path) -> None:
    for subifd in (True, False):
        colour = opened(make_dng(tmp_path / "a.dng", RAMP, subifd=subifd)).colour
        assert colour is not None
        np.testing.assert_allclose(colour.matrix_1, A, atol=1e-12)
        assert colour.matrix_2 is not None
        np.testing.assert_allclose(colour.matrix_2, D65, atol=1e-12)
        assert (colour.illuminant_1, colour.illuminant_2, colour.source) == (17, 21, "dng-2")
        assert colour.as_shot_neutral == pytest.approx((0.501, 1, 0.7014))
        assert (colour.calibration_1, colour.calibration_2, colour.analog_balance) == (None, None, None)


def test_one_matrix_unknown_illuminants_and_no_matrix(make_dng: Make, tmp_path: Path) -> None:
    single = opened(make_dng(tmp_path / "a.dng", RAMP, first=[(50722, 10, 0, ()), (50779, 3, 0, 0)])).colour
    assert single is not None
    assert (single.matrix_2, single.illuminant_1, single.illuminant_2, single.source) == (None, 17, 0, "dng")
    unknown = opened(make_dng(tmp_path / "b.dng", RAMP, first=[(50778, 3, 1, 255), (50779, 3, 1, 0)])).colour
    assert unknown is not None
    assert (unknown.illuminant_1, unknown.illuminant_2, unknown.source) == (0, 0, "dng")
    same = opened(make_dng(tmp_path / "e.dng", RAMP, first=[(50778, 3, 1, 20), (50779, 3, 1, 1)])).colour
    assert same is not None
    assert same.source == "dng"  # D55 and daylight: one temperature, nothing to interpolate
    reverse = opened(make_dng(tmp_path / "c.dng", RAMP, first=[(50778, 3, 1, 21), (50779, 3, 1, 17)])).colour
    assert reverse is not None
    assert (reverse.illuminant_1, reverse.illuminant_2, reverse.source) == (21, 17, "dng-2")
    assert opened(make_dng(tmp_path / "d.dng", RAMP, first=[(50721, 10, 0, ())])).colour is None


@pytest.mark.parametrize(("signatures", "counts"), [((), True), (("one", "one"), True), (("one", "two"), False)])
def test_camera_calibration_counts_where_the_signatures_match(
    make_dng: Make, tmp_path: Path, signatures: tuple[str, ...], counts: bool
) -> None:
    text = [(code, 2, len(s) + 1, s) for code, s in zip((50931, 50932), signatures, strict=False)]
    balance = (50727, 5, 3, (11, 10, 1, 1, 9, 10))
    colour = opened(make_dng(tmp_path / "a.dng", RAMP, first=[(50723, 10, 9, CALIBRATION), balance, *text])).colour
    assert colour is not None
    assert colour.analog_balance == pytest.approx([1.1, 1.0, 0.9])
    if counts:
        assert colour.calibration_1 is not None
        np.testing.assert_allclose(colour.calibration_1, np.diag([1.05, 1, 0.93]))
    else:
        assert colour.calibration_1 is None


@pytest.mark.parametrize(
    ("entries", "neutral"),
    [
        ([(50728, 3, 3, (256, 569, 300))], (256, 569, 300)),
        ([(50728, 5, 3, (1000, 1000, 2477, 1000, 1462, 1000))], (1, 2.477, 1.462)),
        ([(50728, 5, 3, (1, 0, 1, 1, 1, 1))], None),
        ([(50728, 5, 3, (0, 1, 1, 1, 1, 1))], None),
        ([(50728, 5, 0, ()), (50729, 5, 2, (3127, 10000, 3290, 10000))], None),
    ],
)
def test_the_as_shot_neutral_is_a_neutral_or_unknown(
    make_dng: Make, tmp_path: Path, entries: list[Any], neutral: tuple[float, ...] | None
) -> None:
    colour = opened(make_dng(tmp_path / "a.dng", RAMP, first=entries)).colour
    assert colour is not None
    assert colour.as_shot_neutral == (neutral if neutral is None else pytest.approx(neutral))


def test_equal_matrices_are_equal_whatever_the_camera_balanced_to(make_dng: Make, tmp_path: Path) -> None:
    first = opened(make_dng(tmp_path / "a.dng", RAMP)).colour
    other = opened(make_dng(tmp_path / "b.dng", RAMP, first=[(50728, 3, 3, (1, 2, 3))])).colour
    assert same_matrices(first, other)
    for change in ((50778, 3, 1, 21), (50723, 10, 9, CALIBRATION), (50727, 5, 3, (11, 10, 1, 1, 9, 10))):
        assert not same_matrices(first, opened(make_dng(tmp_path / "c.dng", RAMP, first=[change])).colour)
    assert not same_matrices(first, None)
    assert same_matrices(None, None)


def test_of_several_raw_images_the_largest_is_the_frame() -> None:
    def page(height: int, width: int, kind: int = 0, photometric: int = raster.CFA) -> Any:
        tags = SimpleNamespace(valueof=lambda code, default: kind)
        return SimpleNamespace(imagelength=height, imagewidth=width, photometric=photometric, tags=tags)

    pages = [page(10, 30), page(20, 20), page(19, 21), page(99, 99, kind=1), page(99, 99, photometric=2)]
    assert raster.raw_page(Path("a.dng"), pages) is pages[1]
