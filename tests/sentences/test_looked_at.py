"""What the report says of a test that could end early."""

from dataclasses import replace
from types import ModuleType

import numpy as np

from greystep.compare.drift import analyse
from greystep.compare.verdict import ReportFacts, judge
from greystep.sentences.summary import summary


def said(synthetic: ModuleType, looks: int) -> list[str]:
    settings = replace(synthetic.make_session(), looks=looks)
    readings = synthetic.simulate(np.random.default_rng(1), np.zeros((2, 2)), repeats=2)
    drift = analyse(readings, settings)
    facts = ReportFacts(judge(drift, settings.tolerance), None, (), None, (), ())
    notes = summary(facts, drift, settings, readings).notes
    return [note for note in notes if "looked at" in note]


def test_a_test_that_was_looked_at_says_so_once(synthetic: ModuleType) -> None:
    (note,) = said(synthetic, 3)  # 97.8: 1 less 0.0221, the level of three looks in Pocock's table (from memory)
    assert "after each round, up to 3 times" in note
    assert "stricter" in note
    assert "97.8 times in 100" in note


def test_other_tests_do_not_speak_of_it(synthetic: ModuleType) -> None:
    assert not said(synthetic, 1)
