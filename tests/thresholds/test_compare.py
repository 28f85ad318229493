"""Limits of comparison: what is called odd, worth a word, a change of heat, just inside and just outside.

The readings have hardly any scatter, so that what is seen is what was put in; each limit is written as a number in its
test.
"""

from dataclasses import replace
from types import ModuleType

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from greystep.compare.against_others import OffAt, Offset
from greystep.compare.blocks import find_blocks
from greystep.compare.called import find_warm_up
from greystep.compare.check_frames import CheckFrames, find_moves
from greystep.compare.drift import Drift, analyse
from greystep.compare.findings import Finding
from greystep.compare.firing_times import firing_order
from greystep.compare.head_or_pack import Follows, attribute
from greystep.compare.heat import Fired, find_heat
from greystep.compare.iso_steps import find_iso_steps
from greystep.compare.limits import colour_limits, judge_rows, rounds_to_decide
from greystep.compare.more_rounds import deciding_rounds
from greystep.compare.odd_heads import weight
from greystep.compare.own_drift import Ends, OddPower
from greystep.compare.scatter import Pattern, Run, find_pattern
from greystep.compare.verdict import judge
from greystep.session.settings import Tolerance
from greystep.terms import Quantity

ONLY_MIRED = Tolerance(4.0, None, None, None, None, False)


def exact(synthetic: ModuleType, offsets: list[list[float]], repeats: int = 4) -> Drift:
    """Readings of heads (rows) at powers (columns) in mired off 178.6, that repeat to a thousandth of a mired."""
    readings = synthetic.simulate(
        np.random.default_rng(2), np.array(offsets), repeats=repeats, scatter=0.001, scatter_duv=1e-8
    )
    readings["u_mired"] = 1e-4
    return analyse(readings, synthetic.make_session())


def finding(drift: Drift, head: int) -> Finding:
    return judge(drift, ONLY_MIRED).findings[head]


# --- what a head does -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("rest", "odd"), [(0.36, True), (0.44, False)])
def test_a_power_is_the_odd_one_where_the_others_span_four_tenths_or_less(
    synthetic: ModuleType, rest: float, odd: bool
) -> None:
    # The other powers lie about 0, the odd one at 10 mired: all span 10 mired and half of what the others span.
    half = 10.0 * rest / (2.0 - rest)
    own = finding(exact(synthetic, [[0.0] * 7, [half, -half, half, 10.0, -half, half, -half]]), 1).own
    assert isinstance(own, OddPower) == odd


@pytest.mark.parametrize(("line", "one_way"), [(0.77, True), (0.63, False)])
def test_a_head_goes_one_way_where_its_line_runs_through_seven_tenths_of_its_span(
    synthetic: ModuleType, line: float, one_way: bool
) -> None:
    # A line from 0 to 12 mired, with a bow in it that has no slope but widens the span.
    stops = np.arange(6.0)
    bow = np.array([0.0, 1.0, -1.0, -1.0, 1.0, 0.0])
    bow = bow - np.polyval(np.polyfit(stops, bow, 1), stops)
    ramp = 12.0 * stops / 5.0
    sizes = np.linspace(0.0, 40.0, 4001)
    shares = np.array([12.0 / np.ptp(ramp + size * bow) for size in sizes])
    size = sizes[int(np.argmin(np.abs(shares - line)))]
    own = finding(exact(synthetic, [[0.0] * 6, (ramp + size * bow).tolist()]), 1).own
    assert isinstance(own, Ends)
    assert own.one_way == one_way


@pytest.mark.parametrize(("least", "whole"), [(0.55, True), (0.45, False)])
def test_a_head_is_off_as_a_whole_where_no_power_is_off_by_less_than_half_of_the_worst(
    synthetic: ModuleType, least: float, whole: bool
) -> None:
    drift = exact(synthetic, [[0.0] * 3, [0.0] * 3, [10.0, 10.0, 10.0 * least]])
    others = finding(drift, 2).others
    assert isinstance(others, Offset if whole else OffAt)


@pytest.mark.parametrize(("duv", "more"), [(0.0035, False), (0.0042, True)])
def test_ten_mired_weigh_as_much_as_38_ten_thousandths_of_duv(duv: float, more: bool) -> None:
    assert (weight(np.array([0.0]), np.array([duv]))[0] > 10.0) == more


# --- what moves between heads -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(("off", "narrow"), [(1.4, False), (1.6, True)])
def test_a_head_three_places_off_the_others_says_nothing_of_places(
    synthetic: ModuleType, off: float, narrow: bool
) -> None:
    # A place is 0.5 mired; three heads that agree without the fourth have hardly moved.
    pairs = exact(synthetic, [[0.0] * 3] * 3 + [[off] * 3]).pairs
    assert bool((pairs["u_delta_mired"] < 0.1).all()) == narrow


@pytest.mark.parametrize(("flashes", "in_turns"), [(24, True), (26, False)])
def test_heads_take_turns_at_less_than_two_and_a_half_flashes_a_turn(flashes: int, in_turns: bool) -> None:
    head = np.repeat(np.tile([0, 1], 5), [2] * 9 + [flashes - 18])
    found = find_blocks(head, head, np.zeros(flashes, dtype=bool), np.zeros(0))
    assert found.in_turns == in_turns


@pytest.mark.parametrize(("repeated", "told"), [(1, False), (2, True)])
def test_scatter_is_told_from_two_degrees_of_freedom_on(synthetic: ModuleType, repeated: int, told: bool) -> None:
    order = [0.0, 1.0, 2.0, 0.0, 1.0][: 3 + repeated]
    mired = 178.6 + np.random.default_rng(6).normal(0.0, 0.3, len(order))
    heads = analyse(synthetic.table(["A"] * len(order), np.array(order), mired), synthetic.make_session()).heads
    assert bool(heads["repeatability_mired"].notna().all()) == told


@pytest.mark.parametrize(("warmup", "flashes"), [(3.0, 6), (3.67, 7)])
def test_a_head_is_warm_once_less_than_a_quarter_of_the_limit_is_left(
    synthetic: ModuleType, warmup: float, flashes: int
) -> None:
    # Five shots take all but 1 / e, so that of 3 mired 5.5 flashes leave 1, and of 3.67 mired 6.5 flashes.
    readings = synthetic.simulate(
        np.random.default_rng(2), np.zeros((2, 4)), repeats=8, scatter=0.001, warmup=warmup, tau_shots=5.0, checks=0
    )
    drift = analyse(readings.assign(u_mired=1e-4), synthetic.make_session())
    found = find_warm_up(drift, colour_limits(ONLY_MIRED), 1)
    assert found is not None
    assert found.flashes == flashes


# --- check frames, ISO steps, times -----------------------------------------------------------------------------------


@pytest.mark.parametrize(("size", "told"), [(0.9, False), (1.1, True), (-1.1, True)])
def test_check_frames_use_up_a_limit_beyond_a_quarter_of_it(size: float, told: bool) -> None:
    move = {"quantity": "mired", "last_less_first": size, "u_last_less_first": 1.0, "by_chance": 5.0}
    moves = pd.DataFrame([move | {"per_hour": np.nan, "u_per_hour": np.nan}])
    assert bool(find_moves(CheckFrames("A", "1/1", pd.DataFrame(), moves), ONLY_MIRED)) == told


@pytest.mark.parametrize(("off", "shows"), [(0.027, False), (0.033, True), (-0.033, True)])
def test_an_iso_step_shows_from_three_hundredths_of_a_stop_on(synthetic: ModuleType, off: float, shows: bool) -> None:
    readings = synthetic.simulate(np.random.default_rng(3), np.zeros((2, 3)), repeats=4, scatter=0.01)
    iso = np.where(readings.groupby(["head", "stops"]).cumcount() == 0, 400.0, 100.0)
    tiny = np.random.default_rng(4).normal(0.0, 1e-4, len(readings))
    readings = readings.assign(iso=iso, output_stops=-readings["stops"] + off * (iso == 400.0) + tiny)
    (step,) = find_iso_steps(analyse(readings, synthetic.make_session()), readings)
    assert step.shows == shows


@pytest.mark.parametrize(("known", "used"), [(11, True), (9, False)])
def test_times_are_filled_in_where_half_of_them_are_known(known: int, used: bool) -> None:
    start = pd.Timestamp("2026-05-04T10:00:00")
    times = [(start + pd.to_timedelta(10 * at, "s")).isoformat() if at < known else "" for at in range(20)]
    log = pd.DataFrame({"head": "A", "kind": "flash", "captured": times, "shot": range(20)})
    seconds = firing_order(log, np.ones(20, dtype=bool), np.zeros(20, dtype=np.intp))[1]
    assert len(seconds) == (20 if used else 0)


# --- head or pack -----------------------------------------------------------------------------------------------------


def exchange(synthetic: ModuleType, head: float, duv: float = 0.0, output: float = 0.0, unequal: float = 0.0) -> Drift:
    """Heads C and D on packs P1 and P2: what D adds to C, and P2 to D alone in mired; hardly any scatter."""
    rng = np.random.default_rng(5)
    # In turns, so that nothing that moves between heads shot one after the other is in the doubt.
    rows = [("C", "P1"), ("C", "P2"), ("D", "P2"), ("D", "P1")] * 4
    is_d = np.array([one == "D" for one, _ in rows])
    both = np.array([row == ("D", "P2") for row in rows])
    table = synthetic.table(
        [one for one, _ in rows],
        np.zeros(len(rows)),
        178.6 + head * is_d + unequal * both + rng.normal(0.0, 1e-3, len(rows)),
        0.0005 + duv * is_d + rng.normal(0.0, 1e-7, len(rows)),
        output * is_d + rng.normal(0.0, 1e-4, len(rows)),
    )
    return analyse(table.assign(pack=[on for _, on in rows]), synthetic.make_session())


@pytest.mark.parametrize("quantity", ["mired", "duv", "output_stops"])
@pytest.mark.parametrize(("share", "follows"), [(0.9, Follows.NEITHER), (1.1, Follows.HEAD)])
def test_nothing_is_shared_out_below_a_mired_three_ten_thousandths_of_duv_and_a_twentieth_of_a_stop(
    synthetic: ModuleType, quantity: str, share: float, follows: Follows
) -> None:
    sizes = {"mired": 1.0, "duv": 0.0003, "output_stops": 0.05}
    found = attribute(exchange(synthetic, *(share * size * (name == quantity) for name, size in sizes.items())))
    assert found is not None
    answers = found.answers.set_index("quantity")["follows"]
    assert answers[quantity] == str(follows)


@pytest.mark.parametrize(("share", "adds"), [(0.45, True), (0.55, False)])
def test_head_and_pack_do_not_add_where_the_step_differs_by_more_than_half(
    synthetic: ModuleType, share: float, adds: bool
) -> None:
    # The head's step is 10 mired and half of what is unequal.
    found = attribute(exchange(synthetic, 10.0, unequal=10.0 * share / (1.0 - share / 2.0)))
    assert found is not None
    answers = found.answers.set_index("quantity")["follows"]
    assert (answers["mired"] != str(Follows.OPEN)) == adds


# --- heat -------------------------------------------------------------------------------------------------------------


def fired(stops: list[float], clock: list[float]) -> Fired:
    cells = np.unique(stops, return_inverse=True)[1].astype(np.intp)
    none = np.zeros(len(stops), dtype=np.intp)
    return Fired(none, cells, np.array(stops, dtype=float), np.array(clock, dtype=float), none)


UP_DOWN = [0.0, 1.0, 2.0, 3.0, 3.0, 2.0, 1.0, 0.0] * 4


def test_warm_up_is_kept_where_chance_alone_gives_it_five_times_in_a_hundred_tests() -> None:
    shots = fired(UP_DOWN, [10.0 * at for at in range(len(UP_DOWN))])
    noise = np.random.default_rng(4).normal(0.0, 0.3, len(UP_DOWN))
    curve = 1.0 - np.exp(-np.arange(len(UP_DOWN)) / 8.0)
    low, high = 0.0, 5.0
    for _ in range(16):
        middle = (low + high) / 2.0
        low, high = (low, middle) if find_heat(shots, noise + middle * curve, 1).kept[0] else (middle, high)
    values, warmth = noise + high * curve, find_heat(shots, noise + high * curve, 1).warmth
    member = (shots.cell[:, None] == np.arange(4)).astype(float)
    about = np.eye(len(values)) - member @ member.T / member.sum(axis=0)[0]
    left, warm = about @ values, about @ warmth
    taken = (left @ warm) ** 2 / (warm @ warm)
    # This noise is alike at all powers and without memory, so that each frame weighs the same.
    run = Run(left - (left @ warm) / (warm @ warm) * warm, shots.stops, shots.clock, shots.cell, np.c_[member, warm])
    assert find_pattern([run]) == Pattern(0.0, 0.0)
    # The term counts as three columns; the head is looked at alone and with all heads, so at half the chance.
    free = len(values) - 4 - 3
    chance = stats.f.sf(taken / 3.0 / ((left @ left - taken) / free), 3, free)
    assert 0.022 < chance <= 0.025
    # Sellke, Bayarri & Berger (2001): -e p ln p speaks for no warm-up, which is three times as likely before the test.
    least = -np.e * 2.0 * chance * np.log(2.0 * chance)
    assert find_heat(shots, values, 1).doubt == pytest.approx(3.0 * least / (1.0 + 3.0 * least), rel=1e-6)


def test_a_memory_is_taken_for_four_fifths_of_a_standard_deviation_longer_than_it_shows() -> None:
    rng = np.random.default_rng(5)
    frames = 24
    values = rng.standard_normal(frames)
    for at in range(1, frames):
        values[at] = 0.5 * values[at - 1] + 0.87 * values[at]
    left, place = values - values.mean(), np.arange(frames, dtype=float)
    found = find_pattern([Run(left, np.zeros(frames), place, np.zeros(frames, dtype=np.intp), np.ones((frames, 1)))])
    # What is left of the mean of frames with that memory: the lag-1 sum that it would show, for the same power.
    about = np.eye(frames) - 1.0 / frames
    seen = about @ found.serial ** np.abs(place[:, None] - place) @ about
    would, shown = (np.trace(one, 1) / np.trace(one) for one in (seen, np.outer(left, left)))
    free = frames - 1.0
    assert (would - shown) * free == pytest.approx(0.8 * np.sqrt(free), rel=0.05)


@pytest.mark.parametrize(("gap", "inflation", "told"), [(20.0, 9.1, True), (15.0, 10.5, False)])
def test_heat_is_told_from_power_where_power_inflates_its_variance_less_than_tenfold(
    gap: float, inflation: float, told: bool
) -> None:
    # Ten shots at full of a warm head, ten low ones after a rest, and full again, warm: power and heat go together.
    stops = [0.0] * 10 + [6.0] * 10 + [0.0]
    gaps = np.array([10.0] * 9 + [1000.0] + [gap] * 3 + [10.0] * 6 + [1000.0])
    before = np.zeros(21, dtype=np.intp)
    before[[0, 20]] = 3
    shots = replace(fired(stops, [0.0, *np.cumsum(gaps).tolist()]), before=before)
    heat = find_heat(shots, np.zeros(21), 1)
    means = pd.Series(heat.warmth).groupby(stops).transform("mean").to_numpy()
    found = np.sum((heat.warmth - heat.warmth.mean()) ** 2) / np.sum((heat.warmth - means) ** 2)
    assert found == pytest.approx(inflation, abs=0.1)
    assert heat.separable[0] == told


@pytest.mark.parametrize(("rest", "counted"), [(45.0, True), (55.0, False)])
def test_without_warm_up_a_fifth_of_the_shots_is_stated_at_the_pace_without_rests_of_five_gaps(
    rest: float, counted: bool
) -> None:
    gaps = [10.0] * 31
    gaps[15] = rest
    shots = fired(UP_DOWN, [0.0, *np.cumsum(gaps).tolist()])
    pace = (300.0 + rest) / 31 if counted else 10.0
    assert find_heat(shots, np.array(UP_DOWN), 1).tau == pytest.approx(0.2 * 32 * pace, rel=1e-6)


# --- decision rules ---------------------------------------------------------------------------------------------------


def alike(synthetic: ModuleType) -> Drift:
    """One head at six powers whose means are equal and whose frames scatter alike."""
    mired = 178.6 + np.tile([0.1, -0.1], 12)  # no frame is like the one before it: no memory
    return analyse(synthetic.table(["A"] * 24, np.repeat(np.arange(6.0), 4), mired), synthetic.make_session())


def test_all_that_is_outside_is_right_at_once_nineteen_times_in_twenty(synthetic: ModuleType) -> None:
    drift = alike(synthetic)
    rows = judge_rows(drift, Tolerance(100.0, None, None, None, None, False))[Quantity.MIRED]
    dof = float(drift.fitted["mired"].dof[0])
    factor = stats.t.isf(0.025 / 15, dof) / stats.t.isf(0.025, dof)
    assert rows.u_all / rows.u == pytest.approx(np.full(15, factor), rel=2e-3)


@pytest.mark.parametrize(("under", "paid"), [(1.35, True), (1.65, False)])
def test_differences_within_one_and_a_half_half_widths_of_a_limit_are_looked_at_together(
    synthetic: ModuleType, under: float, paid: bool
) -> None:
    drift = alike(synthetic)
    wide = judge_rows(drift, Tolerance(100.0, None, None, None, None, False))[Quantity.MIRED].u_all
    limit = under * float(wide[0])
    near = judge_rows(drift, Tolerance(limit, None, None, None, None, False))[Quantity.MIRED].u_all
    assert bool((near < 0.99 * wide).all()) == paid


@pytest.mark.parametrize(("needed", "told"), [(18, 18.0), (22, np.inf)])
def test_no_more_than_twenty_rounds_are_asked_for(needed: int, told: float) -> None:
    # Of one frame a cell: after m rounds the half-width is the root of 1 / (1 + m) of what it was.
    u = np.array([np.sqrt(needed + 0.5)])
    found = rounds_to_decide(np.zeros(1), u, u, 1.0, np.ones(1), np.array([1e9]), 1, np.zeros(1))
    assert found.tolist() == [told]


def test_a_light_without_a_usable_frame_is_shot_twice(synthetic: ModuleType) -> None:
    readings = synthetic.simulate(np.random.default_rng(1), np.zeros((2, 3)), repeats=4, scatter=0.2)
    readings.loc[(readings["head"] == "B") & (readings["stops"] == 1), "status"] = "rejected"
    drift = analyse(readings, synthetic.make_session())
    assert deciding_rounds(drift, ONLY_MIRED, np.array([1])).rounds[4] == 2
