"""The steps of rendering, each by itself: what is to be made, how one frame is, and two at a time."""

import threading
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from greystep.columns import CorrectionRow, names
from greystep.correct import jobs, render
from greystep.correct.images import Origin
from greystep.errors import FrameError, GreystepError
from greystep.raw.exposure import Exposure

GAINS, NEUTRAL = np.array([1.25, 1.0, 0.8]), np.array([0.5, 1.0, 0.6])


def job(folder: Path, stops: float = 1.0, form: str = "dng") -> Any:
    return SimpleNamespace(
        frame="f.raw", source=folder / "f.raw", target=folder / form / f"f{jobs.SUFFIXES[form]}", gains=GAINS,
        known="known", neutral=NEUTRAL, stops=stops, developed="to the space", space="lin_rec709", mark="the mark",
    )  # fmt: skip


def test_a_frame_is_developed_with_its_gains_times_its_stops(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    opened = SimpleNamespace(height=4, width=6)
    monkeypatch.setattr(render, "open_frame", lambda path: opened if path == tmp_path / "f.raw" else None)
    monkeypatch.setattr(render, "developed_bands", lambda *given: given)
    found: Any = render.developed_frame(job(tmp_path))
    assert (found.height, found.width) == (4, 6)
    frame, factors, neutral, developed = found.bands
    assert factors == pytest.approx(2.0 * GAINS)
    assert (frame, neutral is NEUTRAL, developed) == (opened, True, "to the space")


def test_an_image_keeps_what_its_raw_file_recorded(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    exposure = Exposure(iso=200.0)
    monkeypatch.setattr(render, "read_exposure", lambda path: exposure if path == tmp_path / "f.raw" else None)
    monkeypatch.setattr(render, "owner_texts", lambda path: {315: path.name})
    assert render.origin_of(job(tmp_path)) == Origin("f.raw", exposure, "lin_rec709", "linear Rec.709", {315: "f.raw"})


@pytest.mark.parametrize("dng", [True, False])
def test_a_copy_is_made_of_a_dng_and_a_dng_of_another_raw_file(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, dng: bool
) -> None:
    one, written = job(tmp_path), list[Any]()
    one.source.write_bytes(b"raw")
    copy = b"a copy" if dng else None
    monkeypatch.setattr(render, "announced", lambda *given: ("enter", *given))
    monkeypatch.setattr(render, "carried_neutral", lambda given: "the neutral" if given is one else None)
    monkeypatch.setattr(
        render, "corrected_copy", lambda *given: copy if given == ("f.raw", b"raw", "the neutral", 1.0) else b"wrong"
    )
    monkeypatch.setattr(
        render, "dng_from_raw", lambda *given: b"made" if given == (one.source, "the neutral", 1.0, "known") else b""
    )
    monkeypatch.setattr(render, "write_bytes", lambda *given: written.append(given))
    assert render._one(one, "dng", tmp_path, "the run", True) == 0.0
    enter = ("enter", one.target, tmp_path, "f.raw", "the mark", "the run", True)
    assert written == [(one.target, b"a copy" if dng else b"made", enter)]
    one.source.unlink()
    with pytest.raises(FrameError, match=r"f\.raw: cannot be read \(No such file"):
        render._one(one, "dng", tmp_path, "the run", True)


def test_an_image_is_written_with_its_origin(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    one = job(tmp_path, form="tiff")
    monkeypatch.setattr(render, "announced", lambda *given: "enter")
    monkeypatch.setattr(render, "developed_frame", lambda given: "developed")
    monkeypatch.setattr(render, "origin_of", lambda given: "origin")
    monkeypatch.setattr(
        render, "write_image", lambda *given: 0.25 if given == (one.target, "developed", "origin", "enter") else 0.0
    )
    assert render._one(one, "tiff", tmp_path, "the run", False) == 0.25


def test_two_frames_are_rendered_at_a_time_and_what_fails_is_told(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """The first waits for the second: one alone would never end. A third fails and the rest goes on."""
    second, asked = threading.Event(), list[str]()

    def one(given: Any, form: str, folder: Path, run: str, force: bool) -> float:
        asked.append(given)
        assert (form, folder, run, force) == ("tiff", tmp_path, "the run", True)
        if given == "a":
            assert second.wait(20.0)
            return 0.1
        second.set()
        if given == "c":
            raise FrameError("c: damaged")
        return 0.2

    monkeypatch.setattr(render, "_one", one)
    todo: Any = ["a", "b", "c", "d"]
    found = {str(given): str(outcome) for given, outcome in render._worked(todo, "tiff", tmp_path, "the run", True)}
    assert found == {"a": "0.1", "b": "0.2", "c": "c: damaged", "d": "0.2"}
    assert sorted(asked) == todo


def test_a_frame_is_told_as_soon_as_it_is_done_and_one_that_cannot_be_written_ends_the_run(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    told, begun = threading.Event(), list[str]()

    def one(given: Any, *_: object) -> float:
        begun.append(given)
        if given == "b":
            assert told.wait(20.0), "a is told while b is still rendered"
        if given == "c":
            raise GreystepError("the disk is full")
        return 0.0

    monkeypatch.setattr(render, "_one", one)
    todo: Any = list("abcdefgh")
    work = render._worked(todo, "tiff", tmp_path, "the run", True)
    assert next(work)[0] == "a"
    told.set()
    with pytest.raises(GreystepError, match="the disk is full"):
        list(work)
    assert len(begun) < 6, "the rest is not begun"


@pytest.mark.parametrize("form", ["dng", "tiff", "exr"])
def test_the_library_of_exr_files_is_asked_for_before_anything_is_done(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, form: str
) -> None:
    def missing() -> None:
        raise GreystepError("it is not installed")

    monkeypatch.setattr(render, "exr_library", missing)
    monkeypatch.setattr(render, "jobs_of", lambda *_: [])
    given: Any = SimpleNamespace(settings=SimpleNamespace(path=tmp_path))
    with pytest.raises(GreystepError, match="it is not installed" if form == "exr" else "no frame has a correction"):
        render._rendered(given, given, tmp_path, form, None, False)


def test_a_folder_among_raw_frames_is_refused_and_one_run_at_a_time_works_in_it(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    asked: list[Any] = []
    monkeypatch.setattr(render, "check_place", lambda settings, folder: asked.append((settings, folder)))
    monkeypatch.setattr(render, "_rendered", lambda *given: given)
    ingested: Any = SimpleNamespace(settings="settings")
    corrections: Any = "corrections"
    found: Any = render.render_frames(ingested, corrections, tmp_path, "exr", None, True)
    assert asked == [("settings", tmp_path), ("settings", tmp_path / "exr")]
    assert found == (ingested, "corrections", tmp_path, "exr", None, True)
    usual: Any = render.render_frames(ingested, corrections, tmp_path, "exr")
    assert usual[4:] == (None, False), "what somebody changed is kept unless it is asked for"


def test_a_job_is_a_frame_with_all_that_its_file_needs(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    blank = dict.fromkeys(names(CorrectionRow), np.nan) | dict.fromkeys(
        ("head", "power", "source", "status", "via"), ""
    )
    rows = [
        blank | {"frame": f"day/{name}.dng", "flags": "", "gain_r": 1.1 + at, "gain_g": 1.0, "gain_b": 0.9,
                 "exposure_stops": 0.5 * at}
        for at, name in enumerate(("a", "b", "c"))
    ]  # fmt: skip
    bodies = {"One": SimpleNamespace(tags="tags of One")}
    readings = pd.DataFrame({"frame": [row["frame"] for row in rows], "body": ["One", "Two", "Two"]})
    ingested: Any = SimpleNamespace(readings=readings, bodies=bodies, settings=SimpleNamespace(frames_dir=tmp_path))
    corrections: Any = SimpleNamespace(
        table=pd.DataFrame(rows), matrices={"day/a.dng": 1, "day/c.dng": 1}, space="lin_ap1",
        references={"One": SimpleNamespace(neutral=(0.5, 1.0, 0.6)), "Two": SimpleNamespace(neutral=(0.4, 1.0, 0.7))},
        developed={"One": np.eye(3), "Two": 2.0 * np.eye(3)},
    )  # fmt: skip
    monkeypatch.setattr(jobs, "_mark", lambda one, frames, form: f"mark of {one.frame} as {form} in {frames.name}")
    first, last = jobs.jobs_of(ingested, corrections, Path("out"), "exr")
    assert (first.frame, first.body, first.source) == ("day/a.dng", "One", tmp_path / "day/a.dng")
    assert (first.target, first.space, first.known) == (Path("out/exr/a.exr"), "lin_ap1", "tags of One")
    assert first.mark == f"mark of day/a.dng as exr in {tmp_path.name}"
    assert (first.gains.tolist(), first.neutral.tolist(), first.stops) == ([1.1, 1.0, 0.9], [0.5, 1.0, 0.6], 0.0)
    assert (last.frame, last.body, last.known, last.stops) == ("day/c.dng", "Two", None, 1.0)
    assert (last.gains[0], last.neutral.tolist(), last.developed[0, 0]) == (3.1, [0.4, 1.0, 0.7], 2.0)
