"""What is kept of frames between runs, on stand-ins for what measures: what is asked for again, and what is not."""

from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from greystep.errors import FrameError, GreystepError
from greystep.files import keep_out
from greystep.flags import Flag
from greystep.measure.reading import Reading
from greystep.measure.target import Target, fixed_target
from greystep.raw.exposure import Exposure
from greystep.session import cache as kept
from greystep.session import pictures
from greystep.session.cache_folder import fingerprint, forget_others, open_cache, second_mark
from greystep.session.raw_files import start_of
from helpers.jpegs import pixels_of


class Now:
    """Those who work, at once and in this process; the paths that were asked for."""

    def __init__(self) -> None:
        self.asked: list[tuple[Any, ...]] = []

    def each(self, work: Callable[..., Any], tasks: Sequence[tuple[Any, ...]], light: bool = False) -> Iterator[Any]:
        for task in tasks:
            self.asked.append((task[0].name, *task[1:]))
            try:
                yield work(*task)
            except FrameError as error:
                yield error


@pytest.fixture
def crew() -> Any:
    return Now()


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    found = open_cache(tmp_path, None)
    assert found is not None
    return found


HERE, THERE = fixed_target((0.2, 0.2, 0.6, 0.6)), fixed_target((0.2, 0.2, 0.6, 0.7))
PRINTS = {f"f{at}": str(at) * 32 for at in range(4)}


def test_frames_are_measured_that_are_not_known_at_their_target(
    crew: Any, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(
        kept, "measure_frame", lambda path, target, whole, told: Reading(height=5, message=f"{path.name}: odd")
    )
    sparse = Reading(corners=np.zeros((1, 12, 12)), surround=None, height=9)
    known = {"f0": (HERE, Reading(height=1)), "f1": (THERE, Reading(height=2)), "f2": (HERE, sparse)}
    steps: list[tuple[int, int]] = []
    targets: dict[str, Target | None] = dict.fromkeys(("f3", "f0", "f1", "f2"), HERE)
    recorded = {"f1": Exposure(iso=100.0), "f3": Exposure()}
    found = kept.measure(Path("card"), targets, known, folder, PRINTS, crew, recorded, lambda *done: steps.append(done))
    assert list(found) == ["f3", "f0", "f1", "f2"]
    assert [one.height for one in found.values()] == [5, 1, 5, 9]
    assert crew.asked == [("f3", HERE, False, None), ("f1", HERE, False, Exposure(iso=100.0))]
    assert steps == [(2, 4), (3, 4), (4, 4)]
    assert found["f3"].message == "f3: odd"
    again = kept.recall(folder, PRINTS)
    assert {name: (target, reading.height) for name, (target, reading) in again.items()} == {
        "f1": (HERE, 5),
        "f3": (HERE, 5),
    }
    crew.asked.clear()
    kept.measure(Path("card"), {"f2": HERE}, known, folder, PRINTS, crew, whole=True)
    assert [one[0] for one in crew.asked] == (["f2"] if sparse.sparse else [])


def test_a_frame_that_fails_is_told_by_its_path_and_not_kept_where_it_is_to_be_copied(
    crew: Any, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(path: Path, *_: object) -> Reading:
        raise FrameError(f"{path.name}: the decoder stopped; copy it")

    monkeypatch.setattr(kept, "measure_frame", fails)
    prints = {"day/f0": "0" * 32}
    found = kept.measure(Path("card"), {"day/f0": HERE}, {}, folder, prints, crew, {"day/f0": Exposure(iso=200.0)})
    reading = found["day/f0"]
    assert reading.message == "day/f0: the decoder stopped; copy it"
    assert reading.exposure.iso == 200.0
    assert reading.flags == (Flag.UNREADABLE,)
    assert kept.recall(folder, prints) == {}
    assert kept.is_to_copy(Reading(flags=(Flag.CLIPPED, Flag.DAMAGED)))
    assert not kept.is_to_copy(Reading(flags=(Flag.CLIPPED,)))


def test_exposure_data_are_read_of_what_is_not_known_by_one_thread(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[Any] = []

    class Holds(Now):
        def each(self, work: Any, tasks: Any, light: bool = False) -> Iterator[Any]:
            asked.append((work, tasks, light))
            yield from (Exposure(iso=200.0), FrameError("lost"))

    crew: Any = Holds()
    known = {"b": (HERE, Reading(Exposure(iso=100.0)))}
    found = kept.exposures(Path("card"), ["a", "b", "c"], known, crew)
    assert list(found.items()) == [("a", Exposure(iso=200.0)), ("b", Exposure(iso=100.0)), ("c", Exposure())]
    assert asked == [(kept.exposure_of, [(Path("card/a"),), (Path("card/c"),)], True)], "they hold the lock"


def test_the_target_is_sought_once_for_the_same_frames(
    crew: Any, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(kept, "overview_of", lambda path: path.name)
    calls: list[list[str]] = []

    def find(pictures: Sequence[Any]) -> Target | None:
        calls.append(list(pictures))
        return HERE

    for _ in range(2):
        assert kept.find_once(Path("card"), ["f0", "f1"], find, folder, PRINTS, crew) == (HERE, "")
    assert calls == [["f0", "f1"]]
    kept.find_once(Path("card"), ["f0", "f2"], find, folder, PRINTS, crew)
    assert calls == [["f0", "f1"], ["f0", "f2"]]
    kept.forget_target(["f0", "f1"], {"f0": Reading(), "f1": Reading(flags=(Flag.DAMAGED,))}, folder, PRINTS)
    kept.forget_target(["f0", "f2"], {"f0": Reading(), "f2": Reading()}, folder, PRINTS)
    kept.find_once(Path("card"), ["f0", "f1"], find, folder, PRINTS, crew)
    kept.find_once(Path("card"), ["f0", "f2"], find, folder, PRINTS, crew)
    assert calls[2:] == [["f0", "f1"]], "the one whose frame is to be copied was forgotten"


def test_moved_targets_are_measured_where_they_stand_with_an_entry_of_their_own(
    crew: Any, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(kept, "overview_of", lambda path: path.name)
    monkeypatch.setattr(kept, "find_again", lambda picture, target: THERE if picture == "f1" else None)
    monkeypatch.setattr(kept, "measure_frame", lambda path, target, whole, told: Reading(height=7))
    found = kept.measure_again(Path("card"), {"f0": HERE, "f1": HERE}, folder, PRINTS, crew)
    assert {name: one.height for name, one in found.items()} == {"f1": 7}
    crew.asked.clear()
    kept.measure_again(Path("card"), {"f1": HERE}, folder, PRINTS, crew)
    assert crew.asked == [], "both are kept"
    forget_others(folder, [PRINTS["f1"]])
    kept.measure_again(Path("card"), {"f1": HERE}, folder, PRINTS, crew)
    assert crew.asked == []
    assert second_mark("") == ""


def test_pictures_are_drawn_once_for_each_look(crew: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = open_cache(tmp_path / "s", tmp_path)
    (tmp_path / "f0").write_bytes(b"raw")
    monkeypatch.setattr(pictures, "look_of", lambda path: np.ones((2, 2, 3)))
    draw = {"f0": lambda linear: (linear * 7).astype(np.uint8)}
    mark = fingerprint("f0", start_of(tmp_path / "f0"))

    def drawn(look: str) -> int:
        crew.asked.clear()
        found = pictures.pictures_of(tmp_path, draw, folder, {"f0": mark}, {"f0": look}, crew)
        assert (pixels_of(found["f0"].jpeg(256)) == 7).all()
        return len(crew.asked)

    assert (drawn("a"), drawn("a")) == (1, 1), "beside no reading none is kept"
    kept._keep_json(folder, mark, kept._Kept(HERE, Reading()))
    assert (drawn("a"), drawn("a"), drawn("b"), drawn("b"), drawn("a")) == (1, 0, 1, 0, 1)
    monkeypatch.setattr(pictures, "look_of", lambda path: FrameError("no"))
    assert pictures.pictures_of(tmp_path, draw, folder, {"f0": mark}, {"f0": "c"}, crew) == {}


def test_what_is_kept_is_read_without_a_thread_for_each_of_thousands(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    kept._keep_json(folder, PRINTS["f0"], kept._Kept(HERE, Reading(height=3)))
    mark = f"{PRINTS['f0']}.{'0' * 16}.jpegs"
    assert pictures._keep(folder, mark, pictures.as_jpegs(np.zeros((2, 2, 3), np.uint8)))
    monkeypatch.setattr("greystep.doors.threading.Thread", None)
    assert kept.recall(folder, PRINTS)["f0"][1].height == 3
    assert pictures._load(folder, mark) is not None


def test_nobody_waits_for_the_disk_when_an_entry_is_kept(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[tuple[str, bool]] = []

    def written(path: Path, data: bytes, durable: bool = True) -> None:
        asked.append((path.name, durable))

    monkeypatch.setattr(kept, "write_bytes", written)
    kept._keep_json(folder, "m", kept._Kept(HERE))
    kept._keep_json(folder, "", kept._Kept(HERE))
    kept._keep_json(None, "m", kept._Kept(HERE))
    assert asked == [("m.json", False)]


def test_nothing_is_kept_among_raw_frames(tmp_path: Path) -> None:
    session, store = tmp_path / "card", tmp_path / "store"
    session.mkdir()
    store.mkdir()
    assert open_cache(session, store) == session / ".greystep", "from before the frames came"
    keep_out(session)
    with pytest.raises(GreystepError, match="raw frames are never written to"):
        open_cache(session, None)
    assert open_cache(session, store) == store / ".greystep"
    assert [path.name for path in session.iterdir()] == [".greystep"]
