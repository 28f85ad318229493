"""ISO steps seen on lights that were shot at two of them: hand arithmetic, and coverage of what was put in."""

from types import ModuleType

import numpy as np
import pandas as pd
import pytest

from greystep.compare import iso_steps
from greystep.compare.drift import analyse
from greystep.compare.iso_steps import find_iso_steps
from greystep.sentences.kit_notes import iso_step
from helpers.intervals import narrowness

pytestmark = pytest.mark.usefixtures("spans_unasked")


def session(synthetic: ModuleType, seed: int, off: float) -> pd.DataFrame:
    """Four powers, three heads, three times; the lowest two at ISO 400, and of A at 1/4 one frame too."""
    readings = synthetic.simulate(np.random.default_rng(seed), np.zeros((3, 4)), repeats=3)
    high = readings["stops"] >= 3
    linked = readings.index[(readings["head"] == "A") & (readings["stops"] == 2)]
    high.loc[linked[:1]] = True
    return readings.assign(iso=np.where(high, 400.0, 100.0), output_stops=readings["output_stops"] + off * high)


def test_one_light_at_two_isos_by_hand(synthetic: ModuleType) -> None:
    readings = session(synthetic, 1, 0.12)
    (step,) = find_iso_steps(analyse(readings, synthetic.make_session()), readings)
    cell = readings[(readings["head"] == "A") & (readings["stops"] == 2)]
    mean = cell.groupby("iso")["output_stops"].mean()
    assert step.stops == pytest.approx(mean[400.0] - mean[100.0], abs=1e-12)
    assert (step.iso, step.base_iso, step.lights) == (400.0, 100.0, (("A", "1/4"),))
    assert step.shows
    note = iso_step(step)
    assert note.startswith("At ISO 400 this camera reads 0.1")
    assert "brighter than marked, against ISO 100 (seen on A at 1/4)" in note


def test_an_iso_that_is_true_is_not_spoken_of_and_the_interval_holds_it(synthetic: ModuleType) -> None:
    """20 cameras; brightness, warmth and tint scatter by themselves, so 60 errors."""
    errors, halves, spoken = [], [], 0
    for seed in range(20):
        readings = session(synthetic, seed, 0.0)
        (step,) = find_iso_steps(analyse(readings, synthetic.make_session()), readings)
        errors += [step.stops, step.mired, step.duv]
        halves += [step.u_stops, step.u_mired, step.u_duv]
        spoken += step.shows
    assert 0.82 < narrowness(errors, halves) < 1.18
    assert spoken <= 1


def test_without_a_shared_light_nothing_is_known(synthetic: ModuleType) -> None:
    readings = synthetic.simulate(np.random.default_rng(1), np.zeros((2, 3)), repeats=3)
    readings["iso"] = np.where(readings["stops"] >= 2, 400.0, 100.0)
    assert find_iso_steps(analyse(readings, synthetic.make_session()), readings) == []


def test_a_step_within_its_half_width_is_not_spoken_of(synthetic: ModuleType) -> None:
    for off, shows in ((0.1, False), (1.0, True)):
        readings = session(synthetic, 1, off)
        readings["output_stops"] += 0.15 * (-1.0) ** np.arange(len(readings))
        (step,) = find_iso_steps(analyse(readings, synthetic.make_session()), readings)
        assert (step.shows, abs(step.stops) > step.u_stops) == (shows, shows)
        assert abs(step.stops) > 0.03


def test_the_doubt_of_a_step_is_that_of_two_means(synthetic: ModuleType, monkeypatch: pytest.MonkeyPatch) -> None:
    """One frame of a light at one ISO, two at the other; with a second light of two and one the doubt shrinks."""
    monkeypatch.setattr(iso_steps, "_scatter", lambda *_: 1.0)
    readings = session(synthetic, 1, 0.1)
    drift = analyse(readings, synthetic.make_session())
    (step,) = find_iso_steps(drift, readings)
    assert step.u_stops == step.u_mired == step.u_duv == pytest.approx(np.sqrt(1.0 + 1.0 / 2.0))
    other = readings.index[(readings["head"] == "B") & (readings["stops"] == 2)][:2]
    readings.loc[other, "iso"] = 400.0
    (both,) = find_iso_steps(drift, readings)
    assert both.lights == (("A", "1/4"), ("B", "1/4"))
    assert both.u_stops == pytest.approx(np.sqrt(1.5 / 2.0))
