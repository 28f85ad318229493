"""What a lamp that nobody saw, or that was switched, does to the colour of a light."""

from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from greystep.flags import Flag
from greystep.measure import chromaticity
from greystep.session import colour

NAN = np.nan

EVEN = np.ones(3)
MATRIX = np.array([[0.95, -0.28, -0.09], [-0.55, 1.32, 0.24], [-0.17, 0.27, 0.72]])


def unproven(
    seen: list[tuple[bool, bool]],
    matrix: np.ndarray | None = MATRIX,
    times: list[float] | None = None,
    target: np.ndarray = EVEN,
) -> list[Any]:
    """Three lights of A at 8000, 2000 and 500 counts of green; a lamp is a thousandth of the brightest."""
    white = MATRIX @ (target * chromaticity.xy_to_xyz(chromaticity.cct_duv_to_xy(5600.0, 0.0)))
    level = np.array([8000.0, 2000.0, 500.0])
    signals: Any = SimpleNamespace(signal=level[:, None] * white / white[1], seen=np.array(seen))
    log = pd.DataFrame({"body": "X", "head": "A", "power": ["1/1", "1/4", "1/16"], "exposure_s": times or [0.008] * 3,
                        "f_number": 11.0, "iso": 100.0})  # fmt: skip
    sees = None if matrix is None else matrix * target
    body: Any = SimpleNamespace(label="X", matrix=matrix, target_factor=target, sees=sees)
    return colour.unproven_room(log, np.ones(3, dtype=bool), {"X": body}, signals)


def test_what_a_lamp_does_to_the_darkest_light_that_was_not_watched() -> None:
    """8 counts of a tungsten lamp on 500: log2(1.016) stop."""
    (found,) = unproven([(True, True), (False, True), (True, False)])
    assert (found.body, found.before, found.after, found.head, found.power) == ("X", True, True, "A", "1/16")
    assert found.stops == pytest.approx(np.log2(1.0 + 8.0 / 500.0))
    flash, lamp = (chromaticity.xy_to_xyz(chromaticity.cct_duv_to_xy(one, 0.0)) for one in (5600.0, 2900.0))
    raw_flash, raw_lamp = MATRIX @ flash, MATRIX @ lamp
    both = np.linalg.solve(MATRIX, raw_flash / raw_flash[1] * 500.0 + raw_lamp / raw_lamp[1] * 8.0)
    kelvin = chromaticity.cct_duv(chromaticity.xyz_to_xy(both))[0]
    assert found.mired == pytest.approx(1e6 / float(kelvin) - 1e6 / 5600.0, abs=0.01)
    assert found.mired > 1.0
    (first,) = unproven([(False, True), (True, True), (True, True)])
    assert (first.power, first.before, first.after) == ("1/1", True, False)
    assert unproven([(True, True)] * 3) == []
    (blind,) = unproven([(False, True)] * 3, matrix=None)
    assert np.isnan(blind.mired)
    (longer,) = unproven([(True, True), (True, True), (False, True)], times=[0.008, 0.008, 0.016])
    assert longer.stops == pytest.approx(np.log2(1.0 + 16.0 / 500.0)), "twice the time: twice the lamp"


def test_a_lamp_lights_the_same_tinted_target_as_the_flash() -> None:
    target = np.array([0.8, 1.0, 1.3])
    (found,) = unproven([(False, True)] * 3, target=target)
    flash, lamp = (chromaticity.xy_to_xyz(chromaticity.cct_duv_to_xy(one, 0.0)) for one in (5600.0, 2900.0))
    raw_flash, raw_lamp = MATRIX @ (target * flash), MATRIX @ (target * lamp)
    both = np.linalg.solve(MATRIX, raw_flash / raw_flash[1] * 500.0 + raw_lamp / raw_lamp[1] * 8.0) / target
    kelvin = chromaticity.cct_duv(chromaticity.xyz_to_xy(both))[0]
    assert found.mired == pytest.approx(1e6 / float(kelvin) - 1e6 / 5600.0, abs=0.001)


def doubts(change: float, share: float, known: bool = True, green: float = 1000.0) -> tuple[bool, bool]:
    white = MATRIX @ chromaticity.xy_to_xyz(chromaticity.cct_duv_to_xy(5600.0, 0.0))
    signals: Any = SimpleNamespace(
        signal=np.array([green * white / white[1]]), share=np.array([share]), black_known=np.array([known]),
        change=np.array([change * white / white[1]]),
    )  # fmt: skip
    body: Any = SimpleNamespace(label="X", sees=MATRIX)
    found = colour.light_doubts(["X"], np.ones(1, dtype=bool), {"X": body}, signals)
    return bool(found[Flag.BLACK_DOUBTFUL][0]), bool(found[Flag.AMBIENT_CHANGED][0])


def test_room_light_that_may_have_changed_matters_from_half_a_hundredth_of_the_light_on() -> None:
    """Half a chance either way: half of the change."""
    assert doubts(10.2, 0.5) == (False, True)
    assert doubts(9.8, 0.5) == (False, False)
    assert doubts(40.0, 0.999) == (False, False), "hardly in doubt"
    assert doubts(1000.0, NAN) == (False, False)
    assert doubts(0.0, 0.5, known=False, green=8000.0) == (False, False)
    assert doubts(0.0, 0.5, known=False, green=100.0) == (True, False), "one count moves it by more than 3 K"
    assert doubts(0.0, 0.5, green=100.0) == (False, False)


def test_without_a_matrix_no_light_has_a_colour_temperature() -> None:
    blind: Any = SimpleNamespace(sees=None)
    assert np.isnan(colour.cct_of(blind, np.ones((2, 3)))).tolist() == [True, True]
    assert colour.colours(blind, np.ones((2, 3)), np.ones((2, 3, 3))) is None
    assert not colour._moves(blind, np.ones((2, 3)), 1.0).any()
    seeing: Any = SimpleNamespace(sees=MATRIX)
    assert colour.colours(seeing, np.ones((0, 3)), np.ones((0, 3, 3))) is None
    assert colour._moves(seeing, np.ones((0, 3)), 1.0).tolist() == []
