"""The log, however it is kept: shots.csv of any spreadsheet, folders, file names; and every slip in it told at once."""

import math
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from greystep.errors import FaultsError, GreystepError
from greystep.session.settings import load_settings
from greystep.session.shots import read_shots

PLAIN = "frame,head,power,kind,pack,note\nf1.dng,A,1/1,flash,P1,first\nf2.dng,A,1/16,,P1,\namb.dng,,,ambient,,\n"


def folder(tmp_path: Path, log: str | bytes | None, files: tuple[str, ...] = (), toml: str = "") -> Path:
    path = tmp_path / "kit"
    (path / "frames").mkdir(parents=True, exist_ok=True)
    for name in files:
        (path / "frames" / name).parent.mkdir(parents=True, exist_ok=True)
        (path / "frames" / name).write_bytes(b"raw")
    if log is not None:
        (path / "shots.csv").write_bytes(log if isinstance(log, bytes) else log.encode("utf-8"))
    if toml:
        (path / "session.toml").write_text(toml, encoding="utf-8")
    return path


def shots(tmp_path: Path, log: str | bytes | None, files: tuple[str, ...] = (), toml: str = "") -> pd.DataFrame:
    return read_shots(load_settings(folder(tmp_path, log, files, toml)))


def faults(tmp_path: Path, log: str | None, files: tuple[str, ...] = (), toml: str = "") -> tuple[str, ...]:
    with pytest.raises(FaultsError) as caught:
        shots(tmp_path, log, files, toml)
    assert all("\n" not in line and len(line) < 220 for line in caught.value.faults)
    return caught.value.faults


# --- shots.csv ------------------------------------------------------------------------------------------------------


def test_a_plain_log(tmp_path: Path) -> None:
    table = shots(tmp_path, PLAIN)
    assert table.columns.tolist() == ["frame", "head", "pack", "power", "stops", "kind", "note", "row"]
    assert table["frame"].tolist() == ["f1.dng", "f2.dng", "amb.dng"]
    assert table["head"].tolist() == ["A", "A", ""]
    assert table["pack"].tolist() == ["P1", "P1", ""]
    assert table["power"].tolist() == ["1/1", "1/16", ""]
    assert table["stops"].tolist()[:2] == [0.0, 4.0]
    assert math.isnan(table["stops"][2])
    assert table["kind"].tolist() == ["flash", "flash", "ambient"]
    assert table["note"].tolist() == ["first", "", ""]
    assert table["row"].tolist() == [2, 3, 4]
    assert [str(dtype) for dtype in table.dtypes] == ["str", "str", "str", "str", "float64", "str", "str", "int64"]


SAVES = {
    "byte order mark": PLAIN.encode("utf-8-sig"),
    "semicolons": PLAIN.replace(",", ";").encode(),
    "tabs": PLAIN.replace(",", "\t").encode(),
    "windows": PLAIN.replace("\n", "\r\n").encode(),
    "unicode text": PLAIN.replace(",", "\t").encode("utf-16"),
    "trailing blank rows": (PLAIN + ",,,,,\n\n ,,,,,\n").encode(),
    "trailing blank columns": PLAIN.replace("\n", ",,\n").encode(),
    "capital headers": PLAIN.replace("frame,head,power,kind,pack,note", " Frame,HEAD ,Power, Kind,Pack,Note").encode(),
    "padded cells": PLAIN.replace("f1.dng,A,1/1,flash,P1", " f1.dng , A,1/1 , Flash ,P1 ").encode(),
    "quoted cells": "\n".join(
        ",".join(f'"{cell}"' for cell in line.split(",")) for line in PLAIN.splitlines()
    ).encode(),
}  # fmt: skip


@pytest.mark.parametrize("save", SAVES)
def test_every_spreadsheets_save_reads_the_same(tmp_path: Path, save: str) -> None:
    plain = shots(tmp_path / "plain", PLAIN)
    pd.testing.assert_frame_equal(shots(tmp_path / "save", SAVES[save]), plain)


def test_labels_are_text_and_stay_as_typed(tmp_path: Path) -> None:
    log = "frame,head,power,Lens,with,Serial no\na.dng,None,1/1,50,B,007\nb.dng,NA,1/2,1e3,,NaN\nc.dng,007,1/4,,,true\n"
    table = shots(tmp_path, log)
    assert table["head"].tolist() == ["None", "NA", "007"]
    assert table["power"].tolist() == ["1/1", "1/2", "1/4"]
    assert table.columns.tolist()[-3:] == ["Lens", "with", "Serial no"]
    assert table["Lens"].tolist() == ["50", "1e3", ""]
    assert table["with"].tolist() == ["B", "", ""]
    assert table["Serial no"].tolist() == ["007", "NaN", "true"]
    assert {str(table[name].dtype) for name in ("head", "Lens", "with", "Serial no")} == {"str"}


def test_a_column_that_readings_fill_is_kept_under_another_name(tmp_path: Path) -> None:
    table = shots(tmp_path, "frame,head,power,iso,row,ISO\na.dng,A,1/1,100,9,x\n")
    assert table.columns.tolist()[-3:] == ["iso_log", "row_log", "ISO"]
    assert table["row"].tolist() == [2]


def test_a_column_by_a_further_name_of_readings_stays_the_logs_and_blanks_name_no_frame(tmp_path: Path) -> None:
    table = shots(tmp_path, "frame,head,power,room_share\n ,A,1/1,half\n  ,A,1/2,none\n")
    assert table["room_share"].tolist() == ["half", "none"]
    assert table["frame"].tolist() == ["", ""]


def test_one_power_has_the_label_that_comes_first(tmp_path: Path) -> None:
    powers = ["1/1", "full", "0 stops", "-4", "1/16", "1/16+0.3", "1/13", "1/16"]
    log = "frame,head,power\n" + "".join(f"f{n}.dng,{'AB'[n % 2]},{power}\n" for n, power in enumerate(powers))
    table = shots(tmp_path, log)
    assert table["power"].tolist() == ["1/1", "1/1", "1/1", "-4", "-4", "1/16+0.3", "1/16+0.3", "-4"]
    assert table["stops"].nunique() == 3  # 1/13 is 3.7004 stops and takes the value 3.7
    assert table["stops"].tolist() == pytest.approx([0, 0, 0, 4, 4, 3.7, 3.7, 4])


def test_an_energy_is_a_label_for_its_own_head_alone(tmp_path: Path) -> None:
    toml = "[heads.A]\nmax_energy_j = 2400\n[heads.B]\nmax_energy_j = 1200\n"
    log = "frame,head,power\na.dng,A,600 J\nb.dng,B,300 Ws\nc.dng,B,1/4\nd.dng,A,1/4\ne.dng,C,1/4\n"
    table = shots(tmp_path, log, toml=toml)
    assert table["power"].tolist() == ["600 J", "300 Ws", "300 Ws", "600 J", "1/4"]
    assert table["stops"].tolist() == [2.0] * 5


def test_a_pack_comes_from_the_row_or_else_from_the_session(tmp_path: Path) -> None:
    log = "frame,head,power,pack\na.dng,A,1/1,\nb.dng,A,1/1,P9\nc.dng,B,1/1,\n"
    assert shots(tmp_path, log, toml='[heads.A]\npack = "P1"\n')["pack"].tolist() == ["P1", "P9", ""]
    without = "frame,head,power\na.dng,A,1/1\n"
    assert shots(tmp_path / "2", without, toml='[heads.A]\npack = "P1"\n')["pack"].tolist() == ["P1"]


def test_rows_without_frames_are_left_for_the_capture_order(tmp_path: Path) -> None:
    meter = '[camera]\nmeter = {frame = "f1.dng", cct_k = 5600, duv = 0.001}\n'  # of a frame that the log may yet name
    for number, log in enumerate(("frame,head,power\n,A,1/1\n,B,1/2\n", "head,power\nA,1/1\nB,1/2\n")):
        table = shots(tmp_path / str(number), log, toml=meter)
        assert table["frame"].tolist() == ["", ""]
        assert table["head"].tolist() == ["A", "B"]


def test_job_and_ambient_rows_need_no_head_and_no_power(tmp_path: Path) -> None:
    log = (
        "frame,head,power,kind,lights\nj1.dng,,,job,A@1/4 & B@1/16\nj2.dng,A,-2,job\na.dng,A,-,ambient\nd.dng,,,dark\n"
    )
    table = shots(tmp_path, log)
    assert table["lights"].tolist() == ["A@1/4 & B@1/16", "", "", ""]
    assert table["power"].tolist() == ["", "-2", "-", ""]
    assert table["stops"].isna().tolist() == [True, False, True, True]
    assert shots(tmp_path / "2", "frame,kind\nj1.dng,job\nd.dng,dark\n")["kind"].tolist() == ["job", "dark"]


def test_frames_are_found_whatever_their_case_separator_and_extension(tmp_path: Path) -> None:
    files = ("f1.DNG", "day/f2.dng", "f3.dng", "f3.nef")
    table = shots(tmp_path, "frame,head,power\nF1.dng,A,1/1\n.\\day\\f2,A,1/1\nf3,A,1/1\nf4.dng,A,1/1\n", files)
    assert table["frame"].tolist() == ["f1.DNG", "day/f2.dng", "f3", "f4.dng"]  # f3 could be either


def test_files_that_differ_in_letter_case_alone_are_two(tmp_path: Path) -> None:
    path = folder(tmp_path, "frame,head,power\na.dng,A,1/1\nA.dng,A,1/1\n", ("a.dng", "A.dng"))
    if len(list((path / "frames").iterdir())) < 2:
        pytest.skip("this file system does not tell letter case apart")
    assert read_shots(load_settings(path))["frame"].tolist() == ["a.dng", "A.dng"]


@pytest.mark.parametrize(
    ("log", "fault"),
    [
        ("frame,head,pwer\na.dng,A,1/1\n", 'row 1: column "pwer": did you mean power?'),
        ("frame,heads,power\na.dng,A,1/1\n", 'row 1: column "heads": did you mean head?'),
        ("Filename,head,power\na.dng,A,1/1\n", 'row 1: column "Filename": did you mean frame?'),
        ("frame,head,power,knd\na.dng,A,1/1,dark\n", 'row 1: column "knd": did you mean kind?'),
        ("frame,head\na.dng,A\n", "row 1: no column power (found frame, head); the first row names frame,head,power"),
        ("frame,head,power,Power\na.dng,A,1/1,1/1\n", 'row 1: column "power" is there twice; keep one'),
        ("frame,head,power,\na.dng,A,1/1,x\n", "row 1: column 4 has cells but no name; name it or empty it"),
        ("frame,head,power\na.dng,A,bright\n", 'row 2: power "bright": not understood; write full, 1/16'),
        ("frame,head,power\na.dng,A,16-Mar\n", 'row 2: power "16-Mar": a spreadsheet made a date of it; format'),
        ("frame,head,power\na.dng,A,2/1\n", 'row 2: power "2/1": 1 stops above full'),
        ("frame,head,power\na.dng,A,\n", "row 2: no power; write full, 1/16, -4 or 200 J, or the kind"),
        ("frame,head,power\na.dng,B 2,200 J\n", 'add max_energy_j under [heads."B 2"] in session.toml'),
        ("frame,head,power\na.dng,,1/1\n", "row 2: no head; name the head that fired, or write the kind"),
        ("frame,head,power,kind\na.dng,A,1/1,ambiant\n", 'row 2: kind "ambiant" is not known; did you mean ambient?'),
        ("frame,head,power,kind\na.dng,A,1/1,3\n", "is not known; write flash, check, ambient, dark, card, job"),
        ("frame,head,power,kind\na.dng,A,1/1,job,3\n", "row 2: 5 cells under 4 columns; put a cell that holds a comma"),
        ("frame,head,power\na.dng,A,1/1\n,A,1/1\n", "row 3: no frame, where other rows name theirs; name the file"),
        ("frame,head,power\na.dng,A,1/1\n\n./A.DNG,A,1/2\n", 'row 4: frame "A.DNG" is in row 2 too; each frame'),
        ("frame,head,power\n../a.dng,A,1/1\n", 'row 2: frame "../a.dng" leads out of the frames folder; name a file'),
        ("frame,head,power\nx/../../a.dng,A,1/1\n", "leads out of the frames folder"),
        ("frame,head,power\n/a.dng,A,1/1\n", "leads out of the frames folder"),
        ("frame,head,power\nC:\\a.dng,A,1/1\n", "leads out of the frames folder"),
        ("frame,head,power\n..\\a.dng,A,1/1\n", "leads out of the frames folder"),
    ],
)  # fmt: skip
def test_each_fault_has_its_row_and_remedy(tmp_path: Path, log: str, fault: str) -> None:
    found = faults(tmp_path, log)
    assert len(found) == 1
    assert fault in found[0]


def test_all_faults_come_at_once_in_the_order_of_the_rows(tmp_path: Path) -> None:
    log = "frame,head,pwer,kind\na.dng,A,16-Mar,\na.dng,,4 stops,\n../c.dng,A,x,flsh\nd.dng,A,1/4,\n"
    found = faults(tmp_path, log)
    assert [int(line[4]) for line in found] == [1, 2, 3, 3, 3, 4, 4, 4]


def test_the_whole_message_names_the_file(tmp_path: Path) -> None:
    with pytest.raises(FaultsError, match=r"shots\.csv: 1 fault, nothing written\n  row 2: "):
        shots(tmp_path, "frame,head,power\na.dng,A,x\n")


@pytest.mark.parametrize("log", ["", "\n\n", "frame,head,power\n", "frame,head,power\n,,\n"])
def test_an_empty_log_is_told(tmp_path: Path, log: str) -> None:
    with pytest.raises(GreystepError, match=r"shots\.csv: names no frame; write the header frame,head,power"):
        shots(tmp_path, log)


def test_the_logs_own_name_in_capitals(tmp_path: Path) -> None:
    path = folder(tmp_path, PLAIN)
    (path / "shots.csv").rename(path / "Shots.CSV")
    assert len(read_shots(load_settings(path))) == 3


def test_session_toml_and_log_must_speak_of_the_same_heads_and_frames(tmp_path: Path) -> None:
    toml = '[reference]\nhead = "E"\n[heads.a]\n[heads.Z]\n[camera]\nmeter = {frame = "f1.dg", cct_k = 5600}\n'
    assert faults(tmp_path, PLAIN, toml=toml) == (
        'session.toml, [reference] head "E" is in no flash row; heads are A',
        'session.toml calls a head "a" that the log calls "A"; write it the same way',
        'session.toml, [camera] meter frame "f1.dg" is in no row; did you mean f1.dng?',
    )
    only_jobs = "frame,kind\nj1.dng,job\n"
    assert len(shots(tmp_path / "2", only_jobs, toml='[reference]\nhead = "E"\n')) == 1


LABEL = st.text(st.characters(codec="utf-8", exclude_categories=["Cs", "Cc", "Zs", "Zl", "Zp"]), min_size=1, max_size=8)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(LABEL, st.integers(0, 9), LABEL), min_size=1, max_size=6), st.sampled_from(",;\t"))
def test_any_labels_come_through_unaltered(
    tmp_path_factory: pytest.TempPathFactory, rows: list[tuple[str, int, str]], separator: str
) -> None:
    quoted = [[head.replace('"', '""'), f"1/{2**k}", note.replace('"', '""')] for head, k, note in rows]
    lines = [separator.join(f'"{cell}"' for cell in row) for row in [["head", "power", "mine"], *quoted]]
    table = shots(tmp_path_factory.mktemp("log"), "\n".join(lines))
    assert table["head"].tolist() == [head for head, _, _ in rows]
    assert table["stops"].tolist() == [k for _, k, _ in rows]
    assert table["mine"].tolist() == [note for _, _, note in rows]


# --- folders and file names -----------------------------------------------------------------------------------------


def test_folders_of_head_and_power_are_a_log(tmp_path: Path) -> None:
    files = ("A/1-16/f2.dng", "A/1-16/f10.dng", "A/full/f1.dng", "B 2/1-16+0.3/f1.dng", "ambient/a.dng", "dark/d.dng")
    files += ("A/ambient/a.dng", "ambient/1-16/a.dng", "job/j.dng", "A/job/j.dng", "job/A/-2/j.dng", "day 1/C/-4/f.dng")
    table = shots(tmp_path, None, (*files, "A/full/f1.jpg", "A/full/f1.xmp"), toml='[heads.A]\npack = "P1"\n')
    rows = table.set_index("frame")[["head", "power", "kind", "pack"]].T.to_dict("list")
    assert rows == {
        "A/1-16/f2.dng": ["A", "1/16", "flash", "P1"],
        "A/1-16/f10.dng": ["A", "1/16", "flash", "P1"],
        "A/ambient/a.dng": ["A", "", "ambient", "P1"],
        "A/full/f1.dng": ["A", "full", "flash", "P1"],
        "A/job/j.dng": ["A", "", "job", "P1"],
        "ambient/1-16/a.dng": ["", "1/16", "ambient", ""],
        "ambient/a.dng": ["", "", "ambient", ""],
        "B 2/1-16+0.3/f1.dng": ["B 2", "1/16+0.3", "flash", ""],
        "dark/d.dng": ["", "", "dark", ""],
        "day 1/C/-4/f.dng": ["C", "1/16", "flash", ""],  # -4 is 1/16, the first spelling
        "job/A/-2/j.dng": ["A", "-2", "job", "P1"],
        "job/j.dng": ["", "", "job", ""],
    }
    assert table["frame"].tolist()[:2] == ["A/1-16/f2.dng", "A/1-16/f10.dng"]  # natural order
    assert table["row"].tolist() == [0] * 12
    assert [str(dtype) for dtype in table.dtypes] == ["str", "str", "str", "str", "float64", "str", "str", "int64"]


@pytest.mark.parametrize(
    ("name", "head", "power", "kind"),
    [
        ("A_1-16_0001.dng", "A", "1/16", "flash"),
        ("A_full.dng", "A", "full", "flash"),
        ("A_-4_0001.dng", "A", "-4", "flash"),
        ("A_1-16+0.3_2.dng", "A", "1/16+0.3", "flash"),
        ("Head_two_1-4_0001.dng", "Head_two", "1/4", "flash"),
        ("A_full_1-4_0001.dng", "A_full", "1/4", "flash"),  # the last token but one
        ("A_1-4_take_2.dng", "A", "1/4", "flash"),
        ("A_1-4_0001_1-3.dng", "A", "1/4", "flash"),
        ("ambient_0001.dng", "", "", "ambient"),
        ("A_Ambient_0001.dng", "A", "", "ambient"),
        ("dark_1.dng", "", "", "dark"),
        ("job_A_1-4_0001.dng", "A", "1/4", "job"),
        ("card_A_1-4_0001.dng", "A", "1/4", "card"),
        ("A_check_full_0001.dng", "A", "full", "check"),
        ("check/A/1-4/0001.dng", "A", "1/4", "check"),
        ("card/0001.dng", "", "", "card"),
        ("A/card/0001.dng", "A", "", "card"),
        ("card/A_1-16_0001.dng", "A", "1/16", "flash"),
        ("A/1_16/f1.dng", "A", "1/16", "flash"),
        ("A_1_16_0001.dng", "A", "1/16", "flash"),
        ("Head_2_1_16_0001.dng", "Head_2", "1/16", "flash"),
        ("A_1_16.dng", "A", "1/16", "flash"),
        ("card_A_1_4_0001.dng", "A", "1/4", "card"),
        ("A_1_1-16_0003.dng", "A_1", "1/16", "flash"),  # what is a power in one piece goes first
        ("A_half_0001.dng", "A", "half", "flash"),
        ("A/25 %/f1.dng", "A", "25 %", "flash"),
    ],
)
def test_file_names_of_head_and_power_are_a_log(tmp_path: Path, name: str, head: str, power: str, kind: str) -> None:
    table = shots(tmp_path, None, (name,))
    assert table[["frame", "head", "power", "kind"]].to_numpy().tolist() == [[name, head, power, kind]]


@pytest.mark.parametrize("name", ["A/10/f1.dng", "A_10_0001.dng", "A/9.9/f1.dng", "A_9.9_0001.dng"])
def test_numbers_of_the_dial_are_powers_in_names_where_session_toml_says_it(tmp_path: Path, name: str) -> None:
    table = shots(tmp_path, None, (name,), toml="dial = 10\n")
    label = "10" if "10" in name else "9.9"
    assert table[["frame", "head", "power"]].to_numpy().tolist() == [[name, "A", label]]
    assert table["stops"].tolist() == pytest.approx([10.0 - float(label)])


def test_numbers_of_the_dial_are_powers_in_the_log(tmp_path: Path) -> None:
    log = "head,power\nA,10\nA,6.5\nA,full\nA,1/1\n"
    table = shots(
        tmp_path, log, toml="dial = 10\n[reference]\nhead = 'A'\npower = '10'\n[heads.A]\nt01_s = {10 = 0.01}\n"
    )
    assert table["stops"].tolist() == [0.0, 3.5, 0.0, 0.0]
    assert table["power"].tolist() == ["10", "6.5", "10", "10"]  # one light, the spelling that comes first


def test_a_file_outside_the_layout_is_left_for_an_extra_row(tmp_path: Path) -> None:
    assert shots(tmp_path, None, ("A/1-1/f1.dng", "test.dng"))["frame"].tolist() == ["A/1-1/f1.dng"]


def test_a_folder_whose_power_cannot_be_read_is_told_once(tmp_path: Path) -> None:
    files = ("A/1-1/f1.dng", "A/16-Jan/f1.dng", "A/16-Jan/f2.dng", "B/200J/f1.dng", "B/200J/f2.dng", "B/4/f.dng")
    assert faults(tmp_path, None, files) == (
        'A/16-Jan: power "16-Jan": a spreadsheet made a date of it; format the column as text and type the power again',
        'B/4: power "4": above or below full? write -4 for 4 stops below full, or 1/16, or 200 J, or dial = 10 in '
        "session.toml if full is 10 on the pack",
        'B/200J: power "200J": needs the head\'s full energy; add max_energy_j under [heads.B] in session.toml',
    )


@pytest.mark.parametrize("name", ["DSC_0001.dng", "A_0.dng", "_DSC0001.nef", "a/b/c.dng", "1-16_0001.dng"])
def test_without_log_and_layout_both_forms_are_shown(tmp_path: Path, name: str) -> None:
    says = r"kit: no shots\.csv, and no file name in .*frames says head and power; write shots\.csv .* or A_1-16_NAME"
    with pytest.raises(GreystepError, match=says):
        shots(tmp_path, None, (name,))


def test_a_spreadsheet_that_was_not_saved_as_csv_is_named(tmp_path: Path) -> None:
    path = folder(tmp_path, None, ("DSC_0001.dng",))
    (path / "shots.xlsx").write_bytes(b"PK")
    with pytest.raises(GreystepError, match=r"save shots\.xlsx as CSV UTF-8"):
        read_shots(load_settings(path))


def test_no_frames_at_all(tmp_path: Path) -> None:
    with pytest.raises(GreystepError, match="no raw frames in it"):
        shots(tmp_path, None)
