"""What stands on screen and page before the first frame, and which of the lines that were told still matter."""

import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from greystep.columns import FrameRow, names
from greystep.live.actions import Act, Action
from greystep.live.conducting import Watch
from greystep.live.news import News
from greystep.session.free_shoot import FreeShoot
from greystep.session.settings import load_settings

PLAN = "frame,head,power,kind,note\n,,,ambient,\n,A,full,flash,3 warm-up shots at full before\n"


@pytest.fixture
def started(tmp_path: Path) -> Callable[..., tuple[Watch, list[str], list[Any]]]:
    """Begin a watch of a folder without frames; what it told, and what the page was given."""

    def start(log: str = "", free: bool = False) -> tuple[Watch, list[str], list[Any]]:
        if log:
            (tmp_path / "shots.csv").write_text(log, encoding="utf-8")
        told: list[str] = []
        states: list[Any] = []
        settings = load_settings(tmp_path)
        watch = Watch(settings, told.append, told.append, free=FreeShoot(settings) if free else None)
        watch.publish = states.append
        watch.begin()
        assert watch.waits()
        watch.show_first()
        return watch, told, states

    return start


def test_the_first_box_stands_there_before_the_first_frame(started: Callable[..., Any]) -> None:
    watch, told, states = started(PLAN)
    assert "NEXT   FLASH OFF" in "".join(told)
    assert "box 1 of 2" in "".join(told)
    assert states[0]["next"]["light"] == "flash off"
    assert (states[0]["shot"], states[0]["of"], states[0]["last"]) == (0, 2, None)
    assert [row["state"] for row in states[0]["rows"]] == ["due", "open"]
    assert not watch.step([Action(Act.SKIP)]), "it can be decided already"
    assert states[-1]["next"]["light"] == "A at full"
    assert states[-1]["next"]["do"] == ("3 warm-up shots at full, no frame", "wait for ready")
    assert "NEXT   A AT FULL" in told[-1]
    watch.step([Action(Act.NOTE, "dust")])
    assert states[-1]["told"] == ["noted: dust"]
    watch.step([Action(Act.UNDO)])
    assert states[-1]["told"][0] == "the last decision is taken back"
    assert states[-1]["next"]["light"] == "A at full"
    watch.step([Action(Act.UNDO)])
    assert states[-1]["next"]["light"] == "flash off"


def test_head_and_power_can_be_told_before_the_first_frame(started: Callable[..., Any]) -> None:
    watch, _, states = started(free=True)
    assert states[0]["free"] == "tell head and power"
    watch.step([Action(Act.SET, "A 1/4")])
    assert states[-1]["free"] == "A at 1/4"
    watch.step([Action(Act.UNDO)])
    assert states[-1]["free"] == "tell head and power"
    assert states[-1]["told"][0] == "the last thing told is taken back"
    watch.step([Action(Act.UNDO)])
    assert states[-1]["told"][0] == "nothing was told that could be taken back"
    watch.step([Action(Act.NOTE, "dust")])
    assert states[-1]["told"][0].startswith("note: not done; type head and power"), "there is no frame yet"


def test_frames_that_wait_for_head_and_power_are_told_once(started: Callable[..., Any], tmp_path: Path) -> None:
    watch, told, states = started(free=True)
    (tmp_path / "frames").mkdir()
    for name in ("f0.dng", "f1.dng"):
        (tmp_path / "frames" / name).write_bytes(b"raw")
        for _ in range(2):
            watch.step()
    assert states[-1]["told"] == [
        f"{frames} came: tell head and power first, such as A 1/4" for frames in ("2 frames", "1 frame")
    ]
    assert len(told) == 2
    assert not (tmp_path / "shots.csv").exists()


def test_a_log_that_names_its_frames_shows_on_the_page_what_is_to_come(started: Callable[..., Any]) -> None:
    watch, told, states = started("frame,head,power\nf1.dng,A,full\nf2.dng,A,1/4\n")
    assert (told, states) == ([], []), "nobody conducts it, and there is nothing to tell yet"
    shot = {"frame": ["f1.dng", "f2.dng", "f0.dng"], "shot": [1, -1, 0], "kind": ["flash", "flash", ""], "head": "A"}
    more = {"power": ["full", "1/4", ""], "flags": "", "note": ["", "dust", ""], "status": "ok"}
    readings = pd.DataFrame({**dict.fromkeys(names(FrameRow), math.nan), **shot, **more})
    watch._follow(readings, readings.iloc[:0])
    assert states[-1]["next"] == {"box": "2", "of": 2, "light": "A at 1/4", "do": ("dust",)}
    assert (states[-1]["shot"], states[-1]["of"], states[-1]["done"]) == (1, 2, False)
    assert states[-1]["last"] == {"frame": "f1.dng", "gave": ["A at full"], "status": "ok"}
    done = readings.assign(shot=[1, 2, 0])
    watch._follow(done, done.iloc[:0])
    assert (states[-1]["next"], states[-1]["done"], states[-1]["last"]["frame"]) == (None, True, "f2.dng")


def test_what_was_told_before_the_last_frame_steps_back() -> None:
    news = News()
    for line in ("box 4 is missing", "two were exchanged"):
        news.add(line)
    assert news.fresh == ["two were exchanged", "box 4 is missing"]
    news.age()
    news.add("the card is gone")
    assert (news.fresh, news.earlier) == (["the card is gone"], ["two were exchanged", "box 4 is missing"])
    news.forget("the card is gone")
    assert news.fresh == []
    for line in "abcde":
        news.add(line)
    assert (news.fresh, news.earlier) == (["e", "d", "c", "b"], [])
