"""What a person decides while a plan is shot, and what is told of it: row by row, on four rows of two heads."""

import math
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest

from greystep.columns import FrameRow, names
from greystep.session.conductor import Aside, Place
from greystep.session.shoot import Shoot, arrived, is_plan
from session.test_shoot import LIGHTS, reading, shot

FULL, QUARTER = 0.6, 0.15


@pytest.fixture
def fresh(tmp_path: Path) -> Shoot:
    rows = [("", head, power, "flash", "", "") for head, power, _ in LIGHTS]
    plan = pd.DataFrame(rows, columns=["frame", "head", "power", "kind", "pack", "note"]).astype("str")
    plan.to_csv(tmp_path / "shots.csv", index=False)
    return Shoot(tmp_path, plan.assign(stops=[stops for *_, stops in LIGHTS], row=range(2, 6)))


@pytest.fixture
def begun(fresh: Shoot) -> Shoot:
    """A at full is shot; A at 1/4 is due."""
    shot(fresh, FULL)
    return fresh


def due(begun: Shoot) -> int:
    assert begun.done is not None
    return begun.done.due


def test_only_a_row_that_is_due_is_left_out(fresh: Shoot) -> None:
    fresh.skip()  # before the first frame no row is due
    shot(fresh, FULL, QUARTER, FULL, QUARTER)
    assert due(fresh) == -1
    fresh.skip()
    fresh.note("dust")
    fresh.undo()
    assert fresh.decided.skipped == frozenset()
    fresh.undo()  # none of them was a decision: the last frame loses its row
    assert fresh.decided.taken_back == {"f3.dng"}


def test_rows_left_out_stay_so_when_rows_are_added_before_them(begun: Shoot) -> None:
    for place in (1, 2):
        assert due(begun) == place
        begun.skip()
        shot(begun, FULL)
    begun.ask([{"head": "A", "power": "1/4", "kind": "flash", "stops": 2.0}] * 2, "A")
    assert begun.decided.skipped == {1, 4}
    assert begun.plan["head"].tolist() == ["A", "A", "A", "A", "B", "B"]
    assert begun.plan["box"].tolist() == ["1", "2", "5", "6", "3", "4"]
    assert begun.plan["row"].tolist() == [2, 3, 4, 5, 6, 7]
    assert due(begun) == 2
    begun.undo()  # what was decided before told rows by their old places: the last frame loses its row
    assert (begun.decided.skipped, begun.decided.taken_back) == ({1, 4}, {"f0.dng"})


def test_a_round_of_no_head_and_of_one_that_is_not_in_the_plan_goes_to_the_end(begun: Shoot) -> None:
    begun.plan.loc[3, "note"] = "check"
    begun.ask([{"head": "B", "power": "full", "kind": "flash", "stops": 0.0, "pack": "P"}], "")
    begun.ask([{"head": "C", "power": "full", "kind": "flash", "stops": 0.0, "modifier": "dome"}], "C")
    assert begun.plan["head"].tolist() == ["A", "A", "B", "B", "B", "C"]
    assert begun.plan["box"].tolist() == ["1", "2", "3", "4", "5", "6"]
    assert begun.plan["pack"].tolist() == ["", "", "", "", "P", ""]
    assert begun.plan["modifier"].tolist() == ["", "", "", "", "", "dome"]
    begun.ask([{"head": "B", "power": "1/4", "kind": "flash", "stops": 2.0}], "B")  # before its check frame
    assert begun.plan["box"].tolist() == ["1", "2", "3", "4", "5", "7", "6"]


def test_boxes_go_on_behind_the_highest_number_that_there_is(begun: Shoot) -> None:
    more = [{"head": "A", "power": "full", "kind": "flash", "stops": 0.0}] * 2
    begun.plan["box"] = ["a", "7", "", "12b"]
    begun.ask(more, "")
    assert begun.plan["box"].tolist() == ["a", "7", "", "12b", "8", "9"]
    assert list(begun.plan)[:6] == ["frame", "head", "power", "kind", "pack", "note"]
    begun.plan = begun.plan.assign(box="x")
    begun.ask(more, "A")
    assert begun.plan["box"].tolist() == ["x"] * 6 + ["1", "2"]


def test_a_frame_is_taken_back_by_its_name_and_else_the_last_that_has_a_row(begun: Shoot) -> None:
    shot(begun, FULL, QUARTER, 0.0003)
    assert begun.done is not None
    assert begun.done.events[-1].what == Aside.REJECTED  # a misfire gets no row
    begun.again()
    assert begun.decided.taken_back == {"f1.dng"}
    begun.again("f0.dng")
    assert begun.decided.taken_back == {"f0.dng", "f1.dng"}
    shot(begun, FULL, QUARTER, 0.0003)
    assert [event.what for event in begun.done.events[:2]] == [Aside.TAKEN_BACK, Aside.TAKEN_BACK]
    begun.again()  # no frame has a row now
    begun.undo()
    assert begun.decided.taken_back == {"f1.dng"}


def test_nothing_is_taken_back_before_the_first_frame(fresh: Shoot) -> None:
    fresh.again()
    fresh.write_log()
    assert fresh.decided.taken_back == frozenset()
    assert fresh.finished_head() == ""
    assert list(fresh.folder.iterdir()) == [fresh.log]


def test_a_note_goes_to_the_row_of_the_last_frame_or_to_the_row_that_is_due(begun: Shoot) -> None:
    begun.note("dust")
    begun.note("wiped")
    assert begun.plan["note"].tolist() == ["dust; wiped", "", "", ""]
    shot(begun, FULL, 0.0003)  # the last one has no row
    begun.note("misfire")
    assert begun.plan["note"].tolist() == ["dust; wiped", "misfire", "", ""]
    begun.undo()
    assert begun.plan["note"].tolist() == ["dust; wiped", "", "", ""]


def test_what_happened_is_told_once_and_the_level_in_percent_of_the_range(begun: Shoot) -> None:
    assert [(event.frame, event.row, event.what) for event in begun.news()] == [("f0.dng", 0, Place.IN_ORDER)]
    assert begun.news() == []
    shot(begun, FULL, QUARTER)
    assert [event.frame for event in begun.news()] == ["f1.dng"]
    assert begun.level_pct("f1.dng") == pytest.approx(15.0)
    assert math.isnan(begun.level_pct("other.dng"))


def test_a_head_is_finished_when_all_its_rows_but_checks_are_shot(begun: Shoot) -> None:
    assert begun.finished_head() == ""
    shot(begun, FULL, QUARTER)
    assert begun.finished_head() == "A"
    begun.plan = begun.plan.assign(kind=["flash", "check", "flash", "flash"])
    shot(begun, FULL)
    assert begun.finished_head() == "A"
    begun.plan = begun.plan.assign(kind=["check", "check", "flash", "flash"])
    shot(begun, FULL)
    assert begun.finished_head() == "", "none of its rows is of the test"


def test_a_log_without_names_is_a_plan_and_so_is_one_that_was_placed() -> None:
    named = pd.DataFrame({"frame": ["a.dng", ""]})
    assert is_plan(named.assign(frame=""))
    assert not is_plan(named)
    assert is_plan(named.assign(placed=["in order", "not shot yet"]))


def told(shoot: Shoot, **flags: str) -> bool:
    """Let the repeats flag frames; say whether places may change by that."""
    rows = [{"frame": f"f{at}.dng", "shot": at, "flags": flags.get(f"f{at}", "")} for at in range(4)]
    return shoot.judge(
        pd.DataFrame([*rows, {"frame": "gone.dng", "shot": -1, "flags": "missing"}], columns=names(FrameRow))
    )


def test_frames_lose_their_rows_by_what_their_repeats_reject_and_only_once(fresh: Shoot) -> None:
    fresh.plan = fresh.plan.assign(head="A", power="full", stops=0.0)
    shot(fresh, FULL, FULL)
    assert not told(fresh)
    assert not told(fresh, f0="uneven;settings_changed"), "doubtful is no reason"
    assert not told(fresh, f1="extra_frame")
    assert told(fresh, f1="uneven;clipped;damaged")
    assert fresh._rejected == {"f1.dng": "clipped"}, "the first that counts"
    assert not told(fresh, f1="clipped"), "it is known"
    shot(fresh, FULL, FULL)
    assert due(fresh) == 1
    frames = [reading(FULL), replace(reading(FULL), flags=("clipped",))]
    own = Shoot(fresh.folder, fresh.plan)
    own.place(own.plan, ["f0.dng", "f1.dng"], frames)
    assert not told(own, f1="clipped"), "by itself it is rejected already"


@pytest.mark.parametrize(("brighter", "overruled"), [(0.08, False), (0.12, True), (-0.3, False)])
def test_only_a_frame_that_is_brighter_than_both_that_fell_short_is_overruled(
    fresh: Shoot, brighter: float, overruled: bool
) -> None:
    fresh.plan = fresh.plan.assign(head="A", power="full", stops=0.0)
    short = 0.3
    levels = [short * 2.0**brighter, short, short * 2.0**-0.02]
    shot(fresh, *levels)
    assert told(fresh, f1="partial_flash", f2="partial_flash")
    assert fresh._rejected == ({"f0.dng": "outlier"} if overruled else {})


def test_of_three_that_fell_short_the_last_two_are_believed(fresh: Shoot) -> None:
    fresh.plan = fresh.plan.assign(head="A", power="full", stops=0.0)
    shot(fresh, FULL, 0.2, 0.3, 0.3)
    assert told(fresh, f1="partial_flash", f2="partial_flash", f3="partial_flash")
    assert fresh._rejected == {"f0.dng": "outlier", "f1.dng": "partial_flash"}


def test_a_frame_that_shows_the_target_again_is_no_more_rejected_for_it(begun: Shoot) -> None:
    begun._rejected = {"f0.dng": "no_target", "f1.dng": "clipped"}
    assert begun.see_targets({"f0.dng": "no_target", "f1.dng": "", "f2.dng": ""})
    assert begun._rejected == {"f0.dng": "no_target", "f1.dng": "clipped"}
    assert not begun.see_targets({"f0.dng": "no_target", "f1.dng": "", "f2.dng": ""})
    assert begun.see_targets({"f0.dng": "", "f1.dng": "", "f2.dng": ""})
    assert begun._rejected == {"f1.dng": "clipped"}


def test_why_a_frame_cannot_be_used_by_itself() -> None:
    """A frame without light has no target to be found in; one with light and no target cannot be used."""
    lost, dim, spoilt = (
        replace(reading(light), flags=flags)
        for light, flags in ((0.5, ("no_target",)), (0.0003, ("no_target",)), (0.5, ("uneven", "damaged", "clipped")))
    )
    found = arrived(["lost", "dim", "spoilt", "fine"], [lost, dim, spoilt, reading(0.5)], {"fine": "outlier"})
    assert [one.rejected for one in found] == ["no_target", "", "damaged", "outlier"]


def test_a_log_is_written_once_as_it_was_shot(fresh: Shoot) -> None:
    shot(fresh, FULL)
    fresh.write_log()
    written = fresh.log.stat()
    fresh.write_log()
    assert fresh.log.stat().st_mtime_ns == written.st_mtime_ns
    fresh.log.write_text("head,power\n")
    fresh.write_log()
    assert fresh.is_own_log()
    log = pd.read_csv(fresh.log, dtype=str, keep_default_na=False)
    assert not {"stops", "row"} & set(log)
