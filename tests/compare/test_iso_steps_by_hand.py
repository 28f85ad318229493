"""How far an ISO is off its marking, from a few frames that are written down."""

from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from greystep.compare import iso_steps
from greystep.compare.iso_steps import find_iso_steps

NAN = np.nan


def t(dof: float, chance: float = 0.05) -> float:
    return float(stats.t.ppf(1.0 - chance / 2.0, dof))


def iso_log(**more: Any) -> pd.DataFrame:
    """A at full and 1/2, B at full; ISO 200 is 0.1 and 0.2 brighter on A, 0.5 on B; most frames are at 100."""
    rows = [("A", 0.0, 100, 0.0, 180.0), ("A", 0.0, 100, 0.0, 180.0), ("A", 0.0, 200, 0.1, 181.0),
            ("A", 1.0, 100, -1.0, 180.0), ("A", 1.0, 200, -0.8, 180.0), ("A", 1.0, 200, -0.8, 180.0),
            ("B", 0.0, 100, 0.0, 180.0), ("B", 0.0, 200, 0.5, 184.0), ("B", 0.0, 50, -0.3, 180.0),
            ("B", 1.0, 100, -1.0, 180.0)]  # fmt: skip
    table = pd.DataFrame(rows, columns=["head", "stops", "iso", "output_stops", "mired"]).astype({"iso": float})
    table = table.assign(
        duv=0.0, kind="flash", status="ok", flags="", body="One", power=table["stops"].map({0.0: "1/1", 1.0: "1/2"})
    )
    return table.assign(**more)


def steps(table: pd.DataFrame, monkeypatch: pytest.MonkeyPatch) -> list[iso_steps.IsoStep]:
    sizes = {"output_stops": 0.3, "mired": 3.0, "duv": 0.03}
    monkeypatch.setattr(iso_steps, "_scatter", lambda drift, readings, name: sizes[name])
    return find_iso_steps(None, table)  # type: ignore[arg-type]


def test_iso_steps_weigh_lights_by_their_frames(monkeypatch: pytest.MonkeyPatch) -> None:
    """Weights 1 / (1 + 1/2), 1 / (1/2 + 1), 1 / 2; ISO 50 is seen on B alone."""
    low, high = steps(iso_log(), monkeypatch)
    weights = np.array([2 / 3, 2 / 3, 1 / 2])
    assert (high.iso, high.base_iso, high.body) == (200.0, 100.0, "One")
    assert high.stops == pytest.approx(np.average([0.1, 0.2, 0.5], weights=weights))
    assert high.mired == pytest.approx(np.average([1.0, 0.0, 4.0], weights=weights))
    spread = 1.0 / np.sqrt(weights.sum())
    assert (high.u_stops, high.u_mired, high.u_duv) == pytest.approx((0.3 * spread, 3.0 * spread, 0.03 * spread))
    assert high.lights == (("A", "1/1"), ("A", "1/2"), ("B", "1/1"))
    assert (low.iso, low.stops, low.lights) == (50.0, pytest.approx(-0.3), (("B", "1/1"),))
    assert low.u_stops == pytest.approx(0.3 * np.sqrt(2.0))
    assert (low.shows, high.shows) == (False, True)


@pytest.mark.parametrize(
    "change",
    [
        {"kind": "ambient"},
        {"status": "rejected"},
        {"flags": "settings_changed;outlier"},
        {"output_stops": NAN},
        {"iso": NAN},
    ],
)
def test_frames_that_cannot_be_used_tell_nothing_of_isos(
    change: dict[str, Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    table = iso_log().astype({name: object for name in change if name in ("kind", "status", "flags")})
    table.loc[8, list(change)] = list(change.values())
    assert [one.iso for one in steps(table, monkeypatch)] == [200.0]


def test_bodies_have_isos_of_their_own(monkeypatch: pytest.MonkeyPatch) -> None:
    table = iso_log(body=["One"] * 6 + ["Two"] * 4)
    assert [(one.body, one.iso, len(one.lights)) for one in steps(table, monkeypatch)] == [
        ("One", 200.0, 2), ("Two", 50.0, 1), ("Two", 200.0, 1)
    ]  # fmt: skip


def test_the_scatter_of_one_frame_about_the_mean_of_its_light_at_its_iso() -> None:
    """Light 0: two frames at 100 and two at 200; light 1: three at 100. Freedom of the fit 5, one more mean: 4."""
    left = np.array([0.1, -0.1, 0.5, 0.3, 0.2, -0.2, 0.0, NAN])
    drift: Any = SimpleNamespace(
        frames=SimpleNamespace(rows=np.arange(1, 9), cell=np.array([0, 0, 0, 0, 1, 1, 1, 1])),
        fitted={"mired": SimpleNamespace(residuals=left, dof=np.array([3.0, 2.0]))},
    )  # fmt: skip
    readings = pd.DataFrame({"iso": [9.0, 100.0, 100.0, 200.0, 200.0, 100.0, 100.0, 100.0, 100.0]})
    squares = 0.02 + 0.02 + 0.08
    assert iso_steps._scatter(drift, readings, "mired") == pytest.approx(t(4.0) * np.sqrt(squares / 4.0))
    drift.fitted["mired"].dof = np.array([1.0, 0.0])
    assert np.isnan(iso_steps._scatter(drift, readings, "mired"))
