"""Rows and frames aligned by light: the least cost by trying every alignment, and what it decides."""

import numpy as np
import pytest

from greystep.session import alignment, matching, warm_ups
from helpers.alignments import GAP, least
from helpers.logs import log

INF, NAN = np.inf, np.nan


@pytest.mark.parametrize("seed", range(6))
def test_the_least_cost_is_that_of_all_alignments(seed: int) -> None:
    rng = np.random.default_rng(seed)
    cost = rng.choice([0.0, 0.1, 0.4, 1.0, 2.0], (int(rng.integers(1, 6)), int(rng.integers(1, 6))))
    assert alignment._best(cost)[-1, -1] == pytest.approx(least(cost))
    part = alignment._best(cost)
    assert part[0].tolist() == pytest.approx((GAP * np.arange(cost.shape[1] + 1)).tolist())
    assert part[:, 0].tolist() == pytest.approx((GAP * np.arange(cost.shape[0] + 1)).tolist())
    ends = warm_ups._align(cost, {})[0]
    assert [ends[row] for row in range(cost.shape[0] + 1)] == pytest.approx(
        [least(cost[:row]) if row else GAP * cost.shape[1] for row in range(cost.shape[0] + 1)]
    )


def test_a_frame_has_the_row_whose_light_alone_it_fits() -> None:
    def sure(cost: list[list[float]], lights: list[str]) -> list[int]:
        return alignment._sure(np.array(cost), lights).tolist()

    assert sure([[0.0, 1.0], [1.0, 0.0]], ["a", "b"]) == [0, 1]
    assert sure([[0.0, 1.0], [1.0, 1.0], [1.0, 0.0]], ["a", "b", "c"]) == [0, 1 + 1]
    assert sure([[0.0], [0.0]], ["a", "a"]) == [0], "two rows of one light: the first"
    assert sure([[0.0], [0.0]], ["a", "b"]) == [-1], "of two lights none"
    assert sure([[0.0, 0.0]], ["a"]) == [-1, -1], "two frames alike on one row"
    assert sure([[2.0]], ["a"]) == [-1]


def test_the_level_of_a_head_is_the_median_of_its_frames() -> None:
    stops, own = np.array([0.0, 1.0, 0.0, INF]), np.array([0, 0, 1, 2])
    light, placed = np.array([-2.0, -3.4, -9.0, 5.0, NAN]), np.array([0, 1, -1, 3, 2])
    found = alignment.levels_of(stops, light, own, placed, np.array([7.0, 7.0, 8.0, 9.0]))
    assert found.tolist() == pytest.approx([-2.2, -2.2, 8.0, 9.0])
    assert alignment.one_level(np.array([1.0, 3.0, NAN]), np.array([-5.0, -2.0, -INF])).tolist() == [-1.0] * 3
    assert alignment.one_level(np.array([NAN]), np.array([-5.0])).tolist() == [0.0]


def test_frames_are_placed_by_their_light() -> None:
    shots = log("-", "A0", "A1", "A2", "B0", "B1", "-")
    dark = -INF
    every = np.array([dark, -3.0, -4.0, -5.0, -2.0, -3.0, dark])
    assert matching.place_by_light(shots, every).tolist() == [0, 1, 2, 3, 4, 5, 6]
    lost = np.delete(every, 2)
    assert matching.place_by_light(shots, lost).tolist() == [0, 1, 3, 4, 5, 6]
    more = np.insert(every, 3, -8.0)
    assert matching.place_by_light(shots, more).tolist() == [0, 1, 2, -1, 3, 4, 5, 6]
    assert matching.place_by_light(shots, np.zeros(0)).tolist() == []
    assert matching.place_by_light(shots[:0], every).tolist() == [-1] * 7
    off = every + np.array([0, 0, 0, 0.5, 0, 0, 0])
    assert matching.place_by_light(shots, off)[3] == -1, "farther off than a frame that is left out costs"


@pytest.mark.parametrize(("levels", "lost"), [((0.0, -2.5, -4.0), 2), ((0.0, -0.5, -3.5), 6), ((0.0, -3.5, -4.0), 3)])
def test_each_of_three_heads_has_a_level_of_its_own(levels: tuple[float, ...], lost: int) -> None:
    """Three powers of each; the frame of one row is lost."""
    light = np.array([level - power for level in levels for power in range(3)])
    shots = log(*(f"{head}{power}" for head in "ABC" for power in range(3)))
    assert matching.place_by_light(shots, np.delete(light, lost)).tolist() == [row for row in range(9) if row != lost]


def test_a_check_is_a_flash_and_its_light_is_known_by_head_and_power() -> None:
    shots = log("A0", "A0", "?", "-", kind=["flash", "check", "job", "ambient"])
    assert alignment.expected_stops(shots).tolist()[:2] == [0.0, 0.0]
    assert np.isnan(alignment.expected_stops(shots)[2])
    assert alignment.expected_stops(shots)[3] == INF
    keys = alignment.light_keys(shots, ("head", "kind", "none"))
    assert keys[0] == keys[1] == ("A", "flash")


def test_most_rows_of_each_head_must_have_frames() -> None:
    shots = log("A0", "A1", "B0", "B1", "-")
    assert matching._tells(shots, np.array([0, 2]))
    assert not matching._tells(shots, np.array([0, 1]))
    assert matching._tells(shots, np.array([0, 3, 4]))
    assert not matching._tells(log("-"), np.array([0]))
