"""Frame against frame on a few rows that are written down: who is held against whom, and by how much."""

from typing import Any

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from greystep.session import faults
from greystep.session.repeats import pooled_sd
from greystep.session.settings import HeadInfo

NAN = np.nan


def log(cells: str, level: list[float], **more: Any) -> pd.DataFrame:
    """Rows of cells by letter and number, ``A0 A0 A1``: head and stops below full."""
    names = cells.split()
    usual: dict[str, Any] = {
        "body": "One", "head": [name[0] for name in names], "stops": [float(name[1:]) for name in names],
        "power": [f"-{name[1:]}" for name in names], "kind": "flash", "level": level, "green": 1000.0, "u_green": 1.0,
        "exposure_s": 0.008, "f_number": 11.0, "iso": 100.0, "lens": "", "focal_mm": NAN, "pack": "", "captured": "",
    }  # fmt: skip
    return pd.DataFrame(usual | more)


def every(table: pd.DataFrame) -> np.ndarray:
    return np.ones(len(table), dtype=bool)


def found(rows: np.ndarray) -> list[int]:
    return np.flatnonzero(rows).tolist()


# --- the deviation of repeats -----------------------------------------------------------------------------------------


def test_the_pooled_deviation_by_loops() -> None:
    """The median distance of two repeats, each pair by 2 over the frames of its cell; what is near enters the mean."""
    for seed in range(8):
        rng = np.random.default_rng(seed)
        cell = np.repeat(np.arange(6), [1, 2, 3, 4, 2, 3])
        values = rng.normal(0.0, 1.0, 15) + 50.0 * cell
        values[[3, 8]] += rng.choice([0.0, 30.0], 2)
        values[12] = NAN
        pairs = []
        for one in range(6):
            inside = values[(cell == one) & np.isfinite(values)]
            pairs += [(abs(a - b), 2.0 / len(inside)) for at, a in enumerate(inside) for b in inside[at + 1 :]]
        pairs.sort()
        half, passed = sum(weight for _, weight in pairs) / 2.0, 0.0
        for distance, weight in pairs:
            passed += weight
            if passed >= half - 1e-12:
                middle_of_all = distance
                break
        middle = middle_of_all / (stats.norm.ppf(0.75) * np.sqrt(2.0))
        squares = dof = 0.0
        for one in range(6):
            inside = values[(cell == one) & np.isfinite(values)]
            if len(inside) > 1:
                near = inside[np.abs(inside - np.median(inside)) <= 4.0 * middle]
                dof += max(0, len(near) - 1)
                squares += np.sum((near - near.mean()) ** 2) if len(near) else 0.0
        sd, free = pooled_sd(values, cell)
        assert (sd, free) == (pytest.approx(np.sqrt(squares / dof)), dof)


def test_where_no_repeat_lies_near_the_median_distance_stands() -> None:
    """Two cells of two frames, alike and 1 apart: half of each is beyond four times no deviation at all."""
    assert pooled_sd(np.array([1.0, 1.0, 5.0, 6.0]), np.array([0, 0, 1, 1])) == (0.0, 1)


def test_the_limit_by_few_degrees_of_freedom_is_students() -> None:
    assert faults.limit_sd(3) == pytest.approx(stats.t.ppf(1.0 - 0.5e-4, 3))
    assert faults.limit_sd(200) == 5.0
    for dof in range(1, 60):
        assert faults.limit_sd(dof) == pytest.approx(max(5.0, stats.t.ppf(1.0 - 0.5e-4, dof)), rel=1e-9), dof
    assert faults.limit_sd(1) > 1000.0


# --- settings ---------------------------------------------------------------------------------------------------------


def changed(known: list[int] | None = None, **more: Any) -> list[int]:
    """Five frames of A, of which the others are alike."""
    table = log("A0 A0 A1 A1 A2", [0.0] * 5, **more)
    return found(faults.settings_changed(table, np.isin(np.arange(5), known or [])))


def test_settings_unlike_most_frames_of_the_head() -> None:
    assert changed() == []
    assert changed(f_number=[11.0, 11.0, 16.0, 11.0, 11.0]) == [2]
    assert changed(f_number=[11.0, 11.3, 11.0, NAN, 11.0]) == [], "a third of a stop is the same mark; unknown is none"
    assert changed(exposure_s=[0.008, 0.008, 0.008, 0.004, 0.008]) == [3]
    assert changed(iso=[100.0, 200.0, 100.0, 200.0, 100.0], known=[3]) == [1], "with an ambient frame ISO may change"
    assert changed(lens=["100", "", "50", "100", "100"]) == [2]
    assert changed(focal_mm=[100.0, 100.9, 101.2, NAN, 100.0]) == [2], "a hundredth is what a zoom reports"
    assert changed(focal_mm=[98.5, 100.0, 100.0, 100.0, 100.0]) == [0]
    assert changed(f_number=[11.0, 16.0, 11.0, 16.0, NAN]) == [1, 3], "ties go to the first"
    assert changed(f_number=[11.0, 16.0, 11.0, 11.0, 11.0], kind=["flash", "ambient", "flash", "flash", "flash"]) == []


def test_settings_are_held_within_a_head_and_a_body() -> None:
    table = log("A0 A0 A0 B0 B0", [0.0] * 5, f_number=[11.0, 11.0, 11.0, 16.0, 16.0])
    none = np.zeros(5, dtype=bool)
    assert found(faults.settings_changed(table, none)) == []
    assert found(faults.settings_changed(table.assign(head="A"), none)) == [3, 4]
    assert found(faults.settings_changed(table.assign(head="A", body=["One"] * 3 + ["Two"] * 2), none)) == []


# --- light ------------------------------------------------------------------------------------------------------------


def test_a_frame_holds_no_flash_within_three_deviations_of_room_light_or_below_a_tenth() -> None:
    level = [0.0, 0.0, np.log2(0.101), np.log2(0.099), 0.0, 0.0]
    table = log("A0 A0 A0 A0 A0 A0", level, green=[1000.0, 2.9, 101.0, 99.0, 3.1, 1000.0])
    assert found(faults.no_flash(table, every(table))) == [1, 3]
    job = table.assign(kind=["flash", "job", "job", "job", "flash", "flash"])
    assert found(faults.no_flash(job, every(job))) == [], "nothing is asked of a job frame"
    sound = np.array([True, True, True, True, False, True])
    lost = table.assign(level=[NAN, *level[1:]])
    assert found(faults.no_flash(lost, sound)) == [1], "a tenth of the middle of what is sound"


def expected(table: pd.DataFrame, sound: np.ndarray | None = None) -> tuple[list[float], list[int]]:
    short, alone = faults.shortfall(table, every(table) if sound is None else sound)
    return (short + table["level"].to_numpy()).tolist(), found(alone)


def test_a_light_is_expected_as_the_upper_middle_of_its_repeats() -> None:
    assert expected(log("A0 A0 A0", [0.0, -0.3, 0.1])) == ([0.0] * 3, [])
    assert expected(log("A0 A0 A0 A0", [0.0, -0.3, 0.1, 0.05])) == (pytest.approx([0.05] * 4), [])
    unsound = np.array([True, True, False, True])
    assert expected(log("A0 A0 A0 A0", [0.0, -0.3, 0.1, 0.05]), unsound) == ([0.0] * 4, [])


def test_a_lone_light_is_expected_as_it_is_set_beside_the_heads_others() -> None:
    """Others of A, brought to full: 0.0, 0.1 and 0.4; their median is 0.1. Of B nothing else is there."""
    got, alone = expected(log("A0 A0 A1 A1 A2 A2 A3 B0", [0.0, 0.0, -0.9, -0.9, -1.6, -1.6, -2.2, 5.0]))
    assert got[:7] == pytest.approx([0.0, 0.0, -0.9, -0.9, -1.6, -1.6, 0.1 - 3.0])
    assert np.isnan(got[7])
    assert alone == [6, 7]
    torn = log("A0 A0 A1 A1 A2", [0.0, 0.3, -1.0, -1.0, -5.0])
    assert expected(torn)[0][4] == pytest.approx(-2.0), "a cell whose middle two disagree says nothing of others"
    bodies = log("A0 A0 A1", [0.0, 0.0, -1.0], body=["One", "One", "Two"])
    assert np.isnan(expected(bodies)[0][2])


def test_of_two_that_disagree_the_one_that_fits_its_setting_is_expected() -> None:
    """A1 should read -1: of -1.1 and -0.4 the upper is 0.6 above it, and the lower 0.1 off."""
    table = log("A0 A0 A1 A1", [0.0, 0.0, -1.1, -0.4])
    assert expected(table)[0][2:] == [-1.1, -1.1]
    assert found(faults.overshot(table, every(table))) == [3]
    near = log("A0 A0 A1 A1", [0.0, 0.0, -1.1, -0.55])
    assert expected(near)[0][2:] == [-0.55, -0.55], "not half a stop above its setting"
    assert found(faults.overshot(near, every(near))) == []
    both = log("A0 A0 A1 A1", [0.0, 0.0, -0.5, -0.35])
    assert expected(both)[0][2:] == [-0.35, -0.35], "the lower one fits it hardly better"


def test_a_frame_that_lost_its_repeat_and_is_too_bright_is_anothers() -> None:
    table = log("A0 A0 A1 A1", [0.0, 0.0, -0.4, -3.0])
    sound = np.array([True, True, True, False])
    assert found(faults.overshot(table, sound)) == [2]
    assert found(faults.overshot(log("A0 A0 A1 A1", [0.0, 0.0, -0.55, -3.0]), sound)) == []
    alone = log("A0 A0 A1", [0.0, 0.0, -0.4])
    assert found(faults.overshot(alone, every(alone))) == [], "it never had one"
    assert len(faults.overshot(log("A0", [0.0])[:0], np.zeros(0, dtype=bool))) == 0


def test_a_flash_falls_short_of_its_cell_or_where_it_is_alone_of_its_setting() -> None:
    cells = "A0 A0 A0 A0 A1 A1 A1 A1 A2"
    level = [0.0, 0.001, -0.001, 0.0, -1.0, -1.001, -0.999, -1.19, -2.49]
    table = log(cells, level)
    assert found(faults.partial_flash(table, every(table))) == []
    short = table.assign(level=[*level[:7], -1.21, -2.51])
    assert found(faults.partial_flash(short, every(short))) == [7, 8]
    assert found(faults.partial_flash(short, np.arange(9) != 7)) == [8]
    wide = short.assign(level=[0.0, 0.1, -0.1, 0.05, -1.0, -1.1, -0.9, -1.21, -2.6])
    assert 7 not in found(faults.partial_flash(wide, every(wide))), "five pooled deviations are more"
    none = log("A0 A1", [0.0, -1.6])
    assert found(faults.partial_flash(none, every(none))) == [1], "without any repeats by their settings"


# --- shutter and recycling --------------------------------------------------------------------------------------------


def test_a_shutter_shorter_than_the_flash_but_for_its_marking() -> None:
    """t0.1 is 4 ms at full; a marking is a tenth of a stop off at most."""
    heads = {"A": HeadInfo("", "", None, {0.0: 0.004}, "")}
    limit = 0.004 * 2.0**-0.1
    table = log("A0 A0 B0 A0", [0.0] * 4, exposure_s=[limit * 0.999, limit * 1.001, 0.001, NAN])
    assert found(faults.tail_cut(table, heads)) == [0]
    assert found(faults.tail_cut(table.assign(kind="ambient"), heads)) == []
    assert found(faults.tail_cut(table.assign(stops=NAN), heads)) == []
    assert found(faults.tail_cut(table, {"A": HeadInfo("", "", None, {}, "")})) == []


def times(*seconds: float | str) -> list[str]:
    return [one if isinstance(one, str) else f"2026-03-02T09:00:{one:04.1f}" for one in seconds]


@pytest.mark.parametrize(
    ("captured", "cells", "pack", "soon"),
    [
        (times(0.0, 3.0, 5.9), "A0 A0 A0", "", [2]),  # a tenth of a second is all that the clock leaves open
        (times(0.0, 2.89, 5.8), "A0 A0 A0", "", [1, 2]),
        (["2026-03-02T09:00:00", "2026-03-02T09:00:02", "2026-03-02T09:00:05"], "A0 A0 A0", "", [1]),
        (times(0.0, 1.0, 2.0), "A0 B0 A0", "", [2]),
        (times(0.0, 1.0, 9.0), "A0 B0 A0", ["P", "P", "P"], [1]),
        (times(0.0, 1.0, 2.0), "A0 B0 A0", ["P", "P", ""], [1]),
        (times(9.0, 1.0, 0.0), "A0 A0 A0", "", [1]),
        (times(0.0, "", 1.0), "A0 A0 A0", "", [2]),
    ],
)
def test_sooner_than_the_recycle_time_of_three_seconds(
    captured: list[str], cells: str, pack: Any, soon: list[int]
) -> None:
    table = log(cells, [0.0] * 3, captured=captured, pack=pack)
    assert found(faults.too_soon(table, every(table), 3.0)) == soon
    assert found(faults.too_soon(table, every(table), None)) == []


def test_only_flashes_that_fired_and_have_a_head_are_timed() -> None:
    table = log("A0 A0 A0", [0.0] * 3, captured=times(0.0, 1.0, 2.0))
    assert found(faults.too_soon(table, np.array([True, False, True]), 1.95)) == []
    assert found(faults.too_soon(table, np.array([True, False, True]), 2.1)) == [2]
    assert found(faults.too_soon(table.assign(head=""), every(table), 3.0)) == []
    assert found(faults.too_soon(table.assign(body=["One", "Two", "One"]), every(table), 1.5)) == []


# --- outliers ---------------------------------------------------------------------------------------------------------


def colours(mired: list[float], cells: str, **more: Any) -> pd.DataFrame:
    usual: dict[str, Any] = {"mired": mired, "duv": 0.0, "noise_mired": 0.01, "noise_duv": 1e-6, "noise_level": 1e-4}
    return log(cells, [0.0] * len(mired), **usual | more)


def test_an_outlier_lies_beyond_the_limit_of_its_pooled_deviation_by_any_quantity() -> None:
    cells = " ".join(f"A{at // 4}" for at in range(24))
    mired = np.tile([0.0, 1.0, -1.0, 0.0], 6) + 180.0
    sd = np.sqrt(12.0 / 17.0)  # without the one that is off
    for away, out in ((faults.limit_sd(17) * sd * 1.02, True), (faults.limit_sd(17) * sd * 0.9, False)):
        table = colours([*mired[:23], 180.5 + away], cells)
        assert found(faults.outlier(table, every(table))) == ([23] if out else [])
    calm = colours(mired.tolist(), cells, duv=[0.0] * 23 + [0.01])
    assert found(faults.outlier(calm, every(calm))) == [23]
    bright = colours(mired.tolist(), cells).assign(level=[0.0] * 23 + [0.5])
    assert found(faults.outlier(bright, every(bright))) == [23]
    assert found(faults.outlier(bright, np.arange(24) != 23)) == []
    noisy = bright.assign(noise_level=0.2)
    assert found(faults.outlier(noisy, every(noisy))) == [], "five times its own noise"
    once = colours([180.0, 190.0], "A0 A1")
    assert found(faults.outlier(once, every(once))) == []


def test_a_restless_head_is_judged_by_its_own_other_cells() -> None:
    """B scatters ten times as far as A over its powers: 8 off the median of its cell is no outlier of B."""
    calm = [180.0, 180.1, 179.9] * 6
    wild = [180.0, 181.0, 179.0] * 2
    cells = " ".join(f"A{at // 3}" for at in range(18)) + " " + " ".join(f"B{at // 3}" for at in range(9))
    table = colours([*calm, *wild, 180.0, 181.0, 183.9], cells)
    assert 26 not in found(faults.outlier(table, every(table)))
    limit = faults._limit(table, "mired", every(table))
    sd, dof = pooled_sd(np.array(wild), np.repeat([0, 1], 3))
    assert limit[26] == pytest.approx(faults.limit_sd(dof) * sd)
    whole, free = pooled_sd(table["mired"].to_numpy(), faults.cells(table))
    assert limit[0] == pytest.approx(faults.limit_sd(free) * whole)
    one_other = colours([*calm, *wild[:3], 180.0, 181.0, 183.9], cells[: -3 * 3])
    assert faults._limit(one_other, "mired", every(one_other))[-1] < 5.0, "one other cell tells too little of a head"


def test_two_repeats_that_disagree_are_at_odds() -> None:
    cells = " ".join(f"A{at // 3}" for at in range(24)) + " B0 B0 B1"
    calm = [180.0, 180.1, 179.9] * 8
    table = colours([*calm, 180.0, 181.1, 185.0], cells)
    assert found(faults.at_odds(table, every(table))) == [24, 25]
    assert found(faults.outlier(table, every(table))) == [24, 25], "each half of it"
    near = colours([*calm, 180.0, 180.9, 185.0], cells)
    assert found(faults.at_odds(near, every(near))) == [24, 25]
    assert found(faults.outlier(near, every(near))) == []
    other = colours([*calm, 180.0, 180.9, 185.0, 185.0], cells + " B1")
    assert found(faults.at_odds(other, every(other))) == [24, 25], "not the two of another cell"
    assert found(faults.at_odds(near, np.arange(27) != 25)) == []
    three = colours([*calm, 180.0, 181.0, 185.0], cells[:-3] + " B0")
    assert found(faults.at_odds(three, every(three))) == []
    tint = colours([*calm, 180.0, 180.0, 185.0], cells, duv=[0.0] * 25 + [0.01, 0.0])
    assert found(faults.at_odds(tint, every(tint))) == [24, 25]


def test_of_a_session_without_rows_nothing_is_said() -> None:
    noise = {"mired": 180.0, "duv": 0.0, "noise_mired": 0.1, "noise_duv": 1e-5, "noise_level": 0.001}
    table = log("A0", [0.0], **noise).iloc[:0]
    none = np.zeros(0, dtype=bool)
    for judge in (faults.no_flash, faults.partial_flash, faults.overshot, faults.outlier, faults.at_odds):
        assert judge(table, none).tolist() == []
    assert faults.settings_changed(table, none).tolist() == []
    assert faults.tail_cut(table, {}).tolist() == []
    assert faults.too_soon(table, none, 1.0).tolist() == []
