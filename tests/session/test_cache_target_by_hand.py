"""Where a target is sought in one large frame that shows it clearly, and what is kept of that."""

import os
from pathlib import Path
from typing import Any

import pytest

from greystep.errors import FrameError
from greystep.measure.target import Target
from greystep.session import cache as kept
from greystep.session.cache_folder import forget_others, open_cache
from session.test_cache_by_hand import HERE, PRINTS, THERE, Now

NAMES = ["f0", "f1", "f2"]


def look(monkeypatch: pytest.MonkeyPatch, clear: dict[str, Any]) -> list[str]:
    """Let frames show the target clearly, as (target, large), or not at all; return the frames looked at."""
    looked: list[str] = []

    def of(path: Path) -> tuple[Target | None, bool]:
        looked.append(path.name)
        if clear[path.name] is FrameError:
            raise FrameError(f"{path.name}: damaged")
        found: tuple[Target | None, bool] = clear[path.name]
        return found

    def whole(path: Path) -> str:
        looked.append(f"all of {path.name}")
        return path.name

    monkeypatch.setattr(kept, "clear_target_of", of)
    monkeypatch.setattr(kept, "overview_of", whole)
    return looked


def find(folder: Path, at_once: bool = True, crew: Any = None) -> tuple[Target | None, str]:
    return kept.find_once(Path("card"), NAMES, lambda pictures: THERE, folder, PRINTS, crew or Now(), at_once)


EVERY = [f"all of {name}" for name in NAMES]


@pytest.mark.parametrize(
    ("clear", "found", "looked"),
    [
        ({"f0": (HERE, True)}, (HERE, "f0"), ["f0"]),
        ({"f0": (None, True), "f1": (HERE, True)}, (HERE, "f1"), ["f0", "f1"]),
        ({"f0": FrameError, "f1": (HERE, True)}, (HERE, "f1"), ["f0", "f1"]),
        ({"f0": (None, True), "f1": (None, True)}, (THERE, ""), ["f0", "f1", *EVERY]),
        ({"f0": (None, False)}, (THERE, ""), ["f0", *EVERY]),  # small frames are as quickly looked at, all of them
    ],
)
def test_the_first_frame_or_the_middle_one_is_enough_where_it_shows_the_target_clearly(
    clear: dict[str, Any], found: tuple[Target, str], looked: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = open_cache(tmp_path, None)
    assert folder is not None
    seen = look(monkeypatch, clear)
    assert find(folder) == found
    assert seen == looked
    assert find(folder) == found
    assert seen == looked, "it is kept"


def test_what_one_frame_showed_is_not_taken_where_all_are_to_be_looked_at(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = open_cache(tmp_path, None)
    assert folder is not None
    seen = look(monkeypatch, {"f0": (HERE, True)})
    assert find(folder) == (HERE, "f0")
    assert find(folder, at_once=False) == (THERE, "")
    assert seen == ["f0", *EVERY]
    assert find(folder) == (THERE, ""), "what all of them show stands from then on"
    assert seen == ["f0", *EVERY]


def test_a_cache_lies_in_the_session_else_in_the_store_and_is_never_a_link_or_anothers(tmp_path: Path) -> None:
    session, store = tmp_path / "session", tmp_path / "store"
    session.mkdir()
    store.mkdir()
    assert open_cache(session, store) == session / ".greystep"
    other = tmp_path / "other"
    other.mkdir()
    (other / ".greystep").write_text("a file in its place")
    assert open_cache(other, store) == store / ".greystep"
    assert open_cache(other, None) is None
    linked = tmp_path / "linked"
    linked.mkdir()
    (linked / ".greystep").symlink_to(session / ".greystep")
    assert open_cache(linked, store) is None
    full = tmp_path / "full"
    (full / ".greystep").mkdir(parents=True)
    assert open_cache(full, None) == full / ".greystep", "an empty folder may be ours"
    (full / ".greystep" / "notes.txt").write_text("x")
    (full / ".greystep" / "CACHEDIR.TAG").write_text("another's")
    assert open_cache(full, store) is None


def test_what_a_killed_run_left_of_an_entry_goes_once_it_is_old(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of a reading, of a place of the target, of a picture and of the tag; nothing else is touched."""
    folder = open_cache(tmp_path, None)
    assert folder is not None
    look(monkeypatch, {"f0": (HERE, True)})
    find(folder)
    (target,) = folder.glob("target-*.json")
    names = [target.name, f"{PRINTS['f0']}.json", f"{PRINTS['f0']}.{'a' * 16}.jpegs", "CACHEDIR.TAG"]
    left = [folder / f".{name}.12345678.part" for name in names]
    others = [folder / ".notes.json.12345678.part", folder / f".{names[1]}.1234567.part", folder / f"{names[1]}.part"]
    for path in (*left, *others):
        path.write_text("x")
        os.utime(path, (1, 1))
    fresh = folder / f".{names[1]}.87654321.part"
    fresh.write_text("x")
    forget_others(folder, PRINTS.values())
    assert [path.exists() for path in (*left, *others, fresh, target)] == [False] * 4 + [True] * 5
