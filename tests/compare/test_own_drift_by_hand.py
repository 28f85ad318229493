"""How a head moves over its powers, on lights that are written down."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from greystep.compare.drift import Drift
from greystep.compare.own_drift import Ends, NoMove, OddPower, OnePower, OutputOff, OwnDrift
from greystep.compare.verdict import judge
from greystep.session.settings import Tolerance
from greystep.terms import Quantity
from helpers.kits import drift_of

ONLY_MIRED = Tolerance(4.0, None, None, None, None, False)
LIMITS = Tolerance(4.0, 0.001, None, None, 0.1, False)
SD = 0.01


def own(drift: Drift, tolerance: Tolerance = LIMITS, head: int = 0) -> OwnDrift | None:
    return judge(drift, tolerance).findings[head].own


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
