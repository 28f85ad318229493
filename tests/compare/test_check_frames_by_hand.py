"""What the check frames of a session show, by least squares."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from greystep.compare import check_frames
from greystep.compare.check_frames import CheckFrames, find_moves
from greystep.session.settings import Tolerance

NAN = np.nan


def t(dof: float, chance: float = 0.05) -> float:
    return float(stats.t.ppf(1.0 - chance / 2.0, dof))


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
