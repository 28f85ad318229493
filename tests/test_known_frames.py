"""Files that would lie among raw frames, or are one by another name, are known by look-up and refused."""

import os
from pathlib import Path

import pytest

from greystep import files
from greystep.errors import GreystepError


def test_a_write_is_checked_as_fast_after_many_sessions(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    looks: list[object] = []
    monkeypatch.setattr(
        os, "stat", lambda path, *more, looked=os.stat, **how: looks.append(path) or looked(path, *more, **how)
    )
    counted = []
    for known in (1, 100):
        for place in range(known):
            (tmp_path / f"{place}").mkdir(exist_ok=True)
            files.keep_out(tmp_path / f"{place}")
        looks.clear()
        files.check_target(tmp_path / "a.csv")
        counted.append(len(looks))
    assert counted[0] == counted[1]


def test_frames_are_known_by_another_name_too(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A folder that is mounted twice, and a hard link."""
    frames, mounted = tmp_path / "frames", tmp_path / "mounted"
    for folder in (frames, mounted):
        folder.mkdir()
    frame = frames / "f1.dng"
    frame.write_bytes(b"raw")
    os.link(frame, tmp_path / "a.csv")
    files.keep_out(frames, [frame])
    with pytest.raises(GreystepError, match=r"is the raw file .*f1\.dng under another name"):
        files.check_target(tmp_path / "a.csv")
    files.check_target(mounted / "b.csv")
    identity = files._identity
    monkeypatch.setattr(files, "_identity", lambda path: identity(frames if path == mounted else path))
    with pytest.raises(GreystepError, match="lies in the folder of the raw frames"):
        files.check_target(mounted / "b.csv")
    frames.rename(tmp_path / "elsewhere")  # what bears its number now may be another
    monkeypatch.undo()
    files.check_target(tmp_path / "elsewhere" / "c.csv")
