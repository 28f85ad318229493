"""What names say: folders, files, the columns of a log; and the table of a target's reflectance."""

from pathlib import Path, PurePosixPath
from typing import Any

import numpy as np
import pytest

from greystep.session.file_names import by_folder, by_name, folder_fault
from greystep.session.log_columns import checked_columns, named_columns
from greystep.session.reflectance import read_reflectance
from greystep.session.toml_file import TomlFile

# --- folders ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("folders", "place"),
    [
        ("A/1-16", ("flash", "A", "1-16")), ("day 1/A/1-16", ("flash", "A", "1-16")), ("A", None), ("", None),
        ("A/close", None), ("Ambient", ("ambient", "", "")), ("card/A/1-4", ("card", "A", "1-4")),
        ("A/CARD/1-4", ("card", "A", "1-4")), ("A/1-4/job", ("job", "A", "1-4")), ("dark/1-4", ("dark", "", "1-4")),
        ("ambient/A", ("ambient", "A", "")), ("card/A/close", None), ("card/dark", None), ("check", None),
        ("check/A/full", ("check", "A", "full")), ("flash/A/full", ("flash", "A", "full")), ("A/7", None),
        ("A/200 J", ("flash", "A", "200 J")),
    ],
)  # fmt: skip
def test_the_two_innermost_folders_are_head_and_power(folders: str, place: tuple[str, str, str] | None) -> None:
    assert by_folder([part for part in folders.split("/") if part], None) == place


def test_a_number_is_a_power_where_the_pack_has_a_dial() -> None:
    assert by_folder(["A", "7"], 10.0) == ("flash", "A", "7")
    assert by_folder(["A", "11"], 10.0) is None, "above full"
    assert by_name("A_7_0012", 10.0) == ("flash", "A", "7")
    assert by_name("A_7.5_x_0012", 10.0) == ("flash", "A", "7.5")
    assert by_name("A_7_x_y_z", 10.0) is None, "without a point it is a frame's own number"


def test_why_a_folder_names_no_power() -> None:
    assert (
        folder_fault(PurePosixPath("A/1-16/f.dng")) == "A/1-16: not understood; name folders HEAD/POWER, such as A/1-16"
    )
    assert folder_fault(PurePosixPath("A/close/f.dng")).startswith('A/close: power "close": not understood')


# --- files ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("stem", "place"),
    [
        ("A_1-16_0001", ("flash", "A", "1-16")), ("key_left_1-16_0001", ("flash", "key_left", "1-16")),
        ("A_full", ("flash", "A", "full")), ("A_1-4_x_1-8_9", ("flash", "A_1-4_x", "1-8")),
        ("A_1-4_x_y_z", ("flash", "A", "1-4")), ("A_1_16_0001", ("flash", "A", "1/16")),
        ("A_1_16", ("flash", "A", "1/16")), ("A_1_3_0001", None), ("A_1_512_7", ("flash", "A", "1/512")),
        ("A_1_1024_7", None), ("A_1_2_1_4_9", ("flash", "A_1_2", "1/4")), ("A_0001", None), ("full_0001", None),
        ("card_A_1-4_0001", ("card", "A", "1-4")), ("A_Card_1-4_0001", ("card", "A", "1-4")),
        ("ambient_0001", ("ambient", "", "")), ("A_ambient_0001", ("ambient", "A", "")),
        ("job_A_1-2_3", ("job", "A", "1-2")), ("check_A_full_3", ("check", "A", "full")), ("check_3", None),
        ("A_1-2_half_x_y", ("flash", "A", "1-2")),
    ],
)  # fmt: skip
def test_a_name_says_head_and_power(stem: str, place: tuple[str, str, str] | None) -> None:
    assert by_name(stem, None) == place


# --- columns ----------------------------------------------------------------------------------------------------------


def columns_of(header: str, *rows: str) -> tuple[dict[str, int], list[str]]:
    names, body = header.split(","), [(at + 6, row.split(",")) for at, row in enumerate(rows)]
    faults: list[str] = []
    return checked_columns(named_columns(names, body, faults, 5), names, body, faults, 5), faults


def test_columns_are_found_by_name_whatever_their_case() -> None:
    found, faults = columns_of(" Head ,POWER,Lamp,flags,Pack,", "A,full,x,y,z,")
    assert found == {"head": 0, "power": 1, "Lamp": 2, "flags_log": 3, "pack": 4}
    assert faults == []


def test_a_column_without_a_name_or_there_twice_is_a_fault() -> None:
    assert columns_of("head,power,", "A,full", "A,full, ")[1] == []
    found, faults = columns_of("head,,power,head", "A,full", "A,x,full,B")
    assert found == {"head": 0, "power": 2}
    assert faults == [
        "row 5: column 2 has cells but no name; name it or empty it", 'row 5: column "head" is there twice; keep one',
    ]  # fmt: skip


def test_a_misspelt_column_is_told_and_taken_for_what_it_is() -> None:
    found, faults = columns_of("heads,pover,File,kinds", "A,full,f,flash")
    assert (found["head"], found["power"], found["frame"], found["kind"]) == (0, 1, 2, 3)
    assert faults == [
        'row 5: column "kinds": did you mean kind?', 'row 5: column "heads": did you mean head?',
        'row 5: column "pover": did you mean power?', 'row 5: column "File": did you mean frame?',
    ]  # fmt: skip
    assert columns_of("head,power,bind", "A,full,x")[1] == [], "too unlike"
    assert columns_of("head,power,paks", "A,full,x")[1] == []
    assert columns_of("head,power,packs", "A,full,x")[1] == ['row 5: column "packs": did you mean pack?']


def test_head_and_power_are_missed_where_a_row_is_a_flash() -> None:
    missing = [
        f"row 5: no column {name} (found frame, kind); the first row names frame,head,power"
        for name in ("head", "power")
    ]
    assert columns_of("frame,kind", "f0,ambient", "f1,job")[1] == []
    assert columns_of("frame,kind", "f0,ambient", "f1, Flash ")[1] == missing
    assert columns_of("frame,kind", "f0,ambient", "f1")[1] == missing, "without a kind it is one"
    assert columns_of("frame,kind", "f0,check")[1] == missing
    assert columns_of("frame,kind,heat", "f0,job,x")[1] == [], "like a head's, and none is needed"
    assert columns_of("frame,kind,heat,power", "f0,flash,x,y")[1] == ['row 5: column "heat": did you mean head?']


# --- reflectance ------------------------------------------------------------------------------------------------------


def reflectance(folder: Path, text: str | None) -> tuple[Any, list[str]]:
    if text is not None:
        (folder / "grey.csv").write_text(text)
    toml = TomlFile(folder, {"target": {"reflectance": "grey.csv"}}, {}, [])
    return read_reflectance(toml, "grey.csv"), toml.faults


def test_a_table_of_reflectance_is_read_under_a_header_or_not(tmp_path: Path) -> None:
    for header in ("", "nm,factor\n"):
        found, faults = reflectance(tmp_path, f"{header}400,0.18\n550,0.2,note\n700,1.2\n")
        assert faults == []
        assert [part.tolist() for part in found] == [[400.0, 550.0, 700.0], [0.18, 0.2, 1.2]]
        assert isinstance(found[0], np.ndarray)
    assert reflectance(tmp_path, "380,0.1\n780,0.2\n")[1] == []
    assert read_reflectance(TomlFile(tmp_path, {}, {}, []), "") is None


@pytest.mark.parametrize(
    ("text", "faults"),
    [
        ("400,0.18\n400,0.2\n700,0.2\n", ["grey.csv row 2: 400 nm after 400 nm; sort wavelengths upwards"]),
        ("400,0\n700,1.21\n", [
            "grey.csv row 1: factor 0; write a share of 1, such as 0.18, up to 1.2",
            "grey.csv row 2: factor 1.21; write a share of 1, such as 0.18, up to 1.2",
        ]),
        ("nm,factor\n400,0.2\nx,0.2\n600\n700,0.2\n", [
            "grey.csv row 3: not two numbers; write nm and factor",
            "grey.csv row 4: not two numbers; write nm and factor",
        ]),
        ("401,0.2\n700,0.2\n", ["grey.csv: covers 401 to 700 nm; 400 to 700 nm are needed"]),
        ("400,0.2\n699,0.2\n", ["grey.csv: covers 400 to 699 nm; 400 to 700 nm are needed"]),
        ("nm,factor\n400,0.2\n", ["grey.csv: covers 400 to 400 nm; 400 to 700 nm are needed"]),
        ("nm,factor\n", ["grey.csv: covers nothing; 400 to 700 nm are needed"]),
    ],
)  # fmt: skip
def test_a_table_of_reflectance_with_a_fault_says_which(tmp_path: Path, text: str, faults: list[str]) -> None:
    assert reflectance(tmp_path, text) == (None, faults)


def test_a_table_of_reflectance_that_is_not_there(tmp_path: Path) -> None:
    found, faults = reflectance(tmp_path, None)
    assert found is None
    assert len(faults) == 1
    assert 'no file "grey.csv"' in faults[0]
    (tmp_path / "grey.csv").mkdir()
    assert read_reflectance(toml := TomlFile(tmp_path, {}, {}, []), "grey.csv") is None
    assert len(toml.faults) == 1
