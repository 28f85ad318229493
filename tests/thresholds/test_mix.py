"""Limits of set-ups, gels, remedies and gangs of heads: just inside and just outside.

The numbers are this tool's own choices; each limit is written as a number in its test.
"""

from dataclasses import replace
from pathlib import Path
from types import ModuleType, SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from greystep.compare.drift import Drift, analyse
from greystep.errors import FaultsError
from greystep.measure import chromaticity
from greystep.mix.changes import Option
from greystep.mix.choose import choose, choose_gang
from greystep.mix.gels import NO_GEL, Gel, all_stacks, read_gels
from greystep.mix.lights import build_lights, upvp_of
from greystep.mix.measured import measured_setup
from greystep.mix.options import find_options
from greystep.mix.setup import SetupRow
from greystep.session.settings import HeadInfo

#: XYZ to camera RGB of an invented camera.
MATRIX = np.array([[1.05, -0.35, -0.10], [-0.50, 1.30, 0.20], [-0.10, 0.25, 0.80]])


def session_of(
    synthetic: ModuleType, offsets: list[list[float]], output: dict[tuple[str, float], float] | None = None
) -> tuple[pd.DataFrame, Drift]:
    """Analyse a test of heads A, B ... at 1/1, 1/2 ... with hardly any scatter: mired off 178.6 by head and power.

    `output` [stops] of a head at a power where it is not what the dial says.
    """
    readings = synthetic.simulate(np.random.default_rng(4), np.array(offsets), scatter=0.001, scatter_duv=1e-8)
    readings[["u_prime", "v_prime"]] = upvp_of(readings["mired"], readings["duv"])
    readings["output_stops"] = [
        (output or {}).get((head, stops), -stops)
        for head, stops in zip(readings["head"], readings["stops"], strict=True)
    ]
    return readings, analyse(readings, synthetic.make_session())


def light(drift: Drift, role: str, head: str, power: int) -> SetupRow:
    table = drift.cells.table
    cell = int(np.flatnonzero((table["head"] == head) & (table["stops"] == power))[0])
    label = str(table["power"].iloc[cell])
    return SetupRow(ord(head), role, head, label, float(power), 0.5, NO_GEL, "", ((cell, 1.0),))


def changes(drift: Drift, rows: list[SetupRow], kind: str) -> list[Option]:
    return [one for one in find_options(build_lights(rows, drift.fitted), rows, drift, ()) if one.kind == kind]


# --- remedies ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("steps", "worth"), [(0.255, False), (0.345, True)])
def test_two_dials_instead_of_one_must_leave_three_tenths_of_a_step_less(
    synthetic: ModuleType, steps: float, worth: bool
) -> None:
    # Key 0 and 10 mired, fill 20 and 20 - x: one dial leaves 10 mired, both leave 10 - x.
    def apart(first: float, second: float) -> float:
        return float(chromaticity.steps(*(upvp_of(178.6 + mired, 0.0005) for mired in (first, second))))

    x = np.linspace(0.0, 2.0, 9)
    less = np.array([apart(10.0, 20.0) - apart(10.0, 20.0 - one) for one in x])
    drift = session_of(synthetic, [[0.0, 10.0], [20.0, 20.0 - float(np.interp(steps, less, x))]])[1]
    rows = [light(drift, "key", "A", 0), light(drift, "fill", "B", 0)]
    both = [one for one in changes(drift, rows, "power") if [row.stops for row in one.rows] == [1.0, 1.0]]
    assert bool(both) == worth


@pytest.mark.parametrize(("darker", "offered"), [(0.043, True), (0.057, False)])
def test_a_light_may_lose_five_hundredths_of_a_stop_where_all_heads_go_to_one_power(
    synthetic: ModuleType, darker: float, offered: bool
) -> None:
    # At 1/2 both heads match, at 1/1 they do not; at 1/2 the key is hardly darker than at 1/1.
    drift = session_of(synthetic, [[9.0, 0.0], [0.0, 0.0]], {("A", 1.0): -darker})[1]
    (level,) = changes(drift, [light(drift, "key", "A", 0), light(drift, "fill", "B", 1)], "level")
    assert ([row.stops for row in level.rows] == [1.0, 1.0]) == offered


# --- gels -------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("inside", "outside"),
    [("450,0,0", "550,0,0"), ("-450,0,0", "-550,0,0"), ("0,0.045,0", "0,0.055,0"), ("0,-0.045,0", "0,-0.055,0"),
     ("0,0,5.4", "0,0,6.6")],
)  # fmt: skip
def test_a_gel_shifts_up_to_500_mired_and_5_hundredths_of_duv_and_takes_up_to_six_stops(
    tmp_path: Path, inside: str, outside: str
) -> None:
    path = tmp_path / "gels.csv"
    path.write_text(f"name,mired_shift,duv_shift,stops\nmine,{inside}\n")
    assert len(read_gels(path)) == 1
    path.write_text(f"name,mired_shift,duv_shift,stops\nmine,{outside}\n")
    with pytest.raises(FaultsError):
        read_gels(path)


@pytest.mark.parametrize(
    ("mired", "duv", "undo"), [(7.2, 0, False), (8.8, 0, True), (0, 9e-4, False), (0, 1.1e-3, True)]
)
def test_gels_undo_each_other_from_shifts_of_8_mired_and_a_thousandth_of_duv_on(
    mired: float, duv: float, undo: bool
) -> None:
    pair = [Gel(name, sign * mired, sign * duv, 0.2, ((name, 0.0, 0.0),), True) for name, sign in (("a", 1), ("b", -1))]
    assert ("a + b" not in {stack.name for stack in all_stacks(pair)}) == undo


def test_between_two_powers_a_quarter_of_their_difference_is_in_doubt(synthetic: ModuleType) -> None:
    drift = session_of(synthetic, [[0.0, 10.0], [0.0, 0.0]])[1]
    rows = [replace(light(drift, "key", "A", 0), cells=((0, 0.5), (1, 0.5))), light(drift, "fill", "B", 0)]
    ((_, mired, _),) = build_lights(rows, drift.fitted)[0].doubts
    assert mired == pytest.approx(2.5, rel=0.1)


# --- choices ----------------------------------------------------------------------------------------------------------


def test_three_more_choices_are_told_after_the_best(synthetic: ModuleType) -> None:
    drift = session_of(synthetic, [[0.0, 3.0, 6.0], [1.0, 5.0, 9.0], [2.0, 7.0, 12.0]])[1]
    assert len(choose(drift, synthetic.make_session(), 2).next_best) == 3


@pytest.mark.parametrize(("wanted", "heads"), [("0.085", 1), ("0.115", 2)])
def test_a_tenth_of_a_stop_less_than_wanted_is_enough(synthetic: ModuleType, wanted: str, heads: int) -> None:
    info = {name: HeadInfo("", "", None, {0.0: 1 / 150, 1.0: 1 / 300}, "") for name in "ABC"}
    readings = session_of(synthetic, [[0.0]] * 3)[0]
    session = synthetic.make_session(heads=info)
    assert len(choose_gang(analyse(readings, session), session, wanted).best.lights) == heads


# --- lights that add up -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("stops", "steps", "add_up"), [(0.087, 0.0, True), (-0.115, 0.0, False), (0.0, 0.87, True), (0.0, 1.15, False)]
)
def test_all_together_may_differ_by_a_tenth_of_a_stop_and_one_step(
    synthetic: ModuleType, stops: float, steps: float, add_up: bool
) -> None:
    readings, drift = session_of(synthetic, [[0.0], [0.0]])
    u, v = upvp_of(178.6, 0.0005)
    places = [chromaticity.upvp_to_xy([u + move, v]) for move in (0.0, 0.0011 * steps)]
    one, moved = (MATRIX @ chromaticity.xy_to_xyz(place) for place in places)
    whole = readings.iloc[[0]].copy()
    whole[["kind", "head"]] = ["job", ""]
    table = pd.concat([readings, whole], ignore_index=True)
    light = np.tile(one, (len(table), 1))
    light[-1] = 2.0 * moved * one[1] / moved[1] * 2.0**stops
    table[["signal_r", "signal_g", "signal_b"]] = 4000.0 * light
    table[["f_number", "iso"]] = [8.0, 100.0]
    found = SimpleNamespace(
        readings=table,
        bodies={"Invented 1": SimpleNamespace(sees=MATRIX)},
        session=SimpleNamespace(path=Path("kit"), heads={}),
    )
    (one_frame,) = measured_setup(found, drift).wholes  # type: ignore[arg-type]
    assert one_frame.not_additive == (not add_up)
