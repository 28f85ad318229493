"""Which lights are shot again: by hand where one pair is open, and by shooting them where many are."""

from dataclasses import replace
from types import ModuleType

import numpy as np
import pandas as pd
import pytest

from greystep.compare.drift import analyse
from greystep.compare.limits import judge_rows
from greystep.compare.more_rounds import deciding_rounds
from greystep.compare.verdict import judge
from greystep.session.settings import Tolerance

ONLY_MIRED = Tolerance(4.0, None, None, None, None, False)


def offsets() -> np.ndarray:
    """Three heads at three powers; only B at the second power stands near the limit of 4 mired."""
    kit = np.zeros((3, 3))
    kit[1, 1] = 3.3
    return kit


def run(synthetic: ModuleType, readings: pd.DataFrame, most: int | None = None):  # type: ignore[no-untyped-def]
    drift = analyse(readings, synthetic.make_session(tolerance=ONLY_MIRED))
    judged = judge(drift, ONLY_MIRED)
    open_heads = np.flatnonzero((judged.heads["verdict"] == "undecided").to_numpy())
    return drift, deciding_rounds(drift, ONLY_MIRED, open_heads, most)


def test_only_what_is_open_is_shot_again(synthetic: ModuleType) -> None:
    readings = synthetic.simulate(np.random.default_rng(3), offsets(), repeats=2, scatter=0.4, order="turns")
    drift, asked = run(synthetic, readings, most=20)
    assert asked.open > 0
    assert asked.rounds[4] == asked.rounds.max() > 0  # B at 1/2 is one side of every open difference
    table = drift.cells.table
    opened = {(a, b) for a, b in zip(drift.pair_first, drift.pair_second, strict=True) if 4 in (a, b)}
    assert {int(cell) for cell in np.flatnonzero(asked.rounds)} <= {cell for pair in opened for cell in pair} | {3, 5}
    assert len(table) == len(asked.rounds)


def test_nothing_open_nothing_asked(synthetic: ModuleType) -> None:
    _, asked = run(synthetic, synthetic.simulate(np.random.default_rng(1), np.zeros((3, 3)), repeats=4, scatter=0.2))
    assert asked.open == asked.settled == 0
    assert not asked.rounds.any()


def test_what_needs_more_rounds_than_allowed_is_left_open(synthetic: ModuleType) -> None:
    kit = offsets()
    kit[1, 1], kit[2, 2] = 3.95, 3.0
    readings = synthetic.simulate(np.random.default_rng(2), kit, repeats=2, scatter=0.6, order="turns")
    _, all_of_it = run(synthetic, readings, most=20)
    _, half = run(synthetic, readings)
    assert 0 < half.settled < all_of_it.settled <= all_of_it.open - all_of_it.on_the_limit
    assert half.rounds.max() < all_of_it.rounds.max()
    assert half.open == all_of_it.open


def test_a_light_without_a_usable_frame_is_shot_twice(synthetic: ModuleType) -> None:
    readings = synthetic.simulate(np.random.default_rng(1), np.zeros((2, 3)), repeats=4, scatter=0.2)
    lost = (readings["head"] == "B") & (readings["stops"] == 1)
    readings.loc[lost, "status"] = "rejected"
    _, asked = run(synthetic, readings)
    assert asked.rounds[4] == 2


def test_the_frames_asked_for_do_settle_it(synthetic: ModuleType) -> None:
    settled = asked_for = 0
    for seed in range(12):
        rng = np.random.default_rng([seed, 1])
        kit = offsets()
        readings = synthetic.simulate(rng, kit, repeats=2, scatter=0.3, order="turns")
        _, asked = run(synthetic, readings, most=10)
        if not asked.rounds.any():
            continue
        cells = np.concatenate([np.flatnonzero(asked.rounds > at) for at in range(asked.rounds.max())])  # in turns too
        head, power = np.divmod(cells, 3)
        mired = 178.6 + kit[head, power] + 0.3 * rng.standard_normal(len(cells))
        more = synthetic.table(
            [chr(65 + h) for h in head], power, mired, 0.0005, -power.astype(float),
            seconds=5000.0 + 10.0 * np.arange(len(cells)),
        )  # fmt: skip
        both = pd.concat([readings, more], ignore_index=True).assign(shot=lambda table: np.arange(len(table)))
        _, after = run(synthetic, both, most=10)
        asked_for += asked.open
        settled += asked.open - after.open
    assert asked_for > 16
    assert settled > 0.6 * asked_for


def test_nothing_is_asked_of_a_head_that_goes_back(synthetic: ModuleType) -> None:
    """B goes back by its own drift, and a light of it is empty; C stands near the limit against A."""
    kit = np.array([[0.0] * 3, [0.0, 9.0, 9.0], [3.4] * 3, [0.0] * 3])
    readings = synthetic.simulate(np.random.default_rng(3), kit, repeats=3, scatter=0.4, order="turns")
    lost = (readings["head"] == "B") & (readings["stops"] == 2)
    readings.loc[lost, ["status", "flags", "mired"]] = ["rejected", "no_flash", np.nan]
    drift = analyse(readings, synthetic.make_session(tolerance=ONLY_MIRED))
    judged = judge(drift, ONLY_MIRED)
    assert judged.back == ("B",)
    asked = deciding_rounds(drift, ONLY_MIRED, judged.open_heads, 20, judged.closed_heads)
    assert not asked.rounds[3:6].any()
    assert asked.rounds[6:9].any()
    assert deciding_rounds(drift, ONLY_MIRED, judged.open_heads, 20).rounds[3:6].any(), "unless it is not said to be"


def test_what_is_withheld_is_not_asked(synthetic: ModuleType, monkeypatch: pytest.MonkeyPatch) -> None:
    readings = synthetic.simulate(np.random.default_rng(3), offsets(), repeats=2, scatter=0.4, order="turns")
    assert run(synthetic, readings, most=20)[1].open > 0

    def held(drift, tolerance):  # type: ignore[no-untyped-def]
        return {
            name: replace(one, within=one.within & False, withheld=np.full(len(one.first), "unwatched", dtype=object))
            for name, one in judge_rows(drift, tolerance).items()
        }

    monkeypatch.setattr("greystep.compare.more_rounds.judge_rows", held)
    drift = analyse(readings, synthetic.make_session(tolerance=ONLY_MIRED))
    asked = deciding_rounds(drift, ONLY_MIRED, np.zeros(0, dtype=np.intp), 20)
    assert (asked.open, asked.rounds.any()) == (0, False)
