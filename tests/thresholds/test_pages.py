"""Room on the screen and beside a line: what just fits and what just does not."""

from greystep.pages.svg import short
from greystep.words import wrapped


def test_the_screen_is_eighty_columns_wide() -> None:
    lines = wrapped("four " * 60).splitlines()
    assert 75 < max(map(len, lines)) <= 80


def test_a_name_of_fourteen_letters_has_room_beside_a_line() -> None:
    assert short("a" * 14) == "a" * 14
    assert short("a" * 15) != "a" * 15
