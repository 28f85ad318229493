"""How frames scatter: growth with the power, memory, and heads drawn together, each held against what was put in."""

import numpy as np
import pytest
from scipy.stats import t

from greystep.compare.scatter import Pattern, Run, _memories, expected, find_pattern, moderated

POWERS, LEGS = 6, 5


def one_run(rng: np.random.Generator, serial: float = 0.0, growth: float = 0.0) -> Run:
    """Return what cell means leave of a head that was shot up and down; its scatter made step by step."""
    cell = np.concatenate([np.arange(POWERS)[:: 1 if leg % 2 else -1] for leg in range(LEGS)])
    noise = rng.standard_normal(len(cell))
    for at in range(1, len(cell)):
        noise[at] = serial * noise[at - 1] + np.sqrt(1 - serial**2) * noise[at]
    values = noise * np.exp(growth * cell / 2)
    design = (cell[:, None] == np.arange(POWERS)).astype(float)
    means = np.array([values[cell == one].mean() for one in range(POWERS)])
    return Run(values - means[cell], cell.astype(float), np.arange(len(cell), dtype=float), cell, design)


def mean_pattern(serial: float, growth: float, heads: int = 6, sessions: int = 60) -> tuple[float, float]:
    found = [
        find_pattern([one_run(np.random.default_rng([at, head]), serial, growth) for head in range(heads)])
        for at in range(sessions)
    ]
    return float(np.mean([one.growth for one in found])), float(np.mean([one.serial for one in found]))


def test_frames_that_are_independent_and_alike_show_no_pattern() -> None:
    growth, serial = mean_pattern(0.0, 0.0)
    assert abs(growth) < 0.02
    assert serial < 0.12


@pytest.mark.parametrize("serial", [0.3, 0.6, 0.8])
def test_memory_is_found_in_what_a_fit_leaves(serial: float) -> None:
    assert mean_pattern(serial, 0.0)[1] == pytest.approx(serial, abs=0.08)


def test_growth_is_found_by_its_slope() -> None:
    put_in = 2 * np.log(5.0) / (POWERS - 1)  # five times the scatter from the first power to the last
    assert mean_pattern(0.0, put_in)[0] == pytest.approx(put_in, rel=0.1)


def test_memory_has_the_covariance_of_its_process() -> None:
    """A frame is 0.6 of the one before and fresh noise; places that are left out fade all the same."""
    rng = np.random.default_rng(2)
    drawn = rng.standard_normal((8, 100_000))
    for at in range(1, 8):
        drawn[at] = 0.6 * drawn[at - 1] + 0.8 * drawn[at]
    places = np.array([0, 1, 4, 7])
    assert Pattern(serial=0.6).covariance_of(np.zeros(4), places.astype(float), np.eye(4)) == pytest.approx(
        np.cov(drawn[places]), abs=0.02
    )


def test_the_sum_of_squares_is_what_the_pattern_says() -> None:
    pattern = Pattern(growth=0.4, serial=0.5)
    run = one_run(np.random.default_rng(0))
    root = np.linalg.cholesky(pattern.covariance_of(run.stops, run.place, np.eye(len(run.stops))))
    drawn = root @ np.random.default_rng(1).standard_normal((len(run.stops), 20000))
    drawn -= run.design @ np.linalg.lstsq(run.design, drawn, rcond=None)[0]
    sums = np.sum(drawn**2, axis=0)
    trace, dof = expected(run, pattern)
    assert sums.mean() == pytest.approx(trace, rel=0.01)
    assert 2 * sums.mean() ** 2 / sums.var() == pytest.approx(dof, rel=0.05)


def test_whitened_frames_are_independent_and_of_variance_one() -> None:
    stops, place = np.array([0.0, 1.0, 3.0, 3.0]), np.array([0.0, 1.0, 2.0, 5.0])
    pattern = Pattern(growth=0.4, serial=0.5)
    root = pattern.whitened(stops, place, np.eye(4))
    assert root @ pattern.covariance_of(stops, place, root.T) == pytest.approx(np.eye(4), abs=1e-12)


def test_sums_by_columns_are_those_of_the_whole_matrices() -> None:
    """A head with gaps, shot at random: matrices of all pairs of frames, as the formulas have them."""
    rng = np.random.default_rng(8)
    place = np.sort(rng.choice(60, 40, replace=False)).astype(float)
    cell = rng.integers(0, 5, 40)
    design = np.column_stack([cell[:, None] == np.arange(5), rng.random(40)])
    q, _ = np.linalg.qr(design)
    leaves = np.eye(40) - q @ q.T
    run = Run(leaves @ rng.standard_normal(40), cell.astype(float), place, cell, design)
    pattern = Pattern(growth=0.3, serial=0.55)
    size, apart = pattern.sizes(run.stops), np.abs(place[:, None] - place)
    seen = leaves @ (size[:, None] * size * 0.55**apart)
    trace = float(np.trace(seen))
    assert expected(run, pattern) == pytest.approx((trace, trace**2 / float(np.sum(seen * seen.T))), rel=1e-12)
    total, neighbours = _memories(run)
    whole = (np.bincount(apart.astype(int).ravel(), one.ravel()) for one in (leaves, leaves[:, 1:] @ leaves[:-1]))
    assert np.stack([total, neighbours]) == pytest.approx(np.stack(list(whole)), abs=1e-12)


def test_heads_that_are_alike_share_their_scatter() -> None:
    """Smyth's model with its own parameters: sharing brings the scatter nearer to the truth, and says how near."""
    rng = np.random.default_rng(3)
    alone, drawn, held = [], [], []
    for _ in range(400):
        true = 8.0 / rng.chisquare(8.0, 8)  # scaled inverse chi-square, prior of 8 degrees of freedom about 1
        seen = true * rng.chisquare(3.0, 8) / 3.0
        variance, dof = moderated(seen, np.full(8, 3.0))
        assert np.all(dof <= 24.0)
        alone.append(np.mean(np.log(seen / true) ** 2))
        drawn.append(np.mean(np.log(variance / true) ** 2))
        error = rng.standard_normal(8) * np.sqrt(true)
        held.append(np.mean(np.abs(error) <= t.ppf(0.975, dof) * np.sqrt(variance)))
    assert np.mean(drawn) < 0.4 * np.mean(alone)
    assert 0.93 < np.mean(held) < 0.97


def test_a_head_that_scatters_ten_times_more_keeps_its_own() -> None:
    variance, dof = moderated(np.array([1.0, 1.1, 0.9, 100.0]), np.full(4, 20.0))
    assert variance[3] > 80.0
    assert dof[3] < 40.0


def test_without_repeats_a_head_takes_what_the_others_have() -> None:
    variance, dof = moderated(np.array([np.nan, 1.0, 1.0]), np.array([0.0, 10.0, 10.0]))
    assert variance == pytest.approx(np.ones(3))
    assert dof[0] == pytest.approx(20.0)
    nothing, none = moderated(np.array([np.nan, np.nan]), np.zeros(2))
    assert np.isnan(nothing).all()
    assert (none == 0).all()


def test_a_pattern_has_a_mean_variance_of_one_and_grows_and_fades_as_it_says() -> None:
    stops, place = np.array([0.0, 1.0, 3.0, 3.0]), np.array([0.0, 1.0, 2.0, 5.0])
    found = Pattern(growth=0.4, serial=0.5).covariance_of(stops, place, np.eye(4))
    assert np.trace(found) / 4 == pytest.approx(1.0)
    assert found[1, 1] / found[0, 0] == pytest.approx(np.exp(0.4))
    assert found[2, 2] / found[1, 1] == pytest.approx(np.exp(0.8))
    assert found[2, 3] / found[2, 2] == pytest.approx(0.5**3)
    assert found == pytest.approx(found.T)
    assert Pattern().covariance_of(stops, place, np.eye(4)) == pytest.approx(np.eye(4))


def test_one_degree_of_freedom_is_known_and_none_is_not() -> None:
    variance, dof = moderated(np.array([2.0, np.nan]), np.array([1.0, 0.0]))
    assert variance.tolist() == [2.0, 2.0]
    assert dof.tolist() == [1.0, 1.0]
    variance, dof = moderated(np.array([0.0, 0.5]), np.array([3.0, 0.0]))  # no scatter at all is none to draw from
    assert (variance[0], np.isnan(variance[1]), dof.tolist()) == (0.0, True, [3.0, 0.0])


def test_rounding_gives_no_more_degrees_of_freedom_than_frames_leave() -> None:
    """Scatter that grows a millionfold over the powers leaves almost all of its sum to one cell."""
    run = one_run(np.random.default_rng(4))
    for growth in (0.0, 2.0, 6.0):
        trace, dof = expected(run, Pattern(growth=growth))
        assert trace > 0.0
        assert 0.0 < dof <= len(run.stops) - POWERS + 1e-9
