"""Who is the odd one, on lights that are written down; each rule on a kit that has nothing else in it."""

from typing import Any

import numpy as np
import pytest

from greystep.compare.called import Called
from greystep.compare.drift import Drift
from greystep.compare.limits import judge_rows
from greystep.compare.odd_heads import OddHeads, away, find_odd_heads, lead_open, sound_cells, weight
from greystep.session.settings import Tolerance
from greystep.terms import Quantity, Verdict, Withheld
from helpers.kits import drift_of

LIMITS = Tolerance(4.0, 0.001, None, None, 0.1, False)
FINE = Called(Verdict.WITHIN, Verdict.WITHIN)
OUT, OPEN = Called(Verdict.OUTSIDE, None), Called(Verdict.UNDECIDED, None)


def odd_of(drift: Drift, called: dict[int, Called] | None = None, tolerance: Tolerance = LIMITS) -> OddHeads:
    """Return the odd ones; a pair is outside where it is so by any limit of colour."""
    rows = judge_rows(drift, tolerance)
    own = len(rows[Quantity.MIRED].first) - len(drift.pair_first)
    outside = np.any([one.outside[own:] for name, one in rows.items() if name != Quantity.OUTPUT_STOPS], axis=0)
    return find_odd_heads(drift, rows, outside, [(called or {}).get(one, FINE) for one in range(len(drift.heads))])


# --- how lights stand to the others -----------------------------------------------------------------------------------


def test_a_light_stands_to_the_median_of_the_others_at_its_power() -> None:
    drift = drift_of(
        [[180.0, 190.0], [182.0, None], [185.0, 191.0], [181.0, 200.0]],
        duv=[[0.0, 1e-3], [1e-3, 0.0], [3e-3, 0.0], [0.0, 0.0]],
    )
    kelvin, mired, duv = away(drift)
    assert mired == pytest.approx([-2.0, -5.5, 1.0, np.nan, 4.0, -4.0, -1.0, 9.5], nan_ok=True)
    assert duv[:3] == pytest.approx([-1e-3, 1e-3, 1e-3])
    assert kelvin[1] == pytest.approx(1e6 / 190.0 - (1e6 / 191.0 + 1e6 / 200.0) / 2.0)
    assert np.isnan(kelvin[3])


def test_a_light_of_one_power_or_body_has_no_others() -> None:
    drift = drift_of(
        [[180.0, 190.0], [182.0, 199.0], [185.0, 191.0]], stops=[[0, 1], [0, 3], [0, 1]], bodies=["One", "One", "Two"]
    )
    assert away(drift)[1] == pytest.approx([-2.0, np.nan, 2.0, np.nan, np.nan, np.nan], nan_ok=True)


def test_a_head_that_was_moved_is_held_against_others_on_the_same_pack() -> None:
    """A was on both packs, B stayed on P1, C on P2: A on P1 against B, A on P2 against C; B and C against the kit."""
    drift = drift_of(
        [[180.0, 190.0], [181.0], [193.0]], stops=[[0, 0], [0], [0]], parts={"pack": [["P1", "P2"], ["P1"], ["P2"]]}
    )
    # B against A on P1 alone, since A was moved; and C, which stayed, counts too.
    assert away(drift)[1] == pytest.approx(
        [-1.0, -3.0, 181.0 - np.median([180.0, 193.0]), 193.0 - np.median([190.0, 181.0])]
    )
    none_there = drift_of(
        [[180.0, 190.0], [181.0], [193.0]], stops=[[0, 0], [0], [0]], parts={"pack": [["P1", "P2"], ["P3"], ["P3"]]}
    )
    assert away(none_there)[1][:2] == pytest.approx([180.0 - 187.0, 190.0 - 187.0]), "where there is no such pack, any"


def test_2600_mired_weigh_as_much_as_a_duv_of_one() -> None:
    assert weight(np.array([3.0]), np.array([4.0 / 2600.0]))[0] == pytest.approx(5.0)


# --- heads that go back -----------------------------------------------------------------------------------------------


def test_a_head_that_does_not_hold_goes_back_itself() -> None:
    found = odd_of(drift_of([[180.0, 180.0], [180.0, 190.0], [180.0, 180.0]]), {1: OUT})
    assert found == OddHeads((1,), (), (), (), (), ())
    green = odd_of(drift_of([[180.0, 180.0]] * 3, duv=[[0.0, 0.0], [0.0, 0.0], [0.0, 0.004]]), {2: OUT})
    assert green.back == (2,)


def test_a_head_whose_output_is_off_goes_back() -> None:
    drift = drift_of([[180.0, 180.0]] * 3, output=[[0.0, 0.0], [0.0, -0.3], [0.0, 0.0]])
    assert odd_of(drift, {1: OUT}).back == (1,)
    assert odd_of(drift, {1: OUT}, Tolerance(4.0, None, None, None, None, False)).back == ()


@pytest.mark.parametrize("doubted", [0, 1])
def test_a_light_in_doubt_on_either_side_sends_no_head_back(doubted: int) -> None:
    marks = ["", "", *["near_white" if one == doubted else "" for one in range(2)], "", ""]
    lost = drift_of([[180.0, 180.0], [180.0, 190.0], [180.0, 180.0]], doubts=marks)
    found = odd_of(lost, {1: OUT})
    assert found.back == (() if doubted else (1,))  # A and C at 1/2 stand off it all the same
    assert found.doubted == ((1,) if doubted else ())
    dark = drift_of([[180.0, 180.0]] * 3, output=[[0.0, 0.0], [0.0, -0.3], [0.0, 0.0]], doubts=marks)
    assert odd_of(dark, {1: OUT}).back == ()
    assert odd_of(dark, {1: OUT}).doubted == (1,)


def test_a_head_with_mostly_bad_frames_is_spoilt_and_one_with_half_is_not() -> None:
    for bad, spoilt in ((5, (1,)), (4, ())):
        drift = drift_of([[180.0, 180.0], [180.0, 190.0], [180.0, 180.0]], bad=[0, bad, 0], shot=8)
        found = odd_of(drift, {1: OUT})
        assert (found.spoilt, found.back) == (spoilt, () if spoilt else (1,))
    calm = drift_of([[180.0, 180.0]] * 3, bad=[0, 5, 0], shot=8)
    assert odd_of(calm).spoilt == (), "it is within"
    assert odd_of(calm, {1: OPEN}).spoilt == (1,)
    apart = drift_of([[180.0, 180.0], [190.0, 190.0], [180.0, 180.0]], bad=[0, 5, 0], shot=8)
    assert odd_of(apart) == OddHeads((), (), (), (), (), (1,)), "within itself, but off the others"


def test_heat_that_hides_in_powers_bars_a_head() -> None:
    drift = drift_of([[180.0, 180.0], [180.0, 190.0], [180.0, 180.0]])
    held = Called(Verdict.UNDECIDED, None, (Withheld.HEAT,))
    assert odd_of(drift, {1: held}).back == ()
    assert sound_cells(drift, [FINE, held, FINE]).tolist() == [True, True, False, False, True, True]
    room = Called(Verdict.UNDECIDED, None, (Withheld.ROOM,))
    assert sound_cells(drift, [FINE, room, FINE]).all()


# --- heads that stand apart -------------------------------------------------------------------------------------------


def test_the_head_in_most_pairs_goes_back_and_then_the_next() -> None:
    found = odd_of(drift_of([[180.0]] * 3 + [[190.0], [200.0]]))
    assert found.back == (3, 4)
    assert odd_of(drift_of([[180.0]] * 3 + [[190.0]])).back == (3,)


def test_on_equal_terms_the_head_that_stands_clearly_farther_goes_back() -> None:
    """A and B stand with C; D is 4.6 mired off A alone. A is 2.3 off the median of the others, D is 4.6 off."""
    found = odd_of(drift_of([[180.0], [182.3], [182.3], [184.6]], sd=0.05))
    assert found == OddHeads((), (0, 3), (), (), (), ())
    far = odd_of(drift_of([[180.0], [181.0], [181.0], [184.6]], sd=0.05))
    assert far.back == (3,)


@pytest.mark.parametrize(("away_by", "clash"), [(0.19, True), (0.22, False)])
def test_clearly_is_twice_the_half_width_of_a_light(away_by: float, clash: bool) -> None:
    """Half-widths of 0.1 mired: at full A stands 2.2 off the others' median and D as far and a little more."""
    drift = drift_of([[180.0], [182.2], [182.2], [184.4 + away_by]], sd=0.1 / 2.085963)
    assert drift.powers["u_mired"].to_numpy() == pytest.approx(np.full(4, 0.1), rel=1e-3)
    found = odd_of(drift)
    assert (found.clash, found.back) == (((0, 3), ()) if clash else ((), (3,)))


def test_of_two_heads_of_a_body_none_is_the_odd_one() -> None:
    assert odd_of(drift_of([[180.0], [190.0]])) == OddHeads((), (0, 1), (), (), (), ())
    two = odd_of(drift_of([[180.0], [190.0], [180.0], [180.0], [190.0]], bodies=["One"] * 2 + ["Two"] * 3))
    assert (two.back, two.clash) == ((4,), (0, 1))


def test_a_head_that_goes_back_by_itself_takes_its_pairs_with_it() -> None:
    """C does not hold; all that stands apart from the others is C."""
    found = odd_of(drift_of([[180.0, 180.0], [180.0, 180.0], [180.0, 195.0]]), {2: OUT})
    assert (found.back, found.clash) == ((2,), ())
    pair = odd_of(drift_of([[180.0, 180.0], [180.0, 195.0]]), {1: OUT})
    assert (pair.back, pair.clash) == ((1,), ())


# --- packs ------------------------------------------------------------------------------------------------------------


def packs(a1: float, a2: float, b1: float, b2: float) -> Drift:
    """Heads A and B, each on packs P1 and P2 at full."""
    return drift_of([[a1, a2], [b1, b2]], stops=[[0, 0], [0, 0]], parts={"pack": [["P1", "P2"], ["P1", "P2"]]})


def test_heads_that_hold_on_each_pack_but_not_between_are_not_odd() -> None:
    found = odd_of(packs(180.0, 190.0, 180.0, 190.0), {0: OUT, 1: OUT})
    assert found == OddHeads((), (), (0, 1), ("P1", "P2"), (), ())
    one = odd_of(packs(180.0, 190.0, 180.0, 180.0), {0: OUT})
    assert (one.between, one.packs) == ((0,), ("P1", "P2"))
    assert one.clash == (0, 1), "on P2 they do not match"


def test_heads_that_shared_a_pack_are_compared_on_it_alone() -> None:
    """On either pack they match; A on P1 against B on P2 stands 5 apart, which is the packs' doing."""
    found = odd_of(packs(180.0, 183.0, 182.0, 185.0))
    assert (found.back, found.clash) == ((), ())
    apart = drift_of([[180.0], [190.0]], stops=[[0], [0]], parts={"pack": [["P1"], ["P2"]]})
    assert odd_of(apart).clash == (0, 1), "heads that shared none are compared all the same"
    on_each = odd_of(packs(180.0, 180.0, 190.0, 190.0))
    assert on_each.clash == (0, 1)


# --- pairs that are open ----------------------------------------------------------------------------------------------


def lead(mired: list[list[float]], pairs: set[tuple[int, int]]) -> list[int]:
    drift: Any = drift_of(mired)
    heads = zip(drift.cells.head[drift.pair_first].tolist(), drift.cells.head[drift.pair_second].tolist(), strict=True)
    return lead_open(drift, np.array([pair in pairs for pair in heads]))


def test_the_heads_that_open_pairs_have_in_common_by_their_number_then_by_their_distance() -> None:
    kit = [[180.0], [181.0], [182.0], [186.0]]
    assert lead(kit, {(0, 3), (1, 3), (2, 3)}) == [3]
    assert lead(kit, {(0, 1), (0, 2), (2, 3)}) == [0, 3], "0 has two pairs; of 2 and 3 the latter stands farther off"
    assert lead(kit, {(1, 2)}) == [1]
    assert lead(kit, set()) == []
    assert lead([[180.0, 180.0], [180.0, 182.0], [180.0, 190.0]], {(1, 2)}) == [2]
