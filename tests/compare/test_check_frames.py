"""Check frames: which means they enter, and what they say of the room over the session."""

from types import ModuleType
from typing import Any

import numpy as np
import pandas as pd
import pytest

from greystep.compare.cells import find_cells
from greystep.compare.check_frames import CheckFrames, find_check_frames, find_moves
from greystep.compare.drift import analyse
from greystep.compare.verdict import report_facts
from greystep.sentences.kit_notes import moved
from greystep.sentences.summary import summary, summary_json
from greystep.session.settings import DEFAULT_TOLERANCE
from helpers.intervals import narrowness

pytestmark = pytest.mark.usefixtures("spans_unasked")

HOUR = 3600.0


def session_of(
    synthetic: ModuleType,
    rng: np.random.Generator,
    per_hour: float = 0.0,
    cold: float = 0.0,
    scatter: float = 0.3,
    heads: str = "ABCD",
    own: bool = True,
) -> pd.DataFrame:
    """Simulate a test by head in 10 min a head; two check frames of A before each other head and last.

    The room moves by `per_hour` [mired]; check frames are `cold` off, their first one twice that.
    """
    rows: list[tuple[str, float, float, float, str]] = []

    def checks(time: float) -> None:
        for second in range(2):
            rows.append(("A", 0.0, time + 10.0 * second, -cold * (2 - second), "check frame"))

    for number, head in enumerate(heads):
        start = 600.0 * number
        if head != "A":
            checks(start)
        if head != "A" or own:
            legs = [0, 1, 2, 2, 1, 0, 0, 1, 2]
            rows += [(head, float(stops), start + 60 + 10.0 * at, 0.0, "") for at, stops in enumerate(legs)]
    checks(600.0 * len(heads))
    head_, stops_, seconds, off, note = (list(column) for column in zip(*rows, strict=True))
    times = np.array(seconds)
    mired = 178.6 + np.array(off) + per_hour * times / HOUR + scatter * rng.standard_normal(len(rows))
    duv = 0.0005 + 0.00004 * rng.standard_normal(len(rows))
    output = -np.array(stops_) + 0.01 * rng.standard_normal(len(rows))
    table: pd.DataFrame = synthetic.table(head_, np.array(stops_), mired, duv, output, times)
    return table.assign(note=note)


def follow(synthetic: ModuleType, readings: pd.DataFrame) -> CheckFrames:
    found = find_check_frames(analyse(readings, synthetic.make_session()))
    assert found is not None
    return found


def content(synthetic: ModuleType, readings: pd.DataFrame) -> Any:
    """Return what summary.json says of the check frames."""
    session, given = synthetic.make_session(), readings.assign(iso=100.0)
    drift = analyse(given, session)
    return summary_json(summary(report_facts(given, drift, session.tolerance), drift, session, given))["bracket"]


def test_check_frames_enter_no_mean_of_a_light_that_has_others(synthetic: ModuleType) -> None:
    """Cold by 5 mired all through the session, they would show as a drift of head A over its powers."""
    readings = session_of(synthetic, np.random.default_rng(1), cold=5.0, scatter=0.05)
    cells, frames = find_cells(readings)
    assert list(cells.table["n"]) == [3] * 12
    assert len(frames.checks) == 8
    assert list(frames.checks.groupby("visit").size()) == [2, 2, 2, 2]
    drift = analyse(readings, synthetic.make_session())
    assert drift.heads["span_mired"].max() < 0.5
    assert drift.heads["repeatability_mired"].max() < 0.1


def test_a_light_of_check_frames_alone_has_its_mean_from_them(synthetic: ModuleType) -> None:
    readings = session_of(synthetic, np.random.default_rng(1), own=False)
    readings.loc[0, ["status", "flags"]] = ["rejected", "clipped"]
    cells, frames = find_cells(readings)
    first = cells.table.iloc[0]
    assert (first["head"], first["n"]) == ("A", 7)
    assert frames.checks["counted"].all()
    assert list(frames.checks.groupby("visit").size()) == [1, 2, 2, 2]


def test_check_frames_heat_their_head(synthetic: ModuleType) -> None:
    """With times of a fast test, a head that has just fired its check frames is warm at its own first frame."""
    readings = session_of(synthetic, np.random.default_rng(1))
    start = readings.assign(note=readings["note"].where(readings["head"] != "A", "check frame"))
    _, frames = find_cells(start)
    warmth = frames.checks["warmth"].to_numpy()
    assert (warmth[1:9] > warmth[0]).all()


def test_moves_by_hand(synthetic: ModuleType) -> None:
    """Last visit less first; the slope is the least-squares line through frames with a level for each place."""
    readings = session_of(synthetic, np.random.default_rng(2), per_hour=3.0, scatter=0.2)
    found = follow(synthetic, readings)
    checks = readings[readings["note"] == "check frame"]
    mired = checks["mired"].to_numpy().reshape(4, 2)
    move = found.moves.set_index("quantity").loc["mired"]
    assert (found.head, found.power) == ("A", "1/1")
    assert move["last_less_first"] == pytest.approx(mired[3].mean() - mired[0].mean(), abs=1e-9)
    assert found.visits["mired"].to_numpy() == pytest.approx(mired.mean(axis=1) - mired[0].mean(), abs=1e-9)
    assert found.visits["seconds"].to_numpy() == pytest.approx([5.0, 605.0, 1205.0, 1805.0])
    hours = np.arange(4) / 6
    assert move["per_hour"] == pytest.approx(np.polyfit(hours, mired.mean(axis=1), 1)[0], abs=1e-9)


def test_intervals_hold_and_a_session_that_stood_still_says_nothing(synthetic: ModuleType) -> None:
    """40 sessions, half of them still; warmth, tint and output scatter by themselves: 120 errors of either figure."""
    moves, told = [], 0
    for seed in range(40):
        moving = seed % 2
        found = follow(synthetic, session_of(synthetic, np.random.default_rng(seed), per_hour=1.2 * moving, cold=0.4))
        truth = np.array([1.2 * moving, 0.0, 0.0])
        moves.append(found.moves.assign(true_per_hour=truth, true_last_less_first=truth / 2.0))
        told += bool(find_moves(found, DEFAULT_TOLERANCE)) and not moving
    table = pd.concat(moves)
    for name in ("last_less_first", "per_hour"):
        assert 0.85 < narrowness(table[name] - table[f"true_{name}"], table[f"u_{name}"]) < 1.16, name
    assert told <= 3  # 1 of 20 is meant; 4 or more happen in 2 of 100


def test_a_room_that_moved_is_said_with_what_it_means(synthetic: ModuleType) -> None:
    found = follow(synthetic, session_of(synthetic, np.random.default_rng(4), per_hour=6.0))
    (note,) = map(moved, find_moves(found, DEFAULT_TOLERANCE))
    assert note.startswith("The check frames of head A at 1/1 ended")
    assert "mired warmer than they began" in note
    assert "an hour)" in note
    assert "more than a quarter of the limit of 4 mired" in note
    small = follow(synthetic, session_of(synthetic, np.random.default_rng(4), per_hour=-1.0, scatter=0.05))
    (note,) = map(moved, find_moves(small, DEFAULT_TOLERANCE))
    assert "mired cooler than they began" in note
    assert "quarter" not in note


def test_much_that_may_be_chance_is_said_as_such(synthetic: ModuleType) -> None:
    readings = session_of(synthetic, np.random.default_rng(0), scatter=1.2)
    checks = np.flatnonzero(readings["note"] == "check frame")
    mired = readings["mired"].to_numpy().copy()
    mired[checks[-2:]] += 1.5 - mired[checks[-2:]].mean() + mired[checks[:2]].mean()
    readings["mired"] = mired
    (note,) = map(moved, find_moves(follow(synthetic, readings), DEFAULT_TOLERANCE))
    assert "may be chance" in note
    assert "more than a quarter of the limit" in note


def test_without_two_visits_or_times(synthetic: ModuleType) -> None:
    readings = session_of(synthetic, np.random.default_rng(3), per_hour=6.0)
    assert find_check_frames(analyse(readings.assign(note=""), synthetic.make_session())) is None
    one = readings[(readings["note"] == "") | (readings.index > len(readings) - 3)]
    assert find_check_frames(analyse(one, synthetic.make_session())) is None
    assert find_moves(None, DEFAULT_TOLERANCE) == []
    assert content(synthetic, one) is None
    untimed = content(synthetic, readings.assign(captured=""))
    assert untimed["moves"]["mired"]["per_hour"] is None
    assert untimed["moves"]["mired"]["last_less_first"] == pytest.approx(3.0, abs=1.0)
    assert [visit["n"] for visit in untimed["visits"]] == [2, 2, 2, 2]


def test_the_heat_of_a_head_that_warms_up_is_taken_off_its_check_frames(synthetic: ModuleType) -> None:
    """Check frames that read what their heat makes of one light are one light, in the visits and in the joint fit."""
    readings = synthetic.simulate(np.random.default_rng(5), np.zeros((3, 4)), repeats=5, warmup=9.0, checks=3)
    checks = np.flatnonzero(readings["note"] != "")
    readings = readings.drop(index=checks[4:6]).reset_index(drop=True)  # the second visit is of one frame
    first = analyse(readings, synthetic.make_session())
    assert first.heads["warmup_kept"].all()
    frames = first.frames.checks
    heat = first.fitted["mired"].amplitude[0] * frames["warmth"].to_numpy()
    readings.loc[readings["note"] != "", "mired"] = 178.6 + heat + 0.001 * np.arange(len(heat)) % 0.003
    drift = analyse(readings, synthetic.make_session())
    found = find_check_frames(drift)
    assert found is not None
    assert np.abs(found.visits["mired"]).max() < 0.01
    assert np.ptp(pd.Series(heat).groupby(frames["visit"].to_numpy()).mean()) > 2.0
    watch = drift.fitted["mired"].watch
    assert (watch.slope, watch.variance) == (0.0, 0.0)


def test_three_visits_tell_a_slope_and_two_do_not(synthetic: ModuleType) -> None:
    for heads, known in (("AB", False), ("ABC", True)):
        readings = session_of(synthetic, np.random.default_rng(1), per_hour=3.0, heads=heads)
        move = follow(synthetic, readings).moves.set_index("quantity").loc["mired"]
        assert np.isfinite(move["per_hour"]) == known
        assert np.isfinite(move["u_per_hour"]) == known
