"""Slipped sequences, made from known ones: frames lost, frames too many, flashes that did not fire."""

import numpy as np
import pandas as pd
import pytest

from greystep.planning.cells import Cell, all_cells
from greystep.planning.folder import shots_table
from greystep.planning.order import arrange
from greystep.session.alignment import place_by_light
from greystep.session.power import parse_power

LEVEL = {"A": 0.0, "B": -0.12, "C": 0.15}


def planned(seed: int, order: str = "by-head") -> tuple[pd.DataFrame, np.ndarray]:
    cells = all_cells(list("ABC"), ["full", "1/2", "1/4", "1/8", "1/16"], 3)
    shots = shots_table(arrange(cells, order, seed, Cell("A", "full", 0.0)))
    shots["stops"] = [parse_power(power).stops if power else np.nan for power in shots["power"]]
    rng = np.random.default_rng([seed, 9])
    light = np.array([LEVEL.get(head, -np.inf) for head in shots["head"]]) - shots["stops"].fillna(0.0).to_numpy() + 9.0
    return shots, light + rng.normal(0.0, 0.02, len(light))


def light_of(shots: pd.DataFrame, row: int) -> tuple[object, ...]:
    return tuple(shots.loc[row, ["head", "power", "kind"]])


def test_a_sequence_that_did_not_slip_is_its_own_answer() -> None:
    for seed in range(5):
        shots, light = planned(seed)
        assert place_by_light(shots, light).tolist() == list(range(len(shots)))


@pytest.mark.parametrize("order", ["by-head", "shuffled"])
def test_lost_and_surplus_frames_put_no_other_frame_on_a_wrong_light(order: str) -> None:
    rng = np.random.default_rng(3)
    unplaced = total = 0
    for seed in range(12):
        shots, light = planned(seed, order)
        kept = np.setdiff1d(np.arange(len(shots)), rng.choice(len(shots), rng.integers(0, 3), replace=False))
        true, seen = kept.tolist(), light[kept].tolist()
        for _ in range(rng.integers(0, 3)):
            at = int(rng.integers(1, len(true)))
            true.insert(at, -1)
            seen.insert(at, seen[at - 1] if rng.random() < 0.5 else 9.0 - 7.5)  # pressed twice, or another light
        placed = place_by_light(shots, np.array(seen))
        used = placed[placed >= 0]
        assert (np.diff(used) > 0).all()
        for row, found in zip(true, placed.tolist(), strict=True):
            if row >= 0:
                total += 1
                unplaced += found < 0
                assert found < 0 or light_of(shots, found) == light_of(shots, row)
    assert unplaced < 0.04 * total


def test_as_many_frames_as_rows_may_still_have_slipped() -> None:
    shots, light = planned(1)
    lost, twice = 20, 35
    kept = [row for row in range(len(shots)) if row != lost]
    kept.insert(kept.index(twice), twice)
    placed = place_by_light(shots, light[kept])
    assert len(placed) == len(shots)
    between = [row for row in kept if lost < row < twice]
    found = [int(placed[kept.index(row)]) for row in between]
    assert all(at < 0 or light_of(shots, at) == light_of(shots, row) for at, row in zip(found, between, strict=True))
    assert sum(at >= 0 for at in found) > 0.7 * len(between)


def test_a_flash_that_did_not_fire_keeps_its_row() -> None:
    shots, light = planned(2)
    light[[15, 30]] = -np.inf, light[30] - 0.35  # nothing, and short by a third
    assert place_by_light(shots, light).tolist() == list(range(len(shots)))


def test_nothing_to_place() -> None:
    shots, _ = planned(1)
    assert place_by_light(shots, np.zeros(0)).tolist() == []
    assert place_by_light(shots.iloc[:0], np.zeros(3)).tolist() == [-1, -1, -1]


@pytest.mark.parametrize(("off", "told"), [(0.3, True), (0.6, False), (-0.6, False)])
def test_a_frame_far_from_the_light_of_its_place_has_none(off: float, told: bool) -> None:
    """It has no better place either, so that only its distance says that it may not be this light."""
    shots, light = planned(1)
    row = next(at for at in range(40, len(shots)) if shots["kind"][at] == "flash")
    light[row] += off
    placed = place_by_light(shots, light)
    assert (placed[row] == row) == told
    assert np.delete(placed, row).tolist() == [at for at in range(len(shots)) if at != row]
