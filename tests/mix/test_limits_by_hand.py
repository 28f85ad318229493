"""How two lights of a set-up are judged, and how a quantity moves with mired and Duv, from numbers written down."""

from typing import Any

import numpy as np
import pytest

from greystep.compare.fit import Estimates
from greystep.mix import casts
from greystep.mix.lights import _slopes, upvp_of
from greystep.session.settings import Tolerance
from helpers.kits import drift_of

MIRED, BOTH = Tolerance(4.0, None, None, None, None, False), Tolerance(4.0, 0.05, None, None, None, False)


class Light:
    def __init__(self, role: str, mired: float = 200.0, duv: float = 0.002) -> None:
        self.role, self.mired, self.duv = role, mired, duv


def judged(
    away: float, tolerance: Tolerance, monkeypatch: pytest.MonkeyPatch, warm: bool = False, **held: Any
) -> tuple[str, str]:
    """Judge two lights that stand `away` mired apart; each known to 0.1 mired from many degrees of freedom."""
    drift = drift_of([[180.0], [180.0]])

    def estimates(lights: Any, fitted: Any, quantity: str) -> tuple[Estimates, ...]:
        size = 0.1 if quantity == "mired" else 1e-6
        values = np.array([0.0, away if quantity == "mired" else 0.0])
        return (Estimates(values, size**2 * np.eye(2)[None], np.array([1e4])),) * (2 if quantity == "steps" else 1)

    monkeypatch.setattr(casts, "light_estimates", estimates)
    reasons = np.array([held.get("reason", ""), ""], dtype=object)
    monkeypatch.setattr(casts, "withheld_of", lambda *_: (reasons, np.full((2, 2), held.get("watched", True))))
    monkeypatch.setattr(casts, "warming", lambda *_: [{}, {"B": 1} if warm else {}])
    lights: Any = [Light("key"), Light("fill")]
    table = casts.judge_lights(lights, drift, tolerance)
    assert (table["role_a"][0], table["role_b"][0], table["delta_mired"][0]) == ("key", "fill", away)
    return str(table["verdict"][0]), str(table["withheld"][0])


SD = 0.1 * np.sqrt(2.0)


@pytest.mark.parametrize(
    ("away", "tolerance", "verdict"),
    [
        (4.0 - 2.02 * SD, MIRED, "within"), (4.0 - 1.98 * SD, MIRED, "undecided"),
        (4.0 + 1.98 * SD, MIRED, "undecided"), (4.0 + 2.10 * SD, MIRED, "outside"),
        (-4.0 - 2.10 * SD, MIRED, "outside"), (4.0 + 2.10 * SD, BOTH, "undecided"), (4.0 + 2.40 * SD, BOTH, "outside"),
    ],
)  # fmt: skip
def test_two_lights_are_called_beyond_their_doubt(
    away: float, tolerance: Tolerance, verdict: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One pair by one limit: twice its standard uncertainty; by two limits 5 % is shared, 2.24 times."""
    assert judged(away, tolerance, monkeypatch) == (verdict, "")


def test_what_holds_a_verdict_back(monkeypatch: pytest.MonkeyPatch) -> None:
    assert judged(0.0, MIRED, monkeypatch, warm=True) == ("undecided", "warms_up")
    assert judged(9.0, MIRED, monkeypatch, warm=True) == ("outside", "")
    assert judged(0.0, MIRED, monkeypatch, reason="room", warm=True) == ("undecided", "room")
    assert judged(0.0, MIRED, monkeypatch, watched=False) == ("undecided", "unwatched")
    assert judged(0.0, Tolerance(None, None, None, None, 0.1, False), monkeypatch) == ("undecided", "")


def test_how_a_quantity_moves_with_mired_and_duv() -> None:
    """At 200 mired one mired is 25 K; in steps by the slope of u'v' itself."""
    lights: Any = [Light("key"), Light("fill", 250.0)]
    assert [one.tolist() for one in _slopes(lights, "mired")[0]] == [[1.0, 1.0], [0.0, 0.0]]
    assert [one.tolist() for one in _slopes(lights, "duv")[0]] == [[0.0, 0.0], [1.0, 1.0]]
    by_mired, by_duv = _slopes(lights, "kelvin")[0]
    assert by_mired == pytest.approx([-25.0, -16.0])
    assert not by_duv.any()
    (u_mired, u_duv), (v_mired, v_duv) = _slopes(lights, "steps")
    here = upvp_of(np.array([200.0]), np.array([0.002]))[0]
    warmer, greener = (
        upvp_of(np.array([200.2]), np.array([0.002]))[0],
        upvp_of(np.array([200.0]), np.array([0.0021]))[0],
    )
    assert [u_mired[0], v_mired[0]] == pytest.approx((warmer - here) / 0.2 / 0.0011, rel=0.01)
    assert [u_duv[0], v_duv[0]] == pytest.approx((greener - here) / 1e-4 / 0.0011, rel=0.01)
