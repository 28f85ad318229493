"""How a head stands to the others: as a whole, at one power, by its widest pair; lights that are written down."""

import numpy as np
import pytest

from greystep.compare.against_others import OffAt, OffPair, Offset, Stand, Unlike, find_stand
from greystep.compare.drift import Drift
from greystep.compare.limits import judge_rows
from greystep.compare.odd_heads import away
from greystep.measure.uncertainty import student_factor
from greystep.session.settings import Tolerance
from helpers.kits import drift_of

LIMITS = Tolerance(4.0, 0.001, None, None, None, False)
#: Scatter so small that what is asked is all there is.
SD = 0.01


def stand(
    drift: Drift,
    head: int,
    chosen: set[tuple[int, int]],
    odd: tuple[int, ...] = (),
    near: bool = False,
    tolerance: Tolerance = LIMITS,
) -> Stand | None:
    """Return how a head stands by pairs of these cells."""
    pairs = zip(drift.pair_first.tolist(), drift.pair_second.tolist(), strict=True)
    mask = np.array([pair in chosen for pair in pairs], dtype=bool)
    assert mask.sum() == len(chosen)
    return find_stand(drift, judge_rows(drift, tolerance), head, odd, mask, np.array(away(drift)), near)


#: Cells 0 and 1 are A at 1/1 and 1/2, 2 and 3 B, 4 and 5 C.
KIT = [[180.0, 180.0], [181.0, 181.0], [190.0, 189.0]]


def test_a_head_that_is_off_at_every_power_is_off_as_a_whole() -> None:
    """C stands 9.5 and 8.5 mired off the median of A and B: 9 on the mean."""
    found = stand(drift_of(KIT, sd=SD), 2, {(0, 4), (1, 5)})
    assert isinstance(found, Offset)
    assert found.difference.mired == pytest.approx(9.0)
    kelvin = [1e6 / light - (1e6 / 180.0 + 1e6 / 181.0) / 2.0 for light in (190.0, 189.0)]
    assert found.difference.kelvin == pytest.approx(np.mean(kelvin))
    assert (found.rival, found.power) == ("", "")
    # Six lights: half of C's at each power, less a quarter of each other one.
    spread = SD * np.sqrt(2 * 0.5**2 + 4 * 0.25**2)
    free = (2 * 0.5**2 + 4 * 0.25**2) ** 2 / ((2 * 0.5**2) ** 2 + 2 * (2 * 0.25**2) ** 2) * 20.0
    assert found.difference.u_mired == pytest.approx(float(student_factor(free)) * spread, rel=1e-3)
    assert found.difference.u_duv == pytest.approx(found.difference.u_mired / 1000.0)


def test_the_only_other_head_is_named_as_the_rival() -> None:
    found = stand(drift_of([KIT[0], KIT[2]], sd=SD), 1, {(0, 2), (1, 3)})
    assert isinstance(found, Offset)
    assert found.rival == "A"
    two = drift_of([KIT[0], KIT[2], KIT[1]], sd=SD, bodies=["One", "One", "Two"])
    other = stand(two, 1, {(0, 2)})
    assert isinstance(other, Offset)
    assert other.rival == "A", "the third is of another camera"


def test_a_head_with_one_power_is_off_at_that() -> None:
    found = stand(drift_of([[180.0], [180.0], [190.0]], sd=SD), 2, {(0, 2)})
    assert isinstance(found, Offset)
    assert found.power == "1/1"


def test_powers_that_go_both_ways_or_one_that_stands_near_are_no_whole() -> None:
    both = stand(drift_of([[180.0, 180.0], [180.0, 180.0], [190.0, 172.0]], sd=SD), 2, {(0, 4), (1, 5)})
    assert isinstance(both, OffAt)
    assert (both.power, both.alone) == ("1/1", False)
    assert both.difference.mired == pytest.approx(10.0)
    assert both.difference.u_mired == pytest.approx(float(student_factor(30.0)) * SD * np.sqrt(1.5), rel=0.02)
    for least, kind in ((5.2, Offset), (4.8, OffAt)):
        found = stand(drift_of([[180.0, 180.0], [180.0, 180.0], [190.0, 180.0 + least]], sd=SD), 2, {(0, 4), (1, 5)})
        assert isinstance(found, kind), "half of the worst"


def test_one_power_of_three_stands_alone_where_no_other_does_not_match() -> None:
    kit = [[180.0] * 3, [180.0] * 3, [180.0, 180.0, 170.0]]
    alone = stand(drift_of(kit, sd=SD), 2, {(2, 8), (5, 8)})
    assert isinstance(alone, OffAt)
    assert (alone.power, alone.alone) == ("1/4", True)
    assert alone.difference.mired == pytest.approx(-10.0)
    assert alone.difference.kelvin == pytest.approx(1e6 / 170.0 - 1e6 / 180.0)
    more = stand(drift_of(kit, sd=SD), 2, {(2, 8), (0, 7)})
    assert isinstance(more, OffAt)
    assert not more.alone
    few = stand(drift_of([row[:2] for row in kit[:2]] + [[180.0, 170.0]], sd=SD), 2, {(1, 5)})
    assert isinstance(few, OffAt)
    assert not few.alone, "of two powers none is alone"


def test_what_breaks_no_limit_against_the_median_is_told_by_the_widest_pair() -> None:
    """C stands 3 mired off the middle of A and B, but 5 off A: told is the pair, C less A."""
    drift = drift_of([[180.0], [184.0], [185.0]], sd=SD)
    found = stand(drift, 2, {(0, 2), (1, 2)})
    assert isinstance(found, OffPair)
    assert (found.power, found.other, found.other_power) == ("1/1", "A", "1/1")
    assert found.difference.mired == pytest.approx(5.0)
    assert found.difference.kelvin == pytest.approx(1e6 / 185.0 - 1e6 / 180.0)
    assert found.difference.u_mired == pytest.approx(drift.pairs["u_delta_mired"][1])
    assert found.difference.u_duv == pytest.approx(drift.pairs["u_delta_duv"][1])
    first = stand(drift, 0, {(0, 2), (0, 1)})
    assert isinstance(first, Offset), "A stands 4.5 mired off the middle of the others"
    turned = stand(drift_of([[182.0], [178.0], [186.0]], sd=SD), 0, {(0, 1), (0, 2)})
    assert isinstance(turned, OffPair)
    assert (turned.other, turned.difference.mired) == ("B", pytest.approx(4.0)), "the head less the other one"


def test_a_pair_between_other_powers_has_the_power_of_each() -> None:
    drift = drift_of([[180.0, 183.0], [181.0, 184.5]], sd=SD)
    found = stand(drift, 1, {(0, 3)})
    assert isinstance(found, OffPair)
    assert (found.power, found.other, found.other_power) == ("1/2", "A", "1/1")
    other = stand(drift, 0, {(0, 3)})
    assert isinstance(other, OffPair)
    assert (other.power, other.other, other.other_power) == ("1/1", "B", "1/2")
    assert other.difference.mired == pytest.approx(-4.5)


def test_green_counts_in_the_widest_pair_and_in_a_whole() -> None:
    """By 2600 mired a Duv: 0.003 of Duv is 7.8 mired and more than the 4 mired of the other pair."""
    drift = drift_of([[180.0], [184.0], [184.0]], duv=[[0.0], [0.0], [0.003]], sd=SD)
    found = stand(drift, 2, {(0, 2), (1, 2)}, tolerance=Tolerance(4.0, 0.01, None, None, None, False))
    assert isinstance(found, OffPair)
    assert found.other == "A"
    both = drift_of([[180.0, 180.0], [180.0, 180.0], [186.0, 174.5]], duv=[[0.0] * 2, [0.0] * 2, [0.004, 0.004]], sd=SD)
    whole = stand(both, 2, {(0, 4), (1, 5)})
    assert isinstance(whole, Offset), "greener at every power, which outweighs warmer here and cooler there"


def test_near_a_limit_a_whole_is_told_though_nothing_breaks() -> None:
    drift = drift_of([[180.0, 180.0], [180.0, 180.0], [183.0, 183.0]], sd=SD)
    assert isinstance(stand(drift, 2, {(0, 4)}, near=True), Offset)
    assert isinstance(stand(drift, 2, {(0, 4)}), OffPair)
    uneven = drift_of([[180.0, 180.0], [180.0, 180.0], [183.0, 180.5]], sd=SD)
    assert isinstance(stand(uneven, 2, {(0, 4)}, near=True), OffPair)


def test_pairs_with_heads_that_are_odd_themselves_do_not_count() -> None:
    drift = drift_of(KIT, sd=SD)
    assert stand(drift, 0, {(0, 4)}, odd=(2,)) is None
    assert stand(drift, 2, {(0, 4)}, odd=(2,)) is not None, "but its own do"
    assert stand(drift, 0, {(2, 4)}) is None


def test_heads_that_share_no_power_are_unlike_at_theirs() -> None:
    drift = drift_of([[180.0, 180.0], [190.0]], stops=[[0, 1], [3]], sd=SD)
    assert stand(drift, 1, {(0, 2), (1, 2)}) == Unlike("A", ("1/8",))
    assert stand(drift, 0, {(0, 2), (1, 2)}) == Unlike("B", ("1/1", "1/2"))


def test_without_a_limit_of_warmth_or_tint_any_difference_is_told_against_the_median() -> None:
    drift = drift_of([[180.0], [184.0], [185.0]], sd=SD)
    steps = Tolerance(None, None, 0.5, None, None, False)
    assert isinstance(stand(drift, 2, {(0, 2)}, tolerance=steps), Offset)
    kelvin = Tolerance(None, None, None, 60.0, None, False)
    assert isinstance(stand(drift, 2, {(0, 2)}, tolerance=kelvin), Offset), "88 K off"
    duv = Tolerance(None, 0.001, None, None, None, False)
    assert isinstance(stand(drift, 2, {(0, 2)}, tolerance=duv), OffPair)
