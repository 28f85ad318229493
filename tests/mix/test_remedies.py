"""What mends a set-up: the right dial, the right head, gels that help, and nothing that makes it worse."""

from types import ModuleType

import numpy as np
import pytest

from greystep.compare.drift import Drift, analyse
from greystep.constants import STEP_UPRIME_VPRIME
from greystep.measure import chromaticity
from greystep.mix.changes import Plates
from greystep.mix.gels import NO_GEL, Gel, nominal_gels
from greystep.mix.lights import build_lights, light_xyz, points, upvp_of
from greystep.mix.remedies import EFFORT, Remedy, cheapest, find_remedies
from greystep.mix.setup import SetupRow
from greystep.sentences.remedies import what
from greystep.session.settings import DEFAULT_TOLERANCE

MATRIX = np.array([[1.05, -0.35, -0.10], [-0.50, 1.30, 0.20], [-0.10, 0.25, 0.80]])


def session_of(synthetic: ModuleType, offsets: list[list[float]], scatter: float = 0.1, duv: float = 0.0) -> Drift:
    """Analyse a test of heads A, B, ... at 1/1, 1/2, ...: mired off 178.6 by head and power; `duv` more a head."""
    readings = synthetic.simulate(np.random.default_rng(4), np.array(offsets), scatter=scatter)
    readings["duv"] += duv * readings["head"].map(lambda head: ord(head) - ord("A"))
    readings[["u_prime", "v_prime"]] = upvp_of(readings["mired"], readings["duv"])
    made: Drift = analyse(readings, synthetic.make_session())
    return made


def light(drift: Drift, role: str, head: str, power: int, share: float = 0.5, gel: Gel = NO_GEL) -> SetupRow:
    table = drift.cells.table
    cell = int(np.flatnonzero((table["head"] == head) & (table["stops"] == power))[0])
    label = str(table["power"].iloc[cell])
    return SetupRow(ord(head), role, head, label, float(power), share, gel, "", ((cell, 1.0),))


def remedies(drift: Drift, rows: list[SetupRow], gels: tuple[Gel, ...] = ()) -> list[Remedy]:
    return find_remedies(rows, drift, DEFAULT_TOLERANCE, gels, MATRIX)


def worst(drift: Drift, rows: list[SetupRow]) -> float:
    upvp = points(build_lights(rows, drift.fitted))
    return float(max(np.hypot(*(a - b)) for a in upvp for b in upvp) / STEP_UPRIME_VPRIME)


def test_the_power_at_which_a_head_matches_is_found_with_the_move_that_keeps_its_share(synthetic: ModuleType) -> None:
    drift = session_of(synthetic, [[0, 0, 0, 0, 0], [0, 2, 6, 9, 12]])
    found = remedies(drift, [light(drift, "key", "A", 0), light(drift, "fill", "B", 4)])
    power = next(one for one in found if one.kind == "power")
    assert what(power.change).startswith("set fill (B) to 1/1 instead of 1/16, 4.0 stops brighter: 4 times as far off")
    assert power.residual_mired == pytest.approx(0.0, abs=0.3)
    assert power.cost_stops == pytest.approx(4.0, abs=0.05)
    assert power.verdict == "within"
    assert cheapest(found).kind == "power"  # type: ignore[union-attr]
    # Of the powers in tolerance the one that costs least light is told too.
    assert any("to 1/2 instead" in what(one.change) and one.verdict == "within" for one in found)


def test_heads_that_drift_alike_go_together_at_one_power(synthetic: ModuleType) -> None:
    drift = session_of(synthetic, [[0, 4, 8], [0.5, 4.5, 8.5], [0.2, 4.2, 8.2]])
    rows = [light(drift, "key", "A", 0, 0.6), light(drift, "fill", "B", 2, 0.2), light(drift, "back", "C", 2, 0.2)]
    level = next(one for one in remedies(drift, rows) if one.kind == "level")
    assert what(level.change).startswith(
        "set all heads to 1/1 and take off by distance, scrim or neutral gel: fill 2.0, back"
    )
    assert level.roles == ("fill", "back")
    assert level.cost_stops == pytest.approx(2.0, abs=0.05)
    assert level.residual_mired < 1.0


def test_a_better_head_from_the_van_and_a_swap(synthetic: ModuleType) -> None:
    drift = session_of(synthetic, [[0, 0], [9, 9], [0.2, 0.2]])
    found = remedies(drift, [light(drift, "key", "A", 0), light(drift, "fill", "B", 1)])
    head = next(one for one in found if one.kind == "head" and one.roles == ("fill",))
    assert "take head C in place of B for fill" in what(head.change)
    assert head.residual_mired < 0.5
    drift = session_of(synthetic, [[0, 10], [0, 0]])
    rows = [light(drift, "key", "B", 0), light(drift, "fill", "A", 1)]
    swap = next(one for one in remedies(drift, rows) if one.kind == "swap")
    assert what(swap.change).startswith("swap the heads of key and fill: A at 1/1 and B at 1/2")
    assert swap.residual_mired < 0.5


def test_an_own_gel_mends_300_kelvin_and_its_loss_is_told(synthetic: ModuleType) -> None:
    """5600 K and 300 K more: 4.0 steps, and 9.1 mired of gel for the warm one."""
    away = 1e6 / 5600.0 - 1e6 / 5900.0
    drift = session_of(synthetic, [[-away], [0.0]], scatter=0.05)
    rows = [light(drift, "key", "A", 0), light(drift, "fill", "B", 0)]
    assert worst(drift, rows) == pytest.approx(4.0, abs=0.1)
    own = Gel("my eighth", -10.0, 0.0, 0.25, (("my eighth", 0.0, 0.0),), True)
    found = remedies(drift, rows, (own,))
    gel = next(one for one in found if one.kind == "gel")
    assert what(gel.change).startswith("put my eighth on fill (0.2 stop lost")
    assert gel.residual_mired == pytest.approx(abs(away - 10.0), abs=0.3)
    assert gel.cost_stops == 0.25
    assert gel.verdict == "within"
    assert cheapest(found) == gel
    # The gel on the cool light would make it worse: it is not listed.
    assert not any(one.kind == "gel" and one.roles == ("key",) for one in found)


def test_plates_bring_each_light_to_the_first(synthetic: ModuleType) -> None:
    drift = session_of(synthetic, [[0.0, 0.0], [9.0, 9.0]], duv=0.001)
    rows = [light(drift, "key", "A", 0), light(drift, "fill", "B", 1)]
    plates = next(one for one in remedies(drift, rows) if one.kind == "plates")
    upvp = points(build_lights(rows, drift.fitted))
    neutral = light_xyz(upvp) @ MATRIX.T
    assert isinstance(plates.change, Plates)
    corrections = plates.change.plates
    for plate, rgb in zip(corrections, neutral, strict=True):
        brought = rgb * [plate.gain_r, plate.gain_g, plate.gain_b]
        there = chromaticity.xyz_to_upvp(np.linalg.inv(MATRIX) @ brought)
        assert chromaticity.steps(there, upvp[0]) < 0.01
    assert corrections[1].mired_shift == pytest.approx(-9.0, abs=0.2)
    assert corrections[1].duv_shift == pytest.approx(-0.001, abs=1e-4)
    assert (plates.residual_steps, plates.cost_stops, plates.verdict) == (0.0, 0.0, "within")


@pytest.mark.parametrize("seed", range(12))
def test_none_leaves_more_than_doing_nothing_and_each_leaves_what_it_says(synthetic: ModuleType, seed: int) -> None:
    rng = np.random.default_rng(seed)
    drift = session_of(synthetic, rng.uniform(-12, 12, (4, 3)).tolist(), duv=0.001)
    roles = {"A": "key", "B": "fill", "C": "back"}
    rows = [light(drift, role, head, int(rng.integers(3)), 1 / 3) for head, role in roles.items()]
    found = remedies(drift, rows, nominal_gels())
    now = worst(drift, rows)
    assert {one.kind for one in found} <= set(EFFORT)
    assert [one.residual_steps for one in found] == sorted(one.residual_steps for one in found)
    for one in found:
        assert one.residual_steps < now
        assert one.cost_stops >= 0.0
        if one.kind != "plates":
            assert worst(drift, list(one.rows)) == pytest.approx(one.residual_steps, abs=1e-6)
            assert all(row.gel.name.count("+") < 2 for row in one.rows)
            assert len({row.head for row in one.rows}) == 3


def test_lights_that_go_together_need_no_remedy(synthetic: ModuleType) -> None:
    drift = session_of(synthetic, [[0.0, 0.0], [0.1, 0.1]], scatter=0.05)
    assert remedies(drift, [light(drift, "key", "A", 0), light(drift, "fill", "B", 1)], nominal_gels()) == []
