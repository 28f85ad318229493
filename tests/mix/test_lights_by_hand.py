"""Heads that fire as one light, the tested powers that a light is taken from, and where a cast is worst."""

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from greystep.mix.casts import _worst
from greystep.mix.gels import NO_GEL, Gel
from greystep.mix.lights import best_balance, build_lights, light_estimates, upvp_of
from greystep.mix.setup import SetupRow, cells_at
from helpers.kits import drift_of

CTO = Gel("1/8 CTO", 20.0, 0.0, 0.3, (("1/8 CTO", 2.0, 0.0005),), False)


def row(role: str, head: str, cell: int, gel: Gel = NO_GEL, share: float = 0.5, power: str = "1/1") -> SetupRow:
    return SetupRow(cell + 2, role, head, power, 0.0, share, gel, "G", ((cell, 1.0),))


def test_heads_of_a_group_are_named_together_and_have_a_gel_only_if_all_have_it() -> None:
    drift = drift_of([[180.0], [184.0], [188.0]])
    (one,) = build_lights([row("key", "A", 0, CTO), row("key", "B", 1, CTO)], drift.fitted)
    assert (one.role, one.head, one.power, one.gel) == ("key", "A & B", "1/1", CTO)
    assert one.mired == pytest.approx(202.0, abs=0.6)
    assert [name for name, *_ in one.doubts] == ["1/8 CTO", "1/8 CTO"]
    assert np.sum([size for _, *size in one.doubts], axis=0) == pytest.approx([2.0, 0.0005])
    (mixed,) = build_lights([row("key", "A", 0, CTO), row("rim", "B", 1, power="1/2")], drift.fitted)
    assert (mixed.role, mixed.head, mixed.power, mixed.gel) == ("key & rim", "A & B", "1/1 & 1/2", NO_GEL)
    assert mixed.share == 1.0
    assert mixed.weights.sum() == pytest.approx(1.0)
    (uneven,) = build_lights([row("key", "A", 0, share=0.6), row("key", "C", 2, share=0.2)], drift.fitted)
    assert uneven.weights == pytest.approx([0.75, 0.0, 0.25], abs=0.005)


def test_a_gel_reaches_farther_or_less_in_steps_and_leaves_what_a_mired_is() -> None:
    """A light at 180 mired through 40 mired of CTB: a mired is another part of u'v' there."""
    drift = drift_of([[180.0], [180.0]], sd=0.5)
    blue = Gel("blue", -40.0, 0.0, 0.5, (("blue", 0.0, 0.0),), True)
    bare, geled = build_lights([row("a", "A", 0), replace(row("b", "B", 1, blue), group="H")], drift.fitted)
    step = [np.hypot(*(upvp_of(at + 0.5, 0.0) - upvp_of(at - 0.5, 0.0))) for at in (180.0, 140.0)]
    assert geled.stretch == pytest.approx(step[1] / step[0], rel=1e-3)
    assert abs(geled.stretch - 1.0) > 0.02
    (mired,) = light_estimates([bare, geled], drift.fitted, "mired")
    assert np.diagonal(mired.parts.sum(axis=0)) == pytest.approx([0.25, 0.25])
    assert mired.values == pytest.approx([180.0, 140.0])
    for axis in light_estimates([bare, geled], drift.fitted, "steps"):
        of_bare, of_geled = np.diagonal(axis.parts.sum(axis=0))
        assert of_geled / of_bare == pytest.approx(geled.stretch**2)


def test_a_power_between_those_tested_is_taken_from_the_nearest_on_either_side_in_whatever_order() -> None:
    drift = drift_of([[184.0, 180.0, 182.0, 181.0], [1.0, 1.0, 1.0, 1.0]], stops=[[4.0, 0.0, 2.0, 1.0]] * 2)
    mired, every = drift.fitted["mired"].cells.values, range(8)
    (high, of_high), (low, of_low) = cells_at(drift.cells, mired, "A", 1.25, every)
    assert (high, low) == (3, 2)
    assert (of_high, of_low) == pytest.approx((0.75, 0.25))
    assert cells_at(drift.cells, mired, "A", 1.0, every) == ((3, 1.0),)
    assert [cell for cell, _ in cells_at(drift.cells, mired, "A", 3.0, every)] == [2, 0]
    assert cells_at(drift.cells, mired, "A", -0.5, every) == ()
    assert cells_at(drift.cells, mired, "A", 4.5, every) == ()
    assert [cell for cell, _ in cells_at(drift.cells, mired, "A", 1.25, [0, 1, 2])] == [1, 2]
    mired = np.where(np.arange(8) == 3, np.nan, mired)
    assert [cell for cell, _ in cells_at(drift.cells, mired, "A", 1.0, every)] == [1, 2], "not measured there"


def worst(*casts: float) -> tuple[float, float | None, float]:
    pair: Any = SimpleNamespace(delta_steps=4.0)
    path: Any = [SimpleNamespace(share_b=at / (len(casts) - 1), cast_steps=cast) for at, cast in enumerate(casts)]
    chart: Any = [SimpleNamespace(patch=name, delta_e_2000=size) for name, size in (("a", 1.0), ("b", 3.0))]
    found = _worst(pair, path, chart)
    assert (found.chart_worst_patch, found.chart_worst_delta_e_2000, found.chart_mean_delta_e_2000) == ("b", 3.0, 2.0)
    return found.share, found.share_too, found.cast_steps


def test_the_worst_cast_lies_at_one_end_or_at_both() -> None:
    assert worst(1.0, 0.5, 0.0, 1.5, 2.0) == (1.0, None, 2.0)
    assert worst(2.0, 0.5, 0.0, 1.5, 1.9) == (0.0, None, 2.0)
    assert worst(2.0, 0.5, 0.0, 1.5, 2.0 * (1.0 + 1e-12)) == (0.0, 1.0, 2.0), "a tie, whatever is rounded"
    assert worst(1.999, 0.5, 0.0, 1.5, 2.0)[:2] == (1.0, 0.0)
    assert worst(0.5, 1.0, 0.5) == (0.5, None, 1.0)


def test_one_light_is_its_own_balance_and_what_is_no_white_is_nan_without_a_word() -> None:
    one = np.array([[0.2045, 0.48]])
    assert best_balance(one) == pytest.approx(one[0])
    assert best_balance(np.array([[0.20, 0.48], [0.21, 0.46]])) == pytest.approx([0.205, 0.47])
    with np.errstate(all="raise"):
        assert np.isnan(upvp_of([0.0, -5.0], 0.0)).all()
