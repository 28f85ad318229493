"""The page of a history: a line a head, whose marks say what is called, read back from the drawing."""

import math
import re
import xml.etree.ElementTree as Et

import pandas as pd
import pytest

from greystep.compare.anchors import Anchor
from greystep.compare.history import History, MovedAlike
from greystep.pages.history import history_page
from pages.test_history import row  # type: ignore[import-not-found]

SVG = "{http://www.w3.org/2000/svg}"
FIRST = [row("January", head, "full") for head in ("B", "C<b>")]


def page(*rows: dict[str, object], notes: tuple[MovedAlike, ...] = ()) -> str:
    return history_page(History(pd.DataFrame([*FIRST, *rows]), notes))


def lanes(text: str) -> dict[str, Et.Element]:
    drawing = re.search(r'<svg[^>]*class="drawn".*?</svg>', text, re.DOTALL)
    assert drawing
    return {one.get("data-head", ""): one for one in Et.fromstring(drawing[0]).iter(f"{SVG}g") if one.get("data-head")}


MOVES = [
    row("March", "B", "full", "moved", 7.1),
    row("March", "C<b>", "full", "not moved", -0.5, serial="2038"),
    row("May", "B", "full", "cannot tell", 3.0, previous="March"),
]
FIRST[1]["serial"] = "2038"


def test_a_line_a_head_whose_marks_say_what_is_called() -> None:
    found = lanes(page(*MOVES))
    assert list(found) == ["B (1072)", "C<b> (2038)"]
    marks = {
        name: [one.get("class") for one in lane.iter(f"{SVG}g") if one.get("class") and not one.get("data-head")]
        for name, lane in found.items()
    }
    assert marks == {"B (1072)": ["outside", "undecided"], "C<b> (2038)": ["within"]}
    heights = [float(dot.get("cy", "nan")) for dot in found["B (1072)"].iter(f"{SVG}circle")]
    assert heights[0] > heights[1] > heights[2]  # up is warmer: 0, 7.1, 10.1
    assert (heights[0] - heights[1]) / (heights[1] - heights[2]) == pytest.approx(7.1 / 3.0, rel=0.02)
    bars = [one for one in found["B (1072)"].iter(f"{SVG}path") if one.get("class") == "bar"]
    low, high = map(float, re.findall(r" ([\d.]+)", bars[0].get("d", "")))
    assert math.isclose((low - high) / (heights[0] - heights[1]), 2 * 0.6 / 7.1, rel_tol=0.05)


@pytest.mark.parametrize(
    ("rows", "state", "headline"),
    [
        (MOVES[:2], "back", "B (1072) moved since last time"),
        (MOVES, "again", "Cannot tell of B (1072)"),
        (MOVES[1:2], "go", "No head has moved since last time"),
    ],
)
def test_the_headline_is_that_of_the_newest_session(rows: list[dict[str, object]], state: str, headline: str) -> None:
    text = page(*rows)
    assert f'<body class="{state}">' in text
    assert f">{headline}</h1>" in text


def test_what_is_to_be_doubted_first_and_nothing_from_outside() -> None:
    note = MovedAlike("March", "", Anchor.METER, ("B", "C"), True)
    text = page(*MOVES, notes=(note,))
    assert "suspect the meter or where it stood first" in text
    assert "<b>" not in text.replace("C&lt;b&gt;", "")
    assert not re.search(r'(src|href)="(?!#|data:)', text)
    assert "Duv" in text
