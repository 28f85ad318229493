"""Flags of one frame at their limits, and how a patch is cut: from numbers written down, without a file."""

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from greystep.flags import Flag
from greystep.measure import camera, reading
from greystep.measure.patch import PatchSignal
from greystep.measure.target import fixed_target
from greystep.raw.exposure import Exposure
from greystep.raw.frame import Mosaic


def signal(level: float = 0.5, **more: Any) -> PatchSignal:
    """A patch at a share of the range from 512 to 16512, the same in every colour."""
    usual: dict[str, Any] = {
        "mean": (16000.0 * level,) * 3, "u": (1.0,) * 3, "sd": (50.0,) * 3, "n": (1000, 2000, 1000),
        "black": (512.0,) * 3, "white": (16512.0,) * 3, "ceiling": (16512.0,) * 3, "g1_g2": 1.0, "clipped_pct": 0.0,
        "gradient_pct": 1.0, "damage": "", "off_pct": 0.0,
    }  # fmt: skip
    return PatchSignal(**usual | more)


def faults(level: float = 0.5, masked: Any = None, opcodes: bool = False, **more: Any) -> dict[str, str]:
    frame: Any = SimpleNamespace(black_masked=masked, opcodes=opcodes)
    return {str(flag): said for flag, said in reading._faults(frame, signal(level, **more)).items()}


def test_a_sound_patch_has_no_flag_and_each_limit_its_own() -> None:
    assert faults() == {}
    assert faults(0.9) == {}
    assert faults(0.91) == {"near_white": "the patch lies at 91 % of the range; shoot it half a stop lower"}
    assert list(faults(0.5, ceiling=(9410.0, 16512.0, 16512.0))) == [], "8000 of 8898"
    assert list(faults(0.5, ceiling=(16512.0, 16512.0, 9300.0))) == ["near_white"], "of any colour, by its own shelf"
    assert faults(0.021) == {}
    assert list(faults(0.0195)) == ["too_dark"]
    green = {"white": (1e6, 16512.0, 1e6), "black": (0.0, 512.0, 0.0)}
    assert faults(mean=(1.0, 336.0, 1.0), **green) == {}, "2.1 % of the range of green, whatever the others are"
    assert list(faults(mean=(9000.0, 312.0, 9000.0), **green)) == ["too_dark"]
    assert "lies at 1.9 % of the range" in faults(0.0194)["too_dark"]
    assert faults(clipped_pct=0.1) == {}
    assert faults(clipped_pct=0.11) == {"clipped": "0.1 % of the patch is clipped; shoot it again one stop lower"}
    both = faults(0.95, clipped_pct=0.2)
    assert both["near_white"] == "the patch lies at 95 % of the range", "one remedy is enough"
    assert faults(gradient_pct=10.0) == {}
    assert faults(gradient_pct=10.6)["uneven"].startswith("the light falls off by 11 % over the patch")
    assert list(faults(0.01, gradient_pct=50.0)) == ["too_dark"], "near black the noise alone can tilt the plane"


def test_a_part_unlike_the_rest_is_told_where_nothing_else_explains_it() -> None:
    assert faults(off_pct=5.0) == {}
    assert faults(off_pct=5.6)["uneven"].startswith("6 % of the patch is unlike the rest")
    assert "unlike" not in faults(off_pct=9.0, gradient_pct=12.0)["uneven"]
    assert list(faults(off_pct=9.0, clipped_pct=1.0)) == ["clipped"]
    assert list(faults(0.01, off_pct=9.0)) == ["too_dark"]


def test_damage_stands_alone() -> None:
    for broken in ({"mean": (np.nan, 1.0, 1.0)}, {"u": (1.0, np.inf, 1.0)}):
        assert list(faults(0.95, clipped_pct=5.0, **broken)) == ["damaged"]
    assert faults(0.95, damage="12 pixels are zero, in blocks") == {
        "damaged": "12 pixels are zero, in blocks; copy it from the card again"
    }


@pytest.mark.parametrize(
    ("masked", "off"),
    [
        ((512.9, 512.0, 512.0, 512.0), ""), ((513.1, 512.0, 512.0, 512.0), "1.1"),
        ((512.0, 512.0, 510.5, 512.0), "1.5"),
        ((512.0, 513.5, 512.0, 510.5), ""), ((512.0, 513.5, 512.0, 512.9), "1.2"),
    ],
)  # fmt: skip
def test_black_is_doubtful_where_masked_pixels_lie_a_count_away(masked: tuple[float, ...], off: str) -> None:
    """Of the greens their mean counts."""
    found = faults(masked=masked)
    assert list(found) == (["black_doubtful"] if off else [])
    assert not off or f"its black is {off} counts off its masked pixels" in found["black_doubtful"]


def test_pixel_corrections_that_are_not_applied_are_told() -> None:
    assert list(faults(opcodes=True)) == ["opcodes_ignored"]


# --- exposure data ----------------------------------------------------------------------------------------------------


def test_what_the_library_found_fills_in_field_by_field_and_its_ones_are_no_values() -> None:
    own = Exposure(iso=100.0)
    assert reading._completed(own, None) is own
    found = reading._completed(own, Exposure(f_number=1.0, exposure_s=1.0, iso=800.0, model="Nine"))
    assert (found.f_number, found.exposure_s, found.iso, found.model) == (None, None, 100.0, "Nine")
    found = reading._completed(own, Exposure(f_number=8.0, exposure_s=0.01))
    assert (found.f_number, found.exposure_s) == (8.0, 0.01)
    kept = Exposure(f_number=1.0, exposure_s=1.0)
    assert reading._completed(kept, Exposure(f_number=8.0, exposure_s=2.0)) == kept, "what the file says stands"


def test_errors_that_nobody_foresaw_are_one_line() -> None:
    said = str(reading.unreadable(Path("day/a.dng"), ValueError("two\n  lines")))
    assert said == "a.dng: cannot be read (ValueError: two lines); copy it from the card again"
    assert "takes more memory than there is" in str(reading.unreadable(Path("a.dng"), MemoryError()))


# --- regions ----------------------------------------------------------------------------------------------------------


def test_a_span_is_cut_where_that_leaves_a_tile_out() -> None:
    """A patch of 400 px over tiles of 512: 40 px of them in one tile, or in both ends."""
    assert reading._cut(472, 872, 0, 512, 2) == (512, 832)
    assert reading._cut(152, 552, 0, 512, 2) == (192, 512)
    assert reading._cut(472 - 100, 872 - 100, 100, 512, 2) == (412, 732), "tiles begin before the frame"
    assert reading._cut(52, 452, 100, 512, 2) == (92, 412)
    assert reading._cut(473, 873, 0, 512, 6) == (515, 831), "by whole periods"
    assert reading._cut(412, 812, 0, 512, 2) == (412, 812), "a half would be lost"
    assert reading._cut(462, 862, 0, 512, 2) == (512, 812), "a quarter is the most"
    assert reading._cut(460, 860, 0, 512, 2) == (460, 860)
    assert reading._cut(100, 500, 0, 512, 2) == (100, 500), "one tile"
    assert reading._cut(984, 1384, 0, 512, 2) == (1024, 1344), "farther down alike"
    assert reading._cut(664, 1064, 0, 512, 2) == (704, 1024)
    assert reading._cut(1076, 1476, 100, 512, 2) == (1116, 1436)
    assert reading._cut(500, 882, 0, 512, 2) == (500, 882), "too small to lose anything"
    assert reading._cut(120, 520, 0, 128, 2) == (120, 520), "small tiles are soon decoded"


@pytest.mark.parametrize(
    ("top", "rows", "edges"),
    [
        (0, 512, [700, 1024, 1536, 1600]), (100, 512, [700, 924, 1436, 1600]), (0, 700, [700, 1400, 1600]),
        (0, 5000, [700, 1600]),
    ],
)  # fmt: skip
def test_bands_end_where_tiles_do(top: int, rows: int, edges: list[int]) -> None:
    tiled: Any = SimpleNamespace(by_region=SimpleNamespace(top=top, raster=SimpleNamespace(plain=False, rows=rows)))
    assert reading._band_edges(tiled, 700, 1600) == edges
    for dng in (None, SimpleNamespace(top=top, raster=SimpleNamespace(plain=True, rows=rows))):
        plain: Any = SimpleNamespace(by_region=dng)
        assert reading._band_edges(plain, 700, 1600) == [700, 700 + 511, 1600]


def test_a_window_as_fractions_of_the_frame() -> None:
    frame: Any = SimpleNamespace(height=1000, width=2000)
    assert reading._fractions(frame, (100, 300, 400, 1000)) == (0.2, 0.1, 0.5, 0.3)


def test_a_matrix_is_told_by_its_numbers() -> None:
    assert camera._said(np.array([[1.0, -0.25, 0.0], [12345.678, 0.1, 2.0], [0.0, 0.0, 1.0 / 3.0]])) == (
        "1 -0.25 0 1.235e+04 0.1 2 0 0 0.3333"
    )


def test_flags_are_those_of_one_frame() -> None:
    assert {Flag(name) for name in faults(0.95, clipped_pct=1.0, gradient_pct=20.0)} == {
        Flag.CLIPPED, Flag.NEAR_WHITE, Flag.UNEVEN,
    }  # fmt: skip


def opened(white: float | None = None) -> Any:
    """A frame of 200 by 100 px as `_measured` is given it."""
    return SimpleNamespace(
        path=Path("f.dng"),
        height=100,
        width=200,
        pattern=np.zeros((2, 2)),
        white=white,
        black_masked=None,
        opcodes=False,
    )


@pytest.mark.parametrize(
    ("patch", "corners", "around"),
    [
        (signal(0.5), [], 0.25), (signal(0.0021), [], 2000.0 / 33.6), (signal(0.0019), [], None),
        (signal(0.5, clipped_pct=3.0), [], None), (signal(0.5, damage="torn"), [], None),
        (signal(0.5), [1000.0, np.nan, 3000.0], 0.25), (signal(0.5), [np.nan], None),
    ],
)  # fmt: skip
def test_the_light_about_a_target_is_a_share_of_its_own_where_both_are_sound(
    monkeypatch: pytest.MonkeyPatch, patch: PatchSignal, corners: list[float], around: float | None
) -> None:
    """2000 counts about it, or the mean of its corners where something is to be seen beside them."""
    frame = opened(white=16512.0)
    windows = [(0, 10, 10 * at, 10 * at + 10) for at in range(len(corners))]
    fakes: dict[str, Any] = {
        "corner_windows": lambda *_: windows, "corner_region": lambda window: corners[windows.index(window)],
        "read_regions": lambda of, asked: list(asked),
        "_regions": lambda *_: (None, 2000.0), "measure_patch": lambda *_: patch,
        "around_of": lambda part, *_: (part,) * 3, "surround_of": lambda part: ("map of", part),
        "corner_maps": lambda parts: ("maps of", parts),
    }  # fmt: skip
    for name, fake in fakes.items():
        monkeypatch.setattr(reading, name, fake)
    none = reading.Reading(Exposure(), flags=())
    target = fixed_target((0.2, 0.2, 0.4, 0.4))
    found = reading._measured(frame, target, reading._pixels(frame, target, whole=True), none)
    assert found.around == (None if around is None else pytest.approx((around,) * 3))
    sound = around is not None or bool(corners)
    assert found.surround == (("map of", 2000.0) if sound else None)  # type: ignore[comparison-overlap]
    assert found.corners == (("maps of", corners) if corners else None)
    assert found.box == pytest.approx((0.2, 0.2, 0.4, 0.4))


def test_light_is_told_by_green_and_an_error_that_nobody_foresaw_by_its_message(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """A fifth of a percent of the range of green, whatever red and blue have."""
    frame = opened()
    for green, lit in ((21.0, True), (19.0, False)):
        dim = signal(mean=(1.0, green, 1.0), white=(1e6, 10512.0, 1e6), black=(0.0, 512.0, 0.0))
        fakes: dict[str, Any] = {
            "corner_windows": lambda *_: [], "read_regions": lambda *_: [],
            "_regions": lambda *_: (None, "all"), "surround_of": lambda part: part,
            "around_of": lambda *_: (1.0, 1.0, 1.0), "measure_patch": lambda *_, to=dim: to,
        }  # fmt: skip
        for name, fake in fakes.items():
            monkeypatch.setattr(reading, name, fake)
        target = fixed_target((0.2, 0.2, 0.4, 0.4))
        found = reading._measured(frame, target, reading._pixels(frame, target, whole=False), reading.Reading())
        assert (found.surround == "all") == lit

    def torn(path: Path) -> Any:
        raise ValueError("a torn strip")

    path = tmp_path / "f.dng"
    path.write_bytes(b"no raw file")
    monkeypatch.setattr(reading, "open_frame", torn)
    broken = reading.measure_frame(path, None, recorded=Exposure(iso=200.0))
    assert (broken.flags, broken.exposure.iso) == ((Flag.UNREADABLE,), 200.0)
    assert broken.message == "f.dng: cannot be read (ValueError: a torn strip); copy it from the card again"
    path.write_bytes(b"")
    assert "f.dng: an empty file" in reading.measure_frame(path, None, recorded=Exposure()).message


def test_a_surround_is_read_at_once_or_in_bands_of_every_seventh_row_and_column(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A region of 20 by 50 px at row 30 and column 100 of a frame whose pixels count themselves."""
    values = np.arange(200.0 * 300.0).reshape(200, 300)
    asked: list[tuple[int, ...]] = []

    def read(frame: Any, y0: int, y1: int, x0: int, x1: int) -> Mosaic:
        asked.append((y0, y1, x0, x1))
        part = np.s_[y0:y1, x0:x1]
        return Mosaic(values[part], values[part] + 0.25, values[part] + 0.5)  # type: ignore[arg-type]

    monkeypatch.setattr(reading, "read_region", read)
    monkeypatch.setattr(reading, "_band_edges", lambda frame, y0, y1: [y0, y0 + 9, y1])
    span, patch = (30, 50, 100, 150), (34, 44, 110, 130)
    frame: Any = None
    for largest, wanted in ((1000, [span]), (999, [(30, 39, 100, 150), (39, 50, 100, 150), patch])):
        asked.clear()
        monkeypatch.setattr(reading, "_LARGEST_REGION", largest)
        inner, outer = reading._regions(frame, span, patch)
        assert asked == wanted
        for part in (inner, outer):
            assert (part.colours == part.values + 0.25).all()
            assert (part.black == part.values + 0.5).all()
        assert (inner.values == values[34:44, 110:130]).all()
        step = 1 if largest == 1000 else 7
        assert (outer.values == values[30:50:step, 100:150:step]).all()


@pytest.mark.parametrize(("found", "spans", "spared"), [(True, True, True), (False, True, False), (True, False, False)])
def test_a_patch_is_cut_to_spare_tiles_where_the_target_was_found_and_its_corners_are_read(
    monkeypatch: pytest.MonkeyPatch, found: bool, spans: bool, spared: bool
) -> None:
    """The box that was measured is told; one that a person gave is measured as it stands."""
    windows = [(0, 9, 0, 9)] * spans
    frame = opened()
    fakes: dict[str, Any] = {
        "corner_windows": lambda *_: windows, "corner_region": lambda *_: "corner",
        "measure_patch": lambda *_: signal(),
        "_tiles_spared": lambda of, area: (30, 36, 50, 70) if (of is frame, area) == (True, (20, 40, 40, 80)) else None,
        "read_regions": lambda of, asked: list(asked), "_regions": lambda of, span, area: (area, "all"),
        "around_of": lambda *_: (8000.0,) * 3, "surround_of": lambda part: part, "corner_maps": lambda parts: parts,
    }  # fmt: skip
    for name, fake in fakes.items():
        monkeypatch.setattr(reading, name, fake)
    target = replace(fixed_target((0.2, 0.2, 0.4, 0.4)), found=found)
    pixels = reading._pixels(frame, target, whole=False)
    told = reading._measured(frame, target, pixels, reading.Reading())
    assert (told.flags, told.message) == ((), "")
    monkeypatch.setattr(reading, "measure_patch", lambda *_: signal(0.95, clipped_pct=0.2))
    doubtful = reading._measured(frame, target, pixels, reading.Reading())
    assert doubtful.flags == (Flag.CLIPPED, Flag.NEAR_WHITE)
    assert doubtful.message == (
        "f.dng: 0.2 % of the patch is clipped; shoot it again one stop lower; the patch lies at 95 % of the range"
    )
    assert told.box == pytest.approx((0.25, 0.3, 0.35, 0.36) if spared else (0.2, 0.2, 0.4, 0.4))
    assert told.surround == (None if spans else "all")
    assert told.corners == (["corner"] if spans else None)
    assert told.around == (1.0, 1.0, 1.0)


def test_a_patch_is_cut_in_both_directions_by_the_tiles_of_its_file() -> None:
    """Tiles of 512 by 256 px that begin 100 px above and 40 px left of the frame."""

    def spared(**raster: Any) -> Any:
        dng = SimpleNamespace(top=100, left=40, raster=SimpleNamespace(**raster)) if raster else None
        frame: Any = SimpleNamespace(by_region=dng, pattern=np.zeros((2, 6)))
        return reading._tiles_spared(frame, (372, 772, 450, 898))

    assert spared() == (372, 772, 450, 898), "not read by regions"
    assert spared(plain=True, rows=512, wide=256) == (372, 772, 450, 898), "in strips nothing is spared"
    assert spared(plain=False, rows=512, wide=256) == (
        *reading._cut(372, 772, 100, 512, 2), *reading._cut(450, 898, 40, 256, 6)
    )  # fmt: skip
    assert reading._cut(372, 772, 100, 512, 2) == (412, 732)
    assert reading._cut(450, 898, 40, 256, 6) == (474, 874), "by whole periods of six"
