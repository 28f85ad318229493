"""What is kept of a frame is used only for the same bytes, the same patch and the same way of measuring."""

import json
import os
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from greystep.measure.reading import MEASURE_VERSION, Reading
from greystep.measure.target import Target, fixed_target
from greystep.session import cache as kept
from greystep.session import cache_folder, workers
from greystep.session.cache_folder import fingerprint, forget_others, open_cache
from greystep.session.raw_files import start_of
from greystep.session.workers import Crew

HERE, THERE = fixed_target((0.2, 0.2, 0.6, 0.6)), fixed_target((0.2, 0.2, 0.6, 0.7))


@pytest.fixture
def run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[[Target], list[str]]:
    """Measure one file by a stand-in; return the names that were measured rather than recalled."""
    (tmp_path / "a.dng").write_bytes(b"raw")

    def measure(target: Target) -> list[str]:
        done: list[str] = []

        def one(path: Path, *_: object) -> Reading:
            done.append(path.name)
            return Reading(height=3, width=4, surround=np.eye(2))

        monkeypatch.setattr(kept, "measure_frame", one)
        monkeypatch.setattr(workers, "needs_library", lambda path: False)  # the stand-in is of this process
        folder = open_cache(tmp_path / "s", tmp_path)
        prints = {"a.dng": fingerprint("a.dng", start_of(tmp_path / "a.dng"))}
        with Crew() as crew:
            readings = kept.measure(tmp_path, {"a.dng": target}, kept.recall(folder, prints), folder, prints, crew)
        assert readings["a.dng"].width == 4
        return done

    return measure


def test_a_reading_is_recalled_for_the_same_patch_alone(run: Callable[[Target], list[str]]) -> None:
    assert [run(target) for target in (HERE, HERE, THERE, THERE, HERE)] == [["a.dng"], [], ["a.dng"], [], ["a.dng"]]


def test_another_way_of_measuring_measures_again(
    run: Callable[[Target], list[str]], monkeypatch: pytest.MonkeyPatch
) -> None:
    run(HERE)
    monkeypatch.setattr(cache_folder, "MEASURE_VERSION", MEASURE_VERSION + 1)
    assert run(HERE) == ["a.dng"]


def test_other_bytes_of_the_same_size_and_time_are_another_file(tmp_path: Path) -> None:
    path = tmp_path / "a.dng"
    marks = []
    for content in (b"one", b"two"):
        path.write_bytes(content)
        os.utime(path, (1, 1))
        marks.append(fingerprint("a.dng", start_of(tmp_path / "a.dng")))
    assert marks[0] != marks[1]


def test_an_entry_that_was_changed_is_not_believed(run: Callable[[Target], list[str]], tmp_path: Path) -> None:
    run(HERE)
    (entry,) = tmp_path.rglob("*.json")
    content = json.loads(entry.read_text())
    content["entry"]["reading"]["height"] = 7
    entry.write_text(json.dumps(content))
    assert run(HERE) == ["a.dng"]


def test_only_what_has_the_form_of_an_entry_and_is_no_longer_wanted_is_deleted(tmp_path: Path) -> None:
    folder = open_cache(tmp_path, None)
    assert folder is not None
    wanted, gone = "a" * 32, "b" * 32
    foreign = ["notes.txt", "letter.json", "picture.npy", f"{gone}.txt", f".{gone}.json.12345678.part"]
    entries = [f"{wanted}.json", f"{wanted}.{'0' * 16}.npy", f"{gone}.json", f"{gone}.{'0' * 16}.npy"]
    for name in (*foreign, *entries):
        (folder / name).write_text("x")
    (folder / f"{'c' * 32}.json").mkdir()
    forget_others(folder, [wanted])
    left = {path.name for path in folder.iterdir()}
    assert left == {"CACHEDIR.TAG", *foreign, *entries[:2], f"{'c' * 32}.json"}
    old = folder / f".{gone}.json.12345678.part"
    os.utime(old, (1, 1))  # unfinished for long: of no run that still works
    forget_others(folder, [wanted])
    assert not old.exists()
    (folder / "CACHEDIR.TAG").write_text("another's")
    forget_others(folder, [])
    assert (folder / entries[0]).exists()
