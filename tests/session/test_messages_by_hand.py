"""What there is to say of frames and of a session, from a few rows that are written down."""

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd

from greystep.session.messages import (
    BodyFact,
    BodyNote,
    FarFromDaylight,
    MeterUnused,
    SessionFact,
    SeveralBodies,
    frame_faults,
    session_notes,
)
from greystep.session.settings import load_settings

NAN = np.nan


NUMBERS = (
    "exposure_s",
    "clipped_pct",
    "gradient_pct",
    "ambient_pct",
    "short_stops",
    "away_mired",
    "away_duv",
    "away_stops",
)


def flagged(*cells: str) -> pd.DataFrame:
    usual = {"frame": [f"f{at}" for at in range(len(cells))], "row": range(len(cells)), "flags": list(cells)}
    return pd.DataFrame(usual | {"head": "A", "power": "1/1", "alone": False} | dict.fromkeys(NUMBERS, 0.0))


def told(*cells: str, reasons: dict[str, str] | None = None) -> list[tuple[str, tuple[str, ...]]]:
    return [(one.flag, one.frames) for one in frame_faults(flagged(*cells), reasons or {})]


def test_a_frame_that_cannot_be_used_is_told_by_its_first_reason_and_doubts_each() -> None:
    assert told("clipped;no_flash", "uneven;near_white", "", "warm_up") == [
        ("clipped", ("f0",)), ("uneven", ("f1",)), ("near_white", ("f1",))
    ]  # fmt: skip
    assert told(*["uneven"] * 3) == [("uneven", (f"f{at}",)) for at in range(3)]
    assert told("clipped", *["uneven"] * 4) == [("clipped", ("f0",)), ("uneven", ("f1", "f2", "f3", "f4"))]
    assert told("uneven", "clipped", *["uneven"] * 3) == [("uneven", ("f0", "f2", "f3", "f4")), ("clipped", ("f1",))]
    assert len(told(*["clipped"] * 12)) == 12
    assert len(told(*["clipped"] * 13)) == 1
    assert len(told(*["missing"] * 4)) == 1


def test_frames_with_the_same_remedy_share_a_fact() -> None:
    reasons = {f"f{at}": f"f{at}: cannot be opened; {'copy it' if at < 13 else 'convert it'}" for at in range(14)}
    found = frame_faults(flagged(*["unreadable"] * 14), reasons)
    assert [len(one.flagged) for one in found] == [13, 1]
    assert found[0].flagged[0].reason == "cannot be opened; copy it"
    assert (found[0].flagged[0].remedy, found[1].flagged[0].remedy) == ("copy it", "convert it")
    assert frame_faults(flagged("clipped"), {"f0": "f0: no; never"})[0].flagged[0].reason == ""


def notes_of(folder: Path, bodies: dict[str, Any], toml: str = "", **more: Any) -> tuple[Any, ...]:
    (folder / "session.toml").write_text(toml)
    usual: dict[str, Any] = {
        "kind": ["ambient", "flash"], "flags": "", "room": -1, "body": "X", "status": "ok", "mired": 180.0,
        "cct_k": 5555.0, "head": "A", "power": "1/1", "frame": ["f0", "f1"], "f_number": 11.0, "iso": 100.0,
        "shot": [0, 1], "captured": "now",
    }  # fmt: skip
    return session_notes(load_settings(folder), pd.DataFrame(usual | more), bodies, {"X": "head B at 1/1"})


def body(**more: Any) -> Any:
    usual: dict[str, Any] = {"anchored": True, "matrix": np.eye(3), "has_serial": True, "colour_from": "dng",
                             "tags": SimpleNamespace(unused=())}  # fmt: skip
    return SimpleNamespace(**usual | more)


REPLACED = BodyNote(BodyFact.REFERENCE_REPLACED, "X", "head B at 1/1")


def test_notes_on_the_session_by_what_it_lacks(tmp_path: Path) -> None:
    def says(of: Any = None, **more: Any) -> tuple[Any, ...]:
        return notes_of(tmp_path, {"X": of or body()}, **more)

    assert says() == (REPLACED,)
    assert says(kind=["dark", "ambient"])[0] == SessionFact.NO_FLASH_FRAME
    assert says(kind="flash")[0] == SessionFact.NO_AMBIENT_FRAME
    assert says(flags=["", "no_ambient"])[0] == SessionFact.AMBIENT_SCALED
    assert says(flags=["no_ambient", ""]) == (REPLACED,), "of a frame that is lit"
    assert says(room=[-1, 0])[0] == SessionFact.ROOM_LIGHT_CHANGED
    assert says(captured="")[-1] == SessionFact.NO_CAPTURE_TIME
    assert says(captured=["", "now"]) == says(captured=["now", ""]) == (REPLACED,)
    assert says(captured="", shot=-1) == (REPLACED,)
    assert says(body(anchored=False))[-1] == SessionFact.NOT_ANCHORED
    assert says(body(anchored=False, matrix=None)) == (REPLACED,)
    two = notes_of(tmp_path, {"X": body(), "Y": body(anchored=False)})
    assert two[0] == SeveralBodies(("X", "Y"))
    assert SessionFact.NOT_ANCHORED not in two
    meter = '[camera]\nmeter = {frame = "f1", cct_k = 5600, duv = 0.001}\n'
    assert notes_of(tmp_path, {"X": body(anchored=False)}, meter)[-1] == MeterUnused("f1")
    assert notes_of(tmp_path, {"X": body()}, meter) == (REPLACED,)


def test_notes_on_a_body(tmp_path: Path) -> None:
    def says(of: Any, **more: Any) -> list[Any]:
        return [one.fact if isinstance(one, BodyNote) else one for one in notes_of(tmp_path, {"X": of}, **more)]

    assert says(body(has_serial=False)) == [BodyFact.NO_SERIAL, BodyFact.REFERENCE_REPLACED]
    assert says(body(tags=None)) == [BodyFact.NO_MATRIX]
    assert says(body(), kind=["ambient", "job"]) == []
    assert says(body(tags=SimpleNamespace(unused=("third calibration",))))[-1] == BodyFact.THIRD_CALIBRATION
    assert says(body(), flags=["", "matrix_differs"])[-1] == BodyFact.MATRICES_DIFFER
    assert says(body(), f_number=[11.0, NAN])[-1] == BodyFact.NO_APERTURE
    assert says(body(), iso=NAN)[-1] == BodyFact.NO_ISO
    assert says(body(), body=["X", "Y"], iso=NAN) == [], "none of its frames is lit"
    library = body(colour_from="library")
    assert says(library)[0] == BodyFact.LIBRARY_MATRIX_METERED
    assert says(body(colour_from="library", anchored=False))[0] == BodyFact.LIBRARY_MATRIX
    far = says(library, mired=[180.0, 1e6 / 3000.0], cct_k=[5555.0, 3000.0])
    assert far[1] == FarFromDaylight("X", "A", "1/1", "f1", 3000.0)
    assert len(says(library, mired=[180.0, 1e6 / 3000.0], status=["ok", "rejected"])) == 2
