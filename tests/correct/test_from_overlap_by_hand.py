"""Which frames are compared with which, and what comes of it: with the comparison itself played."""

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from correct.test_doubts_by_hand import BODY
from correct.test_references import frame, session_of
from greystep.correct import frame_light, overlap, shared
from greystep.correct.lit_frames import LitFrame, lit_frames
from greystep.correct.messages import MatchedToItself

NOTHING = {"r_g": np.nan, "b_g": np.nan, "signal_g": np.nan}
LIGHT = np.array([4000.0, 8000.0, 5600.0])


def job(name: str, shot: int, **more: Any) -> dict[str, Any]:
    return frame(name, shot, "A", 0.0, 180.0) | {"kind": "job", "lights": "", **NOTHING} | more


class Played:
    """Plays what frames share; keeps what it was asked."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, flag: str = "", lost: tuple[str, ...] = ()) -> None:
        self.anchors: list[tuple[list[str], list[str]]] = []
        self.series: list[tuple[list[str], Any]] = []
        self.read: list[tuple[list[str], list[str]]] = []
        self.changed: list[tuple[str, list[str]]] = []
        self.flag, self.lost = flag, lost
        monkeypatch.setattr(frame_light, "block_reader", self.reader)
        monkeypatch.setattr(frame_light, "of_anchors", self.of_anchors)
        monkeypatch.setattr(frame_light, "join_series", self.join_series)
        monkeypatch.setattr(frame_light, "what_changed", self.what_changed)

    def share(self, frames: list[LitFrame]) -> dict[str, shared.Shared]:
        found = overlap.Overlap(np.ones(3), np.eye(3), 15.0, 80.0, self.flag, "")
        trouble = "it has changed" if self.flag else ""
        names = [one.reading.frame for one in frames]
        return {
            name: shared.Shared(name, "hub", found, LIGHT, 181.0, 0.0, 0.1, 0.01, trouble)
            for name in names if name not in self.lost
        }  # fmt: skip

    def reader(self, folder: Path, rows: Any, names: list[str], *_: Any) -> str:
        self.read.append((rows["frame"].tolist(), names))
        return "reader"

    def of_anchors(self, here: Any, anchors: Any, body: Any, read: Any) -> Any:
        self.anchors.append(([one.reading.frame for one in here], [one.reading.frame for one in anchors]))
        return self.share(here) if anchors else {}

    def join_series(self, here: Any, to: Any, body: Any, read: Any) -> Any:
        self.series.append(([one.reading.frame for one in here], to))
        return replace(body, label="joined"), self.share(here), MatchedToItself("hub")

    def what_changed(self, one: LitFrame, fit: Any, *_: Any) -> str:
        self.changed.append((one.reading.frame, [other.reading.frame for other in fit]))
        return "B did not fire"


def compared(folder: Path, rows: list[dict[str, Any]], of_itself: bool = True, to: str | None = None) -> Any:
    """Compare frames of which those that show a card have their light already."""
    found = session_of(folder, [{"lights": ""} | row for row in rows], body=replace(BODY, label="Invented 1"))
    frames = [
        replace(one, source="patch" if np.isfinite(one.r_g) else "", trouble="none")
        for one in lit_frames(found.readings[found.readings["kind"] != "ambient"].reset_index(drop=True))
    ]
    got, bodies, relative, messages = frame_light._from_overlap(frames, found, to, of_itself, None)
    return {one.reading.frame: one for one in got}, bodies, relative, messages


def rows_of_a_job() -> list[dict[str, Any]]:
    return [
        frame("card", 0, "A", 0.0, 180.0), job("first", 1), job("damaged", 2, flags="damaged"), job("gone", -1),
        frame("flash", 3, "A", 0.0, 180.0) | NOTHING, frame("room", 4, "A", 0.0, 180.0) | {"kind": "ambient"},
        frame("blind", 5, "A", 0.0, np.nan), job("zero", 0), job("foreign", 6, body="Other 2"),
    ]  # fmt: skip


def test_pictures_that_wait_are_compared_with_frames_whose_colour_is_known(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    played = Played(monkeypatch)
    rows = [row | ({"r_g": 0.5, "mired": np.nan} if row["frame"] == "blind" else {}) for row in rows_of_a_job()]
    found, bodies, relative, messages = compared(tmp_path, rows)
    assert played.anchors == [(["first", "zero"], ["card"])]
    assert played.read == [(["card", "first", "damaged", "flash", "room", "blind", "zero"], ["first", "zero"])]
    assert {name: one.source for name, one in found.items()} == {
        "card": "patch", "first": "overlap", "damaged": "", "gone": "", "flash": "", "blind": "patch",
        "zero": "overlap", "foreign": "",
    }  # fmt: skip
    assert (found["first"].mired, found["first"].via) == (181.0, "hub")
    assert (list(bodies), relative, messages, played.series) == (["Invented 1"], frozenset(), [], [])


def test_a_light_that_changed_is_named_by_frames_that_can_be_used(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    played = Played(monkeypatch, "light_changed", lost=("zero",))
    rows = [row for row in rows_of_a_job() if row["frame"] != "blind"]
    found, *_ = compared(tmp_path, rows)
    assert played.changed == [("first", ["card", "first", "flash", "zero"])]
    assert found["first"].trouble == "it has changed: B did not fire"
    assert found["first"].source == ""
    assert (found["zero"].trouble, found["zero"].source) == ("none", ""), "the comparison has nothing of it"


def test_a_series_without_a_target_is_matched_to_itself_where_that_is_asked(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    played = Played(monkeypatch)
    found, bodies, relative, messages = compared(tmp_path / "own", [job("a", 0), job("b", 1)], to="frame:b")
    assert played.series == [(["a", "b"], "frame:b")]
    assert (found["a"].source, found["b"].source) == ("overlap", "overlap")
    assert bodies["Invented 1"].label == "joined"
    assert (relative, messages) == (frozenset({"Invented 1"}), [MatchedToItself("hub")])
    found, bodies, relative, messages = compared(tmp_path / "other", [job("a", 0), job("b", 1)], of_itself=False)
    assert found["a"].trouble.startswith("none, nor in any frame like it; give frame:NAME")
    assert (found["a"].source, relative, messages) == ("", frozenset(), [])
    found, *_ = compared(tmp_path / "one", [job("a", 0)])
    assert (found["a"].source, found["a"].trouble) == ("", "none"), "one picture alone"
    assert len(played.series) == 1
