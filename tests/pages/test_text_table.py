"""A table on screen: it is always there, whatever the names and the width."""

import pytest

from greystep.pages.text_table import clipped, text_table

COLUMNS = ("head", "state", "moves")
LONG = "the old head with the dented dome from the top shelf"


def test_a_table_that_fits_is_not_touched() -> None:
    lines = text_table(COLUMNS, [("A", "send back", "9.8 mired"), ("B", "in tolerance", "")], 80).splitlines()
    assert lines == [
        "head  state         moves",
        "-" * (4 + 2 + 12 + 2 + 9),
        "A     send back     9.8 mired",
        "B     in tolerance",
    ]


@pytest.mark.parametrize("width", [28, 40, 60, 80, 120])
def test_a_long_name_is_clipped_in_its_middle_and_nothing_is_too_wide(width: int) -> None:
    rows = [(f"{LONG} 1", "send back", "9.8 mired"), (f"{LONG} 2", "in tolerance", "1.2 mired")]
    lines = text_table(COLUMNS, rows, width).splitlines()
    assert max(map(len, lines)) <= width
    assert len(lines) == 4
    assert lines[2].startswith("the ")
    assert "send back" in lines[2]
    assert ("9.8 mired" in lines[2]) == (width >= 10 + 2 + 12 + 2 + 9)
    assert lines[2].split("  ")[0] != lines[3].split("  ")[0]  # the numbers at their ends tell them apart


def test_only_what_may_be_clipped_is_clipped() -> None:
    text = text_table(COLUMNS, [("A", "x" * 30, "y" * 30)], 50, clip=(2,))
    assert "x" * 30 in text
    assert "y" * 30 not in text
    assert max(map(len, text.splitlines())) == 50


def test_clipped() -> None:
    assert clipped("abcdefghijkl", 12) == "abcdefghijkl"
    assert clipped("abcdefghijklm", 12) == "abcde..ijklm"
    assert clipped("abcdefghijklm", 11) == "abcde..jklm"
