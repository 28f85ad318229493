"""What each light is against the balance, what heads give in each other's place, and the document of a choice."""

from types import ModuleType

import numpy as np
import pytest

from greystep.compare.drift import Drift, analyse
from greystep.compare.fit import half_width, own_variances
from greystep.mix.casts import find_casts
from greystep.mix.changes import HeadSwap, NewHead
from greystep.mix.choice_document import choice_document
from greystep.mix.choose import choose, choose_gang
from greystep.mix.gels import NO_GEL
from greystep.mix.lights import build_lights, upvp_of
from greystep.mix.options import find_options
from greystep.mix.setup import SetupRow
from greystep.session.settings import DEFAULT_TOLERANCE, HeadInfo

MATRIX = np.array([[1.05, -0.35, -0.10], [-0.50, 1.30, 0.20], [-0.10, 0.25, 0.80]])
OUTPUT = {"A": 0.0, "B": -0.4, "C": -0.1}


def session(synthetic: ModuleType, **more: object) -> Drift:
    """Heads A, B, C at 1/1, 1/2: A at 178.6, B 6 and C 1 mired warmer; each as bright as `OUTPUT` says."""
    offsets = np.array([[0.0, 0.0], [6.0, 6.0], [1.0, 1.0]])
    readings = synthetic.simulate(np.random.default_rng(3), offsets, scatter=0.05)
    readings["output_stops"] = readings["head"].map(OUTPUT) - readings["stops"]
    readings[["u_prime", "v_prime"]] = upvp_of(readings["mired"], readings["duv"])
    made: Drift = analyse(readings.assign(**more), synthetic.make_session())
    return made


def row(drift: Drift, role: str, head: str, stops: float, share: float) -> SetupRow:
    table = drift.cells.table
    cell = int(np.flatnonzero((table["head"] == head) & (table["stops"] == stops))[0])
    return SetupRow(ord(head), role, head, str(table["power"].iloc[cell]), stops, share, NO_GEL, "", ((cell, 1.0),))


def test_each_light_is_told_against_the_balance(synthetic: ModuleType) -> None:
    drift = session(synthetic)
    lights = build_lights([row(drift, "key", "A", 0, 0.7), row(drift, "fill", "B", 1, 0.3)], drift.fitted)
    found = find_casts(lights, drift, DEFAULT_TOLERANCE, MATRIX)
    mired = drift.fitted["mired"].cells
    u = half_width(own_variances(mired), mired.dof)
    assert [(one.role, one.head, one.share) for one in found.lights] == [("key", "A", 0.7), ("fill", "B", 0.3)]
    for one, cell in zip(found.lights, (0, 3), strict=True):
        assert one.mired == pytest.approx(mired.values[cell])
        assert one.cct_k == pytest.approx(1e6 / mired.values[cell])
        assert one.u_mired == pytest.approx(u[cell])
        assert one.delta_k == pytest.approx(one.cct_k - found.balance.cct_k)
        assert one.delta_mired == pytest.approx(one.mired - found.balance.mired)
        assert one.delta_duv == pytest.approx(one.duv - found.balance.duv)
        steps = np.hypot(one.u_prime - found.balance.u_prime, one.v_prime - found.balance.v_prime) / 0.0011
        assert one.cast_steps == pytest.approx(steps)
    assert found.lights[0].delta_mired == pytest.approx(-found.lights[1].delta_mired, abs=0.1)
    assert (
        found.pairs[0].delta_e_2000 == found.chart[0].delta_e_2000 == pytest.approx(1.35, abs=0.15)
    )  # 0.9 for 4 mired
    assert (found.chart[0].patch, len(found.chart)) == ("mid grey", 25)
    assert found.worst.chart_worst_patch != "mid grey"
    assert (found.worst.share, found.worst.share_too) == (0.0, 1.0)
    assert found.worst.cast_steps == pytest.approx(found.lights[0].cast_steps)
    assert found.lights[0].mired < found.mixture.mired < found.lights[1].mired


def test_heads_that_change_places_tell_how_much_brighter_each_light_is(synthetic: ModuleType) -> None:
    drift = session(synthetic)
    rows = [row(drift, "key", "A", 0, 0.5), row(drift, "fill", "B", 1, 0.5)]
    options = find_options(build_lights(rows, drift.fitted), rows, drift, ())
    (swap,) = [one for one in options if one.kind == "swap"]
    assert isinstance(swap.change, HeadSwap)
    assert (swap.change.roles, swap.change.heads) == (("key", "fill"), ("A", "B"))
    assert swap.change.brighter_stops == pytest.approx((-0.4, 0.4), abs=1e-6)
    assert swap.cost_stops == pytest.approx(0.4, abs=1e-6)
    heads = {one.roles[0]: one.change for one in options if isinstance(one.change, NewHead)}
    assert heads["fill"].brighter_stops == pytest.approx(0.3, abs=1e-6)
    assert heads["key"].brighter_stops == pytest.approx(-0.1, abs=1e-6)


def test_the_document_of_a_choice_holds_each_light(synthetic: ModuleType) -> None:
    settings = synthetic.make_session(heads={name: HeadInfo(t01_s={0.0: 1 / 150, 1.0: 1 / 300}) for name in "ABC"})
    drift = session(synthetic)
    content = choice_document(choose(drift, settings, 2))
    assert {key: content[key] for key in ("schema", "need", "lights_searched", "verdict", "settled")} == {
        "schema": 1, "need": 2, "lights_searched": 6, "verdict": "within", "settled": True,
    }  # fmt: skip
    assert [one["head"] for one in content["choice"]] == ["A", "C"]
    for one in content["choice"]:
        assert one["output_stops"] == pytest.approx(OUTPUT[one["head"]] - one["stops"])
        assert one["cost_stops"] == pytest.approx(one["stops"])
    assert content["cost_stops"] == max(one["cost_stops"] for one in content["choice"])
    pair = content["worst_pair"]
    assert (pair["head_a"], pair["head_b"]) == ("A", "C")
    assert "role_a" not in pair
    assert abs(pair["delta_mired"]) == pytest.approx(1.0, abs=0.2)
    assert len(content["next_best"]) == 3
    gang = choice_document(choose_gang(drift, settings, "0.5"))
    assert gang["wanted_stops"] == 0.5
    stops = {"1/1": 0.0, "1/2": 1.0}
    light = sum(2.0 ** (OUTPUT[one["head"]] - stops[one["power"]]) for one in gang["choice"])
    assert gang["sum"]["output_stops"] == pytest.approx(np.log2(light), abs=1e-6)
    assert "cost_stops" not in gang


def test_packs_that_vary_are_named_in_the_document(synthetic: ModuleType) -> None:
    readings = synthetic.simulate(np.random.default_rng(3), np.zeros((2, 1)), scatter=0.05)
    readings["pack"] = readings["head"].map({"A": "P1", "B": "P2"})
    drift = analyse(readings, synthetic.make_session())
    content = choice_document(choose(drift, synthetic.make_session(), 2))
    assert [one["pack"] for one in content["choice"]] == ["P1", "P2"]
    assert (content["worst_pair"]["pack_a"], content["worst_pair"]["pack_b"]) == ("P1", "P2")
