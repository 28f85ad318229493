"""What asks for another leg, and why nothing more is asked: lights that are written down."""

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd

from greystep.compare import stopping
from greystep.compare.drift import Drift
from greystep.compare.stopping import OpenLight, Reason
from greystep.terms import Quantity
from helpers.kits import drift_of


def test_frames_that_were_shot_count_good_or_bad_and_checks_do_not() -> None:
    drift = drift_of(
        [[180.0, 180.0], [180.0, 180.0]], stops=[[0, 0], [0, 1]], parts={"pack": [["P1", "P2"], ["P1", "P1"]]}
    )
    rows = [("A", "P1", 0.0, "flash", 0, ""), ("A", "P1", 0.005, "flash", 1, ""), ("A", "P2", 0.0, "flash", 2, ""),
            ("B", "P1", 1.0, "flash", -1, ""), ("B", "P1", 0.0, "check", 3, ""),
            ("B", "P1", 0.0, "flash", 4, "check frame"), ("B", "P1", 0.0, "ambient", 5, ""),
            ("B", "P1", 0.0, "flash", 6, "")]  # fmt: skip
    readings = pd.DataFrame(rows, columns=["head", "pack", "stops", "kind", "shot", "note"])
    assert stopping.shot_rounds(readings, drift).tolist() == [2, 1, 1, 0]


def lights(drift: Drift, cells: list[int], order: list[int]) -> list[tuple[str, str]]:
    """Return lights in the order to shoot them; `order` has the cells as they were shot."""
    frames: Any = SimpleNamespace(cell=np.array(order, dtype=int), stops=drift.cells.table["stops"].to_numpy()[order])
    return [(one.head, one.power) for one in stopping._in_order(replace(drift, frames=frames), np.array(cells))]


def test_the_last_head_on_the_stand_comes_first_and_goes_on_from_its_power() -> None:
    drift = drift_of([[180.0] * 3] * 2)
    assert lights(drift, [0, 1, 2, 3, 4], [0, 1, 2, 3, 4, 5]) == [
        ("B", "1/2"), ("B", "1/1"), ("A", "1/4"), ("A", "1/2"), ("A", "1/1")
    ]  # fmt: skip
    assert lights(drift, [3, 5], [0, 5, 4, 3]) == [("B", "1/1"), ("B", "1/4")]
    assert lights(drift, [3, 4, 5], [3, 4]) == [("B", "1/1"), ("B", "1/2"), ("B", "1/4")], "from the middle down"
    assert lights(drift, [0, 2], [3, 4]) == [("A", "1/1"), ("A", "1/4")], "a head that was not shot yet, from full"
    packs = drift_of([[180.0], [180.0]], parts={"pack": [["P1"], [""]]})
    frames: Any = SimpleNamespace(cell=np.array([0, 1]), stops=np.zeros(2))
    found = stopping._in_order(replace(packs, frames=frames), np.array([0, 1]))
    assert found == (OpenLight("B", "1/1", 0.0, ()), OpenLight("A", "1/1", 0.0, (("pack", "P1"),)))


def test_why_nothing_more_is_asked() -> None:
    def why(of_mine: list[bool], possible: list[float], withheld: list[str], asked: list[bool]) -> Reason:
        rows = SimpleNamespace(
            first=np.array([0, 1]), second=np.array([1, 2]), withheld=np.array(withheld, dtype=object)
        )
        judged: Any = SimpleNamespace(rows={Quantity.MIRED: rows})
        return stopping._reason(judged, np.array(asked), np.array(of_mine), np.array(possible))

    every = [True, True, True]
    assert why([True, False], [0.0, 5.0], ["", ""], every) == Reason.ALL_SHOT
    assert why([True, True], [0.0, 1.0], ["", ""], every) == Reason.TOO_CLOSE
    assert why([False, False], [0.0, 0.0], ["", ""], every) == Reason.CALLED
    assert why([False, False], [0.0, 0.0], ["", "room"], every) == Reason.WITHHELD
    assert why([False, False], [0.0, 0.0], ["", "room"], [True, False, False]) == Reason.CALLED
    assert why([False, False], [0.0, 0.0], ["", "room"], [False, False, True]) == Reason.WITHHELD
