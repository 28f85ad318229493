"""How a rig is set up, against geometry by brute force, simulated tests and hand arithmetic."""

import math

import numpy as np
import pytest
from scipy import stats

from greystep.errors import GreystepError
from greystep.planning.rig import (
    EVEN_PCT,
    distance_for,
    flash_durations,
    rounds_for,
    seconds,
    shutter_for,
    u_after,
)


@pytest.mark.parametrize(
    ("t01_s", "sync", "shutter"),
    [
        ([], "1/125", "1/125"),
        ([1 / 400, 1 / 2000], "1/125", "1/125"),
        ([1 / 400], "1/250", "1/200"),  # 2/400 = 5 ms; 1/200 stands for 4.9 ms, which is 5 to a tenth of a stop
        ([1 / 150], "1/125", "1/60"),  # 2/150 = 13.3 ms; 1/80 stands for 12.4 ms, 1/60 for 15.6 ms
        ([1 / 60], "1/125", "1/30"),  # 33.3 ms; 1/30 stands for 31.3 ms
        ([1 / 2000], "1/400", "1/400"),
        ([1e-5], "1/8000", "1/500"),
    ],
)
def test_the_shutter_is_the_shortest_that_lets_every_flash_end(t01_s: list[float], sync: str, shutter: str) -> None:
    assert shutter_for(t01_s, sync) == shutter


def test_a_flash_that_outlasts_every_shutter_is_told() -> None:
    with pytest.raises(GreystepError, match=r"t0\.1 of 0\.4 s, sync 1/125 s: no shutter time up to 1/2 s"):
        shutter_for([0.4])


@pytest.mark.parametrize(
    ("text", "value"),
    [("1/150", 1 / 150), ("0.004", 0.004), ("0,004 s", 0.004), ("1/2.5", 0.4), (" 1 / 60 s ", 1 / 60)],
)
def test_times(text: str, value: float) -> None:
    assert seconds(text) == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize("text", ["", "fast", "1/0", "2", "-1/100", "nan", "1/", "/150", "1/2/3"])
def test_what_is_no_time(text: str) -> None:
    with pytest.raises(GreystepError, match=f'time "{text}": not understood; write seconds up to 1, such as 1/150'):
        seconds(text)


def test_flash_durations_of_one_head_go_before_those_of_all() -> None:
    assert flash_durations(["1/400", "A:full=1/150,1/16=1/1200"], ["A", "B"]) == {
        "A": {"full": "1/150", "1/16": "1/1200"},
        "B": {"full": "1/400"},
    }
    assert flash_durations(["A: full = 1/150 ; 1/16+0.3 = 1/900"], ["A", "B"]) == {
        "A": {"full": "1/150", "1/16+0.3": "1/900"}
    }
    assert flash_durations([], ["A"]) == {}
    assert flash_durations(["2400 J=1/150,150 J=1/900"], ["A"], 2400.0) == {"A": {"2400 J": "1/150", "150 J": "1/900"}}


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("C:full=1/150", 'no head "C" in this test, which has A, B'),
        ("full=1/150,1/1=1/160", "1/1 is there twice"),
        ("full=quick", 'time "quick"'),
        ("strong=1/100", 'power "strong"'),
        ("2400 J=1/100", 'power "2400 J": needs the energy at full; give --max-energy'),
    ],
)
def test_faults_of_flash_durations(text: str, message: str) -> None:
    with pytest.raises(GreystepError, match=message):
        flash_durations([text], ["A", "B"])


def test_the_stated_doubt_holds_the_truth_95_times_in_100() -> None:
    rng = np.random.default_rng(11)
    rounds, powers, scatter = 3, 5, 0.4
    held = 0
    for _ in range(3000):
        frames = rng.normal(0.0, scatter, (2, powers, rounds))
        measured = math.sqrt(frames.var(axis=2, ddof=1).mean())
        apart = frames[1, 0].mean() - frames[0, 0].mean()
        held += abs(apart) <= u_after(rounds, powers, measured)
    assert 0.94 < held / 3000 < 0.965  # 3.5 standard deviations of a share of 3000


def test_doubt_by_hand() -> None:
    # 2 rounds of 5 powers: 10 degrees of freedom, t = 2.228 (Student's table); sqrt(2/2) = 1
    assert u_after(2, 5, 0.5) == pytest.approx(2.228 * 0.5, abs=0.0003)
    assert math.isnan(u_after(1, 5, 0.5))


@pytest.mark.parametrize("u", [0.3, 0.6, 1.0, 5.0])
def test_rounds_are_the_fewest_that_will_do(u: float) -> None:
    found = rounds_for(u, 5, 0.5)

    def reached(n: int) -> float:
        return float(stats.t.ppf(0.975, 10 * (n - 1)) * 0.5 * np.sqrt(2 / n))

    assert found >= 2
    assert reached(found) < u * 1.02  # a factor of 2 stands for Student's from 50 degrees of freedom on
    assert found == 2 or reached(found - 1) > u * 0.98


def test_what_no_number_of_rounds_tells_is_said() -> None:
    with pytest.raises(
        GreystepError, match=r"0\.05 mired: takes more than 50 rounds .* which give 0\.20; ask for less"
    ):
        rounds_for(0.05, 5, 0.5)


def test_distance_of_an_even_target() -> None:
    # Common practice, no source: a table of 1.5 m wants its light 8 m off, 10 m for more.
    assert math.ceil(distance_for(1.5)) == 8
    assert math.ceil(distance_for(1.5, 1.0)) == 10
    assert distance_for(0.3) / 0.3 == pytest.approx(distance_for(1.5) / 1.5)


@pytest.mark.parametrize(("width", "even_pct"), [(0.3, EVEN_PCT), (1.5, 1.0), (2.0, 20.0)])
def test_the_edge_gets_as_much_less_by_brute_force(width: float, even_pct: float) -> None:
    distance = distance_for(width, even_pct)
    edge = np.array([width / 2, 0.0, distance])
    irradiance = (edge[2] / np.linalg.norm(edge)) / np.linalg.norm(edge) ** 2  # cosine over square of the distance
    assert 100 * (1 - irradiance * distance**2) == pytest.approx(even_pct, rel=1e-9)
