"""What is decided of a change over time, on sizes and doubts that are written down."""

from typing import Any

import numpy as np
import pytest

from greystep.compare import anchors, history
from greystep.compare.anchors import Anchor, Change
from greystep.compare.drift import Drift
from greystep.compare.history import History, Move, compare_sessions
from greystep.session.settings import DEFAULT_TOLERANCE, Tolerance
from helpers.kits import drift_of
from helpers.visits import session


def change(mired: float, duv: float, same: bool = True, sd: float = 0.1) -> Change:
    known = np.array([np.inf])
    size = {"mired": mired, "duv": duv}
    variances = {"mired": np.array([sd**2]), "duv": np.array([(sd / 1000.0) ** 2])}
    return Change(Anchor.CAMERA, "", size, variances, {"mired": known, "duv": known}, same, 0.0)


@pytest.mark.parametrize(
    ("of", "limits", "told"),
    [
        (change(0.1, 0.0), (4.0, 0.001), Move.NOT_MOVED),
        (change(0.3, 0.0), (4.0, 0.001), Move.MOVED),
        (change(0.1, 0.0003), (4.0, 0.001), Move.MOVED),
        (change(0.1, 0.0003, same=False), (4.0, 0.001), Move.NOT_MOVED),
        (change(0.1, 0.0015, same=False), (4.0, 0.001), Move.CANNOT_TELL),
        (change(1.0, 0.0, sd=2.0), (4.0, 0.01), Move.CANNOT_TELL),
        (change(1.0, 0.0, sd=2.0), (5.1, 0.01), Move.NOT_MOVED),
        (change(0.1, 0.0003, same=False), (4.0, None), Move.CANNOT_TELL),
        (change(0.1, 0.0001, same=False), (4.0, None), Move.NOT_MOVED),
        (change(0.1, 0.0, sd=2.5), (None, None), Move.CANNOT_TELL),
    ],
)
def test_what_is_decided_of_a_change(of: Change, limits: tuple[float | None, float | None], told: Move) -> None:
    """1.96 times 0.1 mired is 0.196 beyond chance; for two quantities at once 2.24 times."""
    found = history._judged(of, Tolerance(*limits, None, None, None, False), 1)
    assert found.verdict == told
    assert (found.u_mired, found.anchor) == (pytest.approx(anchors.doubt(of, "mired")), "same camera")
    assert found.tint_open == (not of.same_camera and told == Move.CANNOT_TELL)


def test_many_lights_at_once_need_more() -> None:
    both = {together: history._judged(change(0.25, 0.0), DEFAULT_TOLERANCE, together).verdict for together in (1, 3)}
    assert both == {1: Move.MOVED, 3: Move.NOT_MOVED}, "0.25 is beyond 2.24, not beyond 2.64 standard uncertainties"


def compared(*drifts: Drift, **more: Any) -> History:
    visits = [session(one, str(at), **more).visit for at, one in enumerate(drifts)]
    return compare_sessions(visits)


def test_notes_on_all_heads_that_moved_alike() -> None:
    kit, warmer = [[180.0], [190.0], [185.0]], [[180.0], [195.0], [190.0]]
    told = compared(drift_of(kit), drift_of(warmer), reference="")
    assert told.notes == (), "one head stood still"
    all_of_them = compared(drift_of(kit), drift_of([[185.0], [195.0], [190.0]]), reference="")
    assert all_of_them.notes == (history.MovedAlike("1", "", Anchor.CAMERA, ("A", "B", "C"), True),)
    both_ways = compared(drift_of(kit), drift_of([[185.0], [185.0], [180.0]]), reference="")
    assert both_ways.notes == ()
    cooler = compared(drift_of(kit), drift_of([[175.0], [185.0], [180.0]]), reference="")
    assert cooler.notes == (history.MovedAlike("1", "", Anchor.CAMERA, ("A", "B", "C"), False),)
    one = compared(drift_of([[180.0]]), drift_of([[185.0]]), reference="")
    assert one.notes == ()
