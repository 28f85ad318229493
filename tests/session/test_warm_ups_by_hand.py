"""Frames that warm a head, passed over where that costs less, on small sequences."""

from typing import Any

import numpy as np
import pytest

from greystep.session import warm_ups
from helpers.alignments import GAP, least
from helpers.logs import log

INF, NAN = np.inf, np.nan


def test_warm_ups_are_frames_at_full_before_a_heads_first_row() -> None:
    shots = log("A0", "A1", "B0", "B1")
    light = np.array([-1.0, -1.05, -1.1, -1.0, -2.0, -3.0, -4.0])
    assert warm_ups.find_warm_ups(shots, light) == [(0, "A"), (1, "A"), (2, "A")]
    second = np.array([-1.0, -2.0, -3.0, -1.0, -1.5, -1.6, -1.5, -1.5, -2.5, -3.5])
    longer = log("A0", "A1", "A2", "A0", "B0", "B1", "B2")
    assert warm_ups.find_warm_ups(longer, second) == [(4, "B"), (5, "B"), (6, "B")]
    assert warm_ups.find_warm_ups(shots, light[2:]) == [], "two are slips of another kind"
    assert warm_ups.find_warm_ups(shots, light[3:]) == []
    assert warm_ups.find_warm_ups(log("-"), light) == []
    assert not warm_ups._alike_in_a_row(np.array([0.0, 0.2, 0.4, 0.0, 0.2]))
    assert warm_ups._alike_in_a_row(np.array([9.0, 0.0, 0.1, 0.3]))
    assert warm_ups._alike_in_a_row(np.array([0.0, 0.1, 0.3])), "three are enough"
    assert not warm_ups._alike_in_a_row(np.array([0.0, -INF, 0.0, 0.0]))
    assert not warm_ups._alike_in_a_row(np.array([0.0, 0.0]))


def test_a_warm_up_is_within_three_tenths_of_a_stop_of_its_heads_full_level() -> None:
    light = np.array([-1.29, -1.31, -0.71, -0.69, -INF, NAN])
    ((row, (head, like)),) = warm_ups._runs(np.array([9.0, -1.0]), {4: 1}, light).items()
    assert (row, head) == (4, 1)
    assert like.tolist() == [True, False, True, False, False, False]
    assert not warm_ups._alike_in_a_row(np.array([0.0, 0.1, 0.31]))


def test_what_is_passed_over_starts_at_the_first_of_the_run_that_costs_least() -> None:
    line = np.array([0.0, 0.45, 0.9, 1.35, 1.8, 2.25])
    like = np.array([True, True, True, True, False])
    found, start = warm_ups._pass_over(line, like)
    assert found.tolist() == pytest.approx([0.0, 0.45, 0.9, 0.03, 0.04, 2.25])
    assert start.tolist() == [-1, -1, -1, 0, 0, -1]


@pytest.mark.parametrize("below", [3.0, 2.5, -2.0])
def test_a_head_may_be_three_stops_below_the_brightest_and_is_warmed_up_all_the_same(below: float) -> None:
    """Of a head that is brighter, the brightest frames are its own."""
    shots = log("A0", "A1", "A2", "B0", "B1", "B2")
    light = np.array([0.0, -1.0, -2.0, *[-below] * 3, -below, -below - 1.0, -below - 2.0])
    assert warm_ups.find_warm_ups(shots, light) == [(3, "B"), (4, "B"), (5, "B")]


def test_a_row_of_a_head_that_is_no_flash_of_the_test_starts_no_head() -> None:
    """Two job frames of A come first, whose light nobody knows; then three warm-ups."""
    shots = log("A3", "A3", "A0", "A1", kind=["job", "job", "flash", "flash"])
    light = np.array([-9.0, -8.0, -1.0, -1.0, -1.0, -1.0, -2.0])
    assert warm_ups.find_warm_ups(shots, light) == [(2, "A"), (3, "A"), (4, "A")]


def test_the_level_of_a_head_is_that_of_its_placed_frames_whose_light_is_known() -> None:
    own, stops = np.array([0, 0, 1, 0, 0]), np.array([0.0, 1.0, 2.0, INF, NAN])
    light = np.array([-1.0, -2.5, -7.0, -8.0, -INF, NAN])
    placed = np.array([0, 1, 3, 4, 2, 2])
    found = warm_ups._settled(np.array([5.0, 6.0]), own, stops, light, placed)
    assert found.tolist() == [-1.25, 6.0], "the median of -1 and -1.5; of the other no light is known"


def test_warm_ups_that_save_less_than_two_slips_are_none() -> None:
    """Three at A's full, where B's last frame may be lost or have come out too bright.

    With warm-ups: a row without its frame, 0.45, and 0.01 for each of three. Without: one of them is B's, as far off as
    B is below A, and two are too many, 0.9.
    """
    shots = log("B0", "B1", "B2", "B0", "A0", "A1", "A2")

    def found(below: float) -> list[tuple[int, str]]:
        return warm_ups.find_warm_ups(
            shots, np.array([-below, -1.0 - below, -2.0 - below, 0.0, 0.0, 0.0, 0.0, -1.0, -2.0])
        )

    assert found(0.37) == [], "0.79 saved"
    assert found(0.39) == [(3, "A"), (4, "A"), (5, "A")], "0.81 saved: two slips but for what is rough"


@pytest.mark.parametrize("seed", range(6))
def test_frames_that_warm_a_head_are_passed_over_where_that_costs_less(seed: int) -> None:
    rng = np.random.default_rng(seed)
    cost = rng.choice([0.0, 0.1, 1.0], (3, 8))
    like = rng.random(8) < 0.85
    like[2:5] = True
    runs: dict[int, tuple[int, Any]] = {0: (4, like), 2: (5, like)}
    totals, placed, aside = warm_ups._align(cost, runs, trace=True)
    assert totals.min() == pytest.approx(least(cost, runs, open_end=True))
    frames = [frame for frame, _ in aside]
    assert all(like[frame] for frame in frames)
    assert not set(frames) & set(np.flatnonzero(placed >= 0).tolist())
    taken = placed[placed >= 0]
    assert (np.diff(taken) > 0).all()
    skipped = 8 - len(frames) - len(taken)
    last = int(np.argmin(totals))
    told = sum(cost[row, at] for at, row in enumerate(placed) if row >= 0) + GAP * skipped + GAP * (last - len(taken))
    assert told + 0.01 * len(frames) == pytest.approx(totals.min())
