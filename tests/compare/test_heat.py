"""Heat told apart from power: closed forms of the heat, and seeded tests of known warm-up."""

from types import ModuleType, SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from greystep.compare import heat as heating
from greystep.compare.blocks import find_blocks
from greystep.compare.cells import find_cells
from greystep.compare.drift import Drift, HeatNotSeparable, analyse
from greystep.compare.firing_times import index_clock
from greystep.compare.heat import Fired, find_heat
from greystep.compare.joint_fit import fit_cells
from greystep.sentences.kit_notes import design

FLAT = np.zeros((6, 7))


def fired(stops: list[float], clock: list[float], before: list[int] | None = None) -> Fired:
    cells = np.unique(stops, return_inverse=True)[1]
    return Fired(
        np.zeros(len(stops), dtype=np.intp),
        cells.astype(np.intp),
        np.array(stops),
        np.array(clock),
        np.array(before or [0] * len(stops), dtype=np.intp),
    )


def energy_heat(stops: list[float], clock: list[float], tau: float) -> np.ndarray:
    """Sum over the flashes before: energy times exp(-age / tau); a dump half-way before a lower power."""
    heat = np.zeros(len(stops))
    for shot in range(len(stops)):
        for before in range(shot):
            heat[shot] += 2.0 ** -stops[before] * np.exp(-(clock[shot] - clock[before]) / tau)
            if stops[before + 1] > stops[before]:
                age = clock[shot] - (clock[before] + clock[before + 1]) / 2
                heat[shot] += 2.0 ** -stops[before] * np.exp(-age / tau)
    return heat


STOPS = [0.0, 1.0, 2.0, 3.0, 3.0, 2.0, 1.0, 0.0] * 4
CLOCK = list(np.cumsum([9.0, 11.0, 10.0, 8.0, 12.0, 10.0, 9.0, 11.0] * 4))


def test_heat_is_stored_energy_with_dumps_fading_with_time() -> None:
    truth = energy_heat(STOPS, CLOCK, 40.0)
    heat = find_heat(fired(STOPS, CLOCK), 200.0 + 9.0 * truth / truth.max() + 2.0 * np.array(STOPS), 1)
    assert heat.driver == "energy"
    assert heat.tau == pytest.approx(40.0, rel=0.03)
    assert heat.kept[0]
    assert heat.warmth == pytest.approx(energy_heat(STOPS, CLOCK, heat.tau) / energy_heat(STOPS, CLOCK, heat.tau).max())


def test_warm_up_by_shots_saturates_whatever_the_power() -> None:
    truth = 1.0 - np.exp(-np.arange(len(STOPS)) / 8.0)
    heat = find_heat(fired(STOPS, CLOCK), 200.0 + 9.0 * truth + 2.0 * np.array(STOPS), 1)
    assert (heat.driver, heat.kept[0]) == ("shots", True)
    assert heat.tau == pytest.approx(8.0, rel=0.03)
    assert heat.warmth == pytest.approx(1.0 - np.exp(-np.arange(len(STOPS)) / heat.tau))


def test_the_derivative_by_the_time_constant_is_the_finite_difference() -> None:
    truth = 1.0 - np.exp(-np.arange(len(STOPS)) / 8.0)
    heat = find_heat(fired(STOPS, CLOCK), 200.0 + 9.0 * truth, 1)
    k = np.arange(len(STOPS))
    assert heat.slope == pytest.approx(-k / heat.tau * np.exp(-k / heat.tau), abs=1e-4)


def test_a_long_rest_makes_a_head_cold_again() -> None:
    clock = np.arange(len(STOPS)) * 10.0 + np.where(np.arange(len(STOPS)) >= 16, 7200.0, 0.0)
    since = np.concatenate([np.arange(16), np.arange(16)])
    heat = find_heat(fired(STOPS, list(clock)), 200.0 + 9.0 * (1.0 - np.exp(-since / 4.0)), 1)
    assert heat.kept[0]
    assert heat.warmth[0] == 0.0
    assert heat.warmth[16] < 0.01
    assert heat.warmth[15] > 0.9


def test_warm_up_shots_of_the_note_count() -> None:
    cold = find_heat(fired(STOPS, CLOCK), np.full(len(STOPS), 200.0), 1)
    warm = find_heat(fired(STOPS, CLOCK, [3] + [0] * (len(STOPS) - 1)), np.full(len(STOPS), 200.0), 1)
    assert cold.warmth[0] == 0.0
    assert warm.warmth[0] > 0.1


def test_a_dump_after_check_frames_and_warm_up_shots_counts_once() -> None:
    """Two checks at full, 400 s later three warm-up shots at full, a dump, and the head's own block from 1/16 up."""
    stops, clock = [0.0, 0.0, 4.0, 3.0, 3.0, 4.0], [0.0, 10.0, 400.0, 410.0, 420.0, 430.0]
    heat = find_heat(fired(stops, clock, [0, 0, 3, 0, 0, 0]), np.full(6, 200.0), 1)
    tau = heat.tau
    energy = {0.0: 1.0, 10.0: 1.0, 370.0: 1.0, 380.0: 1.0, 390.0: 1.0, 395.0: 1.0, 400.0: 2.0**-4, 410.0: 2.0**-3}
    energy |= {420.0: 2.0**-3, 425.0: 2.0**-3}

    def at(time: float) -> float:
        return sum(one * np.exp(-(time - when) / tau) for when, one in energy.items() if when < time)

    assert heat.driver == "energy"
    assert heat.warmth == pytest.approx(np.array([at(time) for time in clock]) / max(at(time) for time in clock))


def test_power_order_is_recognised_by_the_shots_alone() -> None:
    straight = sorted(STOPS)
    heat = find_heat(fired(straight, CLOCK), 200.0 + np.arange(len(STOPS)) * 0.1, 1)
    assert not heat.separable[0]
    assert not heat.kept[0]
    assert find_heat(fired([0.0] * 6, CLOCK[:6]), np.full(6, 200.0), 1).separable[0], (
        "one power only: nothing to mix up"
    )


def test_without_times_a_change_of_head_is_a_rest_unless_heads_take_turns() -> None:
    by_head, turns = np.repeat([0, 1], 4), np.tile([0, 1], 3)
    clock = index_clock(by_head, np.zeros(8, dtype=bool))
    assert clock[4] - clock[3] > 1000
    assert np.all(np.diff(index_clock(turns, np.zeros(6, dtype=bool))) == 1)
    assert len(index_clock(np.zeros(0, dtype=np.intp), np.zeros(0, dtype=bool))) == 0


@pytest.mark.parametrize(
    ("head", "checks"),
    [
        (np.repeat([0, 1, 2], 2), []),  # two flashes a head, one head after the other
        (np.array([0, 1, 1, 0, 2, 2, 0, 3, 3, 0]), [0, 3, 6, 9]),  # the same, with a check frame between
        (np.tile([0, 1], 5), []),
        (np.array([0, 0, 1, 2, 1, 2, 1, 2, 0, 0]), [0, 1, 8, 9]),
    ],
)
def test_whether_heads_take_turns_is_one_rule_for_blocks_and_clock(head: np.ndarray, checks: list[int]) -> None:
    check = np.isin(np.arange(len(head)), checks)
    rests = np.diff(index_clock(head, check)).max() > 1000
    assert rests != find_blocks(head, np.where(check, -1, head), check, np.zeros(0)).in_turns


def run(synthetic: ModuleType, seed: int, **settings: object) -> Drift:
    offsets = settings.pop("offsets", FLAT)
    return analyse(synthetic.simulate(np.random.default_rng(seed), offsets, **settings), synthetic.make_session())


def shown(warmup: float, shots: int, tau: float) -> float:
    """Return what a head warms by from its first shot to its last."""
    return float(warmup * -np.expm1(-(shots - 1) / tau))


@pytest.mark.parametrize(
    ("repeats", "tau", "order", "seeds"), [(3, 7.0, "up-down", 20), (5, 3.0, "up-down", 12), (3, 7.0, "shuffled", 12)]
)
def test_nine_mired_of_warm_up_leave_no_span(
    synthetic: ModuleType, repeats: int, tau: float, order: str, seeds: int
) -> None:
    """The bar over all heads of the tests: span < 1 and warm-up within 1 mired 95 times in 100, coverage 92-98 %."""
    heads = pd.concat(
        [run(synthetic, seed, repeats=repeats, tau_shots=tau, order=order, warmup=9.0).heads for seed in range(seeds)]
    )
    miss = (heads["warmup_mired"] - shown(9.0, 7 * repeats, tau)).abs()
    assert heads["warmup_kept"].all()
    assert ((heads["span_mired"] < 1) & (miss < 1)).mean() >= 0.95
    spread = 3 * np.sqrt(0.95 * 0.05 / len(heads))
    assert 0.95 - max(0.03, spread) <= (miss <= heads["u_warmup_mired"]).mean() <= 0.95 + max(0.03, spread)
    assert (heads["span_mired"] <= heads["u_span_mired"]).mean() >= 0.95 - max(0.03, spread)


def test_warm_up_and_power_drift_together_are_each_within_their_uncertainty(synthetic: ModuleType) -> None:
    slope = np.array([2.0, -1.0, 0.0, 3.0, 0.5, -2.0])
    offsets = slope[:, None] * np.arange(7.0)
    tables = [run(synthetic, seed, repeats=3, tau_shots=6.0, warmup=9.0, offsets=offsets).heads for seed in range(12)]
    miss = np.array([np.abs(one["slope_mired_per_stop"] - slope) <= one["u_slope_mired_per_stop"] for one in tables])
    warm = np.array([np.abs(one["warmup_mired"] - shown(9.0, 21, 6.0)) <= one["u_warmup_mired"] for one in tables])
    span = np.array([np.abs(one["span_mired"] - 6 * np.abs(slope)) <= one["u_span_mired"] for one in tables])
    assert miss.mean() >= 0.90
    assert warm.mean() >= 0.90
    assert span.mean() >= 0.90


@pytest.mark.usefixtures("spans_unasked")
def test_a_warm_up_that_is_not_there_is_not_kept_and_means_stay_plain(synthetic: ModuleType) -> None:
    kept, covered = [], []
    for seed in range(25):
        drift = run(synthetic, seed, repeats=3)
        kept.append(drift.heads["warmup_kept"].any())
        covered.append((drift.heads["warmup_mired"].abs() <= drift.heads["u_warmup_mired"]).mean())
    assert np.mean(kept) <= 0.12  # 5 % of tests by design
    assert np.mean(covered) == pytest.approx(0.95, abs=0.05)


@pytest.mark.usefixtures("spans_unasked")
def test_all_heads_are_told_in_one_state(synthetic: ModuleType) -> None:
    """A head that warms up and one that does not: both are told at the mean heat of their tests."""
    rng = np.random.default_rng(4)
    warm = synthetic.simulate(rng, np.zeros((1, 7)), repeats=3, warmup=9.0, checks=0)
    steady = synthetic.simulate(rng, np.zeros((1, 7)), repeats=3, checks=0).assign(head="B")
    steady["captured"] = [f"2026-03-02T11:{i // 6:02d}:{i % 6 * 10:02d}" for i in range(len(steady))]
    readings = pd.concat([warm, steady], ignore_index=True).assign(shot=np.arange(42))
    drift = analyse(readings, synthetic.make_session())
    assert list(drift.heads["warmup_kept"]) == [True, True]
    assert drift.heads["warmup_mired"].to_numpy() == pytest.approx([shown(9.0, 21, 5.0), 0.0], abs=0.5)
    mean = 9.0 * np.exp(-np.arange(21) / 5.0).mean()
    assert drift.pairs["delta_mired"].to_numpy() == pytest.approx(np.full(49, mean), abs=0.8)


@pytest.mark.usefixtures("spans_unasked")
@pytest.mark.parametrize("warmup", [0.0, 1.0, 2.0])
def test_like_heads_read_alike_whether_or_not_their_heat_is_seen(synthetic: ModuleType, warmup: float) -> None:
    """Four like heads whose warm-up is near what the test can see: pairs stay within their uncertainty."""
    covered = []
    for seed in range(14):
        drift = run(synthetic, seed, offsets=np.zeros((4, 3)), repeats=3, warmup=warmup)
        assert len(set(drift.heads["warmup_kept"])) == 1
        covered.append((drift.pairs["delta_mired"].abs() <= drift.pairs["u_delta_mired"]).mean())
    assert np.mean(covered) >= 0.92


@pytest.mark.usefixtures("spans_unasked")
def test_power_order_gives_no_warm_up_and_a_note(synthetic: ModuleType) -> None:
    drift = run(synthetic, 1, order="straight", warmup=9.0)
    assert drift.heads["warmup_mired"].isna().all()
    assert drift.heads["u_warmup_mired"].isna().all()
    assert isinstance(drift.notes[0], HeatNotSeparable)
    assert "heat and power cannot be separated" in design(drift.notes[0])
    assert not any(isinstance(note, HeatNotSeparable) for note in run(synthetic, 1).notes)


def test_output_and_tint_carry_the_same_term(synthetic: ModuleType) -> None:
    """Duv that follows mired through the warm-up reads as steady too."""
    readings = synthetic.simulate(np.random.default_rng(2), np.zeros((2, 7)), repeats=3, warmup=9.0, scatter_duv=0.0)
    readings["duv"] = 0.0005 - 0.0002 * (readings["mired"] - 178.6)
    cells, frames = find_cells(readings)
    fitted = fit_cells(cells, frames)
    assert fitted["duv"].cells.values == pytest.approx(
        0.0005 - 0.0002 * (fitted["mired"].cells.values - 178.6), abs=1e-9
    )
    assert fitted["duv"].warmup == pytest.approx(-0.0002 * fitted["mired"].warmup, abs=1e-9)


def test_a_head_without_a_usable_frame_has_no_part_in_the_search() -> None:
    cells = np.array([0, 1, 1, 0, 0, 1, -1, -1])
    head = np.array([0, 0, 0, 0, 0, 0, 1, 1])
    shots = Fired(head, cells, np.array([0.0, 1, 1, 0, 0, 1, 0, 1]), np.arange(8.0), np.zeros(8, dtype=np.intp))
    heat = find_heat(shots, np.where(cells < 0, np.nan, np.arange(8) % 3), 2)
    assert heat.separable.tolist() == [True, False]


@pytest.mark.parametrize(("free", "told"), [(4.0, True), (3.0, False)])
def test_one_degree_of_freedom_is_enough_to_ask_for_chance(
    free: float, told: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A head's term, its share of the time constant and the way of heating take three."""
    monkeypatch.setattr(heating, "_within", lambda *_: (10.0, np.ones(1), np.array([9.9])))
    monkeypatch.setattr(heating, "_free", lambda run: free)
    runs = [SimpleNamespace()]
    chance = heating._by_chance(runs, [np.zeros(5)], np.ones(1, dtype=bool), "energy", 5.0)  # type: ignore[arg-type]
    assert (chance < 1.0) == told
