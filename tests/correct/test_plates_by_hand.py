"""PLATES.csv: which frame a row means, and what each is multiplied with."""

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from greystep.correct import plates as module
from greystep.correct.plates import Plate, add_plates, read_plates
from greystep.errors import FaultsError, GreystepError

FRAMES = ["a/f1.dng", "b/f1.dng", "b/f2.dng"]


def plates(folder: Path, *rows: str) -> list[tuple[str, float]]:
    (folder / "PLATES.csv").write_text("plate;gain;stops\n" + "\n".join(rows) + "\n")
    return [(one.frame, one.factor) for one in read_plates(folder / "PLATES.csv", FRAMES)]


def test_a_plate_is_named_as_plainly_as_it_may_be(tmp_path: Path) -> None:
    assert plates(tmp_path, "f2;;", "f2.dng;2;", "b/f2.dng;;-1", "a/f1.dng;0,5;1", "f2;0;20") == [
        ("b/f2.dng", 1.0), ("b/f2.dng", 2.0), ("b/f2.dng", 0.5), ("a/f1.dng", 1.0), ("b/f2.dng", 0.0),
    ]  # fmt: skip


def test_the_column_of_a_plate_may_be_named_frame(tmp_path: Path) -> None:
    (tmp_path / "PLATES.csv").write_text("frame;gain\nb/f2.dng;2\n")
    assert [(one.frame, one.factor) for one in read_plates(tmp_path / "PLATES.csv", FRAMES)] == [("b/f2.dng", 2.0)]


def test_what_names_no_frame_or_two_is_told_with_its_row(tmp_path: Path) -> None:
    with pytest.raises(FaultsError) as caught:
        plates(tmp_path, "f1;;", "f3.dng;;", "zzzz;;", "f2;;21", "f2;-1;")
    start = "row {}: plate '{}' "
    assert list(caught.value.faults) == [
        start.format(2, "f1") + "names 2 frames; give its folder too",
        start.format(3, "f3.dng") + "is no frame to add; did you mean b/f2.dng?",
        start.format(4, "zzzz") + "is no frame to add; name a frame that has a correction",
        'row 5: stops "21": out of range; write stops from -20 to 20, such as -1',
        'row 6: gain "-1": out of range; write a factor of light up to 1e6, such as 0.5',
    ]


def test_so_many_plates_at_most(tmp_path: Path) -> None:
    assert len(plates(tmp_path, *["f2;;"] * 100)) == 100
    with pytest.raises(GreystepError, match="101 plates; add 100 at most"):
        plates(tmp_path, *["f2;;"] * 101)


def test_plates_without_a_correction_and_of_two_cameras_are_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    jobs = [SimpleNamespace(frame=f"f{number}", body=f"body {number}") for number in (1, 2)]
    monkeypatch.setattr(module, "jobs_of", lambda *_: jobs)
    monkeypatch.setattr(module, "check_place", lambda *_: None)

    def add(*frames: str, form: str = "tiff") -> None:
        session: Any = SimpleNamespace(settings=None)
        add_plates(session, session, [Plate(frame, 1.0) for frame in frames], tmp_path, form)

    with pytest.raises(GreystepError, match=r"^f3: has no correction"):
        add("f1", "f3", "f4")
    with pytest.raises(GreystepError, match=r"^plates of 2 cameras"):
        add("f1", "f2", "f1")
    with pytest.raises(GreystepError, match=r"^--as dng: plates are added as developed"):
        add("f1", form="dng")
