"""Places and times of flashes that are not known, each by its arithmetic."""

import numpy as np
import pandas as pd
import pytest

from greystep.compare.firing_times import _fill, _place_lost, firing_order, index_clock, take_turns

NAN = np.nan


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


def test_numbers_and_times_as_a_file_of_readings_has_them() -> None:
    """Shots with a fraction, blank without a frame; a time that is none is one that is not known."""
    log = pd.DataFrame({
        "shot": [0.0, NAN, 1.0, 2.0, 3.0], "kind": ["flash"] * 5,
        "captured": [f"2026-03-02T09:00:{second}" if second else "" for second in ("00", "", "40", "50", "59")],
    })  # fmt: skip
    every, head = np.ones(5, dtype=bool), np.zeros(5, dtype=int)
    rows, seconds = firing_order(log, every, head)
    assert (rows.tolist(), seconds.tolist()) == ([0, 1, 2, 3, 4], [0.0, 10.0, 40.0, 50.0, 59.0])
    for odd in ("", "2026-02-31T09:01:00", "never"):  # the usual pace is then 25 s
        rows, seconds = firing_order(log.assign(captured=[*log["captured"][:4], odd]), every, head)
        assert (rows.tolist(), seconds.tolist()) == ([0, 1, 2, 3, 4], [0.0, 20.0, 40.0, 50.0, 75.0])


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
