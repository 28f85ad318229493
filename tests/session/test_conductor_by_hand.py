"""Frames placed on small plans as they come: where each goes, and why one has no row."""

import math
from typing import Any

import numpy as np
import pandas as pd
import pytest

from greystep.session.arrived import Arrived
from greystep.session.conductor import Conducted, Decisions, conduct
from greystep.session.placing_events import Aside, Event, Place
from greystep.session.plan_lights import Lights
from greystep.session.shot_log import log_of
from greystep.session.shots import BOX, NOT_SHOT, PLACED, SKIPPED

DARK, NAN = -math.inf, math.nan
IN, TO, BACK = Place.IN_ORDER, Place.SKIPPED_TO, Place.PUT_BACK


def plan_of(rows: str, **more: Any) -> pd.DataFrame:
    """Rows by head and stops, ``A0``; ``-`` is an ambient frame, ``?`` a job frame, ``c`` a card."""
    names = rows.split()
    kinds = [{"-": "ambient", "?": "job", "c": "card"}.get(one, "flash") for one in names]
    lit = [kind == "flash" for kind in kinds]
    usual: dict[str, Any] = {
        "frame": "", "head": [one[0] if known else "" for one, known in zip(names, lit, strict=True)],
        "power": [one[1:] for one in names], "kind": kinds, "note": "",
        "stops": [float(one[1:]) if known else NAN for one, known in zip(names, lit, strict=True)],
        "row": np.arange(len(names)) + 2,
    }  # fmt: skip
    return pd.DataFrame(usual | more)


def frames_of(*lights: Any) -> list[Arrived]:
    """Frames ``f0``, ``f1``, ... of these lights; a text is the flag for which a frame cannot be used."""
    return [
        Arrived(f"f{at}", NAN, one) if isinstance(one, str) else Arrived(f"f{at}", float(one))
        for at, one in enumerate(lights)
    ]


def place(rows: str, *lights: Any, decided: Decisions | None = None, **more: Any) -> tuple[list[int], list[str], int]:
    """Return the frame of each row, what became of each frame, and the row that is due."""
    done = conduct(plan_of(rows, **more), frames_of(*lights), decided)
    return done.rows.tolist(), [str(event.what) for event in done.events], done.due


# --- what a plan says -------------------------------------------------------------------------------------------------


def test_what_a_plan_says_of_its_rows() -> None:
    lights = Lights.of(plan_of("- A0 A1 B0 ? A0", note=["", "", "ISO 400", "", "", "check frame"]))
    assert lights.unlit.tolist() == [True, False, False, False, False, False]
    assert lights.known.tolist() == [False, True, True, True, False, True]
    assert lights.own[1] == lights.own[2] == lights.own[5] != lights.own[3]
    assert lights.one[1] == lights.one[5]
    assert len({lights.one[at] for at in (1, 2, 3)}) == 3
    assert np.nan_to_num(lights.iso).tolist() == [0.0, 0.0, 400.0, 0.0, 0.0, 0.0]
    assert lights.fits == 0.45
    fine = Lights.of(plan_of("A0 A0.3 A1"))
    assert fine.fits == pytest.approx(0.15), "half of the finest step"
    assert Lights.of(plan_of("A0")).fits == 0.45
    packs = Lights.of(plan_of("A0 A0", pack=["P1", "P2"]))
    assert packs.own[0] != packs.own[1]
    kinds = Lights.of(plan_of("A0 A0", kind=["check", "flash"]))
    assert kinds.one[0] == kinds.one[1]
    assert Lights.of(plan_of("A0").drop(columns="note")).iso.tolist() == pytest.approx([NAN], nan_ok=True)


# --- in order, skipped to, put back -----------------------------------------------------------------------------------


def test_frames_that_fit_go_on_in_order_and_all_is_done() -> None:
    assert place("- A0 A1 B0", DARK, -1.0, -2.1, -1.3) == ([0, 1, 2, 3], [IN] * 4, -1)
    done = conduct(plan_of("A0 A1"), frames_of(-1.0))
    assert (done.rows.tolist(), done.due) == ([0, -1], 1)
    empty = conduct(plan_of("A0 A1"), [])
    assert (empty.due, empty.rows.tolist(), empty.events) == (0, [-1, -1], ())


def test_a_frame_of_a_row_behind_is_skipped_to_and_the_row_may_be_put_back() -> None:
    """A1 is left out: A2 comes; then A1 is shot after all, or A3 goes on."""
    assert place("A0 A1 A2 A3", -1.0, -3.0) == ([0, -1, 1, -1], [IN, TO], 1)
    event = conduct(plan_of("A0 A1 A2 A3"), frames_of(-1.0, -3.0)).events[1]
    assert event == Event("f1", 2, TO, (1,))
    assert place("A0 A1 A2 A3", -1.0, -3.0, -4.0) == ([0, -1, 1, 2], [IN, TO, IN], 1)
    assert place("A0 A1 A2 A3", -1.0, -3.0, -4.0, -2.0) == ([0, 3, 1, 2], [IN, TO, IN, BACK], -1)
    assert place("A0 A1 A2 A3", -1.0, -3.0, -2.0)[1] == [IN, TO, Place.EXCHANGED]
    assert place("A0 A1 A2 A3 A4", -1.0, -4.0) == ([0, -1, -1, 1, -1], [IN, TO], 1), "two rows are passed over"
    assert place("A0 A1 A2 A3 A4", -1.0, -5.0) == ([0] + [-1] * 4, [IN, Aside.NO_PLACE], 1), "three are too many"


def test_a_head_that_nothing_is_known_of_is_not_skipped_to() -> None:
    assert place("A0 A2 B0 B2", -1.0, -0.2)[1] == [IN, Aside.NO_PLACE]
    assert place("A0 A1 B0", -1.0, -2.0, -2.9) == ([0, 1, 2], [IN] * 3, -1), "it may be two stops off the others"
    assert place("A0 A1 B0", -1.0, -2.0, -3.1)[1][2] == Aside.NO_PLACE


def test_a_light_that_is_not_known_fits_the_row_that_is_due() -> None:
    assert place("A0 ? A1", -1.0, -7.0, -2.0) == ([0, 1, 2], [IN] * 3, -1)
    assert place("A0 c A1", -1.0, -7.0, -2.0) == ([0, 1, 2], [IN] * 3, -1)
    assert place("A0 A1", -1.0, NAN) == ([0, 1], [IN, IN], -1)
    assert place("A0 A1", NAN, -2.0) == ([0, 1], [IN, IN], -1), "and says nothing of the level of its head"


def test_a_frame_near_its_row_by_less_than_the_reach() -> None:
    assert place("A0 A1", -1.0, -2.44)[1] == [IN, IN]
    assert place("A0 A1 A3", -1.0, -2.5)[1] == [IN, Aside.NO_PLACE]


# --- set aside --------------------------------------------------------------------------------------------------------


def test_a_frame_that_cannot_be_used_is_shot_again() -> None:
    assert place("A0 A1", -1.0, "clipped", -2.0) == ([0, 2], [IN, Aside.REJECTED, IN], -1)
    event = conduct(plan_of("A0 A1"), frames_of(-1.0, "clipped")).events[1]
    assert (event.row, event.flag) == (1, "clipped")
    assert place("- A0", "no_target", -1.0)[1] == [IN, IN], "nothing is seen without flash"
    assert place("A0 -", "no_target", -1.0)[1] == [Aside.REJECTED, IN]
    assert place("A0 - A1", -1.0, "no_target", -2.0)[1] == [IN, IN, IN]
    assert place("A0 -", -1.0, DARK, "no_target")[1] == [IN, IN, Aside.REJECTED], "no row is left"


def test_a_misfire_is_set_aside_unless_a_flash_off_row_comes_next() -> None:
    event = conduct(plan_of("A0 A1 A2"), frames_of(-1.0, DARK)).events[1]
    assert (event.what, event.flag, event.row) == (Aside.REJECTED, "no_flash", 1)
    assert place("A0 A1 - B0", -1.0, DARK) == ([0, -1, 1, -1], [IN, TO], 3)
    assert place("A0 A1 A2 -", -1.0, DARK)[1] == [IN, Aside.REJECTED], "two rows before it are too many"
    later = place("A0 A1 A2 - A3", -1.0, DARK, -4.0)
    assert later[1][0] == IN


def test_a_misfire_becomes_the_flash_off_frame_that_was_passed_over() -> None:
    """Before the last light flash-off frames were due; what was taken for a misfire is one."""
    rows, events, _ = place("A0 A1 A2 - B0 B1", -1.0, -2.0, DARK, -1.2)
    assert events[:2] == [IN, IN]
    assert rows[0] == 0
    assert rows[3] in (-1, 2)


def test_a_power_that_was_not_turned_down_is_the_light_of_the_row_before() -> None:
    assert place("A0 A1 A2", -1.0, -2.0, -2.05, -3.0) == ([0, 1, 3], [IN, IN, Aside.NOT_TURNED, IN], -1)
    assert place("A0 A1", -1.0, -2.0, -2.0)[1] == [IN, IN, Aside.NOT_TURNED], "once more at the end"


def test_frames_at_full_before_a_heads_first_row_are_its_warm_up() -> None:
    rows, events, due = place("A0 A1 A2", -1.0, -1.0, -1.05, -2.0)
    assert rows == [2, 3, -1], "the last of three at full has the row"
    assert events == [Aside.WARM_UP, Aside.WARM_UP, IN, IN]
    assert due == 2
    assert place("A0 A1 A2", -1.0, -1.0, -2.0)[1] == [IN, Aside.NOT_TURNED, IN], "two are one too many"


def test_a_frame_that_is_found_unfit_later_had_its_row_by_then() -> None:
    """The first flash of a head, whose level nobody knows: the frames behind it must not move up by a row each."""
    late = Arrived("f0", NAN, "no_target", late=True)
    plan, lights = plan_of("A0 A1 A2 A3 B0"), [Arrived("f1", -2.0), Arrived("f2", -3.0)]
    done = conduct(plan, [late, *lights])
    assert done.rows.tolist() == [-1, 1, 2, -1, -1]
    assert done.events[0] == Event("f0", 0, Aside.REJECTED, flag="no_target")
    assert [event.what for event in done.events[1:]] == [IN, IN]
    assert done.due == 0, "its row is shot again while its head stands"
    again = conduct(plan, [late, *lights, Arrived("f3", -1.0), Arrived("f4", -4.0)])
    assert again.rows.tolist() == [3, 1, 2, 4, -1]
    assert again.events[3].what == BACK
    at_once = conduct(plan, [Arrived("f0", NAN, "no_target"), Arrived("f1", -1.0), Arrived("f2", -2.0)])
    assert at_once.rows.tolist() == [1, 2, -1, -1, -1], "who was told at once shot the row again"
    short = Arrived("f1", -1.9, "partial_flash", late=True)
    done = conduct(plan, [Arrived("f0", -1.0), short, Arrived("f2", -3.0)])
    assert (done.rows.tolist(), done.due) == ([0, -1, 2, -1, -1], 1)
    far = Arrived("f1", -2.6, "partial_flash", late=True)
    assert conduct(plan, [Arrived("f0", -1.0), far, Arrived("f2", -2.0)]).rows.tolist() == [0, 2, -1, -1, -1]


# --- decisions --------------------------------------------------------------------------------------------------------


def test_frames_taken_back_and_rows_skipped() -> None:
    gone = Decisions(taken_back=frozenset({"f1"}))
    assert place("A0 A1", -1.0, -2.0, -2.1, decided=gone) == ([0, 2], [IN, Aside.TAKEN_BACK, IN], -1)
    skipped = Decisions(skipped=frozenset({1}))
    assert place("A0 A1 A2", -1.0, -3.0, decided=skipped) == ([0, -1, 1], [IN, IN], -1)
    assert place("A0 A1 A2", -1.0, decided=skipped)[2] == 2


def test_rows_that_name_a_frame_keep_it() -> None:
    names = ["", "f2", ""]
    assert place("A0 A1 A2", -1.0, -3.0, -9.0, frame=names) == ([0, 2, 1], [IN, IN, Place.BY_HAND], -1)
    lost = place("A0 A1 A2", -1.0, -3.0, "clipped", frame=names)
    assert lost == ([0, -1, 1], [IN, IN, Aside.REJECTED], 1), "to be shot again"
    job = place("A0 ? A2", -1.0, -3.0, "no_target", frame=names)
    assert job[0] == [0, 2, 1]


def test_what_the_plan_asks_of_the_iso() -> None:
    def told(iso: float, note: str = "ISO 400") -> bool:
        frames = [Arrived("f0", -1.0, iso=iso)]
        return math.isfinite(conduct(plan_of("A0 A1", note=[note, ""]), frames).events[0].iso)

    assert told(100.0)
    assert told(800.0)
    assert not told(400.0)
    assert not told(420.0), "a tenth of a stop is the same mark"
    assert not told(NAN)
    assert not told(100.0, "full")


# --- the log ----------------------------------------------------------------------------------------------------------


def test_the_log_of_what_was_shot_and_what_is_left() -> None:
    plan = plan_of("A0 A1 A2 A3", pack="P1")
    frames, decided = frames_of(-1.0, "clipped", -3.0), Decisions(skipped=frozenset({3}))
    done: Conducted = conduct(plan, frames, decided)
    log = log_of(plan, frames, done, decided)
    assert list(log) == ["frame", "head", "power", "kind", "pack", "note", BOX, PLACED, "stops", "row"]
    assert log["frame"].tolist() == ["f0", "f1", "f2", "", ""]
    assert log["kind"].tolist() == ["flash", "job", "flash", "flash", "flash"]
    assert log[BOX].tolist() == ["1", "", "3", "2", "4"]
    assert log[PLACED].tolist() == ["in order", "set aside: rejected: clipped", "skipped to", NOT_SHOT, SKIPPED]
    assert log["pack"].tolist() == ["P1", "", "P1", "P1", "P1"]
    assert log["row"].tolist() == [2, 3, 4, 5, 6]
    assert log["stops"].tolist() == pytest.approx([0.0, NAN, 2.0, 1.0, 3.0], nan_ok=True)
    named = plan_of("A0 A1", frame=["f0", ""], **{BOX: ["7", "9"], PLACED: ["put back", ""]})
    frames = frames_of(-1.0)
    again = log_of(named, frames, conduct(named, frames), Decisions())
    assert again[PLACED].tolist() == ["put back", NOT_SHOT], "as it was placed before"
    assert again[BOX].tolist() == ["7", "9"]
