"""The flashes that heat a head, and what a warm-up takes off, told by hand and by ordinary least squares."""

from typing import Any

import numpy as np
import pytest
from scipy import stats

from greystep.compare import heat as heating
from greystep.compare.heat import Fired, find_heat
from greystep.compare.scatter import Pattern

FLAT = Pattern()


def fired(stops: list[float], clock: list[float], before: list[int] | None = None, **more: Any) -> Fired:
    cell = np.unique(stops, return_inverse=True)[1]
    given = {"head": np.zeros(len(stops)), "cell": cell, "before": before or [0] * len(stops)} | more
    whole = {name: np.array(values, dtype=np.intp) for name, values in given.items()}
    return Fired(stops=np.array(stops), clock=np.array(clock), **whole)


def flashes(run: Any, driver: str) -> set[tuple[float, float, float]]:
    """Return the flashes that heat a head: time, weight, number of the first shot that feels it."""
    return {(round(a, 9), round(b, 9), c) for a, b, c in run.flashes[driver].T.tolist()}


# --- which flashes heat ----------------------------------------------------------------------------------------------


def test_each_flash_heats_by_its_energy_and_a_lowered_power_by_a_dump_half_way() -> None:
    """Gaps of 10, 20 and 10 s: the usual one is 10, their mean 40 / 3; full is dumped before the shot at 1/4."""
    run = heating._run(fired([0.0, 0.0, 2.0, 1.0], [0.0, 10.0, 30.0, 40.0]), 0)
    own = {(0.0, 1.0, 1.0), (10.0, 1.0, 2.0), (30.0, 0.25, 3.0), (40.0, 0.5, 4.0)}
    assert flashes(run, "energy") == own | {(20.0, 1.0, 2.0)}
    assert flashes(run, "shots") == {(at, 1.0, at + 1.0) for at in (0.0, 1.0, 2.0, 3.0)}
    assert run.clocks["energy"].tolist() == [0.0, 10.0, 30.0, 40.0]
    assert run.clocks["shots"].tolist() == [0.0, 1.0, 2.0, 3.0]
    assert run.pace == pytest.approx(40.0 / 3.0)


def test_flashes_before_a_shot_are_at_full_a_pace_apart_and_their_dump_half_a_pace_before_it() -> None:
    """After 200 s (20 usual gaps) two flashes at full that the log does not have, then 1/4: count 20 + 2 further."""
    run = heating._run(fired([0.0, 2.0, 2.0, 0.0], [0.0, 200.0, 210.0, 220.0], [0, 2, 0, 0]), 0)
    own = {(0.0, 1.0, 1.0), (200.0, 0.25, 2.0), (210.0, 0.25, 3.0), (220.0, 1.0, 4.0)}
    assert run.pace == 10.0, "a rest is no gap"
    assert flashes(run, "energy") == own | {(190.0, 1.0, 1.0), (180.0, 1.0, 1.0), (195.0, 1.0, 1.0)}
    assert run.clocks["shots"].tolist() == [0.0, 22.0, 23.0, 24.0]
    counted = {(0.0, 1.0, 1.0), (22.0, 1.0, 2.0), (23.0, 1.0, 3.0), (24.0, 1.0, 4.0)}
    assert flashes(run, "shots") == counted | {(21.0, 1.0, 1.0), (20.0, 1.0, 1.0)}


def test_flashes_before_the_first_shot_count_and_those_at_full_need_no_dump() -> None:
    run = heating._run(fired([0.0, 1.0, 0.0], [0.0, 10.0, 20.0], [1, 0, 0]), 0)
    assert (-10.0, 1.0, 0.0) in flashes(run, "energy")
    assert (-5.0, 1.0, 0.0) not in flashes(run, "energy")
    assert (5.0, 1.0, 1.0) in flashes(run, "energy"), "from full to 1/2"
    low = heating._run(fired([1.0, 1.0, 0.0], [0.0, 10.0, 20.0], [1, 0, 0]), 0)
    assert (-5.0, 1.0, 0.0) in flashes(low, "energy"), "from the flash at full down to 1/2"


def test_a_gap_of_ten_usual_ones_is_a_rest_for_the_count_and_of_five_for_the_pace() -> None:
    """Usual 10 s: a gap of 60 s is left out of the pace, but heats as one shot; one of 110 s counts for 11."""
    run = heating._run(fired([0.0] * 6, [0.0, 10.0, 20.0, 80.0, 90.0, 200.0]), 0)
    assert run.pace == 10.0
    assert run.clocks["shots"].tolist() == [0.0, 1.0, 2.0, 3.0, 4.0, 15.0]
    near = heating._run(fired([0.0] * 6, [0.0, 10.0, 20.0, 70.0, 80.0, 180.0]), 0)
    assert near.pace == 20.0, "(10 + 10 + 50 + 10) / 4"
    assert near.clocks["shots"].tolist() == [0.0, 1.0, 2.0, 3.0, 4.0, 5.0]


def test_powers_within_a_hundredth_of_a_stop_are_not_lowered() -> None:
    assert len(flashes(heating._run(fired([0.0, 0.01], [0.0, 10.0]), 0), "energy")) == 2
    assert len(flashes(heating._run(fired([1.0, 1.01], [0.0, 10.0]), 0), "energy")) == 2, "but for rounding"
    assert len(flashes(heating._run(fired([0.0, 0.02], [0.0, 10.0]), 0), "energy")) == 3


def test_a_lower_power_dumps_what_the_one_before_it_had() -> None:
    run = heating._run(fired([0.0, 1.0, 3.0], [0.0, 10.0, 30.0]), 0)
    assert (20.0, 0.5, 2.0) in flashes(run, "energy")
    assert (5.0, 1.0, 1.0) in flashes(run, "energy")


def test_fast_shots_keep_their_pace_and_of_shots_at_one_moment_a_second_is_usual() -> None:
    assert heating._run(fired([0.0] * 3, [0.0, 0.5, 1.0]), 0).pace == 0.5
    run = heating._run(fired([0.0] * 4, [0.0, 0.0, 0.0, 20.0]), 0)
    assert run.clocks["shots"].tolist() == [0.0, 1.0, 2.0, 22.0]


def test_shots_at_one_moment_or_a_single_shot_have_a_pace_of_one() -> None:
    for clock in ([0.0], [0.0, 0.0, 0.0]):
        run = heating._run(fired([0.0] * len(clock), clock), 0)
        assert run.pace == 1.0
        assert run.clocks["shots"].tolist() == list(range(len(clock)))


# --- how warm ---------------------------------------------------------------------------------------------------------


def test_warmth_is_the_sum_of_what_is_left_over_the_most_of_the_used_frames() -> None:
    run = heating._run(fired([0.0, 0.0, 1.0], [0.0, 10.0, 20.0], cell=[0, 0, -1]), 0)
    half, whole = np.exp(-10.0 / 30.0), np.exp(-20.0 / 30.0)
    found = heating._warmth(run, "energy", np.array([30.0]))[0]
    assert found == pytest.approx(np.array([0.0, half, half + whole + np.exp(-5.0 / 30.0)]) / half)
    cold = heating._run(fired([0.0, 0.0], [0.0, 10.0], cell=[0, -1]), 0)
    assert heating._warmth(cold, "energy", np.array([30.0]))[0] == pytest.approx([0.0, half]), (
        "over 1 where all are at rest"
    )
    unused = heating._run(fired([0.0, 0.0], [0.0, 10.0], cell=[-1, -1]), 0)
    assert heating._warmth(unused, "energy", np.array([30.0]))[0] == pytest.approx([0.0, half])
    back = heating._run(fired([0.0] * 3, [0.0, 10.0, 4.0], cell=[0, -1, -1]), 0)
    assert heating._warmth(back, "energy", np.array([30.0]))[0, 2] == pytest.approx(half + 1.0), (
        "a clock that was set back makes no head warmer than it was"
    )
    by_shot = heating._warmth(run, "shots", np.array([2.0, 5.0]))
    fade = np.exp(-np.arange(3)[:, None] / np.array([2.0, 5.0])).T  # a sum of a geometric row, over that of all
    assert by_shot == pytest.approx(1.0 - fade)


def test_warmth_is_the_sum_over_all_flashes_that_a_shot_feels() -> None:
    """Every flash with every shot, as the formula has it: each fades by its age, and weighs by its energy."""
    rng = np.random.default_rng(6)
    stops = rng.integers(0, 4, 30).astype(float).tolist()
    clock, before = np.cumsum(rng.uniform(5.0, 40.0, 30)).tolist(), rng.integers(0, 3, 30).tolist()
    run, taus = heating._run(fired(stops, clock, before), 0), np.array([15.0, 90.0])
    time, weight, felt_from = run.flashes["energy"]
    age = np.array(clock)[:, None] - time
    felt = np.where(np.arange(30)[:, None] >= felt_from, weight, 0.0)
    for tau, found in zip(taus, heating._warmth(run, "energy", taus), strict=True):
        heat = np.sum(felt * np.exp(-np.maximum(age, 0.0) / tau), axis=1)
        assert found == pytest.approx(heat / heat.max(), rel=1e-12)


def whitened(growth: float = 0.5, serial: float = 0.4) -> tuple[Any, np.ndarray, np.ndarray]:
    stops = [0.0, 1.0, 1.0, 0.0, 0.0, 1.0, 1.0, 0.0]
    run = heating._run(fired(stops, (np.arange(8.0) * 10.0).tolist(), cell=[0, 1, 1, 0, -1, 1, 1, 0]), 0)
    values = np.random.default_rng(4).normal(180.0, 1.0, 7)
    pattern = Pattern(growth, serial)
    place = np.array([0.0, 1.0, 2.0, 3.0, 5.0, 6.0, 7.0])
    covariance = pattern.covariance_of(np.array(stops)[[0, 1, 2, 3, 5, 6, 7]], place, np.eye(7))
    return heating._weighed(run, pattern), values, covariance


@pytest.mark.parametrize("driver", ["energy", "shots"])
def test_what_a_warm_up_takes_off_is_generalised_least_squares(driver: str) -> None:
    """Residual sums of squares of values divided by a root of their covariance, with and without a warmth column."""
    run, values, covariance = whitened()
    tau = 30.0 if driver == "energy" else 3.0
    total, power, taken = heating._within(run, driver, np.array([tau]), values)
    warmth = heating._warmth(run, driver, np.array([tau]))[0][run.used]
    root = np.linalg.inv(np.linalg.cholesky(covariance))
    left = []
    for design in (run.member, np.column_stack([run.member, warmth])):
        fit = np.linalg.lstsq(root @ design, root @ values, rcond=None)[0]
        left.append(float(np.sum((root @ (values - design @ fit)) ** 2)))
    own = np.linalg.lstsq(root @ run.member, root @ warmth, rcond=None)[0]
    assert total == pytest.approx(left[0])
    assert taken[0] == pytest.approx(left[0] - left[1])
    assert power[0] == pytest.approx(float(np.sum((root @ (warmth - run.member @ own)) ** 2)))
    assert heating._free(run) == 5.0


def test_the_best_time_constant_has_the_highest_likelihood(monkeypatch: pytest.MonkeyPatch) -> None:
    """Heads of 4 and 2 degrees of freedom: 4 ln(left) + 2 ln(left), as shares of 10 and of 20; a third is not asked."""
    sums = {
        0: (10.0, np.ones(3), np.array([5.0, 2.0, 9.0])),
        1: (20.0, np.ones(3), np.array([10.0, 19.0, 0.0])),
        2: (10.0, np.ones(3), np.array([0.0, 0.0, 10.0])),
        3: (0.0, np.ones(3), np.zeros(3)),
    }
    monkeypatch.setattr(heating, "_within", lambda run, *_: sums[run])
    monkeypatch.setattr(heating, "_free", lambda run: 4.0 if run == 0 else 2.0)
    runs: Any = [0, 1, 2, 3]
    chosen, taus = np.array([True, True, False, True]), np.array([1.0, 2.0, 4.0])
    cost, tau = heating._best(runs, [np.zeros(1)] * 4, chosen, "energy", taus)
    assert (cost, tau) == (pytest.approx(4.0 * np.log(0.1)), 4.0)
    cost, tau = heating._best(runs, [np.zeros(1)] * 4, np.arange(4) == 2, "energy", taus)
    assert (cost, tau) == (pytest.approx(2.0 * np.log(1e-9)), 4.0), "all is taken off"
    cost, tau = heating._best(runs[1:], [np.zeros(1)] * 3, chosen[1:], "energy", taus)
    assert (cost, tau) == (pytest.approx(2.0 * np.log(0.05)), 2.0)


def test_chance_is_the_least_of_all_heads_together_and_each_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    """F tests with two columns more than one a head; one head of so many counts for two by each of them."""
    sums = {0: (10.0, 8.0, 8.0), 1: (6.0, 5.0, 4.0), 2: (9.0, 9.0, 8.999)}  # sum of squares, its freedom, taken off
    monkeypatch.setattr(heating, "_within", lambda run, *_: (sums[run][0], np.ones(1), np.array([sums[run][2]])))
    monkeypatch.setattr(heating, "_free", lambda run: sums[run][1])
    runs: Any = [0, 1, 2]

    def by_chance(*heads: bool) -> float:
        return heating._by_chance(runs, [np.zeros(1)] * 3, np.array(heads), "energy", 5.0)

    def chance(before: float, free: float, left: float, columns: float) -> float:
        return float(stats.f.sf((before - left) / columns / (left / (free - columns)), columns, free - columns))

    assert by_chance(True, False, False) == pytest.approx(2.0 * chance(10.0, 8.0, 2.0, 3.0))
    together, alone = 2.0 * chance(16.0, 13.0, 4.0, 4.0), 4.0 * chance(10.0, 8.0, 2.0, 3.0)
    assert together < alone
    assert by_chance(True, True, False) == pytest.approx(together)
    sums[0] = (10.0, 8.0, 9.99)
    assert by_chance(True, True, False) == pytest.approx(4.0 * chance(10.0, 8.0, 0.01, 3.0)), "one of two heads"
    assert by_chance(False, False, False) == 1.0


@pytest.mark.parametrize(
    ("chance", "doubt"),
    [(0.0, 0.0), (0.01, 0.3755 / 1.3755), (0.3, 0.7465), (1 / np.e, 0.75), (0.45, 0.75), (0.9, 0.75)],
)
def test_the_doubt_of_a_warm_up_by_the_least_that_speaks_for_none(chance: float, doubt: float) -> None:
    """-e p ln p: 0.1252 at 0.01, 0.9818 at 0.3, 1 from 1 / e on; odds of three to one before."""
    assert heating._doubt(chance) == pytest.approx(doubt, abs=2e-4)


@pytest.mark.parametrize(
    ("cells", "told"),
    [
        ([0, 1, 0], True), ([0, 1, 1], False), ([0, 0], True), ([0], False), ([-1, 0, 0], True), ([0, -1, 1, 0], True),
        ([0, -1, 0, 1], False), ([], False), ([-1], False),
    ],
)  # fmt: skip
def test_a_head_comes_back_to_a_power_after_another_or_has_but_one(cells: list[int], told: bool) -> None:
    assert heating._revisits(np.array(cells, dtype=np.intp)) == told


def test_the_inflation_of_warmth_beside_the_cells_by_hand() -> None:
    """About the mean of all 2, about those of their cells 4 times 0.5 squared."""
    run = heating._run(fired([0.0, 0.0, 1.0, 1.0], [0.0, 10.0, 20.0, 30.0]), 0)
    assert heating._inflation(np.array([0.0, 1.0, 1.0, 2.0]), run) == pytest.approx(2.0)
    assert heating._inflation(np.array([0.0, 0.0, 1.0, 1.0]), run) == np.inf
    two = heating._run(fired([0.0, 0.0], [0.0, 10.0]), 0)
    assert heating._inflation(np.array([0.0, 3.0]), two) == pytest.approx(1.0)
    assert heating._inflation(np.array([1.0]), two) == np.inf


def test_what_cells_and_warmth_leave_of_a_head() -> None:
    _, values, _ = whitened()
    plain = heating._run(fired([0.0, 1.0, 1.0, 0.0, 0.0, 1.0, 1.0, 0.0], (np.arange(8.0) * 10.0).tolist(),
                               cell=[0, 1, 1, 0, -1, 1, 1, 0]), 0)  # fmt: skip
    left = heating._left(plain, values, "shots", 3.0)
    warmth = heating._warmth(plain, "shots", np.array([3.0]))[0][plain.used]
    design = np.column_stack([plain.member, warmth])
    solved = np.linalg.lstsq(design, values, rcond=None)[0]
    assert left.residuals == pytest.approx(values - design @ solved)
    assert left.place.tolist() == [0.0, 1.0, 2.0, 3.0, 5.0, 6.0, 7.0]
    assert left.cell.tolist() == [0, 1, 1, 0, 1, 1, 0]
    assert left.stops.tolist() == [0.0, 1.0, 1.0, 0.0, 1.0, 1.0, 0.0]
    assert left.design.shape == (7, 3)
    no_heat = heating._left(plain, values, "energy", 1e-3)  # all is cold again before the next shot
    assert no_heat.design.shape == (7, 2)
    assert no_heat.residuals == pytest.approx(
        values - plain.member @ np.linalg.lstsq(plain.member, values, rcond=None)[0]
    )


# --- what is stated ---------------------------------------------------------------------------------------------------


def test_where_nothing_is_kept_the_warm_up_is_stated_at_a_fifth_of_the_longest_heads_shots() -> None:
    """Heads of 6 shots 10 s apart and of 4 shots 30 s apart: a fifth of 6, at the median pace of 20 s."""
    stops = [0.0, 0.0, 0.0, 1.0, 1.0, 1.0, 0.0, 0.0, 1.0, 1.0]
    clock = [*np.arange(6.0) * 10.0, *(1000.0 + np.arange(4.0) * 30.0)]
    found = find_heat(fired(stops, clock, head=[0] * 6 + [1] * 4, cell=[0, 0, 0, 1, 1, 1, 2, 2, 3, 3]),
                      np.full(10, 180.0), 2)  # fmt: skip
    assert (found.driver, found.doubt) == ("energy", 0.0)
    assert found.tau == pytest.approx(6 * 0.2 * 20.0)
    assert not found.kept.any()
    assert found.separable.tolist() == [False, False]
    steady = find_heat(fired([0.0, 1.0, 0.0, 1.0, 0.0], (np.arange(5.0) * 10.0).tolist()), np.full(5, 180.0), 1)
    assert (steady.driver, steady.tau, steady.kept.tolist()) == ("energy", pytest.approx(10.0), [False])


def test_without_any_head_there_is_no_heat() -> None:
    nothing = fired([], [])
    found = find_heat(nothing, np.zeros(0), 0)
    assert (len(found.warmth), len(found.kept), found.driver) == (0, 0, "energy")
    assert found.tau == pytest.approx(0.2)


def test_heads_that_fired_once_or_never_have_no_pace_and_no_part_in_it() -> None:
    """Six shots 10 s apart of one head, single ones of two others, none of a fourth: a fifth of 6 shots is 12 s."""
    stops, clock = [0.0, 1.0, 1.0, 0.0, 0.0, 1.0, 0.0, 0.0], [*np.arange(6.0) * 10.0, 500.0, 900.0]
    shots = fired(stops, clock, head=[1] * 6 + [0, 2], cell=[0, 1, 1, 0, 0, 1, 2, 3])
    found = find_heat(shots, np.full(8, 180.0), 4)
    assert found.separable.tolist() == [False, True, False, False]
    assert found.tau == pytest.approx(12.0)
