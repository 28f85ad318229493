"""The light of the flash in a frame: room light is taken out of its level, and a dim frame is told from a dark one."""

import numpy as np
import pytest

from greystep.session.flash_light import is_dim, light_as_it_comes, light_by_count
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
