"""Shares of heads and packs: weights, contrasts and answers by their formulas."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from greystep.compare import head_or_pack
from greystep.compare.head_or_pack import Follows, OnePack, Step, heads_on_one_pack
from greystep.terms import Quantity
from helpers.kits import drift_of


def t(dof: float, chance: float = 0.05) -> float:
    return float(stats.t.ppf(1.0 - chance / 2.0, dof))


def table_of(lights: list[tuple[str, str, float, int]]) -> pd.DataFrame:
    table = pd.DataFrame(lights, columns=["head", "pack", "stops", "n"])
    return table.assign(power=table["stops"].map(lambda stops: f"-{stops:g}"))


def test_steps_of_heads_and_packs_are_weighted_least_squares() -> None:
    """C and D on P1 and P2, E on P2 alone, by 3, 1, 2, 4 and 2 frames; F on P3 is tied to none."""
    table = table_of(
        [
            ("C", "P1", 0.0, 3),
            ("C", "P2", 0.0, 1),
            ("D", "P1", 0.0, 2),
            ("D", "P2", 0.0, 4),
            ("E", "P2", 0.0, 2),
            ("F", "P3", 0.0, 5),
        ]
    )
    found = list(head_or_pack._steps(table, np.arange(6)))
    assert [(one.part, one.first, one.second) for one in found] == [
        ("head", "C", "D"), ("head", "C", "E"), ("head", "D", "E"), ("pack", "P1", "P2"), ("left", "C to D", "P1 to P2")
    ]  # fmt: skip
    values, n = np.random.default_rng(1).normal(180.0, 3.0, 6), table["n"].to_numpy(float)
    design = np.zeros((5, 4))
    for row, (head, pack) in enumerate(zip(table["head"][:5], table["pack"][:5], strict=True)):
        design[row, "CDE".index(head)] = 1.0
        design[row, 3] = pack == "P2"
    solved = np.linalg.lstsq(design * np.sqrt(n[:5])[:, None], values[:5] * np.sqrt(n[:5]), rcond=None)[0]
    wanted = [solved[1] - solved[0], solved[2] - solved[0], solved[2] - solved[1], solved[3]]
    assert [one.weights @ values for one in found[:4]] == pytest.approx(wanted)
    assert found[4].weights @ values == pytest.approx(values[3] - values[2] - values[1] + values[0])
    assert {one.among for one in found} == {"heads C, D and E on packs P1 and P2"}


def test_a_change_over_the_powers_is_the_lowest_less_the_highest() -> None:
    table = table_of([(head, pack, stops, 1) for stops in (2.0, 0.0, 4.0) for head in "CD" for pack in ("P1", "P2")])
    levels = [
        step for rows in (range(4), range(4, 8), range(8, 12)) for step in head_or_pack._steps(table, np.array(rows))
    ]
    found = list(head_or_pack._changes(levels))
    assert [(one.part, one.power, one.from_power) for one in found] == [
        ("head", "-4", "-0"), ("pack", "-4", "-0"), ("left", "-4", "-0")
    ]  # fmt: skip
    heads = [one for one in levels if one.part == "head"]
    assert (found[0].weights == heads[2].weights - heads[1].weights).all()
    assert list(head_or_pack._changes(levels[:3])) == [], "one power has no change"


def rows_of(head: tuple[float, float] | None, pack: tuple[float, float] | None, left: float = 0.0) -> pd.DataFrame:
    """Steps of head and pack, each with what chance may give; `left` is sure."""
    parts = [("head", head), ("pack", pack), ("left", (left, 0.1) if left else None)]
    return pd.DataFrame([
        {"among": "all", "part": part, "first": "a", "second": "b", "power": "1/1", "from_power": "",
         "delta_mired": one[0], "u_delta_mired": 0.3, "by_chance_mired": one[1], "delta_k": -30.0 * one[0]}
        for part, one in parts if one is not None
    ])  # fmt: skip


@pytest.mark.parametrize(
    ("rows", "follows"),
    [
        (rows_of((5.0, 1.0), (0.5, 1.0)), Follows.HEAD), (rows_of((0.5, 1.0), (-5.0, 1.0)), Follows.PACK),
        (rows_of((5.0, 1.0), (5.0, 1.0)), Follows.BOTH), (rows_of((0.9, 0.5), (0.9, 0.5)), Follows.NEITHER),
        (rows_of((1.1, 0.5), (0.9, 0.5)), Follows.HEAD), (rows_of((1.4, 1.5), (1.1, 1.5)), Follows.NEITHER),
        (rows_of((5.0, 1.0), (5.0, np.nan)), Follows.OPEN), (rows_of(None, (5.0, 1.0)), Follows.PACK),
        (rows_of(None, (0.5, 1.0)), Follows.OPEN), (rows_of((5.0, 1.0), None), Follows.OPEN),
        (rows_of((5.0, 1.0), (0.5, 1.0), 2.6), Follows.OPEN), (rows_of((5.0, 1.0), (0.5, 1.0), -2.4), Follows.HEAD),
        (rows_of((0.5, 1.0), (-5.0, 1.0), 2.4), Follows.PACK), (rows_of((0.5, 1.0), (0.5, 1.0), 0.9), Follows.NEITHER),
    ],
)  # fmt: skip
def test_what_a_quantity_follows(rows: pd.DataFrame, follows: Follows) -> None:
    share = head_or_pack._share(rows, Quantity.MIRED)
    assert share.follows == follows
    known = (rows["part"] == "pack").any() and np.isfinite(rows.loc[rows["part"] == "pack", "by_chance_mired"]).all()
    assert (share.pack is not None) == known


def test_the_widest_step_of_a_part_is_told() -> None:
    rows = pd.concat(
        [
            rows_of((2.0, 1.0), None),
            rows_of((-3.0, 0.8), None).assign(first="c", second="d"),
            rows_of((np.nan, 1.0), None),
        ]
    )
    assert head_or_pack._widest(rows, "head", Quantity.MIRED) == Step("head", "c", "d", -3.0, 0.3, 0.8, 90.0)
    assert head_or_pack._widest(rows, "pack", Quantity.MIRED) is None


def test_contrasts_have_the_doubt_of_one_fit_and_of_all_rows_at_once() -> None:
    drift = drift_of([[180.0, 185.0, None]], sd=[0.2], dof=[9.0])
    weights = np.array([[-1.0, 1.0, 0.0], [0.0, 1.0, -1.0], [0.5, 0.5, 0.0]])
    delta, u, chance = head_or_pack._contrasts(drift.fitted["mired"].cells, weights, 0.01)
    assert delta == pytest.approx([5.0, np.nan, 182.5], nan_ok=True)
    assert u == pytest.approx([t(9.0) * 0.2 * np.sqrt(2.0), np.nan, t(9.0) * 0.2 * np.sqrt(0.5)], rel=1e-3, nan_ok=True)
    assert chance[0] == pytest.approx(t(9.0, 0.01) * 0.2 * np.sqrt(2.0), rel=1e-3)
    assert np.isnan(chance[1])


def test_the_most_telling_power_and_the_change_are_kept() -> None:
    one, two = rows_of((2.0, 1.0), (0.1, 1.0)), rows_of((3.0, 2.0), (0.1, 1.0)).assign(power="1/2")
    both = pd.concat([one, two, rows_of((9.0, 1.0), (0.1, 1.0)).assign(power="1/2", from_power="1/1")])
    both = both.assign(
        **{f"{name}_{other}": 0.0 for name in ("delta", "u_delta", "by_chance") for other in ("duv", "output_stops")}
    )
    answers, told = head_or_pack._answers(both)
    assert [(getattr(one, "power", ""), getattr(one, "from_power", "")) for one in told] == [
        ("1/1", ""),
        ("1/2", "1/1"),
    ]
    assert len(answers) == 9
    assert answers["follows"].tolist()[:1] == ["head"]
    unknown = both.assign(by_chance_mired=np.nan)
    assert head_or_pack._answers(unknown)[1] == [head_or_pack.NothingRepeatedAmong("all")]


def test_what_is_tied_together_is_told_in_the_order_of_the_log() -> None:
    """Heads C and D with a grid on packs P1 and P2, then A and B with a dome: two exchanges, the grid's first."""
    parts = {
        "pack": [["P1", "P2"]] * 4, "modifier": [["grid"] * 2] * 2 + [["dome"] * 2] * 2,
    }  # fmt: skip
    found = head_or_pack.attribute(drift_of([[180.0, 181.0]] * 4, stops=[[0, 0]] * 4, parts=parts, names="CDAB"))
    assert found is not None
    assert list(dict.fromkeys(found.table["among"])) == [
        "heads C and D on packs P1 and P2",
        "heads A and B on packs P1 and P2",
    ]
    assert [one.among for one in found.told] == ["heads C and D on packs P1 and P2", "heads A and B on packs P1 and P2"]
    assert found.table["part"].tolist() == ["head", "pack", "left"] * 2


def test_packs_of_which_every_head_goes_back() -> None:
    packs = {"pack": [["P1"], ["P1"], ["P2"], ["P3"]]}
    drift = drift_of([[180.0]] * 4, parts=packs)
    assert heads_on_one_pack(drift, ["C"]) == [OnePack("P2", ("C",), "A", "P1")]
    assert heads_on_one_pack(drift, ["A"]) == []
    assert heads_on_one_pack(drift, ["A", "B"]) == [OnePack("P1", ("A", "B"), "C", "P2")]
    assert heads_on_one_pack(drift, ["A", "B", "C", "D"]) == []
    assert heads_on_one_pack(drift_of([[180.0]]), ["A"]) == []
    moved = drift_of([[180.0, 180.0], [180.0]], stops=[[0, 0], [0]], parts={"pack": [["P1", "P2"], ["P3"]]})
    assert heads_on_one_pack(moved, ["A"]) == [], "it was on another too"
    lost = drift_of([[180.0], [None]], parts={"pack": [["P1"], ["P2"]]})
    assert heads_on_one_pack(lost, ["B"]) == []
    unnamed = drift_of([[180.0], [180.0], [180.0]], parts={"pack": [["P1"], [""], ["P2"]]})
    assert heads_on_one_pack(unnamed, ["B"]) == [], "no pack is known of it"
    assert heads_on_one_pack(unnamed, ["A"]) == [OnePack("P1", ("A",), "C", "P2")]
