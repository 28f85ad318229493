"""Which frames make which cell, and how sure a cell is."""

from types import ModuleType

import numpy as np
import pandas as pd
import pytest

from greystep.compare import joint_fit
from greystep.compare.cells import find_cells
from greystep.compare.fit import half_width, own_variances
from greystep.compare.joint_fit import fit_cells
from greystep.compare.scatter import Pattern
from helpers.intervals import narrowness


def small(synthetic: ModuleType, **columns: object) -> pd.DataFrame:
    """Two heads at two powers, three frames each, up and down and up."""
    stops = np.array([0, 1, 1, 0, 0, 1] * 2, dtype=float)
    mired = np.array([180.0, 182.0, 182.3, 180.2, 180.1, 181.9, 178.0, 178.4, 178.1, 178.2, 177.9, 178.3])
    return synthetic.table(["A"] * 6 + ["B"] * 6, stops, mired, noise_mired=0.0).assign(**columns)


def test_cells_are_plain_means_in_log_order_from_full_down(
    synthetic: ModuleType, monkeypatch: pytest.MonkeyPatch
) -> None:
    # By hand, frames scatter alike and remember nothing; what they do remember has tests of its own (test_scatter).
    monkeypatch.setattr(joint_fit, "find_pattern", lambda _: Pattern())
    cells, frames = find_cells(small(synthetic))
    assert list(cells.table["head"] + cells.table["power"]) == ["A1/1", "A1/2", "B1/1", "B1/2"]
    assert list(cells.table["n"]) == [3, 3, 3, 3]
    fit = fit_cells(cells, frames)["mired"]
    assert fit.cells.values == pytest.approx([180.1, 546.2 / 3, 178.1 - 0.2 / 3, 534.8 / 3])
    sums = [0.02 + (182 - 546.2 / 3) ** 2 + (182.3 - 546.2 / 3) ** 2 + (181.9 - 546.2 / 3) ** 2]
    assert fit.sums[0] == pytest.approx(sums[0])
    assert fit.cells.dof[:2] == pytest.approx([8, 8]), "heads that scatter alike share it"
    drawn = (8 * fit.sums.sum() / 8 + fit.sums[0]) / (8 + 4)
    assert fit.cells.parts[0, 0, 0] == pytest.approx(drawn / 3), "A's own, drawn towards what both have in common"
    assert fit.cells.parts[1, 0, 0] == 0


def test_only_good_flash_frames_are_used_and_outliers_counted(synthetic: ModuleType) -> None:
    readings = small(synthetic)
    readings.loc[0, ["flags", "status"]] = ["outlier", "doubtful"]
    readings.loc[1, ["flags", "status"]] = ["near_white", "doubtful"]
    readings.loc[2, ["flags", "status"]] = ["clipped", "rejected"]
    readings.loc[3, ["flags", "status"]] = ["far_from_locus", "doubtful"]
    readings.loc[6, "kind"] = "ambient"
    cells, _ = find_cells(readings)
    assert list(cells.table["n"]) == [1, 2, 2, 3]
    assert list(cells.table["n_outlier"]) == [1, 0, 0, 0]


def test_powers_within_a_hundredth_of_a_stop_are_one_cell(synthetic: ModuleType) -> None:
    readings = small(synthetic)
    readings.loc[[2, 5], "stops"] = [1.004, 0.996]
    cells, _ = find_cells(readings)
    assert list(cells.table["n"]) == [3, 3, 3, 3]
    readings.loc[2, "stops"] = 1.1
    assert len(find_cells(readings)[0].table) == 5


def test_labels_stay_text(synthetic: ModuleType) -> None:
    readings = small(synthetic)
    readings["head"] = ["007"] * 6 + ["None"] * 6
    cells, _ = find_cells(readings)
    assert list(cells.heads["head"]) == ["007", "None"]


def test_packs_part_cells_where_a_head_changes_them(synthetic: ModuleType) -> None:
    readings = small(synthetic, pack=["P1"] * 3 + ["P2"] * 3 + ["P1"] * 6)
    cells, _ = find_cells(readings)
    assert list(zip(cells.table["head"], cells.table["pack"], cells.table["power"], cells.table["n"], strict=True)) == [
        ("A", "P1", "1/1", 1),
        ("A", "P1", "1/2", 2),
        ("A", "P2", "1/1", 2),
        ("A", "P2", "1/2", 1),
        ("B", "P1", "1/1", 3),
        ("B", "P1", "1/2", 3),
    ]
    assert len(cells.heads) == 2
    assert "pack" not in find_cells(small(synthetic, pack="P1"))[0].table


def test_a_missing_file_counts_for_the_body_of_its_head(synthetic: ModuleType) -> None:
    readings = small(synthetic)
    readings.loc[0, ["body", "status", "flags", "mired", "shot"]] = ["", "rejected", "missing", np.nan, np.nan]
    cells, _ = find_cells(readings)
    assert list(cells.table["n"]) == [2, 3, 3, 3]
    assert set(cells.table["body"]) == {"Invented 1"}


def test_a_head_without_repeats_takes_the_scatter_of_the_others(synthetic: ModuleType) -> None:
    readings = small(synthetic).drop(index=[8, 9, 10, 11]).reset_index(drop=True)
    cells, frames = find_cells(readings)
    fit = fit_cells(cells, frames)["mired"]
    assert fit.cells.dof[0] == fit.cells.dof[1]
    assert 1.5 < fit.cells.dof[0] <= 4
    of_a, of_b = (np.diagonal(fit.cells.parts[head])[2 * head : 2 * head + 2].mean() for head in (0, 1))
    assert of_b > of_a > 0, "one frame a cell against three"


def test_no_cell_is_surer_than_its_frames_noise(synthetic: ModuleType) -> None:
    """u_mired 0.8 (k = 2) a frame: 0.4 / sqrt(3) at least; 2.2 mired are one step of 0.0011 in u'v'."""
    quiet, noisy = (fit_cells(*find_cells(small(synthetic, u_mired=value, u_duv=0.0))) for value in (0.0, 0.8))
    assert quiet["mired"].cells.parts[1, 2, 2] < noisy["mired"].cells.parts[1, 2, 2]
    assert noisy["mired"].cells.parts[1, 2, 2] == pytest.approx(0.4**2 / 3)
    both = noisy["u_prime"].cells.parts[1, 2, 2] + noisy["v_prime"].cells.parts[1, 2, 2]
    assert both == pytest.approx((0.0011 * 0.4 / 2.2) ** 2 / 3)
    widened = noisy["mired"].cells.parts[1, 2, 2] / quiet["mired"].cells.parts[1, 2, 2]
    assert noisy["mired"].cells.parts[1, 3, 3] == pytest.approx(widened * quiet["mired"].cells.parts[1, 3, 3])


def test_noise_alone_where_frames_are_identical(synthetic: ModuleType) -> None:
    readings = small(synthetic, mired=180.0, u_mired=0.6, duv=0.0005, u_duv=2e-5)
    fit = fit_cells(*find_cells(readings))
    assert fit["mired"].cells.parts[0, 1, 1] == pytest.approx(0.3**2 / 3)
    assert fit["duv"].cells.parts[0, 1, 1] == pytest.approx(1e-10 / 3)


def test_means_hold_the_truth_95_times_in_100(synthetic: ModuleType) -> None:
    """Of 24 sessions, by size (`helpers/intervals`): 0.84 to 1.12 is 98 to 92 in 100, as sure as 60 counted."""
    rng = np.random.default_rng(3)
    errors, halves = [], []
    for _ in range(24):
        cells, frames = find_cells(synthetic.simulate(rng, np.zeros((4, 5)), repeats=3, scatter=0.5))
        joint = fit_cells(cells, frames)["mired"].cells
        errors += (joint.values - 178.6).tolist()
        halves += half_width(own_variances(joint), joint.dof).tolist()
    assert 0.84 < narrowness(errors, halves) < 1.12


def test_a_cell_in_doubt_carries_the_most_telling_flag_of_most_of_its_frames(synthetic: ModuleType) -> None:
    readings = synthetic.simulate(np.random.default_rng(1), np.zeros((2, 3)), repeats=3, checks=0)
    at = {stops: np.flatnonzero((readings["head"] == "B") & (readings["stops"] == stops)) for stops in (0, 1, 2)}
    readings.loc[at[0][:2], "flags"] = ["tail_cut", "uneven"]
    readings.loc[at[1][:2], "flags"] = "near_white;too_dark"
    readings.loc[at[2][:1], "flags"] = "tail_cut"
    cells, _ = find_cells(readings)
    assert cells.doubts.tolist() == ["", "", "", "tail_cut", "near_white", ""]
    assert cells.heads["bad"].tolist() == [0, 5]
    assert cells.heads["shot"].tolist() == [9, 9]
    assert cells.heads["fault"].tolist()[0] == ""
    alike, _ = find_cells(readings.assign(flags="uneven"))  # what the camera or the card does to all frames alike
    assert set(alike.doubts) == {""}
