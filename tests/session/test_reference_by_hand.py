"""Which light is meant by a reference, and which of those that were measured it is."""

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from greystep.errors import GreystepError
from greystep.session.reference import (
    HeadAtPower,
    MedianFrame,
    OneFrame,
    White,
    WholeKit,
    choose_lights,
    may_serve,
    other_session,
    parse_reference,
    session_reference,
)
from helpers.synthetic import make_session


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("5500K", White(5500.0, 0.0)), (" 5500.5 k-0.003 ", White(5500.5, -0.003)), ("1500K+.05", White(1500.0, 0.05)),
        ("25000K", White(25000.0, 0.0)), ("kit", WholeKit(2.0)), ("median", MedianFrame()),
        ("frame:a@b.dng", OneFrame("a@b.dng")), ("A@full", HeadAtPower("A", 0.0)),
        ("me@home@1/4", HeadAtPower("me@home", 2.0)),
    ],
)  # fmt: skip
def test_what_a_reference_says(text: str, wanted: Any) -> None:
    assert parse_reference(text, make_session(power="1/4")) == wanted


@pytest.mark.parametrize("text", ["1499K", "25001K", "5500K+0.051", "5500K-0.051", "kits", "5500", "A@", ""])
def test_what_is_no_reference(text: str) -> None:
    with pytest.raises(GreystepError):
        parse_reference(text, make_session())


def test_the_reference_of_a_session() -> None:
    assert session_reference(make_session()) == HeadAtPower(None, None, or_highest=True)
    assert session_reference(make_session("B", "1/2")) == HeadAtPower("B", 1.0, or_highest=True)
    assert session_reference(make_session(None, "1/8")) == HeadAtPower(None, 3.0, or_highest=True)
    assert session_reference(make_session("B", "1/2", kit=True)) == WholeKit(1.0)
    assert session_reference(make_session(kit=True)) == WholeKit(0.0)
    assert parse_reference("kit", make_session()) == WholeKit(0.0)
    assert (HeadAtPower().head, HeadAtPower().stops, HeadAtPower().or_highest) == (None, None, False)
    assert WholeKit().stops == 0.0
    assert other_session("session:../last") == Path("../last")
    assert other_session("A@session:x") is other_session(None) is None


HEADS, STOPS = list("BBAAC"), [1.0, 2.0, 0.0, 1.005, 3.0]


@pytest.mark.parametrize(
    ("wanted", "lost", "rows"),
    [
        (HeadAtPower("A", 1.0), "", [[3]]), (HeadAtPower("A", 0.0), "", [[2]]), (HeadAtPower("A", 2.0), "", []),
        (HeadAtPower("A", 2.0, or_highest=True), "", [[2]]), (HeadAtPower("A", 1.0, or_highest=True), "", [[3]]),
        (HeadAtPower("A", 0.0, or_highest=True), "A0", [[3]]), (HeadAtPower("A"), "", [[2]]),
        (HeadAtPower(), "", [[0]]),
        (HeadAtPower(), "BB", [[2]]), (HeadAtPower("B"), "BB", []), (HeadAtPower("B", 1.0, or_highest=True), "BB", []),
        (HeadAtPower(None, 2.0), "", [[1]]), (WholeKit(1.0), "", [[0], [3]]), (WholeKit(3.0), "", [[4]]),
        (WholeKit(5.0), "", []),
    ],
)  # fmt: skip
def test_the_lights_that_a_reference_names(wanted: Any, lost: str, rows: list[list[int]]) -> None:
    measured = np.array([not (lost == "BB" and head == "B") for head in HEADS])
    measured[2] &= lost != "A0"
    assert [group.tolist() for group in choose_lights(wanted, HEADS, STOPS, measured)] == rows
    assert choose_lights(wanted, HEADS, STOPS, np.zeros(5, dtype=bool)) == ()


def test_check_frames_serve_where_their_light_was_shot_in_no_others() -> None:
    usable, check = np.array([1, 1, 1, 0, 1, 1], dtype=bool), np.array([1, 0, 1, 0, 1, 0], dtype=bool)
    assert may_serve(usable, check, np.array([0, 0, 1, 1, 2, 3])).tolist() == [False, True, True, False, True, True]
