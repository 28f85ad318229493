"""Which lights are shot again, and how often, on lights that are written down."""

from dataclasses import replace

import numpy as np
import pytest

from greystep.compare.limits import judge_rows, rounds_to_decide
from greystep.compare.more_rounds import deciding_rounds, open_differences
from greystep.session.settings import Tolerance
from greystep.terms import Quantity
from helpers.kits import drift_of

ONLY_MIRED = Tolerance(4.0, None, None, None, None, False)


def test_differences_that_are_open_by_hand() -> None:
    """A: 1/1 and 1/2 of 3.9 mired apart are open; B stands near A at 1/1; C is empty at 1/2."""
    drift = drift_of([[180.0, 183.9], [180.0, 180.0], [180.0, None]], sd=0.2, dof=8.0, n=3)
    rows = judge_rows(drift, ONLY_MIRED)
    one = rows[Quantity.MIRED]

    def open_of(heads: list[int], closed: tuple[int, ...] = ()) -> set[tuple[int, int]]:
        found = open_differences(drift, rows, np.array(heads, dtype=int), np.array(closed, dtype=int))
        wanted = dict(
            zip(zip(found.first.tolist(), found.second.tolist(), strict=True), found.needed.tolist(), strict=True)
        )
        for (a, b), needed in wanted.items():
            row = int(np.flatnonzero((one.first == a) & (one.second == b))[0])
            here = [np.array([value[row]]) for value in (one.size, one.u, one.u_all)]
            alone = rounds_to_decide(*here, 4.0, np.array([3.0]), np.array([8.0]), 2, one.lasting[[row]])
            assert needed == max(1.0, alone[0])
        return set(wanted)

    assert open_of([0]) == {(0, 1), (1, 2), (1, 3), (1, 4)}
    assert open_of([]) == {(1, 2), (1, 3), (1, 4)}, "within a head that is called nothing is asked"
    assert open_of([], closed=(1,)) == {(1, 4)}
    assert open_of([], closed=(0,)) == set()
    rows[Quantity.MIRED] = replace(one, withheld=np.where(one.second == 4, "room", one.withheld))
    assert open_of([]) == {(1, 2), (1, 3)}


def test_a_head_whose_span_alone_is_open_is_shot_once_more_at_all_powers() -> None:
    drift = drift_of([[180.0, 181.0, 182.0], [180.0] * 3])
    found = open_differences(drift, judge_rows(drift, ONLY_MIRED), np.array([0]), np.zeros(0, dtype=int))
    assert (found.first.tolist(), found.second.tolist(), found.needed.tolist()) == ([0, 1], [1, 2], [1.0, 1.0])


def test_output_that_is_open_is_asked_of_the_heads_that_are_open() -> None:
    drift = drift_of([[180.0, 180.0], [180.0, 180.0]], output=[[0.0, 0.095], [0.0, 0.095]], sd=0.5, dof=8.0)
    found = open_differences(
        drift, judge_rows(drift, Tolerance(None, None, None, None, 0.1, False)), np.array([1]), np.zeros(0, dtype=int)
    )
    assert (found.first.tolist(), found.second.tolist()) == ([2], [3])
    assert found.needed[0] > 1.0


@pytest.mark.parametrize(("most", "settled"), [(None, 2), (1, 0), (20, 3)])
def test_frames_of_each_light_as_many_as_its_differences_ask(most: int | None, settled: int) -> None:
    """C is empty at 1/2, D at full on the limit: two frames, and none of the rounds that would not tell."""
    drift = drift_of([[180.0, 180.0], [183.0, 183.4], [180.0, None], [184.0, 180.5]], sd=0.35, dof=8.0, n=3)
    found = open_differences(drift, judge_rows(drift, ONLY_MIRED), np.zeros(0, dtype=int), np.zeros(0, dtype=int))
    asked = deciding_rounds(drift, ONLY_MIRED, np.zeros(0, dtype=int), most)
    finite = sorted(found.needed[np.isfinite(found.needed)])
    limit = most or finite[len(finite) // 2]
    wanted = np.array([0, 0, 0, 0, 0, 2, 0, 0])
    for a, b, needed in zip(found.first, found.second, found.needed, strict=True):
        if needed <= limit:
            wanted[[a, b]] = np.maximum(wanted[[a, b]], int(needed))
    assert asked.rounds.tolist() == wanted.tolist()
    assert asked.open == len(found.needed)
    assert asked.on_the_limit == np.isinf(found.needed).sum() > 0
    assert asked.settled == (found.needed <= limit).sum()
    closed = deciding_rounds(drift, ONLY_MIRED, np.zeros(0, dtype=int), most, np.array([2]))
    assert closed.rounds[5] == 0
