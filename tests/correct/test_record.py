"""The record of what was rendered, file by file."""

import hashlib
import json
import os
from dataclasses import replace
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
    found = record.read_record(tmp_path)
    assert sorted(found) == ["tiff/f0.tif", "tiff/f1.tif", "tiff/f2.tif"]
    state = (tmp_path / "tiff/f1.tif").stat()
    checksum = hashlib.sha256(b"picture").hexdigest()
    assert found["tiff/f1.tif"] == record.Finished("f1.dng", "mark", 7, state.st_mtime_ns, checksum, "run")


def test_a_file_of_a_killed_run_is_replaced_and_one_that_was_changed_since_is_kept(tmp_path: Path) -> None:
    target = tmp_path / "tiff" / "f.tif"
    before = record.announced(target, tmp_path, "f.dng", "mark", "run")
    write_bytes(target, b"picture", before)  # announced, and no run has settled it
    write_bytes(target, b"another", record.announced(target, tmp_path, "f.dng", "other", "next"))
    target.write_bytes(b"by hand")
    with pytest.raises(FrameError, match="was changed while"):
        write_bytes(target, b"a third", before)
    assert target.read_bytes() == b"by hand"


def rendered(folder: Path, name: str, run: str, content: bytes = b"picture") -> Path:
    target = folder / name
    write_bytes(target, content, record.announced(target, folder, f"{target.stem}.dng", "mark", run, force=True))
    return target


def test_a_file_may_be_replaced_where_there_is_none_or_it_is_as_it_was_left(tmp_path: Path) -> None:
    target = rendered(tmp_path, "tiff/f.tif", "run")
    known = record.read_record(tmp_path)
    assert known["tiff/f.tif"].run == "run"

    def ours(name: str = "tiff/f.tif") -> bool:
        return record.is_ours(tmp_path / name, tmp_path, known)

    assert ours()
    assert ours("tiff/none.tif")
    os.utime(target, (1, 1))
    assert ours(), "of the same content, whatever its time"
    target.write_bytes(b"PICTURE")
    assert not ours(), "of the same size"
    target.write_bytes(b"other")
    assert not ours()
    (tmp_path / "tiff/foreign.tif").write_bytes(b"x")
    assert not ours("tiff/foreign.tif")
    target.unlink()
    target.symlink_to(target)
    assert not ours(), "a link in a loop"
    target.unlink()
    target.mkdir()
    state = target.stat()
    known["tiff/f.tif"] = replace(known["tiff/f.tif"], size=state.st_size, mtime_ns=state.st_mtime_ns)
    assert not ours(), "a folder of the same size and time"
    target.rmdir()
    (tmp_path / "kept.tif").write_bytes(b"picture")
    target.symlink_to(tmp_path / "kept.tif")
    assert not ours(), "a link to the same content"


def test_a_record_that_is_broken_is_none(tmp_path: Path) -> None:
    rendered(tmp_path, "tiff/f.tif", "run")
    path = tmp_path / record.RECORD
    whole = path.read_text()
    for broken in ("", "[]", '{"files": 5}', '{"files": {"f": {"frame": "x"}}}', "[" * 100_000):
        path.write_text(broken)
        assert record.read_record(tmp_path) == {}
    path.write_text(whole)
    assert list(record.read_record(tmp_path)) == ["tiff/f.tif"]


def test_files_that_stay_are_of_the_new_run_and_those_of_an_older_one_are_told(tmp_path: Path) -> None:
    kept, older, _ = (rendered(tmp_path, f"tiff/{name}.tif", "first") for name in "abc")
    rendered(tmp_path, "tiff/d.tif", "second")
    rendered(tmp_path, "tiff/e.tif", "second")
    rendered(tmp_path, "exr/a.exr", "first")
    rendered(tmp_path, "sum.tif", "first")
    rendered(tmp_path, "map.png", "second")  # beside the folders, and of whichever run wrote them last
    assert record.files_of_two_runs(tmp_path) == ["tiff/d.tif", "tiff/e.tif"]
    record.carry_over(tmp_path, [kept], "second")
    record.settle(tmp_path)
    assert record.files_of_two_runs(tmp_path) == ["tiff/b.tif", "tiff/c.tif"], "of one kind by itself"
    older.write_bytes(b"by hand")
    assert record.files_of_two_runs(tmp_path) == ["tiff/c.tif"], "what somebody changed is of no run"


def test_files_that_stay_leave_the_others_in_the_record_and_are_entered_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    kept, _ = (rendered(tmp_path, f"tiff/{name}.tif", "first") for name in "ab")
    record.settle(tmp_path)
    record.carry_over(tmp_path, [kept], "second")
    runs = {name: entry.run for name, entry in record.read_record(tmp_path).items()}
    assert runs == {"tiff/a.tif": "second", "tiff/b.tif": "first"}
    record.settle(tmp_path)
    wrote: list[object] = []
    monkeypatch.setattr(record, "_write_record", lambda *given: wrote.append(given))
    record.carry_over(tmp_path, [kept], "second")
    assert wrote == [], "nothing has changed"


def test_what_was_announced_and_has_not_come_stays_announced(tmp_path: Path) -> None:
    enter = record.announced(tmp_path / "tiff/f.tif", tmp_path, "f.dng", "mark", "run")
    other = tmp_path / "elsewhere"
    other.write_bytes(b"picture")
    enter(b"picture", other.stat())
    assert record.read_record(tmp_path) == {}
    record.settle(tmp_path)
    (tmp_path / "tiff").mkdir()
    (tmp_path / "tiff/f.tif").write_bytes(b"picture")
    assert list(record.read_record(tmp_path)) == ["tiff/f.tif"], "another run's file has come"
    record.settle(tmp_path)
    assert json.loads((tmp_path / record.RECORD).read_text())["coming"] == {}
