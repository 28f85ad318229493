"""The steps of reading a session, each by what it asks of the next one: order, bodies, targets, what is kept."""

from collections.abc import Callable
from dataclasses import replace
from functools import partial
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from greystep.errors import FaultsError
from greystep.measure.reading import Reading
from greystep.measure.target import Target, find_target
from greystep.session import cache as kept
from greystep.session import ingest as ingesting
from greystep.session import measured
from greystep.session.ingest import ingest
from greystep.session.messages import KeptElsewhere, NotKept
from greystep.session.settings import load_settings
from session.test_ingest_by_hand import TARGET, Placed

Shoot = Callable[..., None]
#: Frames in which a target was sought; whether one clear frame was to be enough; by what it was sought.
Sought = list[tuple[list[str], bool, Any]]


@pytest.fixture
def sought(monkeypatch: pytest.MonkeyPatch) -> Sought:
    seen: Sought = []

    def find_once(folder: Path, names: Any, find: Any, *_: object, at_once: bool = False) -> tuple[Target, str]:
        seen.append((list(names), at_once, find))
        return TARGET, ""

    monkeypatch.setattr(kept, "find_once", find_once)
    return seen


def session(folder: Path, shoot: Shoot, log: str, count: int = 4, **frames: dict[str, Any]) -> Path:
    """Frames ``f0.dng`` and so on of an even grey, two at full and others at 1/4, some otherwise; and a log."""
    for at in range(count):
        shoot(folder / f"frames/f{at}.dng", **{"light": 6000.0 if at < 2 else 1500.0} | frames.get(f"f{at}", {}))
    (folder / "shots.csv").write_text(log)
    return folder


FOUR = "head,power\nA,1/1\nA,1/1\nA,1/4\nA,1/4\n"


def test_rows_get_their_frames_in_the_order_of_the_clock(tmp_path: Path, shoot: Shoot, sought: Sought) -> None:
    times = {
        f"f{at}": {"captured": f"2026:03:02 09:0{minute}:00", "light": 6000.0 if minute < 3 else 1500.0}
        for at, minute in enumerate((3, 1, 4, 2))
    }
    found = ingest(load_settings(session(tmp_path, shoot, FOUR, **times)), jobs=1).readings
    assert found["frame"].tolist() == ["f1.dng", "f3.dng", "f0.dng", "f2.dng"]
    assert found["shot"].tolist() == [0, 1, 2, 3]
    assert sought[0][0] == ["f1.dng", "f0.dng", "f3.dng", "f2.dng"]


def test_each_body_has_a_target_of_its_own(tmp_path: Path, shoot: Shoot, sought: Sought) -> None:
    other = {name: {"serial": "78"} for name in ("f1", "f3")}
    found = ingest(load_settings(session(tmp_path, shoot, FOUR, **other)), jobs=1)
    assert [names for names, *_ in sought] == [["f0.dng", "f2.dng"], ["f1.dng", "f3.dng"]]
    assert [at_once for _, at_once, _ in sought] == [True, True]
    assert list(found.bodies) == ["Nine 77", "Nine 78"]
    assert all(isinstance(find, partial) and find.func is find_target for *_, find in sought)
    assert [find.keywords for *_, find in sought] == [{"has_card": True}] * 2


def test_where_rows_and_frames_are_not_as_many_no_frame_is_known_for_a_flash(
    tmp_path: Path, shoot: Shoot, sought: Sought
) -> None:
    with pytest.raises(FaultsError, match="1 frame too many"):
        ingest(load_settings(session(tmp_path, shoot, FOUR, count=5)), jobs=1)
    assert [(names, at_once) for names, at_once, _ in sought] == [([f"f{at}.dng" for at in range(5)], False)]
    assert sought[0][2] is measured._find_in_lit


def test_a_shoot_that_has_begun_says_which_frames_are_flashes(tmp_path: Path, shoot: Shoot, sought: Sought) -> None:
    settings = load_settings(session(tmp_path, shoot, FOUR))
    placing = Placed()
    so_far = pd.DataFrame({"frame": ["f2.dng", "", "", ""], "head": "A", "power": "1/1", "stops": 0.0, "kind": "flash"})
    placing.so_far = so_far
    ingest(settings, jobs=1, placing=placing)
    placing = Placed()
    placing.so_far = so_far.assign(frame=["old.dng", "", "", ""])
    ingest(settings, jobs=1, placing=placing)
    placing = Placed()
    placing.so_far = so_far.assign(kind="ambient")
    ingest(settings, jobs=1, placing=placing)
    every = [f"f{at}.dng" for at in range(4)]
    assert [(names, at_once) for names, at_once, _ in sought] == [(["f2.dng"], True), (every, False), (every, False)]


def test_a_patch_of_the_session_is_measured_and_one_by_hand_before_it(
    tmp_path: Path, shoot: Shoot, sought: Sought
) -> None:
    (tmp_path / "session.toml").write_text("[target]\npatch = [0.2, 0.2, 0.8, 0.8]\n")
    settings = load_settings(session(tmp_path, shoot, FOUR))
    for patch, left in ((None, 0.2), ((0.4, 0.4, 0.6, 0.6), 0.4)):
        assert ingest(settings, patch, jobs=1).readings["patch_x0"].tolist() == pytest.approx([left] * 4, abs=0.05)
    assert sought == []


def test_frames_whose_matrix_tells_no_light_cannot_be_used_unless_the_session_has_its_own(
    tmp_path: Path, shoot: Shoot, sought: Sought, monkeypatch: pytest.MonkeyPatch
) -> None:
    settings = load_settings(session(tmp_path, shoot, FOUR))
    asked: list[str] = []

    def through(readings: dict[str, Reading]) -> dict[str, Reading]:
        asked.extend(readings)
        return readings

    monkeypatch.setattr(measured, "through_matrix", through)
    make = ingesting.make_bodies
    embedded = replace(settings, matrix="embedded")
    monkeypatch.setattr(ingesting, "make_bodies", lambda _, *rest: make(embedded, *rest))
    monkeypatch.setattr(ingesting, "other_matrices", lambda frames, *_: np.zeros(4, dtype=bool))
    ingest(settings, jobs=1)
    assert asked == [f"f{at}.dng" for at in range(4)]
    ingest(replace(settings, matrix="camera.json"), jobs=1)
    assert len(asked) == 4


def test_what_was_kept_of_files_that_are_gone_is_removed(tmp_path: Path, shoot: Shoot) -> None:
    """The frames are read once; of one that is gone neither its reading nor the place of the target stays."""
    log = "frame,head,power\n" + "".join(f"f{at}.dng,A,1/1\n" for at in range(4))
    settings = load_settings(session(tmp_path, shoot, log))

    def entries(start: str = "") -> int:
        return len(list((tmp_path / ".greystep").glob(f"{start}*.json"))) - (0 if start else entries("target-"))

    ingest(settings, jobs=1)
    assert (entries(), entries("target-")) == (4, 1)
    (tmp_path / "frames/f3.dng").unlink()
    ingest(settings, jobs=1)
    assert entries() == 3


def test_it_is_told_where_nothing_can_be_kept_or_only_elsewhere(
    tmp_path: Path, shoot: Shoot, sought: Sought, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "kit").mkdir()
    (tmp_path / "out").mkdir()
    settings = load_settings(session(tmp_path / "kit", shoot, FOUR))
    elsewhere = measured.open_cache(tmp_path / "out", None)
    assert elsewhere is not None
    there = KeptElsewhere(str(settings.path), str(tmp_path / "out"))
    for cache, told in ((None, NotKept(str(settings.path))), (elsewhere, there)):
        monkeypatch.setattr(measured, "open_cache", lambda *_, cache=cache: cache)
        assert ingest(settings, jobs=1, store=tmp_path / "out").messages[-1] == told
    monkeypatch.undo()
    monkeypatch.setattr(kept, "find_once", lambda *_, **__: (TARGET, ""))
    assert not any(isinstance(one, NotKept | KeptElsewhere) for one in ingest(settings, jobs=1).messages)


def test_a_moved_frame_is_flagged_and_all_are_told_anew(
    tmp_path: Path, shoot: Shoot, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The one that is measured again says so itself; what the others' places are is reckoned again."""
    settings = load_settings(session(tmp_path, shoot, FOUR))
    monkeypatch.setattr(kept, "find_once", lambda *_, **__: (Target(TARGET.box, TARGET.patch, True), ""))
    asked: list[bool] = []
    check = ingesting.places.check_targets

    def check_targets(frames: Any, states: Any = None) -> Any:
        asked.append(states is None)
        return check(frames, np.full(4, "", dtype=object))

    states = np.array(["", "", "target_moved", ""], dtype=object)
    monkeypatch.setattr(ingesting.places, "target_states", lambda _: states)
    monkeypatch.setattr(ingesting.places, "check_targets", check_targets)
    monkeypatch.setattr(kept, "measure_again", lambda *_: {})
    assert "target_moved" not in "".join(ingest(settings, jobs=1).readings["flags"])

    def measure_again(folder: Path, where: Any, cache: Any, prints: Any, crew: Any) -> dict[str, Reading]:
        return kept.measure(folder, where, {}, None, prints, crew)

    monkeypatch.setattr(kept, "measure_again", measure_again)
    found = ingest(settings, jobs=1).readings
    assert asked == [False, True]
    assert ["target_moved" in flags for flags in found["flags"]] == [False, False, True, False]


def test_light_is_taken_off_once_more_only_where_room_light_changed(
    tmp_path: Path, shoot: Shoot, sought: Sought, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Frames between two ambient frames: room light of 3 counts stays, or is 600 counts at the end."""
    asked: list[bool] = []
    take_off = ingesting.take_off

    def taken(log: Any, patches: Any, sound: Any, shares: Any) -> Any:
        asked.append(shares is not None)
        return take_off(log, patches, sound, shares)

    monkeypatch.setattr(ingesting, "take_off", taken)
    log = "kind,head,power\nambient,,\nflash,A,1/1\nflash,A,1/1\nflash,A,1/1\nambient,,\n"
    lights = {f"f{at}": {"light": 6000.0} for at in (1, 2, 3)} | {"f0": {"light": 3.0}}
    for place, last, passes in (("still", 3.0, [False]), ("changed", 600.0, [False, True])):
        asked.clear()
        settings = load_settings(session(tmp_path / place, shoot, log, 5, **lights, f4={"light": last}))
        ingest(settings, jobs=1)
        assert asked == passes


def named(names: list[str], so_far: pd.DataFrame | None = None, frame: Any = "", placed: bool = True) -> list[str]:
    shots = pd.DataFrame({"frame": frame, "head": ["A", "B"]})
    placing: Any = SimpleNamespace(so_far=so_far) if placed else None
    return ingesting._as_far_as_named(shots, names, placing)["frame"].tolist()


def test_which_frames_the_log_is_known_to_name() -> None:
    def log(frame: str, kind: str) -> pd.DataFrame:
        return pd.DataFrame({"frame": [frame, ""], "kind": kind})

    assert named(["f0", "f1"], log("f0", "flash")) == ["f0", ""]
    assert named(["f0", "f1"], log("f9", "flash"), frame="x") == ["", ""], "of frames that are gone"
    assert named(["f0", "f1"], log("f0", "ambient")) == ["", ""]
    assert named(["f0", "f1"], frame="x") == ["", ""], "nothing has been placed yet"
    assert named(["f0", "f1"], placed=False) == ["f0", "f1"]
    assert named(["f0", "f1", "f2"], placed=False) == ["", ""]
    assert named(["f0", "f1"], frame=["f1", ""], placed=False) == ["f1", ""]


def test_runs_are_judged_by_the_limit_of_the_session_or_the_usual_one(
    tmp_path: Path, shoot: Shoot, sought: Sought, monkeypatch: pytest.MonkeyPatch
) -> None:
    limits: list[float] = []
    monkeypatch.setattr(ingesting, "settling", lambda table, limit: limits.append(limit) or ())
    settings = load_settings(session(tmp_path, shoot, FOUR))
    for mired in (2.5, None):
        ingest(replace(settings, tolerance=replace(settings.tolerance, mired=mired)), jobs=1)
    assert limits == [2.5, 4.0]


class Twice(Placed):
    """Places frames row after row, then, told of their targets, the last two the other way round."""

    def place(self, shots: pd.DataFrame, names: Any, readings: Any) -> tuple[pd.DataFrame, tuple[()]]:
        again = bool(self.states)
        return super().place(shots, [*names[:2], names[3], names[2]] if again else names, readings)

    def see_targets(self, states: Any) -> bool:
        super().see_targets(states)
        return True


def test_frames_are_placed_and_joined_once_more_where_their_targets_change_their_places(
    tmp_path: Path, shoot: Shoot, sought: Sought
) -> None:
    placing = Twice()
    found = ingest(load_settings(session(tmp_path, shoot, FOUR)), jobs=1, placing=placing).readings
    assert placing.states == {f"f{at}.dng": "" for at in range(4)}
    assert found["frame"].tolist() == ["f0.dng", "f1.dng", "f3.dng", "f2.dng"]
    assert found["shot"].tolist() == [0, 1, 3, 2]
