"""When one frame alone shows its target, and which corners of it are read: from numbers written down here."""

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from greystep.measure import clear_target, target, target_corners
from greystep.measure.target import Area, Target, fixed_target
from greystep.measure.target_moved import surround_box, surround_pixels

Window = tuple[int, int, int, int]
GREY = np.array([0.275, 0.5, 0.325])


# --- one frame alone --------------------------------------------------------------------------------------------------


def area(colour: Any = GREY, x0: int = 30) -> Area:
    return Area(20, 60, x0, x0 + 50, 0, np.asarray(colour), 0.0)


def clear(
    monkeypatch: pytest.MonkeyPatch,
    *found: tuple[int, float, Area],
    over: int = 0,
    light: float = 0.5,
    scene: bool = True,
) -> Target | None:
    """What is said of areas with their tiers and scores in a picture of 100 by 200 pixels; `over` of them are over."""
    picture = np.full((100, 200, 3), light)
    picture[0, 0] = 0.01
    flags = np.zeros((100, 200), dtype=bool)
    flags.ravel()[:over] = True
    told = (picture if scene else None, ~flags, flags)
    monkeypatch.setattr(clear_target, "common_scene", lambda overviews: told if overviews[0] is picture else None)
    monkeypatch.setattr(clear_target, "even_areas", lambda *given: (given[0] is picture, given[1] is told[1], given[2]))
    plain = (True, True, target.EDGE_CONTRASTS[0])
    monkeypatch.setattr(clear_target, "ranked", lambda areas: list(found) if areas == plain else [])
    return clear_target.clear_target(picture)


def test_a_target_is_clear_where_one_grey_area_stands_out(monkeypatch: pytest.MonkeyPatch) -> None:
    there = clear(monkeypatch, (0, 2000.0, area()))
    assert there == target.target_at(20, 60, 30, 80, 100, 200)
    assert clear(monkeypatch) is None
    assert clear(monkeypatch, (0, 2000.0, area()), scene=False) is None
    for tier in (1, 2, 3):
        assert clear(monkeypatch, (tier, 2000.0, area())) is None
    assert clear(monkeypatch, (0, 2000.0, area([0.5, 0.2, 0.1]))) is None, "no grey"


def test_an_area_half_as_good_is_a_rival(monkeypatch: pytest.MonkeyPatch) -> None:
    best, other = (0, 2000.0, area()), area(x0=120)
    for score, sure in ((990.0, True), (1000.0, True), (1010.0, False), (2000.0, False)):
        assert (clear(monkeypatch, best, (0, score, other)) is not None) == sure
        assert (clear(monkeypatch, (0, score, other), best) is not None) == sure, "in whichever order"
    assert clear(monkeypatch, best, (1, 1900.0, other)) is not None, "one that leaves the frame is none"
    assert clear(monkeypatch, best, (0, 500.0, other), (0, 1500.0, other)) is None


def test_it_must_be_lit_large_and_below_the_range(monkeypatch: pytest.MonkeyPatch) -> None:
    for light, sure in ((0.101, True), (0.1, True), (0.099, False)):
        assert (clear(monkeypatch, (0, 2000.0, area()), light=light) is not None) == sure
    for score, sure in ((81.0, True), (79.0, False)):
        assert (clear(monkeypatch, (0, score, area())) is not None) == sure, "0.4 % of 20,000 pixels"
    for over, sure in ((20, True), (21, False)):
        assert (clear(monkeypatch, (0, 2000.0, area()), over=over) is not None) == sure, "0.1 % of them"


@pytest.mark.parametrize(
    ("pixels", "missed", "high", "asked", "found"),
    [
        (3999, 0.1, 0.5, [], (None, False)),
        (4000, 0.0, 0.5, [{"thinned": True}], ("of all", True)),
        (4000, 0.1, 0.2, [{"thinned": True, "sparse": True}], ("of few", True)),
        (4000, 0.1, 0.19, [{"thinned": True, "sparse": True}, {"thinned": True}], ("of all", True)),
        (4000, 0.1, None, [{"thinned": True, "sparse": True}, {"thinned": True}], ("of all", True)),
    ],
)
def test_few_pixels_of_a_large_frame_are_enough_where_nothing_so_high_can_be_missed(
    monkeypatch: pytest.MonkeyPatch,
    pixels: int,
    missed: float,
    high: float | None,
    asked: list[dict[str, bool]],
    found: tuple[str | None, bool],
) -> None:
    """The target must be twice as high as what may have been missed."""
    opened = SimpleNamespace(height=1, width=pixels)
    questions: list[dict[str, bool]] = []
    monkeypatch.setattr(clear_target, "LARGE", 4000)
    monkeypatch.setattr(clear_target, "open_frame", lambda path: opened if path == Path("f.dng") else None)
    monkeypatch.setattr(clear_target, "unseen", lambda frame: missed if frame is opened else None)

    def overview(frame: object, **how: bool) -> dict[str, bool]:
        assert frame is opened
        questions.append(how)
        return how

    monkeypatch.setattr(clear_target, "overview", overview)
    few = None if high is None else SimpleNamespace(box=(0.1, 0.4, 0.9, 0.4 + high), name="of few")
    told = lambda how: few if "sparse" in how else SimpleNamespace(name="of all")  # noqa: E731
    monkeypatch.setattr(clear_target, "clear_target", told)
    there, large = clear_target.clear_target_of(Path("f.dng"))
    assert questions == asked
    assert (None if there is None else there.name, large) == found  # type: ignore[attr-defined]


# --- its surround and its corners -------------------------------------------------------------------------------------


def test_the_surround_is_a_quarter_of_the_target_more_on_each_side_within_the_frame() -> None:
    assert surround_box(fixed_target((0.4, 0.3, 0.6, 0.7))) == pytest.approx((0.35, 0.2, 0.65, 0.8))
    assert surround_box(fixed_target((0.0, 0.1, 1.0, 0.9))) == pytest.approx((0.0, 0.0, 1.0, 1.0))
    assert surround_box(fixed_target((0.02, 0.02, 0.22, 0.42))) == pytest.approx((0.0, 0.0, 0.27, 0.52))
    assert surround_pixels(fixed_target((0.4, 0.3, 0.6, 0.7)), 1000, 1500, (2, 2)) == (200, 800, 526, 974)
    assert surround_pixels(fixed_target((0.4, 0.3, 0.6, 0.7)), 1000, 1500, (6, 6)) == (204, 798, 528, 972)


def test_the_whole_patch_is_read_with_the_surround() -> None:
    """The patch of a target that was found may lie outside its box only where that is small: whole periods."""
    tiny = Target(box=(0.5, 0.5, 0.504, 0.504), patch=(0.48, 0.47, 0.53, 0.54), found=True)
    assert surround_pixels(tiny, 1000, 1000, (2, 2)) == (470, 540, 480, 530)


def windows(
    box: tuple[float, float, float, float],
    tile: int = 0,
    top: int = 0,
    left: int = 0,
    size: tuple[int, int] = (2000, 3000),
    by_rows: bool = False,
) -> tuple[Window, ...]:
    """The windows about two corners of a box, in a frame of 2000 by 3000 px, plain or in tiles."""
    raster = SimpleNamespace(plain=not tile, rows=tile, wide=tile, decoded_by_rows=by_rows)
    frame: Any = SimpleNamespace(
        height=size[0],
        width=size[1],
        pattern=np.zeros((2, 2)),
        by_region=SimpleNamespace(top=top, left=left, raster=raster),
    )
    return target_corners.corner_windows(frame, fixed_target(box))


def test_two_opposite_corners_are_read_a_fifth_of_the_target_about_each_and_a_tenth_into_its_rows() -> None:
    assert windows((0.2, 0.2, 0.6, 0.6)) == ((240, 480, 360, 840), (1120, 1360, 1560, 2040))
    large = windows((0.1, 0.1, 0.9, 0.9), size=(4000, 6000))
    assert large == ((144, 528, 344, 856), (3472, 3856, 5144, 5656)), "256 px are enough"


def test_corners_are_read_within_their_tiles_where_those_leave_room() -> None:
    assert windows((0.2, 0.2, 0.6, 0.6), 512) == ((240, 480, 512, 840), (1120, 1360, 1560, 2040))
    shifted = windows((0.2, 0.2, 0.6, 0.6), 512, top=60, left=40)
    assert shifted == ((240, 452, 472, 840), (1120, 1360, 1560, 2008))
    lower = windows((0.2, 0.2, 0.6, 0.6), 512, top=100, left=40)
    assert lower == ((1120, 1360, 472, 840), (1120, 1360, 1560, 2008)), "12 px are 1.5 % of it"


def test_a_corner_too_near_its_tiles_rim_is_left_for_one_that_is_not() -> None:
    """The upper edge lies two pixels below the rim of its tiles, the target is 500 px high."""
    found = windows((0.2, 1026 / 2000, 0.6, 1526 / 2000), 1024)
    assert found == ((1476, 1626, 360, 840), (1476, 1626, 1560, 2040))


def test_corners_nearer_to_their_tiles_upper_rims_are_read_where_tiles_are_decoded_by_rows() -> None:
    """Lower corners end 336 rows deep in tiles of 512, upper ones 480; nearly as deep ones lie opposite."""
    box = 0.2, 0.2, 0.6, 0.6
    assert windows(box, 512, by_rows=True) == ((1120, 1360, 512, 840), (1120, 1360, 1560, 2040))
    assert windows(box, 512) == ((240, 480, 512, 840), (1120, 1360, 1560, 2040))
    moved = windows(box, 512, top=180, by_rows=True)
    assert moved == ((332, 480, 512, 840), (332, 480, 1560, 2040)), "148 rows of theirs"
    alike = windows((0.2, 0.2, 0.6, 0.7), 512, by_rows=True)
    assert alike == ((200, 500, 512, 840), (1300, 1536, 1560, 2040)), "500 and 512 rows"
    deeper = windows((0.2, 0.195, 0.6, 0.7), 512, by_rows=True)
    assert deeper == ((188, 491, 512, 840), (188, 491, 1560, 2040)), "491 and 512 rows"


def test_a_corner_that_shows_no_ground_beside_it_is_none() -> None:
    assert windows((0.0, 0.2, 0.5, 0.6)) == ((240, 480, 1244, 1756), (1120, 1360, 1244, 1756))
    assert windows((0.2, 0.4, 0.6, 1.0)) == ((560, 920, 360, 840), (560, 920, 1560, 2040))
    assert windows((0.0, 0.0, 0.5, 0.6)) == ()
    assert windows((0.01, 0.2, 0.2, 0.6)) == ((240, 480, 0, 144), (1120, 1360, 486, 714)), "30 px are 5 % of it"
    assert windows((0.01, 0.2, 0.5, 0.6)) == ((240, 480, 1244, 1756), (1120, 1360, 1244, 1756)), "30 px are 2 % of it"


def test_small_surrounds_are_read_whole() -> None:
    """Half a million pixels: 724 a side."""
    side = 724 / 1.5
    assert windows((0.2, 0.2, 0.2 + side / 3000, 0.2 + side / 2000)) == ()
    side = 732 / 1.5
    assert len(windows((0.2, 0.2, 0.2 + side / 3000, 0.2 + side / 2000))) == 2


@pytest.mark.parametrize(("high", "wide", "count"), [(146, 1200, 0), (166, 1200, 2), (800, 112, 0), (800, 124, 2)])
def test_a_window_has_two_pixels_a_bin_in_both_directions(
    monkeypatch: pytest.MonkeyPatch, high: int, wide: int, count: int
) -> None:
    """A tenth of the target to each side, 0.05 into its rows, twelve bins: 22 of 146 and of 112 px are too few."""
    monkeypatch.setattr(target_corners, "SMALL", 0)
    monkeypatch.setattr(target_corners, "_REACH", 0.1)
    assert len(windows((0.5, 0.5, 0.5 + wide / 3000, 0.5 + high / 2000), size=(2000, 3000))) == count


def test_so_much_of_a_window_is_read_as_its_map_takes() -> None:
    """Twelve bins a side, six rows or columns each: every fifth from 361 on."""
    assert target_corners.corner_region((100, 500, 1000, 1360)) == (100, 500, 1000, 1360, 5, 1)
    assert target_corners.corner_region((100, 460, 1000, 1600)) == (100, 460, 1000, 1600, 1, 7)


@pytest.mark.parametrize(("beside", "in_tile"), [(20, True), (14, False)])
def test_a_corner_that_is_nearer_than_three_in_a_hundred_to_its_tiles_rim_reaches_over_it(
    beside: int, in_tile: bool
) -> None:
    """The target is 600 px high; tiles begin at 1024, its upper edge so many pixels below."""
    top = (1024 + beside) / 2000
    found = windows((0.2, top, 0.6, top + 0.3), 1024)
    assert (found[0][0] == 1024) == in_tile
