"""What of a patch's pixels is damage, and what a shelf of saturated ones: at the limits."""

import numpy as np
import pytest

from greystep.measure import patch
from greystep.raw.frame import Mosaic


def test_dead_pixels_that_stand_alone_are_no_damage() -> None:
    values = np.round(2000.0 + np.random.default_rng(3).normal(0.0, 20.0, (64, 64)))
    colours = np.tile(np.array([[0, 1], [3, 2]], np.int8), (32, 32))
    values[5:60:11, 7:60:13] = 0.0
    assert patch.measure_patch(Mosaic(values, colours, np.full((64, 64), 500.0)), (16383.0,) * 4).damage == ""
    values[16:20, 24:28] = 0.0
    told = patch.measure_patch(Mosaic(values, colours, np.full((64, 64), 500.0)), (16383.0,) * 4).damage
    assert told == f"{np.count_nonzero(values == 0.0)} pixels are zero, in blocks"


@pytest.mark.parametrize(("sd", "damaged"), [(3.0, True), (6.0, False)])
@pytest.mark.parametrize("planes", [False, True])
def test_zeros_in_blocks_are_damage_where_the_light_lies_well_above_zero(
    sd: float, damaged: bool, planes: bool
) -> None:
    """A light of 25 counts is five standard deviations of 3, not of 6; of three planes all must be zero."""
    shape = (48, 48, 3) if planes else (48, 48)
    values = np.maximum(np.round(np.random.default_rng(6).normal(25.0, sd, shape)), 1.0)
    colours = np.full((48, 48), -1, np.int8) if planes else np.tile(np.array([[0, 1], [3, 2]], np.int8), (24, 24))
    values[16:20, 24:28] = 0.0

    def said() -> str:
        return patch.measure_patch(Mosaic(values, colours, np.zeros(shape)), (4095.0,) * 4).damage

    assert said() == ("16 pixels are zero, in blocks" if damaged else "")
    if planes:
        values[16:20, 24:28, 1] = 25.0
        assert said() == ""


@pytest.mark.parametrize(
    ("level", "said"),
    [(4095.0, ""), (3600.0, ""), (2500.0, "one value"), (150.0, "one value"), (100.0, ""), (0.0, "one value")],
)
def test_pixels_of_one_value_are_sound_where_they_are_saturated_or_near_black(level: float, said: str) -> None:
    """Black at 64 counts: a fiftieth of the range lies at 145; nothing but zeros was never written by a camera."""
    colours = np.tile(np.array([[0, 1], [3, 2]], np.int8), (16, 16))
    found = patch.measure_patch(Mosaic(np.full((32, 32), level), colours, np.full((32, 32), 64.0)), (4095.0,) * 4)
    assert found.damage == ("every pixel of a colour has the same value" if said else "")
    assert found.clipped_pct == (100.0 if level >= 3600.0 else 0.0)


def shelf(
    top: float = 1020.0, count: int = 41, levels: int = 20, spread: float = 10.0, low: int = 10, white: float = 16383.0
) -> bool:
    """Levels up to 1019 of ten pixels each, the first of them of `low`; and some pixels at a value above these."""
    counts = np.full(levels, 10)
    counts[0] = low
    raw = np.concatenate([np.repeat(1020.0 - levels + np.arange(levels), counts), np.full(count, top)])
    found = patch._ceiling(raw, white, 500.0, spread)
    assert found in (top, white)
    return found == top


def test_a_shelf_stands_out_from_ten_levels_below_it() -> None:
    assert shelf()
    assert not shelf(count=40), "four times as many as of any"
    assert shelf(low=200), "ten levels farther down it does not matter"
    assert not shelf(levels=10, low=200)
    assert shelf(levels=6)
    assert not shelf(levels=5), "codes so few are no distribution"


def test_a_shelf_lies_at_the_end_of_the_patchs_own_values() -> None:
    assert shelf(top=1023.0)
    assert not shelf(top=1024.0), "a gap of five, more than a quarter of nineteen"
    assert not shelf(spread=1.3), "eight above the middle is more than six deviations"
    assert shelf(spread=1.4)
    assert not shelf(white=1019.5), "the declared level comes first"


def test_of_many_pixels_one_in_two_thousand_must_be_at_the_top() -> None:
    rare = np.concatenate([np.arange(20_000.0) / 20.0, np.full(9, 1000.2)])
    assert patch._ceiling(rare, 16383.0, 0.0, 300.0) == 16383.0
    often = np.concatenate([np.arange(20_000.0) / 20.0, np.full(11, 1000.2)])
    assert patch._ceiling(often, 16383.0, 0.0, 300.0) == 1000.2
