"""Worst pairs, ranges and claims, on lights that are written down."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from greystep.compare import verdict
from greystep.compare.verdict import judge, parse_claim
from greystep.errors import GreystepError
from greystep.session.settings import Tolerance
from greystep.terms import Quantity
from helpers.kits import drift_of

ONLY_MIRED = Tolerance(4.0, None, None, None, None, False)
LIMITS = Tolerance(4.0, 0.001, None, None, 0.1, False)
SD = 0.01


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
    lost = judge(drift_of([[180.0, 190.0], [None, None]]), ONLY_MIRED, "5 mired").heads
    assert lost["claim_over_range"].tolist() == ["undecided", ""], "the last head was not measured"
    plain = verdict.insert_after(pd.DataFrame({"a": [1], "b": [2]}), "a", "c", ["x"])
    assert plain.to_dict("records") == [{"a": 1, "c": "x", "b": 2}]
    assert list(plain) == ["a", "c", "b"]
