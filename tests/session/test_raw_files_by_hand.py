"""Which files of a folder are frames, in which order they were captured, and what a camera's clock tells."""

import os
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from greystep.errors import GreystepError
from greystep.session import raw_files
from greystep.session.raw_files import capture_order, falls, frame_files, list_raw, natural_key, stack_folder, start_of
from greystep.session.settings import Settings, load_settings


def lay(folder: Path, *names: str, content: bytes = b"raw") -> Path:
    for name in names:
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(content)
    return folder


def test_raw_files_are_listed_in_natural_order_and_nothing_else_is(tmp_path: Path) -> None:
    lay(tmp_path, "f10.dng", "f2.DNG", "b/f1.nef", "f2.jpg", "f2.xmp", ".f3.dng", "~f4.dng", ".hidden/f5.dng", "dng")
    lay(tmp_path, "report/f6.dng")
    assert list_raw(tmp_path, tmp_path / "report") == ["b/f1.nef", "f2.DNG", "f10.dng"]
    assert list_raw(tmp_path) == ["b/f1.nef", "f2.DNG", "f10.dng", "report/f6.dng"]
    (tmp_path / "again").symlink_to(tmp_path)  # a link back into the tree
    assert len(list_raw(tmp_path)) == 4


def test_empty_files_and_links_to_nothing_count_where_the_log_names_them(tmp_path: Path) -> None:
    lay(tmp_path, "full.dng")
    lay(tmp_path, "empty.dng", content=b"")
    (tmp_path / "gone.dng").symlink_to(tmp_path / "nowhere.dng")
    (tmp_path / "loop.dng").symlink_to(tmp_path / "loop.dng")
    (tmp_path / "folder.dng").mkdir()
    assert list_raw(tmp_path) == ["full.dng"]
    named = {"empty.dng", "gone.dng", "loop.dng", "folder.dng"}
    assert list_raw(tmp_path, named=named) == ["empty.dng", "full.dng", "gone.dng", "loop.dng"]
    assert list_raw(tmp_path, named={"gone.dng"}) == ["full.dng", "gone.dng"]
    assert list_raw(tmp_path, named=None) == ["empty.dng", "full.dng", "gone.dng", "loop.dng"]


def test_what_cannot_be_read_stops_the_listing_and_what_vanishes_does_not(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    lay(tmp_path, "a.dng", "b.dng")
    stat = os.stat

    def refuse(error: type[OSError]) -> None:
        def of(path: Any, **more: Any) -> os.stat_result:
            if str(path).endswith("b.dng"):
                raise error(13, "Permission denied", str(path))
            return stat(path, **more)

        monkeypatch.setattr(raw_files.os, "stat", of)

    refuse(PermissionError)
    with pytest.raises(GreystepError, match=r"b\.dng: cannot be read \(Permission denied\)"):
        list_raw(tmp_path)
    refuse(FileNotFoundError)
    assert list_raw(tmp_path, named={"b.dng"}) == ["a.dng"]
    with pytest.raises(GreystepError, match="x: cannot be read"):
        raw_files._stop(PermissionError(13, "Permission denied", "x"))
    raw_files._stop(FileNotFoundError(2, "No such file", "x"))


def test_a_session_needs_a_folder_with_raw_frames(tmp_path: Path) -> None:
    settings = load_settings(tmp_path)
    with pytest.raises(GreystepError, match='no such folder; put the raw files there, or write frames = "PATH"'):
        frame_files(settings)
    (tmp_path / "frames").mkdir()
    with pytest.raises(GreystepError, match="no raw frames in it; put"):
        frame_files(settings)
    lay(tmp_path, "frames/a.jpg", "frames/b.TIF", "frames/notes")
    with pytest.raises(GreystepError, match=r"no raw frames in it \(only \.jpg, \.tif\); put"):
        frame_files(settings)
    lay(tmp_path, "frames/a.dng")
    lay(tmp_path, "frames/c.dng", content=b"")
    assert frame_files(settings) == ["a.dng"]
    assert frame_files(settings, ["c.dng"]) == ["a.dng", "c.dng"]
    assert frame_files(settings, None) == ["a.dng", "c.dng"]


def test_a_folder_of_raw_files_is_a_stack_unless_it_has_a_folder_of_frames(tmp_path: Path) -> None:
    settings: Settings = load_settings(tmp_path)
    assert stack_folder(settings) == settings, "nothing lies in it"
    lay(tmp_path, "a.dng")
    assert stack_folder(settings).frames_dir == tmp_path
    elsewhere = replace(settings, frames_dir=tmp_path / "capture")
    assert stack_folder(elsewhere) == elsewhere, "session.toml says where they are"
    (tmp_path / "frames").mkdir()
    assert stack_folder(settings) == settings


def test_numbers_in_names_go_by_value() -> None:
    names = ["f10", "f9", "F9b", "a", "f009", "\u00b2"]
    assert sorted(names, key=natural_key) == ["a", "f009", "f9", "F9b", "f10", "\u00b2"]


# --- the order of capture ---------------------------------------------------------------------------------------------


def clock(*minutes: float) -> list[str]:
    return [f"2026-03-02T{9 + int(at // 60):02d}:{int(at % 60):02d}:{round(at % 1 * 60):02d}" for at in minutes]


def numbered(*numbers: int) -> list[str]:
    return [f"DSC_{number:04d}.dng" for number in numbers]


def test_frames_are_in_the_order_of_their_clock_and_else_of_their_names() -> None:
    names = numbered(3, 1, 2)
    assert capture_order(names, clock(1, 5, 9)) == [0, 1, 2]
    assert capture_order(names, ["", "", ""]) == [1, 2, 0]
    assert capture_order(names, clock(5, 5, 5)) == [1, 2, 0], "of one time by name"
    assert capture_order(numbered(1, 2, 3), ["", *clock(9, 1)]) == [2, 0, 1], "the first goes with the next"
    assert capture_order(numbered(1, 2, 3), [*clock(9), "", *clock(1)]) == [2, 0, 1], "others with the one before"


def test_a_clock_that_was_set_back_in_mid_shoot_leaves_the_order_to_the_file_numbers() -> None:
    """Times go on but for one step back of a minute and more; numbers go on without a gap."""
    names, back = numbered(*range(1, 7)), clock(50, 51, 52, 2, 3, 4)
    assert capture_order(names, back) == [0, 1, 2, 3, 4, 5]
    by_time = [3, 4, 5, 0, 1, 2]
    assert capture_order(numbered(1, 2, 3, 8, 9, 10), back) == [0, 1, 2, 3, 4, 5], "a few were deleted"
    assert capture_order(numbered(1, 2, 3, 9, 10, 11), back) == by_time, "another card, perhaps"
    assert capture_order(["A_1.dng", *names[1:]], back)[0] == 3, "not all of one camera's names"
    second = clock(50, 51, 52, 51.5, 51.7, 51.9)
    assert capture_order(names, second) == [0, 1, 3, 4, 5, 2], "half a minute is no clock set back"
    assert capture_order(names, clock(50, 51, 50, 51, 50, 51)) == [0, 1, 2, 3, 4, 5], "twice"
    assert capture_order(numbered(*range(8)), clock(*[50, 51] * 4)) == [0, 2, 4, 6, 1, 3, 5, 7], "not three times"
    assert capture_order(names[:2], clock(50, 2)) == [1, 0], "of two frames nothing is told"
    assert capture_order(names, clock(50, 51, 52, 2, 1.8, 4)) == [4, 3, 5, 0, 1, 2], "and falls elsewhere too"


def test_a_clock_falls_by_a_minute_or_more() -> None:
    assert falls(*clock(10, 9))
    assert not falls(*clock(10, 9.1))
    assert not falls(*clock(9, 10))
    assert not falls("", clock(1)[0])
    assert not falls(clock(10)[0], f"{clock(1)[0]}+01:00"), "one with and one without a zone"


def test_a_raw_file_is_known_by_its_start_and_its_size(tmp_path: Path) -> None:
    lay(tmp_path, "frames/a.dng", content=b"x" * 70_000)
    lay(tmp_path, "frames/b.dng", content=b"x" * 65_536 + b"y" * 4464)
    lay(tmp_path, "frames/c.dng", content=b"x" * 65_535)
    a, b, c = (start_of(tmp_path / "frames" / f"{name}.dng") for name in "abc")
    assert a is not None
    assert b is not None
    assert c is not None
    assert (a.sha256, a.size) == (b.sha256, b.size)
    assert a.size == 70_000
    assert c.sha256 != a.sha256
    assert start_of(tmp_path / "frames" / "bad\0name") is None


def test_a_folder_that_cannot_be_read_is_an_error_and_one_that_has_gone_is_none(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("a", "b"):
        (tmp_path / name).mkdir()
        (tmp_path / name / "f.dng").write_bytes(b"raw")
    scan = os.scandir
    closed: list[OSError] = [PermissionError(13, "Permission denied", str(tmp_path / "b"))]

    def scandir(path: str) -> Any:
        if str(path).endswith("b"):
            raise closed[-1]
        return scan(path)

    monkeypatch.setattr(os, "scandir", scandir)
    with pytest.raises(GreystepError, match=r"b: cannot be read \(Permission denied\), and its frames"):
        list_raw(tmp_path)
    closed.append(FileNotFoundError(2, "No such file", str(tmp_path / "b")))
    assert list_raw(tmp_path) == ["a/f.dng"]
