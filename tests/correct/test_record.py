"""The record of what was rendered, file by file."""

from pathlib import Path

import pytest

from greystep.correct import record
from greystep.errors import FrameError
from greystep.files import write_bytes


def test_the_record_is_read_once_a_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    reads: list[Path] = []
    read = record.read_file
    monkeypatch.setattr(record, "read_file", lambda path: reads.append(path) or read(path))
    for number in range(3):
        target = tmp_path / "tiff" / f"f{number}.tif"
        write_bytes(target, b"picture", record.announced(target, tmp_path, f"f{number}.dng", "mark", "run"))
    assert len(reads) == 3
    assert sorted(record.read_record(tmp_path)) == ["tiff/f0.tif", "tiff/f1.tif", "tiff/f2.tif"]


def test_a_file_of_a_killed_run_is_replaced_and_one_that_was_changed_since_is_kept(tmp_path: Path) -> None:
    target = tmp_path / "tiff" / "f.tif"
    before = record.announced(target, tmp_path, "f.dng", "mark", "run")
    write_bytes(target, b"picture", before)  # announced, and no run has settled it
    write_bytes(target, b"another", record.announced(target, tmp_path, "f.dng", "other", "next"))
    target.write_bytes(b"by hand")
    with pytest.raises(FrameError, match="was changed while"):
        write_bytes(target, b"a third", before)
    assert target.read_bytes() == b"by hand"
