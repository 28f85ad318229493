"""The parts that make a patch's signal, each against a plain loop, a closed form or another library."""

from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import fft

from greystep.measure import damage, filter_colours, light_surface, patch
from greystep.raw.frame import Mosaic
from measure.test_patch import RGGB, WHITE, XTRANS

Floats = NDArray[np.float64]


def mosaic_of(values: Floats, pattern: NDArray[np.int8] = RGGB, black: float = 0.0) -> Mosaic:
    height, width = values.shape
    tiles = -(-height // len(pattern)), -(-width // len(pattern))
    return Mosaic(values, np.tile(pattern, tiles)[:height, :width], np.full(values.shape, black))


def sites_of(values: Floats, pattern: NDArray[np.int8] = RGGB) -> dict[int, filter_colours.Sites]:
    return filter_colours.sites_of(mosaic_of(values, pattern))


def plane_of(values: Floats) -> filter_colours.Sites:
    planes = np.repeat(values[..., None], 3, axis=2)
    return filter_colours.sites_of(Mosaic(planes, np.full(values.shape, -1, np.int8), np.zeros(planes.shape)))[0]


# --- pixels of a colour -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("pattern", [RGGB, XTRANS], ids=["Bayer", "X-Trans"])
def test_each_pixel_belongs_to_its_colour_at_its_place(pattern: NDArray[np.int8]) -> None:
    places_are_kept(mosaic_of(np.arange(12.0 * 18.0).reshape(12, 18), pattern))


def test_one_tile_has_one_row_of_a_colour() -> None:
    places_are_kept(mosaic_of(np.arange(2.0 * 18.0).reshape(2, 18)))


def places_are_kept(mosaic: Mosaic) -> None:
    """Of a mosaic whose values count its pixels."""
    values = mosaic.values
    for colour, site in filter_colours.sites_of(mosaic).items():
        mine = mosaic.colours == colour
        assert sorted(filter_colours.picked(site.raw, site).tolist()) == sorted(values[mine].tolist())
        assert site.whole == bool(site.mask.all())
        for (row, column), there in np.ndenumerate(site.mask):
            if there:
                y, x = divmod(int(site.raw[row, column]), 18)
                assert site.y[row] == pytest.approx((y + 0.5) / (len(values) / 2.0) - 1.0)
                assert site.x[column] == pytest.approx((x + 0.5) / 9.0 - 1.0)


def test_three_planes_are_a_colour_each() -> None:
    values = np.arange(4.0 * 6.0 * 3.0).reshape(4, 6, 3)
    found = filter_colours.sites_of(Mosaic(values, np.full((4, 6), -1, np.int8), np.ones(values.shape)))
    assert sorted(found) == [0, 1, 2]
    for plane, site in found.items():
        assert (site.raw == values[..., plane]).all()
        assert site.whole
        assert (site.black == 1.0).all()


# --- the light's surface ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("degree", [0, 2])
@pytest.mark.parametrize("hole", [False, True])
def test_the_surface_is_the_least_squares_one_of_the_pixels_that_are_kept(degree: int, hole: bool) -> None:
    rng = np.random.default_rng(1)
    site = sites_of(rng.normal(1000.0, 30.0, (20, 28)))[1]
    keep = np.ones(site.raw.shape, dtype=bool)
    keep[2:5, 3:9] = not hole
    terms = light_surface.fit_surface(site.raw, keep, site.y, site.x, degree)
    orders = [(i, j) for i, j in product(range(degree + 1), repeat=2) if i + j <= degree]
    columns = np.stack([np.outer(site.y**i, site.x**j)[keep] for i, j in orders], axis=1)
    wanted = np.linalg.lstsq(columns, site.raw[keep], rcond=None)[0]
    assert [terms[order] for order in orders] == pytest.approx(wanted.tolist())
    assert np.count_nonzero(terms) == len(orders)
    surface = sum(terms[i, j] * np.outer(site.y**i, site.x**j) for i, j in product(range(3), repeat=2))
    assert light_surface.surface(terms, site.y, site.x) == pytest.approx(surface)
    down, across = (np.array([np.mean(side**k) for k in range(5)]) for side in (site.y, site.x))
    assert light_surface.mean_square(terms, down, across) == pytest.approx(np.mean(surface**2))


def test_the_waves_are_the_cosine_transform_at_low_frequencies() -> None:
    """Orders within a triangle of an eighth of the places a side, at most 16; those of the surface left out."""
    rng = np.random.default_rng(2)
    site = plane_of(rng.normal(1000.0, 30.0, (48, 80)))
    residual = site.raw - site.raw.mean()
    found, band = patch._waves(residual, site, 30.0, residual.size)
    cosine = fft.dctn(residual, norm="ortho") ** 2 / 30.0**2
    orders = [(i, j) for i in range(7) for j in range(11) if i / 6 + j / 10 <= 1.0 and i + j >= 3]
    assert found == pytest.approx([cosine[order] for order in orders])
    squared = [np.pi**2 * ((i / 48) ** 2 + (j / 80) ** 2) for i, j in orders]
    assert band == pytest.approx(np.mean(squared))
    assert patch._waves(residual, site, 0.0, residual.size)[0].size == 0
    assert patch._waves(residual, site, 30.0, 63)[0].size == 0
    small = plane_of(rng.normal(1000.0, 30.0, (10, 300)))
    few, _ = patch._waves(small.raw - small.raw.mean(), small, 30.0, small.raw.size)
    assert len(few) == sum(1 for i in range(5) for j in range(17) if i / 4 + j / 16 <= 1.0 and i + j >= 3)


def test_a_colour_that_leaves_places_open_has_its_waves_farther_apart() -> None:
    site = sites_of(np.random.default_rng(3).normal(1000.0, 30.0, (60, 60)), XTRANS)[0]
    share = float(np.mean(site.mask))
    assert share < 1.0
    _, band = patch._waves(site.raw * 0.0, site, 30.0, 400)
    _, whole = patch._waves(site.raw * 0.0, replace(site, whole=True), 30.0, 400)
    assert band == pytest.approx(whole / share)


# --- how sure a mean is -----------------------------------------------------------------------------------------------


def fit(**more: object) -> filter_colours.ColourFit:
    usual = {
        "mean": 1000.0, "sd": 20.0, "n": 400, "black": 100.0, "ceiling": 16383.0, "clipped": 0.0,
        "slopes": (0.0, 0.0), "step": 1.0, "spread": 20.0, "waves": np.full(40, 1.0), "band": 0.0,
    }  # fmt: skip
    return filter_colours.ColourFit(**usual | more)  # type: ignore[arg-type]


def test_a_mean_of_white_noise_is_as_sure_as_the_root_of_its_pixels() -> None:
    assert patch._uncertainty(fit(), np.full(160, 1.0)) == pytest.approx(20.0 / np.sqrt(400.0))
    assert patch._uncertainty(fit(), np.array([])) == pytest.approx(1.0)
    assert patch._uncertainty(fit(waves=np.full(40, 0.5)), np.full(160, 0.5)) == pytest.approx(1.0), "never less"


def test_noise_that_hangs_together_makes_it_less_sure() -> None:
    """40 own coefficients of 4 and the weight of 60 of all colours, which have 2: 2.8 times the variance."""
    slow = fit(waves=np.full(40, 4.0))
    assert patch._uncertainty(slow, np.full(160, 2.0)) == pytest.approx(np.sqrt(2.8))
    band = replace(slow, band=1.5)
    assert patch._uncertainty(band, np.full(160, 2.0)) == pytest.approx(np.sqrt(2.8 * np.exp(2.8 * 1.5 / 4 / np.pi)))
    wide = replace(slow, band=15.0)
    assert patch._uncertainty(wide, np.full(160, 2.0)) == pytest.approx(np.sqrt(2.8 * np.e)), "at most so much"


def test_coarse_codes_without_noise_hide_a_part_of_a_step() -> None:
    """A uniform quantiser: step / pi / root 2 of the first harmonic, less where noise dithers it."""
    bare = fit(sd=0.0, step=8.0, spread=0.0)
    assert patch._uncertainty(bare, np.array([])) == pytest.approx(8.0 / np.pi / np.sqrt(2.0))
    dithered = fit(sd=0.0, step=8.0, spread=4.0)
    left = np.exp(-2.0 * np.pi**2 * (0.25 - 1.0 / 12.0))
    assert patch._uncertainty(dithered, np.array([])) == pytest.approx(8.0 / np.pi / np.sqrt(2.0) * left)


def test_the_step_of_coded_values_and_their_middle() -> None:
    rng = np.random.default_rng(4)
    assert patch._coding_step(4.0 * rng.integers(200, 240, 500)) == 4.0
    assert patch._coding_step(0.25 * rng.integers(200, 240, 500)) == 0.25
    assert patch._coding_step(np.full(9, 7.0)) == 1.0
    assert patch._coding_step(np.array([0.0, 1.0, 2.0, 3.0, 9.0])) == 1.0, "the usual step"
    assert patch._coding_step(np.array([5.0, 300000.0])) == 299995.0
    middle, sd = patch._middle_and_sd(np.concatenate([rng.normal(50.0, 2.0, 3000), np.full(300, 1e6)]))
    assert middle == pytest.approx(50.0, abs=0.5)
    assert sd == pytest.approx(2.0, rel=0.15)
    assert patch._middle_and_sd(np.array([1.0, 2.0, 3.0, 10.0, 99.0])) == (3.0, pytest.approx(1.4826 * 2.0, rel=1e-3))
    assert patch._middle_and_sd(np.array([1.0, 2.0, 3.0, 10.0])) == (2.0, pytest.approx(1.4826, rel=1e-3))


# --- where pixels saturate --------------------------------------------------------------------------------------------


def ceiling(tail: int, step: int = 1, n: int = 4000, noise: float = 20.0, extra: int = 0) -> float:
    """Cut a patch at 1000 off at so many counts above its middle; `extra` pixels more lie at the cut."""
    raw = np.round(np.random.default_rng(5).normal(1000.0, noise, n) / step) * step
    raw = np.minimum(raw, 1000.0 + tail)
    raw[:extra] = 1000.0 + tail
    return patch._ceiling(raw, 16383.0, 0.0, noise)


def test_pixels_pile_up_where_they_are_cut_off() -> None:
    assert ceiling(20) == 1020.0
    assert ceiling(200) == 16383.0, "a tail thins out"
    assert ceiling(60) == 16383.0, "too few for a shelf"
    assert ceiling(100, extra=40) == 1100.0
    assert ceiling(130, extra=40) == 16383.0, "six deviations above the light: hot pixels of one value"
    assert ceiling(20, step=20) == 16383.0, "two or three codes are no distribution"


def test_nine_in_ten_of_one_bright_value_are_saturated_whatever_the_rest() -> None:
    raw = np.full(1000, 12000.0)
    raw[:50] -= np.arange(50)
    assert patch._ceiling(raw, 16383.0, 0.0, 1.0) == 12000.0
    assert patch._ceiling(raw - 1000.0, 16383.0, 0.0, 1.0) == 16383.0, "below seven tenths of the range"
    assert patch._ceiling(raw - 1000.0, 16383.0, 1500.0, 1.0) == 16383.0
    assert patch._ceiling(raw + 4383.0, 16383.0, 0.0, 1.0) == 16383.0


def test_pixels_at_the_ceiling_count_where_the_light_reaches_it() -> None:
    at_top = np.zeros(10_000, dtype=bool)
    at_top[:50] = True
    above = np.zeros(10_000)
    above[:50] = np.linspace(100.0, 590.0, 50)
    assert patch._clipped(at_top, above, 20.0, 1.0) == pytest.approx(0.0001), "one lies within five deviations"
    assert patch._clipped(at_top, above, 60.0, 1.0) == pytest.approx(0.0021)
    assert patch._clipped(at_top, above, 0.0, 60.0) == pytest.approx(0.0021), "or codes"
    at_top[:150] = True
    assert patch._clipped(at_top, above + 1e6, 20.0, 1.0) == pytest.approx(0.015), "too many for hot pixels"
    assert patch._clipped(at_top & False, above, 20.0, 1.0) == 0.0


# --- damage -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("row", "column"), [(0, 0), (1, 2), (3, 3), (8, 11), (9, 12)])
def test_a_block_of_seven_holds_an_aligned_block_of_four(row: int, column: int) -> None:
    flags = np.zeros((16, 19), dtype=bool)
    flags[row : row + 7, column : column + 7] = True
    assert damage._full_block(flags, 4)
    flags[row + 3, :] = False
    assert not damage._full_block(flags, 4)
    assert not damage._full_block(np.ones((3, 9), dtype=bool), 4)


def constant(
    noise: float = 40.0, blocks: int = 2, top: float = 16383.0, calm: float = 0.0, value: float = 1000.0
) -> int:
    """Blocks of 8 x 8 without noise in a patch of 64; `calm` is the share of its rows that hardly vary."""
    rng = np.random.default_rng(6)
    values = np.round(rng.normal(1000.0, noise, (64, 64)))
    rows = int(64 * calm)
    values[:rows] = np.round(rng.normal(1000.0, 0.5, (rows, 64)))
    for place in range(blocks):
        values[56:64, 8 * place : 8 * place + 8] = value
    mosaic = mosaic_of(values)
    sites = filter_colours.sites_of(mosaic)
    return damage._constant_blocks(mosaic, sites, {colour: fit(ceiling=top) for colour in sites})


def test_blocks_without_noise_count_amid_noise_alone() -> None:
    assert constant() == 2
    assert constant(blocks=0) == 0
    assert constant(noise=0.7) == 0, "most of the others are calm too"
    assert constant(calm=0.5) == 0
    assert constant(calm=0.125) == 2
    assert constant(value=900.0, top=900.0) == 0, "at the ceiling"
    assert constant(noise=0.0) == 0


@pytest.mark.parametrize("pattern", [RGGB, XTRANS], ids=["Bayer", "X-Trans"])
def test_the_largest_and_the_smallest_of_a_colour_in_each_block(pattern: NDArray[np.int8]) -> None:
    values = np.random.default_rng(10).uniform(100.0, 900.0, (36, 48))
    for site in sites_of(values, pattern).values():
        found = [damage._of_blocks(site, limit, 4, 3, 16, 18) for limit in (np.maximum, np.minimum)]
        assert [one.shape for one in found] == [(4, 6)] * 2
        for row, column in np.ndindex(4, 6):
            part = np.s_[4 * row : 4 * row + 4, 3 * column : 3 * column + 3]
            own = site.raw[part][site.mask[part]]
            assert [one[row, column] for one in found] == [own.max(initial=-np.inf), own.min(initial=np.inf)]


def test_blocks_are_eight_pixels_a_side_however_the_colours_lie() -> None:
    """Of a filter whose green stands in every other column of all rows."""
    pattern = np.array([[0, 1], [2, 1]], np.int8)
    values = np.round(np.random.default_rng(12).normal(1000.0, 40.0, (64, 96)))
    values[40:48, 16:24] = values[56:64, 80:88] = 1000.0
    for given in (mosaic_of(values, pattern), mosaic_of(values.T.copy(), pattern.T)):
        sites = filter_colours.sites_of(given)
        assert damage._constant_blocks(given, sites, {colour: fit() for colour in sites}) == 2


def test_greens_have_no_ratio_where_their_mean_is_below_black() -> None:
    values = np.random.default_rng(11).normal(1000.0, 5.0, (32, 32))
    values[0::2, 1::2] -= 900.0
    for black, told in ((900.0, False), (90.0, True), (1000.0 + 50.0, False)):
        found = patch.measure_patch(mosaic_of(np.round(values), black=black), WHITE)
        assert np.isfinite(found.g1_g2) == told
        assert np.isfinite(found.gradient_pct) == told


def test_greens_have_no_ratio_where_the_second_is_black() -> None:
    values = np.full((32, 32), 512.0)
    values[0::2, 1::2] = np.round(np.random.default_rng(13).normal(600.0, 5.0, (16, 16)))
    found = patch.measure_patch(mosaic_of(values, black=512.0), WHITE)
    assert found.mean[1] == pytest.approx(44.0, abs=1.0)
    assert np.isnan(found.g1_g2)


def test_blocks_that_spread_over_one_code_are_calm_ones() -> None:
    """Five eighths of the rows are noisy; of three eighths each pixel is one of two codes."""
    values = np.round(np.random.default_rng(8).normal(1000.0, 40.0, (64, 64)))
    values[:24] = 1000.0 + np.indices((24, 64)).sum(axis=0) // 2 % 2
    values[56:64, :16] = 1000.0
    mosaic = mosaic_of(values)
    sites = filter_colours.sites_of(mosaic)
    assert damage._constant_blocks(mosaic, sites, {colour: fit() for colour in sites}) == 0
    values[8:24] = np.round(np.random.default_rng(9).normal(1000.0, 40.0, (16, 64)))
    mosaic = mosaic_of(values)
    sites = filter_colours.sites_of(mosaic)
    assert damage._constant_blocks(mosaic, sites, {colour: fit() for colour in sites}) == 2


@pytest.mark.parametrize(
    ("level", "black", "damaged"),
    [(315.0, 512.0, False), (320.0, 512.0, True), (0.0, 512.0, False), (-512.0, 512.0, True), (0.0, 0.0, False)],
)
def test_pixels_of_one_value_are_damage_but_near_black(level: float, black: float, damaged: bool) -> None:
    """A fiftieth of the range above black; zeros where black is none are no camera's."""
    found = patch.measure_patch(mosaic_of(np.full((64, 64), black + level), black=black), WHITE)
    assert found.damage == ("every pixel of a colour has the same value" if damaged else "")


def test_a_patch_is_measured_whole() -> None:
    """A tilted light of known size, black and all: closed forms of a plane."""
    y, x = np.mgrid[0:64, 0:64]
    rng = np.random.default_rng(7)
    plane = 512.0 + 2000.0 * (1.0 + 0.04 * (x - 31.5) / 64 + 0.02 * (y - 31.5) / 64) + rng.normal(0.0, 6.0, (64, 64))
    found = patch.measure_patch(mosaic_of(np.round(plane), black=512.0), WHITE)
    assert found.mean == pytest.approx((2000.0,) * 3, rel=1e-3)
    assert found.sd == pytest.approx((6.0,) * 3, rel=0.1)
    assert found.n == (1024, 2048, 1024)
    assert found.u == pytest.approx((6.0 / 32, 6.0 / np.sqrt(2048), 6.0 / 32), rel=0.2)
    assert found.gradient_pct == pytest.approx(6.0, abs=0.2)
    assert (found.black, found.white, found.ceiling) == ((512.0,) * 3, WHITE[:3], WHITE[:3])
    assert found.g1_g2 == pytest.approx(1.0, abs=1e-3)
    assert (found.clipped_pct, found.damage, found.off_pct) == (0.0, "", 0.0)
