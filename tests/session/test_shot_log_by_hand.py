"""What is said of each frame of a shoot, and the log of what was shot."""

import math

import numpy as np
import pandas as pd
import pytest

from greystep.session.arrived import Mark
from greystep.session.conductor import Conducted, Decisions
from greystep.session.placing_events import Aside, Event, Place
from greystep.session.shot_log import log_of
from greystep.session.shots import BOX, NOT_SHOT, PLACED, SKIPPED
from session.test_conductor_by_hand import frames_of, plan_of

NAN = math.nan


def test_what_the_log_says_of_a_frame() -> None:
    assert Event("f", 1, Place.IN_ORDER).placed == "in order"
    assert Event("f", 1, Place.SKIPPED_TO, (2, 3)).placed == "skipped to"
    assert Event("f", 1, Aside.REJECTED, flag="clipped").placed == "rejected: clipped"
    odd = Event("f", 1, Place.PUT_BACK, iso=399.6, asked_iso=100.4, marks=(Mark.SET_BACK, Mark.MOVED))
    assert odd.placed == "put back; ISO 400 for 100; clock set back; target moved"
    assert Event("f", 1, Aside.NOT_TURNED, iso=800.0, asked_iso=200.0).placed == "not turned; ISO 800 for 200"


def done(rows: list[int], *events: Event) -> Conducted:
    return Conducted(np.array(rows), events, 0)


def test_frames_in_their_order_then_what_is_still_to_be_shot() -> None:
    """Of four rows the third and first have frames, in this order, the last is skipped by the person."""
    plan = plan_of("A0 A1 B0 B1", lamp=["a", "b", "c", "d"], pack=["P", "Q", "R", "S"])
    plan = plan[["lamp", "row", "kind", "stops", "note", "frame", "pack", "power", "head"]].assign(note=list("wxyz"))
    events = (
        Event("f0", 2, Place.IN_ORDER), Event("f1", 2, Aside.NOT_TURNED), Event("f2", 0, Place.PUT_BACK),
    )  # fmt: skip
    log = log_of(plan, frames_of(0.0, 0.0, 0.0), done([2, -1, 0, -1], *events), Decisions(skipped=frozenset({0, 3})))
    assert list(log) == ["frame", "head", "power", "kind", "pack", "note", "lamp", BOX, PLACED, "stops", "row"]
    assert log["frame"].tolist() == ["f0", "f1", "f2", "", ""]
    assert log["head"].tolist() == ["B", "", "A", "A", "B"]
    assert log["power"].tolist() == ["0", "", "0", "1", "1"]
    assert log["kind"].tolist() == ["flash", "job", "flash", "flash", "flash"]
    assert log["pack"].tolist() == ["R", "", "P", "Q", "S"]
    assert log["note"].tolist() == ["y", "", "w", "x", "z"]
    assert log["lamp"].tolist() == ["c", "", "a", "b", "d"]
    assert log[BOX].tolist() == ["3", "", "1", "2", "4"]
    assert log[PLACED].tolist() == ["in order", "set aside: not turned", "put back", NOT_SHOT, SKIPPED]
    assert log["stops"].tolist() == pytest.approx([0.0, NAN, 0.0, 1.0, 1.0], nan_ok=True)
    assert log["row"].tolist() == [2, 3, 4, 5, 6]
    assert log["stops"].dtype == np.float64
    assert {str(log[name].dtype) for name in log if name not in ("stops", "row")} == {"str"}


def test_a_log_that_was_placed_before_keeps_its_boxes_and_what_a_hand_wrote() -> None:
    plan = plan_of("A0 A1 A2", frame=["f1", "", ""], **{BOX: ["9", "8", "7"], PLACED: ["as I say", "x", "y"]})
    events = Event("f0", 1, Place.IN_ORDER), Event("f1", 0, Place.BY_HAND)
    log = log_of(plan, frames_of(0.0, 0.0), done([1, 0, -1], *events), Decisions())
    assert list(log).count(BOX) == list(log).count(PLACED) == 1
    assert log["frame"].tolist() == ["f0", "f1", ""]
    assert log[BOX].tolist() == ["8", "9", "7"]
    assert log[PLACED].tolist() == ["in order", "as I say", NOT_SHOT]
    first = log_of(plan.drop(columns=[BOX, PLACED]), frames_of(0.0, 0.0), done([1, 0, -1], *events), Decisions())
    assert first[PLACED].tolist() == ["in order", "by hand", NOT_SHOT]
    assert first[BOX].tolist() == ["2", "1", "3"]


def test_a_plan_of_which_nothing_is_shot_is_its_log() -> None:
    plan = plan_of("A0 A1").drop(columns="note")
    log = log_of(plan, [], done([-1, -1]), Decisions())
    assert list(log) == ["frame", "head", "power", "kind", BOX, PLACED, "stops", "row"]
    assert log[PLACED].tolist() == [NOT_SHOT] * 2
    assert isinstance(log, pd.DataFrame)
    empty = log_of(plan.iloc[:0], [], done([]), Decisions())
    assert len(empty) == 0
    assert empty["row"].tolist() == []
