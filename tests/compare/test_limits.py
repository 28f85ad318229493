"""The decision rules on lights that are written down: levels, half-widths, rounds, stretches; each by its formula."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from greystep.columns import HeadRow, rows_of
from greystep.compare import fit, limits
from greystep.compare.drift import Drift
from greystep.compare.levels import look_alpha
from greystep.compare.limits import Rows, judge_rows, longest_run, matches, rounds_to_decide
from greystep.measure.uncertainty import student_factor
from greystep.session.settings import Tolerance
from greystep.terms import Quantity
from helpers.kits import drift_of

ONLY_MIRED = Tolerance(4.0, None, None, None, None, False)
BOTH = Tolerance(4.0, 0.001, None, None, None, False)
ALL = Tolerance(4.0, 0.001, None, None, 0.1, False)


def t(dof: float, chance: float = 0.05) -> float:
    return float(stats.t.ppf(1.0 - chance / 2.0, dof))


# --- half-widths ------------------------------------------------------------------------------------------------------


def test_own_half_widths_and_those_of_all_at_once_far_from_a_limit() -> None:
    """Two heads of two powers, 10 and 30 degrees of freedom; far under the limit all at once is Bonferroni's t.

    Between the heads Welch and Satterthwaite have it: (0.01 + 0.04)^2 / (0.01^2 / 10 + 0.04^2 / 30).
    """
    drift = drift_of([[180.0, 180.1], [180.2, 180.3]], sd=[0.1, 0.2], dof=[10.0, 30.0])
    rows = judge_rows(drift, replace(ONLY_MIRED, mired=50.0))[Quantity.MIRED]
    assert list(zip(rows.first.tolist(), rows.second.tolist(), strict=True)) == [
        (0, 1),
        (2, 3),
        (0, 2),
        (0, 3),
        (1, 2),
        (1, 3),
    ]
    assert rows.size == pytest.approx([0.1, 0.1, 0.2, 0.3, 0.1, 0.2])
    sd = np.sqrt([0.02, 0.08, 0.05, 0.05, 0.05, 0.05])
    welch = 0.05**2 / (0.01**2 / 10.0 + 0.04**2 / 30.0)
    dof = np.array([10.0, 30.0, *[welch] * 4])
    assert rows.u == pytest.approx([t(one) * size for one, size in zip(dof, sd, strict=True)], rel=1e-3)
    chance = np.array([0.025 / 2, 0.025 / 2, *[0.025 / 4] * 4])  # two families share 5 %: two rows, and four
    assert rows.u_all == pytest.approx([t(d, c) * s for d, c, s in zip(dof, chance, sd, strict=True)], rel=1e-3)
    assert rows.within.all()
    assert not rows.outside.any()
    assert rows.lasting.tolist() == [0.0] * 6


@pytest.mark.parametrize(("tolerance", "families"), [(ONLY_MIRED, 2), (BOTH, 4), (ALL, 5)])
def test_the_chance_of_error_is_shared_among_the_families(tolerance: Tolerance, families: int) -> None:
    drift = drift_of([[180.0, 180.1], [180.2, 180.3]], dof=40.0)
    wide = replace(tolerance, mired=50.0, duv=tolerance.duv and 0.05, output_stops=tolerance.output_stops and 5.0)
    rows = judge_rows(drift, wide)
    assert rows[Quantity.MIRED].u_all[0] == pytest.approx(t(40.0, 0.05 / families / 2) * 0.1 * np.sqrt(2.0), rel=1e-3)
    if Quantity.OUTPUT_STOPS in rows:  # each light against the highest of its head: two rows
        output = rows[Quantity.OUTPUT_STOPS]
        assert (output.first.tolist(), output.second.tolist()) == ([0, 2], [1, 3])
        assert output.u == pytest.approx([t(40.0) * 0.001 * np.sqrt(2.0)] * 2, rel=1e-3)
        assert output.u_all == pytest.approx([t(40.0, 0.05 / families / 2) * 0.001 * np.sqrt(2.0)] * 2, rel=1e-3)


def test_one_head_is_one_family_and_output_alone_too() -> None:
    alone = drift_of([[180.0, 180.1, 180.2]], output=[[0.0, 0.02, -0.01]], dof=40.0)
    rows = judge_rows(alone, replace(ONLY_MIRED, mired=50.0))[Quantity.MIRED]
    assert rows.u_all == pytest.approx([t(40.0, 0.05 / 3) * 0.1 * np.sqrt(2.0)] * 3, rel=1e-3)
    only = judge_rows(alone, Tolerance(None, None, None, None, 5.0, False))
    assert list(only) == [Quantity.OUTPUT_STOPS]
    assert only[Quantity.OUTPUT_STOPS].size == pytest.approx([0.02, 0.01])
    assert only[Quantity.OUTPUT_STOPS].u_all == pytest.approx([t(40.0, 0.05 / 2) * 0.001 * np.sqrt(2.0)] * 2, rel=1e-3)


def test_near_a_limit_the_factor_is_drawn_for_what_is_near_alone() -> None:
    """Of three differences of one head one stands near 4 mired: its factor is that of one, below Bonferroni's of 3."""
    drift = drift_of([[180.0, 180.1, 184.2]], dof=12.0)
    rows = judge_rows(drift, ONLY_MIRED)[Quantity.MIRED]
    sd = 0.1 * np.sqrt(2.0)
    parts = (drift.fitted["mired"].cells,)
    near = rows.size > 4.0 - 1.5 * t(12.0, 0.05 / 3) * sd
    assert near.tolist() == [False, True, True]
    drawn = fit.largest_studentised(parts, rows.first[near], rows.second[near], 4000, np.random.default_rng([0, 1]))
    assert rows.u_all == pytest.approx([t(12.0, 0.05 / 3) * sd, *[np.quantile(drawn, 0.95) * sd] * 2], rel=1e-3)
    assert rows.u_all[1] < t(12.0, 0.05 / 3) * sd
    assert rows.u_all[1] > rows.u[1]


def test_where_a_light_was_not_measured_nothing_is_known() -> None:
    rows = judge_rows(drift_of([[180.0, None], [180.0, 180.0]]), ONLY_MIRED)[Quantity.MIRED]
    lost = np.isin(rows.first, [1]) | np.isin(rows.second, [1])
    assert (np.isnan(rows.size) == lost).all()
    assert (np.isnan(rows.u_all) == lost).all()
    assert not rows.within[lost].any()
    assert rows.within[~lost].all()


def test_a_size_and_its_half_width_within_the_limit_and_beyond_it() -> None:
    u = t(20.0) * 0.1 * np.sqrt(2.0)
    for away, within in ((4.0 - u - 1e-3, True), (4.0 - u + 1e-3, False)):
        rows = judge_rows(drift_of([[180.0, 180.0 + away]]), ONLY_MIRED)[Quantity.MIRED]
        assert rows.within.tolist() == [within]
    negative = judge_rows(drift_of([[180.0, 171.0]]), ONLY_MIRED)[Quantity.MIRED]
    assert (negative.size.tolist(), negative.outside.tolist(), negative.within.tolist()) == ([9.0], [True], [False])


def test_what_lasts_is_the_share_of_places_in_the_variance() -> None:
    """A place of 0.3 mired each, scatter of 0.1 each: 0.18 of 0.2 between heads; within one head nothing lasts."""
    rows = judge_rows(drift_of([[180.0, 180.0], [180.0, 180.0]], place=0.3), ONLY_MIRED)[Quantity.MIRED]
    assert rows.lasting == pytest.approx([0.0, 0.0, 0.9, 0.9, 0.9, 0.9])
    exact = judge_rows(drift_of([[180.0, 180.0]], sd=0.0), ONLY_MIRED)[Quantity.MIRED]
    assert exact.lasting.tolist() == [0.0]


# --- several looks ----------------------------------------------------------------------------------------------------


def test_several_looks_widen_by_students_factors_of_each() -> None:
    drift = drift_of([[180.0, 181.0], [180.0, 180.0]], dof=[7.0, 30.0])
    row = rows_of(drift.heads.assign(verdict="", why=""), HeadRow)[0]
    once = limits.span_of(drift, 0, row, Quantity.MIRED)
    assert once == (row.span_mired, row.u_span_mired)
    often = limits.span_of(replace(drift, looks=4), 0, row, Quantity.MIRED)
    assert often[1] == pytest.approx(once[1] * t(7.0, look_alpha(4)) / t(7.0), rel=1e-3)
    assert limits._stretch(1, np.array([7.0, 9.0])).tolist() == [1.0, 1.0]
    one, four = (judge_rows(replace(drift, looks=n), replace(ONLY_MIRED, mired=50.0))[Quantity.MIRED] for n in (1, 4))
    assert four.u[0] == pytest.approx(one.u[0] * t(7.0, look_alpha(4)) / t(7.0), rel=1e-3)
    assert four.u_all[0] == pytest.approx(t(7.0, look_alpha(4, 0.025, 2) / 2) * 0.1 * np.sqrt(2.0), rel=1e-3)


# --- what holds a verdict back ----------------------------------------------------------------------------------------


def test_a_reason_of_either_light_holds_a_row_back_and_unwatched_rows_are_not_alike() -> None:
    reasons = np.array(["", "room", "heat", ""], dtype=object)
    watched = np.ones((4, 4), dtype=bool)
    watched[0, 3] = watched[3, 0] = False
    first, second = np.array([0, 1, 2, 0, 0, 0]), np.array([1, 2, 3, 3, 3, 0])
    within, outside = np.array([1, 1, 0, 1, 0, 1], bool), np.array([0, 0, 1, 0, 1, 0], bool)
    found = limits.hold_back(reasons, watched, first, second, within, outside)
    assert found[2].tolist() == ["room", "room", "heat", "unwatched", "", ""]
    assert found[0].tolist() == [False, False, False, False, False, True]
    assert found[1].tolist() == [False, False, False, False, True, False]


# --- chance -----------------------------------------------------------------------------------------------------------


def test_the_worst_pair_by_chance_is_the_median_over_heads_of_each_body() -> None:
    """Heads 0 and 1 of one body, 2 and 3 of another: none is held against another body or itself."""
    drift = drift_of([[180.0] * 2] * 4, bodies=["One", "One", "Two", "Two"], sd=[0.1, 0.2, 0.3, 1.0])
    errors, _ = fit.draw_errors(drift.fitted["mired"].cells, 2000, np.random.default_rng([0, 2]))
    pairs = [(a, b) for one in ((0, 1, 2, 3), (4, 5, 6, 7)) for a in one[:2] for b in one[2:]]
    worst = np.max([np.abs(errors[a] - errors[b]) for a, b in pairs], axis=0)
    assert limits.by_chance_mired(drift) == pytest.approx(np.median(worst))
    assert np.isnan(limits.by_chance_mired(drift_of([[180.0] * 2])))
    assert np.isnan(limits.by_chance_mired(drift_of([[180.0], [180.0]], dof=0.0)))


# --- rounds -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(4))
def test_rounds_that_decide_by_trying_each(seed: int) -> None:
    rng = np.random.default_rng(seed)
    size, u = rng.uniform(0.0, 8.0, 40), rng.uniform(0.1, 3.0, 40)
    u_all, lasting = u * rng.uniform(1.0, 1.8, 40), rng.choice([0.0, 0.3], 40)
    n, dof, cells = rng.integers(1, 6, 40).astype(float), rng.integers(1, 30, 40).astype(float), 3
    wanted = []
    for at in range(40):
        found = np.inf
        for more in range(20, 0, -1):
            factor = float(student_factor(dof[at] + more * cells) / student_factor(dof[at]))
            left = np.sqrt(lasting[at] + (1.0 - lasting[at]) * n[at] / (n[at] + more) * factor**2)
            if size[at] + u[at] * left <= 4.0 or size[at] - u_all[at] * left > 4.0:
                found = float(more)
        wanted.append(found)
    found_all = rounds_to_decide(size, u, u_all, 4.0, n, dof, cells, lasting)
    assert found_all.tolist() == wanted
    assert {np.inf, 1.0} < set(wanted)


# --- which lights go together -----------------------------------------------------------------------------------------


def rows_for(drift: Drift, quantity: Quantity, within: list[tuple[int, int]], pairs: list[tuple[int, int]]) -> Rows:
    first, second = (np.array(side) for side in zip(*pairs, strict=True))
    good, none = np.array([pair in within for pair in pairs]), np.zeros(len(pairs))
    blank = np.full(len(pairs), "", dtype=object)
    return Rows(quantity, 4.0, first, second, none, none, none, good, ~good, none, blank)


def test_lights_match_by_every_colour_and_count_where_they_were_measured_at_their_output() -> None:
    drift = drift_of([[180.0, 180.0], [180.0, None]])
    pairs = [(0, 1), (2, 3), (0, 2), (0, 3), (1, 2), (1, 3)]
    rows = {
        Quantity.MIRED: rows_for(drift, Quantity.MIRED, [(0, 1), (0, 2)], pairs),
        Quantity.DUV: rows_for(drift, Quantity.DUV, [(0, 1), (1, 2)], pairs),
        Quantity.OUTPUT_STOPS: rows_for(drift, Quantity.OUTPUT_STOPS, [(0, 1)], [(0, 1), (3, 2)]),
    }
    found = matches(drift, rows)
    assert found.diagonal().tolist() == [True, True, False, False], "2 by its output, 3 was not measured"
    assert (found == found.T).all()
    assert np.argwhere(np.triu(found, 1)).tolist() == [[0, 1]]
    del rows[Quantity.OUTPUT_STOPS]
    assert matches(drift, rows).diagonal().tolist() == [True, True, True, False]
    assert limits.own_rows(drift, rows) == 2
    within, outside = limits.colour_rows(rows, slice(2, None))
    assert within.tolist() == [False] * 4
    assert outside.tolist() == [True] * 4
    within, outside = limits.colour_rows(rows, slice(0, 2))
    assert (within.tolist(), outside.tolist()) == ([True, False], [False, True])
    assert [len(one) for one in limits.colour_rows({}, slice(None))] == [0, 0]
    assert limits.own_rows(drift, {}) == -4, "no colour is judged"


def test_the_longest_run_by_trying_all() -> None:
    rng = np.random.default_rng(1)
    for _ in range(60):
        count = int(rng.integers(1, 7))
        fits = rng.random((count, count)) < 0.75
        fits = (fits & fits.T) | (np.eye(count, dtype=bool) & (rng.random(count) < 0.9))
        runs = [
            (start, end) for start in range(count) for end in range(start, count)
            if all(fits[a, b] for a in range(start, end + 1) for b in range(start, end + 1))
        ]  # fmt: skip
        best = min(runs, key=lambda run: (run[0] - run[1], run[0]), default=None)
        assert longest_run(fits) == best
