"""What a history says, sentence by sentence, from rows written by hand."""

import re

import numpy as np
import pandas as pd

from greystep.compare.anchors import Anchor
from greystep.compare.history import History, HistoryNote, MovedAlike
from greystep.pages.history import history_text

BANNED = re.compile(r"\bsteps?\b|u'v'|expanded|locus|\bnan\b|sigma", re.IGNORECASE)


def row(
    session: str, head: str, power: str, verdict: str = "", change: float = np.nan, **others: object
) -> dict[str, object]:
    compared = bool(verdict)
    return {
        "head": head, "serial": "1072", "session": session, "date": "2026-02-05", "body": "Invented 1", "power": power,
        "stops": 0.0, "mired": 180.0, "u_mired": 0.3, "duv": 0.0005, "u_duv": 0.0001,
        "previous": "January" if compared else "", "change_mired": change,
        "u_change_mired": 0.6 if compared else np.nan,
        "change_k": -31.0 * change, "change_duv": 0.0004 if compared else np.nan,
        "u_change_duv": 0.0002 if compared else np.nan, "u_observer_mired": 0.0 if compared else np.nan,
        "tint_open": False, "verdict": verdict, "anchor": "reference head" if compared else "",
        "reference": "A" if compared else "",
    } | others  # fmt: skip


def said(*rows: dict[str, object], notes: tuple[HistoryNote, ...] = ()) -> str:
    text = history_text(History(pd.DataFrame(rows), notes), ["out/history.csv"])
    assert not BANNED.search(text)
    assert max(map(len, text.splitlines())) <= 80
    return " ".join(text.split())


def test_a_head_that_moved() -> None:
    text = said(
        row("January", "B", "full"), row("March", "B", "full", "moved", 3.0), row("March", "B", "1/4", "moved", 7.1)
    )
    assert text == (
        "March: head B (1072) has moved since January at full and 1/4: 220 K (7.1 mired) warmer and greener by a trace "
        "(0.0004) at 1/4, give or take 0.6 mired and 0.0002 green to pink, held against the reference head. wrote "
        "out/history.csv"
    )


def test_a_head_that_did_not_move_at_all() -> None:
    text = said(row("March", "B", "full", "not moved", 0.02, change_duv=0.00001))
    assert "the most is no change at full, give or take 0.6 mired and 0.0002 green to pink" in text


def test_a_head_that_stayed_names_the_most_it_may_have_moved() -> None:
    text = said(row("March", "B", "full", "not moved", 0.2), row("March", "B", "1/4", "not moved", -0.5, serial=""))
    assert "head B (1072) has not moved since January; the most is 16 K (0.5 mired) cooler" in text


def test_what_cannot_be_told_says_what_would_tell() -> None:
    camera = {"anchor": "none", "change_mired": np.nan}
    assert "seen by another camera; a reference head or a meter in both would tell" in said(
        row("March", "B", "full", "cannot tell", **camera)
    )
    assert (
        said(row("March", "B", "full", "cannot tell", 3.9)).count(
            "more frames, with check frames between the heads, would."
        )
        == 1
    )
    wide = row("March", "B", "full", "cannot tell", 3.9, u_change_mired=6.2, u_observer_mired=6.0)
    assert "the same camera, or the type of both heads in session.toml, would." in said(wide)
    mixed = said(row("March", "B", "full", "not moved", 0.1), row("March", "B", "1/4", "cannot tell", **camera))
    assert "has not moved since January at full; cannot tell of the others." in mixed


def test_the_reference_head_itself_is_not_told_to_look_for_a_reference_head() -> None:
    text = said(row("March", "A", "full", "cannot tell", anchor="none"))
    assert "reference head or a meter" not in text
    assert (
        "head A (1072): cannot tell since January, seen by another camera and itself the reference head; the same "
        "camera, or a meter in both sessions, would tell." in text
    )


def test_a_tint_that_moved_between_cameras_is_said_to_be_open() -> None:
    still, green = row("March", "B", "full", "not moved", 0.2), row("March", "B", "1/4", "cannot tell", 0.1)
    wide = row("March", "B", "1/8", "cannot tell", 3.9)
    text = said(still, green | {"change_duv": 0.0030, "tint_open": True}, wide)
    assert "has not moved" not in text
    assert "cannot tell since January: " in text
    assert "greener by about a 1/8 plus green (0.0030) at 1/4" in text
    assert "tint is not compared between two cameras, so only the same camera would." in text


def test_nothing_to_compare_and_notes() -> None:
    assert said(row("January", "B", "full")).startswith("No light was measured in more than one session")
    alike = MovedAlike("March", "", Anchor.METER, ("B", "C"), True)
    text = said(row("March", "B", "full", "moved", 3.0), notes=(alike,))
    note = "March: every head reads warmer than before; suspect the meter or where it stood first."
    assert f"Good to know - {note} wrote" in text
