"""What a history of sessions says on screen: which head has moved since last time, in the words of the trade."""

import textwrap
from collections.abc import Mapping
from typing import Any, Final

import pandas as pd

from greystep import words as say
from greystep.compare.anchors import CAMERA, METER, NONE, REFERENCE
from greystep.compare.history import CANNOT_TELL, MOVED, NOT_MOVED, History
from greystep.show import words

WIDTH: Final = 80
_AGAINST: Final = {
    REFERENCE: "held against the reference head",
    METER: "by the meter",
    CAMERA: "in the same camera",
}


def history_text(history: History, wrote: str) -> str:
    """Return one sentence a head and session, newest last, then what speaks against the heads as the reason."""
    lines = []
    for (session, head), rows in history.table.groupby(["session", "head"], sort=False):
        if (rows["previous"] != "").any():
            lines.append(textwrap.fill(f"{session}: {_sentence(str(head), rows)}", WIDTH, subsequent_indent="  "))
    if not lines:
        lines.append("No light was measured in more than one session, so nothing can be compared.")
    notes = [textwrap.fill(note, WIDTH, initial_indent="- ", subsequent_indent="  ") for note in history.notes]
    return "\n".join([*lines, *(["", "Good to know", *notes] if notes else []), "", f"wrote {wrote}"])


def _sentence(head: str, table: pd.DataFrame) -> str:
    """Say whether a head has moved since the session before: the light that moved most, or the widest doubt."""
    rows = [dict(row) for row in table.to_dict(orient="records") if row["verdict"]]
    name = f"head {head}" + (f" ({rows[0]['serial']})" if rows[0]["serial"] else "")
    since = f"since {say.listed(list(dict.fromkeys(row['previous'] for row in rows)))}"
    moved = [row for row in rows if row["verdict"] == MOVED]
    if moved:
        powers = say.listed([row["power"] for row in moved])
        return f"{name} has moved {since} at {powers}: {_light(max(moved, key=_size))}."
    told = [row for row in rows if row["anchor"] != NONE]
    if not told:
        remedy = "; a reference head or a meter in both would tell"
        if head == rows[0]["reference"]:
            remedy = " and itself the reference head; the same camera, or a meter in both sessions, would tell"
        return f"{name}: cannot tell {since}, seen by another camera{remedy}."
    if all(row["verdict"] == NOT_MOVED for row in rows):
        return f"{name} has not moved {since}; the most is {_light(max(told, key=_reach))}."
    doubts = [row for row in told if row["verdict"] == CANNOT_TELL]
    doubt = max(doubts, key=lambda row: (row["tint_open"], _reach(row)), default=None)
    if doubt is None:
        return (
            f"{name} has not moved {since} at {say.listed([row['power'] for row in told])}; cannot tell of the others."
        )
    remedy = "more frames"
    if doubt["tint_open"]:
        remedy = "tint is not compared between two cameras, so only the same camera"
    elif doubt["u_observer_mired"] > doubt["u_change_mired"] / 2.0:
        remedy = "the same camera, or the type of both heads in session.toml,"
    return f"{name}: cannot tell {since}: {_light(doubt)}; {remedy} would."


def _size(row: Mapping[Any, Any]) -> float:
    return abs(float(row["change_mired"]))


def _reach(row: Mapping[Any, Any]) -> float:
    return _size(row) + float(row["u_change_mired"])


def _light(row: Mapping[Any, Any]) -> str:
    """Return a change with its doubt: ``220 K (7.1 mired) warmer and 0.0004 greener at 1/16, give or take ...``."""
    change = say.gap(row["change_k"], row["change_mired"], row["change_duv"])
    doubt = f"{words.number(row['u_change_mired'], 1)} mired and {words.number(row['u_change_duv'], 4)}"
    return f"{change} at {row['power']}, give or take {doubt}, {_AGAINST[row['anchor']]}"
