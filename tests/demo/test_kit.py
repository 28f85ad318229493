"""Order, heat and light of an invented test, against hand arithmetic."""

from dataclasses import replace

import numpy as np
import pytest

from greystep.demo.kit import HeadCharacter, Kit, shoot, warm_slope
from greystep.errors import GreystepError

STILL = HeadCharacter("A", scatter_mired=0.0, scatter_duv=0.0, scatter_stops=0.0)


def flashes(kit: Kit, seed: int = 3) -> list:
    return [shot for shot in shoot(kit, seed) if shot.kind == "flash"]


def test_by_head_order_has_legs_up_and_down_and_ambient_between_heads() -> None:
    kit = Kit((STILL, replace(STILL, head="B"), replace(STILL, head="C"), replace(STILL, head="D")))
    shots = shoot(kit, 3)
    kinds = [shot.kind for shot in shots]
    assert len(shots) == 66
    assert kinds.count("ambient") == 6
    assert kinds[0] == kinds[-1] == kinds[-2] == "ambient"
    heads = [shot.head for shot in shots if shot.head]
    assert heads == sorted(heads)
    for head in "ABCD":
        stops = [shot.stops for shot in shots if shot.head == head]
        legs = [stops[0:5], stops[5:10], stops[10:15]]
        assert legs[0] == legs[2] == legs[1][::-1]
        assert sorted(legs[0]) == [0.0, 1.0, 2.0, 3.0, 4.0]
        assert legs[0] in ([0.0, 1.0, 2.0, 3.0, 4.0], [4.0, 3.0, 2.0, 1.0, 0.0])


def test_the_lot_lets_some_heads_go_down_first() -> None:
    kit = Kit(tuple(replace(STILL, head=f"H{n}") for n in range(12)), repeats=1)
    first = {shot.head: shot.stops for shot in reversed(flashes(kit))}
    assert set(first.values()) == {0.0, 4.0}


def test_time_runs_and_every_lowering_is_dumped() -> None:
    kit = Kit((STILL,))
    shots = shoot(kit, 3)
    assert (np.diff([shot.time_s for shot in shots]) > 4.0).all()
    before = 0.0  # the warm-up shots are at full
    for shot in flashes(kit):
        assert ("after a dump" in shot.note) == (shot.stops > before)
        before = shot.stops
    assert flashes(kit)[0].note.startswith("3 warm-up shots")


def test_heat_is_the_energy_of_the_flashes_before_decaying_in_time() -> None:
    kit = Kit((STILL,), powers=("1/1", "1/4"), repeats=2, warmup_shots=2, tau_s=50.0)
    shots = flashes(kit)
    fired = []
    time = shots[0].time_s  # rebuild the unseen flashes from the notes and the order, backwards from the first frame
    if "dump" in shots[0].note:
        time -= 5.0
        fired.append((time, 1.0))
    fired += [(time - 9.0, 1.0), (time - 18.0, 1.0)]
    heat = []
    for place, shot in enumerate(shots):
        if place and "dump" in shot.note:
            fired.append((shot.time_s - 5.0, 2.0 ** -shots[place - 1].stops))
        heat.append(sum(energy * np.exp(-(shot.time_s - at) / 50.0) for at, energy in fired))
        fired.append((shot.time_s, 2.0**-shot.stops))
    np.testing.assert_allclose([shot.heat for shot in shots], np.array(heat) / max(heat), rtol=1e-9)


def test_light_is_character_times_power_and_heat() -> None:
    head = replace(
        STILL, mired=180.0, mired_per_stop=2.5, warmup_mired=4.0, duv=0.002, output_stops=-0.1,
        output_error_per_stop=0.02,
    )  # fmt: skip
    for shot in flashes(Kit((head,))):
        away = 2.5 * shot.stops + 4.0 * (shot.heat - 1.0)
        assert shot.mired == pytest.approx(180.0 + away)
        assert shot.duv == pytest.approx(0.002 - 0.0003 * away)
        assert shot.output_stops == pytest.approx(-0.1 - 0.98 * shot.stops)


def test_scatter_has_the_wanted_size() -> None:
    head = replace(STILL, scatter_mired=0.6, scatter_duv=0.0001, scatter_stops=0.02)
    shots = flashes(Kit((head,), powers=("1/1",), repeats=2000))
    mired = np.array([shot.mired for shot in shots])
    assert mired.std() == pytest.approx(0.6, rel=0.06)
    assert np.std([shot.output_stops for shot in shots]) == pytest.approx(0.02, rel=0.06)
    off_slope = np.array([shot.duv for shot in shots]) + 0.0003 * mired
    assert off_slope.std() == pytest.approx(0.0001, rel=0.06)


def test_warm_slope_is_the_slope_without_heat() -> None:
    head = replace(STILL, mired_per_stop=-1.7, warmup_mired=6.0)
    assert warm_slope(head, shoot(Kit((head,)), 1)) == pytest.approx(-1.7)
    assert np.isnan(warm_slope(head, shoot(Kit((head,), powers=("1/1",)), 1)))
    scattered = replace(head, scatter_mired=0.5)
    shots = shoot(Kit((scattered,)), 1)
    stops = np.array([shot.stops for shot in shots if shot.kind == "flash"])
    warm = np.array([shot.mired - 6.0 * (shot.heat - 1.0) for shot in shots if shot.kind == "flash"])
    slope = ((stops - 2) * warm).sum() / ((stops - 2) ** 2).sum()  # equal cells: the plain least-squares slope
    assert warm_slope(scattered, shots) == pytest.approx(slope)
    assert slope != pytest.approx(-1.7, abs=1e-3)


def test_shuffled_order_takes_every_cell_as_often() -> None:
    kit = Kit((STILL, replace(STILL, head="B")), order="shuffled")
    shots = flashes(kit)
    cells = [(shot.head, shot.power) for shot in shots]
    every = sorted((head, power) for head in "AB" for power in kit.powers)
    assert [sorted(cells[at : at + 10]) for at in (0, 10, 20)] == [every] * 3
    ambients = [at for at, shot in enumerate(shoot(kit, 3)) if shot.kind == "ambient"]
    assert ambients == [0, 11, 22, 33, 34]  # as a plan has it: first, one before each further round, last
    assert [shot.stops for shot in shots] != sorted(shot.stops for shot in shots)
    assert flashes(kit, 3) == flashes(kit, 3)
    assert flashes(kit, 3) != flashes(kit, 4)


def test_what_cannot_be_shot_is_refused() -> None:
    with pytest.raises(GreystepError, match="no shot to take"):
        shoot(Kit(()), 1)
    with pytest.raises(GreystepError, match="order 'random'"):
        shoot(Kit((STILL,), order="random"), 1)
    with pytest.raises(GreystepError, match="dim"):
        shoot(Kit((STILL,), powers=("dim",)), 1)
