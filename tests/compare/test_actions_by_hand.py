"""What to do next, on lights and findings that are written down."""

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np

from greystep.compare import actions
from greystep.compare.actions import (
    Action,
    CompareHeads,
    FireFirst,
    GiveMatrix,
    KeepHeadsApart,
    KeepPacksApart,
    OpenPairs,
    SendBack,
    SeparateHeat,
    ShootAgain,
    ShootEmpty,
    ShootFlashOff,
    ShootHeadAgain,
    ShootRounds,
    UseOver,
    WatchBetween,
    find_actions,
    find_open_pairs,
    settle,
)
from greystep.compare.called import Called, WarmUp
from greystep.compare.drift import Drift
from greystep.compare.findings import Doubted, Spoilt
from greystep.compare.limits import Rows, judge_rows, own_rows, rounds_to_decide
from greystep.compare.odd_heads import OddHeads
from greystep.compare.verdict import judge
from greystep.flags import Flag
from greystep.session.settings import Tolerance
from greystep.terms import Quantity, Verdict, Withheld
from helpers.kits import drift_of

ONLY_MIRED = Tolerance(4.0, None, None, None, None, False)
NONE = OddHeads((), (), (), (), (), ())
WARM = WarmUp(9.0, 0.1, 5, False, True)


def finding(head: str, **more: Any) -> Any:
    usual: dict[str, Any] = {
        "head": head, "back": False, "spoilt": None, "safe": (), "mixes": (), "partners": (), "stays": 2, "empty": (),
        "colourless": False, "doubted": None, "called": Called(Verdict.WITHIN, None), "verdict": Verdict.WITHIN,
        "warm_up": None, "close": None, "rounds": 0.0, "cells": 2,
    }  # fmt: skip
    return SimpleNamespace(**usual | more)


def acts(*findings: Any, odd: OddHeads = NONE, apart: tuple[tuple[str, ...], ...] = (), pairs: bool = False,
         drift: Drift | None = None, rows: dict[Quantity, Rows] | None = None) -> list[Action]:  # fmt: skip
    drift = drift or drift_of([[180.0, 180.0]] * len(findings))
    open_pairs = np.full(len(drift.pair_first), pairs)
    return find_actions(drift, rows or judge_rows(drift, ONLY_MIRED), open_pairs, findings, odd, apart)


def test_heads_go_back_and_may_be_used_over_what_fits() -> None:
    one = finding("A", back=True, safe=("1/1",), mixes=("1/2",), partners=("C",), stays=1)
    other = finding("B", back=True)
    found = acts(one, other, finding("C"), odd=replace(NONE, back=(0, 1)))
    assert found == [SendBack(("A", "B")), UseOver("A", ("1/1",), ("1/2",), ("C",), 1)]
    assert acts(finding("A"), finding("B")) == []


def test_what_comes_first_is_told_first() -> None:
    spoilt, doubted = Spoilt(5, 8, "clipped"), Doubted(Flag.NEAR_WHITE, ("1/2",))
    found = acts(
        finding("A", spoilt=spoilt), finding("B", doubted=doubted), finding("C", empty=("1/4",), colourless=True),
        finding("D", empty=("1/4",)), finding("E", rounds=2.0),
        odd=replace(NONE, clash=(1, 2), packs=("P1", "P2")), apart=(("A",), ("B",)),
    )  # fmt: skip
    assert found == [
        ShootHeadAgain("A", spoilt), KeepPacksApart(("P1", "P2")), KeepHeadsApart(("B", "C")), GiveMatrix(),
        ShootAgain("B", doubted), CompareHeads((("A",), ("B",))), ShootEmpty(("D",), ("1/4",)),
        ShootRounds(("E",), 2.0, 2),
    ]  # fmt: skip
    colourless = acts(finding("A", colourless=True), finding("B"))
    assert colourless == [], "no power is empty for it"


def test_a_head_that_warms_up_beyond_its_limit_is_fired_first_unless_it_goes_back_or_is_outside() -> None:
    assert acts(finding("A", warm_up=WARM), finding("B")) == [FireFirst("A", WARM)]
    for one in (
        finding("A", warm_up=replace(WARM, beyond=False)), finding("A", warm_up=WARM, verdict=Verdict.OUTSIDE),
        finding("A", warm_up=WARM, back=True), finding("A"),
    ):  # fmt: skip
        assert not any(isinstance(act, FireFirst) for act in acts(one, finding("B")))


def held(reason: Withheld) -> Called:
    return Called(Verdict.UNDECIDED, None, (reason,))


def test_reasons_of_heads_are_settled_each_in_its_way() -> None:
    drift = drift_of([[180.0, 181.0], [180.0, 181.0], [180.0, 181.0]], stops=[[1, 0], [0, 3], [2, 0]])
    hot = acts(finding("A"), finding("B", called=held(Withheld.HEAT)), finding("C"), drift=drift)
    assert hot == [SeparateHeat(("B",), ("1/1", "1/8"))]
    dark = acts(finding("A", called=held(Withheld.ROOM)), finding("B"), finding("C", called=held(Withheld.ROOM)))
    assert dark == [ShootFlashOff(("A", "C"))]
    alone = acts(finding("A", called=held(Withheld.NOT_COMPARED)))
    assert alone == [CompareHeads((("A",),))]
    apart = acts(finding("A", called=held(Withheld.NOT_COMPARED)), finding("B"), apart=(("A",), ("B",)))
    assert apart == [CompareHeads((("A",), ("B",)))]
    for back in ({"back": True}, {"spoilt": Spoilt(5, 8, "clipped")}):
        left = acts(finding("A", called=held(Withheld.ROOM), **back), finding("B"), odd=NONE)
        assert not any(isinstance(act, ShootFlashOff) for act in left)


def rows_held(drift: Drift, reasons: dict[int, Withheld]) -> dict[Quantity, Rows]:
    rows = judge_rows(drift, ONLY_MIRED)
    withheld = rows[Quantity.MIRED].withheld.copy()
    for at, reason in reasons.items():
        withheld[own_rows(drift, rows) + at] = str(reason)
    return {Quantity.MIRED: replace(rows[Quantity.MIRED], withheld=withheld)}


def test_what_lies_between_heads_is_told_of_both_and_what_one_has_by_itself_of_that_one() -> None:
    """Pairs of A, B, C with one light each are A-B, A-C, B-C."""
    drift = drift_of([[180.0], [180.0], [180.0]])
    three = finding("A"), finding("B"), finding("C")
    watch = acts(*three, drift=drift, rows=rows_held(drift, {1: Withheld.UNWATCHED}))
    assert watch == [WatchBetween(("A", "C"), ("1/1",))]
    room = acts(*three, drift=drift, rows=rows_held(drift, {0: Withheld.ROOM}))
    assert room == [ShootFlashOff(("A", "B"))]
    known = finding("A", called=held(Withheld.ROOM)), finding("B"), finding("C")
    one = acts(*known, drift=drift, rows=rows_held(drift, {0: Withheld.ROOM}))
    assert one == [ShootFlashOff(("A",))], "A has it by itself: B is not to blame"
    gone = finding("A"), finding("B", back=True), finding("C")
    assert acts(*gone, drift=drift, rows=rows_held(drift, {0: Withheld.UNWATCHED})) == [], "one head alone"
    rest = acts(*gone, drift=drift, rows=rows_held(drift, {0: Withheld.UNWATCHED, 1: Withheld.UNWATCHED}))
    assert rest == [WatchBetween(("A", "C"), ("1/1",))]


def test_powers_of_heads_to_be_shot_are_told_once_from_full_down() -> None:
    drift = drift_of([[180.0, 181.0], [180.0, 181.0]], stops=[[3, 1], [1, 0]])
    reasons = {reason: ("A", "B", "A") if reason == Withheld.HEAT else () for reason in Withheld}
    assert settle(drift, reasons) == [SeparateHeat(("A", "B"), ("1/1", "1/2", "1/8"))]
    alone = {reason: ("A",) if reason == Withheld.UNWATCHED else () for reason in Withheld}
    assert settle(drift, alone) == []


def test_pairs_are_open_where_nothing_else_speaks_of_them() -> None:
    """Heads A, B, C near the limit and D without a frame: of the pairs A-B, A-C, A-D, B-C, B-D, C-D."""
    drift = drift_of([[180.0], [183.95], [176.05], [None]])
    rows = judge_rows(drift, ONLY_MIRED)
    pairs = judge(drift, ONLY_MIRED).pairs
    assert pairs["verdict"].tolist() == ["undecided", "undecided", "undecided", "outside", "undecided", "undecided"]
    fine = [Called(Verdict.WITHIN, None)] * 4

    def open_of(rows: dict[Quantity, Rows] = rows, called: list[Called] = fine, odd: OddHeads = NONE) -> list[int]:
        return np.flatnonzero(find_open_pairs(drift, rows, pairs, called, odd)).tolist()

    assert open_of() == [0, 1]
    assert open_of(odd=replace(NONE, back=(1,))) == [1]
    assert open_of(odd=replace(NONE, spoilt=(2,))) == [0]
    assert open_of(odd=replace(NONE, back=(0,))) == []
    assert open_of(called=[fine[0], held(Withheld.HEAT), fine[0], fine[0]]) == [1]
    assert open_of(called=[held(Withheld.ROOM), *fine[1:]]) == [0, 1]
    assert open_of(rows_held(drift, {0: Withheld.UNWATCHED})) == [1]


def test_rounds_that_settle_half_of_the_open_pairs() -> None:
    """Two powers of A, B and C; three pairs are chosen, of 2, 5 and more rounds than anyone shoots."""
    drift = drift_of([[180.0, 180.0], [182.4, 183.1], [184.0, 180.0]], sd=0.5, dof=[9.0, 6.0, 30.0], n=4)
    rows = judge_rows(drift, Tolerance(4.0, 0.0017, None, None, None, False))
    pairs = list(zip(drift.pair_first.tolist(), drift.pair_second.tolist(), strict=True))
    chosen = np.array([pairs.index((0, 2)), pairs.index((1, 3)), pairs.index((0, 4))])
    own, needed = own_rows(drift, rows), []
    for at in chosen:
        worst = 1.0
        for quantity in (Quantity.MIRED, Quantity.DUV):
            one, here = rows[quantity], [own + at]
            if not one.within[here]:
                dof = np.array([min(drift.fitted["mired"].cells.dof[drift.cells.head[list(pairs[at])]])])
                more = rounds_to_decide(
                    one.size[here], one.u[here], one.u_all[here], one.limit, np.array([4.0]), dof, 2, one.lasting[here]
                )
                worst = max(worst, float(more[0]))
        needed.append(worst)
    assert len(set(needed)) == 3
    assert needed[2] == np.inf
    assert needed[0] != needed[1]
    found = actions._open_pairs(drift, rows, chosen, [finding("A"), finding("B", close=1), finding("C")])
    assert found == OpenPairs(3, ("A", "B", "C"), ("B",), True, max(needed[:2]), 5, 2)
    one = actions._open_pairs(drift, rows, chosen[2:], [finding("A")])
    assert one == OpenPairs(1, ("A", "C"), (), True, np.inf, 2, 0)


def test_without_repeats_one_round_is_asked_and_that_is_said() -> None:
    drift = drift_of([[180.0], [183.0]], dof=0.0)
    found = actions._open_pairs(drift, judge_rows(drift, ONLY_MIRED), np.array([0]), [finding("A"), finding("B")])
    assert (found.repeated, found.rounds, found.decided) == (False, 1.0, 1)
    part = drift_of([[180.0], [183.9]], dof=[0.0, 6.0])
    assert not actions._open_pairs(part, judge_rows(part, ONLY_MIRED), np.array([0]), []).repeated
