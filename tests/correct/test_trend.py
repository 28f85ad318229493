"""The trend of a series: closed forms, and the flicker that must go while the course stays."""

import numpy as np
import pytest

from greystep.correct.trend import _line_at, trend


def test_a_straight_course_is_kept_exactly_ends_too() -> None:
    course = 0.3 + 0.02 * np.arange(40)
    assert trend(course) == pytest.approx(course, abs=1e-12)


@pytest.mark.parametrize("over", [3, 9, 21])
def test_flicker_goes_and_a_wanted_fade_stays(over: int) -> None:
    """A fade of two stops over 120 frames under 0.06 stop of flicker: what is left is what a line through n lets by."""
    rng = np.random.default_rng(1)
    fade = 2 / (1 + np.exp(-(np.arange(120) - 60) / 15.0))
    left = trend(fade + 0.06 * rng.standard_normal(120), over) - fade
    assert np.std(left) < 0.06 * min(0.95, 1.9 / np.sqrt(over)) + 0.01
    assert abs(np.mean(left)) < 0.01


def test_one_frame_that_jumps_does_not_move_the_trend() -> None:
    rng = np.random.default_rng(2)
    course = 0.01 * np.arange(30) + 0.002 * rng.standard_normal(30)
    jumped = course.copy()
    jumped[15] -= 1.0
    assert trend(jumped) == pytest.approx(trend(course), abs=0.003)


@pytest.mark.parametrize("over", [4, 9])
def test_the_trend_is_a_line_through_the_nearest_by_weighted_least_squares_four_times_over(over: int) -> None:
    """Cleveland's: cubes of cubes of the distance, a little beyond the farthest; Tukey's of six times the median."""
    rng = np.random.default_rng(3)
    shots = np.flatnonzero(rng.random(60) < 0.6)
    series = np.full(60, np.nan)
    series[shots] = 0.01 * shots + 0.05 * rng.standard_normal(len(shots)) + (rng.random(len(shots)) < 0.1)
    y, steady, line = series[shots], np.ones(len(shots)), np.zeros(len(shots))
    for _ in range(4):
        for place, shot in enumerate(shots):
            away = np.abs(shots - shot)
            reach = sorted(away)[over - 1] * (1.0 + 1.0 / over)
            near = away < reach
            weight = (1.0 - (away[near] / reach) ** 3) ** 3 * steady[near]
            line[place] = np.polyval(np.polyfit(shots[near] - shot, y[near], 1, w=np.sqrt(weight)), 0.0)
        left = np.abs(y - line)
        far = left / (6.0 * np.median(left))
        steady = np.maximum(1.0 - far**2, 1e-6) ** 2
    assert trend(series, over)[shots] == pytest.approx(line, abs=1e-5)


def test_the_nearest_frames_are_found_in_a_long_series_too() -> None:
    """Three thousand frames, where the order of distances is not told for nothing."""
    shots = np.cumsum(np.random.default_rng(1).integers(1, 40, 3000)).astype(np.float64)
    values = np.sin(shots)
    for near in (3, 4, 20, 200):
        for place in range(0, 3000, 30):
            away = np.abs(shots - shots[place])
            reach = np.sort(away)[near - 1] * (1.0 + 1.0 / near)
            inside = away < reach
            weight = (1.0 - (away[inside] / reach) ** 3) ** 1.5
            line = np.polyfit(shots[inside] - shots[place], values[inside], 1, w=weight)
            assert _line_at(shots, values, np.ones(3000), place, near) == pytest.approx(line[1], abs=1e-9)


def test_frames_without_light_are_left_out() -> None:
    course = 0.1 * np.arange(12.0)
    course[[3, 4, 11]] = np.nan
    found = trend(course)
    assert np.isnan(found[[3, 4, 11]]).all()
    assert found[[0, 5, 10]] == pytest.approx([0.0, 0.5, 1.0])


def test_two_frames_meet_in_their_mean() -> None:
    assert trend([1.0, np.nan, 2.0]) == pytest.approx([1.5, np.nan, 1.5], nan_ok=True)
    assert np.isnan(trend([np.nan])).all()
