"""What a test cannot tell of its heads, no set-up made of them is called by: not alike, and not apart by heat alone."""

from dataclasses import replace
from types import ModuleType

import numpy as np
import pytest

from greystep.compare.actions import FireFirst
from greystep.compare.drift import Drift, analyse
from greystep.compare.limits import judge_rows
from greystep.mix.casts import find_casts, judge_lights
from greystep.mix.choose import choose
from greystep.mix.gels import NO_GEL
from greystep.mix.lights import build_lights, upvp_of, warming
from greystep.mix.remedies import find_remedies
from greystep.mix.setup import SetupRow
from greystep.sentences.actions import step
from greystep.session.settings import DEFAULT_TOLERANCE, Settings, Tolerance
from greystep.terms import Quantity

MATRIX = np.array([[1.05, -0.35, -0.10], [-0.50, 1.30, 0.20], [-0.10, 0.25, 0.80]])
ALIKE = [[0.0, 0.0, 0.0], [0.0, 0.0, 0.0], [0.0, 0.0, 0.0]]
APART = [[0.0, 0.0, 0.0], [15.0, 15.0, 15.0], [0.0, 0.0, 0.0]]


def shot(synthetic: ModuleType, offsets: list[list[float]], case: str) -> tuple[Drift, Settings]:
    """Simulate a test of heads A, B, C at 1/1, 1/2, 1/4 that is watched and separable but for `case`."""
    order, checks = ("straight" if case == "heat" else "up-down"), (0 if case == "unwatched" else 2)
    warmup = {"warms_up": 9.0, "cold": 0.0}.get(case, 3.0)
    readings = synthetic.simulate(
        np.random.default_rng(3), np.array(offsets), scatter=0.05, order=order, checks=checks, warmup=warmup
    )
    if case == "room":
        readings["room_proven"] = 0.0
    settings: Settings = synthetic.make_session()
    return analyse(readings, settings), settings


def rows(drift: Drift, *chosen: tuple[str, str]) -> list[SetupRow]:
    table, made = drift.cells.table, []
    for place, (head, power) in enumerate(chosen):
        cell = int(np.flatnonzero((table["head"] == head) & (table["power"] == power))[0])
        made.append(SetupRow(place, f"light {head}", head, power, 0.0, 0.5, NO_GEL, "", ((cell, 1.0),)))
    return made


@pytest.mark.parametrize(
    ("case", "alike", "apart"),
    [
        ("none", "within", "outside"),
        ("heat", "undecided", "undecided"),  # what looks like another light may be heat, in either direction
        ("room", "undecided", "undecided"),
        ("unwatched", "undecided", "outside"),  # nothing that moves between heads is so large
        ("warms_up", "undecided", "outside"),  # alike at their mean heat, and 9 mired cooler at first
    ],
)
def test_a_set_up_is_called_only_by_what_its_test_can_tell(
    synthetic: ModuleType, case: str, alike: str, apart: str
) -> None:
    for offsets, verdict in ((ALIKE, alike), (APART, apart)):
        drift, settings = shot(synthetic, offsets, case)
        set_up = rows(drift, ("A", "1/2"), ("B", "1/2"))
        casts = find_casts(build_lights(set_up, drift.fitted), drift, DEFAULT_TOLERANCE, MATRIX)
        assert casts.verdict == verdict
        assert casts.pairs[0].withheld == (case if verdict == "undecided" else "")
        made = find_remedies(set_up, drift, DEFAULT_TOLERANCE, (), MATRIX)
        assert case == "none" or all(one.verdict != "within" for one in made)
        # The two of the best choice of the same test: nothing makes them surer than they are.
        best = choose(drift, settings, 2).best
        assert best.verdict == ("within" if case == "none" else "undecided")
        assert best.worst is not None
        assert best.worst.difference.withheld == ("" if case == "none" else case)


def test_a_set_up_of_a_test_that_was_looked_at_is_called_as_surely_as_its_heads(synthetic: ModuleType) -> None:
    """Held against the report's own rows: two cells are two lights, so a limit that one calls the other calls too."""
    drift, _ = shot(synthetic, ALIKE, "cold")
    often, set_up = replace(drift, looks=20), rows(drift, ("A", "1/2"), ("B", "1/2"))
    lights = build_lights(set_up, drift.fitted)
    table = judge_lights(lights, drift, DEFAULT_TOLERANCE)
    size, u = abs(float(table["delta_mired"][0])), float(table["u_delta_mired"][0])
    a, b = (row.cells[0][0] for row in set_up)
    for wider in (1.02, 1.4, 3.0):
        limit = Tolerance(size + wider * u, None, None, None, None, False)
        one = judge_rows(often, limit)[Quantity.MIRED]
        within = bool(one.within[(one.first == a) & (one.second == b)][0])
        for asked, called in ((drift, True), (often, within)):
            verdict = "within" if called else "undecided"
            assert judge_lights(lights, asked, limit)["verdict"].tolist() == [verdict]
    assert within, "three half-widths are enough at any look"
    assert judge_lights(lights, often, DEFAULT_TOLERANCE)["u_delta_mired"][0] == u, "figures stay at 95 in 100"


def test_heads_ganged_carry_what_is_not_known_of_any_of_them(synthetic: ModuleType) -> None:
    readings = synthetic.simulate(np.random.default_rng(3), np.array(ALIKE), scatter=0.05)
    readings["room_proven"] = np.where(readings["head"] == "C", 0.0, 1.0)
    readings[["u_prime", "v_prime"]] = upvp_of(readings["mired"], readings["duv"])
    drift = analyse(readings, synthetic.make_session())
    a, b, c = rows(drift, ("A", "1/2"), ("B", "1/2"), ("C", "1/2"))
    gang = [a, SetupRow(1, "key", "B", "1/2", 0.0, 0.5, NO_GEL, "G", b.cells)]
    for third, verdict in ((gang[1].cells, "within"), (c.cells, "undecided")):
        whole = [*gang, SetupRow(2, "key", "C", "1/2", 0.0, 0.5, NO_GEL, "G", third)]
        assert find_casts(build_lights(whole, drift.fitted), drift, DEFAULT_TOLERANCE, MATRIX).verdict == verdict


def test_a_set_up_whose_heads_must_warm_up_says_so_first(synthetic: ModuleType) -> None:
    drift, settings = shot(synthetic, ALIKE, "warms_up")
    lights = build_lights(rows(drift, ("A", "1/2"), ("B", "1/2")), drift.fitted)
    heads = [set(own) for own in warming(lights, drift, settings.tolerance)]
    assert heads == [{"A"}, {"B"}]
    first = warming(lights, drift, settings.tolerance)[0]["A"]
    assert first.mired == pytest.approx(9.0, abs=1.0)
    assert "fire" in step(FireFirst("A", first), drift.timing, None).said
