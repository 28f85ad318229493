"""The common pattern of scatter and the shrunk variances by their formulas, written out with matrices and loops."""

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.special import digamma, polygamma

from greystep.compare.scatter import Pattern, Run, expected, find_pattern, moderated


def run_of(values: list[float], cell: list[int], stops: list[float], place: list[float] | None = None) -> Run:
    """Return what the means of the cells leave of some values."""
    y, of = np.array(values), np.array(cell)
    design = (of[:, None] == np.unique(of)).astype(float)
    left = y - design @ np.linalg.lstsq(design, y, rcond=None)[0]
    at = np.arange(len(y), dtype=float) if place is None else np.array(place)
    return Run(left, np.array(stops), at, of, design)


def pattern(*runs: Run) -> Pattern:
    return find_pattern(list(runs))


# --- growth -----------------------------------------------------------------------------------------------------------

ONE = polygamma(1, 1.0)  # the variance of ln(variance) at two degrees of freedom, pi^2 / 6


def pair(ratio: float, low: float = 0.0, high: float = 2.0) -> Run:
    """Two powers with three frames each, sums of squares 2 and 2 `ratio`; not a trace of memory in them."""
    big = np.sqrt(ratio)
    return run_of([1.0, 0.0, -1.0, big, 0.0, -big], [0, 0, 0, 1, 1, 1], [low] * 3 + [high] * 3, [0, 9, 18, 27, 36, 45])


def test_growth_is_the_slope_of_the_log_variance_shrunk_by_its_own_noise() -> None:
    """ln(400) over 2 stops; its variance 2 times pi^2 / 6 over 2 squared."""
    slope, variance = np.log(400.0) / 2.0, ONE / 2.0
    assert pattern(pair(400.0)).growth == pytest.approx(slope * (1.0 - variance / slope**2))
    assert pattern(pair(2.0)).growth == 0.0, "less than its own noise"


def test_growth_is_pooled_over_heads_by_what_each_tells_of_it() -> None:
    """Slopes of ln(400) / 2 and ln(900) / 4, known as 4 / 2 to 16 / 2: over 2 and over 4 stops."""
    found = pattern(pair(400.0), pair(900.0, 1.0, 5.0)).growth
    slope = (np.log(400.0) / 2.0 * 2.0 + np.log(900.0) / 4.0 * 8.0) / 10.0
    assert found == pytest.approx(slope * (1.0 - ONE / 10.0 / slope**2))


def test_cells_weigh_by_their_degrees_of_freedom() -> None:
    """Sums of squares 2, 50 and 1800 with 2, 1 and 2 degrees of freedom, at 0, 1 and 3 stops; one of one frame."""
    values = [1.0, 0.0, -1.0, 5.0, -5.0, 30.0, 0.0, -30.0, 7.0]
    cell, stops = [0, 0, 0, 1, 1, 2, 2, 2, 3], [0.0] * 3 + [1.0] * 2 + [3.0] * 3 + [6.0]
    dof, sums, at = np.array([2.0, 1.0, 2.0]), np.array([2.0, 50.0, 1800.0]), np.array([0.0, 1.0, 3.0])
    logs = np.log(sums / dof) - digamma(dof / 2.0) + np.log(dof / 2.0)
    weight = 1.0 / polygamma(1, dof / 2.0)
    design = np.column_stack([np.ones(3), at]) * np.sqrt(weight)[:, None]
    slope = np.linalg.lstsq(design, logs * np.sqrt(weight), rcond=None)[0][1]
    variance = np.linalg.inv(design.T @ design)[1, 1]
    found = pattern(run_of(values, cell, stops, [9.0 * n for n in range(9)])).growth
    assert found == pytest.approx(slope * (1.0 - variance / slope**2))


def test_one_power_or_no_scatter_tells_no_growth() -> None:
    one = run_of([1.0, -1.0, 1.0, 9.0], [0, 0, 0, 1], [0.0, 0.0, 0.0, 2.0])
    still = run_of([1.0, 1.0, 5.0, -5.0], [0, 0, 1, 1], [0.0, 0.0, 2.0, 2.0])
    assert pattern(one).growth == pattern(still).growth == pattern().growth == 0.0
    both = pattern(one, pair(400.0)).growth
    assert both == pattern(pair(400.0)).growth, "and takes nothing from the others"


# --- memory -----------------------------------------------------------------------------------------------------------


def memory_of(*runs: Run) -> float:
    """The memory at which the lag-1 sum of the residuals is as large as it is, and 0.8 of its deviation more."""
    shown = size = 0.0
    for run in runs:
        left = np.eye(len(run.residuals)) - run.design @ np.linalg.pinv(run.design)
        of_next = sum(run.residuals[at] * run.residuals[at + 1] for at in range(len(run.residuals) - 1))
        shown += np.trace(left) / np.sum(run.residuals**2) * of_next
        size += np.trace(left)

    def over(serial: float) -> float:
        would = 0.0
        for run in runs:
            n = len(run.residuals)
            left = np.eye(n) - run.design @ np.linalg.pinv(run.design)
            shift = np.eye(n, k=1)
            covariance = serial ** np.abs(np.subtract.outer(run.place, run.place)) if serial else np.eye(n)
            expected_sum = np.trace(shift @ left @ covariance @ left)
            would += np.trace(left) * expected_sum / np.trace(left @ covariance)
        return shown + 0.8 * np.sqrt(size) - would

    grid = np.linspace(0.0, 0.95, 20)  # read between its steps
    return float(np.interp(0.0, [-over(one) for one in grid], grid))


def walk(seed: int, cells: list[int], serial: float, place: list[float] | None = None) -> Run:
    noise = np.random.default_rng(seed).standard_normal(len(cells))
    for at in range(1, len(cells)):
        noise[at] = serial * noise[at - 1] + np.sqrt(1.0 - serial**2) * noise[at]
    return run_of(noise.tolist(), cells, [float(one) for one in cells], place)


def test_the_memory_is_that_at_which_the_residuals_would_show_the_lag_1_sum_that_they_show() -> None:
    first = walk(1, [0, 1, 2, 2, 1, 0] * 3, 0.6)
    second = walk(2, [0, 1, 1, 0] * 4, 0.6, [0, 1, 2, 3, 4, 5, 9, 10, 11, 12, 13, 20, 21, 22, 23, 24])
    for runs in ((first,), (second,), (first, second)):
        assert 0.2 < memory_of(*runs) < 0.9
        assert pattern(*runs).serial == pytest.approx(memory_of(*runs), abs=1e-9)
    little = walk(1, [0, 1, 2, 2, 1, 0] * 3, 0.0)
    assert 0.0 < memory_of(little) < 0.05
    assert pattern(little).serial == pytest.approx(memory_of(little), abs=1e-9)


def test_a_memory_is_held_between_none_and_nineteen_twentieths() -> None:
    turns = run_of([1.0, -1.0] * 12, [0] * 24, [0.0] * 24)
    assert pattern(turns).serial == 0.0
    drifts = run_of(np.linspace(-1.0, 1.0, 24).tolist(), [0] * 24, [0.0] * 24)
    assert pattern(drifts).serial == 0.95


def test_two_frames_or_frames_without_scatter_say_nothing_of_memory() -> None:
    first = walk(1, [0, 1, 2, 2, 1, 0] * 3, 0.6)
    alone = pattern(first).serial
    two, still = run_of([1.0, 2.0], [0, 0], [0.0, 0.0]), run_of([1.0] * 5, [0] * 5, [0.0] * 5)
    no_repeat = run_of([1.0, 2.0, 3.0], [0, 1, 2], [0.0, 1.0, 2.0])
    assert pattern(two, still, no_repeat, first).serial == alone
    assert pattern(two, still, no_repeat) == Pattern(0.0, 0.0)
    three = run_of([1.0, 1.0, -2.0], [0, 0, 0], [0.0] * 3)
    assert pattern(three).serial > 0.0, "three are enough"


# --- sums of squares and shrunk variances -----------------------------------------------------------------------------


def test_without_a_pattern_the_sum_of_squares_is_the_degrees_of_freedom() -> None:
    run = run_of([1.0, 2.0, 3.0, 5.0], [0, 0, 0, 1], [0.0, 0.0, 0.0, 1.0])
    assert expected(run, Pattern()) == pytest.approx((2.0, 2.0))
    assert expected(run_of([1.0, 5.0], [0, 1], [0.0, 1.0]), Pattern()) == (0.0, 0.0)


def test_a_pattern_without_frames_has_no_sizes() -> None:
    assert Pattern(0.5, 0.5).sizes(np.zeros(0)).shape == (0,)


def test_unlike_heads_are_drawn_together_as_empirical_bayes_has_it() -> None:
    """Smyth (2004), from memory: the prior by the spread of ln(variance) beyond trigamma(d / 2)."""
    variance, dof = np.array([1.0, 2.0, 60.0, np.nan, 0.5]), np.array([4.0, 6.0, 4.0, 0.0, 5.0])
    v, d = variance[[0, 1, 2, 4]], dof[[0, 1, 2, 4]]
    logs = np.log(v) - digamma(d / 2.0) + np.log(d / 2.0)
    spread = np.var(logs, ddof=1) - np.mean(polygamma(1, d / 2.0))
    prior = 2.0 * brentq(lambda x: polygamma(1, x) - spread, 1e-3, 1e3)
    assert 0.5 < prior < 6.0
    common = np.exp(np.mean(logs) + digamma(prior / 2.0) - np.log(prior / 2.0))
    found, freedom = moderated(variance, dof)
    own = np.where(dof > 0, dof, 0.0)
    assert found == pytest.approx((prior * common + own * np.nan_to_num(variance)) / (prior + own))
    assert freedom == pytest.approx(np.minimum(prior + own, 19.0))
    assert found[3] == pytest.approx(common)


def test_heads_as_alike_as_chance_makes_them_share_the_weighted_mean() -> None:
    """Variances 1 and 1.3 with 2 and 4 degrees of freedom, and a head without any scatter with 3: 9 in all."""
    found, freedom = moderated(np.array([0.0, 1.0, 1.3]), np.array([3.0, 2.0, 4.0]))
    common = (2.0 * 1.0 + 4.0 * 1.3) / 6.0
    assert found == pytest.approx([9.0 * common / 12.0, (9.0 * common + 2.0) / 11.0, (9.0 * common + 5.2) / 13.0])
    assert freedom.tolist() == [9.0, 9.0, 9.0]
    little = np.exp(np.array([0.0, 0.0, 0.0, 3.05]))  # a little beyond chance, but less than all heads' freedom tells
    d = np.full(4, 3.0)
    spread = np.var(np.log(little), ddof=1) - polygamma(1, 1.5)
    assert spread > polygamma(1, 6.0)
    assert moderated(little, d)[1][0] < 12.0
    less = np.exp(np.array([0.0, 0.0, 0.0, 2.05]))
    assert 0.0 < np.var(np.log(less), ddof=1) - polygamma(1, 1.5) < polygamma(1, 6.0)
    assert moderated(less, d)[1].tolist() == [12.0] * 4
    assert moderated(less, d)[0] == pytest.approx((12.0 * less.mean() + 3.0 * less) / 15.0)


def test_neither_the_unit_nor_the_number_of_a_cell_matters() -> None:
    first, second = walk(1, [0, 1, 2, 2, 1, 0] * 3, 0.6), pair(900.0, 1.0, 5.0)
    found = pattern(first, second)
    for unit in (1e-6, 1e3):
        other = [Run(unit * one.residuals, one.stops, one.place, one.cell + 4, one.design) for one in (first, second)]
        assert pattern(*other).growth == pytest.approx(found.growth)
        assert pattern(*other).serial == pytest.approx(found.serial)
