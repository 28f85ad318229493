"""Frame against frame: every fault of the bars caught at its size, and nothing said of clean frames."""

import numpy as np
import pandas as pd
import pytest

from greystep.session import faults
from greystep.session.repeats import pooled_sd
from greystep.session.settings import HeadInfo

POWERS = {"1/1": 0.0, "1/2": 1.0, "1/4": 2.0, "1/8": 3.0, "1/16": 4.0}


def session(seed: int = 0, heads: str = "ABCD", repeats: int = 3, mired_sd: float = 0.3) -> pd.DataFrame:
    """Clean frames: each head has its level, each cell its colour, normal scatter, no settings changed."""
    rng = np.random.default_rng(seed)
    rows = []
    for head in heads:
        for power, stops in POWERS.items():
            middle = 180 + rng.normal(0, 5)
            for _ in range(repeats):
                level = -2.0 - stops + rng.normal(0, 0.01)
                rows.append(
                    {
                        "body": "X 1", "head": head, "pack": "P", "power": power, "stops": stops, "kind": "flash",
                        "exposure_s": 0.008, "f_number": 11.0, "iso": 100.0, "lens": "100 mm", "focal_mm": 100.0,
                        "level": level, "green": 16000 * 2.0**level, "u_green": 1.0, "noise_level": 1e-4,
                        "mired": middle + rng.normal(0, mired_sd), "noise_mired": 0.05,
                        "duv": 1e-3 + rng.normal(0, 5e-5), "noise_duv": 1e-5,
                    }
                )  # fmt: skip
    return pd.DataFrame(rows)


def all_rows(table: pd.DataFrame) -> np.ndarray:
    return np.ones(len(table), dtype=bool)


def test_cells_are_numbered_in_the_order_of_the_table_and_what_is_missing_is_one_text() -> None:
    power = pd.Series(["1/4", float("nan"), "full", float("nan"), "1/4", "full"], dtype=object)
    table = pd.DataFrame({"head": list("BBAAAA"), "power": power, "note": list("uvwxyz")})
    assert faults.cells(table).tolist() == [0, 1, 2, 3, 4, 2]
    assert faults.cells(table.assign(head="A")).tolist() == [0, 1, 2, 1, 0, 2]
    assert faults.cells(table[:0]).tolist() == []


# --- pooled deviation -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("cells", "repeats"), [(20, 3), (40, 2), (10, 5), (2, 30)])
def test_the_pooled_deviation_is_that_of_normal_scatter(cells: int, repeats: int) -> None:
    rng = np.random.default_rng(1)
    cell = np.repeat(np.arange(cells), repeats)
    means = rng.normal(0, 100, cells)[cell]
    found = [pooled_sd(means + rng.normal(0, 2.0, len(cell)), cell)[0] for _ in range(400)]
    assert np.mean(found) == pytest.approx(2.0, rel=0.03)


def test_the_pooled_deviation_bears_outliers_and_says_how_sure_it_is() -> None:
    rng = np.random.default_rng(2)
    cell = np.repeat(np.arange(20), 3)
    values = rng.normal(0, 1, 60)
    clean, dof = pooled_sd(values, cell)
    assert dof == pytest.approx(40, abs=1)
    values[[0, 3, 6, 9]] += 1000  # one frame in each of four cells
    robust, dof = pooled_sd(values, cell)
    assert robust == pytest.approx(clean, rel=0.15)
    assert dof == pytest.approx(36, abs=1)


def test_without_repeats_there_is_no_deviation_and_no_limit() -> None:
    sd, dof = pooled_sd(np.arange(4.0), np.arange(4))
    assert np.isnan(sd)
    assert (dof, faults.limit_sd(dof)) == (0, np.inf)


def test_few_repeats_widen_the_limit() -> None:
    assert faults.limit_sd(40) == 5.0
    # Student's t of 4 degrees of freedom exceeds 15.544 with chance 5e-5 (tables of the t distribution).
    assert faults.limit_sd(4) == pytest.approx(15.544, abs=5e-4)


# --- no flash, partial flash ----------------------------------------------------------------------------------------


def test_a_frame_without_flash_is_told_by_its_noise_or_by_its_cell() -> None:
    table = session()
    table.loc[0, ["green", "level"]] = 2.0, np.nan  # two standard uncertainties
    table.loc[20, ["green", "level"]] = table.loc[20, "green"] * 0.09, table.loc[20, "level"] + np.log2(0.09)
    table.loc[40, ["green", "level"]] = table.loc[40, "green"] * 0.12, table.loc[40, "level"] + np.log2(0.12)
    assert np.flatnonzero(faults.no_flash(table, all_rows(table))).tolist() == [0, 20]


@pytest.mark.parametrize("repeats", [2, 3, 5])
def test_a_flash_that_fell_short_by_a_third_of_a_stop_is_found(repeats: int) -> None:
    table = session(repeats=repeats)
    table.loc[7, "level"] -= 0.3
    assert np.flatnonzero(faults.partial_flash(table, all_rows(table))).tolist() == [7]
    short, alone = faults.shortfall(table, all_rows(table))
    assert short[7] == pytest.approx(0.3, abs=0.04)
    assert not alone.any()


def test_a_flash_short_by_less_than_the_limit_or_by_its_own_scatter_is_not() -> None:
    table = session()
    table.loc[7, "level"] -= 0.17
    assert not faults.partial_flash(table, all_rows(table)).any()
    wild = session()
    wild["level"] += np.random.default_rng(3).normal(0, 0.15, len(wild))
    assert not faults.partial_flash(wild, all_rows(wild)).any()


def test_a_lone_frame_is_held_against_its_setting() -> None:
    table = session(repeats=1)
    table.loc[7, "level"] -= 0.6
    table.loc[11, "level"] -= 0.4
    assert np.flatnonzero(faults.partial_flash(table, all_rows(table))).tolist() == [7]
    one_cell = table[table["power"] == "1/1"].reset_index(drop=True)
    one_cell.loc[0, "level"] -= 3  # nothing to hold it against
    assert not faults.partial_flash(one_cell, all_rows(one_cell)).any()


@pytest.mark.parametrize(("wrong", "off"), [(5, 1.0), (4, 1.0), (5, 2.0), (3, -1.0)])
def test_of_two_that_disagree_the_one_that_fits_the_set_power_is_kept(wrong: int, off: float) -> None:
    """A frame of another power on this row, or one that fell short: rows 4 and 5 are A at 1/4, 2 and 3 at 1/2."""
    for seed in range(6):
        table = session(seed, repeats=2)
        table.loc[wrong, "level"] += off
        short, over = (judge(table, all_rows(table)) for judge in (faults.partial_flash, faults.overshot))
        assert np.flatnonzero(over).tolist() == ([wrong] if off > 0 else [])
        assert np.flatnonzero(short).tolist() == ([wrong] if off < 0 else [])


def test_where_the_set_power_does_not_tell_a_flash_falls_short_and_does_not_overshoot() -> None:
    lone = session(repeats=2).query("head != 'A' or power == '1/4'").reset_index(drop=True)
    lone.loc[0, "level"] += 1.0  # the head has no other cell to hold it against
    alike = session(repeats=2)
    alike.loc[5, "level"] += 0.4  # a frame of 0.4 stop short beside a head 0.4 stop off its setting
    alike.loc[4, "level"] += 0.05
    for table, wrong in ((lone, 1), (alike, 4)):
        assert np.flatnonzero(faults.partial_flash(table, all_rows(table))).tolist() == [wrong]
        assert not faults.overshot(table, all_rows(table)).any()


def test_a_frame_far_above_its_setting_whose_repeat_did_not_fire_is_another_rows() -> None:
    table = session(repeats=2)
    sound = all_rows(table)
    sound[5], table.loc[5, "level"] = False, np.nan
    assert not faults.overshot(table, sound).any()
    table.loc[4, "level"] += 1.0
    assert np.flatnonzero(faults.overshot(table, sound)).tolist() == [4]
    single = session(repeats=1)  # without repeats in the log it may be the head itself
    single.loc[2, "level"] += 1.0
    assert not faults.overshot(single, all_rows(single)).any()


def test_clean_pairs_never_overshoot() -> None:
    for seed in range(20):
        table = session(seed, repeats=2)
        table["level"] += np.random.default_rng(seed).normal(0, 0.05, len(table))
        assert not faults.overshot(table, all_rows(table)).any()


def test_frames_at_other_settings_count_by_their_light() -> None:
    table = session()
    table.loc[3, ["f_number", "green"]] = 8.0, table.loc[3, "green"] * 2  # level is free of settings
    assert not faults.no_flash(table, all_rows(table)).any()
    assert not faults.partial_flash(table, all_rows(table)).any()


# --- settings, shutter ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("column", "value"),
    [("f_number", 8.0), ("exposure_s", 0.004), ("lens", "50 mm"), ("focal_mm", 85.0), ("iso", 200.0)],
)
def test_changed_settings_are_found(column: str, value: object) -> None:
    table = session()
    table.loc[5, column] = value
    unknown = np.zeros(len(table), dtype=bool)
    assert np.flatnonzero(faults.settings_changed(table, unknown)).tolist() == [5]


def test_an_iso_whose_black_is_known_is_no_change_and_markings_are_compared_as_thirds() -> None:
    table = session()
    table.loc[5, "iso"] = 200.0
    assert not faults.settings_changed(table, all_rows(table)).any()
    table.loc[6, ["f_number", "exposure_s", "focal_mm"]] = 11.3, 1 / 128, 100.4  # f/11, 1/125, the zoom's encoder
    table.loc[7, ["f_number", "exposure_s"]] = np.nan
    assert not faults.settings_changed(table, all_rows(table)).any()


def test_settings_are_those_of_most_frames_of_each_head() -> None:
    table = session(heads="AB")
    table.loc[table["head"] == "B", "f_number"] = 8.0
    assert not faults.settings_changed(table, all_rows(table)).any()


def test_a_shutter_shorter_than_the_flash_is_found() -> None:
    table = session(heads="AB", repeats=1)
    t01 = HeadInfo("", "", None, {0.0: 1 / 100, 4.0: 1 / 400}, "")
    assert np.flatnonzero(faults.tail_cut(table, {"A": t01})).tolist() == [0]  # 8 ms is 0.8 of 10 ms
    # Halfway in stops log t0.1 is halfway too: 1/200 at 1/4; 4 ms is 0.8 of it.
    table["exposure_s"] = 0.004
    assert np.flatnonzero(faults.tail_cut(table, {"A": t01})).tolist() == [0, 1, 2]
    # Beyond the tested powers the nearest stands; equal markings are no cut.
    only = HeadInfo("", "", None, {2.0: 1 / 250}, "")
    assert not faults.tail_cut(table, {"A": only, "B": only}).any()


def test_the_recorded_time_counts_whatever_the_marking() -> None:
    table = session(heads="A", repeats=1)
    table["exposure_s"] = 1 / 128  # what some cameras write for 1/125
    assert not faults.tail_cut(table, {"A": HeadInfo("", "", None, {0.0: 1 / 125}, "")}).any()


# --- outliers -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("column", ["mired", "duv", "level"])
@pytest.mark.parametrize("sign", [-1, 1])
def test_six_pooled_deviations_are_an_outlier(column: str, sign: int) -> None:
    for seed in range(6):
        table = session(seed, repeats=5)
        sd, _ = pooled_sd(table[column].to_numpy(), faults.cells(table))
        others = np.sort(table.loc[[15, 16, 18, 19], column])[::sign]
        table.loc[17, column] = others[2] + sign * 6 * sd  # the cell's median once this frame stands at one end
        assert np.flatnonzero(faults.outlier(table, all_rows(table))).tolist() == [17], seed


def test_clean_frames_are_no_outliers() -> None:
    flagged = sum(faults.outlier(table, all_rows(table)).sum() for table in map(session, range(40)))  # 2400 frames
    assert flagged <= 2
    assert not any(faults.partial_flash(table, all_rows(table)).any() for table in map(session, range(40)))


def test_the_cells_own_deviation_hides_nothing() -> None:
    table = session()
    table.loc[0, "mired"] += 100
    assert faults.outlier(table, all_rows(table))[0]


def test_a_head_that_scatters_more_than_the_others_is_judged_by_its_own_scatter() -> None:
    calm, wild = session(4, "ABC"), session(5, "D", mired_sd=1.2)
    table = pd.concat([calm, wild], ignore_index=True)
    assert not faults.outlier(table, all_rows(table)).any()
    table.loc[len(calm) + 4, "mired"] += 12
    assert np.flatnonzero(faults.outlier(table, all_rows(table))).tolist() == [len(calm) + 4]


def test_noise_of_the_frame_itself_is_no_outlier() -> None:
    table = session()
    table.loc[2, "mired"] += 4
    assert faults.outlier(table, all_rows(table))[2]
    table.loc[2, "noise_mired"] = 1.0
    assert not faults.outlier(table, all_rows(table)).any()


def test_rows_that_do_not_count_change_nothing() -> None:
    table = session()
    table.loc[0, "mired"] += 100
    used = all_rows(table)
    used[0] = False
    assert not faults.outlier(table, used).any()


def test_the_distance_is_from_the_middle_of_the_repeats() -> None:
    table = session(mired_sd=0.0, repeats=3)
    table.loc[1, ["mired", "duv"]] = table.loc[1, "mired"] + 8.06, table.loc[[0, 2], "duv"].min() - 4e-4
    away = {name: faults.from_median(table, name, all_rows(table))[1] for name in ("mired", "duv", "level")}
    assert away["mired"] == pytest.approx(8.06, abs=1e-9)
    assert away["duv"] < -4e-4 + 1e-12
    assert abs(away["level"]) < 0.05


def test_the_highest_of_three_that_agree_with_the_set_power_is_no_frame_of_another_row() -> None:
    table = session(repeats=3)
    table.loc[4, "level"] += 0.3
    assert not faults.overshot(table, all_rows(table)).any()
