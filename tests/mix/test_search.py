"""The best heads and powers: proven against every possible choice, and a gang against hand arithmetic."""

from itertools import combinations
from types import ModuleType
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from greystep.compare.drift import analyse
from greystep.errors import GreystepError
from greystep.mix import search
from greystep.mix.choose import choose, choose_gang
from greystep.mix.search import UNIT, best_sets
from greystep.session.settings import HeadInfo


def every_set(points: np.ndarray, heads: list[int], need: int) -> list[tuple[int, int, tuple[int, ...]]]:
    """Return every choice by widest pair, sum, places: the slow and certain way."""
    found = []
    for members in combinations(range(len(points)), need):
        if len({heads[m] for m in members}) == need:
            apart = [round(float(np.hypot(*(points[a] - points[b]))) * UNIT) for a, b in combinations(members, 2)]
            found.append((max(apart), sum(apart), members))
    return sorted(found)


@st.composite
def cases(draw: st.DrawFn) -> tuple[np.ndarray, list[int], int]:
    """Small kits, on a coarse grid (many ties) or anywhere."""
    heads = [head for head in range(draw(st.integers(2, 5))) for _ in range(draw(st.integers(1, 3)))]
    coordinate = draw(st.sampled_from([st.integers(0, 2).map(float), st.floats(-5, 5, width=32)]))
    points = draw(st.lists(st.tuples(coordinate, coordinate), min_size=len(heads), max_size=len(heads)))
    return np.array(points), heads, draw(st.integers(2, len(set(heads))))


@settings(max_examples=150, deadline=None, derandomize=True)
@given(cases())
def test_the_search_finds_what_trying_everything_finds(case: tuple[np.ndarray, list[int], int]) -> None:
    points, heads, need = case
    wanted = every_set(points, heads, need)[:4]
    found = best_sets(points, heads, need, 4)
    assert [one.members for one in found] == [members for *_, members in wanted]
    assert [round(one.worst * UNIT) for one in found] == [worst for worst, *_ in wanted]
    assert [round(one.total * UNIT) for one in found] == [total for _, total, _ in wanted]
    assert all(one.settled for one in found)


def test_a_search_that_takes_too_long_ends_with_what_it_has_and_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    """Many sets with one worst pair: their sums are looked at in so many steps and no more."""
    looked: list[int] = []
    promising = search._promising

    def counted(state: Any, members: list[int], *rest: Any) -> bool:
        looked.append(state.steps[0])
        return promising(state, members, *rest)

    monkeypatch.setattr(search, "_promising", counted)
    between = np.random.default_rng(1).uniform(4.0, 6.0, (12, 2))
    points, heads = np.array([(0.0, 5.0), (10.0, 5.0), *between]), [0, 1, *(2 + place // 3 for place in range(12))]
    whole = best_sets(points, heads, 6)[0]
    assert whole.settled
    assert max(looked) > 3
    monkeypatch.setattr(search, "MOST_STEPS", 3)
    looked.clear()
    cut = best_sets(points, heads, 6)[0]
    assert not cut.settled
    assert max(looked) == 3
    assert cut.worst == whole.worst
    assert len({heads[member] for member in cut.members}) == 6


def test_no_set_where_heads_are_too_few() -> None:
    assert best_sets([(0.0, 0.0), (1.0, 0.0), (0.0, 1.0)], [0, 0, 1], 3) == []


def test_a_whole_kit_is_searched_and_a_planted_choice_is_found() -> None:
    rng = np.random.default_rng(3)
    points = rng.uniform(0.0, 40.0, (24 * 9, 2))
    planted = [9 * head + int(rng.integers(9)) for head in (1, 4, 8, 13, 17, 22)]
    points[planted] = [20.0, 20.0] + 0.05 * rng.standard_normal((6, 2))
    best = best_sets(points, [place // 9 for place in range(24 * 9)], 6)[0]
    assert list(best.members) == planted


def kit(synthetic: ModuleType, offsets: np.ndarray, **heads: HeadInfo) -> tuple[object, object]:
    session = synthetic.make_session(heads=heads)
    return analyse(synthetic.simulate(np.random.default_rng(5), offsets, scatter=0.02), session), session


def test_the_choice_of_a_session_is_distinct_heads_with_the_smallest_worst_pair(synthetic: ModuleType) -> None:
    offsets = np.array([[0.0, 20.0, 40.0], [21.0, 50.0, 80.0], [60.0, 19.0, 90.0]])
    drift, session = kit(synthetic, offsets)
    made = choose(drift, session, 3)  # type: ignore[arg-type]
    assert [(one.head, one.power) for one in made.best.lights] == [("A", "1/2"), ("B", "1/1"), ("C", "1/2")]
    pair = made.best.worst
    assert pair is not None
    assert {pair.first.head, pair.second.head} == {"B", "C"}
    assert abs(pair.difference.delta_mired) == pytest.approx(2.0, abs=0.1)
    assert made.best.verdict == "within"
    assert made.best.lights[0].cost_stops == pytest.approx(1.0, abs=0.05)
    worst = [one.worst for one in (made.best, *made.next_best)]
    steps = [pair.difference.delta_steps for pair in worst if pair is not None]
    assert len(steps) == len(worst)
    assert steps == sorted(steps)
    only = choose(drift, session, 2, ["full", "1/4"])  # type: ignore[arg-type]
    assert {one.power for one in only.best.lights} <= {"1/1", "1/4"}


@pytest.mark.parametrize(
    ("need", "powers", "said"),
    [
        (4, (), "3 heads measured"),
        (1, (), "two heads at least"),
        (2, ("1/32",), "tested were 1/1, 1/2, 1/4"),
        (2, ("x",), "not understood"),
    ],
)
def test_what_cannot_be_chosen_is_told(synthetic: ModuleType, need: int, powers: tuple[str, ...], said: str) -> None:
    drift, session = kit(synthetic, np.zeros((3, 3)))
    with pytest.raises(GreystepError, match=said):
        choose(drift, session, need, powers)  # type: ignore[arg-type]


def test_ganged_heads_give_the_wanted_output_with_the_shortest_flash(synthetic: ModuleType) -> None:
    """Four equal heads: one at full, two at 1/2, four at 1/4 are the same light; the last flash is the shortest."""
    info = {name: HeadInfo("", "", None, {0.0: 1 / 150, 1.0: 1 / 300, 2.0: 1 / 600}, "") for name in "ABCD"}
    drift, session = kit(synthetic, np.zeros((4, 3)), **info)
    made = choose_gang(drift, session, "0")  # type: ignore[arg-type]
    assert {one.power for one in made.best.lights} == {"1/4"}
    assert len(made.best.lights) == 4
    assert made.best.t01_s == pytest.approx(1 / 600)
    assert made.best.output_stops == pytest.approx(0.0, abs=0.05)
    assert made.best.colour.u_prime == pytest.approx(0.2045, abs=5e-5)
    fewer = choose_gang(drift, session, "A@1/1", most=2)  # type: ignore[arg-type]
    assert [one.power for one in fewer.best.lights] == ["1/2", "1/2"]
    assert [len(other.lights) for other in fewer.next_best] == [1]
    with pytest.raises(GreystepError, match=r"the most that these heads give together is \+2\.0 stops"):
        choose_gang(drift, session, "3")  # type: ignore[arg-type]
    with pytest.raises(GreystepError, match="no head"):
        choose_gang(drift, session, "Z@1/1")  # type: ignore[arg-type]
    with pytest.raises(GreystepError, match="write -12 to 6 stops"):
        choose_gang(drift, session, "bright")  # type: ignore[arg-type]


def test_ganging_needs_flash_durations(synthetic: ModuleType) -> None:
    drift, session = kit(synthetic, np.zeros((2, 2)))
    with pytest.raises(GreystepError, match="t01_s"):
        choose_gang(drift, session)  # type: ignore[arg-type]


def test_an_output_that_was_not_measured_cannot_be_asked_for(synthetic: ModuleType) -> None:
    session = synthetic.make_session(heads={"A": HeadInfo("", "", None, {0.0: 1 / 150, 1.0: 1 / 300}, "")})
    readings = synthetic.simulate(np.random.default_rng(1), np.zeros((1, 2)), scatter=0.1)
    readings.loc[readings["stops"] == 1, "output_stops"] = np.nan
    with pytest.raises(GreystepError, match="that power of A was not measured"):
        choose_gang(analyse(readings, session), session, "A@1/2")
    assert choose_gang(analyse(readings, session), session, "A@1/1").best.lights[0].power == "1/1"
