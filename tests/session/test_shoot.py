"""The state of a shoot: further rounds are added behind their head, decisions are taken back, the plan stays."""

import math
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest

from greystep.columns import FrameRow, names
from greystep.measure.patch import PatchSignal
from greystep.measure.reading import Reading
from greystep.raw.exposure import Exposure
from greystep.session.placing_events import Aside, Place
from greystep.session.shoot import PLAN_NAME, Shoot, arrived

LIGHTS = [("A", "full", 0.0), ("A", "1/4", 2.0), ("B", "full", 0.0), ("B", "1/4", 2.0)]


def reading(light: float, iso: float = 100.0) -> Reading:
    """A frame whose green is `light` of the range."""
    level = 1000.0 * light
    signal = PatchSignal.__new__(PatchSignal)
    for name, value in {
        "mean": (level, level, level), "white": (1100.0,) * 4, "black": (100.0,) * 4, "damage": "",
    }.items():  # fmt: skip
        object.__setattr__(signal, name, value)
    return Reading(Exposure(f_number=8.0, iso=iso), 100, 100, signal)


@pytest.fixture
def shoot(tmp_path: Path) -> Shoot:
    plan = pd.DataFrame(
        [
            {"frame": "", "head": head, "power": power, "kind": "flash", "pack": "", "note": ""}
            for head, power, _ in LIGHTS
        ]
    ).astype("str")
    plan.to_csv(tmp_path / "shots.csv", index=False)
    return Shoot(tmp_path, plan.assign(stops=[stops for *_, stops in LIGHTS], row=range(2, 6)))


def shot(shoot: Shoot, *levels: float) -> None:
    names = [f"f{at}.dng" for at in range(len(levels))]
    shoot.place(shoot.plan, names, [reading(level) for level in levels])


def test_light_is_that_of_the_flash_at_any_setting() -> None:
    one, two, none = arrived(["a", "b", "c"], [reading(0.4), reading(0.4, 400.0), reading(0.001)], {})
    assert one.light - two.light == pytest.approx(2.0, abs=0.02)
    assert none.light == -math.inf
    assert one.share == pytest.approx(0.4)


def test_an_iso_that_was_left_low_is_no_misfire() -> None:
    """At ISO 1600 it would have 0.13 of the range; at 100 it is as dark as a misfire may be, but not as room light."""
    frames = [reading(0.0003), reading(0.0048, 1600.0), reading(0.5), reading(0.008), reading(0.0004)]
    room, also, flash, left, misfire = arrived(list("abcde"), frames, {})
    assert (room.light, also.light, misfire.light) == (-math.inf,) * 3
    assert flash.light - left.light == pytest.approx(6.0, abs=0.1)
    assert [one.dim for one in (room, flash, left, misfire)] == [True, False, True, True]


def test_light_that_was_measured_beside_the_target_is_not_known_until_it_is_back(shoot: Shoot) -> None:
    shot(shoot, 0.6, 0.02)
    assert shoot.done is not None
    assert shoot.done.events[-1].what == Aside.NO_PLACE
    assert shoot.see_targets({"f0.dng": "", "f1.dng": "target_moved"})
    assert not shoot.see_targets({"f0.dng": "", "f1.dng": "target_moved"})
    shot(shoot, 0.6, 0.02)
    assert shoot.done.events[-1].placed == "in order; target moved"
    shoot.targets["body"] = None  # type: ignore[assignment]
    assert shoot.see_targets({"f0.dng": "target_moved", "f1.dng": "target_moved"})
    assert shoot.targets == {}  # most frames have left it: it is sought again


@pytest.mark.parametrize(("apart", "alike"), [(0.02, True), (0.08, True), (0.12, False)])
def test_two_frames_that_fall_short_alike_overrule_the_one_before_them(shoot: Shoot, apart: float, alike: bool) -> None:
    """Else a frame that is too bright for its row makes every later one of that light be shot again, without end."""
    shoot.plan = shoot.plan.iloc[[0, 1, 1]].reset_index(drop=True)
    frames = [f"f{at}.dng" for at in range(4)]
    levels = 0.6, 0.18, 0.15, 0.15 * 2.0**apart

    def judged(*short: str) -> bool:
        rows = [{"frame": name, "shot": 1, "flags": "partial_flash" if name in short else ""} for name in frames]
        return shoot.judge(pd.DataFrame(rows, columns=names(FrameRow)))

    shot(shoot, *levels)
    assert judged("f2.dng")
    shot(shoot, *levels)
    assert judged("f3.dng")
    shot(shoot, *levels)
    assert shoot.done is not None
    short = ["", "", "partial_flash", "partial_flash"]
    assert [event.flag for event in shoot.done.events] == (["", "outlier", "", ""] if alike else short)
    assert (shoot.done.due == -1) == alike


def test_an_uneven_frame_goes_to_no_row_but_the_one_that_is_due(shoot: Shoot) -> None:
    shoot.plan = shoot.plan.assign(power=["full", "1/4", "1/16", "1/64"], head="A", stops=[0.0, 2.0, 4.0, 6.0])
    frames = [reading(0.6), replace(reading(0.0375), flags=("uneven",))]
    shoot.place(shoot.plan, ["f0.dng", "f1.dng"], frames)
    assert shoot.done is not None
    assert shoot.done.events[-1].what == Aside.NO_PLACE
    frames = [replace(one, flags=("uneven",)) for one in frames]  # as all are: the light falls off
    shoot.place(shoot.plan, ["f0.dng", "f1.dng"], frames)
    assert shoot.done.events[-1].what == Place.SKIPPED_TO


def test_a_further_round_stands_behind_its_head_with_numbers_of_its_own(shoot: Shoot) -> None:
    shot(shoot, 0.6, 0.15)
    assert shoot.finished_head() == "A"
    shoot.ask([{"head": "A", "power": "1/4", "kind": "flash", "stops": 2.0}], "A")
    assert shoot.done is not None
    assert shoot.plan["head"].tolist() == ["A", "A", "A", "B", "B"]
    assert shoot.plan["box"].tolist() == ["1", "2", "5", "3", "4"]
    assert shoot.done.due == 2
    assert shoot.finished_head() == ""


def test_what_is_decided_is_taken_back(shoot: Shoot) -> None:
    shot(shoot, 0.6, 0.15)
    shoot.skip()
    shot(shoot, 0.6, 0.15)
    assert shoot.done is not None
    assert shoot.done.due == 3
    shoot.note("dust")
    shoot.undo()
    assert set(shoot.plan["note"]) == {""}
    shoot.undo()
    shot(shoot, 0.6, 0.15)
    assert shoot.done.due == 2
    shoot.undo()  # nothing decided is left: the last frame loses its row
    shot(shoot, 0.6, 0.15)
    assert shoot.done.events[-1].what == Aside.TAKEN_BACK
    assert shoot.done.due == 1


def test_the_plan_stays_as_it_was_and_a_log_that_somebody_changed_is_the_plan_from_then_on(shoot: Shoot) -> None:
    before = (shoot.folder / "shots.csv").read_bytes()
    shot(shoot, 0.6)
    shoot.write_log()
    assert (shoot.folder / PLAN_NAME).read_bytes() == before
    log = pd.read_csv(shoot.folder / "shots.csv", dtype=str, keep_default_na=False)
    assert log["placed"].tolist() == ["in order", *["not shot yet"] * 3]
    assert shoot.is_own_log()
    log["head"] = log["head"].replace("B", "C")
    log.to_csv(shoot.folder / "shots.csv", index=False)
    read = log.assign(stops=[stops for *_, stops in LIGHTS], row=range(2, 6))
    shoot.place(read, ["f0.dng"], [reading(0.6)])
    assert shoot.plan["head"].tolist() == ["A", "A", "C", "C"]
    shoot.write_log()
    assert (shoot.folder / PLAN_NAME).read_bytes() == before
