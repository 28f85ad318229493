"""Which light is meant, which frames are of a part, what frames and rows cost each other, what the cache writes."""

import json
import math
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from numpy.typing import NDArray

from greystep.errors import GreystepError
from greystep.session.costs import disagreement
from greystep.session.entries import as_json, from_json
from greystep.session.part import WHOLE, OutsidePart, Part, cut, rows_of_part
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

# --- the reference ----------------------------------------------------------------------------------------------------


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


# --- a part -----------------------------------------------------------------------------------------------------------

NAMES = ["d1/IMG_1.dng", "d1/IMG_2.dng", "d2/IMG_2.nef", "d2/IMG_4.dng"]


@pytest.mark.parametrize(
    ("part", "found"),
    [
        (WHOLE, NAMES), (Part("IMG_2.dng"), NAMES[1:]), (Part(last="d1/IMG_2"), NAMES[:2]),
        (Part("img_1", "IMG_4"), NAMES),
        (Part("./d2/IMG_2.nef", " d2\\IMG_2.nef "), NAMES[2:3]), (Part(last="IMG_9", coming=True), NAMES),
        (Part(last="img_2.DNG", coming=True), NAMES[:2]), (Part("IMG_4", "IMG_4"), NAMES[3:]),
    ],
)  # fmt: skip
def test_the_frames_of_a_part(part: Part, found: list[str]) -> None:
    assert cut(NAMES, part) == found


@pytest.mark.parametrize(
    ("part", "said"),
    [
        (Part("IMG_2"), 'first frame "IMG_2": is d1/IMG_2.dng and d2/IMG_2.nef; write the folder too, and the extens'),
        (Part(last="IMG_2"), 'last frame "IMG_2": is '),
        (Part(last="IMG_9"), 'last frame "IMG_9": not there; the folder has d1/IMG_1.dng to d2/IMG_4.dng in the order'),
        (Part("d2/IMG_5"), "did you mean d2/IMG_4.dng?"), (Part("zzzzzz"), "in the order of capture$"),
        (Part("IMG_4", "IMG_1"), "first frame d2/IMG_4.dng was shot after the last, d1/IMG_1.dng"),
    ],
)  # fmt: skip
def test_what_is_no_part(part: Part, said: str) -> None:
    with pytest.raises(GreystepError) as told:
        cut(NAMES, part)
    assert str(told.value).endswith(said[:-1]) if said.endswith("$") else said in str(told.value)


def test_rows_of_frames_outside_the_part_are_told_but_those_of_folders() -> None:
    shots = pd.DataFrame({"frame": ["a", "b", "", "c"], "row": [2, 3, 4, 0]})
    inside, told = rows_of_part(shots, ["a", "b", "c"], ["b"])
    assert inside["frame"].tolist() == ["b", ""]
    assert inside.index.tolist() == [0, 1]
    assert told == (OutsidePart((2,), "b", "b"),)
    assert rows_of_part(shots, ["a", "b", "c"], ["a", "b"])[1] == ()
    with pytest.raises(GreystepError, match="no row of the log is of the frames d to e"):
        rows_of_part(shots[:2], ["a", "b", "d", "e"], ["d", "e"])


# --- costs ------------------------------------------------------------------------------------------------------------


def test_what_a_row_and_a_frame_cost_each_other() -> None:
    """Rows: a flash at level 1, none, not known. Frames: a flash at level 3, none, not known."""
    rows, frames = np.array([1.0, np.inf, np.nan]), np.array([3.0, -np.inf, np.nan])
    assert disagreement(rows, frames).tolist() == [[2.0, 0.8, 0.3], [2.0, 0.0, 0.3], [0.3, 0.3, 0.3]]
    assert disagreement(np.array([5.0]), np.array([2.0, 4.5])).tolist() == [[3.0, 0.5]]


# --- entries ----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Inner:
    many: NDArray[np.float64]
    few: NDArray[np.float64] | None = None


@dataclass(frozen=True)
class Outer:
    name: str
    value: float
    inner: Inner | None = None


def test_what_is_kept_comes_back_as_it_was() -> None:
    many = np.linspace(0.0, 1.0, 18).reshape(3, 6)
    content = Outer("x", math.nan, Inner(many, np.arange(16.0).reshape(4, 4)))
    text = json.loads(json.dumps(as_json(content)))
    assert text["value"] is None
    assert text["inner"]["few"] == np.arange(16.0).reshape(4, 4).tolist(), "so few stay readable"
    assert text["inner"]["many"][0] == [3, 6]
    assert as_json(Inner(np.zeros(17)))["many"][0] == (17,)
    back = from_json(text, Outer)
    assert back.inner is not None
    assert back.inner.few is not None
    assert back.inner.few.tolist() == np.arange(16.0).reshape(4, 4).tolist()
    assert (back.inner.many == many).all()
    assert back.inner.many.dtype == np.float64
    assert math.isnan(back.value)
    assert from_json(as_json(replace(content, inner=None)), Outer).inner is None
    for lost in ("value", "inner"):
        with pytest.raises(KeyError, match=lost):
            from_json({name: cell for name, cell in text.items() if name != lost}, Outer)
    size, written = text["inner"]["many"]
    with pytest.raises(ValueError, match="base64"):
        from_json(text | {"inner": text["inner"] | {"many": [size, f"{written}*"]}}, Outer)
