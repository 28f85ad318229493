"""Places and times of flashes that are not known, check frames over the session, ISO steps: each by its arithmetic."""

from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from greystep.compare import check_frames, iso_steps
from greystep.compare.check_frames import CheckFrames, find_moves
from greystep.compare.firing_times import _fill, _place_lost, firing_order, index_clock, take_turns
from greystep.compare.iso_steps import find_iso_steps
from greystep.session.settings import Tolerance

NAN = np.nan


def t(dof: float, chance: float = 0.05) -> float:
    return float(stats.t.ppf(1.0 - chance / 2.0, dof))


# --- when flashes fired -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("seconds", "heads", "pace", "filled"),
    [
        ([0.0, NAN, NAN, 30.0], "AAAA", 8.0, [0.0, 8.0, 16.0, 30.0]),  # no farther apart than usual
        ([0.0, NAN, NAN, 30.0], "AAAA", 12.0, [0.0, 10.0, 20.0, 30.0]),
        ([0.0, NAN, NAN, 30.0], "ABBB", 8.0, [0.0, 14.0, 22.0, 30.0]),  # with the head behind
        ([0.0, NAN, NAN, 30.0], "AAAB", 8.0, [0.0, 8.0, 16.0, 30.0]),
        ([0.0, NAN, NAN, 30.0], "ABBC", 8.0, [0.0, 8.0, 16.0, 30.0]),
        ([NAN, NAN, 20.0, 25.0], "ABBB", 5.0, [10.0, 15.0, 20.0, 25.0]),
        ([0.0, 20.0, NAN, NAN], "AABB", 5.0, [0.0, 20.0, 25.0, 30.0]),
        ([NAN, 20.0, NAN, 23.0], "AAAA", 5.0, [15.0, 20.0, 21.5, 23.0]),
    ],
)
def test_unknown_times_stand_beside_those_of_their_head(
    seconds: list[float], heads: str, pace: float, filled: list[float]
) -> None:
    found = np.array(seconds)
    _fill(found, pd.factorize(pd.Series(list(heads)))[0], pace)
    assert found == pytest.approx(filled)


@pytest.mark.parametrize(
    ("place", "clock", "found"),
    [
        ([0.0, -1.0, 1.0], [0.0, NAN, 20.0], [0.0, 0.5, 1.0]),
        ([0.0, -1.0, 1.0], [0.0, NAN, 15.0], [0.0, 0.5, 1.0]),
        ([0.0, -1.0, 1.0], [0.0, NAN, 14.0], [0.0, -1.0, 1.0]),  # no room: a gap of one and a half is needed
        ([0.0, -1.0, 1.0], [0.0, NAN, NAN], [0.0, 0.5, 1.0]),
        ([3.0, -1.0, -1.0, 6.0], [0.0, NAN, NAN, 25.0], [3.0, 4.0, 5.0, 6.0]),
        ([3.0, -1.0, -1.0, 6.0], [0.0, NAN, NAN, 24.0], [3.0, -1.0, -1.0, 6.0]),
        ([-1.0, 0.0, 1.0, -1.0], [NAN, 0.0, 30.0, NAN], [-1.0, 0.0, 1.0, -1.0]),
        ([0.0, -1.0, 2.0, 1.0], [0.0, NAN, 40.0, 20.0], [0.0, -1.0, 2.0, 1.0]),  # others were shot between
        ([0.0, -1.0, 1.0, -1.0, 2.0], [0.0, NAN, 20.0, NAN, 40.0], [0.0, 0.5, 1.0, 1.5, 2.0]),
    ],
)
def test_a_row_without_a_file_stands_between_its_neighbours(
    place: list[float], clock: list[float], found: list[float]
) -> None:
    places = np.array(place)
    _place_lost(places, np.array(clock), 10.0, np.arange(len(place)))
    assert places.tolist() == found


def test_rows_that_the_log_does_not_have_are_no_neighbours() -> None:
    """The third row is of no kind, a frame that the log does not name: it was shot last."""
    places = np.array([0.0, -1.0, 2.0, 1.0])
    _place_lost(places, np.array([0.0, NAN, 50.0, 20.0]), 10.0, np.array([0, 1, 3]))
    assert places.tolist() == [0.0, 0.5, 2.0, 1.0]


def test_times_run_from_the_first_flash_that_is_asked_for() -> None:
    log = pd.DataFrame({
        "shot": [0, 1, 2, 3], "kind": ["flash"] * 4,
        "captured": [f"2026-03-02T09:00:{second:02d}" for second in (5, 15, 25, 35)],
    })  # fmt: skip
    rows, seconds = firing_order(log, np.array([False, True, True, False]), np.zeros(4, dtype=int))
    assert (rows.tolist(), seconds.tolist()) == ([1, 2], [0.0, 10.0])
    turned = log.assign(shot=[3, 2, 1, 0])
    assert firing_order(turned, np.ones(4, dtype=bool), np.zeros(4, dtype=int))[0].tolist() == [3, 2, 1, 0]
    half = log.assign(captured=["", "2026-03-02T09:00:15", "", "2026-03-02T09:00:35"])
    assert firing_order(half, np.ones(4, dtype=bool), np.zeros(4, dtype=int))[1].tolist() == [0.0, 20.0, 30.0, 40.0]


def test_heads_take_turns_where_they_come_back_and_each_turn_is_short() -> None:
    assert take_turns(np.array([0, 1, 0, 1]))
    assert not take_turns(np.array([0, 0, 1, 1]))
    assert not take_turns(np.array([0, 1, 2]))
    assert take_turns(np.array([0, 0, 1, 1, 0, 0, 1]))
    assert not take_turns(np.array([0, 0, 0, 1, 1, 1, 0, 0, 0]))
    assert index_clock(np.array([0, 0, 1, 0]), np.array([False, False, False, True])).tolist() == [
        0.0,
        1.0,
        10002.0,
        20003.0,
    ]


# --- check frames -----------------------------------------------------------------------------------------------------


def frames_of_visits() -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    visit = np.array([0, 0, 1, 1, 1, 2])
    place = np.array([0, 1, 0, 1, 2, 0])
    member = (visit[:, None] == np.arange(3)) * 1.0
    return visit, member, (place[:, None] == [1, 2]) * 1.0, np.array([1.0, 2.1, 1.6, 2.5, 3.0, 4.0])


@pytest.mark.parametrize(("own", "own_dof"), [(0.0, 0.0), (0.5, 7.0)])
def test_the_last_visit_less_the_first_by_least_squares(own: float, own_dof: float) -> None:
    """Scatter within the visits, 1 degree of freedom, pooled with the head's own."""
    _, member, places, values = frames_of_visits()
    levels, found = check_frames._move(member, places, values, own, own_dof)
    design = np.hstack([member, places])
    solved = np.linalg.lstsq(design, values, rcond=None)[0]
    inverse = np.linalg.inv(design.T @ design)
    dof = 1.0 + own_dof
    sd = np.sqrt(
        (np.sum((values - design @ solved) ** 2) + own) / dof * (inverse[0, 0] + inverse[2, 2] - 2 * inverse[0, 2])
    )
    assert levels == pytest.approx(solved[:3] - solved[0])
    assert found["last_less_first"] == pytest.approx(solved[2] - solved[0])
    assert found["u_last_less_first"] == pytest.approx(t(dof) * sd, rel=1e-4)
    assert found["by_chance"] == pytest.approx(t(dof, 0.05 / 3) * sd, rel=1e-4)
    two = check_frames._move(np.eye(2), np.zeros((2, 0)), np.array([1.0, 3.0]), 0.0, 0.0)
    assert two[0].tolist() == [0.0, 2.0]
    assert np.isnan(two[1]["u_last_less_first"])
    values[2] = NAN
    unknown = check_frames._move(member, places, values, own, own_dof)
    assert np.isnan(unknown[0]).all()
    assert np.isnan(list(unknown[1].values())).all()


def test_the_slope_of_check_frames_on_time_by_least_squares() -> None:
    visit, _, places, values = frames_of_visits()
    seconds = np.array([0.0, 10.0, 1800.0, 1810.0, 1820.0, 3600.0])
    found = check_frames._slope(seconds, places, values, 3)
    design = np.column_stack([np.ones(6), places, seconds / 3600.0])
    solved = np.linalg.lstsq(design, values, rcond=None)[0]
    sd = np.sqrt(np.sum((values - design @ solved) ** 2) / 2.0 * np.linalg.inv(design.T @ design)[-1, -1])
    assert found == pytest.approx({"per_hour": solved[-1], "u_per_hour": t(2.0) * sd}, rel=1e-4)
    for given in (
        (seconds, places, values, 2), (np.where(visit == 1, NAN, seconds), places, values, 3),
        (np.zeros(6), places, values, 3), (seconds[:4], places[:4], values[:4], 3),
        (seconds, places, np.where(visit == 1, NAN, values), 3),
        (visit * 1.0, (visit[:, None] == [1, 2]) * 1.0, values, 3),
    ):  # fmt: skip
        assert np.isnan(list(check_frames._slope(*given).values())).all()


def test_what_moved_beyond_chance_or_uses_up_a_quarter_of_a_limit() -> None:
    rows = [
        ("mired", -1.1, 2.0), ("duv", 0.0002, 0.0001), ("output_stops", 0.01, 0.02),
    ]  # fmt: skip
    moves = pd.DataFrame([
        {"quantity": name, "last_less_first": size, "u_last_less_first": 0.5, "by_chance": chance, "per_hour": 3.0,
         "u_per_hour": 4.0} for name, size, chance in rows
    ])  # fmt: skip
    found = find_moves(CheckFrames("A", "1/1", pd.DataFrame(), moves), Tolerance(4.0, 0.001, None, None, None, False))
    assert [(one.quantity, one.size, one.sure, one.limit) for one in found] == [
        ("mired", -1.1, False, 4.0), ("duv", 0.0002, True, None)
    ]  # fmt: skip
    assert (found[0].u_size, found[0].per_hour, found[0].u_per_hour, found[0].head, found[0].power) == (
        0.5,
        3.0,
        4.0,
        "A",
        "1/1",
    )
    without = find_moves(CheckFrames("A", "1/1", pd.DataFrame(), moves), Tolerance(None, None, None, None, None, False))
    assert [(one.quantity, one.limit) for one in without] == [("duv", None)]


# --- ISO steps --------------------------------------------------------------------------------------------------------


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
