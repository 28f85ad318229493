"""Limits of comparison: what is called odd, worth a word, a change of heat, just inside and just outside.

The readings have hardly any scatter, so that what is seen is what was put in; each limit is written as a number in its
test.
"""

from types import ModuleType

import numpy as np
import pandas as pd
import pytest

from greystep.compare.check_frames import CheckFrames, find_moves
from greystep.compare.drift import Drift, analyse
from greystep.compare.findings import Ends, Finding, OddPower, OffAt, Offset
from greystep.compare.firing_times import firing_order
from greystep.compare.head_or_pack import Follows, attribute
from greystep.compare.heat import Fired, find_heat
from greystep.compare.iso_steps import find_iso_steps
from greystep.compare.limits import judge_rows, rounds_to_decide
from greystep.compare.more_rounds import deciding_rounds
from greystep.compare.odd_heads import weight
from greystep.compare.verdict import judge
from greystep.session.settings import DEFAULT_TOLERANCE, Tolerance

ONLY_MIRED = Tolerance(4.0, None, None, None, None, False)


def exact(synthetic: ModuleType, offsets: list[list[float]], repeats: int = 4) -> Drift:
    """Readings of heads (rows) at powers (columns) in mired off 178.6, that repeat to a thousandth of a mired."""
    readings = synthetic.simulate(
        np.random.default_rng(2), np.array(offsets), repeats=repeats, scatter=0.001, scatter_duv=1e-8
    )
    readings["u_mired"] = 1e-4
    return analyse(readings, synthetic.make_session())


def finding(drift: Drift, head: int) -> Finding:
    return judge(drift, ONLY_MIRED).findings[head]


# --- what a head does -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("rest", "odd"), [(0.36, True), (0.44, False)])
def test_a_power_is_the_odd_one_where_the_others_span_four_tenths_or_less(
    synthetic: ModuleType, rest: float, odd: bool
) -> None:
    # The other powers lie about 0, the odd one at 10 mired: all span 10 mired and half of what the others span.
    half = 10.0 * rest / (2.0 - rest)
    own = finding(exact(synthetic, [[0.0] * 7, [half, -half, half, 10.0, -half, half, -half]]), 1).own
    assert isinstance(own, OddPower) == odd


@pytest.mark.parametrize(("line", "one_way"), [(0.77, True), (0.63, False)])
def test_a_head_goes_one_way_where_its_line_runs_through_seven_tenths_of_its_span(
    synthetic: ModuleType, line: float, one_way: bool
) -> None:
    # A line from 0 to 12 mired, with a bow in it that has no slope but widens the span.
    stops = np.arange(6.0)
    bow = np.array([0.0, 1.0, -1.0, -1.0, 1.0, 0.0])
    bow = bow - np.polyval(np.polyfit(stops, bow, 1), stops)
    ramp = 12.0 * stops / 5.0
    sizes = np.linspace(0.0, 40.0, 4001)
    shares = np.array([12.0 / np.ptp(ramp + size * bow) for size in sizes])
    size = sizes[int(np.argmin(np.abs(shares - line)))]
    own = finding(exact(synthetic, [[0.0] * 6, (ramp + size * bow).tolist()]), 1).own
    assert isinstance(own, Ends)
    assert own.one_way == one_way


@pytest.mark.parametrize(("least", "whole"), [(0.55, True), (0.45, False)])
def test_a_head_is_off_as_a_whole_where_no_power_is_off_by_less_than_half_of_the_worst(
    synthetic: ModuleType, least: float, whole: bool
) -> None:
    drift = exact(synthetic, [[0.0] * 3, [0.0] * 3, [10.0, 10.0, 10.0 * least]])
    others = finding(drift, 2).others
    assert isinstance(others, Offset if whole else OffAt)


@pytest.mark.parametrize(("duv", "more"), [(0.0035, False), (0.0042, True)])
def test_ten_mired_weigh_as_much_as_38_ten_thousandths_of_duv(duv: float, more: bool) -> None:
    assert (weight(np.array([0.0]), np.array([duv]))[0] > 10.0) == more
