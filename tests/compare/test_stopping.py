"""A test that stops when it knows enough: what it asks for, why it ends, and that its report says what it said.

The benchmark of stopping measures error rates and what is saved; a few of its sessions are here.
"""

from dataclasses import replace
from types import ModuleType

import numpy as np
import pandas as pd
import pytest
from scipy.stats import t as student

from benchmarks.simulate_stopping import sessions
from greystep.compare.drift import analyse
from greystep.compare.fit import effective_dof, pair_variances
from greystep.compare.limits import judge_rows
from greystep.compare.stopping import Reason, look
from greystep.compare.verdict import judge
from greystep.session.settings import Settings, Tolerance
from greystep.terms import Quantity

ONLY_MIRED = Tolerance(4.0, None, None, None, None, False)


def looked_at(synthetic: ModuleType, looks: int) -> Settings:
    return replace(synthetic.make_session(tolerance=ONLY_MIRED), looks=looks)


def shoot(synthetic: ModuleType, offsets: list[list[float]], legs: int, seed: int = 1, **how: object) -> pd.DataFrame:
    """Shoot heads one after the other, legs down, up, down, with check frames of A."""
    kit = np.array(offsets, dtype=np.float64)
    return synthetic.simulate(np.random.default_rng(seed), kit, repeats=legs, **how)  # type: ignore[no-any-return]


def first(readings: pd.DataFrame, frames: int) -> pd.DataFrame:
    """Return a log of which only the first frames were shot."""
    later = np.arange(len(readings)) >= frames
    readings = readings.copy()
    readings.loc[later, ["shot", "mired", "status"]] = [-1, np.nan, "rejected"]
    return readings


# --- the level --------------------------------------------------------------------------------------------------------


def test_each_interval_is_that_of_its_look(synthetic: ModuleType) -> None:
    """Held against Student's t of another library: at 5 looks an interval has to hold 98.42 times in 100."""
    readings = shoot(synthetic, [[0.0, 1.0, 2.0]] * 3, 3)
    drift = analyse(readings, looked_at(synthetic, 5))
    near = replace(ONLY_MIRED, mired=0.5)  # no difference stands clear of this limit
    once = judge_rows(replace(drift, looks=1), near)[Quantity.MIRED]
    often = judge_rows(drift, near)[Quantity.MIRED]
    parts = drift.fitted["mired"].cells
    variances = pair_variances(parts, once.first, once.second)
    dof = effective_dof(variances, parts.dof)
    sd = np.sqrt(variances.sum(axis=1))
    np.testing.assert_allclose(often.u[dof <= 50], (student.ppf(1 - 0.0158142 / 2, dof) * sd)[dof <= 50], rtol=1e-4)
    assert (often.u_all > 1.05 * once.u_all).all()
    np.testing.assert_array_equal(drift.pairs["u_delta_mired"], once.u[-len(drift.pairs) :])  # figures stay at 95 %


def test_a_looked_at_test_calls_less(synthetic: ModuleType) -> None:
    """Every difference and span that is called at many looks is called at one, and some only there."""
    calls = {1: 0, 20: 0}
    for seed in range(2):
        readings = shoot(synthetic, [[0.0] * 3, [2.3, 2.3, 3.3], [5.0] * 3, [0.0] * 3], 2, seed)
        drift = analyse(readings, looked_at(synthetic, 20))
        often, once = judge(drift, ONLY_MIRED), judge(replace(drift, looks=1), ONLY_MIRED)
        for a, b in ((often.pairs, once.pairs), (often.heads, once.heads)):
            called = (a["verdict"] != "undecided").to_numpy()
            assert (a["verdict"][called] == b["verdict"][called]).all()
            calls[20] += int(called.sum())
            calls[1] += int((b["verdict"] != "undecided").sum())
    assert calls[20] < calls[1]


def test_a_span_has_to_be_surer_too(synthetic: ModuleType) -> None:
    """One head alone: its limit lies just beyond the reach of its span, which is enough at one look only."""
    readings = shoot(synthetic, [[0.0, 1.0, 2.0], [0.0, 1.0, 2.0]], 3, checks=2)
    drift = analyse(readings, looked_at(synthetic, 4))
    reach = float((drift.heads["span_mired"] + drift.heads["u_span_mired"])[1])
    limit = Tolerance(reach + 0.01, None, None, None, None, False)
    verdicts = [judge(replace(drift, looks=looks), limit).heads["verdict_colour"][1] for looks in (1, 4)]
    assert verdicts == ["within", "undecided"]


# --- what is asked ----------------------------------------------------------------------------------------------------


def test_nothing_is_judged_before_the_second_round(synthetic: ModuleType) -> None:
    readings = first(shoot(synthetic, [[0.0] * 4] * 3, 3), 2 + 4)
    found = look(readings, looked_at(synthetic, 4), "A")
    assert not found.finished
    assert [(one.head, one.power) for one in found.open] == [("A", power) for power in ("1/8", "1/4", "1/2", "1/1")]


def test_alike_heads_end_after_two_rounds_and_the_report_says_so(synthetic: ModuleType) -> None:
    settings = looked_at(synthetic, 4)
    readings = shoot(synthetic, [[0.0] * 4] * 4, 2)
    for at, head in enumerate("ABCD", start=1):
        assert look(first(readings, at * 10), settings, head).finished
    found = look(readings, settings)
    assert (found.finished, found.reason, found.open) == (True, Reason.CALLED, ())
    told = judge(analyse(readings, settings), ONLY_MIRED)
    assert set(told.pairs["verdict"]) == set(told.heads["verdict"]) == {"within"}
    pd.testing.assert_frame_equal(told.heads, found.judged.heads)
    pd.testing.assert_frame_equal(told.pairs, found.judged.pairs)


def test_only_what_is_open_is_asked_of_the_head_on_the_stand(synthetic: ModuleType) -> None:
    """D is 2.2 mired off at one power alone: after two legs that power is asked for, and of no head that has left."""
    asked = []
    for seed in range(4):
        readings = shoot(synthetic, [[0.0] * 4] * 3 + [[0.0, 0.0, 2.2, 0.0]], 2, seed, scatter=0.6)
        asked.append({(one.head, one.stops) for one in look(readings.iloc[:-2], looked_at(synthetic, 8), "D").open})
    assert sum(("D", 2.0) in lights for lights in asked) > 2
    assert {head for lights in asked for head, _ in lights} == {"D"}
    assert min(map(len, asked)) < 4


def test_a_leg_goes_on_from_where_the_head_stands(synthetic: ModuleType) -> None:
    readings = shoot(synthetic, [[0.0] * 4] * 2, 3)
    readings.loc[2:5, "status"] = "rejected"  # the first leg, so that a third one is asked for
    found = look(first(readings, 2 + 8), looked_at(synthetic, 4), "A")
    assert [one.stops for one in found.open] == [0.0, 1.0, 2.0, 3.0]


def test_a_light_that_never_gives_a_frame_is_not_asked_for_ever(synthetic: ModuleType) -> None:
    readings = shoot(synthetic, [[0.0] * 3] * 2, 5)
    lost = (readings["head"] == "B") & (readings["stops"] == 1)
    readings.loc[lost, ["status", "flags"]] = ["rejected", "clipped"]
    settings = looked_at(synthetic, 4)
    b = np.flatnonzero((readings["head"] == "B").to_numpy())
    asked = [
        any(one.stops == 1 for one in look(readings.iloc[: b[3 * legs - 1] + 1], settings, "B").open)
        for legs in (1, 2, 3, 4, 5)
    ]
    assert asked == [True, True, True, False, False]


def test_nothing_is_asked_of_a_head_that_goes_back(synthetic: ModuleType) -> None:
    readings = shoot(synthetic, [[0.0] * 3, [0.0, 4.0, 8.0], [0.0] * 3, [0.0] * 3], 2)
    found = look(readings, looked_at(synthetic, 4))
    assert found.judged.back == ("B",)
    assert found.reason == Reason.CALLED


# --- why it ends ------------------------------------------------------------------------------------------------------


def test_what_lies_on_the_limit_is_not_shot_for_ever(synthetic: ModuleType) -> None:
    found = look(shoot(synthetic, [[0.0] * 3, [4.0] * 3, [0.0] * 3], 2, scatter=0.05), looked_at(synthetic, 4))
    assert found.reason == Reason.TOO_CLOSE
    assert found.judged.kit_verdict == "undecided"


def test_the_rounds_are_over(synthetic: ModuleType) -> None:
    readings = shoot(synthetic, [[0.0] * 3, [3.0] * 3, [0.0] * 3, [0.0] * 3], 3, scatter=0.6)
    assert look(readings, looked_at(synthetic, 20)).open
    assert look(readings, looked_at(synthetic, 3)).reason == Reason.ALL_SHOT


def test_what_more_rounds_do_not_cure_is_said(synthetic: ModuleType) -> None:
    """In plain power order heat hides in the powers, however many rounds there are."""
    readings = shoot(synthetic, [[0.0] * 3] * 3, 3, order="straight")
    assert look(readings, looked_at(synthetic, 5)).reason == Reason.WITHHELD


# --- what it saves ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("true", "kit"), [("0", "kit+"), ("8 head", "kit-")])
def test_a_third_and_more_is_saved(true: str, kit: str) -> None:
    found = sessions("4x5x4", true, 5, range(1))
    assert found["saved"].mean() > 0.35
    assert not found[["out!", "in!"]].any(axis=None)
    assert found[kit].all()
