"""Limits of planning that no hand arithmetic of its own tests shows."""

import pytest

from greystep.planning.rig import distance_for


@pytest.mark.parametrize("width_m", [0.2, 1.5])
def test_the_edge_of_a_target_gets_one_and_a_half_percent_less(width_m: float) -> None:
    distance = distance_for(width_m)
    assert 100.0 * (1.0 - (1.0 + (width_m / 2.0 / distance) ** 2) ** -1.5) == pytest.approx(1.5, rel=0.1)
