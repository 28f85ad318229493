"""What is known of each head, on lights that are written down: stretches, partners, rounds, what is in doubt."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from greystep.compare import findings as found_of
from greystep.compare.drift import Drift
from greystep.compare.findings import Doubted, Finding, Spoilt
from greystep.compare.limits import judge_rows, rounds_to_decide
from greystep.compare.verdict import judge
from greystep.flags import Flag
from greystep.session.settings import Tolerance
from greystep.terms import Quantity, Verdict
from helpers.kits import drift_of

ONLY_MIRED = Tolerance(4.0, None, None, None, None, False)
LIMITS = Tolerance(4.0, 0.001, None, None, 0.1, False)


def findings_of(drift: Drift, tolerance: Tolerance = LIMITS) -> list[Finding]:
    return list(judge(drift, tolerance).findings)


# --- where a head may be used -----------------------------------------------------------------------------------------


def test_the_stretch_of_a_head_alone_and_with_those_that_stay() -> None:
    """D at 1/1 to 1/4 within itself; at 1/1 it stands 6 mired off the others, from 1/2 on 3."""
    drift = drift_of([[180.0] * 4] * 3 + [[186.0, 183.0, 183.0, 174.0]])
    a, _, _, d = findings_of(drift)
    assert d.back
    assert d.safe == ("1/1", "1/2", "1/4")
    assert (d.partners, d.mixes, d.stays) == (("A", "B", "C"), ("1/2", "1/4"), 3)
    assert (a.safe, a.mixes, a.partners, a.stays) == (("1/1", "1/2", "1/4", "1/8"),) * 2 + (("B", "C"), 2)
    assert not a.back


def test_partners_are_those_that_match_where_most_of_them_do() -> None:
    """D matches A and B at 1/1 and C, which is 3 mired cooler, nowhere; it goes back by its lowest power."""
    drift = drift_of([[180.0] * 3, [180.0] * 3, [177.0] * 3, [182.0, 182.0, 190.0]])
    d = findings_of(drift)[3]
    assert (d.back, d.partners, d.mixes, d.stays) == (True, ("A", "B"), ("1/1", "1/2"), 3)
    nowhere = findings_of(drift_of([[180.0] * 2] * 3 + [[190.0, 200.0]]))[3]
    assert (nowhere.back, nowhere.partners, nowhere.mixes, nowhere.stays) == (True, (), (), 3)


def test_the_best_power_for_partners_is_one_that_may_be_used_itself() -> None:
    """At 1/1 D matches A, B and C, but its output is off there: partners are told where it may be used."""
    output = [[0.0] * 2] * 3 + [[0.0, 0.5]]
    drift = drift_of([[180.0] * 2] * 2 + [[184.5, 176.0], [180.5, 180.5]], output=output)
    d = findings_of(drift)[3]
    assert d.back
    assert d.mixes == ("1/1",)
    assert set(d.partners) <= {"A", "B", "C"}


def test_another_camera_or_a_head_that_goes_back_is_no_partner() -> None:
    drift = drift_of([[180.0, 180.0]] * 3 + [[180.0, 190.0], [180.0, 180.0]], bodies=["One"] * 4 + ["Two"])
    found = findings_of(drift)
    assert (found[0].partners, found[0].stays) == (("B", "C"), 2)
    assert (found[4].partners, found[4].mixes, found[4].stays) == ((), (), 0)
    empty = findings_of(drift_of([[180.0, 180.0], [180.0, 180.0], [None, None]]))
    assert (empty[0].partners, empty[0].stays) == (("B",), 1)


def test_the_longest_stretch_lies_on_one_pack_the_first_of_equal_ones() -> None:
    drift = drift_of(
        [[180.0, 180.0, 190.0, 190.0, 190.0]], stops=[[0, 1, 0, 1, 2]], parts={"pack": [["P1"] * 2 + ["P2"] * 3]}
    )
    (found,) = findings_of(drift)
    assert found.safe == ("1/1 on P2", "1/2 on P2", "1/4 on P2")
    assert found.between == ("pack",)
    two = drift_of([[180.0, 180.0, 190.0, 190.0]], stops=[[0, 1, 0, 1]], parts={"pack": [["P1"] * 2 + ["P2"] * 2]})
    assert findings_of(two)[0].safe == ("1/1 on P1", "1/2 on P1")


def test_no_power_that_fits_is_no_stretch() -> None:
    names = np.array(["1/1", "1/2"], dtype=object)
    assert found_of._safe(np.zeros((2, 2), dtype=bool), names, [np.arange(2)]) == ()
    assert found_of._safe(np.eye(2, dtype=bool), names, [np.array([1]), np.array([0])]) == ("1/2",)


def test_a_head_on_several_packs_is_told_by_the_one_on_which_it_moves_most() -> None:
    drift = drift_of(
        [[180.0, 181.0, 182.0, 182.5, None]], duv=[[0.0, 0.0, 0.0, 0.002, 0.0]], stops=[[0, 1, 0, 1, 0]],
        parts={"pack": [["P1"] * 2 + ["P2"] * 2 + ["P3"]]},
    )  # fmt: skip
    groups = [np.array([4]), np.array([0, 1]), np.array([2, 3])]
    assert found_of._moves_most(drift, groups).tolist() == [2, 3], "5.2 mired of tint against 1 of warmth"
    assert found_of._moves_most(drift, groups[:2]).tolist() == [0, 1]
    assert found_of._moves_most(drift, [np.array([4]), np.array([0])]).tolist() == [0], "one light moves by nothing"


# --- what is missing or in doubt --------------------------------------------------------------------------------------


def test_powers_that_were_measured_and_those_without_a_frame() -> None:
    a, b = findings_of(drift_of([[180.0, None, 180.0], [180.0] * 3], colourless=[False, True, False] * 2))
    assert (a.measured, a.empty, a.cells, a.colourless) == (("1/1", "1/4"), ("1/2",), 3, True)
    assert (b.measured, b.empty) == (("1/1", "1/2", "1/4"), ())
    part = findings_of(drift_of([[None, None, 180.0]], colourless=[False, True, False]))[0]
    assert not part.colourless, "one of the two was lost for another reason"


def test_the_doubt_that_most_lights_of_a_head_have() -> None:
    marks = [""] * 6 + ["near_white", "tail_cut", "tail_cut", "near_white", "tail_cut", ""]
    drift = drift_of([[180.0] * 6, [180.0, 180.0, 180.0, 190.0, 190.0, 180.0]], doubts=marks)
    assert found_of._doubted(drift, np.arange(6, 12)) == Doubted(Flag.TAIL_CUT, ("1/2", "1/4", "1/16"))
    lost = findings_of(drift_of([[180.0] * 2] * 3 + [[180.0, 190.0]], doubts=[""] * 7 + ["near_white"]))
    assert lost[3].doubted == Doubted(Flag.NEAR_WHITE, ("1/2",))
    assert lost[0].doubted is None


def test_how_many_frames_spoil_a_head() -> None:
    found = findings_of(drift_of([[180.0, 180.0]] * 3 + [[180.0, 190.0]], bad=[0, 0, 0, 7], shot=[9, 9, 9, 8]))
    assert found[3].spoilt == Spoilt(7, 8, "clipped")
    assert found[0].spoilt is None


# --- rounds -----------------------------------------------------------------------------------------------------------


def rounds_of(drift: Drift, tolerance: Tolerance = ONLY_MIRED) -> list[float]:
    return [one.rounds for one in findings_of(drift, tolerance)]


def test_rounds_that_decide_a_span_are_those_of_its_widest_difference() -> None:
    drift = drift_of([[180.0, 183.0, 181.0]], sd=0.6, dof=9.0, n=4)
    rows = judge_rows(drift, ONLY_MIRED)[Quantity.MIRED]
    row = int(np.argmax(rows.size))
    given = [np.array([value]) for value in (
        drift.heads["span_mired"][0], drift.heads["u_span_mired"][0], rows.u_all[row],
    )]  # fmt: skip
    wanted = rounds_to_decide(*given, 4.0, np.array([4.0]), np.array([9.0]), 3, np.zeros(1))[0]
    assert 1.0 < wanted < 20.0
    assert rounds_of(drift) == [wanted]


def test_a_head_that_is_called_or_held_back_needs_no_rounds() -> None:
    assert rounds_of(drift_of([[180.0, 181.0]])) == [0.0]
    assert rounds_of(drift_of([[180.0, 190.0]])) == [0.0]
    drift = drift_of([[180.0, 183.9]], sd=0.3)
    assert rounds_of(drift)[0] > 0
    held = replace(drift, withheld=np.array(["room", ""], dtype=object))
    assert rounds_of(held) == [0.0]


def test_rounds_of_an_output_that_is_open() -> None:
    """The output error of 1/2 stands near 0.1 stop, that of 1/4 far from it."""
    drift = drift_of([[180.0] * 3], output=[[0.0, 0.095, 0.01]], sd=0.5, dof=9.0, n=4)
    tolerance = Tolerance(None, None, None, None, 0.1, False)
    rows = judge_rows(drift, tolerance)[Quantity.OUTPUT_STOPS]
    assert (~rows.within & ~rows.outside).tolist() == [True, False]
    given = [one[:1] for one in (rows.size, rows.u, rows.u_all)]
    wanted = rounds_to_decide(*given, 0.1, np.array([4.0]), np.array([9.0]), 3, rows.lasting[:1])[0]
    assert rounds_of(drift, tolerance) == [wanted]
    both = rounds_of(drift, replace(tolerance, mired=4.0))
    assert both[0] >= 1.0


def test_a_span_of_which_nothing_can_be_asked_asks_nothing() -> None:
    drift: Any = drift_of([[180.0, None], [180.0, 180.0]])
    assert rounds_of(drift) == [0.0, 0.0]


@pytest.mark.parametrize("n", [1, 6])
def test_frames_a_light_have_on_the_mean(n: int) -> None:
    drift = drift_of([[180.0, 183.6, None]], sd=0.5, dof=9.0, n=n)
    rows = judge_rows(drift, ONLY_MIRED)[Quantity.MIRED]
    row = int(np.nanargmax(rows.size))
    span, u = drift.heads["span_mired"][0], drift.heads["u_span_mired"][0]
    given = [np.array([value]) for value in (span, u, rows.u_all[row])]
    frames = np.array([max(2.0 * n / 3.0, 1.0)])
    wanted = rounds_to_decide(*given, 4.0, frames, np.array([9.0]), 3, np.zeros(1))[0]
    found = findings_of(drift, ONLY_MIRED)[0]
    assert found.verdict == Verdict.UNDECIDED
    assert found.rounds == wanted
