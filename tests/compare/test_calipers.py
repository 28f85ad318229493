"""The differences that decide, on lights that are written down: signs, half-widths, who is held against whom."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from greystep.compare.calipers import Calipers, Gap, HeadGaps, State, _others, _with_span
from greystep.compare.drift import Drift
from greystep.compare.odd_heads import OddHeads
from greystep.compare.verdict import Judged, judge
from greystep.constants import DUV_A_STEP, MIRED_A_STEP
from greystep.session.settings import Tolerance
from greystep.terms import Quantity, Verdict
from helpers.kits import drift_of

LIMITS = Tolerance(4.0, 0.001, None, None, 0.1, False)
ONLY_MIRED = Tolerance(4.0, None, None, None, None, False)
KEEP, OPEN, CLASH, BACK, AGAIN = State.KEEP, State.OPEN, State.CLASH, State.BACK, State.AGAIN


def calipers_of(drift: Drift, tolerance: Tolerance = LIMITS) -> tuple[Calipers, Judged]:
    judged = judge(drift, tolerance)
    return judged.calipers, judged


# --- a gap ------------------------------------------------------------------------------------------------------------


def gap(size: float, u: float, verdict: Verdict | None = Verdict.WITHIN, limit: float | None = 4.0) -> Gap:
    return Gap(Quantity.MIRED, 1, 0, size, u, limit, verdict, "")


def test_a_gap_is_ranked_by_its_verdict_then_by_its_share_of_the_limit() -> None:
    out, open_, fine = gap(-5.0, 0.4, Verdict.OUTSIDE), gap(7.0, 4.0, Verdict.UNDECIDED), gap(2.0, 1.0)
    assert (out.ratio, open_.ratio, fine.ratio) == (1.25, 1.75, 0.5)
    assert (out.rank, open_.rank, fine.rank) == ((2, 1.25), (1, 1.75), (0, 0.5))
    assert out.telling == (2, pytest.approx(1.15)), "the clearest outside: less its doubt"
    assert open_.telling == (1, pytest.approx(2.75)), "the nearest to the limit: with its doubt"
    assert gap(2.0, np.nan).telling == (0, 0.5)


def test_without_a_limit_a_step_of_colour_is_the_measure() -> None:
    assert gap(2.0 * MIRED_A_STEP, MIRED_A_STEP, None, None).ratio == pytest.approx(2.0)
    assert gap(2.0 * MIRED_A_STEP, MIRED_A_STEP, None, None).telling == (0, pytest.approx(3.0))
    tint = Gap(Quantity.DUV, 1, 0, -DUV_A_STEP, 0.0, None, None, "")
    assert (tint.ratio, tint.rank) == (pytest.approx(1.0), (0, pytest.approx(1.0)))
    other = Gap(Quantity.OUTPUT_STOPS, 1, 0, -0.3, 0.0, None, None, "")
    assert other.ratio == pytest.approx(0.3)


# --- who is held against whom -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("head", "states", "others"),
    [
        (0, [KEEP, KEEP, OPEN, BACK], [1]),
        (0, [KEEP, OPEN, CLASH, BACK], []),
        (0, [OPEN, KEEP, OPEN, BACK], [1]),
        (0, [OPEN, OPEN, CLASH, BACK, AGAIN], [1, 2]),
        (0, [OPEN, BACK, AGAIN], []),
        (0, [CLASH, CLASH, BACK], [1]),
        (0, [BACK, KEEP, OPEN, BACK], [1]),
        (0, [BACK, OPEN, CLASH, BACK], [1, 2]),
        (0, [BACK, BACK, AGAIN], [1, 2]),
        (1, [AGAIN, AGAIN, KEEP], [2]),
        (1, [AGAIN, AGAIN], [0]),
    ],
)
def test_a_head_is_held_against_those_nothing_stands_against(head: int, states: list[State], others: list[int]) -> None:
    assert np.flatnonzero(_others(head, states)).tolist() == others


def test_what_becomes_of_each_head() -> None:
    drift = drift_of([[180.0, 180.0]] * 3 + [[180.0, 190.0]])
    found, judged = calipers_of(drift)
    assert [one.state for one in found.heads] == [KEEP, KEEP, KEEP, BACK]
    assert [one.head for one in found.heads] == [0, 1, 2, 3]
    pair, _ = calipers_of(drift_of([[180.0, 180.0], [190.0, 190.0]]))
    assert [one.state for one in pair.heads] == [CLASH, CLASH]
    spoilt, _ = calipers_of(drift_of([[180.0, 180.0]] * 3 + [[180.0, 190.0]], bad=[0, 0, 0, 9]))
    assert spoilt.heads[3].state == AGAIN
    doubted, _ = calipers_of(drift_of([[180.0, 180.0]] * 3 + [[180.0, 190.0]], doubts=[""] * 7 + ["near_white"]))
    assert doubted.heads[3].state == AGAIN
    near, _ = calipers_of(drift_of([[180.0, 180.0]] * 3 + [[183.9, 183.9]]))
    assert [one.state for one in near.heads] == [KEEP, KEEP, KEEP, OPEN]
    empty, _ = calipers_of(drift_of([[180.0, 180.0]] * 2 + [[180.0, None]]))
    assert [one.state for one in empty.heads] == [KEEP, KEEP, OPEN]
    assert judged.calipers == found


def test_heads_stand_the_worst_first() -> None:
    found, _ = calipers_of(drift_of([[180.0, 181.0], [180.0, 180.0], [180.0, 195.0], [180.0, 190.0]]))
    order = sorted(found.heads, key=lambda one: one.rank, reverse=True)
    assert [one.head for one in order] == [2, 3, 0, 1]
    assert order[0].rank[:2] == (0, 2)
    assert order[3].rank[:2] == (-4, 0)


# --- of a head --------------------------------------------------------------------------------------------------------


def test_a_head_that_does_not_hold_is_told_by_its_own_lights_nearer_to_full_as_the_base() -> None:
    """D at 1/2 reads 10 mired warmer than D at full, and 8 cooler and warmer than others; its own decide."""
    drift = drift_of([[178.0, 178.0, 178.0]] * 3 + [[180.0, 190.0, 181.0]], duv=[[0.0] * 3] * 3 + [[0.0, -2e-3, 0.0]])
    found, judged = calipers_of(drift)
    by = found.heads[3].by
    mired = by[Quantity.MIRED].decides
    assert (mired.light, mired.against, mired.size) == (10, 9, 10.0)
    assert (mired.verdict, mired.limit) == (Verdict.OUTSIDE, 4.0)
    rows = judged.rows[Quantity.MIRED]
    row = int(np.flatnonzero((rows.first == 9) & (rows.second == 10))[0])
    assert mired.u == rows.u_all[row], "outside by the half-width of all at once"
    assert [(one.light, one.against) for one in by[Quantity.MIRED].gaps] == [(10, 9), (11, 9)]
    assert [one.size for one in by[Quantity.MIRED].gaps] == [10.0, 1.0]
    assert by[Quantity.DUV].decides.size == pytest.approx(-2e-3)
    cooler, _ = calipers_of(drift_of([[178.0, 178.0]] * 3 + [[190.0, 180.0]]))
    assert cooler.heads[3].by[Quantity.MIRED].decides.size == -10.0


def test_a_head_that_stands_apart_is_told_against_the_others_light_as_the_base() -> None:
    """C stands 10 mired off A and B and comes after them in the log; A off B and C and comes before."""
    found, _ = calipers_of(drift_of([[180.0, 180.0], [180.1, 180.0], [190.0, 190.2]]))
    last = found.heads[2].by[Quantity.MIRED].decides
    assert (last.light, last.against, last.size) == (5, 0, pytest.approx(10.2))
    first, _ = calipers_of(drift_of([[190.0, 190.2], [180.0, 180.0], [180.1, 180.0]]))
    gaps = first.heads[0].by[Quantity.MIRED]
    assert (gaps.decides.light, gaps.decides.size) == (1, pytest.approx(10.2))
    assert gaps.decides.against == 2
    assert [(one.light, one.size) for one in gaps.gaps] == [(0, pytest.approx(10.0)), (1, pytest.approx(10.2))]


def test_what_is_within_has_its_own_half_width_and_the_nearest_to_the_limit_decides() -> None:
    drift = drift_of([[180.0, 181.0], [180.0, 180.0]])
    found, judged = calipers_of(drift, ONLY_MIRED)
    gaps = found.heads[0].by[Quantity.MIRED]
    rows = judged.rows[Quantity.MIRED]
    assert abs(gaps.decides.size) == 1.0
    assert gaps.decides.verdict == Verdict.WITHIN
    assert gaps.decides.u == pytest.approx(rows.u.max())
    assert gaps.decides.u < rows.u_all.max()
    assert set(found.heads[0].by) == {Quantity.MIRED, Quantity.DUV}, "tint is shown, not judged"
    tint = found.heads[0].by[Quantity.DUV].decides
    assert (tint.limit, tint.verdict, tint.withheld) == (None, None, "")
    assert tint.u == pytest.approx(1e-3 * rows.u.max(), rel=0.05)


def test_more_kelvin_is_cooler_so_that_the_sign_is_that_of_warmth() -> None:
    found, _ = calipers_of(drift_of([[180.0, 190.0]]), Tolerance(None, None, None, 150.0, None, False))
    gap = found.heads[0].by[Quantity.KELVIN].decides
    assert gap.size == pytest.approx(1e6 / 180.0 - 1e6 / 190.0)
    assert set(found.heads[0].by) == {Quantity.KELVIN, Quantity.DUV}


def test_a_distance_in_steps_has_no_sign_and_stands_for_warmth_and_tint() -> None:
    drift = drift_of([[190.0, 180.0], [180.0, 180.0], [180.0, 180.0]])
    found, _ = calipers_of(drift, Tolerance(None, None, 1.0, None, None, False))
    assert set(found.heads[0].by) == {Quantity.STEPS}
    assert all(one.size > 0 for one in found.heads[0].by[Quantity.STEPS].gaps)
    assert found.heads[0].by[Quantity.STEPS].decides.size == pytest.approx(np.hypot(4e-3, 2.5e-3) / 0.0011)


def test_output_is_told_against_the_highest_power_with_its_sign() -> None:
    drift = drift_of([[180.0, 180.0]] * 2, output=[[0.0, -0.3], [0.0, 0.02]])
    found, judged = calipers_of(drift)
    gap = found.heads[0].by[Quantity.OUTPUT_STOPS].decides
    assert (gap.light, gap.against, gap.size) == (1, 0, pytest.approx(-0.3))
    assert gap.u == pytest.approx(judged.rows[Quantity.OUTPUT_STOPS].u_all[0])
    other = found.heads[1].by[Quantity.OUTPUT_STOPS].decides
    assert (other.size, other.u) == (pytest.approx(0.02), pytest.approx(judged.rows[Quantity.OUTPUT_STOPS].u[1]))


def test_a_head_without_a_light_has_no_gap() -> None:
    found, _ = calipers_of(drift_of([[180.0, 180.0], [None, None]]), ONLY_MIRED)
    assert found.heads[1].by == {}
    assert found.heads[1].rank == (-3, 0, 0.0)


# --- a span is the largest of many ------------------------------------------------------------------------------------


def told(size: float, light: int = 1, **more: Any) -> HeadGaps:
    one = replace(Gap(Quantity.MIRED, light, 0, size, 0.2, 4.0, Verdict.WITHIN, ""), **more)
    return HeadGaps(one, (replace(one, light=9), one))


def test_a_span_that_may_pass_the_limit_leaves_its_widest_difference_open() -> None:
    drift: Any = drift_of([[180.0, 180.0], [180.0, 180.0]])
    row: Any = type("Row", (), {"u_span_mired": 1.0, "u_span_duv": 1.0})()
    wider = _with_span(told(-3.1), row, drift)
    assert (wider.decides.u, wider.decides.verdict, wider.decides.size) == (1.0, Verdict.UNDECIDED, -3.1)
    assert [one.verdict for one in wider.gaps] == [Verdict.WITHIN, Verdict.UNDECIDED]
    for kept in (
        told(2.9), told(3.1, light=2), told(3.1, verdict=Verdict.OUTSIDE), told(3.1, verdict=Verdict.UNDECIDED),
        told(3.1, limit=None), told(3.1, quantity=Quantity.OUTPUT_STOPS),
    ):  # fmt: skip
        assert _with_span(kept, row, drift) is kept


# --- every two heads --------------------------------------------------------------------------------------------------


def test_of_every_two_heads_the_worst_by_a_limit_the_first_of_the_log_as_the_base() -> None:
    drift = drift_of(
        [[180.0, 180.5], [190.0, 181.0], [180.0, 180.0]], duv=[[0.0, 0.0], [0.0, 0.0], [0.0, 0.003]],
        bodies=["One", "One", "Two"],
    )  # fmt: skip
    found, _ = calipers_of(drift)
    assert set(found.pairs) == {(0, 0), (0, 1), (1, 1), (2, 2)}
    pair = found.pairs[0, 1]
    assert (pair.quantity, pair.light, pair.against, pair.size) == (Quantity.MIRED, 2, 0, 10.0)
    assert found.pairs[1, 1].size == -9.0
    assert (found.pairs[2, 2].quantity, found.pairs[2, 2].size) == (Quantity.DUV, pytest.approx(0.003))
    assert found.across == ((0, 2), (0, 3), (1, 2), (1, 3))
    assert found.labels == ("A", "B", "C")
    assert found.light(3) == ("B", "1/2")
    only = calipers_of(drift, ONLY_MIRED)[0]
    assert only.pairs[2, 2].quantity == Quantity.MIRED, "tint has no limit"
    none = calipers_of(drift, Tolerance(None, None, None, None, 0.1, False))[0]
    assert none.pairs[2, 2].quantity == Quantity.DUV, "without any limit of colour by any"


def test_states_by_what_is_odd(monkeypatch: pytest.MonkeyPatch) -> None:
    """In one picture it clashes from one pack to another too."""
    drift = drift_of(
        [[180.0, 190.0], [180.0, 180.1]], stops=[[0, 0], [0, 0]], parts={"pack": [["P1", "P2"], ["P1", "P1"]]}
    )
    found, judged = calipers_of(drift)
    assert isinstance(judged.odd, OddHeads)
    assert judged.odd.between == (0,)
    assert found.heads[0].state == CLASH
