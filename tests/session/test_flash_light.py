"""The light of the flash in a frame: room light is taken out of its level, and a dim frame is told from a dark one."""

from dataclasses import replace

import numpy as np
import pytest

from greystep.measure.reading import Reading
from greystep.session.flash_light import is_dim, light_as_it_comes, light_by_count, share_of
from session.test_shoot import reading


@pytest.mark.parametrize(("share", "dim"), [(0.0095, True), (0.0105, False)])
def test_less_than_a_hundredth_of_the_range_may_be_no_flash(share: float, dim: bool) -> None:
    assert is_dim(reading(share)) == dim


@pytest.mark.parametrize(("share", "lit"), [(0.0037, False), (0.0043, True)])
def test_four_times_the_room_light_is_flash(share: float, lit: bool) -> None:
    light = light_as_it_comes([*map(reading, (0.001, 0.001, 0.001, 0.5, share))])
    assert np.isfinite(light[-1]) == lit
    assert np.isneginf(light[:3]).all()


def test_room_light_is_that_of_most_frames_without_the_lens_cap_and_without_a_lamp() -> None:
    """Both ways of telling which frames have flash take it out alike."""
    shares = [0.0, 0.0, *[0.004] * 5, 0.009, 0.5, 0.04]  # cap on twice, a lamp once
    for light in (light_as_it_comes([*map(reading, shares)]), light_by_count([*map(reading, shares)], 8)):
        assert light is not None
        assert light[-2] - light[-1] == pytest.approx(np.log2(0.496 / 0.036), abs=0.01)


def test_the_gap_nearest_to_the_number_of_flash_off_rows_parts_flash_from_none() -> None:
    """Two gaps: below 0.004 and below 0.1 of the range; the log has one frame without flash, or three."""
    shares = [0.004, 0.02, 0.03, 0.1, 0.4, 0.2]
    dark = {unlit: light_by_count([*map(reading, shares)], unlit) for unlit in (0, 1, 3, 6)}
    told = {unlit: np.isneginf(light).sum() for unlit, light in dark.items() if light is not None}
    assert told == {0: 1, 1: 1, 3: 3, 6: 3}
    assert light_by_count([*map(reading, [0.1, 0.2, 0.4])], 0) is not None, "none without flash: the gap from black on"
    assert light_by_count([*map(reading, [0.003, 0.006, 0.012, 0.024])], 1) is None, "no gap of a stop and a half"
    assert light_by_count([], 0) is None


def test_light_is_that_of_the_flash_whatever_the_settings() -> None:
    """At ISO 400 the same flash reads four times as high: two stops of settings."""
    light = light_by_count([reading(0.002), reading(0.1), reading(0.4, 400.0), reading(0.8, 400.0)], 1)
    assert light is not None
    assert light[1] == pytest.approx(np.log2(0.098) + np.log2(64.0 / 100.0), abs=0.01)
    assert light[2] - light[1] == pytest.approx(np.log2(0.392 / 4.0 / 0.098), abs=0.01)
    assert light[3] - light[2] == pytest.approx(np.log2(0.792 / 0.392), abs=0.01)


def test_light_of_two_bodies_is_not_compared_and_damage_tells_nothing() -> None:
    other = replace(reading(0.4), exposure=replace(reading(0.4).exposure, model="Other"))
    assert light_by_count([reading(0.002), reading(0.5), other], 1) is None
    light = light_as_it_comes([reading(0.001), reading(0.5), other])
    assert np.isneginf(light).tolist() == [True, False, False]
    assert np.isnan(light).tolist() == [False, True, True]
    assert np.isnan(share_of(Reading()))
    broken = reading(0.5)
    assert broken.signal is not None
    object.__setattr__(broken.signal, "damage", "zeroed")
    assert np.isnan(share_of(broken))
    assert share_of(reading(0.5)) == pytest.approx(0.5)
    assert not is_dim(broken)
