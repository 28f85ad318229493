"""The tables of a session from lights that are written down, and what is told of heads, each by its formula."""

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from greystep.compare import differences, drift, heads, powers
from greystep.compare.differences import components, difference, doubt_of_means, slope, spans
from greystep.compare.drift import HeatByShots, HeatNotSeparable, NothingRepeated, NotRepeated, Timing
from greystep.compare.fit import Estimates, draw_distances
from greystep.errors import GreystepError
from greystep.session.settings import HeadInfo
from greystep.terms import Withheld
from helpers import synthetic
from helpers.kits import drift_of


def t(dof: float) -> float:
    return float(stats.t.ppf(0.975, dof))


# --- differences ------------------------------------------------------------------------------------------------------


def test_kelvin_and_steps_are_made_of_mired_and_of_two_axes() -> None:
    """At 200 mired one mired is 25 K; steps are 0.0011 of u'v', their variance the sum of both axes."""
    found = drift_of([[200.0, 210.0]], duv=[[0.0, 0.002]], dof=[12.0])
    (kelvin,) = components(found.fitted, "kelvin")
    assert kelvin.values == pytest.approx([5000.0, 1e6 / 210.0])
    assert np.diagonal(kelvin.parts[0]) == pytest.approx([(0.1 * 25.0) ** 2, (0.1 * 1e6 / 210.0**2) ** 2])
    axes = components(found.fitted, "steps")
    assert [axis.values[1] - axis.values[0] for axis in axes] == pytest.approx(
        [(0.0004 * 10.0 - 0.3 * 0.002) / 0.0011, (0.00025 * 10.0 + 1.2 * 0.002) / 0.0011]
    )
    size, half = difference(axes, np.array([0]), np.array([1]))
    assert size[0] == pytest.approx(np.hypot(0.0034, 0.0049) / 0.0011)
    assert half[0] == pytest.approx(t(12.0) * np.sqrt(2.0 * 2.0) * 0.1 * 5e-4 / 0.0011)
    uneven = dict(found.fitted)
    uneven["v_prime"] = replace(
        uneven["v_prime"], cells=replace(uneven["v_prime"].cells, dof=np.array([4.0, 9, 9, 9, 9]))
    )
    assert components(uneven, "steps")[0].dof.tolist() == [4.0, 1.0, 5.0, 9.0, 9.0], "the smaller of both"


def test_the_doubt_of_a_mean_less_other_means() -> None:
    """Light 0 less light 2, and light 1 less the mean of 2 and 3; a light may be held against none."""
    found = drift_of([[180.0, 180.0], [180.0, 180.0]], dof=40.0)
    mired, duv = doubt_of_means(found.fitted, {0: 2, 1: np.array([2, 3])})
    weights = np.array([0.5, 0.5, -0.5 - 0.25, -0.25])
    parts = np.array([0.5, 0.625]) * 0.01
    dof = parts.sum() ** 2 / np.sum(parts**2 / 40.0)
    factor = 2.0 if dof > 50 else t(dof)
    assert mired == pytest.approx(factor * 0.1 * np.sqrt(np.sum(weights**2)), rel=1e-3)
    assert duv == pytest.approx(mired / 1000.0)
    alone = doubt_of_means(found.fitted, {1: np.zeros(0, dtype=int)})
    assert alone[0] == pytest.approx(t(40.0) * 0.1, rel=1e-3)


def test_a_slope_weighs_lights_by_their_frames() -> None:
    mired = Estimates(np.array([180.0, 182.0, 187.0, np.nan]), np.diag([0.04, 0.01, 0.09, 0.0])[None], np.array([10.0]))
    stops, n = np.array([0.0, 1.0, 3.0, 5.0]), np.array([3.0, 1.0, 2.0, 0.0])
    found = slope(mired, np.array([0, 1, 2]), stops, n)
    design = np.column_stack([np.ones(3), stops[:3]]) * np.sqrt(n[:3])[:, None]
    solved = np.linalg.pinv(design) * np.sqrt(n[:3])
    assert found[0] == pytest.approx((solved @ mired.values[:3])[1])
    assert found[1] == pytest.approx(t(10.0) * np.sqrt(np.sum(solved[1] ** 2 * [0.04, 0.01, 0.09])))
    assert np.isnan(slope(mired, np.array([1]), stops, n)).all()
    assert np.isnan(slope(mired, np.array([0, 1]), np.zeros(4), n)).all(), "at one power there is no slope"


def test_the_doubt_of_a_span_is_that_of_the_differences_that_may_be_the_widest() -> None:
    """Of three lights of a head two stand 5 apart and clear of the third: their own interval, from the same draws."""
    found = drift_of([[180.0, 185.0, 182.5], [180.0, 180.0, 180.3]], sd=0.1, dof=[10.0, 25.0])
    told = spans(found.cells, found.fitted, np.random.default_rng(9))
    rng = np.random.default_rng(9)
    parts = found.fitted["mired"].cells
    for head, leading in ((0, [(0, 1)]), (1, [(0, 1), (0, 2), (1, 2)])):
        mine = slice(3 * head, 3 * head + 3)
        own = Estimates(parts.values[mine], parts.parts[[head], mine, mine], parts.dof[[head]])
        errors, _ = draw_distances([own], differences.DRAWS, rng, studentised=True)
        reach = np.max([np.abs(errors[0][a] - errors[0][b]) for a, b in leading], axis=0)
        assert told["u_span_mired"][head] == pytest.approx(np.quantile(reach, 0.95))
    assert told["span_mired"] == pytest.approx([5.0, 0.3])


def test_one_light_has_no_span_and_none_is_unknown() -> None:
    found = drift_of([[180.0, None], [None, None], [180.0, 183.0]], dof=[9.0, 9.0, 0.0])
    told = spans(found.cells, found.fitted, np.random.default_rng(1))
    assert told["span_mired"] == pytest.approx([0.0, np.nan, 3.0], nan_ok=True)
    assert told["u_span_mired"] == pytest.approx([0.0, np.nan, np.nan], nan_ok=True)


# --- what is known of a head ------------------------------------------------------------------------------------------


def test_how_fast_a_test_was_shot() -> None:
    """Flashes of A at 0, 10 and 30 s, of B at 400, 420 and 430 s, of A at 900 s."""
    frames: Any = SimpleNamespace(
        seconds=np.array([0.0, 10.0, 30.0, 400.0, 420.0, 430.0, 900.0]), turns=np.array([0, 0, 0, 1, 1, 1, 0])
    )
    assert drift._timing(frames) == Timing(15.0, (370.0 + 470.0) / 2.0)
    frames.turns = np.zeros(7, dtype=int)
    assert drift._timing(frames) == Timing(20.0, 0.0)
    frames.turns = np.arange(7)
    assert np.isnan(drift._timing(frames).frame_s)
    frames.seconds = np.zeros(0)
    assert np.isnan(drift._timing(frames).frame_s)


def test_the_scatter_of_each_light_needs_two_known_frames() -> None:
    cell, values = np.array([0, 0, 0, 1, 2, 2, 2]), np.array([1.0, 4.0, 6.0, 9.0, 1.0, np.nan, 5.0])
    assert powers._sd(cell, values, 4) == pytest.approx(
        [np.std([1, 4, 6], ddof=1), np.nan, np.sqrt(8.0), np.nan], nan_ok=True
    )


def test_the_correlation_of_neighbours_by_hand() -> None:
    assert heads._lag1(np.array([1.0, 2.0, -1.0])) == pytest.approx((2.0 - 2.0) / 6.0)
    assert heads._lag1(np.array([1.0, 2.0, 3.0])) == pytest.approx(8.0 / 14.0)
    assert np.isnan(heads._lag1(np.array([1.0, 2.0])))
    assert np.isnan(heads._lag1(np.zeros(5)))


def warm(separable: bool = True, **more: Any) -> tuple[Any, Any]:
    """Head 0 with six frames of two lights; residuals that follow the warmth within each light by 3."""
    warmth = np.array([0.0, 0.4, 0.5, 0.6, 1.0, 0.8])
    cell = np.array([0, 1, 1, 0, 0, 1])
    away = warmth - np.array([warmth[cell == one].mean() for one in (0, 1)])[cell]
    left = 3.0 * away + np.array([0.1, -0.1, 0.1, 0.1, -0.2, 0.0])
    frames = SimpleNamespace(
        head=np.append(np.zeros(6, int), 1), warmth=np.append(warmth, 9.0), cell=np.append(cell, 2),
        heat=SimpleNamespace(separable=np.array([separable, True]), kept=np.array([False, False])),
    )  # fmt: skip
    usual = {"residuals": np.append(left, 9.0), "dof": np.array([4.0, 0.0]), "steady": np.zeros(7), "heat": np.zeros(7)}
    return frames, SimpleNamespace(**usual | more)


def test_a_warm_up_that_is_not_kept_is_stated_by_least_squares_within_the_lights() -> None:
    frames, mired = warm()
    size, half = heads._warmup(frames, mired, 0)
    warmth, cell = frames.warmth[:6], frames.cell[:6]
    design = np.column_stack([(cell[:, None] == [0, 1]) * 1.0, warmth])
    values = mired.residuals[:6]
    solved = np.linalg.lstsq(design, values, rcond=None)[0]
    left = np.sum((values - values.mean() * 0 - design @ solved) ** 2)
    assert size == pytest.approx(solved[2] * 1.0), "from the first frame to the hottest"
    spread = np.sum((warmth - design[:, :2] @ np.linalg.lstsq(design[:, :2], warmth, rcond=None)[0]) ** 2)
    assert half == pytest.approx(t(3.0) * np.sqrt(left / 3.0 / spread), rel=1e-6)
    assert np.isnan(heads._warmup(*warm(separable=False), 0)).all()
    assert np.isnan(heads._warmup(*warm(dof=np.array([1.0, 0.0])), 0)).all()
    assert np.isnan(heads._warmup(*warm(), 1)).all(), "one frame"
    none, mired = warm()
    none.head[:] = 0
    assert np.isnan(heads._warmup(none, mired, 1)).all()


def test_a_warm_up_that_is_kept_is_that_of_the_fit() -> None:
    frames, mired = warm(warmup=np.array([5.0, 0.0]), warmup_variances=np.array([[0.04, 0.0], [0.0, 0.0]]))
    frames.heat.kept[0] = True
    mired.cells = SimpleNamespace(dof=np.array([8.0, np.inf]))
    assert heads._warmup(frames, mired, 0) == pytest.approx((5.0, t(8.0) * 0.2))


def test_how_far_a_light_moved_over_power_and_heat() -> None:
    """Lights of 180 and 183 mired; heat adds -1 to 1.5: the lowest frame reads 179, the highest 184.5."""
    frames, mired = warm(heat=np.array([-1.0, -0.5, 0.0, 0.5, 1.0, 1.5, 0.0]), amplitude=np.array([2.5, 0.0]))
    values, parts = np.array([180.0, 183.0, 1.0]), np.array([np.diag([0.04, 0.09, 0.0]), np.zeros((3, 3))])
    mired.cells = Estimates(values, parts, np.array([8.0, np.inf]))
    mired.warmup_variances = np.array([[0.5, np.nan], [0.0, 0.0]])
    size, half = heads._moved(None, frames, mired, 0)  # type: ignore[arg-type]
    assert size == pytest.approx(5.5)
    share = 0.8 / 1.0  # the frames farthest apart are 0.8 of the way from the first to the hottest
    variances = np.array([0.04 + 0.09 + share**2 * 0.5, 0.0])
    assert half == pytest.approx(t(8.0) * np.sqrt(variances.sum()))
    mired.amplitude[0] = 0.0
    assert heads._moved(None, frames, mired, 0)[1] == pytest.approx(t(8.0) * np.sqrt(0.13))  # type: ignore[arg-type]
    mired.steady[:] = np.nan
    assert np.isnan(heads._moved(None, frames, mired, 0)).all()  # type: ignore[arg-type]


def test_tables_by_hand() -> None:
    """B at 1/2 has no frame; A is measured from 1/1, and the reference is A at 1/1."""
    found = drift_of(
        [[180.0, 182.0, 181.0], [190.0, None, 193.0]], duv=[[0.0, 1e-3, 0.0], [2e-3, 0.0, 0.0]],
        output=[[0.1, 0.3, -0.15], [0.0, 0.0, 0.25]],
    )  # fmt: skip
    powers, heads = found.powers, found.heads
    assert powers["delta_mired"].to_numpy() == pytest.approx([0, 2, 1, 0, np.nan, 3], nan_ok=True)
    assert powers["output_error_stops"].to_numpy() == pytest.approx([0, 0.2, -0.25, 0, np.nan, 0.25], nan_ok=True)
    assert powers["ref_delta_mired"].to_numpy() == pytest.approx([0, 2, 1, 10, np.nan, 13], nan_ok=True)
    assert powers["ref_delta_k"][3] == pytest.approx(1e6 / 190.0 - 1e6 / 180.0)
    assert powers["ref_delta_duv"][3] == pytest.approx(2e-3)
    apart = np.hypot(0.0004 * 10 - 0.3 * 2e-3, 0.00025 * 10 + 1.2 * 2e-3) / 0.0011
    assert powers["ref_delta_steps"][3] == pytest.approx(apart)
    assert powers["u_output_stops"][:3].to_numpy() == pytest.approx(np.full(3, t(20.0) * 0.001), rel=1e-3)
    assert powers["u_output_error_stops"][1] == pytest.approx(t(20.0) * 0.001 * np.sqrt(2.0), rel=1e-3)
    assert heads["largest_output_error_stops"].to_numpy() == pytest.approx([-0.25, 0.25])
    assert heads["u_largest_output_error_stops"].to_numpy() == pytest.approx(
        np.full(2, t(20.0) * 0.001 * np.sqrt(2.0)), rel=1e-3
    )
    assert heads["n"].tolist() == [3, 2]
    assert heads["slope_mired_per_stop"].to_numpy() == pytest.approx([0.5, 1.5])
    assert heads["moved_mired"].to_numpy() == pytest.approx([2.0, 3.0])
    assert found.own_reference.tolist() == [0, 0, 0, 3, 3, 3]


def test_a_head_without_its_highest_light_is_measured_from_the_next() -> None:
    found = drift_of([[180.0, 182.0], [None, 190.0]], output=[[0.0, 0.0], [0.0, 0.0]])
    assert found.own_reference.tolist() == [0, 0, 3, 3]
    assert found.heads["largest_output_error_stops"].tolist() == [0.0, 0.0], "none is off"
    lost = drift_of([[180.0], [None]])
    assert lost.own_reference.tolist() == [0, -1]
    assert np.isnan(lost.heads["largest_output_error_stops"][1])
    assert np.isnan(lost.powers["delta_mired"][1])


def test_pairs_are_of_two_heads_of_one_body_with_what_another_camera_may_see() -> None:
    """One type, 10 mired: 4 % of it, k = 2, and 7 % where the power differs; unknown types 3 mired."""
    settings = replace(synthetic.make_session(), heads={one: HeadInfo("", "", None, {}, "one") for one in "AB"})
    found = drift_of([[180.0, 181.0], [190.0], [180.0], [180.0]], bodies=["One"] * 3 + ["Two"], settings=settings)
    pairs = found.pairs
    assert list(zip(pairs["head_a"], pairs["power_a"], pairs["head_b"], pairs["power_b"], strict=True)) == [
        ("A", "1/1", "B", "1/1"), ("A", "1/1", "C", "1/1"), ("A", "1/2", "B", "1/1"), ("A", "1/2", "C", "1/1"),
        ("B", "1/1", "C", "1/1"),
    ]  # fmt: skip
    assert pairs["u_observer_mired"].to_numpy() == pytest.approx(
        2.0 * np.array([0.4, 3.0, np.hypot(0.04, 0.07) * 9.0, np.hypot(3.0, 0.07), 3.0])
    )
    assert pairs["body"].tolist() == ["One"] * 5
    packs = drift_of([[180.0], [181.0]], parts={"pack": [["P1"], ["P2"]]}).pairs
    assert (packs["pack_a"].tolist(), packs["pack_b"].tolist()) == (["P1"], ["P2"])


# --- what limits the answer -------------------------------------------------------------------------------------------


def test_notes_by_what_is_missing() -> None:
    found = drift_of([[180.0, 181.0], [180.0, 181.0], [None, None]], dof=[5.0, 0.0, 0.0])
    assert found.notes == (NotRepeated(("B",)),)
    assert drift_of([[180.0, 181.0]], dof=0.0).notes == (NothingRepeated(),)
    assert drift_of([[None, None]], dof=0.0).notes == ()
    frames: Any = found.frames
    frames.heat.separable[:] = [False, True, False]
    frames.seconds = np.zeros(0)
    told = drift._notes(found.cells, frames, found.fitted)
    assert told == [HeatNotSeparable(("A",)), NotRepeated(("B",)), HeatByShots()]
    frames.cell = np.zeros(0, dtype=int)
    assert HeatByShots() not in drift._notes(found.cells, frames, found.fitted)


def test_lights_of_which_nothing_can_be_called() -> None:
    found = drift_of([[180.0, 181.0], [180.0], [180.0, 181.0]])
    frames: Any = found.frames
    frames.heat.separable[:] = [True, False, False]
    frames.proven[:] = [True, True, True, True, False]
    held = drift._withheld(found.cells, frames).tolist()
    assert held == ["", "", "", Withheld.HEAT, Withheld.ROOM], "of one power nothing hides; room light before heat"


def test_what_was_watched_between_lights() -> None:
    """Blocks 0 and 3 hold A; block 5 holds B, and C at 1/1; without check frames nothing watched between them."""
    found = drift_of([[180.0, 180.0], [180.0], [180.0]])
    frames: Any = found.frames
    assert drift._watched(found.cells, frames, found.fitted).all()
    still = replace(found.fitted["mired"], watch=replace(found.fitted["mired"].watch, dof=0.0))
    frames.cell, frames.block = np.array([0, 0, 1, 2, 3]), np.array([0, 3, 0, 5, 5])
    watched = drift._watched(found.cells, frames, {"mired": still})
    assert watched.tolist() == [[True, False, False, False], [False, True, False, False],
                                [False, False, True, True], [False, False, True, True]]  # fmt: skip
    frames.rounds = 2
    assert drift._watched(found.cells, frames, {"mired": still}).all()


def test_a_session_without_any_colour_is_refused() -> None:
    blind = drift_of([[180.0, 180.0]], colourless=[True, True])
    with pytest.raises(GreystepError, match="no colour matrix is known"):
        drift.check_colour(blind, synthetic.make_session())
    drift.check_colour(drift_of([[180.0, 180.0]], colourless=[True, False]), synthetic.make_session())


def test_the_reference_of_each_body_and_that_of_the_first_for_the_power() -> None:
    found = drift_of(
        [[180.0, 182.0], [190.0, 193.0]], bodies=["One", "Two"], settings=synthetic.make_session(power="-1")
    )
    assert found.reference["mired"] == 182.0
    assert found.powers["ref_delta_mired"].tolist() == [-2.0, 0.0, -3.0, 0.0]
    assert found.own_reference.tolist() == [1, 1, 3, 3]
    kit = drift_of([[180.0, 182.0], [190.0, 193.0]], settings=synthetic.make_session(kit=True, power="-1"))
    assert kit.reference["mired"] == pytest.approx(187.5)
    assert (kit.reference["head"], kit.reference["kit"]) == (None, True)
    none = drift_of([[180.0]], settings=synthetic.make_session(kit=True, power="-3"))
    assert (none.reference["kit"], none.reference["mired"]) == (True, None)
    assert isinstance(none.powers, pd.DataFrame)
    assert none.powers["ref_delta_mired"].isna().all()
