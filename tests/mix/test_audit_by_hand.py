"""What an audit asks for before its lights can be called, and what limits its answer: from rows written down."""

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from greystep.compare.actions import FireFirst
from greystep.mix import audit, what_if
from greystep.mix.audit import BetweenPowers, Doubt, HeadTwice
from greystep.mix.gels import NO_GEL, nominal_gels
from greystep.mix.lights import build_lights
from greystep.mix.setup import SetupRow
from greystep.session.settings import DEFAULT_TOLERANCE
from greystep.terms import Withheld
from helpers.kits import drift_of

ROW = SetupRow(2, "key", "A", "1/1", 0.0, 0.5, NO_GEL, "", ((0, 1.0),))
OTHER = SetupRow(3, "fill", "B", "1/1", 0.0, 0.5, NO_GEL, "", ((1, 1.0),))


def test_heads_that_warm_up_are_fired_first_and_held_lights_asked_for_by_their_reason(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    asked: list[dict[Any, list[str]]] = []
    drift = drift_of([[180.0], [182.0]])
    drift = replace(drift, withheld=drift.withheld.copy())
    drift.withheld[1] = str(Withheld.UNWATCHED)
    warm: Any = SimpleNamespace(beyond=True)
    monkeypatch.setattr(audit, "settle", lambda _, held: asked.append(held) or ["shoot more"])
    monkeypatch.setattr(audit, "warming", lambda *_: [{}, {"B": warm}])
    lights = build_lights([ROW, OTHER], drift.fitted)
    found = audit._to_settle(lights, [], drift, DEFAULT_TOLERANCE)
    assert found == ["shoot more", FireFirst("B", warm)]
    assert {reason: heads for reason, heads in asked[0].items() if heads} == {Withheld.UNWATCHED: ["B"]}
    blind: Any = SimpleNamespace(withheld=Withheld.UNWATCHED, role_a="key", role_b="fill")
    audit._to_settle(lights, [blind], drift, DEFAULT_TOLERANCE)
    assert asked[1][Withheld.UNWATCHED] == ["A", "B"]


def test_what_limits_an_answer_is_told_where_it_does() -> None:
    own, listed = NO_GEL, nominal_gels()
    between = replace(ROW, power="-0.5", cells=((0, 0.5), (1, 0.5)))
    assert audit._doubts([ROW, OTHER], listed, []) == [Doubt.SPECTRA]
    assert audit._doubts([between, OTHER], listed, []) == [BetweenPowers((("A", "-0.5"),)), Doubt.SPECTRA]
    assert audit._doubts([ROW, replace(OTHER, head="A")], listed, []) == [HeadTwice(("A",)), Doubt.SPECTRA]
    geled = replace(ROW, gel=listed[0])
    assert audit._doubts([geled, OTHER], listed, []) == [Doubt.LISTED_GELS, Doubt.SPECTRA]
    assert audit._doubts([geled, OTHER], [own], []) == [Doubt.SPECTRA], "all gels at hand were measured"
    remedy: Any = SimpleNamespace(kind="gel")
    assert audit._doubts([ROW, OTHER], listed, [remedy]) == [Doubt.LISTED_GELS, Doubt.SPECTRA]
    power: Any = SimpleNamespace(kind="power")
    assert audit._doubts([ROW, OTHER], listed, [power]) == [Doubt.SPECTRA]


def test_the_light_of_a_role_is_that_of_its_heads_together() -> None:
    """A at full and B a stop below it, through a gel that takes another: 1 and a quarter."""
    gel = replace(nominal_gels()[0], stops=1.0)
    rows = (ROW, replace(OTHER, role="key", gel=gel), replace(OTHER, role="fill"))
    judged: Any = SimpleNamespace(setup=SimpleNamespace(rows=rows), output=np.array([0.0, -1.0]))
    assert what_if._light(judged, "key") == pytest.approx(np.log2(1.25))
    assert what_if._light(judged, "fill") == pytest.approx(-1.0)
