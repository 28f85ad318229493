"""What is rendered, what is done already, and what a run says of each file: on jobs written down."""

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from greystep.correct import dng_from_raw, jobs, record, render
from greystep.correct.jobs import Job, carried_neutral, is_finished
from greystep.correct.record import Finished, NotOursError
from greystep.errors import FrameError, GreystepError
from greystep.raw.dng import ColourTags

TAGS = ColourTags(np.eye(3), illuminant_1=17)


def job(folder: Path, name: str = "f", **more: Any) -> Job:
    usual: dict[str, Any] = {
        "frame": f"{name}.dng", "body": "X", "source": folder / f"{name}.dng", "mark": "mark",
        "target": folder / "tiff" / f"{name}.tif", "gains": np.array([1.25, 1.0, 0.8]),
        "neutral": np.array([0.5, 1.0, 0.6]), "stops": 0.5, "developed": np.eye(3), "space": "lin_rec709",
    }  # fmt: skip
    return Job(**usual | more)


def test_the_neutral_that_a_copy_carries_is_the_frames_own(tmp_path: Path) -> None:
    assert carried_neutral(job(tmp_path)) == pytest.approx((0.4, 1.0, 0.75))
    assert carried_neutral(job(tmp_path, gains=np.array([2.5, 2.0, 1.6]))) == pytest.approx((0.4, 1.0, 0.75))


def test_a_mark_changes_with_all_that_makes_another_file(tmp_path: Path) -> None:
    (tmp_path / "f.dng").write_bytes(b"raw")
    one = job(tmp_path)
    changed = [
        {"gains": np.array([1.25, 1.0, 0.81])}, {"stops": 0.6}, {"neutral": np.array([0.5, 1.0, 0.61])},
        {"developed": 2.0 * np.eye(3)}, {"space": "lin_ap0"}, {"known": TAGS},
    ]  # fmt: skip

    def marks(form: str) -> list[str]:
        return [jobs._mark(other, tmp_path, form) for other in (one, *(replace(one, **more) for more in changed))]

    tiff, dng = marks("tiff"), marks("dng")
    assert [tiff.count(mark) for mark in tiff] == [2, 1, 1, 1, 1, 1, 2], "of the camera's colour a picture knows all"
    assert [dng.count(mark) for mark in dng] == [3, 1, 1, 1, 3, 3, 1], "a copy has no working space"
    assert not set(tiff) & set(dng)
    assert {len(mark) for mark in (*tiff, *dng)} == {32}
    assert jobs._mark(one, tmp_path, "exr") not in tiff
    (tmp_path / "f.dng").write_bytes(b"another raw")
    assert jobs._mark(one, tmp_path, "tiff") != tiff[0]


def test_a_frame_is_finished_with_the_same_settings_and_the_file_as_it_was_left(tmp_path: Path) -> None:
    one = job(tmp_path)
    one.target.parent.mkdir()
    one.target.write_bytes(b"picture")
    state = one.target.stat()
    entry = Finished("f.dng", "mark", state.st_size, state.st_mtime_ns)
    assert is_finished(one, tmp_path, {"tiff/f.tif": entry})
    assert not is_finished(one, tmp_path, {})
    for other in (replace(entry, frame="g.dng"), replace(entry, mark="other"), replace(entry, size=3)):
        assert not is_finished(one, tmp_path, {"tiff/f.tif": other})
    one.target.unlink()
    assert not is_finished(one, tmp_path, {"tiff/f.tif": entry})


# --- a run ------------------------------------------------------------------------------------------------------------


def run(folder: Path, monkeypatch: pytest.MonkeyPatch, outcomes: dict[str, Any], **more: Any) -> tuple[Any, list[Any]]:
    """Render frames of which some are finished (None), not ours (False), or come to something."""
    todo = [job(folder, name) for name in outcomes]
    said: list[Any] = []
    checked: list[Path] = []
    monkeypatch.setattr(render, "jobs_of", lambda *_: todo)
    monkeypatch.setattr(render, "is_finished", lambda one, *_: outcomes[one.target.stem] is None)
    monkeypatch.setattr(render, "is_ours", lambda target, *_: outcomes[target.stem] is not False)
    monkeypatch.setattr(render, "check_target", checked.append)
    monkeypatch.setattr(render, "_needed", lambda jobs, form: said.append([one.frame for one in jobs]))
    monkeypatch.setattr(render, "check_room", lambda folder, needed: None)
    monkeypatch.setattr(render, "carry_over", lambda folder, kept, run: said.append([path.stem for path in kept]))
    monkeypatch.setattr(render, "settle", lambda folder: said.append("settled"))
    monkeypatch.setattr(render, "_worked", lambda jobs, *_: ((one, outcomes[one.target.stem]) for one in jobs))
    ingested: Any = SimpleNamespace(settings=SimpleNamespace(path=folder))
    corrections: Any = None
    found = render._rendered(
        ingested, corrections, folder, "tiff", lambda *done: said.append(done), more.get("force", False)
    )
    assert checked == [one.target for one in todo], "no target may be a raw frame by another name"
    return found, said


def test_what_is_done_stays_and_what_is_not_ours_is_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    outcomes = {"a": None, "b": 0.25, "c": False, "d": NotOursError("d"), "e": FrameError("e.dng: damaged")}
    found, said = run(tmp_path, monkeypatch, outcomes)
    assert [(one.frame, one.file, str(one.state)) for one in found.files] == [
        ("a.dng", "tiff/a.tif", render.State.KEPT), ("b.dng", "tiff/b.tif", render.State.WRITTEN),
        ("c.dng", "tiff/c.tif", render.State.NOT_OURS), ("d.dng", "tiff/d.tif", render.State.NOT_OURS),
        ("e.dng", "tiff/e.tif", render.State.FAILED),
    ]  # fmt: skip
    assert found.messages[0] == "e.dng: damaged"
    assert found.messages[1].startswith("1 of 1 files: up to 25.0 %")
    assert said == [["b.dng", "d.dng", "e.dng"], ["a", "c"], (2, 5), (3, 5), (4, 5), (5, 5), "settled"]
    forced, said = run(tmp_path, monkeypatch, {"a": None, "c": False}, force=True)
    assert said[:2] == [["c.dng"], ["a"]]
    assert [str(one.state) for one in forced.files] == [render.State.KEPT, render.State.WRITTEN]


def test_a_run_without_a_frame_or_with_none_that_can_be_rendered_is_an_error(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with pytest.raises(GreystepError, match="no frame has a correction, so there is nothing to render"):
        run(tmp_path, monkeypatch, {})
    lost = {"a": FrameError("a.dng: damaged"), "b": FrameError("b.dng: damaged")}
    with pytest.raises(GreystepError, match=r"none of 2 frames can be rendered; the first: a\.dng: damaged"):
        run(tmp_path, monkeypatch, lost)


def test_the_matrices_of_a_dng_that_is_made() -> None:
    """The library's are for daylight of 6500 K, 21; a file's under the lights that it names."""
    other = replace(TAGS, matrix_2=2.0 * np.eye(3), illuminant_2=23)
    assert [code for code, _ in dng_from_raw._matrices(TAGS)] == [17]
    assert [code for code, _ in dng_from_raw._matrices(replace(TAGS, source="library"))] == [21]
    assert [(code, matrix[0, 0]) for code, matrix in dng_from_raw._matrices(other)] == [(17, 1.0), (23, 2.0)]


def test_names_below_a_folder_have_slashes(tmp_path: Path) -> None:
    assert record.below(tmp_path / "tiff" / "f.tif", tmp_path) == "tiff/f.tif"
