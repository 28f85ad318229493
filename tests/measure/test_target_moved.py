"""Movements of the target seen in rendered mosaics, and the region that is read for them."""

import numpy as np
import pytest
from scipy import ndimage

from greystep.measure.target import Target, fixed_target, pixel_box
from greystep.measure.target_moved import (
    around_of,
    reference_surround,
    slopes,
    surround_box,
    surround_of,
    surround_pixels,
    target_states,
)
from greystep.raw.frame import Mosaic


def region(
    rng: np.random.Generator,
    side: int = 60,
    ground: float = 0.05,
    green: float = 8000.0,
    shift: tuple[float, float] = (0.0, 0.0),
    degrees: float = 0.0,
    tilt: tuple[float, float] = (0.0, 0.0),
    missing: bool = False,
    tint: float = 1.0,
    things: float = 0.0,
) -> Mosaic:
    """A card of `side` pixels in its surround, with shot and reading noise; `shift` in sides, `ground` in cards.

    `things` on the ground, 4 pixels large and the same in all frames, are so much darker and brighter than it.
    """
    size = int(1.5 * side) // 2 * 2
    many = -(-size // 4)
    there = np.kron(np.random.default_rng(8).uniform(1 - things, 1 + things, (many, many)), np.ones((4, 4)))
    y, x = np.mgrid[0:size, 0:size] - size / 2
    turn = np.radians(degrees)
    u, v = x - shift[0] * side, y - shift[1] * side
    half = side / 2 * (np.cos(turn) + np.sin(turn))  # the found box is the largest upright one within
    along, across = u * np.cos(turn) + v * np.sin(turn), v * np.cos(turn) - u * np.sin(turn)
    inner = np.clip(0.5 + (half - np.abs(along)) / 1.5, 0, 1) * np.clip(0.5 + (half - np.abs(across)) / 1.5, 0, 1)
    inner = inner * (not missing)
    light = green * (1 + tilt[0] * x / size + tilt[1] * y / size) * (inner + (1 - inner) * ground * there[:size, :size])
    colours = np.tile(np.array([[0, 1], [3, 2]], dtype=np.int8), (size // 2, size // 2))
    mean = light * np.array([0.5 * tint, 1.0, 0.65 / tint, 1.0])[colours]
    values = np.round(512 + mean + rng.normal(size=mean.shape) * np.sqrt(0.4 * mean + 9))
    return Mosaic(np.clip(values, 0, 16383), colours, np.full(values.shape, 512.0))


@pytest.mark.parametrize("degrees", [0.0, 30.0])
@pytest.mark.parametrize("ground", [0.05, 0.5, 0.8, 0.9, 1.3])
@pytest.mark.parametrize("side", [24, 60, 300])
def test_movements_are_caught_and_nothing_else_is(side: int, ground: float, degrees: float) -> None:
    rng = np.random.default_rng(side)

    def state(**changes: object) -> str:
        mosaic = region(rng, side, ground, degrees=degrees, **changes)  # type: ignore[arg-type]
        return target_states([surround_of(mosaic)], reference)[0]

    series = [surround_of(region(rng, side, ground, 8000 * 2.0**-k, degrees=degrees)) for k in (0, 1, 2, 3, 4, 5, 5)]
    found = reference_surround(series)
    assert found is not None
    reference = found
    for green in (14000.0, 4000.0, 250.0):
        tilt = (rng.uniform(-0.1, 0.1), rng.uniform(-0.1, 0.1))
        assert state(green=green, tilt=tilt, tint=rng.uniform(0.6, 1.6)) == ""
        assert state(green=green, tilt=tilt, shift=(0.04, -0.03)) == ""
        # A card like its wall, a few pixels large and five stops down drowns in noise: then nothing may be said.
        drowned = side == 24 and ground == 0.9 and green == 250.0
        for shift in ((0.15, 0.0), (0.0, -0.15), (-0.11, 0.11), (0.3, 0.2), (-0.3, 0.0)):
            assert state(green=green, tilt=tilt, shift=shift) == "target_moved" or drowned
        # Black cloth alone, five stops down: too little light to tell.
        drowned = drowned or green * ground < 20
        assert state(green=green, missing=True) == "no_target" or drowned


@pytest.mark.parametrize("way", [(1, 0), (-1, 0), (0, 1), (0, -1)])
def test_a_target_has_moved_from_a_tenth_of_its_size_on_whatever_the_direction(way: tuple[int, int]) -> None:
    """The shift that is found has the size and the direction of the true one: each side of the limit, all four ways."""
    rng = np.random.default_rng(2)
    reference = surround_of(region(rng))
    for size, state in ((0.0, ""), (0.06, ""), (0.14, "target_moved"), (0.3, "target_moved")):
        shift = (way[0] * size, way[1] * size)
        assert target_states([surround_of(region(rng, shift=shift))], reference)[0] == state, shift
        # Shifted back, the same target stands where it stood: the sign counts, not the change of the map alone.
        moved = surround_of(region(rng, shift=shift))
        assert target_states([surround_of(region(rng, shift=shift))], moved)[0] == ""
    assert target_states([reference], reference)[0] == ""


@pytest.mark.parametrize("green", [60.0, 344.0, 1375.0])
def test_what_lies_where_the_card_stood_is_no_noise(green: float) -> None:
    """A card that left most of its place: the things on the ground there differ more than the pixels of a dark card."""
    rng = np.random.default_rng(13)
    series = [surround_of(region(rng, 80, 0.18, 8000 * 2.0**-k, things=0.67)) for k in (0, 1, 2, 3, 4, 5, 5)]
    reference = reference_surround(series)
    assert reference is not None
    for shift in ((-0.53, 0.53), (0.66, -0.66), (0.4, 0.4), (0.0, 0.7)):
        assert target_states([surround_of(region(rng, 80, 0.18, green, shift, things=0.67))], reference)[0] != "", shift
    for _ in range(50):
        assert target_states([surround_of(region(rng, 80, 0.18, green / 4, things=0.67))], reference)[0] == ""


def test_of_two_frames_the_second_is_the_one_that_has_moved() -> None:
    """Their mean is no place of a target, and a map whose middle shows dark ground outweighs the other."""
    rng = np.random.default_rng(14)
    for shift in ((0.55, -0.5), (0.3, 0.3), (-0.4, 0.0)):
        maps = [surround_of(region(rng, 80, 0.18, shift=one, things=0.67)) for one in ((0.0, 0.0), shift)]
        reference = reference_surround([np.zeros((32, 32)), *maps])
        assert reference is not None
        assert target_states([maps[0]], reference)[0] == ""
        assert target_states([maps[1]], reference)[0] != "", shift


def test_where_nothing_can_be_told_nothing_is_said() -> None:
    rng = np.random.default_rng(3)
    reference = surround_of(region(rng))
    even = surround_of(region(rng, ground=1.0))
    dark = surround_of(region(rng, green=0.0))
    flat = reference_surround([surround_of(region(rng, ground=1.0)) for _ in range(15)])
    assert flat is not None
    for surround in (even, surround_of(region(rng, ground=1.0, green=250.0, tilt=(0.1, -0.1)))):
        assert target_states([surround], flat)[0] == ""
    assert target_states([dark], reference)[0] == ""
    assert target_states([np.zeros((32, 32))], reference)[0] == ""
    assert target_states([reference[:20]], reference)[0] == ""
    assert reference_surround([np.zeros((32, 32))]) is None


def test_surround_maps_of_other_mosaics() -> None:
    rng = np.random.default_rng(4)
    bayer = region(rng, 60)
    planes = Mosaic(
        np.repeat(bayer.values[..., None], 3, axis=2),
        np.full(bayer.values.shape, -1, np.int8),
        np.full((90, 90, 3), 512.0),
    )
    assert surround_of(planes).shape == (32, 32)
    np.testing.assert_allclose(np.median(surround_of(planes)[12:20, 12:20]), 1.0, atol=0.1)
    large = surround_of(region(rng, 1000))
    assert large.shape == (32, 32)
    assert large[16, 16] == pytest.approx(1, abs=0.01)
    assert large[0, 0] == pytest.approx(0.05, abs=0.01)
    tiny = Mosaic(bayer.values[:2, :2], bayer.colours[:2, :2], bayer.black[:2, :2])
    assert surround_of(tiny).shape == (1, 1)


def test_the_surround_holds_the_target_and_stays_in_the_frame() -> None:
    target = Target((0.4, 0.0, 0.6, 0.4), (0.42, 0.02, 0.58, 0.38), True)
    assert surround_box(target) == pytest.approx((0.35, 0.0, 0.65, 0.5))
    assert surround_pixels(target, 200, 300, (2, 2)) == (0, 100, 106, 194)
    given = fixed_target((0.2, 0.2, 0.201, 0.201))
    y0, y1, x0, x1 = surround_pixels(given, 200, 300, (2, 2))
    p0, p1, q0, q1 = pixel_box(given.patch, 200, 300, (2, 2))
    assert y0 <= p0 < p1 <= y1
    assert x0 <= q0 < q1 <= x1


@pytest.mark.parametrize("ground", [0.2, 0.9, 2.0])
@pytest.mark.parametrize("side", [60, 300])
def test_the_light_about_the_card_is_that_of_its_ground_and_not_of_the_card(side: int, ground: float) -> None:
    mosaic = region(np.random.default_rng(3), side, ground, 4000.0, degrees=4.0, tint=1.3)
    target = fixed_target((1 / 6, 1 / 6, 5 / 6, 5 / 6))
    about = np.array(around_of(mosaic, target, (0.0, 0.0, 1.0, 1.0)))
    np.testing.assert_allclose(about, 4000.0 * ground * np.array([0.65, 1.0, 0.5]), rtol=0.03)
    planes = np.stack([mosaic.values] * 3, axis=-1)
    alike = Mosaic(planes, mosaic.colours, np.full(planes.shape, 512.0))
    assert np.ptp(around_of(alike, target, (0.0, 0.0, 1.0, 1.0))) == 0.0


def test_a_target_that_fills_its_region_has_nothing_about_it() -> None:
    mosaic = region(np.random.default_rng(3))
    assert np.isnan(around_of(mosaic, fixed_target((0.0, 0.0, 1.0, 1.0)), (0.0, 0.0, 1.0, 1.0))).all()


def test_slopes_are_those_of_maps_smoothed_by_a_gaussian() -> None:
    """Against scipy's filter, which the package does without as importing it takes long."""
    maps = np.random.default_rng(5).random((3, 22, 31))
    smooth = ndimage.gaussian_filter(maps, 0.7, mode="nearest", axes=(-2, -1))
    down, across = np.diff(smooth, axis=-2)[..., :-1], np.diff(smooth, axis=-1)[..., :-1, :]
    found = slopes(maps)
    for one, expected in zip(found, (down, across), strict=True):
        assert one == pytest.approx(expected - np.median(expected, axis=(-2, -1), keepdims=True), abs=1e-14)
