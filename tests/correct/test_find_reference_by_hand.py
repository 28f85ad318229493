"""Which light is meant, and how a body sees it: from frames, cells and matrices that are written down."""

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from correct.test_doubts_by_hand import BODY, MATRIX, rows
from greystep.arrays import Floats
from greystep.compare.reference_light import ReferenceLight
from greystep.correct import references
from greystep.correct.messages import HeadMoved, HeadsApart
from greystep.correct.references import Reference, find_reference, seen_light, tie_messages, wanted_here
from greystep.measure.chromaticity import cct_duv, cct_duv_to_xy, xy_to_xyz, xyz_to_xy
from greystep.session.reference import HeadAtPower, MedianFrame, OneFrame, White, WholeKit
from helpers.lit_frames import readings


def seen(mired: float, duv: float = 0.0, matrix: Floats = MATRIX) -> Floats:
    """Camera RGB, green = 1, of the target under a light."""
    rgb = matrix @ xy_to_xyz(cct_duv_to_xy(1e6 / mired, duv))
    return np.asarray(rgb / rgb[1])


def lights(mired: list[float], body: str = "Made Up 7", **more: Any) -> Any:
    """Tested lights whose cells have these colours, green at 1000 counts times two to their number."""
    count = len(mired)
    table = pd.DataFrame({
        "body": body, "head": [f"H{at // 2}" for at in range(count)], "stops": [2.0 * (at % 2) for at in range(count)]
    } | more)  # fmt: skip
    parts = np.stack([np.diag(np.arange(count) + 0.01), np.diag(np.full(count, 0.02))])

    def fitted(values: list[float]) -> Any:
        return SimpleNamespace(cells=SimpleNamespace(values=np.array(values), parts=parts))

    return SimpleNamespace(
        cells=SimpleNamespace(table=table), fitted={"mired": fitted(mired), "duv": fitted([0.001] * count)},
        green_log2=np.log2(1000.0) + np.arange(count),
    )  # fmt: skip


# --- what is meant ----------------------------------------------------------------------------------------------------


def test_a_body_without_a_measured_flash_has_the_median_of_its_frames(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(references, "session_reference", lambda settings: ("of", settings))
    settings: Any = "the session"
    assert wanted_here(settings, None, "Made Up 7") == MedianFrame()
    assert wanted_here(settings, lights([180.0]), "Made Up 7") == ("of", "the session")
    assert wanted_here(settings, lights([180.0]), "Another") == MedianFrame()
    assert wanted_here(settings, lights([np.nan, np.nan]), "Made Up 7") == MedianFrame()
    assert wanted_here(settings, lights([np.nan, 180.0]), "Made Up 7") == ("of", "the session")


FRAMES = readings([
    one | {"r_g": 0.5 + 0.01 * at, "b_g": 0.6 - 0.01 * at, "signal_g": 8000.0 + at, "duv": 0.001 * at}
    for at, one in enumerate(rows([180.0, 182.0, 187.0, 181.0, 190.0]))
])  # fmt: skip


def test_one_frame_is_the_reference_as_it_was_measured() -> None:
    found = find_reference(FRAMES, None, BODY, OneFrame("f2"), "frame:f2")
    assert found is not None
    assert found.label == "frame:f2"
    assert found.neutral == pytest.approx((0.52, 1.0, 0.58))
    assert (found.green, found.mired, found.duv, found.u_mired) == pytest.approx((8002.0, 187.0, 0.002, 0.05))
    assert find_reference(FRAMES, None, BODY, OneFrame("f9"), "frame:f9") is None
    bad = FRAMES.assign(status=np.where(FRAMES["frame"] == "f2", "rejected", "ok"))
    assert find_reference(bad, None, BODY, OneFrame("f2"), "frame:f2") is None


def test_the_median_is_that_of_frames_that_may_serve_and_are_no_checks() -> None:
    def mired(**more: Any) -> float:
        found = find_reference(FRAMES.assign(**more), None, BODY, MedianFrame(), "median")
        assert found is not None
        return found.mired

    assert mired() == 182.0
    assert mired(kind=["flash", "flash", "check", "flash", "check"]) == 181.0
    assert mired(kind="check") == 182.0, "where there is no other"
    assert mired(status=["ok", "ok", "ok", "rejected", "rejected"]) == 182.0
    assert mired(status=["rejected", "rejected", "ok", "rejected", "rejected"]) == 187.0
    assert mired(r_g=[0.5, np.nan, np.nan, 0.5, np.nan]) == 180.5
    assert mired(flags=["", "outlier", "outlier", "", "outlier"]) == 180.5
    found = find_reference(FRAMES, None, BODY, MedianFrame(), "median")
    assert found is not None
    assert (found.neutral, found.green) == (pytest.approx((0.52, 1.0, 0.58)), 8002.0)
    assert find_reference(FRAMES[:0], None, BODY, MedianFrame(), "median") is None


def test_a_white_is_seen_through_the_bodys_matrix() -> None:
    found = find_reference(FRAMES, None, BODY, White(5600.0, 0.002), "5600K")
    assert found is not None
    assert found.neutral == pytest.approx(tuple(seen(1e6 / 5600.0, 0.002)))
    assert (found.label, found.mired, found.duv, found.u_mired) == ("5600K", pytest.approx(1e6 / 5600.0), 0.002, 0.0)
    assert np.isnan(found.green)
    assert find_reference(FRAMES, None, replace(BODY, matrix=None), White(5600.0, 0.0), "5600K") is None


@pytest.mark.parametrize("wanted", [HeadAtPower("H1", 0.0), WholeKit()])
def test_a_tested_light_is_asked_for_in_the_terms_of_the_body(monkeypatch: pytest.MonkeyPatch, wanted: Any) -> None:
    tested = lights([180.0, 182.0])
    monkeypatch.setattr(references, "reference_light", lambda *asked: asked)
    monkeypatch.setattr(references, "seen_light", lambda light, given, body: (light, given, body))
    found: Any = find_reference(FRAMES, tested, BODY, wanted, "as asked")
    assert found == ((tested.cells, tested.fitted, "Made Up 7", wanted), tested, BODY)
    assert find_reference(FRAMES, None, BODY, wanted, "as asked") is None
    monkeypatch.setattr(references, "reference_light", lambda *asked: None)
    assert find_reference(FRAMES, tested, BODY, wanted, "as asked") is None


def test_a_kit_is_the_mean_of_its_heads_in_logarithms() -> None:
    """Of H0 two cells are meant, of H1 one: their colours are means, and each head counts alike."""
    tested = lights([180.0, 184.0, 200.0, 150.0])
    values = {"mired": 191.0, "duv": 0.001}
    light = ReferenceLight(None, "full", 0.0, (np.array([0, 1]), np.array([2])), values, 0.4)
    found = seen_light(light, tested, BODY)
    assert found is not None
    assert found.label == "kit"
    wanted = np.exp((np.log(seen(182.0, 0.001)) + np.log(seen(200.0, 0.001))) / 2.0)
    assert found.neutral == pytest.approx(tuple(wanted))
    assert found.green == pytest.approx(1000.0 * 2.0 ** ((0.5 + 2.0) / 2.0))
    assert (found.mired, found.duv, found.u_mired) == (191.0, 0.001, 0.4)
    alone = seen_light(replace(light, head="H1", power="1/4", of_heads=(np.array([3]),)), tested, BODY)
    assert alone is not None
    assert (alone.label, alone.neutral) == ("H1@1/4", pytest.approx(tuple(seen(150.0, 0.001))))
    assert seen_light(light, tested, replace(BODY, matrix=None)) is None


# --- ties -------------------------------------------------------------------------------------------------------------


def signals(tested: Any, *more: dict[str, Any]) -> dict[tuple[str, float], Any]:
    """Flash frames of heads and stops, on a card."""
    given = [rows([180.0])[0] | {"frame": f"f{at}", "lights": ""} | one for at, one in enumerate(more)]
    settings: Any = None
    return references._signals(readings(given), tested, BODY, settings)


def test_a_light_that_was_fitted_ties_as_the_fit_has_it() -> None:
    tested = lights([180.0, 184.0, 200.0, 150.0])
    found = signals(tested, {"head": "H0", "stops": 2.0}, {"head": "H1", "stops": 0.005}, {"head": "H2", "stops": 0.0})
    assert set(found) == {("H0", 2.0), ("H1", 0.0), ("H2", 0.0)}, "fitted, fitted, and seen in frames alone"
    one = found["H0", 2.0]
    assert one.offset == pytest.approx(np.log(seen(184.0, 0.001)) + np.log(2000.0))
    assert one.variance == pytest.approx(1.01 + 0.02)
    assert found["H1", 0.0].offset == pytest.approx(np.log(seen(200.0, 0.001)) + np.log(4000.0))
    other = found["H2", 0.0]
    assert other.offset == pytest.approx(np.log([0.5, 1.0, 0.6]) + np.log(8000.0))
    assert other.variance == pytest.approx(0.3**2)
    assert set(signals(tested, {"head": "H1", "stops": 1.0})) == {("H1", 1.0)}
    assert set(signals(None, {"head": "H0", "stops": 2.0})) == {("H0", 2.0)}
    dim = signals(None, {"head": "H0", "stops": 2.0, "signal_g": 0.5})
    assert dim["H0", 2.0].offset == pytest.approx(np.log([0.25, 0.5, 0.3]))
    assert signals(None, {"head": "H0", "stops": 2.0, "signal_g": 0.0}) == {}


def test_a_fitted_light_that_was_never_repeated_is_as_sure_as_one_flash() -> None:
    tested = lights([180.0])
    tested.fitted["mired"].cells.parts[:] = np.nan
    assert signals(tested, {"head": "H0", "stops": 0.0})["H0", 0.0].variance == pytest.approx(0.3**2)


def test_how_far_the_mired_moves_with_blue_over_red() -> None:
    neutral = seen(180.0)
    found = references._mired_per_ratio(BODY, neutral)
    warm, cool = (
        1e6 / cct_duv(xyz_to_xy(np.linalg.solve(MATRIX, neutral * np.exp([-half, 0.0, half]))))[0]
        for half in (-0.0005, 0.0005)
    )
    assert found == pytest.approx((cool - warm) / 0.002, rel=0.02)
    assert references._mired_per_ratio(replace(BODY, matrix=None), neutral) == 0.0
    assert references._mired_per_ratio(BODY, np.array([9.0, 1.0, 0.01])) == 0.0, "no colour of a white"


def test_heads_that_no_longer_agree_are_told() -> None:
    plain = Reference("A@full of last month", (0.5, 1.0, 0.6), 8000.0, 180.0, 0.0, 0.1)
    assert tie_messages(plain) == []
    moved = replace(plain, moved={"C": 3.0, "D": -2.5})
    both = [HeadMoved("C", 3.0, plain.label), HeadMoved("D", -2.5, plain.label)]
    assert tie_messages(moved) == both
    apart = replace(moved, apart={"A": 2.6, "B": 2.6})
    assert tie_messages(apart) == [*both, HeadsApart(("A", "B"), 2.6, plain.label)]
