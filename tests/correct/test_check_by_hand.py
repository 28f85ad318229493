"""What is left after a correction, from neutrals written down instead of files that are measured."""

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest
from numpy.typing import NDArray

from correct.test_doubts_by_hand import rows
from greystep.columns import CorrectionRow, names
from greystep.correct import check
from greystep.correct.references import Reference
from greystep.errors import FrameError
from greystep.measure.chromaticity import steps, working_space, xyz_to_upvp
from helpers.lit_frames import readings

Floats = NDArray[np.float64]
#: Camera RGB to Rec. 709 of an invented camera: a neutral of (0.5, 1, 0.7) becomes white.
DEVELOPED = np.diag([2.0, 1.0, 1.0 / 0.7])
WANTED = np.array([0.5, 1.0, 0.7])


def checked(
    monkeypatch: pytest.MonkeyPatch,
    *sources: tuple[str, str],
    matched: bool = False,
    before: Any = WANTED,
    after: Any = WANTED,
    wanted: Any = WANTED,
) -> tuple[list[Any], list[str], list[Any]]:
    """Frames f0 and so on of these sources and hubs; what each was before and after its correction."""
    asked: list[Any] = []

    def patch(job: Any, reading: Any, green: float | None, form: str) -> Any:
        asked.append((job.frame, reading.frame, green, form))
        if isinstance(after, Exception):
            raise after
        return before, after, wanted

    def shared(job: Any, hub: Any, form: str) -> Any:
        asked.append((job.frame, hub.frame, form))
        return before, after, WANTED

    monkeypatch.setattr(check, "_patch", patch)
    monkeypatch.setattr(check, "_overlap", shared)
    table = pd.DataFrame(
        [
            dict.fromkeys(names(CorrectionRow), np.nan)
            | {
                "frame": f"f{at}",
                "head": "A",
                "power": "1/1",
                "source": source,
                "via": via,
                "flags": "",
                "status": "ok",
            }
            for at, (source, via) in enumerate(sources)
        ],
        columns=list(names(CorrectionRow)),
    )
    corrections: Any = SimpleNamespace(
        space="lin_rec709", table=table, references={"X": Reference("A", (0.5, 1.0, 0.7), 8000.0, 180.0, 0.0, 0.1)}
    )
    jobs: dict[str, Any] = {
        f"f{at}": SimpleNamespace(frame=f"f{at}", body="X", target=Path(f"out/f{at}.tif"), developed=DEVELOPED)
        for at in range(len(sources)) if at != 3
    }  # fmt: skip
    ingested: Any = SimpleNamespace(readings=readings(rows([180.0] * len(sources), body="X")))
    messages: list[str] = []
    return check._checked(ingested, corrections, jobs, "tiff", matched, messages), messages, asked


def test_a_frame_is_measured_again_as_it_was_corrected(monkeypatch: pytest.MonkeyPatch) -> None:
    sources = [("patch", ""), ("overlap", "f0"), ("nearby", "f0"), ("patch", ""), ("overlap", "f9"), ("overlap", "f3")]
    found, messages, asked = checked(monkeypatch, *sources)
    assert [(one.frame, one.file, one.source, one.measured) for one in found] == [
        ("f0", "tiff/f0.tif", "patch", "patch"), ("f1", "tiff/f1.tif", "overlap", "overlap"),
        ("f2", "tiff/f2.tif", "nearby", ""), ("f4", "tiff/f4.tif", "overlap", ""), ("f5", "tiff/f5.tif", "overlap", ""),
    ]  # fmt: skip
    assert asked == [("f0", "f0", 8000.0, "tiff"), ("f1", "f0", "tiff")]
    assert messages == []
    assert np.isnan([found[2].steps_after, found[2].stops_after, found[2].white240_r]).all()
    assert checked(monkeypatch, ("patch", ""), matched=True)[2] == [("f0", "f0", None, "tiff")], "brightness too"


def test_what_is_left_is_told_in_steps_and_stops_and_as_it_is_shown(monkeypatch: pytest.MonkeyPatch) -> None:
    warm = WANTED * [1.1, 1.0, 0.9]
    (one,), *_ = checked(monkeypatch, ("patch", ""), before=warm, after=2.0 * WANTED)
    from_xyz, white = working_space("lin_rec709")
    away = steps(xyz_to_upvp(np.linalg.solve(from_xyz, [1.1, 1.0, 0.9])), xyz_to_upvp(white))
    assert one.steps_before == pytest.approx(float(away))
    assert (one.stops_before, one.stops_after) == (0.0, 1.0)
    assert one.steps_after == pytest.approx(0.0, abs=1e-9)
    shown = [getattr(one, name) for name in ("before_r", "before_g", "before_b", "after_r", "after_g", "after_b")]
    assert shown == pytest.approx([1.1, 1.0, 0.9, 2.0, 2.0, 2.0], abs=1e-6)
    assert (one.white240_r, one.white240_g, one.white240_b) == (240.0,) * 3, "brightness was not to be matched"
    (bright,), *_ = checked(monkeypatch, ("patch", ""), after=2.0 * WANTED, matched=True)
    assert (bright.white240_r, bright.white240_g, bright.white240_b) == (255.0,) * 3


def test_what_is_left_is_against_what_a_frame_was_to_become(monkeypatch: pytest.MonkeyPatch) -> None:
    (one,), *_ = checked(monkeypatch, ("patch", ""), before=WANTED / 2.0, after=WANTED, wanted=4.0 * WANTED)
    assert (one.stops_before, one.stops_after) == (-3.0, -2.0)
    assert (one.before_g, one.after_g) == pytest.approx((0.125, 0.25))
    assert (one.white240_r, one.white240_g, one.white240_b) == (240.0,) * 3


def test_a_file_that_cannot_be_measured_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    (one,), messages, _ = checked(monkeypatch, ("patch", ""), after=FrameError("f0.tif: cannot be read back"))
    assert (one.measured, messages) == ("", ["f0.tif: cannot be read back"])


def test_the_brightness_that_frames_are_held_against_is_the_references_or_their_own_middle() -> None:
    jobs: Any = {name: SimpleNamespace(body=body) for name, body in (("a", "X"), ("b", "X"), ("c", "X"), ("d", "Y"))}
    given: Any = {
        name: SimpleNamespace(signal_g=level) for name, level in zip("abcd", (1.0, 2.0, 6.0, 9.0), strict=True)
    }
    reference = Reference("5600K", (0.5, 1.0, 0.7), 8000.0, 180.0, 0.0, 0.1)
    corrections: Any = SimpleNamespace(references={"X": reference})
    assert check._level(jobs, "X", corrections, given) == 8000.0
    corrections.references["X"] = Reference("5600K", (0.5, 1.0, 0.7), float("nan"), 180.0, 0.0, 0.1)
    assert check._level(jobs, "X", corrections, given) == 2.0


@pytest.mark.parametrize("colour", [None, SimpleNamespace(as_shot_neutral=None)])
def test_a_copy_without_its_neutral_is_told(monkeypatch: pytest.MonkeyPatch, colour: Any) -> None:
    job: Any = SimpleNamespace(target=Path("dng/f.dng"))
    monkeypatch.setattr(check, "open_frame", lambda _: SimpleNamespace(colour=colour))
    with pytest.raises(FrameError, match=r"dng/f.dng: has lost its neutral"):
        check._neutral(job)
    whole = SimpleNamespace(as_shot_neutral=(0.5, 1.0, 0.7))
    monkeypatch.setattr(check, "open_frame", lambda _: SimpleNamespace(colour=whole))
    assert check._neutral(job) == (0.5, 1.0, 0.7)
