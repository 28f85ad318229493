"""Dates that a spreadsheet made of powers: what spreadsheets show for a typed fraction, put back where one power fits.

What is typed and what is shown are from memory of how spreadsheets read a fraction: as a month and a day (the United
States), as a day and a month (most of Europe), or, where neither fits, as a month and a year of two digits, of which
00 to 29 are in this century.
"""

from datetime import date
from pathlib import Path

import pytest

from greystep.errors import FaultsError
from greystep.session.settings import load_settings
from greystep.session.shots import PutBack, read_log
from greystep.session.spreadsheet_dates import undated


def folder(tmp_path: Path, log: str) -> Path:
    (tmp_path / "frames").mkdir()
    (tmp_path / "shots.csv").write_text(log, encoding="utf-8")
    return tmp_path


HALVINGS = {f"1/{2**k}" for k in range(10)}


@pytest.mark.parametrize(
    ("shown", "typed"),
    [
        ("Jan-16", "1/16"),
        ("16-Jan", "1/16"),
        ("16. Jan", "1/16"),
        ("01/16/2026", "1/16"),
        ("2026-01-16", "1/16"),
        ("2026-01-16 00:00:00", "1/16"),
        ("46038", "1/16"),
        ("1-Jan", "1/1"),
        ("01/01/2026", "1/1"),
        ("1/16/26", "1/16"),
        ("16-Jan-26", "1/16"),
        ("01.04.99", "1/4"),
        ("2-Jan", "1/2"),
        ("01-Feb", "1/2"),  # day before month
        ("02.01.2026", "1/2"),
        ("01.02.2026", "1/2"),
        ("4-Jan", "1/4"),
        ("01-Apr", "1/4"),
        ("01. Aug", "1/8"),
        ("1 août", "1/8"),
        ("8-Jan", "1/8"),
        ("Jan-32", "1/32"),  # a year of two digits
        ("jan. 1932", "1/32"),
        ("1932-01-01", "1/32"),
        ("Jan-64", "1/64"),
        ("gen-64", "1/64"),
        ("23377", "1/64"),  # 1964-01-01
    ],
)
def test_a_date_that_only_one_power_may_have_been_is_put_back(shown: str, typed: str) -> None:
    assert undated(shown) == typed


@pytest.mark.parametrize(
    "shown",
    [
        "16-Mar",
        "3-Jan",  # 1/3 is set on no head
        "2016-01-01",  # 1/1 typed in 2016, or 1/16
        "42370",  # the same day
        "2026-13-40",
        "31-Feb",
        "1/16",
        "full",
        "",
        "99999",
        "Jan-128",
        "32-Jan",  # no spreadsheet shows a year before its month
        "Jan 2032",
        "4. Mai 2026",
        "01/16/1000",
        "Jan Feb 26",  # two months
    ],
)
def test_any_other_date_stays(shown: str) -> None:
    assert undated(shown) is None


def test_years_in_which_a_fraction_may_have_been_typed_and_those_of_two_digits() -> None:
    """From the first spreadsheets on; two digits are the years from 1930 to 2029."""
    for year, typed in ((1984, None), (1985, "1/16"), (2099, "1/16"), (2100, None)):
        assert undated(f"{year}-01-16") == typed
    others = {"1/29", "1/30"}
    shown = [undated(f"Jan {year}", others) for year in (1929, 1930, 2029, 2030)]
    assert shown == [None, "1/30", "1/29", None]
    assert (undated("36526"), undated("35446")) == ("1/1", "1/16"), "2000-01-01 and 1997-01-16"
    assert undated("Jan-512") is None
    assert undated("1-Sep-12", {"9/1"}) == "9/1"


def test_a_power_that_stands_elsewhere_in_the_log_counts_too() -> None:
    assert undated("3-Jan", {"1/3"}) == undated("01-Mar", {"1/3"}) == "1/3"
    assert undated("3-Apr", {"3/4"}) == undated("04-Mar", {"3/4"}) == "3/4"
    assert undated("09. Sep", {"9.9"}) == undated("09. Sep", {"9,9"}) is None  # no number of a dial without a dial
    assert undated("09. Sep", {"9.9"}, dial=10.0) == "9.9"
    assert undated("06. Mai", {"6,5"}, dial=10.0) == "6,5"
    assert undated("5-Jun", {"6.5", "5.6"}, dial=10.0) is None  # 6.5 or 5.6


@pytest.mark.parametrize("typed", sorted(HALVINGS))
@pytest.mark.parametrize("year", [2024, 2026, 2031])
def test_whatever_a_spreadsheet_shows_for_a_power_is_that_power_or_stays(typed: str, year: int) -> None:
    """The reverse, by a spreadsheet's own rules: a typed fraction becomes a day, and the day is shown in many forms."""
    top, bottom = map(int, typed.split("/"))
    days = []
    for month, day in ((top, bottom), (bottom, top)):
        if month <= 12 and day <= 28:
            days.append(date(year, month, day))
    if not days and bottom < 100:
        days.append(date(2000 + bottom if bottom < 30 else 1900 + bottom, top, 1))
    for day in days:
        serial = str((day - date(1899, 12, 30)).days)
        for shown in (
            day.isoformat(),
            f"{day:%m/%d/%Y}",
            f"{day:%d.%m.%Y}",
            f"{day:%d/%m/%Y}",
            serial,
            f"{day} 00:00:00",
        ):
            assert undated(shown) == typed, shown


def test_the_log_is_read_with_its_powers_put_back_and_says_so(tmp_path: Path) -> None:
    log = "head,power,kind\nA,full,\nA,16-Jan,\nA,1/4,\n,,ambient\nA,Jan-32,\n,16-Jan,dark\n"
    path = folder(tmp_path, log)
    read = read_log(load_settings(path))
    assert read.shots["power"].tolist() == ["full", "1/16", "1/4", "", "1/32", "1/16"]
    assert read.shots["stops"].tolist()[:3] == [0.0, 4.0, 2.0]
    assert read.notes == (PutBack((3, 6, 7), ("16-Jan", "Jan-32", "16-Jan"), ("1/16", "1/32", "1/16")),)
    assert (path / "shots.csv").read_text(encoding="utf-8") == log  # the person's own file stays


def test_a_date_that_two_powers_may_have_been_is_an_error_as_before(tmp_path: Path) -> None:
    path = folder(tmp_path, "head,power\nA,full\nA,16-Jan\nA,16-Mar\nA,2016-01-01\n")
    with pytest.raises(FaultsError) as caught:
        read_log(load_settings(path))
    found = caught.value.faults
    assert [line[:5] for line in found] == ["row 4", "row 5"]
    assert all("a spreadsheet made a date of it" in line for line in found)
