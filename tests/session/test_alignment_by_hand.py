"""Rows and frames aligned: the least cost by trying every alignment, and what it decides, on small sequences."""

from functools import cache
from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd
import pytest

from greystep.session import log_slips, matching, warm_ups
from greystep.session.log_slips import Gap, Slip, gap_text, miscount, slip_text

INF, NAN = np.inf, np.nan
GAP = 0.45


def least(cost: np.ndarray, runs: dict[int, tuple[int, np.ndarray]] | None = None, open_end: bool = False) -> float:
    """Return the least cost of aligning all frames with all rows; with `open_end` rows at the end cost nothing.

    In front of a row of `runs` three frames or more in a row that are alike may be passed over for a hundredth each.
    """
    rows, frames = cost.shape

    @cache
    def rest(row: int, at: int, run: bool) -> float:
        if at == frames and (open_end or row == rows):
            return 0.0
        options = [INF]
        if at < frames:
            options.append(GAP + rest(row, at + 1, run))
        if row < rows:
            options.append(GAP + rest(row + 1, at, True))
            if at < frames:
                options.append(cost[row, at] + rest(row + 1, at + 1, True))
        if run and runs and row in runs:
            like = runs[row][1]
            options += [
                0.01 * (end - at) + rest(row, end, False)
                for end in range(at + 3, frames + 1) if like[at:end].all()
            ]  # fmt: skip
        return min(options)

    return rest(0, 0, True)


# --- light ------------------------------------------------------------------------------------------------------------


def test_what_a_frame_disagrees_with_a_row() -> None:
    """A flash where none is due costs 2, none where one is due 0.8, an unknown light 0.3."""
    expected, measured = np.array([1.0, INF, NAN]), np.array([1.5, 0.0, -INF, NAN])
    wanted = np.array([[0.5, 1.0, 0.8, 0.3], [2.0, 2.0, 0.0, 0.3], [0.3, 0.3, 0.3, 0.3]])
    assert matching._disagreement(expected, measured) == pytest.approx(wanted)
    assert warm_ups._disagreement(expected, measured) == pytest.approx(wanted)


@pytest.mark.parametrize("seed", range(6))
def test_the_least_cost_is_that_of_all_alignments(seed: int) -> None:
    rng = np.random.default_rng(seed)
    cost = rng.choice([0.0, 0.1, 0.4, 1.0, 2.0], (int(rng.integers(1, 6)), int(rng.integers(1, 6))))
    assert matching._best(cost)[-1, -1] == pytest.approx(least(cost))
    part = matching._best(cost)
    assert part[0].tolist() == pytest.approx((GAP * np.arange(cost.shape[1] + 1)).tolist())
    assert part[:, 0].tolist() == pytest.approx((GAP * np.arange(cost.shape[0] + 1)).tolist())
    ends = warm_ups._align(cost, {})[0]
    assert [ends[row] for row in range(cost.shape[0] + 1)] == pytest.approx(
        [least(cost[:row]) if row else GAP * cost.shape[1] for row in range(cost.shape[0] + 1)]
    )


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


def test_a_frame_has_the_row_whose_light_alone_it_fits() -> None:
    def sure(cost: list[list[float]], lights: list[str]) -> list[int]:
        return matching._sure(np.array(cost), lights).tolist()

    assert sure([[0.0, 1.0], [1.0, 0.0]], ["a", "b"]) == [0, 1]
    assert sure([[0.0, 1.0], [1.0, 1.0], [1.0, 0.0]], ["a", "b", "c"]) == [0, 1 + 1]
    assert sure([[0.0], [0.0]], ["a", "a"]) == [0], "two rows of one light: the first"
    assert sure([[0.0], [0.0]], ["a", "b"]) == [-1], "of two lights none"
    assert sure([[0.0, 0.0]], ["a"]) == [-1, -1], "two frames alike on one row"
    assert sure([[2.0]], ["a"]) == [-1]


def test_the_level_of_a_head_is_the_median_of_its_frames() -> None:
    stops, own = np.array([0.0, 1.0, 0.0, INF]), np.array([0, 0, 1, 2])
    light, placed = np.array([-2.0, -3.4, -9.0, 5.0, NAN]), np.array([0, 1, -1, 3, 2])
    found = matching._levels(stops, light, own, placed, np.array([7.0, 7.0, 8.0, 9.0]))
    assert found.tolist() == pytest.approx([-2.2, -2.2, 8.0, 9.0])
    assert matching._one_level(np.array([1.0, 3.0, NAN]), np.array([-5.0, -2.0, -INF])).tolist() == [-1.0] * 3
    assert matching._one_level(np.array([NAN]), np.array([-5.0])).tolist() == [0.0]


def log(*lights: str, **more: Any) -> pd.DataFrame:
    """Rows by head and stops, ``A0``; ``-`` is an ambient frame, ``?`` a job frame."""
    kinds = [{"-": "ambient", "?": "job"}.get(one, "flash") for one in lights]
    usual: dict[str, Any] = {
        "frame": "", "head": [one[0] if kind == "flash" else "" for one, kind in zip(lights, kinds, strict=True)],
        "power": [one[1:] for one in lights], "kind": kinds, "note": "", "row": np.arange(len(lights)) + 2,
        "stops": [float(one[1:]) if kind == "flash" else NAN for one, kind in zip(lights, kinds, strict=True)],
    }  # fmt: skip
    return pd.DataFrame(usual | more)


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


def test_a_check_is_a_flash_and_its_light_is_known_by_head_and_power() -> None:
    shots = log("A0", "A0", "?", "-", kind=["flash", "check", "job", "ambient"])
    assert matching._expected(shots).tolist()[:2] == [0.0, 0.0]
    assert np.isnan(matching._expected(shots)[2])
    assert matching._expected(shots)[3] == INF
    keys = matching._keys(shots, ("head", "kind", "none"))
    assert keys[0] == keys[1] == ("A", "flash")


def test_most_rows_of_each_head_must_have_frames() -> None:
    shots = log("A0", "A1", "B0", "B1", "-")
    assert matching._tells(shots, np.array([0, 2]))
    assert not matching._tells(shots, np.array([0, 1]))
    assert matching._tells(shots, np.array([0, 3, 4]))
    assert not matching._tells(log("-"), np.array([0]))


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
    assert not warm_ups._alike_in_a_row(np.array([0.0, -INF, 0.0, 0.0]))
    assert not warm_ups._alike_in_a_row(np.array([0.0, 0.0]))


def test_what_is_passed_over_starts_at_the_first_of_the_run_that_costs_least() -> None:
    line = np.array([0.0, 0.45, 0.9, 1.35, 1.8, 2.25])
    like = np.array([True, True, True, True, False])
    found, start = warm_ups._pass_over(line, like)
    assert found.tolist() == pytest.approx([0.0, 0.45, 0.9, 0.03, 0.04, 2.25])
    assert start.tolist() == [-1, -1, -1, 0, 0, -1]


# --- pauses and settings ----------------------------------------------------------------------------------------------


def test_a_long_pause_parts_heads_where_about_so_many_are_long() -> None:
    pauses = np.array([5.0, 6.0, 300.0, 5.0, 7.0, 200.0, 5.0])
    assert log_slips._long_pause(pauses, 2, 0) == 200.0
    assert log_slips._long_pause(pauses, 1, 1) == 200.0, "one more may be long"
    assert log_slips._long_pause(pauses, 1, 0) is not None
    assert log_slips._long_pause(pauses, 0, 0) is None
    assert log_slips._long_pause(np.full(5, 5.0), 2, 0) is None, "none is long"
    assert log_slips._long_pause(np.array([5.0, NAN, 9.0]), 1, 0) is None
    assert log_slips._long_pause(np.array([0.0, 0.0, 3.0, 0.0, 0.0]), 1, 0) == 3.0


def traces(heads: str, pauses: list[int] | None, settings: str) -> Any:
    cells = [(head, 0.0, "flash") for head in heads]
    return log_slips._Traces(list(heads), cells, [(float(ord(one)),) for one in settings], pauses)


def test_two_steps_disagree_by_pauses_and_by_settings() -> None:
    told = traces("AAB", [0, 0, 1], "xxy")
    assert log_slips._step_cost(told, (0, 1), (0, 1)) == 0
    assert log_slips._step_cost(told, (1, 2), (1, 2)) == 0
    assert log_slips._step_cost(told, (1, 2), (0, 1)) == 1, "another head without a pause"
    assert log_slips._step_cost(told, (0, 1), (1, 2)) == 2, "a pause and other settings within one light"
    assert log_slips._step_cost(traces("AAB", None, "xxy"), (1, 2), (0, 1)) == 0
    assert log_slips._step_cost(traces("AB", [0, 1], "xy"), (0, 1), (0, 1)) == 0


@pytest.mark.parametrize("seed", range(8))
def test_slips_lie_where_some_best_alignment_has_them(seed: int) -> None:
    rng = np.random.default_rng(seed)
    heads = "".join(np.repeat(list("ABC"), rng.integers(1, 4, 3)))
    frames = len(heads) - 1 if seed % 2 else len(heads) + 1
    pauses = np.cumsum(rng.random(frames) < 0.4).tolist()
    told = traces(heads, pauses, "".join(rng.choice(list("xy"), frames)))
    ranges, best = log_slips._align(told, 1)
    longer = max(len(heads), frames)
    costs = []
    for left_out in range(longer):
        kept = [at for at in range(longer) if at != left_out]
        pairs = (
            list(zip(kept, range(longer - 1), strict=True))
            if frames < len(heads)
            else list(zip(range(longer - 1), kept, strict=True))
        )
        costs.append(sum(log_slips._step_cost(told, (a[0], b[0]), (a[1], b[1])) for a, b in pairwise(pairs)))
    good = [at for at, cost in enumerate(costs) if cost == min(costs)]
    assert best == min(costs)
    assert ranges == [(good[0], good[-1])]


def test_what_is_said_of_a_slip() -> None:
    assert miscount(5, 4) == "5 rows, 4 frames in capture order: 1 frame too few"
    assert miscount(4, 6) == "4 rows, 6 frames in capture order: 2 frames too many"
    one = Gap("9", "9", 1, True, ("A 1/4", "A 1/4"))
    assert gap_text(one) == "row 9 (A 1/4): no frame"
    assert gap_text(Gap("9", "12", 4, True, ("A 1/4", "B 1/2"), "box")) == "boxes 9 to 12 (A 1/4 to B 1/2): no frame"
    assert gap_text(Gap("9", "12", 1, False, ("A 1/4", "A 1/4"))) == "rows 9 to 12 (A 1/4): 1 of them without a frame"
    assert gap_text(Gap("f1", "f1", 1, True, None)) == "f1: no row"
    assert gap_text(Gap("f1", "f4", 2, False, None)) == "f1 to f4: 2 of them without a row"
    assert slip_text(Slip("", one)) == "at the start, row 9 (A 1/4): no frame"
    assert slip_text(Slip("f07", one)) == "after f07, row 9 (A 1/4): no frame"
    rows = log("A0", "-", "B1")
    assert log_slips._rows_without_frame(rows, 0, 1, 2) == Gap("2", "3", 2, True, ("A 0", ["-", "ambient"][1]), "row")
    assert log_slips._frames_without_row(["a", "b", "c"], 0, 2, 2) == Gap("a", "c", 2, False, None)
    assert log_slips.between(5, 6, np.array([-1, 0, -1, 3, -1])) == [
        ((-1, -1), (1, 0)), ((1, 0), (3, 3)), ((3, 3), (5, 6))
    ]  # fmt: skip
