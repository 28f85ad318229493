"""The parts of the joint fit, each by itself: degrees of freedom, what was seen twice, places, room light, noise."""

from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from greystep.compare import cell_doubts, joint_fit
from greystep.compare.blocks import Seen, Watch
from greystep.compare.scatter import Pattern, Run

WATCHED, UNWATCHED = Watch(0.0, 0.0, 0.1, 5.0), Watch(0.0, 0.0, 0.0, 0.0)


def cells_of(head: list[int], stops: list[float] | None = None, body: list[str] | None = None) -> Any:
    table = pd.DataFrame({"stops": stops or [0.0] * len(head), "body": body or ["One"] * len(head)})
    return SimpleNamespace(head=np.array(head), table=table, heads=range(max(head) + 1))


# --- places -----------------------------------------------------------------------------------------------------------


def place(cells: Any, values: list[float], watch: Watch = WATCHED, quantity: str = "mired") -> tuple[float, float]:
    return cell_doubts._place(cells, quantity, np.array(values), watch)


def test_heads_that_agree_tell_their_places_and_one_far_off_does_not_count() -> None:
    """About 180.15 of the four, three stand -0.15, -0.05 and 0.05 off: 0.1 apart, against 0.5 that is assumed."""
    found = place(cells_of([0, 1, 2, 3]), [180.0, 180.1, 180.2, 185.0])
    assert found == (pytest.approx(0.1**2), 2.0)


def test_places_are_assumed_where_heads_tell_less() -> None:
    """Student's factor at two degrees of freedom is 4.30: 0.1 mired is narrower than 0.5, 0.4 is not."""
    assert place(cells_of([0, 1, 2]), [180.0, 180.4, 180.8]) == (0.25, np.inf)
    assert stats.t.ppf(0.975, 2) * 0.4 > 1.96 * 0.5
    wider = place(cells_of([0, 1, 2]), [180.0, 180.4, 180.8], UNWATCHED)
    assert wider == (pytest.approx(0.16), 2.0), "nothing was watched, so that 1.12 is assumed"
    assert place(cells_of([0, 1, 2]), [180.0, 180.6, 181.2], UNWATCHED) == (pytest.approx(0.5**2 + 1.0**2), np.inf)
    assert place(cells_of([0, 1]), [180.0, 180.01]) == (0.25, np.inf), "two heads tell nothing"
    assert place(cells_of([0]), [180.0]) == (0.25, np.inf)
    six = [180.0, 180.01, 180.02, 190.0, 195.0, 170.0]
    assert place(cells_of([0, 1, 2, 3, 4, 5]), six) == (0.25, np.inf), "three of six are not most of them"
    assert place(cells_of([0, 1, 2, 3, 4]), [180.0, 180.0, 180.03, 180.06, 190.0])[1] == 3.0


def test_a_head_stands_where_its_powers_do_on_the_mean_each_against_its_own_body() -> None:
    """Medians by power and body: 10 at full, 20 at 1/2, 30 by the other body; a light that is alone tells nothing."""
    cells = cells_of(
        [0, 0, 1, 1, 2, 2, 3, 3, 0], [0.0, 1.0, 0.0, 1.0, 0.0, 1.0, 0.0, 2.0, 2.0],
        ["One"] * 6 + ["Two", "Two", "One"],
    )  # fmt: skip
    values = [10.0, 20.2, 9.9, 20.0, 10.1, np.nan, 30.0, 50.0, 70.0]
    levels = np.array([np.mean([0.0, 0.1]), np.mean([-0.1, -0.1]), 0.1])  # at 1/2 the median is 20.1
    assert place(cells, values) == (pytest.approx(np.var(levels, ddof=1)), 2.0)


def test_places_by_loops() -> None:
    """Twenty kits of five heads at two of three powers each, one of them now and then far off."""
    told = set()
    for seed in range(20):
        rng = np.random.default_rng(seed)
        head, stops = np.repeat(np.arange(5), 2), np.concatenate([rng.permutation(3)[:2] for _ in range(5)]) * 1.0
        values = 180.0 + 4.0 * stops + rng.normal(0.0, 0.1, 10) + np.repeat(rng.normal(0.0, 0.2, 5), 2)
        values += np.where(head == 3, rng.choice([-6.0, 0.0, 1.2]), 0.0)
        away: dict[int, list[float]] = {}
        for at in range(10):
            others = [values[other] for other in range(10) if stops[other] == stops[at]]
            if len({head[other] for other in range(10) if stops[other] == stops[at]}) > 1:
                away.setdefault(int(head[at]), []).append(values[at] - np.median(others))
        levels = np.array([np.mean(one) for one in away.values()])
        alike = [one for one in levels if abs(one - np.median(levels)) <= 3.0 * 0.5]
        spread, free = np.std(alike, ddof=1), len(alike) - 1.0
        narrow = len(alike) > len(levels) / 2 and stats.t.ppf(0.975, free) * spread < 1.96 * 0.5
        found = place(cells_of(head.tolist(), stops.tolist()), values.tolist())
        assert found == ((pytest.approx(spread**2), free) if narrow else (0.25, np.inf))
        told.add((narrow, len(alike) < len(levels)))
    assert len(told) > 2


def test_the_assumed_place_in_tint_and_of_output() -> None:
    sizes = [
        place(cells_of([0]), [0.0], watch, name)[0] for watch in (WATCHED, UNWATCHED) for name in ("duv", "u_prime")
    ]
    assert sizes == pytest.approx(
        [float(cell_doubts.size_of(name, 0.5, cell_doubts.PLACEMENT_DUV)) ** 2 for name in ("duv", "u_prime")]
        + [
            float(cell_doubts.size_of(name, 0.5, cell_doubts.PLACEMENT_DUV)) ** 2
            + float(cell_doubts.size_of(name, 1.0, cell_doubts.UNWATCHED_DUV)) ** 2
            for name in ("duv", "u_prime")
        ]
    )
    assert place(cells_of([0]), [0.0], UNWATCHED, "output_stops")[0] == 0.0


# --- what frames share ------------------------------------------------------------------------------------------------


def test_errors_that_frames_share_and_lamps_that_were_switched_by_loops() -> None:
    """Three cells of frames 1 to 5 of 0 to 6; two stretches of room light: p (1 - q) of each two of their frames."""
    rng = np.random.default_rng(2)
    rows = np.array([1, 2, 3, 4, 5])
    cell = np.array([9, 0, 0, 1, 1, 2, 9])
    room = np.array([0, 0, -1, 0, 1, 1, 1])
    share, effect, shared = rng.uniform(0.1, 0.9, 7), rng.normal(0.0, 2.0, 7), rng.uniform(0.1, 0.5, 7)
    frames: Any = SimpleNamespace(
        cell=cell, shared={"mired": shared}, room=room, share=share, room_effects={"mired": effect}
    )
    means = rng.normal(0.0, 1.0, (4, 5))
    found = cell_doubts._shared(frames, "mired", rows, means, 4)
    wanted = np.diag([(shared[1] ** 2 + shared[2] ** 2) / 2, (shared[3] ** 2 + shared[4] ** 2) / 2, shared[5] ** 2, 0])
    for i, a in enumerate(rows):
        for j, b in enumerate(rows):
            if room[a] == room[b] >= 0:
                step = min(share[a], share[b]) * (1.0 - max(share[a], share[b])) * effect[a] * effect[b]
                wanted += step * np.outer(means[:, i], means[:, j])
    assert found == pytest.approx(wanted)


def test_no_cell_is_surer_than_the_noise_of_its_frames_by_hand() -> None:
    """Noise of 0.3 in two frames: 0.09 / 2 = 0.045 at least, 4.5 times as much; 0.1 in one is less than 0.04 by far."""
    parts = np.array([[[0.01, 0.004, 0.0], [0.004, 0.02, 0.0], [0.0, 0.0, 0.0]], np.diag([0.0, 0.02, 0.0])])
    cells = cells_of([0, 0, 1, 1])
    three = cell_doubts.hold_to_noise(cells, np.array([3, 3, 3]), np.full(3, 0.6), np.full((2, 4, 4), 0.001))
    assert three[0, 3, 3] == pytest.approx(0.36 / 3 / 2), "both heads' parts are 0.002"
    assert three[0, 0, 0] == 0.001
    cells = cells_of([0, 0, 1])
    found = cell_doubts.hold_to_noise(cells, np.array([0, 0, 1, 2, 2]), np.array([0.3, 0.3, 0.1, 0.2, np.nan]), parts)
    assert found[0] == pytest.approx(
        np.array([[0.045, 0.004 * np.sqrt(4.5), 0], [0.004 * np.sqrt(4.5), 0.02, 0], [0] * 3])
    )
    assert found[1] == pytest.approx(np.diag([0.0, 0.02, 0.2**2 / 4]), abs=1e-12), (
        "frames that read the same: noise alone"
    )


def test_heads_in_turns_one_block_or_output_have_nothing_between() -> None:
    frames: Any = SimpleNamespace(block=np.array([0, 0, 1, 1]), clock=np.array([0.0, 0.2, 0.6, 1.0]), rounds=1)
    rows, means = np.arange(4), np.array([[0.5, 0.5, 0.0, 0.0], [0.0, 0.0, 0.5, 0.5]])
    apart, line = cell_doubts._between(frames, "duv", rows, means)
    assert apart == pytest.approx(np.eye(2))
    assert line == pytest.approx(np.outer([-0.35, 0.35], [-0.35, 0.35]))
    assert not np.any(cell_doubts._between(frames, "output_stops", rows, means))
    assert not np.any(cell_doubts._between(frames, "mired", rows[:2], means[:, :2]))
    frames.rounds = 2
    assert not np.any(cell_doubts._between(frames, "mired", rows, means))


# --- degrees of freedom and scatter -----------------------------------------------------------------------------------


def two_heads(rounds: int = 1) -> tuple[Any, Any, np.ndarray]:
    """Head 0 with seven frames of two lights and a warm-up term, head 1 with five of two; a frame without a value."""
    rng = np.random.default_rng(5)
    cell = np.array([0, 1, 1, 0, 0, 1, 0, 2, 3, 3, 2, 2, 3])
    head = np.array([0] * 7 + [1] * 6)
    frames: Any = SimpleNamespace(
        cell=cell, head=head, stops=(cell % 2).astype(float), place=np.array([*range(7), *range(6)], dtype=float),
        warmth=rng.normal(0.0, 1.0, 13), slope=rng.normal(0.0, 1.0, 13), rounds=rounds,
        heat=SimpleNamespace(kept=np.array([True, False])),
    )  # fmt: skip
    values = rng.normal(180.0, 1.0, 13)
    values[9] = np.nan
    return cells_of([0, 0, 1, 1]), frames, values


def test_the_system_is_least_squares_of_means_and_warmth_and_counts_what_it_takes() -> None:
    cells, frames, values = two_heads()
    system = joint_fit._system(cells, frames, values)
    rows = np.flatnonzero(np.isfinite(values))
    design = np.column_stack(
        [(frames.cell[rows][:, None] == np.arange(4)) * 1.0, (frames.head[rows] == 0) * frames.warmth[rows]]
    )
    solved = np.linalg.lstsq(design, values[rows], rcond=None)[0]
    left = values[rows] - design @ solved
    assert system.rows.tolist() == rows.tolist()
    assert system.fit.coefficients == pytest.approx(solved)
    assert system.amplitude == pytest.approx([solved[4], 0.0])
    assert system.places.tolist() == [0, 1, 2, 3, 4]
    assert system.bend == pytest.approx(np.where(frames.head[rows] == 0, solved[4], 0.0) * frames.slope[rows])
    assert system.sums == pytest.approx([np.sum(left[:7] ** 2), np.sum(left[7:] ** 2)])
    assert system.free.tolist() == [7 - 2 - 2.0, 5 - 2], "two lights, a term and the time constant; two lights"
    first, second = system.runs
    assert first.residuals == pytest.approx(left[:7])
    assert (first.design.shape, second.design.shape) == ((7, 3), (5, 2))
    assert first.cell.tolist() == frames.cell[:7].tolist()
    assert second.stops.tolist() == frames.stops[rows][7:].tolist()
    assert second.place.tolist() == frames.place[rows][7:].tolist()
    assert not system.fit.estimator[:2, 7:].any(), "heads share nothing"


def test_rounds_that_are_taken_off_take_their_share_of_freedom_from_each_head() -> None:
    """Three rounds take two degrees of freedom, by the share of the frames: 7 and 5 of 12."""
    cells, frames, values = two_heads(rounds=3)
    free = joint_fit._system(cells, frames, values).free
    assert free == pytest.approx([3.0 - 2.0 * 7 / 12, 3.0 - 2.0 * 5 / 12])
    frames.rounds = 30
    assert joint_fit._system(cells, frames, values).free.tolist() == [0.0, 0.0]


def test_heads_with_a_kept_term_share_the_time_constant() -> None:
    cells, frames, values = two_heads()
    frames.heat.kept = np.array([True, True])
    system = joint_fit._system(cells, frames, values)
    assert system.free.tolist() == [7 - 2 - 1.5, 5 - 2 - 1.5]
    assert system.places.tolist() == [0, 1, 2, 3, 4, 5]


def chance(doubt: float, free: list[float], monkeypatch: pytest.MonkeyPatch) -> Any:
    monkeypatch.setattr(joint_fit, "find_pattern", lambda runs: Pattern())
    monkeypatch.setattr(joint_fit, "moderated", lambda variance, dof: (variance, dof))
    design = np.array([[1.0, 0.0], [1.0, 0.0], [0.0, 1.0], [0.0, 1.0]])
    run = Run(np.array([0.1, -0.1, 0.2, -0.2]), np.zeros(4), np.arange(4.0), np.array([0, 0, 1, 1]), design)
    empty = Run(np.zeros(0), np.zeros(0), np.zeros(0), np.zeros(0, dtype=int), np.zeros((0, 0)))
    system: Any = SimpleNamespace(
        runs=(run, empty), free=np.array(free), sums=np.array([0.1, 0.0]), head=np.zeros(4, dtype=int),
        values=np.array([1.0, 3.0, 10.0, 14.0]),
    )  # fmt: skip
    return joint_fit._chance(system, doubt)


def test_the_variance_of_a_head_by_hand(monkeypatch: pytest.MonkeyPatch) -> None:
    """Four frames of two lights: 2 degrees of freedom, of which a time constant takes half of one."""
    found = chance(0.0, [1.5, 0.0], monkeypatch)
    assert found.variance[0] == pytest.approx(0.1 / 1.5)
    assert found.dof == pytest.approx([1.5, 0.0])
    assert np.isnan(found.variance[1])


def test_a_doubted_warm_up_brings_the_scatter_without_it_in(monkeypatch: pytest.MonkeyPatch) -> None:
    """About their cells' means the frames scatter by 2 x 1 and 2 x 4, over 2: 5; of that, less 0.05, four tenths."""
    assert chance(0.4, [2.0, 0.0], monkeypatch).variance[0] == pytest.approx(0.05 + 0.4 * (5.0 - 0.05))


# --- what was seen twice ----------------------------------------------------------------------------------------------


def seen(frames: dict[str, Any], system: dict[str, Any]) -> list[Seen]:
    none = pd.DataFrame({name: [] for name in ("head", "stops", "visit", "mired", "warmth", "clock")}).astype(float)
    usual = {"rounds": 1, "checks": none, "block": np.zeros(0, int), "cell": np.zeros(0, int), "clock": np.zeros(0)}
    of = {"free": np.array([4.0, 0.0]), "sums": np.array([2.0, 1.0]), "amplitude": np.array([0.0, 0.0]),
          "rows": np.zeros(0, int), "head": np.zeros(0, int),
          "fit": SimpleNamespace(residuals=np.zeros(0))}  # fmt: skip
    made: Any = SimpleNamespace(**usual | frames), SimpleNamespace(**of | system)
    return joint_fit._seen(cells_of([0, 1]), made[0], "mired", made[1])


def checks(**more: list[float]) -> pd.DataFrame:
    """Two visits of two check frames each; the second frame of a visit reads one more than the first."""
    usual = {"head": [0] * 4, "stops": [0.0] * 4, "visit": [3, 3, 8, 8], "mired": [1.0, 2.0, 4.0, 5.0],
             "warmth": [0.0] * 4, "clock": [0.1, 0.2, 0.7, 0.9]}  # fmt: skip
    return pd.DataFrame(usual | more)


def test_the_visits_of_check_frames_are_seen_with_a_level_for_each_place_in_a_visit() -> None:
    found = seen({"checks": checks()}, {})
    assert [(one.light, one.clock, one.noise) for one in found] == [
        (-1, pytest.approx(0.15), 0.5 / 2), (-1, pytest.approx(0.8), 0.5 / 2)
    ]  # fmt: skip
    assert [one.value for one in found] == pytest.approx([1.0, 4.0])
    warm = seen({"checks": checks(warmth=[0.0, 0.5, 1.0, 1.5])}, {"amplitude": np.array([2.0, 0.0])})
    assert [one.value for one in warm] == pytest.approx([1.0, 2.0]), "two mired for a whole warmth are taken off"


def test_the_noise_of_a_head_without_repeats_is_that_of_all() -> None:
    found = seen({"checks": checks(head=[1] * 4)}, {})
    assert [one.noise for one in found] == [(3.0 / 4.0) / 2] * 2
    none = seen({"checks": checks(head=[1] * 4)}, {"free": np.zeros(2)})
    assert [one.noise for one in none] == [0.0, 0.0]


def test_each_light_of_check_frames_is_its_own_and_one_visit_or_an_unknown_value_is_left_out() -> None:
    two = pd.concat([checks(), checks(stops=[2.0] * 4, mired=[7.0, 7.0, 9.0, 9.0])], ignore_index=True)
    assert [one.light for one in seen({"checks": two}, {})] == [-1, -1, -2, -2]
    assert seen({"checks": checks(visit=[3, 3, 3, 3])}, {}) == []
    assert seen({"checks": checks(mired=[1.0, np.nan, 4.0, 5.0])}, {}) == []
    assert seen({"checks": checks(), "rounds": 2}, {}) == []


def test_a_head_that_was_shot_in_two_blocks_is_seen_by_what_the_fit_leaves_of_it() -> None:
    """Light 0 of head 0 in blocks 0 and 2, with a frame of light 1 between; head 1 in block 1 alone."""
    block, cell = np.array([0, 0, 0, 1, 1, 2]), np.array([0, 0, 1, 2, 2, 0])
    system = {
        "rows": np.array([1, 2, 3, 4, 5, 6]), "head": np.array([0, 0, 0, 1, 1, 0]),
        "fit": SimpleNamespace(residuals=np.array([0.3, 0.1, 5.0, 7.0, 7.0, -0.4])),
    }  # fmt: skip
    of_all = {
        "block": np.append(9, block),
        "cell": np.append(9, cell),
        "clock": np.array([9.0, 0.0, 0.1, 0.2, 0.4, 0.5, 1.0]),
    }
    found = seen(of_all, system)
    assert [(one.light, one.noise) for one in found] == [(0, 0.5 / 2), (0, 0.5)]
    assert [one.value for one in found] == pytest.approx([0.2, -0.4])
    assert [one.clock for one in found] == pytest.approx([0.05, 1.0])


def test_visits_of_unlike_numbers_of_frames_are_as_sure_as_their_frames() -> None:
    """Three frames in the first visit, one in the second, two in the third; the later read more."""
    table = checks(head=[0] * 6, stops=[0.0] * 6, visit=[3, 3, 3, 5, 8, 8], mired=[1.0, 2.0, 3.0, 9.0, 4.0, 5.0],
                   warmth=[0.0] * 6, clock=[0.0, 0.1, 0.2, 0.5, 0.8, 0.9])  # fmt: skip
    found = seen({"checks": table}, {})
    assert [one.noise for one in found] == pytest.approx([0.5 / 3, 0.5, 0.5 / 2])
    assert [one.value for one in found] == pytest.approx([1.0, 9.0, 4.0])
    assert [one.clock for one in found] == pytest.approx([0.1, 0.5, 0.85])
