"""The folder of what is kept: whose it is, what tells a file's states apart, and what of it may go."""

import os
import time
from dataclasses import replace
from pathlib import Path

import pytest

from greystep.errors import GreystepError
from greystep.session import cache_folder
from greystep.session.cache_folder import delete, fingerprint, forget_others, is_picture, names_in, open_cache
from greystep.session.raw_files import Start

START = Start("ab" * 32, 1000, 5_000_000_000)


def test_a_folder_is_opened_that_is_ours_or_empty_and_no_link(tmp_path: Path) -> None:
    def open_in(name: str) -> Path | None:
        return open_cache(tmp_path / name, None)

    own = tmp_path / "new" / ".greystep"
    assert open_in("new") == own
    assert open_in("new") == own
    assert [path.name for path in own.iterdir()] == ["CACHEDIR.TAG"]
    (own / "notes.txt").write_text("kept")
    assert open_in("new") == own, "it is ours by its tag file, whatever else lies in it"
    (tmp_path / "empty" / ".greystep").mkdir(parents=True)
    assert open_in("empty") == tmp_path / "empty" / ".greystep"
    (tmp_path / "theirs" / ".greystep").mkdir(parents=True)
    (tmp_path / "theirs" / ".greystep" / "letter.txt").write_text("x")
    assert open_in("theirs") is None
    assert [path.name for path in (tmp_path / "theirs" / ".greystep").iterdir()] == ["letter.txt"]
    assert open_cache(tmp_path / "theirs", tmp_path / "out") is None, "a folder of somebody else's is no closed one"
    (tmp_path / "link").mkdir()
    (tmp_path / "link" / ".greystep").symlink_to(own, target_is_directory=True)
    assert open_in("link") is None
    assert not cache_folder._is_ours(tmp_path / "link" / ".greystep")


def test_where_the_session_cannot_be_written_the_store_serves(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    session, store = tmp_path / "session", tmp_path / "out"
    closed: list[Path] = []

    def access(path: Path, mode: int) -> bool:
        assert mode == os.W_OK
        return path not in closed

    monkeypatch.setattr(os, "access", access)
    assert open_cache(session, store) == session / ".greystep"
    closed.append(session / ".greystep")
    assert open_cache(session, None) is None
    assert open_cache(session, store) == store / ".greystep"
    closed.append(store / ".greystep")
    assert open_cache(session, store) is None

    def refused(path: Path, text: str) -> None:
        raise GreystepError("disk full")

    monkeypatch.setattr(cache_folder, "write_text", refused)
    assert open_cache(tmp_path / "full", None) is None


def test_one_state_of_a_file_is_told_from_any_other() -> None:
    others = [
        replace(START, sha256="cd" * 32), replace(START, size=1001), replace(START, changed_ns=5_000_000_001),
    ]  # fmt: skip
    marks = [fingerprint("f0", START), fingerprint("f1", START), *(fingerprint("f0", one) for one in others)]
    assert len(set(marks)) == 5
    assert fingerprint("f0", START) == marks[0]
    assert all(len(mark) == 32 and set(mark) <= set("0123456789abcdef") for mark in marks)
    assert fingerprint("f0", None) == ""
    assert len(fingerprint("odd\udcff", START)) == 32, "a name that is no text"


def test_an_unfinished_entry_is_left_for_ten_minutes(tmp_path: Path) -> None:
    folder = open_cache(tmp_path, None)
    assert folder is not None
    mark, now = "a" * 32, time.time()
    names = {
        f".{mark}.json.abcd1234.part": 650.0, f".target-{mark}.json.abcd1234.part": 650.0,
        f".{mark}.{'0' * 16}.jpegs.abcd1234.part": 650.0, ".CACHEDIR.TAG.abcd1234.part": 650.0,
        f".{mark}.json.abcd5678.part": 550.0, ".letter.json.abcd1234.part": 650.0, f".{mark}.json.ab.part": 650.0,
    }  # fmt: skip
    for name, age in names.items():
        (folder / name).write_text("x")
        os.utime(folder / name, (now - age, now - age))
    forget_others(folder, [])
    assert names_in(folder) == {"CACHEDIR.TAG", *list(names)[4:]}


def test_entries_of_the_files_that_are_there_stay(tmp_path: Path) -> None:
    folder = open_cache(tmp_path, None)
    assert folder is not None
    one, other = (fingerprint(name, START) for name in ("f0", "f1"))
    again = cache_folder.second_mark(one)
    kept = [f"{one}.json", f"{again}.json", f"{one}.{'0' * 16}.jpegs", f"target-{other}.json"]
    gone = [f"{other}.json", f"{cache_folder.second_mark(other)}.json"]
    gone += [f"{other}.{'0' * 16}.{kind}" for kind in ("jpegs", "rgb", "npy")]
    for name in (*kept, *gone):
        (folder / name).write_text("x")
    forget_others(folder, [one, ""])
    assert names_in(folder) == {"CACHEDIR.TAG", *kept}
    assert [is_picture(name) for name in (gone[2], gone[0], f"x{gone[2]}", f"{gone[2]}x")] == [True, *[False] * 3]
    assert len({one, other, again, cache_folder.second_mark(other)}) == 4
    assert len(again) == 32
    assert cache_folder.second_mark("") == ""


def test_only_plain_files_of_a_folder_of_ours_are_deleted(tmp_path: Path) -> None:
    folder = open_cache(tmp_path, None)
    assert folder is not None
    (tmp_path / "elsewhere").write_text("x")
    (folder / "link").symlink_to(tmp_path / "elsewhere")
    (folder / "folder").mkdir()
    for name in ("a", "b"):
        (folder / name).write_text("x")
    os.utime(folder / "a", (time.time() + 3600.0,) * 2)  # by the clock of another machine
    delete(None, lambda name: True)
    delete(folder, lambda name: name not in ("b", "CACHEDIR.TAG"))
    assert names_in(folder) == {"CACHEDIR.TAG", "link", "folder", "b"}
    delete(folder, lambda name: name == "b", older_s=3600.0)
    assert "b" in names_in(folder)
    os.utime(folder / "b", (1, 1))
    delete(folder, lambda name: name == "b", older_s=3600.0)
    assert "b" not in names_in(folder)
    (folder / "c").write_text("x")
    (folder / "CACHEDIR.TAG").write_text("theirs")
    delete(folder, lambda name: True)
    assert "c" in names_in(folder)
    delete(tmp_path / "gone", lambda name: True)
    assert names_in(tmp_path / "gone") == names_in(None) == set()
