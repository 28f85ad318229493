"""How a head moves over its own powers: which of its powers, by how much, and by which quantity."""

from types import ModuleType

import numpy as np
import pytest

from greystep.compare.drift import Drift, analyse
from greystep.compare.own_drift import Ends, NoMove, OddPower, OnePower, OutputOff, OwnDrift
from greystep.compare.verdict import judge
from greystep.session.settings import DEFAULT_TOLERANCE, Tolerance

ONLY_MIRED = Tolerance(4.0, None, None, None, None, False)


def moved(
    synthetic: ModuleType,
    offsets: list[float],
    tolerance: Tolerance = ONLY_MIRED,
    duv: list[float] | None = None,
    output: list[float] | None = None,
) -> tuple[OwnDrift | None, Drift]:
    readings = synthetic.simulate(np.random.default_rng(1), np.array([offsets]), repeats=4, scatter=0.05, checks=0)
    for name, more in (("duv", duv), ("output_stops", output)):
        if more is not None:
            readings[name] += np.array(more)[readings["stops"].astype(int)]
    drift = analyse(readings, synthetic.make_session())
    return judge(drift, tolerance).findings[0].own, drift


def test_the_two_ends_are_told_lower_power_minus_higher(synthetic: ModuleType) -> None:
    for sign in (1.0, -1.0):
        found, drift = moved(synthetic, [0.0, sign * 3.0, sign * 6.0, sign * 9.0])
        assert isinstance(found, Ends)
        assert (found.power, found.base, found.quantity, found.limit, found.one_way) == (
            "1/8",
            "1/1",
            "mired",
            4.0,
            True,
        )
        assert found.difference.mired == pytest.approx(sign * 9.0, abs=0.1)
        kelvin = drift.powers["cct_k"].to_numpy()
        assert found.difference.kelvin == pytest.approx(kelvin[3] - kelvin[0])
        assert 0.0 < found.difference.u_mired < 0.5
        assert 0.0 < found.difference.u_duv < 1e-3


def test_a_head_that_goes_there_and_back_goes_no_one_way(synthetic: ModuleType) -> None:
    found, _ = moved(synthetic, [0.0, 9.0, 9.0, 0.0, 0.5])
    assert isinstance(found, Ends)
    assert not found.one_way


def test_one_power_that_stands_apart_is_named_against_the_median_of_the_others(synthetic: ModuleType) -> None:
    found, drift = moved(synthetic, [0.0, 0.2, -8.0, 0.4])
    assert isinstance(found, OddPower)
    assert (found.power, found.quantity, found.limit) == ("1/4", "mired", 4.0)
    mired = drift.powers["mired"].to_numpy()
    assert found.difference.mired == pytest.approx(mired[2] - np.median(mired[[0, 1, 3]]))
    assert 0.0 < found.difference.u_mired < 0.5


def test_the_quantity_that_takes_most_of_its_limit_leads(synthetic: ModuleType) -> None:
    found, _ = moved(synthetic, [0.0, 1.0, 2.0], DEFAULT_TOLERANCE, duv=[0.0, 0.001, 0.002])
    assert isinstance(found, Ends)
    assert (found.quantity, found.limit) == ("duv", DEFAULT_TOLERANCE.duv)
    assert found.difference.duv == pytest.approx(0.002, abs=1e-4)
    found, _ = moved(synthetic, [0.0, 0.2, 0.4], DEFAULT_TOLERANCE, output=[0.0, -0.3, 0.1])
    assert isinstance(found, OutputOff)
    assert (found.power, found.limit) == ("1/2", DEFAULT_TOLERANCE.output_stops)
    assert found.error == pytest.approx(-0.3, abs=0.02)
    assert 0.0 < found.u_error < 0.1


def test_where_there_is_nothing_to_compare(synthetic: ModuleType) -> None:
    assert moved(synthetic, [0.0])[0] == OnePower("1/1")
    readings = synthetic.table(["A"] * 4, np.array([0.0, 1.0, 1.0, 0.0]), np.full(4, 180.0))
    drift = analyse(readings, synthetic.make_session())
    assert judge(drift, ONLY_MIRED).findings[0].own == NoMove()
