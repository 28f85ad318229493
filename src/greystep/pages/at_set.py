"""The screen at the set: what is next, in letters that stand out, and what the last frame gave."""

import math
from collections.abc import Callable
from dataclasses import asdict
from typing import Any, Final

import numpy as np
import pandas as pd

from greystep import words as say
from greystep.columns import FrameRow, rows_of
from greystep.measure.reading import NEAR_WHITE
from greystep.pages import formats as words
from greystep.sentences.shoot import Next, event_text, next_of
from greystep.session.conductor import Conducted
from greystep.session.free_shoot import FreeShoot
from greystep.session.placing_events import Event
from greystep.session.shoot import Shoot
from greystep.session.shots import aside_rows
from greystep.terms import Kind
from greystep.words import wrapped

#: How wide the block of the next frame is.
_WIDE: Final = 60


def next_text(due: Next | None) -> str:
    """Return the block that says what to shoot next."""
    if due is None:
        return _block("ALL SHOT", "greystep report gives the verdict")
    return _block(f"NEXT   {due.light.upper()}", f"box {due.box} of {due.of}: {', '.join(due.do)}")


def _block(large: str, small: str) -> str:
    line = "=" * _WIDE
    return "\n".join(["", line, f"  {large}", "", wrapped(small, "  "), line])


def frame_text(row: FrameRow, reference: FrameRow | None, level_pct: float) -> str:
    """Return what a frame gave, in one line; see `gave`."""
    return wrapped(f"{row.frame}: " + ", ".join(gave(row, reference, level_pct)))


def gave(row: FrameRow, reference: FrameRow | None, level_pct: float) -> list[str]:
    """Return what a frame gave, a part each: its light, warmth and green to the reference, output, level, doubts."""
    if row.kind in ("", Kind.JOB):
        return ["set aside"]
    parts = [say.shown(row.head, row.power, row.kind)]
    if words.known(row.cct_k):
        parts.append(f"{row.cct_k:.0f} K")
        if reference is not None and reference.frame != row.frame:
            parts.append(words.shift(row.mired - reference.mired, row.duv - reference.duv))
    if words.known(row.output_stops):
        parts.append(f"{words.number(row.output_stops, 2, True)} stop")
    if words.known(level_pct):
        high = " (too high: close the aperture)" if level_pct > 100 * NEAR_WHITE else ""
        parts.append(f"card at {max(0.0, level_pct):.0f} % of the range{high}")
    return parts + (["; ".join(words.flags_said(row.flags))] if row.flags else [])


def reference_of(readings: pd.DataFrame) -> FrameRow | None:
    """Return the frame that the others are held against: the first good one of the highest power of the first head."""
    good = readings[
        (readings["status"] == "ok") & readings["kind"].isin(["flash", "check"]) & readings["mired"].notna()
    ]
    if not len(good):
        return None
    first = good[good["head"] == good["head"].iloc[0]]
    return rows_of(first.sort_values("stops", kind="stable").iloc[:1], FrameRow)[0]


def state_of(shoot: Shoot, readings: pd.DataFrame | None) -> dict[str, Any]:
    """Return what the live page shows of a plan, as plain values; no readings before the first frame."""
    done = shoot.done
    due = next_of(shoot.plan, done) if done is not None else None
    boxes = row_states(shoot.plan, done) if done else []
    return {
        "next": asdict(due) if due else None,
        "done": done is not None and done.due < 0,
        "shot": sum(box["state"] == "shot" for box in boxes),
        "of": len(boxes),
        "last": _last(readings, shoot.level_pct),
        "rows": boxes,
    }


def _last(readings: pd.DataFrame | None, level_pct: Callable[[str], float]) -> dict[str, Any] | None:
    """Return what the frame that came last gave; None before the first. `level_pct` is by frame, NaN if not known."""
    if readings is None:
        return None
    came = readings[readings["shot"] >= 0].sort_values("shot", kind="stable")
    for row in rows_of(came.iloc[-1:], FrameRow):
        given = gave(row, reference_of(readings), level_pct(row.frame))
        return {"frame": row.frame, "gave": given, "status": row.status}
    return None


def row_states(plan: pd.DataFrame, done: Conducted) -> list[dict[str, str]]:
    """Return of each box of the plan what it is, and whether it is shot, due or open."""
    lights = map(say.shown, plan["head"], plan["power"], plan["kind"])
    return [
        {"light": light, "state": "shot" if at >= 0 else "due" if row == done.due else "open"}
        for row, (light, at, aside) in enumerate(zip(lights, done.rows.tolist(), aside_rows(plan), strict=True))
        if not aside
    ]


def told_texts(events: list[Event], plan: pd.DataFrame) -> list[str]:
    """Return what there is to say of these events, a line each."""
    return [text for event in events if (text := event_text(event, plan))]


def free_state(free: FreeShoot, readings: pd.DataFrame | None) -> dict[str, Any]:
    """Return what the live page shows of a shoot without plan."""
    return {
        "free": free.setting.said if free.setting else "tell head and power",
        "next": None,
        "done": False,
        "shot": 0 if readings is None else int((readings["shot"] >= 0).sum()),
        "last": _last(readings, lambda _: math.nan),
    }


def log_state(readings: pd.DataFrame, due: pd.DataFrame) -> dict[str, Any]:
    """Return what the live page shows of a log that names its frames; nobody conducts it.

    Args:
        due: The row to be shot next, see `greystep.session.watch.next_to_shoot`.
    """
    logged = readings[readings["kind"] != ""]
    places = np.flatnonzero(logged.index.isin(due.index)).tolist()
    nexts = [
        Next(str(place + 1), len(logged), say.shown(row.head, row.power, row.kind), tuple(filter(None, [row.note])))
        for place, row in zip(places, rows_of(due, FrameRow), strict=True)
    ]
    return {
        "next": asdict(nexts[0]) if nexts else None,
        "done": not nexts,
        "shot": int((logged["shot"] >= 0).sum()),
        "of": len(logged),
        "last": _last(readings, lambda _: math.nan),
    }
