"""A spreadsheet's save reads the same in whatever encoding, separator and line ends it was written."""

import csv
import io
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from greystep.doors import read_number
from greystep.errors import FaultsError, GreystepError
from greystep.session.csvfile import nearest, read_rows, read_sheet

ROWS = [["frame", "head", "note"], ["f1.dng", "Tête", "warm, soft; near"], ["f2.dng", "007", 'the "big" dish']]


def saved(separator: str = ",", newline: str = "\n") -> str:
    out = io.StringIO()
    csv.writer(out, delimiter=separator, lineterminator=newline).writerows(ROWS)
    return out.getvalue()


@pytest.mark.parametrize("separator", [",", ";", "\t"])
@pytest.mark.parametrize("newline", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252"])
def test_every_save_reads_the_same(tmp_path: Path, separator: str, newline: str, encoding: str) -> None:
    path = tmp_path / "a.csv"
    path.write_bytes(saved(separator, newline).encode(encoding))
    assert read_rows(path) == [(1, ROWS[0]), (2, ROWS[1]), (3, ROWS[2])]


def test_blank_rows_count_in_the_row_numbers_but_are_left_out(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text('\na;b\n;\n\n1;"two\nlines"\n3;4\n ; \n;;\n\n', encoding="utf-8")
    assert read_rows(path) == [(2, ["a", "b"]), (5, ["1", "two\nlines"]), (6, ["3", "4"])]


def test_a_line_that_names_the_separator_is_not_a_row(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text("sep=;\r\na,x;b\r\n1;2\r\n", encoding="utf-8")
    assert read_rows(path) == [(1, ["a,x", "b"]), (2, ["1", "2"])]


def test_decimal_commas_do_not_hide_the_semicolons(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text("400;0,18\n700;0,19\n", encoding="utf-8")
    assert read_rows(path) == [(1, ["400", "0,18"]), (2, ["700", "0,19"])]


def test_a_blank_before_a_quote_does_not_open_the_cell(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text('a, b\n1, "x, y"\n', encoding="utf-8")
    assert read_rows(tmp_path / "a.csv") == [(1, ["a", "b"]), (2, ["1", "x, y"])]


def test_a_misspelt_column_is_taken_for_the_one_that_is_missing_before_any_other(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text("Lihgt,x,Gell,Lamp,exac\nA,1,none,,\nB\n")
    found = read_sheet(tmp_path / "a.csv", "light", ["light"], ["lights", "gel"], ["exact"], {"lamp": "kind"})
    assert found.faults == ['row 1: column "Lihgt": did you mean light?', 'row 1: column "Gell": did you mean gel?']
    blank = {"lights": "", "exact": ""}
    assert found.rows == [(2, {"light": "A", "gel": "none"} | blank), (3, {"light": "B", "gel": ""} | blank)]
    lamps = read_sheet(tmp_path / "a.csv", "light", ["lihgt"], ["kind"], (), {"lamp": "kind"})
    assert lamps.faults == []
    assert lamps.rows[0][1] == {"lihgt": "A", "kind": ""}


def test_an_empty_file_has_no_rows(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_bytes(b"")
    assert read_rows(tmp_path / "a.csv") == []


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (b"PK\x03\x04rest", "is a spreadsheet's own file under another name; save it from there as CSV UTF-8"),
        (b"frame,head\nf1,\x81\n", "is not text in UTF-8"),
        (b'a,b\n"open,1\n2,3\n', "close each quote that is opened"),
        (b'a,b\n1,"x"y\n', "line 2 cannot be split into cells"),
        (b"\na,b\n1,\0", r"byte 8 \(line 3\) is a zero"),
    ],
)
def test_what_is_no_sheet_is_refused(tmp_path: Path, data: bytes, says: str) -> None:
    path = tmp_path / "a.csv"
    path.write_bytes(data)
    with pytest.raises(GreystepError, match=says):
        read_rows(path)


def test_a_missing_sheet_is_named(tmp_path: Path) -> None:
    with pytest.raises(GreystepError, match=r"b\.csv: cannot be read"):
        read_rows(tmp_path / "b.csv")


CELL = st.text(st.characters(codec="utf-8", exclude_characters="\0\r\n", exclude_categories=["Cs"]), max_size=8)


@settings(max_examples=50, deadline=None)
@given(st.lists(st.tuples(CELL, CELL), max_size=5), st.sampled_from(",;\t"))
def test_cells_come_back_as_written(
    tmp_path_factory: pytest.TempPathFactory, body: list[tuple[str, str]], separator: str
) -> None:
    path = tmp_path_factory.mktemp("sheet") / "a.csv"
    with path.open("w", encoding="utf-8", newline="") as stream:
        csv.writer(stream, delimiter=separator, quoting=csv.QUOTE_ALL).writerows([("frame", "head"), *body])
    expected = [(n, list(cells)) for n, cells in enumerate(body, start=2) if any(cell.strip() for cell in cells)]
    assert read_rows(path)[1:] == expected


def test_nearest_minds_no_letter_case() -> None:
    assert nearest("Pwer", ["power", "kind"]) == "power"
    assert nearest("toler", ["Tolerance"]) == "Tolerance"
    assert nearest("zzz", ["power", "kind"]) is None


def test_declared_columns_are_read_in_any_letter_case_and_order(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text("Gain;mine; PLATE \n0,5;x; f1.dng \n;y\n", encoding="utf-8")
    sheet = read_sheet(path, "plate", ["plate"], ["gain", "stops"])
    assert sheet.rows == [
        (2, {"plate": "f1.dng", "gain": "0,5", "stops": ""}),
        (3, {"plate": "", "gain": "", "stops": ""}),
    ]
    assert sheet.faults == []


def test_a_misspelt_column_is_told_and_read_under_its_right_name(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text("frame,gian,width,frame\nf1.dng,2,3,\n", encoding="utf-8")
    sheet = read_sheet(path, "plate", ["plate"], ["gain"], ["with"], {"frame": "plate"})
    assert sheet.faults == [
        'row 1: column "plate" is there twice; keep one', 'row 1: column "gian": did you mean gain?',
    ]  # fmt: skip
    assert sheet.rows == [(2, {"plate": "f1.dng", "gain": "2", "with": ""})]


def test_a_missing_column_and_a_table_without_rows_stop_the_reading(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text("image\nf1.dng\n", encoding="utf-8")
    with pytest.raises(FaultsError, match="row 1: no column plate; the first row names plate"):
        read_sheet(path, "plate", ["plate"])
    path.write_text("plate\n", encoding="utf-8")
    with pytest.raises(GreystepError, match="names no plate; write the header plate"):
        read_sheet(path, "plate", ["plate"])


@pytest.mark.parametrize("text", ["nan", "inf", "-inf", "x", "", " ", "1.1", "-0,2"])
def test_what_is_no_number_within_the_limits_is_told(text: str) -> None:
    with pytest.raises(GreystepError, match=r"share .*; write a share of 1"):
        read_number(text, "share", (0.0, 1.0), "a share of 1")


def test_numbers_with_a_comma_and_a_typographic_minus() -> None:
    assert read_number(" \N{MINUS SIGN}0,5 ", "stops", (-1.0, 1.0), "stops") == -0.5


def test_a_declared_column_is_no_misspelt_one(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text("shifts,name\n1,x\n")
    with pytest.raises(FaultsError, match="no column shift") as told:
        read_sheet(path, "gel", ["shift"], ["shifts", "name"])
    assert "did you mean" not in str(told.value)
