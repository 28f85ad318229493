"""What is to be shot next, what is told of new frames, and when there is something to read: with looks played."""

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pandas as pd
import pytest

from greystep.session import watch
from greystep.session.matching import OtherLight, PlacedByLight
from greystep.session.messages import FrameFault
from greystep.session.settings import load_settings
from greystep.session.watch import arrivals, messages_of, next_to_shoot


def due(shots: list[int], kinds: list[str] | None = None) -> list[str]:
    names = [f"r{at}" for at in range(len(shots))]
    rows = pd.DataFrame({"row": names, "kind": kinds or ["flash"] * len(shots), "shot": shots})
    return next_to_shoot(rows)["row"].tolist()


def test_the_row_behind_the_last_that_was_shot_is_next_and_then_the_first_left_out() -> None:
    assert due([-1, -1, -1]) == ["r0"]
    assert due([0, 1, -1, -1]) == ["r2"]
    assert due([0, -1, 1, -1]) == ["r3"]
    assert due([0, -1, -1, 1]) == ["r1"]
    assert due([0, 1]) == []
    assert due([0, -1, 1, 2], ["flash", "flash", "flash", ""]) == ["r1"], "a file that no row names is not of the log"
    assert due([0, 5, -1], ["flash", "", "flash"]) == ["r2"]


def test_of_new_frames_is_told_what_names_them_first() -> None:
    fault = FrameFault.__new__(FrameFault)
    object.__setattr__(fault, "flagged", (SimpleNamespace(frame="f1"), SimpleNamespace(frame="f2")))
    light, slip = OtherLight(("f2", "f3"), ("row 2", "row 3"), True), PlacedByLight(4, 5, ())
    told: list[Any] = [fault, light, slip, "another"]

    def of(*frames: str) -> list[Any]:
        return messages_of(told, pd.DataFrame({"frame": frames}))

    assert of("f1", "f9") == [fault, slip]
    assert of("f2") == [light, slip]
    assert of("f3") == [slip]


class Looks:
    """Plays what each look sees; the time goes on by a second a look."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, *seen: Any) -> None:
        self.seen, self.looks, self.waits = list(seen), 0, list[float]()
        monkeypatch.setattr(watch, "_states", self.look)
        monkeypatch.setattr(watch.time, "monotonic", lambda: float(self.looks))

    def look(self, _: Any) -> Any:
        self.looks += 1
        return self.seen[min(self.looks, len(self.seen)) - 1]

    def ring(self) -> None:
        """No notice comes."""

    def asked(self) -> bool:
        return self.looks == 7

    def wait(self, seconds: float) -> None:
        self.waits.append(seconds)


def test_frames_are_read_once_they_stood_still_from_one_look_to_the_next(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    one, two = {"a": (1, 1)}, {"a": (2, 1)}
    looks = Looks(monkeypatch, {}, one, two, two, two, one, one)
    found = [looks.looks for _ in arrivals(load_settings(tmp_path), 0.25, 3.0)]
    assert found == [4, 7]
    assert looks.looks == 9, "three seconds after the last change, at the sixth look"


def test_one_who_wakes_it_is_answered_though_no_file_has_changed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    one = {"a": (1, 1)}
    looks = Looks(monkeypatch, one)
    woken: Any = looks
    found = [looks.looks for _ in arrivals(load_settings(tmp_path), 0.25, 9.0, woken)]
    assert found == [2, 7]
    assert looks.waits == [0.2, *[0.25] * 8], "until it has stood still; then from look to look"


def test_a_folder_without_frames_has_nothing_to_look_at(tmp_path: Path) -> None:
    settings = load_settings(tmp_path)
    (tmp_path / "shots.csv").write_text("head,power\n")
    assert watch._states(settings) == {}
    (tmp_path / "frames").mkdir()
    assert watch._states(settings) == {}
    (tmp_path / "frames/a.dng").write_bytes(b"raw")
    found = watch._states(settings)
    assert [(Path(name).name, size) for name, (size, _) in found.items()] == [("a.dng", 3), ("shots.csv", 11)]
    assert found[str(tmp_path / "shots.csv")][1] == (tmp_path / "shots.csv").stat().st_mtime_ns
    (tmp_path / "shots.csv").unlink()
    assert len(watch._states(settings)) == 1
