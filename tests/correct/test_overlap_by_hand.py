"""The parts of comparing two frames, on fields and blocks of a few numbers: places, masks, limits, what is left."""

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import ndimage

from greystep.correct import alignment, overlap
from greystep.correct.alignment import align, bloomed, laid_over
from greystep.correct.demosaic import reach_of
from greystep.correct.overlap import _Fields, agreement_limit, evenness, field_means, parts_to_leave_out
from greystep.raw.blocks import Blocks

Floats = NDArray[np.float64]


def blocks(signal: Floats, clipped: tuple[tuple[int, int], ...] = ()) -> Blocks:
    height, width = signal.shape[:2]
    mask = np.zeros((height, width), dtype=bool)
    for place in clipped:
        mask[place] = True
    return Blocks(signal, mask, 10 * height, 10 * width, 10)


def ramp(height: int = 20, width: int = 30) -> Floats:
    y, x = np.mgrid[0:height, 0:width].astype(np.float64)
    return (0.2 + 0.01 * x + 0.002 * y)[..., None] * np.array([0.5, 1.0, 0.7])


# --- one frame laid over another --------------------------------------------------------------------------------------


def test_a_frame_is_laid_over_by_its_shift_and_about_its_middle() -> None:
    signal = ramp()
    seen, there = laid_over(blocks(signal), blocks(signal), np.array([1.5, -2.0]), 0.0)
    assert seen[10, 10] == pytest.approx((signal[8, 11] + signal[8, 12]) / 2)
    assert there[2:, :28].all()
    assert not there[:2].any()
    assert not there[:, 28:].any()
    zoomed, _ = laid_over(blocks(signal), blocks(signal), np.zeros(2), 0.1)
    middle = np.array([0.5, 1.0, 0.7]) * (0.2 + 0.01 * 14.5 + 0.002 * 9.5)
    away = np.array([0.5, 1.0, 0.7]) * (0.01 * 1.1 * 5.5 + 0.002 * 1.1 * 4.5)
    assert zoomed[14, 20] == pytest.approx(middle + away)
    assert zoomed[5, 9] == pytest.approx(middle - away)


def test_blocks_about_clipped_ones_are_left_out_however_a_frame_lies() -> None:
    frame = blocks(ramp(), clipped=((10, 10),))
    wide = bloomed(frame.clipped)
    assert np.argwhere(wide).min(axis=0).tolist() == [7, 7]
    assert np.argwhere(wide).max(axis=0).tolist() == [13, 13]
    assert np.count_nonzero(wide) == 49
    assert not bloomed(np.zeros((4, 4), dtype=bool)).any()
    _, there = laid_over(frame, frame, np.array([0.5, 0.0]), 0.0)
    lost = ~there[:, :29]
    assert np.argwhere(lost).min(axis=0).tolist() == [7, 6]
    assert np.argwhere(lost).max(axis=0).tolist() == [13, 13]
    assert np.count_nonzero(lost) == 7 * 8


@pytest.mark.parametrize(("right", "down"), [(1.0, 0.0), (-0.6, 0.0), (0.0, 1.4), (0.5, -0.5)])
def test_a_shift_is_found_with_its_direction(right: float, down: float) -> None:
    """Things that stand out, seen again shifted to the right and down."""
    rng = np.random.default_rng(1)
    y, x = np.mgrid[0:60, 0:90].astype(np.float64)
    spots = [(rng.uniform(8, 52), rng.uniform(8, 82), rng.uniform(-0.5, 1.0)) for _ in range(40)]

    def seen(dx: float, dy: float) -> Blocks:
        light = sum(size * np.exp(-((y - at - dy) ** 2 + (x - of - dx) ** 2) / 18.0) for at, of, size in spots)
        return blocks(0.3 * np.exp(0.5 * light)[..., None] * np.ones(3))

    shift, zoom = align(seen(0.0, 0.0), seen(right, down))
    assert shift == pytest.approx([right, down], abs=0.05)
    assert zoom == pytest.approx(0.0, abs=2e-3)
    dark = blocks(np.full((60, 90, 3), 0.001))
    assert align(dark, seen(right, down))[0].tolist() == [0.0, 0.0]


def test_what_stands_out_is_sought_where_it_is_neither_dark_nor_clipped() -> None:
    signal = ramp()
    signal[:, 25:] = 0.003
    _, seen = alignment._lookable(blocks(signal, clipped=((3, 4),)))
    assert not seen[:, 25:].any()
    assert not seen[3, 4]
    assert np.count_nonzero(~seen) == 5 * 20 + 1


def test_what_stands_out_is_the_logarithm_of_green_between_two_widths_and_goes_on_beyond_the_edge() -> None:
    """Gaussians of 1.5 and 8 blocks, over the frame with its rim repeated outwards."""
    signal = 0.3 * np.exp(0.3 * np.random.default_rng(3).standard_normal((20, 30, 1))) * np.array([0.5, 1.0, 0.7])
    out, seen = alignment._lookable(blocks(signal))
    assert seen.all()
    wide = np.pad(np.log(signal[..., 1]), 60, mode="edge")
    fine = ndimage.gaussian_filter(wide, 1.5)[60:-60, 60:-60]
    coarse = ndimage.gaussian_filter(np.pad(fine, 60, mode="edge"), 8.0)[60:-60, 60:-60]
    assert out == pytest.approx(fine - coarse, abs=1e-9)


def test_how_far_about_a_pixel_every_colour_stands() -> None:
    assert reach_of(np.array([[0, 1], [1, 2]])) == 1
    assert reach_of(np.array([[0, 1, 1, 1], [1, 1, 1, 1], [1, 1, 2, 1], [1, 1, 1, 1]])) == 2
    assert reach_of(np.array([[0, 1, 2, 1], [2, 1, 2, 1], [1, 2, 1, 2], [2, 1, 2, 1]])) == 2, "of the rarest"
    assert reach_of(np.array([[-1]])) == 0, "three planes"
    rows = ("11120", "20222", "21102", "00022", "12121", "20201")
    odd = np.array([[int(colour) for colour in row] for row in rows])
    for pattern in (odd, odd.T):
        assert reach_of(pattern) == 2, "wherever it lies on a pattern that is no square"


# --- fields -----------------------------------------------------------------------------------------------------------


def test_fields_are_means_of_four_by_four_blocks() -> None:
    values = np.arange(9.0 * 10.0).reshape(9, 10)
    found = field_means(values)
    assert found.shape == (2, 2)
    assert found[1, 1] == values[4:8, 4:8].mean()
    assert field_means(ramp()).shape == (5, 7, 3)


def fields(hub: Floats, frame: Floats, there: NDArray[np.bool_] | None = None, clipped: Any = ()) -> _Fields:
    return overlap._fields(blocks(hub, clipped), frame, np.ones(hub.shape[:2], dtype=bool) if there is None else there)


def test_a_field_is_compared_where_all_of_it_is_there_and_well_exposed() -> None:
    hub = np.full((40, 48, 3), 0.3)
    assert len(fields(hub, hub).y) == fields(hub, hub).total == 120
    gone = np.ones((40, 48), dtype=bool)
    gone[5, 6] = False
    assert len(fields(hub, hub, gone).y) == 119
    assert len(fields(hub, hub, clipped=((20, 20),)).y) == 120 - 4, "with three blocks about it"
    for level, count in ((0.003, 119), (0.96, 119), (0.94, 120), (0.005, 120)):
        odd = hub.copy()
        odd[8:12, 8:12, 2] = level
        assert len(fields(hub, odd).y) == len(fields(odd, hub).y) == count
    found = fields(hub, hub)
    assert (found.y.min(), found.y.max()) == pytest.approx((-0.9, 0.9))
    assert (found.x[0], found.x[1]) == pytest.approx((1.0 / 12.0 - 1.0, 3.0 / 12.0 - 1.0))


def test_what_is_told_of_a_field_and_what_lies_about_it() -> None:
    """A frame half as bright whose things have a fifth more contrast: log ratios of level and of contrast."""
    rng = np.random.default_rng(2)
    pattern = np.exp(0.1 * rng.standard_normal((40, 48, 1))) * np.ones(3)
    hub, frame = 0.4 * pattern, 0.2 * (1.0 + 1.2 * (pattern - 1.0))
    found = fields(hub, frame)
    assert found.level == pytest.approx(np.full(found.level.shape, np.log(0.5)), abs=0.02)
    assert found.contrast == pytest.approx(np.full(found.contrast.shape, np.log(0.6)), abs=1e-6)
    assert found.alike == pytest.approx(np.ones(len(found.alike)))
    assert np.median(found.structure) == pytest.approx(0.1, rel=0.1)
    assert np.median(found.structure_2) == pytest.approx(0.12, rel=0.1)
    place = 5 * 12 + 6  # the field in row 5, column 6: its middle is block (22, 26)
    assert found.hub[place] == pytest.approx(hub[20:24, 24:28].mean(axis=(0, 1)))
    assert found.frame[place] == pytest.approx(frame[20:24, 24:28].mean(axis=(0, 1)))
    assert found.around[place] == pytest.approx(hub[18:27, 22:31].mean(axis=(0, 1)))
    beyond = np.pad(hub, ((4, 4), (4, 4), (0, 0)), mode="edge")
    assert found.around[0] == pytest.approx(beyond[2:11, 2:11].mean(axis=(0, 1))), "at the rim its edge goes on"
    assert found.around[-1] == pytest.approx(beyond[38:47, 46:55].mean(axis=(0, 1)))
    opposite = fields(hub, 0.2 * (2.0 - pattern))
    assert opposite.alike == pytest.approx(-np.ones(len(opposite.alike)))


def test_structure_and_likeness_of_a_field_are_those_of_green_in_the_nine_blocks_about_it() -> None:
    """Each channel with things of its own; in plain sums."""
    rng = np.random.default_rng(4)
    hub, frame = rng.uniform(0.1, 0.6, (2, 40, 48, 3))
    found = fields(hub, frame)
    place = 5 * 12 + 6
    one, two = (each[18:27, 22:31].reshape(-1, 3) for each in (hub, frame))
    assert found.structure[place] == pytest.approx(np.std(one[:, 1]) / np.mean(one[:, 1]))
    assert found.structure_2[place] == pytest.approx(np.std(two[:, 1]) / np.mean(two[:, 1]))
    assert found.alike[place] == pytest.approx(np.corrcoef(one[:, 1], two[:, 1])[0, 1])
    assert found.level[place] == pytest.approx(np.log(two.mean(axis=0) / one.mean(axis=0)))
    assert found.contrast[place] == pytest.approx(np.log(two.std(axis=0) / one.std(axis=0)))


def test_weights_and_limits() -> None:
    assert evenness(np.array([0.0, 0.03, 0.09])) == pytest.approx([1.0, 0.5, 0.1])
    calm = np.array([True, True, False, False])
    away = np.array([0.001, 0.002, 0.004, 0.008])
    assert agreement_limit(away, calm) == pytest.approx(4.5 * np.quantile(away, 0.4))
    assert agreement_limit(away[::-1], calm) == pytest.approx(4.5 * np.quantile([0.008, 0.004], 0.4))
    assert agreement_limit(10.0 * away, calm) == 0.04
    assert agreement_limit(0.0 * away, calm) == 1e-4
    group, weight = np.array([0, 0, 1, 2, 15]), np.array([40.0, 40.0, 19.0, 0.4, 0.6])
    parts, shares = parts_to_leave_out(group, weight)
    assert parts.tolist() == [0, 1, 15]
    assert shares == pytest.approx([0.8, 0.19, 0.006])
    assert parts_to_leave_out(np.array([3, 3]), np.ones(2))[0].tolist() == [], "nothing would be left"


def test_the_shortest_half_is_where_most_values_lie() -> None:
    assert overlap._shortest_half(np.array([5.0, 1.0, 1.1, 1.2, 9.0])) == pytest.approx(1.1)
    assert overlap._shortest_half(np.array([0.0, 3.0, 3.2, 3.4, 3.6, 100.0])) == pytest.approx(3.3)


def some(**more: Any) -> Any:
    """Forty fields that show the same, of which some are changed."""
    usual: dict[str, Any] = {
        "hub": np.ones((40, 3)), "frame": np.ones((40, 3)), "around": np.ones((40, 3)),
        "structure": np.full(40, 0.1), "structure_2": np.full(40, 0.1), "alike": np.ones(40),
        "level": np.zeros((40, 3)), "contrast": np.zeros((40, 3)), "y": np.zeros(40), "x": np.zeros(40), "total": 40,
    }  # fmt: skip
    return _Fields(**usual | more)


def first(count: int, value: float, usual: float = 0.0) -> Floats:
    return np.where(np.arange(40) < count, value, usual)


def test_agreeing_fields_with_structure_must_show_the_same_things() -> None:
    every = np.ones(40, dtype=bool)
    assert overlap._same_things(some(alike=first(30, 0.4, 0.6)), every) == pytest.approx(0.25)
    assert overlap._same_things(some(alike=first(30, 0.4, 0.6)), np.arange(40) >= 20) == pytest.approx(0.5)
    assert overlap._same_things(some(alike=np.zeros(40)), np.arange(40) < 11) == 1.0, "too few to tell"
    even = {"structure": np.full(40, 0.05), "structure_2": np.full(40, 0.05), "alike": np.zeros(40)}
    assert overlap._same_things(some(**even), every) == 1.0
    assert overlap._same_things(some(**even | {"structure_2": np.full(40, 0.07)}), every) == 0.0


@pytest.mark.parametrize(
    ("more", "share"),
    [
        ({}, 0.2),
        ({"structure": np.full(40, 0.05)}, 0.0),  # nothing to see on it
        ({"structure": np.full(40, 0.065)}, 0.2),
        ({"alike": np.full(40, 0.96)}, 0.2),
        ({"alike": np.full(40, 0.9)}, 0.0),  # other things
        ({"level": first(8, 0.015)[:, None] * np.ones(3)}, 0.0),  # too little
        ({"contrast": first(8, 0.16)[:, None] * np.ones(3)}, 0.0),  # the contrast has changed otherwise
        ({"contrast": first(8, 0.14)[:, None] * np.ones(3)}, 0.2),
        ({"level": -first(8, 0.1)[:, None] * np.ones(3), "contrast": -first(8, 0.1)[:, None] * np.ones(3)}, 0.2),
    ],
)
def test_the_same_things_in_other_light(more: dict[str, Any], share: float) -> None:
    """Eight fields of forty do not agree; their level and contrast lie a tenth off the ratio, 2."""
    tenth = first(8, 0.1)[:, None] * np.ones(3)
    given = {"level": tenth, "contrast": tenth} | more
    given = {name: values + np.log(2.0) if name in ("level", "contrast") else values for name, values in given.items()}
    found = overlap._lit_otherwise(some(**given), first(8, 0.0, 1.0), np.full(3, 2.0))
    assert found == pytest.approx(share)


def test_where_most_that_does_not_agree_shows_other_things_no_light_has_changed() -> None:
    tenth = {name: first(20, 0.1)[:, None] * np.ones(3) for name in ("level", "contrast")}
    for alike, share in ((13, 0.0), (12, 0.2)):
        found = overlap._lit_otherwise(some(alike=first(alike, 0.5, 1.0), **tenth), first(20, 0.0, 1.0), np.ones(3))
        assert found == pytest.approx(share, abs=1e-9), "of twenty eight are four tenths"
    red = {name: first(8, 0.1)[:, None] * np.array([1.0, 0.1, 0.0]) for name in ("level", "contrast")}
    assert overlap._lit_otherwise(some(**red), first(8, 0.0, 1.0), np.ones(3)) == pytest.approx(0.2), "in one colour"


# --- what is left over ------------------------------------------------------------------------------------------------


def left_over(by: Floats, colours: tuple[float, float, float] = (1.0, 1.0, 1.0), scatter: float = 0.0) -> str:
    """Fields of 20 by 20 whose ratio of 0.5 varies over the frame."""
    y, x = (part.ravel() for part in np.mgrid[-0.95:1:20j, -0.95:1:20j])
    jump = scatter * np.where((np.arange(400) + np.arange(400) // 20) % 2, 1.0, -1.0)
    frame = 0.5 * np.exp((by @ [x, y, x * y, x**2, y**2] + jump)[:, None] * np.array(colours))
    fields: Any = some(hub=np.ones((400, 3)), frame=frame, y=y, x=x, total=400)
    return overlap._structure(fields, np.ones(400), np.full(3, 0.5))


@pytest.mark.parametrize("term", range(5))
def test_what_is_left_is_told_by_its_size_in_brightness_and_in_colour(term: int) -> None:
    """The limits are 0.7 % of brightness and 0.35 % of a channel against green; of a smooth course over the frame."""
    y, x = np.mgrid[-0.95:1:20j, -0.95:1:20j]
    size = float(np.std((x, y, x * y, x**2, y**2)[term]))
    by = np.eye(5)[term] / size
    said = "what is left varies over the frame by {} % in {}"
    assert left_over(0.008 * by) == said.format(0.8, "brightness")
    assert left_over(0.006 * by) == ""
    assert left_over(0.004 * by, (1.0, 0.0, 0.0)) == said.format(0.4, "red")
    assert left_over(0.004 * by, (0.0, 0.0, -1.0)) == said.format(0.4, "blue")
    assert left_over(0.003 * by, (1.0, 0.0, 0.0)) == ""
    assert left_over(0.0069 * by, (1.0, 1.0, 1.0)) == "", "both channels with green: no colour"
    assert left_over(0.008 * by, (0.0, 1.0, 0.0)) == said.format(0.8, "brightness"), "brightness is that of green"
    assert left_over(0.008 * by, (1.0, 0.0, 1.0)) == said.format(0.8, "red")


def test_fields_that_hardly_count_move_neither_the_level_nor_the_scatter_nor_the_middle() -> None:
    """Every second field weighs a hundredth and is 5 % brighter; those above the middle weigh a fifth."""
    y, x = (part.ravel() for part in np.mgrid[-0.95:1:20j, -0.95:1:20j])
    odd = (np.arange(400) + np.arange(400) // 20) % 2 == 1
    weight = np.where(odd, 0.01, 1.0) * np.where(y > 0, 1.0, 0.2)
    course = (y - np.average(y, weights=weight)) / np.sqrt(np.cov(y, aweights=weight, ddof=0))
    frame = np.exp(0.012 * course + 0.05 * odd)[:, None] * np.ones(3)
    fields: Any = some(hub=np.ones((400, 3)), frame=frame, y=y, x=x, total=400)
    said = overlap._structure(fields, weight, np.ones(3))
    assert said == "what is left varies over the frame by 1.2 % in brightness"


def test_only_fields_that_agree_and_what_they_weigh_count() -> None:
    y, x = (part.ravel() for part in np.mgrid[-0.95:1:20j, -0.95:1:20j])
    frame = np.exp(np.where(x > 0, 0.1, 0.0))[:, None] * np.ones(3)
    fields: Any = some(hub=np.ones((400, 3)), frame=frame, y=y, x=x, total=400)
    assert overlap._structure(fields, np.ones(400), np.ones(3))
    assert overlap._structure(fields, (x < 0).astype(np.float64), np.ones(3)) == ""
