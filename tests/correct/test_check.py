"""The re-measurement against corrections that are known to be wrong by a known amount, and the picture of it."""

import re
from dataclasses import replace
from pathlib import Path
from types import ModuleType
from typing import Any
from xml.etree import ElementTree

import numpy as np
import pytest
import tifffile

from greystep.columns import CheckRow, names
from greystep.correct.check import check
from greystep.correct.gains import correct_frames
from greystep.correct.render import render_frames
from greystep.errors import GreystepError
from greystep.pages.strips import check_text, magnification, strips, strips_of

FORMS = ("tiff", "exr", "dng")


@pytest.fixture(scope="module")
def checked(stack: Any, rendered: Path) -> Any:
    return check(stack.ingested, stack.corrections, rendered)


@pytest.fixture(scope="module")
def rendered(stack: Any, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("rendered")
    for form in FORMS:
        render_frames(stack.ingested, stack.corrections, folder, form)
    return folder


def test_the_stack_agrees_after_the_correction(checked: Any) -> None:
    table = checked.table
    assert list(table.columns) == list(names(CheckRow))
    assert sorted(table["file"].str.partition("/")[0].value_counts().to_dict().items()) == [
        (f, 12) for f in sorted(FORMS)
    ]
    assert table["steps_before"].max() > 1.5
    assert table["stops_before"].abs().max() > 0.04
    assert (table["steps_after"] < 0.1).all()
    assert (table["stops_after"].abs() < 0.005).all()
    assert checked.brightness_matched
    assert checked.messages == ()


def test_what_was_before_is_what_the_readings_say(stack: Any, stacking: ModuleType, checked: Any) -> None:
    """Before: the developed neutral of each frame against the reference's, in steps and stops, by hand."""
    table = checked.table.set_index("frame")
    (developed,) = stack.corrections.developed.values()
    (reference,) = stack.corrections.references.values()
    for row in stack.ingested.readings.to_dict(orient="records"):
        if row["kind"] != "job":
            continue
        pair = np.array(
            [[row["signal_r"], row["signal_g"], row["signal_b"]], np.array(reference.neutral) * reference.green]
        )
        steps, _ = stacking.spread(pair @ developed.T)
        stops = abs(np.log2(row["signal_g"] / reference.green))
        assert table.loc[row["frame"], "steps_before"].to_numpy() == pytest.approx(np.full(3, steps), rel=1e-6)
        assert table.loc[row["frame"], "stops_before"].abs().to_numpy() == pytest.approx(np.full(3, stops), rel=1e-6)


@pytest.mark.parametrize("form", FORMS)
def test_a_correction_that_is_wrong_is_found(stack: Any, stacking: ModuleType, tmp_path: Path, form: str) -> None:
    """One frame rendered with 1 % too much red and 0.03 stop too bright: that much is what the check reports."""
    table = stack.corrections.table.copy()
    table.loc[3, "gain_r"] *= 1.01
    table.loc[3, "exposure_stops"] += 0.03
    wrong = replace(stack.corrections, table=table)
    render_frames(stack.ingested, wrong, tmp_path, form)
    # The record is made to say that these are the corrections that were asked for.
    from greystep.correct.jobs import jobs_of
    from greystep.correct.record import RECORD

    record = (tmp_path / RECORD).read_text()
    for asked, done in zip(
        jobs_of(stack.ingested, stack.corrections, tmp_path, form),
        jobs_of(stack.ingested, wrong, tmp_path, form),
        strict=True,
    ):
        record = record.replace(done.mark, asked.mark)
    (tmp_path / RECORD).write_text(record)
    found = check(stack.ingested, stack.corrections, tmp_path).table
    (developed,) = stack.corrections.developed.values()
    (reference,) = stack.corrections.references.values()
    neutral = np.array(reference.neutral)
    pair = np.array([neutral, neutral * [1.01, 1, 1]]) @ developed.T
    assert found["steps_after"].iloc[3] == pytest.approx(stacking.spread(pair)[0], abs=0.02)
    assert found["stops_after"].iloc[3] == pytest.approx(0.03, abs=0.001)
    white = found[["white240_r", "white240_g", "white240_b"]]
    left = 240 * (pair[1] / pair[0] * 2**0.03) ** (1 / 2.4)  # about: the curve of sRGB but for its offset
    assert white.iloc[3].to_numpy() == pytest.approx(left, abs=1.0)
    assert white.iloc[3].max() > 242
    assert (white.drop(3) == 240).all(axis=None)
    assert found["steps_after"].drop(3).max() < 0.1


def test_brightness_that_was_not_to_be_matched_stays(stack: Any, tmp_path: Path) -> None:
    found = correct_frames(stack.ingested, to="median")
    render_frames(stack.ingested, found, tmp_path, "tiff")
    checked = check(stack.ingested, found, tmp_path)
    assert not checked.brightness_matched
    assert checked.table["stops_after"].to_numpy() == pytest.approx(checked.table["stops_before"].to_numpy(), abs=0.002)
    assert checked.table["stops_after"].abs().max() > 0.04
    assert (checked.table[["white240_r", "white240_g", "white240_b"]] == 240).all(axis=None)
    assert checked.table["steps_after"].max() < 0.1
    assert "--stack" in check_text(checked.table, checked.brightness_matched, [])


def test_a_white_in_kelvin_has_no_brightness_of_its_own(stack: Any, tmp_path: Path) -> None:
    found = correct_frames(stack.ingested, to="5000K+0.001", space="lin_ap1")
    render_frames(stack.ingested, found, tmp_path, "exr")
    table = check(stack.ingested, found, tmp_path).table
    assert table["steps_before"].min() > 8.0
    assert table["steps_after"].max() < 0.1
    assert table["stops_before"].median() == pytest.approx(0.0, abs=0.05)


@pytest.mark.parametrize("form", FORMS)
def test_overlap_is_compared_with_the_same_hub(stack: Any, checked: Any, tmp_path: Path, form: str) -> None:
    table = stack.corrections.table.head(3).copy()
    table.loc[1:, ["source", "via"]] = ["overlap", table["frame"].iloc[0]]
    kept = {name: stack.corrections.matrices[name] for name in table["frame"]}
    found = replace(stack.corrections, table=table, matrices=kept)
    render_frames(stack.ingested, found, tmp_path, form)
    again = check(stack.ingested, found, tmp_path).table
    assert list(again["measured"]) == ["patch", "overlap", "overlap"]
    # Against the hub the second frame lies 1.3 steps away, and in stops what both lie from the reference.
    patch = checked.table[checked.table["file"].str.startswith(form)]["stops_before"].to_numpy()
    assert 1.0 < again["steps_before"].iloc[1] < 1.6
    assert again["stops_before"].iloc[1] == pytest.approx(patch[1] - patch[0], abs=0.005)
    assert (again["steps_after"] < 0.15).all()
    assert (again["stops_after"].abs() < 0.005).all()


def test_what_shows_no_light_is_not_measured(stack: Any, tmp_path: Path) -> None:
    table = stack.corrections.table.copy()
    table.loc[2, ["source", "via"]] = ["profile", "A@1/4"]
    found = replace(stack.corrections, table=table)
    render_frames(stack.ingested, found, tmp_path, "dng")
    checked = check(stack.ingested, found, tmp_path)
    assert checked.table["measured"].iloc[2] == ""
    assert np.isnan(checked.table["steps_after"].iloc[2])
    assert "1 files show no light" in checked.messages[0]


def test_files_of_other_corrections_are_not_taken_for_these(stack: Any, rendered: Path, tmp_path: Path) -> None:
    other = correct_frames(stack.ingested, to="frame:f0003.dng", match_brightness=True)
    with pytest.raises(GreystepError, match=r"36 files .* of other corrections; run greystep render"):
        check(stack.ingested, other, rendered)
    with pytest.raises(GreystepError, match="nothing rendered; run greystep render"):
        check(stack.ingested, stack.corrections, tmp_path)
    render_frames(stack.ingested, stack.corrections, tmp_path, "tiff")
    path = tmp_path / "tiff" / "f0004.tif"
    tifffile.imwrite(path, np.zeros((320, 480, 3), np.uint16))
    checked = check(stack.ingested, stack.corrections, tmp_path)
    assert len(checked.table) == 11
    assert "1 files were rendered with other corrections" in checked.messages[0]


# --- the picture ---------------------------------------------------------------------------------------------------


def fills(svg: str) -> list[list[tuple[int, int, int]]]:
    """Return the colours of each row of strips, from the top."""
    root = ElementTree.fromstring(svg)
    rows: dict[float, list[tuple[int, int, int]]] = {}
    for rect in root.iter("{http://www.w3.org/2000/svg}rect"):
        if "y" in rect.attrib:
            red, green, blue = (int(rect.attrib["fill"][i : i + 2], 16) for i in (1, 3, 5))
            rows.setdefault(float(rect.attrib["y"]), []).append((red, green, blue))
    return [rows[top] for top in sorted(rows)]


def test_strips_show_differences_true_and_magnified() -> None:
    before = np.array([[1.0, 1.0, 1.0], [1.03, 1.0, 0.98]])
    rows = fills(strips(["a", "b"], {"before": before, "after": np.ones((2, 3))}))
    assert len(rows) == 4
    true_before, true_after, large_before, large_after = rows
    # 0.35 as sRGB (IEC 61966-2-1): 1.055 * 0.35 ** (1 / 2.4) - 0.055 = 0.6262, times 255.
    assert true_after == large_after == [(160, 160, 160)] * 2
    assert large_before[0] == (160, 160, 160)
    assert 0 < true_before[1][0] - 160 < 5
    times = magnification([before])
    assert times == 20
    linear = 0.35 * 1.03**times
    assert large_before[1][0] == round(255 * (1.055 * linear ** (1 / 2.4) - 0.055))
    assert large_before[1][2] < 140


def test_strips_of_a_check(checked: Any) -> None:
    svg = strips_of(checked.table)
    rows = fills(svg)
    assert len(rows) == 8
    assert all(len(row) == 12 for row in rows)
    assert max(np.ptp(np.array(rows[4]), axis=0)) > 60
    for after in rows[5:]:
        assert max(np.ptp(np.array(after), axis=0)) <= 6
    assert len(set(re.findall(r"magnified (\d+) times", svg))) == 1


def test_a_file_that_was_not_measured_leaves_a_gap(checked: Any) -> None:
    table = checked.table.copy()
    table.loc[table["file"] == "tiff/f0004.tif", "measured"] = ""
    assert sorted(len(row) for row in fills(strips_of(table))) == [11, 11, *[12] * 6]


def test_the_screen_names_the_largest_before_and_after(checked: Any) -> None:
    text = check_text(checked.table, True, ["x/check.csv"])
    assert "A white of 240 is left there as R 240, G 240, B 240." in text
    assert (
        f"up to {checked.table['steps_before'].max():.2f} before, {checked.table['steps_after'].max():.2f} after"
        in text
    )
    assert text.startswith("36 files measured again.")
    assert text.endswith("wrote x/check.csv")
    assert "--stack" not in text
