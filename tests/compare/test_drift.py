"""The tables: hand arithmetic, published lines through the report's own columns, and coverage of the spans."""

from dataclasses import replace
from functools import cache
from types import ModuleType

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from greystep.compare import joint_fit
from greystep.compare.cells import Cells, find_cells
from greystep.compare.differences import spans
from greystep.compare.drift import NothingRepeated, ReferencePowerNotMeasured, analyse
from greystep.compare.joint_fit import Fitted, fit_cells
from greystep.compare.powers import legs
from greystep.compare.scatter import Pattern
from greystep.constants import STEP_UPRIME_VPRIME
from greystep.errors import GreystepError
from greystep.sentences.kit_notes import design, designs
from greystep.session.settings import HeadInfo
from helpers import synthetic as synthetic_maker

POWERS_COLUMNS = [
    "head", "power", "stops", "n", "cct_k", "mired", "duv", "u_prime", "v_prime", "s_cct_k", "s_mired", "s_duv",
    "u_cct_k", "u_mired", "u_duv", "delta_mired", "delta_k", "delta_duv", "delta_steps", "output_stops",
    "output_error_stops", "ref_delta_mired", "ref_delta_k", "ref_delta_duv", "ref_delta_steps",
]  # fmt: skip
HEADS_COLUMNS = [
    "head", "n", "span_k", "span_mired", "u_span_mired", "span_duv", "span_steps", "slope_mired_per_stop",
    "u_slope_mired_per_stop", "repeatability_mired", "repeatability_k", "repeatability_stops", "warmup_mired",
    "u_warmup_mired",
]  # fmt: skip
PAIRS_COLUMNS = [
    "head_a", "power_a", "head_b", "power_b", "delta_mired", "u_delta_mired", "delta_k", "delta_duv", "delta_steps",
]  # fmt: skip


@pytest.fixture
def no_memory(monkeypatch: pytest.MonkeyPatch) -> None:
    """Frames that scatter alike and remember nothing, as by hand; what they do remember has tests in test_scatter."""
    monkeypatch.setattr(joint_fit, "find_pattern", lambda _: Pattern())


@pytest.fixture
def readings(synthetic: ModuleType) -> pd.DataFrame:
    stops = np.array([0, 1, 1, 0] * 2, dtype=float)
    mired = np.array([180.0, 182.0, 182.4, 180.2, 178.0, 178.6, 178.2, 178.4])
    duv = np.array([5, 7, 7, 5, 15, 15, 15, 15]) * 1e-4
    output = np.array([0.0, -1.12, -1.08, 0.02, -0.1, -1.1, -1.1, -0.1])
    return synthetic.table(["A"] * 4 + ["B"] * 4, stops, mired, duv, output)


def test_columns_of_the_contract_are_there_in_order(synthetic: ModuleType, readings: pd.DataFrame) -> None:
    drift = analyse(readings, synthetic.make_session())
    assert [name for name in drift.powers if name in POWERS_COLUMNS] == POWERS_COLUMNS
    assert list(drift.heads)[: len(HEADS_COLUMNS)] == HEADS_COLUMNS
    assert list(drift.pairs)[: len(PAIRS_COLUMNS)] == PAIRS_COLUMNS


@pytest.mark.usefixtures("no_memory")
def test_powers_by_hand(synthetic: ModuleType, readings: pd.DataFrame) -> None:
    powers = analyse(readings, synthetic.make_session()).powers
    assert powers["mired"].to_numpy() == pytest.approx([180.1, 182.2, 178.2, 178.4])
    assert powers["cct_k"].to_numpy() == pytest.approx(1e6 / powers["mired"].to_numpy())
    assert powers["s_mired"].to_numpy() == pytest.approx([0.2 / 2**0.5, 0.4 / 2**0.5, 0.4 / 2**0.5, 0.4 / 2**0.5])
    assert powers["delta_mired"].to_numpy() == pytest.approx([0, 2.1, 0, 0.2])
    assert powers["delta_k"].to_numpy()[1] == pytest.approx(1e6 / 182.2 - 1e6 / 180.1)
    assert powers["delta_duv"].to_numpy() == pytest.approx([0, 2e-4, 0, 0], abs=1e-12)
    step = np.hypot(0.0004 * 2.1 - 0.3 * 2e-4, 0.00025 * 2.1 + 1.2 * 2e-4) / STEP_UPRIME_VPRIME
    assert powers["delta_steps"].to_numpy()[1] == pytest.approx(step)
    assert powers["ref_delta_mired"].to_numpy() == pytest.approx([0, 2.1, -1.9, -1.7])
    assert powers["ref_delta_duv"].to_numpy() == pytest.approx([0, 2e-4, 1e-3, 1e-3], abs=1e-12)
    assert powers["output_stops"].to_numpy() == pytest.approx([0.01, -1.10, -0.1, -1.1])
    assert powers["output_error_stops"].to_numpy() == pytest.approx([0, -0.11, 0, 0], abs=1e-12)
    # Heads that scatter alike: A's own 0.05 with 2 degrees of freedom is drawn towards the 0.065 of both, with 4.
    # Nothing watched camera and mains, and each head has its place.
    scatter = (4 * 0.065 + 2 * 0.05) / 6
    assert powers["u_mired"].to_numpy()[:2] == pytest.approx(2 * np.sqrt(scatter / 2 + 0.5**2 + 1.0**2))
    assert powers["u_delta_mired"].to_numpy()[1] == pytest.approx(stats.t.ppf(0.975, 4) * np.sqrt(scatter), rel=0.06)


@pytest.mark.usefixtures("no_memory")
def test_heads_and_pairs_by_hand(synthetic: ModuleType, readings: pd.DataFrame) -> None:
    drift = analyse(readings, synthetic.make_session())
    heads, pairs = drift.heads, drift.pairs
    assert heads["span_mired"].to_numpy() == pytest.approx([2.1, 0.2])
    assert heads["span_duv"].to_numpy() == pytest.approx([2e-4, 0], abs=1e-12)
    assert heads["slope_mired_per_stop"].to_numpy() == pytest.approx([2.1, 0.2])
    assert heads["repeatability_mired"].to_numpy() == pytest.approx([np.sqrt(0.05), np.sqrt(0.08)])
    assert heads["repeatability_k"][0] == pytest.approx(
        np.sqrt((0.02 * (1e6 / 180.1**2) ** 2 + 0.08 * (1e6 / 182.2**2) ** 2) / 2)
    )
    shared = stats.t.ppf(0.975, 4) * np.sqrt((4 * 0.065 + 2 * 0.05) / 6)  # drawn towards what both have in common
    assert heads["u_span_mired"][0] == pytest.approx(shared, rel=0.02), "one difference: its own interval (by draws)"
    assert heads["u_slope_mired_per_stop"][0] == pytest.approx(shared)
    assert [tuple(row) for row in pairs[["head_a", "power_a", "head_b", "power_b"]].to_numpy()] == [
        ("A", "1/1", "B", "1/1"), ("A", "1/1", "B", "1/2"), ("A", "1/2", "B", "1/1"), ("A", "1/2", "B", "1/2"),
    ]  # fmt: skip
    assert pairs["delta_mired"].to_numpy() == pytest.approx([-1.9, -1.7, -4.0, -3.8])
    assert pairs["delta_k"][0] == pytest.approx(1e6 / 178.2 - 1e6 / 180.1)
    assert (pairs["delta_steps"] >= 0).all()
    assert pairs["u_delta_mired"][0] == pytest.approx(2 * np.sqrt(0.065 / 2 * 2 + 2 * (0.5**2 + 1.0**2)), rel=0.01)


def test_observer_term_by_type_and_power(synthetic: ModuleType, readings: pd.DataFrame) -> None:
    """k = 1: 4 % of the difference for one model, 3 mired otherwise, 7 % more where powers differ; stated at k = 2."""
    alike = {name: HeadInfo("", "", None, {}, "pulse 5") for name in "AB"}
    same = analyse(readings, synthetic.make_session(heads=alike)).pairs["u_observer_mired"].to_numpy()
    other = analyse(readings, synthetic.make_session()).pairs["u_observer_mired"].to_numpy()
    assert same == pytest.approx(
        2 * np.array([0.04 * 1.9, np.hypot(0.04, 0.07) * 1.7, np.hypot(0.04, 0.07) * 4, 0.152])
    )
    assert other == pytest.approx(2 * np.array([3, np.hypot(3, 0.07 * 1.7), np.hypot(3, 0.07 * 4), 3]))


def test_references(synthetic: ModuleType, readings: pd.DataFrame) -> None:
    named = analyse(readings, synthetic.make_session("B", "-1"))
    assert (named.reference["head"], named.reference["power"]) == ("B", "1/2")
    assert named.powers["ref_delta_mired"].to_numpy() == pytest.approx([1.7, 3.8, -0.2, 0])
    assert named.powers["delta_mired"].to_numpy() == pytest.approx([-2.1, 0, -0.2, 0])
    assert named.powers["output_error_stops"].to_numpy() == pytest.approx([0.11, 0, 0, 0], abs=1e-12)
    kit = analyse(readings, synthetic.make_session(kit=True))
    assert kit.reference["kit"]
    assert kit.reference["mired"] == pytest.approx(179.15)
    assert kit.powers["ref_delta_mired"].to_numpy()[0] == pytest.approx(0.95)
    untested = analyse(readings, synthetic.make_session("A", "1/8"))
    assert untested.reference["power"] == "1/1"
    assert untested.notes[0] == ReferencePowerNotMeasured("1/8", "A", "1/1")
    assert "reference power 1/8 was not measured on head A: its highest power, 1/1," in design(untested.notes[0])
    with pytest.raises(GreystepError, match='"Z" is not in the log, which has A, B'):
        analyse(readings, synthetic.make_session("Z"))


def test_two_bodies_are_never_compared(synthetic: ModuleType, readings: pd.DataFrame) -> None:
    readings["body"] = ["Invented 1"] * 4 + ["Invented 2"] * 4
    drift = analyse(readings, synthetic.make_session())
    assert len(drift.pairs) == 0
    assert drift.powers["ref_delta_mired"].to_numpy() == pytest.approx([0, 2.1, 0, 0.2])
    doubled = pd.concat([readings, readings.assign(body="Invented 3", shot=readings["shot"] + 8)], ignore_index=True)
    assert len(analyse(doubled, synthetic.make_session()).heads) == 4
    assert len(analyse(doubled, synthetic.make_session()).pairs) == 4


def test_an_empty_cell_keeps_its_rows_without_values(synthetic: ModuleType, readings: pd.DataFrame) -> None:
    readings.loc[[1, 2], ["status", "flags", "mired"]] = ["rejected", "clipped", np.nan]
    drift = analyse(readings, synthetic.make_session())
    empty = drift.powers.iloc[1]
    assert (empty["power"], empty["n"]) == ("1/2", 0)
    values = [name for name in drift.powers if name not in ("head", "power", "stops", "n", "n_outlier", "body")]
    assert drift.powers.loc[1, values].isna().all()
    assert drift.pairs["delta_mired"].isna().sum() == 2
    assert drift.pairs["u_delta_mired"].isna().sum() == 2
    assert drift.heads["span_mired"][0] == 0


def test_one_frame_a_cell_knows_no_uncertainty(synthetic: ModuleType, readings: pd.DataFrame) -> None:
    drift = analyse(readings.iloc[[0, 1, 4, 5]], synthetic.make_session())
    assert drift.pairs["delta_mired"].notna().all()
    assert drift.pairs["u_delta_mired"].isna().all()
    assert drift.powers["s_mired"].isna().all()
    assert drift.heads[["u_span_mired", "repeatability_mired", "u_slope_mired_per_stop"]].isna().all().all()
    assert NothingRepeated() in drift.notes
    assert "shot twice" in design(NothingRepeated())


def test_output_may_be_unknown(synthetic: ModuleType, readings: pd.DataFrame) -> None:
    readings.loc[[0, 3], "output_stops"] = np.nan
    drift = analyse(readings, synthetic.make_session())
    assert drift.powers["output_error_stops"].isna().tolist() == [True, True, False, False]
    assert drift.powers["mired"].notna().all()


def test_nothing_to_compare_is_one_clear_line(synthetic: ModuleType, readings: pd.DataFrame) -> None:
    with pytest.raises(GreystepError, match="no flash frame"):
        analyse(readings.assign(kind="ambient"), synthetic.make_session())


def test_norris_through_the_slope_of_the_report(synthetic: ModuleType) -> None:
    """NIST StRD Norris as one head: x as stops, y as mired; the slope of the report is B1 to its certified digits."""
    y, x = (
        np.loadtxt(
            [
                "0.1 0.2 338.8 337.4 118.1 118.2 888.0 884.6 9.2 10.1 228.1 226.5",
                "668.5 666.3 998.5 996.3 449.1 448.6 778.9 777.0 559.2 558.2 0.3 0.4",
                "0.1 0.6 778.1 775.5 668.8 666.9 339.3 338.0 448.9 447.5 10.8 11.6",
                "557.7 556.0 228.3 228.1 998.0 995.8 888.8 887.6 119.6 120.2 0.3 0.3",
                "0.6 0.3 557.6 556.8 339.3 339.1 888.0 887.2 998.5 999.0 778.9 779.0",
                "10.2 11.1 117.6 118.3 228.9 229.2 668.4 669.1 449.2 448.9 0.2 0.5",
            ]
        )
        .reshape(-1, 2)
        .T
    )
    readings = synthetic.table(["A"] * 36, x, y)
    slope = analyse(readings, synthetic.make_session()).heads["slope_mired_per_stop"][0]
    assert slope == pytest.approx(1.00211681802045, rel=1e-11)


def test_sirstv_and_gum_h5_through_the_repeatability_of_the_report(synthetic: ModuleType) -> None:
    """NIST StRD SiRstv as one head at five powers; JCGM 100 H.5 in microvolts above 9.9 mV as one at ten."""
    text = """196.3052 196.1240 196.1890 196.2569 196.3403 196.3042 196.3825 196.1669 196.3257 196.0422
    196.1303 196.2005 196.2889 196.0343 196.1811 196.2795 196.1748 196.1494 196.1485 195.9885
    196.2119 196.1051 196.1850 196.0052 196.2090"""
    readings = synthetic.table(["A"] * 25, np.repeat(np.arange(5.0), 5), np.array(text.split(), float))
    heads = analyse(readings, synthetic.make_session()).heads
    assert heads["repeatability_mired"][0] == pytest.approx(0.104076068334656, rel=1e-9)
    means = np.array([172, 116, 13, 144, 106, 31, 60, 125, 163, 41]) + 100.0
    sds = np.array([60, 77, 111, 101, 67, 93, 80, 73, 88, 86]) / 10.0
    shape = np.array([-2.0, -1.0, 0.0, 1.0, 2.0]) / np.sqrt(2.5)
    readings = synthetic.table(
        ["A"] * 50, np.repeat(np.arange(10.0), 5), (means[:, None] + sds[:, None] * shape).ravel()
    )
    assert analyse(readings, synthetic.make_session()).heads["repeatability_mired"][0] == pytest.approx(8.5, abs=0.05)


@pytest.mark.parametrize("deep", ["up-down", "straight"])
def test_order_against_a_linear_drift_of_time(synthetic: ModuleType, deep: str) -> None:
    """10 a stop and 3 a frame: 19 when stepped straight through (and said to be so), 10.0 exactly up and down."""
    power = np.array([0, 1, 2, 3, 4, 5, 6, 6, 5, 4, 3, 2, 1, 0]) if deep == "up-down" else np.repeat(np.arange(7), 3)
    readings = synthetic.table(["A"] * len(power), power, 200.0 + 10.0 * power + 3.0 * np.arange(len(power)))
    drift = analyse(readings, synthetic.make_session())
    if deep == "straight":
        assert drift.heads["slope_mired_per_stop"][0] == pytest.approx(19.0, abs=1e-4)
        assert "cannot be separated" in design(drift.notes[0])
        assert np.isnan(drift.heads["warmup_mired"][0])
    else:
        plain = [readings.loc[readings["stops"] == stop, "mired"].mean() for stop in range(7)]
        assert np.polyfit(range(7), plain, 1)[0] == pytest.approx(10.0, abs=1e-9)
        # a term that saturates is kept because there is no better one
        assert drift.heads["slope_mired_per_stop"][0] == pytest.approx(10.0, abs=0.3)
        assert not drift.notes


def test_legs_compare_the_way_up_with_the_way_down(synthetic: ModuleType) -> None:
    power = np.array([2, 1, 0, 0, 1, 2, 2, 1, 0, 0, 1, 2])
    cells, frames = find_cells(synthetic.table(["A"] * 12, power, np.full(12, 180.0)))
    left = np.array([0.5, 0.5, 0.5, 0.5, 0, 0, 0, 0.5, 0.5, 0.5, 0, 0])  # a repeat belongs to the leg that led there
    assert legs(cells, frames, left) == pytest.approx([np.nan, 0.5, np.nan], nan_ok=True)


def test_lag_shows_what_order_leaves(synthetic: ModuleType) -> None:
    """A slow wave over the test is seen in the residuals; even scatter is not."""
    power = np.tile([0, 1, 2, 2, 1, 0], 10)
    wave = np.sin(np.arange(60) / 60 * 6 * np.pi)
    noise = np.random.default_rng(2).standard_normal(60)
    lags = [
        analyse(synthetic.table(["A"] * 60, power, 180.0 + left), synthetic.make_session()).heads["lag1"][0]
        for left in (wave, noise)
    ]
    assert lags[0] > 0.7
    assert abs(lags[1]) < 0.3


#: Cells of twelve heads at seven powers, by what they add to their head.
SHAPES = {
    "alike": np.zeros(7),
    "ramp": np.arange(7.0),
    "one odd": np.eye(7)[3] * 4.0,
    "two apart": np.array([0, 0, 0, 3.0, 3, 3, 3]),
    "small": np.linspace(0, 0.6, 7),
}
#: What a mired adds to a light of `helpers.synthetic`.
A_MIRED = {"mired": 1.0, "u_prime": 0.0004, "v_prime": 0.00025}


@cache
def fitted_session(seed: int, shape: str = "alike") -> tuple[Cells, dict[str, Fitted]]:
    offsets = np.tile(SHAPES[shape], (12, 1))
    readings = synthetic_maker.simulate(np.random.default_rng(seed), offsets, repeats=3, scatter=0.5, scatter_duv=0.0)
    cells, frames = find_cells(readings)
    return cells, fit_cells(cells, frames)


def moved(fitted: dict[str, Fitted], shape: str) -> dict[str, Fitted]:
    """The fit of the same session whose cells lie as this shape has them."""
    added = np.tile(SHAPES[shape], 12)
    return fitted | {
        name: replace(fitted[name], cells=replace(fitted[name].cells, values=fitted[name].cells.values + size * added))
        for name, size in A_MIRED.items()
    }


def spans_held(shape: str, seeds: int) -> dict[str, float]:
    """The shapes share their sessions, as what is added to a cell moves its value alone."""
    held: dict[str, list[float]] = {"mired": [], "k": [], "steps": []}
    slope = np.hypot(0.0004, 0.00025) / STEP_UPRIME_VPRIME
    true, kelvin = np.ptp(SHAPES[shape]), np.ptp(1e6 / (178.6 + SHAPES[shape]))
    for seed in range(seeds):
        cells, fitted = fitted_session(seed)
        heads = spans(cells, moved(fitted, shape), np.random.default_rng([seed, 1]))
        for name, truth in (("mired", true), ("k", kelvin), ("steps", true * slope)):
            held[name].append(float(np.mean(np.abs(heads[f"span_{name}"] - truth) <= heads[f"u_span_{name}"])))
    return {name: float(np.mean(values)) for name, values in held.items()}


@pytest.mark.parametrize("shape", ["ramp", "one odd"])
def test_what_is_added_to_a_cell_moves_its_value_alone(shape: str) -> None:
    """Nothing that the fit holds for unsure, kept terms and scatter: so that shapes may share their sessions."""
    found, wanted = fitted_session(0, shape)[1], moved(fitted_session(0)[1], shape)
    for name in A_MIRED:
        one, other = found[name].cells, wanted[name].cells
        np.testing.assert_allclose(one.values, other.values, rtol=0, atol=1e-9)
        np.testing.assert_allclose(one.parts, other.parts, rtol=1e-6, atol=1e-15)
        np.testing.assert_allclose(one.dof, other.dof, rtol=1e-6)


def test_the_span_of_like_cells_has_the_half_width_of_the_studentised_range(
    synthetic: ModuleType, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(joint_fit, "find_pattern", lambda runs: Pattern())
    cells, frames = find_cells(synthetic.simulate(np.random.default_rng(1), np.zeros((1, 5)), repeats=4, checks=0))
    fitted = fit_cells(cells, frames)
    mired = fitted["mired"].cells
    alike = replace(fitted["mired"], cells=replace(mired, values=np.full(5, 178.6)))
    found = spans(cells, {**fitted, "mired": alike}, np.random.default_rng(2))
    error = np.sqrt((mired.parts[:, 0, 0] + mired.parts[:, 4, 4] - 2 * mired.parts[:, 0, 4]).sum() / 2.0)
    assert found["span_mired"][0] == 0.0
    assert found["u_span_mired"][0] == pytest.approx(
        stats.studentized_range.ppf(0.95, 5, mired.dof[0]) * error, rel=0.04
    )


@pytest.mark.parametrize("shape", SHAPES)
def test_a_span_holds_the_true_one_95_times_in_100(shape: str) -> None:
    """Not debiased, so that a true span of 0 must be held too; never less than 92 in 100 for any shape."""
    held = spans_held(shape, 15)
    assert min(held.values()) >= 0.92
    if shape == "alike":
        assert held["mired"] == pytest.approx(0.95, abs=0.035)


def test_the_same_seed_gives_the_same_tables(synthetic: ModuleType) -> None:
    readings = synthetic.simulate(np.random.default_rng(1), np.zeros((3, 4)), repeats=3)
    one, two = (analyse(readings, synthetic.make_session(), seed=5) for _ in range(2))
    pd.testing.assert_frame_equal(one.heads, two.heads)
    pd.testing.assert_frame_equal(one.pairs, two.pairs)


def test_labels_stay_as_typed_in_notes(synthetic: ModuleType) -> None:
    readings = synthetic.simulate(np.random.default_rng(1), np.zeros((2, 4)), repeats=3, order="straight")
    readings["head"] = readings["head"].map({"A": "iQ", "B": "D-Lite"})
    drift = analyse(readings, synthetic.make_session())
    assert "The usable frames of heads iQ and D-Lite go straight" in design(drift.notes[0])


def test_a_kit_without_its_reference_power_is_told(synthetic: ModuleType, readings: pd.DataFrame) -> None:
    drift = analyse(readings, synthetic.make_session(power="1/64", kit=True))
    assert drift.powers["ref_delta_mired"].isna().all()
    assert any(note.startswith("No head was measured at 1/64") for note in designs(drift.notes))
