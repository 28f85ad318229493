"""The edges of what session.toml and the log say: values just inside and just outside, and what stays as it is."""

import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from greystep.errors import FaultsError, GreystepError
from greystep.session import settings as said
from greystep.session.settings import flash_seconds, load_settings
from greystep.session.shots import check_rows, read_log, read_shots, row_names


def kit(folder: Path, toml: str = "", log: str | None = None, files: tuple[str, ...] = ()) -> Path:
    for name in files:
        (folder / "frames" / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / "frames" / name).write_bytes(b"raw")
    folder.mkdir(exist_ok=True)
    (folder / "session.toml").write_text(toml)
    if log is not None:
        (folder / "shots.csv").write_text(log)
    return folder


# --- session.toml -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "seconds"),
    [
        ("1/800", 1 / 800), (" 1/800 s ", 1 / 800), ("0,002", 0.002), (0.004, 0.004), (1, 1.0), (1e-6, 1e-6),
        (9e-7, None), (1.01, None), (True, None), ("1/0", None), ("fast", None), (None, None), ("1.1", None),
    ],
)  # fmt: skip
def test_times_of_a_flash(text: Any, seconds: float | None) -> None:
    assert flash_seconds(text) == seconds


@pytest.mark.parametrize("patch", ["[0, 0, 1, 1]", "[0.1, 0.2, 0.3, 0.4]"])
def test_a_patch_may_be_the_whole_frame(patch: str, tmp_path: Path) -> None:
    assert load_settings(kit(tmp_path, f"[target]\npatch = {patch}\n")).patch is not None


@pytest.mark.parametrize(
    ("patch", "says"),
    [
        ("[0.1, 0.4, 0.3, 0.2]", "has no area"), ("[0.1, 0.2, 0.1, 0.4]", "has no area"),
        ("[0.1, 0.2, 0.3, 0.2]", "has no area"), ("[0, 0, 1.01, 1]", "leaves the frame"),
        ('[0.1, 0.2, 0.3, "0.4"]', "as fractions"),
        ("[0.1, 0.2, 0.3, 0.4, 0.5]", "as fractions"), ("[0.1, 0.2, 0.3, 0.4, true]", "as fractions"),
    ],
)  # fmt: skip
def test_a_patch_that_is_none(patch: str, says: str, tmp_path: Path) -> None:
    with pytest.raises(FaultsError, match=says):
        load_settings(kit(tmp_path, f"[target]\npatch = {patch}\n"))


def test_a_reflectance_from_400_to_700_nm_of_1_2_at_most(tmp_path: Path) -> None:
    toml = '[target]\nreflectance = "grey.csv"\n'
    (tmp_path / "grey.csv").write_text("400,1.2\n700,0.18\n")
    found = load_settings(kit(tmp_path, toml)).reflectance
    assert found is not None
    assert (found[0].tolist(), found[1].tolist()) == ([400.0, 700.0], [1.2, 0.18])
    assert isinstance(found[0], np.ndarray)
    for text in ("400.5,0.18\n700,0.18\n", "400,0.18\n699.5,0.18\n", "400,1.21\n700,0.18\n", "400,0.18\n"):
        (tmp_path / "grey.csv").write_text(text)
        with pytest.raises(FaultsError):
            load_settings(tmp_path)


@pytest.mark.parametrize("meter", ['{frame = "", cct_k = 5600}', "{cct_k = 5600}", '{frame = "f1"}'])
def test_a_meter_needs_frame_and_colour_temperature(meter: str, tmp_path: Path) -> None:
    with pytest.raises(FaultsError, match="frame or cct_k is missing"):
        load_settings(kit(tmp_path, f"[camera]\nmeter = {meter}\n"))


def test_an_energy_without_a_head_is_no_reference_and_a_head_has_its_own(tmp_path: Path) -> None:
    with pytest.raises(FaultsError, match='"600 J" is another power on each head'):
        load_settings(kit(tmp_path, '[reference]\npower = "600 J"\n'))
    own = '[reference]\nhead = "A"\npower = "600 J"\n[heads.A]\nmax_energy_j = 1200\n'
    assert load_settings(kit(tmp_path, own)).reference_power == "600 J"
    with pytest.raises(FaultsError, match="power"):
        load_settings(kit(tmp_path, '[reference]\npower = "1/0"\n'))
    assert load_settings(kit(tmp_path, "[reference]\nkit = true\n")).reference_kit


def test_a_folder_that_is_not_there_is_held_against_folders_alone(tmp_path: Path) -> None:
    (tmp_path / "hire_kit.txt").write_text("x")
    with pytest.raises(GreystepError, match="no such folder; check the name"):
        load_settings(tmp_path / "hire_kit")
    (tmp_path / "hire_kits").mkdir()
    with pytest.raises(GreystepError, match=r"did you mean .*hire_kits"):
        load_settings(tmp_path / "hire_kit")
    with pytest.raises(GreystepError, match="is a file; a session is a folder"):
        load_settings(tmp_path / "hire_kit.txt")


def test_nothing_is_written_among_the_frames_of_another_session(tmp_path: Path) -> None:
    one = load_settings(kit(tmp_path / "one"))
    other = replace(one, frames_dir=tmp_path / "other")
    said.check_place(other, tmp_path / "out")
    with pytest.raises(GreystepError):
        said.check_place(other, one.frames_dir / "out")


# --- the log ----------------------------------------------------------------------------------------------------------


def test_rows_shorter_than_the_header_and_columns_without_a_name(tmp_path: Path) -> None:
    table = read_shots(load_settings(kit(tmp_path, "", "frame,head,power,,mine,\na.dng,A,1/1\nb.dng,A,1/2, ,x\n")))
    assert table["mine"].tolist() == ["", "x"]
    with pytest.raises(FaultsError, match="row 1: column 4 has cells but no name"):
        read_shots(load_settings(kit(tmp_path, "", "frame,head,power,,mine\na.dng,A,1/1\nb.dng,A,1/2,?,x\n")))


def test_rows_that_are_not_shot_yet_need_no_frame(tmp_path: Path) -> None:
    text = "frame,head,power,placed\na.dng,A,1/1,in order\n,A,1/2,{}\n"
    for told in ("not shot yet", "skipped"):
        assert read_shots(load_settings(kit(tmp_path, "", text.format(told))))["frame"].tolist() == ["a.dng", ""]
    with pytest.raises(FaultsError, match="row 3: no frame, where other rows name theirs"):
        read_shots(load_settings(kit(tmp_path, "", text.format("in order"))))
    with pytest.raises(FaultsError, match="row 3: no frame"):
        read_shots(load_settings(kit(tmp_path, "", "frame,head,power\na.dng,A,1/1\n,A,1/2\n")))


def test_folders_say_head_and_power_and_session_toml_must_know_the_head(tmp_path: Path) -> None:
    files = ("A/1-1/a.dng", "A/1-4/b.dng")
    table = read_shots(load_settings(kit(tmp_path, files=files)))
    assert table[["head", "stops"]].to_numpy().tolist() == [["A", 0.0], ["A", 2.0]]
    with pytest.raises(FaultsError, match=r'\[reference\] head "B" is in no flash row; heads are A'):
        read_shots(load_settings(kit(tmp_path, '[reference]\nhead = "B"\n')))


def test_a_stack_is_of_job_frames_unless_every_name_says_head_and_power(tmp_path: Path) -> None:
    named = read_log(load_settings(kit(tmp_path, files=("A/1-1/a.dng", "A/1-4/b.dng"))), stack=True).shots
    assert named["kind"].tolist() == ["flash", "flash"]
    kit(tmp_path, files=("plate.dng",))
    stack = read_log(load_settings(tmp_path), stack=True).shots
    assert stack["kind"].tolist() == ["job"] * 3
    assert all(math.isnan(one) for one in stack["stops"])
    without = read_log(load_settings(tmp_path)).shots
    assert without["kind"].tolist() == ["flash", "flash"], "a name that says nothing is none of the log"


def test_what_a_person_calls_a_row() -> None:
    log = pd.DataFrame({"row": [2, 3], "box": ["7", "8"]})
    assert row_names(log) == ["box 7", "box 8"]
    assert row_names(log.drop(columns="box")) == ["row 2", "row 3"]
    assert row_names(log.assign(box=["7", "7"])) == ["row 2", "row 3"]
    assert row_names(log.assign(box=["7", "7a"])) == ["row 2", "row 3"]


def test_check_frames_by_a_note_that_may_be_missing() -> None:
    log = pd.DataFrame(
        {
            "kind": ["flash", "flash", "card", "check", "flash"],
            "note": ["check frame", None, "check frame", None, "no check"],
        }
    )
    assert check_rows(log).tolist() == [True, False, False, True, False]
