"""The parts of the budget from a few numbers: what bounces, black, linearity, absolute figures, the metered light."""

from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from greystep.compare import budget
from greystep.compare.budget import (
    Bears,
    Component,
    Method,
    Part,
    Width,
    absolute_at,
    find_budget,
    scale_of,
    with_absolute,
)
from greystep.compare.iso_steps import IsoStep
from greystep.constants import MATRIX_LIMITS, METER_LIMITS, UNKNOWN_FLASH_LIMITS
from greystep.session.settings import HeadInfo
from helpers.kits import drift_of


def body(label: str = "One", **more: Any) -> Any:
    usual = {"matrix": np.eye(3), "reference_neutral": (0.5, 1.0, 0.7), "anchored": False, "calibrated_under": "",
             "target_doubt": np.diag([0.04, 9e-8])}  # fmt: skip
    return SimpleNamespace(label=label, **usual | more)


def session(*bodies: Any, meter: Any = None, reflectance: Any = (1, 2), heads: dict[str, HeadInfo] | None = None,
            readings: pd.DataFrame | None = None) -> Any:  # fmt: skip
    settings = SimpleNamespace(meter=meter, reflectance=reflectance, heads=heads or {})
    return SimpleNamespace(bodies={one.label: one for one in bodies}, settings=settings, readings=readings)


# --- sizes of this session --------------------------------------------------------------------------------------------


def test_scatter_and_place_are_the_middle_of_all_lights() -> None:
    """Lights of 0.1, 0.1, 0.2, 0.2, 0.4, 0.4 mired, and one that was not measured; places of 0.3 for each head."""
    drift = drift_of([[180.0] * 2, [180.0] * 2, [180.0] * 2 + [None]], sd=[0.1, 0.2, 0.4], place=0.3)
    shots, between = budget._scatter_and_place(drift)
    assert shots == pytest.approx([0.2, 2e-4])
    assert between == pytest.approx([0.3, 3e-4])
    nothing = budget._scatter_and_place(drift_of([[None]]))
    assert np.isnan(nothing[0]).all()
    assert nothing[1].tolist() == [0.0, 0.0]


def test_linearity_by_lights_at_two_isos_else_by_the_reach_of_the_powers() -> None:
    def step(mired: float, u_mired: float, duv: float, u_duv: float) -> IsoStep:
        return IsoStep("One", 200.0, 100.0, 0.0, 0.0, (), False, mired, u_mired, duv, u_duv)

    seen = [step(-0.6, 0.1, 1e-4, np.nan), step(0.3, 0.5, -3e-4, 1e-4), step(np.nan, 0.1, 9.0, 0.1)]
    (found,) = budget._linearity(seen, np.array([0.0, 6.0]))
    assert (found.method, found.mired, found.duv) == (Method.SESSION, pytest.approx(0.8), pytest.approx(4e-4))
    assert (found.width, found.bears) == (Width.LIMIT, Bears.DIFFERENCES)
    (assumed,) = budget._linearity(seen[2:], np.array([1.0, 6.0]))
    assert (assumed.method, assumed.mired) == (Method.SIMULATED, pytest.approx(5.0 * budget.NON_LINEAR_MIRED_A_STOP))
    assert budget._linearity([], np.array([2.0, 2.0])) == []
    assert budget._linearity([], np.zeros(0)) == []


def test_black_is_one_count_more_at_the_darkest_light(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(
        budget,
        "_changes",
        lambda body, signal, changed: np.array([[-signal[0, 1], changed[0, 1] - signal[0, 1] - 3.0]]),
    )
    used = pd.DataFrame({
        "head": ["A", "A", "B", "B"], "stops": [0.0, 3.0, 3.0, 3.0], "power": ["1/1", "1/8", "1/8", "1/8 b"],
        "signal_r": 1.0, "signal_g": [800.0, 100.0, 80.0, 100.0], "signal_b": 1.0,
    })  # fmt: skip
    (found,) = budget._black(body(), used)
    assert (found.head, found.power, found.mired, found.duv) == ("B", "1/8", 90.0, 2.0), "the mean of both its frames"
    assert (found.part, found.bears, found.body) == (Part.BLACK, Bears.BOTH, "One")
    assert budget._black(body(), used[:0]) == []


def test_bounce_by_head_and_between_those_it_does_most_for(monkeypatch: pytest.MonkeyPatch) -> None:
    """A hundredth of what surrounds the card: the change is 1 + 0.01 times the mean surround of a head."""
    asked = []

    def changes(body: Any, signal: np.ndarray, changed: np.ndarray) -> np.ndarray:
        asked.append((changed / signal - 1.0) / budget.BOUNCE_SHARE)
        return np.array([[-2.0, 1e-4], [1.0, -2e-4], [0.5, 0.0]])[: len(signal)]

    monkeypatch.setattr(budget, "_changes", changes)
    columns = {f"signal_{one}": 100.0 for one in "rgb"} | {
        f"around_{one}": [0.2, 0.4, 1.0, np.nan, 0.5] for one in "rgb"
    }
    used = pd.DataFrame({"head": ["A", "A", "B", "B", "C"], **columns})
    found = budget._bounce(body(), used)
    assert asked[0] == pytest.approx(np.repeat([[0.3], [1.0], [0.5]], 3, axis=1))
    assert [(one.head, one.mired, one.duv, one.bears) for one in found] == [
        ("A", 2.0, 1e-4, Bears.ABSOLUTE), ("B", 1.0, 2e-4, Bears.ABSOLUTE), ("C", 0.5, 0.0, Bears.ABSOLUTE),
        ("", 3.0, pytest.approx(3e-4), Bears.DIFFERENCES),
    ]  # fmt: skip
    assert len(budget._bounce(body(), used[used["head"] == "A"])) == 1
    assert budget._bounce(body(), used.assign(around_r=np.nan)) == []
    assert budget._bounce(body(), used.drop(columns="around_b")) == []


# --- the absolute scale -----------------------------------------------------------------------------------------------


def sizes(of: Any, **settings: Any) -> list[tuple[Part, Method, tuple[float, float]]]:
    found = scale_of(of, session(of, **settings).settings)
    assert all(one.scale and one.body == "One" and one.bears == Bears.ABSOLUTE for one in found)
    return [(one.part, one.method, (one.mired, one.duv)) for one in found]


def test_what_the_absolute_scale_of_a_body_rests_on() -> None:
    """By its matrix and its card: the doubt of a card of known reflectance is 0.2 mired and 0.0003 Duv (k = 1)."""
    card = (Part.CARD_SPECTRUM, Method.SESSION, (pytest.approx(0.2), pytest.approx(3e-4)))
    assert sizes(body()) == [(Part.MATRIX, Method.SIMULATED, tuple(MATRIX_LIMITS)), card]
    assert sizes(body(calibrated_under="assumed")) == [
        (Part.MATRIX, Method.PRACTICE, tuple(UNKNOWN_FLASH_LIMITS)),
        card,
    ]
    meter = [(Part.METER, Method.PRACTICE, tuple(METER_LIMITS))]
    assert sizes(body(anchored=True)) == sizes(body(calibrated_under="given")) == meter
    assert sizes(body(matrix=None)) == sizes(body(reference_neutral=None)) == []
    assert scale_of(body(), session().settings)[1].width == Width.STANDARD


def powers(**more: Any) -> pd.DataFrame:
    usual = {
        "head": ["A", "B", "B"],
        "mired": [200.0, 190.0, np.nan],
        "u_mired": [0.6, 0.8, np.nan],
        "u_duv": [6e-4, 0.0, 0.0],
    }
    return pd.DataFrame(usual | more)


def test_absolute_half_widths_are_the_root_of_all_squares() -> None:
    """Limits count by their root of three, k = 2; at 200 mired one mired is 25 K."""
    found = with_absolute(powers(), session(body()))
    mired = (MATRIX_LIMITS[0] ** 2 / 3.0) + 0.2**2
    duv = (MATRIX_LIMITS[1] ** 2 / 3.0) + 9e-8
    assert found["u_absolute_k"][0] == pytest.approx(2.0 * np.sqrt(mired + 0.3**2) * 25.0)
    assert found["u_absolute_k"][1] == pytest.approx(2.0 * np.sqrt(mired + 0.4**2) * 1e6 / 190.0**2)
    assert found["u_absolute_duv"][0] == pytest.approx(2.0 * np.sqrt(duv + 9e-8))
    assert np.isnan(found["u_absolute_k"][2])
    two = with_absolute(powers(body=["One", "Two", "One"]), session(body(), body("Two", matrix=None)))
    assert np.isfinite(two["u_absolute_k"]).tolist() == [True, False, False]
    assert with_absolute(powers(), session())["u_absolute_k"].isna().all()


def test_a_light_far_from_the_metered_one_carries_what_an_observer_sees_of_it() -> None:
    """A was metered at 5000 K, 200 mired; B of its type stands 10 mired off: 7 % of that; of another type 3 mired."""
    meter = SimpleNamespace(frame="f1", cct_k=5000.0)
    readings = pd.DataFrame({"frame": ["f0", "f1"], "head": ["B", "A"]})
    heads = {one: HeadInfo("", "", None, {}, "dome") for one in "AB"}
    away = budget._away_from_meter(powers(), session(meter=meter, readings=readings, heads=heads))
    assert away == pytest.approx([0.0, 0.7, np.nan], nan_ok=True)
    other = budget._away_from_meter(powers(), session(meter=meter, readings=readings, heads={"A": heads["A"]}))
    assert other == pytest.approx([0.0, 3.0, 3.0])
    unnamed = budget._away_from_meter(powers(), session(meter=meter, readings=readings))
    assert unnamed == pytest.approx([0.0, 3.0, 3.0]), "of types that nobody named"
    assert budget._away_from_meter(powers(), session()).tolist() == [0.0] * 3
    anchored = with_absolute(powers(), session(body(anchored=True), meter=meter, readings=readings, heads=heads))
    scale = METER_LIMITS[0] ** 2 / 3.0
    assert anchored["u_absolute_k"][1] == pytest.approx(2.0 * np.sqrt(scale + 0.7**2 + 0.4**2) * 1e6 / 190.0**2)


def test_the_absolute_figures_of_the_nearest_light() -> None:
    table = powers(u_absolute_k=[100.0, 200.0, np.nan], u_absolute_duv=[1.0, 2.0, 3.0])
    assert absolute_at(table, 191.0) == (200.0, 2.0)
    assert absolute_at(table, 500.0) == (100.0, 1.0)
    assert absolute_at(table, None) is None
    assert absolute_at(table.assign(u_absolute_k=np.nan), 190.0) is None


# --- the whole --------------------------------------------------------------------------------------------------------


def whole(drift: Any, *bodies: Any) -> dict[Part, Component]:
    readings = pd.DataFrame({"body": "One", "head": ["A"] * len(drift.frames.rows), "signal_g": 1.0})
    return {one.part: one for one in find_budget(session(*bodies, readings=readings), drift, ())}


def test_places_as_the_test_tells_them_or_as_simulated_and_none_with_one_head(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(budget, "_black", lambda *_: [])
    told = whole(drift_of([[180.0], [181.0]], place=0.3), body())
    assert (told[Part.PLACEMENT].mired, told[Part.PLACEMENT].in_u) == (pytest.approx(0.3), True)
    assert (told[Part.SHOTS].mired, told[Part.SHOTS].duv, told[Part.SHOTS].in_u) == (
        pytest.approx(0.1),
        pytest.approx(1e-4),
        True,
    )
    turns = whole(drift_of([[180.0], [181.0]]), body())
    assert (turns[Part.PLACEMENT].mired, turns[Part.PLACEMENT].in_u) == (budget.PLACEMENT_MIRED, False)
    one = whole(drift_of([[180.0, 181.0]]), body())
    assert Part.PLACEMENT not in one
    assert Part.SHOTS not in whole(drift_of([[None], [None]]), body())
    assert {Part.OTHER_CAMERA, Part.SAME_TYPE, Part.OTHER_TYPE, Part.DOME} <= set(told)
    assert (told[Part.OTHER_CAMERA].share, told[Part.SAME_TYPE].share, told[Part.OTHER_TYPE].mired) == (0.07, 0.04, 3.0)
    assert told[Part.DOME].width == Width.LIMIT
    assert next(iter(told)) == Part.MATRIX
