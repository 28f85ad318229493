"""When there is something new to read: files that change and then stand still, whatever their clock says."""

import os
from pathlib import Path

import pandas as pd
import pytest

from greystep.session import watch
from greystep.session.settings import Settings, load_settings
from greystep.session.watch import arrivals, changed_frames

EVERY_S = 0.005


@pytest.fixture
def session(tmp_path: Path) -> Settings:
    """A session without a frames folder yet, and with a log."""
    (tmp_path / "shots.csv").write_text("frame,head,power\nf1.dng,A,full\n", encoding="utf-8")
    return load_settings(tmp_path)


def write(session: Settings, name: str, data: bytes, second: int = 1_700_000_000) -> Path:
    """Write a raw file as a card reader or a network share does: its time has whole seconds only."""
    path = session.frames_dir / name
    path.write_bytes(data)
    os.utime(path, (second, second))
    return path


def test_a_frames_folder_that_is_still_to_come_is_waited_for(session: Settings) -> None:
    assert list(arrivals(session, EVERY_S, idle_s=0.05)) == []
    session.frames_dir.mkdir()
    write(session, "f1.dng", b"raw")
    assert len(list(arrivals(session, EVERY_S, idle_s=0.05))) == 1


def test_a_file_that_grows_within_one_second_is_read_again(session: Settings) -> None:
    session.frames_dir.mkdir()
    write(session, "f1.dng", b"ra")
    look = arrivals(session, EVERY_S)
    next(look)
    write(session, "f1.dng", b"raw")
    next(look)
    (session.path / "shots.csv").write_text("frame,head,power\nf1.dng,B,full\nf2.dng,B,full\n", encoding="utf-8")
    next(look)
    write(session, "f1.dng", b"raw").unlink()
    write(session, "f2.dng", b"raw")
    next(look)


def test_frames_in_a_linked_folder_are_seen(session: Settings, tmp_path_factory: pytest.TempPathFactory) -> None:
    card = tmp_path_factory.mktemp("card")
    (card / "f1.dng").write_bytes(b"raw")
    session.frames_dir.mkdir()
    (session.frames_dir / "card").symlink_to(card, target_is_directory=True)
    look = arrivals(session, EVERY_S)
    next(look)
    (card / "f2.dng").write_bytes(b"raw")
    next(look)


def test_what_this_tool_writes_into_a_capture_folder_is_no_frame(tmp_path: Path) -> None:
    (tmp_path / "session.toml").write_text('frames = "."\n', encoding="utf-8")
    (tmp_path / "report").mkdir()
    for name in ("a.dng", "report/b.dng"):
        (tmp_path / name).write_bytes(b"raw")
    assert [Path(name).name for name in watch._states(load_settings(tmp_path))] == ["a.dng"]


def test_nothing_new_is_nothing_to_read(session: Settings) -> None:
    session.frames_dir.mkdir()
    write(session, "f1.dng", b"raw")
    (session.frames_dir / "preview.jpg").write_bytes(b"small")
    assert len(list(arrivals(session, EVERY_S, idle_s=0.05))) == 1


def rows(*frames: tuple[str, int, str]) -> pd.DataFrame:
    return pd.DataFrame(frames, columns=["frame", "shot", "flags"])


def test_what_is_new_or_told_otherwise_comes_in_the_order_of_capture() -> None:
    table = rows(("f3", 2, ""), ("f1", 0, "clipped"), ("gone", -1, "missing"), ("f2", 1, "too_dark"))
    assert changed_frames(table, {})["frame"].tolist() == ["f1", "f2", "f3"]
    assert changed_frames(table, {"f1": "clipped", "f2": ""})["frame"].tolist() == ["f2", "f3"]
    assert changed_frames(table, {"f1": "clipped", "f2": "too_dark", "f3": ""}).empty
