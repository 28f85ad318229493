"""A watch that may look at its test: it asks for what is open, behind its head or at the end, or says why not."""

import math
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pandas as pd
import pytest

from greystep.compare.stopping import Look, OpenLight, Reason
from greystep.errors import GreystepError
from greystep.live import conducting
from greystep.live.actions import Act, Action
from greystep.live.conducting import Watch
from greystep.session.conductor import Conducted
from greystep.session.settings import load_settings
from greystep.session.shoot import Shoot
from session.test_shoot import LIGHTS, reading


@pytest.fixture
def watch(tmp_path: Path) -> Watch:
    rows = [("ambient", "", "", math.nan), *(("flash", *light) for light in LIGHTS), ("flash", "A", "full", 0.0)]
    plan = pd.DataFrame(rows, columns=["kind", "head", "power", "stops"])
    plan = plan.assign(frame="", pack="", note=["", *[""] * len(LIGHTS), "check frame"], row=range(len(rows)))
    plan.drop(columns=["stops", "row"]).to_csv(tmp_path / "shots.csv", index=False)
    (tmp_path / "session.toml").write_text("[test]\nlooks = 3\n", encoding="utf-8")
    told: list[str] = []
    return Watch(load_settings(tmp_path), told.append, told.append, shoot=Shoot(tmp_path, plan))


def come(watch: Watch, *levels: float) -> bool:
    """Let frames come whose light is so much of the range; return whether rows were added."""
    assert watch.shoot is not None
    before = len(watch.shoot.plan)
    names = [f"f{at}.dng" for at in range(len(levels))]
    watch.shoot.place(watch.shoot.plan, names, [reading(level) for level in levels])
    watch._look(watch.shoot, pd.DataFrame())
    return len(watch.shoot.plan) > before


def answer(monkeypatch: pytest.MonkeyPatch, asked: list[str], *lights: OpenLight) -> None:
    def look(_: Any, __: Any, head: str) -> Look:
        asked.append(head)
        return Look(None, None, lights, None if lights else Reason.CALLED)  # type: ignore[arg-type]

    monkeypatch.setattr(conducting, "look", look)


def test_the_head_on_the_stand_is_asked_for_what_is_open(watch: Watch, monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[str] = []
    answer(monkeypatch, asked, OpenLight("A", "1/4", 2.0))
    assert not come(watch, 0.0005, 0.6)
    assert asked == []
    assert come(watch, 0.0005, 0.6, 0.15)
    assert asked == ["A"]
    assert watch.shoot is not None
    assert watch.shoot.plan["power"].tolist() == ["", "full", "1/4", "1/4", "full", "1/4", "full"]
    assert isinstance(watch.shoot.done, Conducted)
    assert watch.shoot.done.due == 3


def test_what_is_called_asks_for_nothing_and_is_told_once(watch: Watch, monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[str] = []
    answer(monkeypatch, asked)
    assert not come(watch, 0.0005, 0.6, 0.15)
    assert not come(watch, 0.0005, 0.6, 0.15)
    assert asked == ["A"]
    assert watch._news.fresh == ["head A: every verdict is called, no further round is needed"]


def test_where_head_and_test_end_with_one_frame_the_test_is_looked_at_once(
    watch: Watch, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[str] = []
    answer(monkeypatch, asked)
    assert watch.shoot is not None
    watch.shoot.plan = watch.shoot.plan.iloc[:-1]  # no check frame at the end
    watch._looked = {("A", 5)}
    for _ in range(2):
        assert not come(watch, 0.0005, 0.6, 0.15, 0.6, 0.15)
    assert asked == [""]


def test_a_further_set_goes_round_the_heads_between_check_frames(watch: Watch, monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[str] = []
    answer(monkeypatch, asked, OpenLight("B", "full", 0.0), OpenLight("B", "1/4", 2.0))
    watch._looked = {("A", 6), ("B", 6)}
    assert come(watch, 0.0005, 0.6, 0.15, 0.6, 0.15, 0.6)
    assert asked == [""]
    assert watch.shoot is not None
    more = watch.shoot.plan.iloc[6:]
    assert [f"{head}{power}" for head, power in zip(more["head"], more["power"], strict=True)] == [
        "Afull", "Afull", "Bfull", "B1/4", "Afull", "Afull", "",
    ]  # fmt: skip
    assert more["kind"].iloc[-1] == "ambient"
    assert watch.shoot.done is not None
    assert watch.shoot.done.due == 6


def test_what_cannot_be_decided_is_told(watch: Watch) -> None:
    watch._act(Action(Act.SET, "A 1/4"))
    assert watch._news.fresh == ['"A 1/4": not done; type undo, again, skip or note TEXT']


def test_a_card_that_is_pulled_is_told_on_the_page_each_time(watch: Watch, monkeypatch: pytest.MonkeyPatch) -> None:
    there = iter([False, False, True, False])
    said: list[str] = []
    states: list[Any] = []

    def read(_: Any) -> Any:
        if next(there):
            return SimpleNamespace(readings=pd.DataFrame({"shot": [0], "frame": ["f0.dng"], "flags": [""]}))
        raise GreystepError("frames: no such folder")

    monkeypatch.setattr(Watch, "_read", read)
    monkeypatch.setattr(Watch, "waits", lambda _: False)
    monkeypatch.setattr(Watch, "_follow", lambda *_: False)
    monkeypatch.setattr(conducting, "write_readings", lambda *_: None)
    watch.warn, watch.publish, watch.shoot = said.append, states.append, None
    for _ in range(4):
        watch.step()
    assert said == ["greystep: frames: no such folder"] * 2
    assert [state["told"] for state in states] == [["frames: no such folder"]] * 2, "it was there meanwhile"


def test_room_light_is_told_once_until_it_is_gone(watch: Watch) -> None:
    said: list[str] = []

    def come(*flags: str, kind: str = "flash", changed: int = 1, stops: float = 0.0) -> list[str]:
        """Frames with these flags, the last of this kind and power, the last `changed` new or flagged anew."""
        before, frames = len(said), [f"f{at}" for at in range(len(flags))]
        kinds, powers = [*["flash"] * (len(flags) - 1), kind], [*[0.0] * (len(flags) - 1), stops]
        table = pd.DataFrame({"frame": frames, "shot": range(len(flags)), "kind": kinds, "flags": flags, "head": "A"})
        table = table.assign(stops=powers)
        watch._tell_room(table, table.iloc[len(flags) - changed :])
        return [" ".join(line.split()) for line in said[before:]]

    watch.tell = said.append
    assert come("") == []
    lamps = "switch lamps off and keep daylight out"
    assert come("", "ambient_high", stops=5.0) == [], "where the flash is weak, a little room light is much"
    assert come("", "ambient_high") == [f"! f1: more than 0.5 % of the light is room light: {lamps}"]
    assert come("", "ambient_high", "too_dark;ambient_high") == [], "once"
    assert come("", "ambient_high", "ambient_high", "") == []
    told = come("", "ambient_changed", "ambient_changed", "ambient_high;ambient_changed", "", kind="ambient", changed=4)
    assert told == [f"! f4: the room light has changed: {lamps}, then type again and shoot it once more"]
    assert come("") == []
    assert come("", "ambient_changed", stops=5.0) == [f"! f1: the room light has changed: {lamps}"]
    assert come("", "") == []
    assert come("", "ambient_high", kind="job") == [], "a frame that was set aside is as it is"
    assert come("", "target_moved;ambient_high") == [], "what was measured beside the card is no room light"
