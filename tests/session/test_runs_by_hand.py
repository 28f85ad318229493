"""How a head settles in a run from rest, by its closed form."""

from typing import Any

import numpy as np
import pandas as pd
import pytest

from greystep.session import runs
from greystep.session.runs import RUN_NOTE, Settles, settling

NAN = np.nan


def run_of(mired: np.ndarray, **more: Any) -> pd.DataFrame:
    usual: dict[str, Any] = {
        "body": "X", "head": "A", "power": "1/1", "kind": "flash", "note": RUN_NOTE, "status": "ok", "flags": "",
        "shot": np.arange(len(mired)), "mired": mired,
    }  # fmt: skip
    return pd.DataFrame(usual | more)


def test_a_run_settles_after_so_many_frames_by_its_closed_form() -> None:
    """6 mired that fade by e in 4.7 frames: a quarter of 4 mired is left after 4.7 ln 6 = 8.4 frames."""
    frames, tau = np.arange(20.0), float(np.geomspace(0.7, 1.5 * 19.0, 40)[20])  # one of those that are tried
    course = 180.0 + 6.0 * (1.0 - np.exp(-frames / tau)) + 0.01 * (-1.0) ** frames
    (found,) = settling(run_of(course), 4.0)
    assert (found.head, found.power, found.frames, found.after) == ("A", "1/1", 20, 9)
    assert found.mired == pytest.approx(6.0, abs=0.05)
    assert settling(run_of(course), 12.0)[0].after == 4, "4.7 ln 2 = 3.3"
    (held,) = settling(run_of(course), 25.0)
    assert (held.after, held.mired) == (0, pytest.approx(6.0 * (1.0 - np.exp(-19.0 / tau)), abs=0.05))
    lost = run_of(course, status=["ok", "rejected", *["ok"] * 18])
    assert settling(lost, 4.0)[0].after == 9, "a lost frame has its place"
    turned = run_of(course)[::-1].reset_index(drop=True)
    assert settling(turned, 4.0) == settling(run_of(course), 4.0)


def test_runs_that_tell_nothing() -> None:
    steady = 180.0 + 0.1 * (-1.0) ** np.arange(20)
    assert settling(run_of(steady), 0.1)[0].after == 0
    rise = 180.0 + 6.0 * (1.0 - np.exp(-np.arange(20.0) / 5.0)) + 0.01 * (-1.0) ** np.arange(20)
    assert settling(run_of(rise[:7]), 4.0) == ()
    assert len(settling(run_of(rise[:8]), 4.0)) == 1
    for change in (
        {"flags": "outlier;settings_changed"},
        {"status": "rejected"},
        {"mired": NAN},
        {"kind": "job"},
        {"note": ""},
    ):
        assert settling(run_of(rise).assign(**change), 4.0) == ()
    two = pd.concat([run_of(rise), run_of(rise, head="B")], ignore_index=True)
    assert [one.head for one in settling(two, 4.0)] == ["A", "B"]
    assert isinstance(settling(two, 4.0)[0], Settles)
    assert runs.run_rows(run_of(rise[:2], kind=["flash", "job"], note=[f"x {RUN_NOTE} y", RUN_NOTE])).tolist() == [
        True,
        False,
    ]
