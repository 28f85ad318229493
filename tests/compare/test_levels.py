"""How sure each of several looks has to be, against published tables and against walks that are drawn.

Tables from memory: Pocock (1977), O'Brien & Fleming (1979), as in Jennison & Turnbull (2000), tables 2.1 and 2.3, and
McPherson (1974) for tests of the ordinary size at each look; half of the last printed digit is the tolerance.
"""

import numpy as np
import pytest

from greystep.compare.levels import crossing_chance, look_alpha, look_bound

POCOCK = {1: 1.960, 2: 2.178, 3: 2.289, 4: 2.361, 5: 2.413, 10: 2.555}
POCOCK_1_PERCENT = {2: 2.772, 3: 2.873, 4: 2.939, 5: 2.986}
OBRIEN_FLEMING = {2: 1.977, 3: 2.004, 4: 2.024, 5: 2.040}
UNADJUSTED = {1: 0.050, 2: 0.083, 3: 0.107, 4: 0.126, 5: 0.142, 10: 0.193}


@pytest.mark.parametrize(("looks", "bound"), POCOCK.items())
def test_bounds_are_those_of_the_table(looks: int, bound: float) -> None:
    assert look_bound(looks) == pytest.approx(bound, abs=0.0005)


@pytest.mark.parametrize(("looks", "bound"), POCOCK_1_PERCENT.items())
def test_bounds_of_a_smaller_chance_too(looks: int, bound: float) -> None:
    assert look_bound(looks, 0.01) == pytest.approx(bound, abs=0.0005)


@pytest.mark.parametrize(("looks", "last"), OBRIEN_FLEMING.items())
def test_falling_bounds_of_the_table_hold_their_chance(looks: int, last: float) -> None:
    shares = np.arange(1, looks + 1) / looks
    assert crossing_chance(last / np.sqrt(shares), shares) == pytest.approx(0.05, abs=0.0001)


@pytest.mark.parametrize(("looks", "chance"), UNADJUSTED.items())
def test_looks_at_95_in_100_each_are_wrong_more_often(looks: int, chance: float) -> None:
    assert crossing_chance(np.full(looks, 1.959964), np.arange(1, looks + 1)) == pytest.approx(chance, abs=0.0006)


def test_uneven_looks_against_drawn_walks() -> None:
    shares, bounds = np.array([0.4, 0.6, 0.8, 1.0]), np.array([2.2, 2.1, 2.6, 2.0])
    steps = np.random.default_rng(1).standard_normal((400_000, 4)) * np.sqrt(np.diff(shares, prepend=0.0))
    passed = (np.abs(np.cumsum(steps, axis=1)) > bounds * np.sqrt(shares)).any(axis=1).mean()
    assert crossing_chance(bounds, shares) == pytest.approx(passed, abs=4.0 * np.sqrt(passed / 400_000))


@pytest.mark.parametrize("rounds", range(2, 11))
def test_more_looks_at_uneven_times_are_still_held(rounds: int) -> None:
    """Head after head a pair is looked at up to 2 n - 3 times in n rounds, always for the worst.

    The second head gets its rounds on the stand while the first one stays at two, which gets its own in sets after it.
    """
    frames = [(2, of_b) for of_b in range(2, rounds + 1)] + [(of_a, rounds) for of_a in range(3, rounds + 1)]
    information = np.array([1.0 / (1.0 / of_a + 1.0 / of_b) for of_a, of_b in frames])
    chance = crossing_chance(np.full(len(frames), look_bound(rounds)), information / information[-1])
    assert 0.025 < chance < 0.05
    own = np.arange(2, rounds + 1) / rounds  # the differences of one head
    assert 0.025 < crossing_chance(np.full(len(own), look_bound(rounds)), own) < 0.05


def test_the_chance_of_a_look() -> None:
    assert look_alpha(1) == 0.05
    assert look_alpha(1, 0.0125, 300) == 0.0125
    assert [round(look_alpha(looks), 4) for looks in (2, 3, 4, 5)] == [0.0294, 0.0221, 0.0182, 0.0158]


def test_several_rows_share_their_looks() -> None:
    """Twenty independent rows, four looks: each look at its own level errs in no more than the chance of one."""
    rows, looks = 20, 4
    sums = np.cumsum(np.random.default_rng(2).standard_normal((60_000, looks, rows)), axis=1)
    largest = np.abs(sums / np.sqrt(np.arange(1, looks + 1))[:, None]).max(axis=2)
    at_each = np.quantile(largest[:, -1], 1.0 - look_alpha(looks, 0.05, rows))
    assert (largest > at_each).any(axis=1).mean() == pytest.approx(0.05, abs=0.004)
    assert look_alpha(looks, 0.05, rows) < look_alpha(looks, 0.05)
