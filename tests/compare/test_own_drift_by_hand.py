"""How a head moves over its powers, what asks for another leg, worst pairs and claims: lights that are written down."""

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from greystep.compare import stopping, verdict
from greystep.compare.drift import Drift
from greystep.compare.own_drift import Ends, NoMove, OddPower, OnePower, OutputOff, OwnDrift
from greystep.compare.stopping import OpenLight, Reason
from greystep.compare.verdict import judge, parse_claim
from greystep.errors import GreystepError
from greystep.session.settings import Tolerance
from greystep.terms import Quantity
from helpers.kits import drift_of

ONLY_MIRED = Tolerance(4.0, None, None, None, None, False)
LIMITS = Tolerance(4.0, 0.001, None, None, 0.1, False)
SD = 0.01


def own(drift: Drift, tolerance: Tolerance = LIMITS, head: int = 0) -> OwnDrift | None:
    return judge(drift, tolerance).findings[head].own


# --- which quantity ---------------------------------------------------------------------------------------------------


def test_what_is_outside_leads_then_what_takes_most_of_its_limit_with_its_doubt() -> None:
    most = own(drift_of([[180.0, 182.0]], duv=[[0.0, 0.0008]], sd=SD))
    assert isinstance(most, Ends)
    assert most.quantity == Quantity.DUV, "0.8 of its limit against 0.5"
    doubt = own(drift_of([[180.0, 182.0]], duv=[[0.0, 0.0004]], sd=0.5))
    assert isinstance(doubt, Ends)
    assert doubt.quantity == Quantity.DUV, "a doubt of 1.5 mired is one of 0.0015 Duv"
    out = own(drift_of([[180.0, 188.0]], duv=[[0.0, 0.0009]], sd=[0.2]))
    assert isinstance(out, Ends)
    assert out.quantity == Quantity.MIRED


def test_output_leads_only_where_the_head_does_not_pass_by_it_or_nothing_else_is_judged() -> None:
    passes = own(drift_of([[180.0, 180.5]], output=[[0.0, 0.05]], sd=SD))
    assert isinstance(passes, Ends)
    off = own(drift_of([[180.0, 180.5, 180.2]], output=[[0.0, 0.05, -0.2]], sd=SD))
    assert isinstance(off, OutputOff)
    assert (off.power, off.error, off.limit) == ("1/4", pytest.approx(-0.2), 0.1)
    alone = own(drift_of([[180.0, 180.5]], output=[[0.0, 0.05]], sd=SD), Tolerance(None, None, None, None, 0.1, False))
    assert isinstance(alone, OutputOff)
    assert alone.u_error == pytest.approx(stats.t.ppf(0.975, 20) * SD * 0.01 * np.sqrt(2.0), rel=1e-3)
    assert own(drift_of([[180.0, 180.5]]), Tolerance(None, None, None, None, None, False)) is None


def test_of_outputs_that_are_open_the_one_that_may_be_farthest_off() -> None:
    """0.07 with a doubt of 0.06 against 0.09 that is sure: the first is told; where it is outside, the size alone."""
    drift = drift_of([[180.0, 180.0, 180.0]], output=[[0.0, 0.07, -0.09]], sd=SD)
    table = drift.powers.assign(u_output_error_stops=[0.0, 0.06, 0.001])
    found = own(replace(drift, powers=table), Tolerance(None, None, None, None, 0.1, False))
    assert isinstance(found, OutputOff)
    assert found.power == "1/2"
    out = drift_of([[180.0, 180.0, 180.0]], output=[[0.0, 0.2, -0.21]], sd=SD)
    sure = own(replace(out, powers=out.powers.assign(u_output_error_stops=[0.0, 0.06, 0.001])), LIMITS)
    assert isinstance(sure, OutputOff)
    assert sure.power == "1/4"


# --- which shape ------------------------------------------------------------------------------------------------------


def test_the_odd_power_stands_off_the_median_of_the_others_in_its_quantity() -> None:
    found = own(drift_of([[180.0, 181.0, 190.0, 180.5]], sd=SD), ONLY_MIRED)
    assert isinstance(found, OddPower)
    assert (found.power, found.quantity, found.limit) == ("1/4", Quantity.MIRED, 4.0)
    assert found.difference.mired == pytest.approx(190.0 - 180.5)
    assert found.difference.kelvin == pytest.approx(1e6 / 190.0 - 1e6 / 180.5)
    spread = SD * np.sqrt(1.0 + 1.0 / 3.0)
    assert found.difference.u_mired == pytest.approx(stats.t.ppf(0.975, 20) * spread, rel=1e-3)
    tint = own(drift_of([[180.0] * 4], duv=[[0.0, 0.004, 0.0, 0.0002]], sd=SD))
    assert isinstance(tint, OddPower)
    assert (tint.power, tint.quantity) == ("1/2", Quantity.DUV)


def test_a_head_that_passes_or_has_two_powers_or_moves_within_its_doubt_is_told_by_its_ends() -> None:
    for drift in (
        drift_of([[180.0, 180.1, 183.0, 180.2]], sd=SD),
        drift_of([[180.0, 190.0]], sd=SD),
        drift_of([[180.0, 180.1, 190.0, 180.2]], sd=4.5),
    ):
        found = own(drift, ONLY_MIRED)
        assert isinstance(found, Ends)
        assert not found.one_way


def test_a_line_tells_more_than_one_odd_power() -> None:
    """A ramp of 2 mired a power, the last 5 more: the others span 4 of 11, but a line through all leaves less."""
    found = own(drift_of([[180.0, 182.0, 184.0, 191.0]], sd=SD), ONLY_MIRED)
    assert isinstance(found, Ends)
    assert found.one_way
    assert (found.power, found.base, found.difference.mired) == ("1/8", "1/1", 11.0)


def test_ends_are_the_lower_power_less_the_higher_whichever_is_warmer() -> None:
    found = own(drift_of([[184.0, 190.0, 178.0, 185.0]], sd=SD), ONLY_MIRED)
    assert isinstance(found, Ends)
    assert (found.power, found.base, found.difference.mired) == ("1/4", "1/2", -12.0)
    assert found.difference.kelvin == pytest.approx(1e6 / 178.0 - 1e6 / 190.0)
    assert found.difference.u_mired == pytest.approx(stats.t.ppf(0.975, 20) * SD * np.sqrt(2.0), rel=1e-3)


def test_one_power_or_no_move() -> None:
    assert own(drift_of([[None, 180.0]]), ONLY_MIRED) == OnePower("1/2")
    assert own(drift_of([[180.0, 180.0]]), ONLY_MIRED) == NoMove()


def test_packs_at_one_power_have_no_line() -> None:
    drift = drift_of([[180.0, 190.0]], stops=[[0, 0]], parts={"pack": [["P1", "P2"]]})
    found = own(drift, ONLY_MIRED)
    assert isinstance(found, Ends)
    assert (found.one_way, found.power, found.base) == (False, "1/1 on P2", "1/1 on P1")
    three = own(
        drift_of([[180.0, 190.0, 180.1]], stops=[[0, 0, 1]], parts={"pack": [["P1", "P2", "P1"]]}, sd=SD), ONLY_MIRED
    )
    assert isinstance(three, Ends), "from pack to pack no power is odd"


# --- another leg ------------------------------------------------------------------------------------------------------


def test_frames_that_were_shot_count_good_or_bad_and_checks_do_not() -> None:
    drift = drift_of(
        [[180.0, 180.0], [180.0, 180.0]], stops=[[0, 0], [0, 1]], parts={"pack": [["P1", "P2"], ["P1", "P1"]]}
    )
    rows = [("A", "P1", 0.0, "flash", 0, ""), ("A", "P1", 0.005, "flash", 1, ""), ("A", "P2", 0.0, "flash", 2, ""),
            ("B", "P1", 1.0, "flash", -1, ""), ("B", "P1", 0.0, "check", 3, ""),
            ("B", "P1", 0.0, "flash", 4, "check frame"), ("B", "P1", 0.0, "ambient", 5, ""),
            ("B", "P1", 0.0, "flash", 6, "")]  # fmt: skip
    readings = pd.DataFrame(rows, columns=["head", "pack", "stops", "kind", "shot", "note"])
    assert stopping._shot(readings, drift).tolist() == [2, 1, 1, 0]


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


# --- worst pair and claims --------------------------------------------------------------------------------------------


def test_the_worst_pair_by_its_share_of_a_limit() -> None:
    drift = drift_of([[180.0, None], [183.0, 180.0], [180.0, 180.0]], duv=[[0.0, 0.0], [0.0, 0.0], [0.0, 0.003]])
    worst = judge(drift, LIMITS).worst_pair
    assert worst is not None
    assert (worst.quantity, worst.ratio) == (Quantity.DUV, pytest.approx(3.0))
    assert (worst.pair.head_a, worst.light_a, worst.pair.head_b, worst.light_b) == ("A", "1/1", "C", "1/2")
    mired = judge(drift, ONLY_MIRED).worst_pair
    assert mired is not None
    assert (mired.quantity, mired.ratio, mired.pair.head_b) == (Quantity.MIRED, pytest.approx(0.75), "B")
    none = judge(drift, Tolerance(None, None, None, None, 0.1, False)).worst_pair
    assert none is not None
    assert (none.quantity, np.isnan(none.ratio)) == (None, True)
    assert none.pair.delta_steps == pytest.approx(drift.pairs["delta_steps"].max())
    assert judge(drift_of([[None], [None]]), LIMITS).worst_pair is None


def test_a_range_of_two_heads_is_where_each_matches_the_other() -> None:
    drift = drift_of([[180.0, 180.0, 180.0], [180.0, 183.0, 190.0]], sd=SD)
    ranges = judge(drift, ONLY_MIRED).ranges
    assert ranges.to_dict("records") == [{"head_a": "A", "head_b": "B", "safe_powers": "1/1 to 1/2"}]
    unlike = drift_of([[180.0, 180.0], [180.0]], stops=[[0, 1], [3]])
    assert judge(unlike, ONLY_MIRED).ranges["safe_powers"].tolist() == [""]


def test_who_is_open_and_who_is_closed() -> None:
    drift = drift_of([[180.0, 180.0], [180.0, 183.9], [180.0, 190.0], [180.0, 180.0]], sd=0.3)
    judged = judge(drift, ONLY_MIRED)
    assert judged.back == ("C",)
    assert judged.open_heads.tolist() == [1]
    assert judged.closed_heads.tolist() == [2]
    held = judge(replace(drift, withheld=np.array(["heat", *[""] * 7], dtype=object)), ONLY_MIRED)
    assert held.closed_heads.tolist() == [0, 2]


@pytest.mark.parametrize(
    ("text", "read"),
    [
        ("150K", (150.0, "k")), ("\u00b15 mired", (5.0, "mired")), ("+/-2,5 Mired", (2.5, "mired")), (" + - 1K", None),
        ("12.5 kelvin", (12.5, "k")), ("+-3K", (3.0, "k")), ("0.0 K", None), ("150", None), ("K150", None),
    ],
)  # fmt: skip
def test_claims_as_makers_write_them(text: str, read: tuple[float, str] | None) -> None:
    if read is None:
        with pytest.raises(GreystepError, match="not understood; write the plus or minus as 150K or 5 mired"):
            parse_claim(text)
    else:
        assert parse_claim(text) == read


def test_a_claim_over_the_range_is_half_the_span_with_the_observer_in_it() -> None:
    """A span of 10 mired, doubt of 0.06 in it: 5 either way; another camera sees 7 % of it, k = 2."""
    drift = drift_of([[180.0, 190.0], [180.0, None]], sd=0.02)
    u = np.hypot(drift.heads["u_span_mired"][0] / 2.0, 2.0 * 0.07 * 5.0)
    for limit, said in ((5.0 + u + 1e-3, "within"), (5.0 + u - 1e-3, "undecided"), (5.0 - u - 1e-3, "outside")):
        table = judge(drift, ONLY_MIRED, f"{limit:.5f} mired").heads
        assert table["claim_over_range"].tolist() == [said, ""]
        assert table["u_range_within_mired"][0] == pytest.approx(u)
        assert table["range_within_mired"][0] == 5.0
        assert table["claim_verdict"][0] == said
        assert table["claim_verdict"][1] == table["claim_one_power"][1]
        assert table["shots_within_mired"][0] == pytest.approx(2.0 * drift.heads["repeatability_mired"][0], rel=0.03)
    assert table["claim"][0] == f"{limit:.5f} mired"
    plain = verdict.insert_after(pd.DataFrame({"a": [1], "b": [2]}), "a", "c", ["x"])
    assert plain.to_dict("records") == [{"a": 1, "c": "x", "b": 2}]
    assert list(plain) == ["a", "c", "b"]
