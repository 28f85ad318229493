"""How often intervals hold the truth and verdicts are wrong, where a test is not ideal.

`python tests/benchmarks/simulate_verdicts.py readings [--sessions N] [--seed S] [--only NAME ...] [--jobs J]`

Sessions are simulated here from known truths; nothing of the product makes them, it only reads them. Every session has
its own generator, seeded by (seed, name of the condition, number), so that one session can be made again alone.

A light's truth is what its head gives at its mean heat over the frames of the test, without camera, room and stand. A
pair, a cell (against its head's own highest power, and by itself), a span and a slope follow from it.

Columns of the tables, in per cent unless said otherwise:
    pair, duv, cell, abs, span, slope, warm    intervals that hold the truth: pairs in mired and in Duv, cells against
                    their own reference, cells by themselves in the frame of the session (drift of the camera taken at
                    its mean), spans and slopes in mired, warm-up from the first shot to the hottest
    U               median half-width of a pair [mired]
    out!, in!       sessions with a false ``outside`` (a pair or head that is called so or goes back, and is not), and
                    with a false ``within`` (the kit, or a head whose own frames or powers move by the limit or more)
    kit+, kit-, odd sessions whose kit is called within, outside; sessions that send back exactly the heads that are odd
    col+            sessions in which the colour of every head and pair is called within
    kept, back      sessions in which a warm-up term is kept; in which some head goes back
    call            sessions in which some head is called, one way or the other, or goes back
    pin             share of pairs called within
    s               seconds a session
"""

import argparse
import os
import sys
import time
import zlib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from itertools import pairwise
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

os.environ |= dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"), "1")  # read when numpy is loaded

import numpy as np
import pandas as pd

from greystep.compare.drift import Drift, analyse
from greystep.compare.verdict import Judged, judge
from greystep.session.settings import Settings, load_settings

SHOT_S, HEAD_S = 9.0, 150.0
FIRST_MIRED = 178.6
DUV, DUV_PER_MIRED = 0.0005, 0.0001 / 0.6  # scatter in Duv goes with that in mired
FRAME_MIRED = 0.05  # a frame's own noise, k = 1; it is part of the scatter
LIMIT_MIRED, LIMIT_DUV = 4.0, 0.0010
LAMP_UV, FLASH_UV = np.array([0.2560, 0.5243]), np.array([0.2045, 0.4800])  # u'v' of illuminant A (CIE 15), of 5600 K
LAMP_WEIGHT = (0.44758 * -2 + 12 * 0.40745 + 3) / 0.40745 / ((0.3302 * -2 + 12 * 0.3410 + 3) / 0.3410)  # at equal Y
UV_OF = np.array([[0.00040, -0.3], [0.00025, 1.2]])  # d(u'v') by mired and Duv near 5600 K


@dataclass(frozen=True)
class Plan:
    """What is shot: `check` is "own" (two frames of the first head at full before each other head, and at the end),
    "apart" (those of a further head on a stand of its own) or blank."""

    heads: int = 4
    powers: int = 5
    legs: int = 3
    order: str = "by-head"  # or shuffled, plain
    check: str = ""
    bodies: int = 1
    warm_shots: int = 0


@dataclass(frozen=True)
class Stress:
    """What is not ideal [mired], k = 1.

    Attributes:
        spread: The scatter grows by this factor from full to the lowest power.
        drift, walk: Of the camera or mains over the test: along a line, or at random.
        placement, stand: Of each block and visit of the check head; of each head alone, so that no check frame sees it.
        serial: Correlation of a shot's scatter with the next of its head.
        warm: Warm-up of every head from its first to its hottest shot; `tau` in shots, 0 for a straight line; by the
            ``energy`` of the flashes where `energy` says so. `warm_heads` names those that warm up; blank for all.
        black, black_common: A doubt of black level for every cell; the same for all, growing with stops.
        lamp: Room light [% of the patch at full] that comes on before a random frame; `ambients` says whether a
            flash-off frame follows each head.
        output: Scatter of output [stops].
    """

    scatter: float = 0.3
    spread: float = 1.0
    drift: float = 0.0
    walk: float = 0.0
    placement: float = 0.0
    stand: float = 0.0
    serial: float = 0.0
    warm: float = 0.0
    tau: float = 5.0
    energy: bool = False
    warm_heads: tuple[int, ...] = ()
    black: float = 0.0
    black_common: float = 0.0
    lamp: float = 0.0
    ambients: bool = True
    output: float = 0.01


@dataclass(frozen=True)
class Condition:
    """`shapes` are the truths: "0", or a size with its shape, such as "4 head", "6 slope"."""

    plan: Plan
    stress: Stress
    shapes: tuple[str, ...] = ("0", "4 head", "4 slope", "6 head", "6 slope")
    kept_only: bool = False


@dataclass(frozen=True)
class Truth:
    """Of one session: mired by head and power (h, p), how far a head's own frames move (h,), warm-up from the first to
    the hottest shot (h,), the heads that are odd, and those that may go back."""

    mired: np.ndarray
    moves: np.ndarray
    warm: np.ndarray
    odd: frozenset[str]
    may: frozenset[str]
    limit: float = LIMIT_MIRED


def conditions() -> dict[str, Condition]:
    four, six = Plan(), Plan(6, 7, 5)
    own, apart = replace(four, check="own"), replace(four, check="apart")
    shuffled = replace(four, order="shuffled")
    big, plain = replace(six, check="own"), Plan(3, 5, 3, order="plain")
    null = ("0",)
    found = {
        "clean": Condition(four, Stress()),
        "clean 0.6": Condition(four, Stress(0.6)),
        "clean x2": Condition(replace(four, legs=2), Stress()),
        "clean 6x7x5": Condition(six, Stress()),
        "clean 6x7x5 0.6": Condition(six, Stress(0.6)),
        "clean checks": Condition(own, Stress()),
        "clean checks apart": Condition(apart, Stress()),
        "clean checks 6x7x5": Condition(big, Stress()),
        "clean shuffled": Condition(shuffled, Stress()),
        "clean shuffled checks": Condition(replace(shuffled, check="apart"), Stress()),
        "drift 1.5": Condition(own, Stress(drift=1.5)),
        "drift 1.5 apart": Condition(apart, Stress(drift=1.5)),
        "drift 1.5 0.6": Condition(own, Stress(0.6, drift=1.5)),
        "drift 1.5 6x7x5": Condition(big, Stress(drift=1.5)),
        "drift 4.5": Condition(own, Stress(drift=4.5)),
        "drift 1.5 walk": Condition(own, Stress(walk=1.5)),
        "drift 1.5 shuffled": Condition(shuffled, Stress(drift=1.5)),
        "drift 1.5 shuffled checks": Condition(replace(shuffled, check="apart"), Stress(drift=1.5)),
        "drift 1.5 no checks": Condition(four, Stress(drift=1.5)),
        "placement 0.5": Condition(own, Stress(placement=0.5)),
        "placement 0.5 apart": Condition(apart, Stress(placement=0.5)),
        "placement 0.5 6x7x5": Condition(big, Stress(placement=0.5)),
        "placement 0.5 no checks": Condition(four, Stress(placement=0.5)),
        "stand 0.5": Condition(own, Stress(stand=0.5)),
        "drift and placement": Condition(own, Stress(drift=1.5, placement=0.5)),
        "serial 0.6": Condition(own, Stress(serial=0.6)),
        "serial 0.6 scatter 0.6": Condition(own, Stress(0.6, serial=0.6)),
        "serial 0.6 6x7x5": Condition(big, Stress(serial=0.6)),
        "serial 0.6 no checks": Condition(four, Stress(serial=0.6)),
        "kept by chance": Condition(four, Stress(), null, kept_only=True),
        "warm 9 shots": Condition(own, Stress(warm=9.0), null),
        "warm 9 shots 6x7x5": Condition(big, Stress(warm=9.0, tau=11.67), null),
        "warm 9 energy": Condition(own, Stress(warm=9.0, tau=7.0, energy=True), null),
        "warm 2": Condition(own, Stress(warm=2.0)),
        "spread x5": Condition(own, Stress(spread=5.0)),
        "spread x5 no checks": Condition(four, Stress(spread=5.0)),
        "spread x5 6x7x5": Condition(big, Stress(spread=5.0)),
        "black 0.3": Condition(own, Stress(black=0.3)),
        "black 0.3 legs 5": Condition(replace(four, legs=5), Stress(black=0.3)),
        "black 0.3 common": Condition(own, Stress(black_common=0.3)),
        "p1 one head moves 8": Condition(Plan(3, 5, 3, check="own"), Stress(warm=8.0, tau=0.0, warm_heads=(1,)), null),
        "p2 heat against drift": Condition(plain, Stress(warm=8.0, tau=0.0), ("7 cancel",)),
        "p2 one head warms 11": Condition(plain, Stress(warm=11.0, warm_heads=(1,)), null),
        "p6 two bodies": Condition(Plan(2, 5, 3, bodies=2), Stress(), ("25 head",)),
        "p6 output 0.03": Condition(own, Stress(output=0.03), null),
        "p6 output 0.03 no checks": Condition(four, Stress(output=0.03), null),
    }
    for lamp in (0.03, 0.1, 0.5, 2.0):
        found[f"lamp {lamp:g} %"] = Condition(own, Stress(lamp=lamp))
        found[f"lamp {lamp:g} % first and last"] = Condition(own, Stress(lamp=lamp, ambients=False))
    return found


# --- one session of readings ----------------------------------------------------------------------------------------


@dataclass
class Shots:
    """The frames in their order of capture, arrays of one length."""

    head: np.ndarray
    power: np.ndarray
    check: np.ndarray
    occasion: np.ndarray
    seconds: np.ndarray


def shoot(plan: Plan, rng: np.random.Generator) -> Shots:
    """Put a test into the order in which it is shot; an occasion is a block, a round or a visit of checks."""
    rows: list[tuple[int, int, bool, int, float]] = []
    clock, occasion = 0.0, -1
    reference = 0 if plan.check == "own" else plan.heads

    def add(cells: Iterable[tuple[int, int]], check: bool = False) -> None:
        nonlocal clock, occasion
        occasion += 1
        for head, power in cells:
            rows.append((head, power, check, occasion, clock))
            clock += SHOT_S

    down = np.arange(plan.powers)
    if plan.order == "shuffled":
        every = [(head, power) for head in range(plan.heads) for power in down]
        for _ in range(plan.legs):
            if plan.check:
                add([(reference, 0)] * 2, check=True)
            add([every[place] for place in rng.permutation(len(every))])
    else:
        for head in range(plan.heads):
            if plan.check and head != reference:
                add([(reference, 0)] * 2, check=True)
            clock += HEAD_S * (head > 0)
            sign = 1 if rng.integers(2) else -1
            legs = [down[:: sign * (-1) ** leg] for leg in range(plan.legs)]
            order = np.repeat(down, plan.legs) if plan.order == "plain" else np.concatenate(legs)
            add((head, int(power)) for power in order)
    if plan.check:
        add([(reference, 0)] * 2, check=True)
    columns = list(zip(*rows, strict=True))
    return Shots(*(np.array(column) for column in columns))


def simulate(condition: Condition, shape: str, rng: np.random.Generator) -> tuple[pd.DataFrame, Truth]:
    """Make the readings of one session, and its truth."""
    plan, stress = condition.plan, condition.stress
    shots = shoot(plan, rng)
    head, power, n = shots.head, shots.power, len(shots.head)
    many = int(head.max()) + 1
    offsets = np.zeros((many, plan.powers))
    size, _, form = shape.partition(" ")
    odd = 1 if plan.heads > 1 else 0
    if form == "cancel":
        offsets[: plan.heads] = -float(size) * np.linspace(0, 1, plan.powers)
    elif form:
        offsets[odd] = float(size) * (np.ones(plan.powers) if form == "head" else np.linspace(0, 1, plan.powers))
    heat = warm_up(plan, stress, shots)
    light = FIRST_MIRED + offsets[head, power] + heat
    tested = [np.flatnonzero((head == one) & ~shots.check) for one in range(many)]
    tested = [rows if len(rows) else np.flatnonzero(head == one) for one, rows in enumerate(tested)]
    cells = FIRST_MIRED + offsets + np.array([heat[rows].mean() for rows in tested])[:, None]
    warmth = np.array([heat[rows].max() - heat[rows[0]] for rows in tested])

    sd = stress.scatter * stress.spread ** (power / max(plan.powers - 1, 1))
    error = sd * serial(head, stress.serial, rng)
    duv = DUV + DUV_PER_MIRED * sd * serial(head, stress.serial, rng)
    along = (shots.seconds - shots.seconds.mean()) / max(np.ptp(shots.seconds), 1.0)
    error += stress.drift * along
    path = np.cumsum(rng.standard_normal(n) * np.sqrt(np.diff(shots.seconds, prepend=0.0) / np.ptp(shots.seconds)))
    error += stress.walk * (path - path.mean())
    error += stress.placement * rng.standard_normal(int(shots.occasion.max()) + 1)[shots.occasion]
    error += stress.stand * rng.standard_normal(many)[head]
    u_black = np.zeros(n)
    if stress.black:
        of_cell = rng.standard_normal((2, many, plan.powers))[:, head, power]
        error, duv = error + stress.black * of_cell[0], duv + DUV_PER_MIRED * stress.black * of_cell[1]
        u_black += 2.0 * stress.black
    if stress.black_common:
        grown = stress.black_common * 2.0 ** (power - plan.powers + 1.0)
        error, u_black = error + grown * rng.standard_normal(), u_black + 2.0 * grown
    readings = table(plan, head, power, light + error, duv, shots)
    readings["output_stops"] = -power + stress.output * rng.standard_normal(n)
    readings["u_mired_black"], readings["u_duv_black"] = u_black, DUV_PER_MIRED * u_black
    readings["u_mired"] = np.hypot(2.0 * FRAME_MIRED, u_black)
    readings["u_duv"] = DUV_PER_MIRED * readings["u_mired"]
    if stress.lamp:
        light_the_lamp(readings, stress, shots, rng)
    moves = np.array([np.ptp(light[rows]) for rows in tested])
    names = frozenset({chr(65 + odd)}) if form in ("head", "slope") and float(size) > LIMIT_MIRED else frozenset[str]()
    shot = np.zeros((many, plan.powers), dtype=bool)
    shot[head, power] = True
    may = names | {chr(65 + one) for one in stress.warm_heads if stress.tau == 0 and plan.order != "plain"}
    return readings, Truth(np.where(shot, cells, np.nan), moves, warmth, names, may)


def warm_up(plan: Plan, stress: Stress, shots: Shots) -> np.ndarray:
    """Return what each shot reads above its head's first [mired]."""
    heat = np.zeros(len(shots.head))
    if not stress.warm:
        return heat
    for head in stress.warm_heads or range(int(shots.head.max()) + 1):
        rows = np.flatnonzero((shots.head == head) & ~shots.check)
        mine = np.flatnonzero(shots.head == head)
        if not len(rows):
            continue
        if stress.energy:  # every flash of the head and every dump heats it, its rest cools it
            clock, energy = shots.seconds[mine] / SHOT_S, 2.0 ** -shots.power[mine]
            down = np.flatnonzero(np.diff(shots.power[mine]) > 0)
            when = np.append(clock, (clock[down] + clock[down + 1]) / 2)
            age = clock[:, None] - when[None, :]
            level = np.where(age > 0, np.exp(-np.maximum(age, 0.0) / stress.tau), 0.0) @ np.append(energy, energy[down])
            level = level[np.isin(mine, rows)]
            heat[rows] = stress.warm * (level - level[0]) / (level.max() - level[0])
        else:
            shot = np.arange(len(rows))
            straight = shot / max(len(rows) - 1, 1)
            heat[rows] = stress.warm * (straight if stress.tau == 0 else 1.0 - np.exp(-shot / stress.tau))
    return heat


def serial(head: np.ndarray, lag: float, rng: np.random.Generator) -> np.ndarray:
    """Return scatter of unit size in which each shot of a head remembers the one before."""
    fresh = rng.standard_normal(len(head))
    for one in np.unique(head) if lag else ():
        rows = np.flatnonzero(head == one)
        for before, row in pairwise(rows):
            fresh[row] = lag * fresh[before] + np.sqrt(1.0 - lag**2) * fresh[row]
    return fresh


def light_the_lamp(readings: pd.DataFrame, stress: Stress, shots: Shots, rng: np.random.Generator) -> None:
    """Switch a lamp on before a frame of a stretch between two flash-off frames; the moment is not known to the reader.

    In the stretch the chance that it was on is taken off; before and after it all of it.
    """
    n = len(shots.head)
    # With a flash-off frame after each head, its checks and its block make a stretch.
    stretch = np.cumsum(np.diff(shots.check.astype(int), prepend=0) == 1) * int(stress.ambients)
    inside = np.flatnonzero(stretch == stretch[rng.integers(n)])
    share = np.arange(1, len(inside) + 1) / (len(inside) + 1.0)
    on = np.arange(len(inside)) >= rng.integers(len(inside) + 1)
    size = stress.lamp / 100.0 * 2.0 ** shots.power[inside]
    uv = (LAMP_UV - FLASH_UV)[:, None] * LAMP_WEIGHT * size
    mired, duv = np.linalg.solve(UV_OF, uv)
    readings["room"] = -1
    effects = {"mired": mired, "duv": duv, "u_prime": uv[0], "v_prime": uv[1], "output_stops": np.log2(1.0 + size)}
    for name, effect in effects.items():
        column = readings[name].to_numpy(copy=True)
        column[inside] += effect * (on - share)
        readings[name] = column
        readings[f"room_{name}"] = filled(n, inside, effect)
    readings.loc[inside, "room"] = 0
    readings["room_share"] = filled(n, inside, share)
    readings["cct_k"] = 1e6 / readings["mired"]
    for name in ("mired", "duv"):
        u_room = 2.0 * np.nan_to_num(filled(n, inside, np.abs(effects[name]) * np.sqrt(share * (1.0 - share))))
        readings[f"u_{name}"] = np.hypot(readings[f"u_{name}"], u_room)


def filled(n: int, rows: np.ndarray, values: np.ndarray) -> np.ndarray:
    column = np.full(n, np.nan)
    column[rows] = values
    return column


def table(
    plan: Plan, head: np.ndarray, power: np.ndarray, mired: np.ndarray, duv: np.ndarray, shots: Shots
) -> pd.DataFrame:
    n = len(head)
    start = np.datetime64("2026-03-02T09:00:00.000", "ms")
    times = start + (1000 * shots.seconds).astype("timedelta64[ms]")
    uv = FLASH_UV[:, None] + UV_OF @ np.array([mired - FIRST_MIRED, duv - DUV])
    return pd.DataFrame(
        {
            "frame": [f"f{row:04d}.dng" for row in range(n)],
            "head": [chr(65 + number) for number in head],
            "pack": "",
            "power": [f"1/{2**number}" for number in power],
            "stops": power.astype(np.float64),
            "kind": "flash",
            "captured": np.datetime_as_string(times),
            "shot": np.arange(n),
            "body": [f"Invented {number}" for number in head % plan.bodies],
            "exposure_s": 0.008,
            "f_number": 11.0,
            "iso": 100.0,
            "signal_g": 8000.0 * 2.0**-power,
            "u_signal_g": 4.0 * 2.0 ** (-power / 2),
            "u_prime": uv[0],
            "v_prime": uv[1],
            "cct_k": 1e6 / mired,
            "duv": duv,
            "mired": mired,
            "u_cct_k": 2.0,
            "status": "ok",
            "flags": "",
            "note": np.where(shots.check, "check frame", ""),
            "u_mired_frame": 2.0 * FRAME_MIRED,
            "u_mired_ambient": 0.0,
            "u_duv_ambient": 0.0,
            "room": -1,
            "room_share": np.nan,
            **{f"room_{name}": np.nan for name in ("mired", "duv", "u_prime", "v_prime", "output_stops")},
            "room_proven": True,
        }
    )


# --- what came out of it --------------------------------------------------------------------------------------------


def score(drift: Drift, judged: Judged, truth: Truth) -> dict[str, float]:
    """Compare the answers of one session with its truth; a share that has nothing to count is NaN."""
    powers, heads, pairs = drift.powers, judged.heads, judged.pairs
    at = {name: number for number, name in enumerate("ABCDEFGHIJ")}
    row = powers["head"].map(at).to_numpy()
    column = powers["stops"].round().astype(int).to_numpy()
    true, owner = truth.mired[row, column], drift.cells.head
    base = np.where(drift.own_reference >= 0, drift.own_reference, np.arange(len(true)))
    first, second = drift.pair_first, drift.pair_second
    step = true[second] - true[first]
    of_head = heads["head"].map(at).to_numpy()
    span = np.nanmax(truth.mired, axis=1) - np.nanmin(truth.mired, axis=1)
    slopes = np.array([slope(powers, true, owner, number) for number in range(len(heads))])
    several = np.bincount(owner, minlength=len(heads)) > 1
    apart = np.arange(len(true)) != base
    found = {
        "pair": held(pairs, "delta_mired", step),
        "duv": held(pairs, "delta_duv", np.zeros(len(step))),
        "cell": held(powers[apart], "delta_mired", (true - true[base])[apart]),
        "abs": held(powers, "mired", true),
        "span": held(heads[several], "span_mired", span[of_head][several]),
        "slope": held(heads[several], "slope_mired_per_stop", slopes[several]),
        "warm": held(heads[several], "warmup_mired", truth.warm[of_head][several]),
        "U": float(np.nanmedian(pairs["u_delta_mired"])) if len(pairs) else np.nan,
    }
    near, kit = 1e-9, str(judged.kit_verdict)
    back, verdict = set(judged.back), heads["verdict"].to_numpy(object)
    colour = heads["verdict_colour"].to_numpy(object) if "verdict_colour" in heads else verdict
    colour = verdict if (colour == "").all() else colour
    called = pairs["verdict"].to_numpy(object)
    beyond, moved = np.abs(step) >= truth.limit - near, np.maximum(truth.moves, span)[of_head] >= truth.limit - near
    clearly = np.abs(step) > truth.limit + near, np.maximum(truth.moves, span)[of_head] > truth.limit + near
    false_out = ((called == "outside") & ~clearly[0]).any() or ((colour == "outside") & ~clearly[1]).any()
    return found | {
        "out!": float(false_out or bool(back - truth.may)),
        "in!": float((kit == "within" and (beyond.any() or moved.any())) or ((verdict == "within") & moved).any()),
        "kit+": float(kit == "within"),
        "kit-": float(kit == "outside"),
        "odd": float(back == truth.odd),
        "col+": float((colour == "within").all() and (called == "within").all()),
        "kept": float(heads["warmup_kept"].any()),
        "back": float(bool(back)),
        "call": float((verdict != "undecided").any() or bool(back)),
        "pin": float(np.mean(called == "within")) if len(called) else np.nan,
    }


def slope(powers: pd.DataFrame, true: np.ndarray, owner: np.ndarray, head: int) -> float:
    mine = owner == head
    stops, n = powers["stops"].to_numpy()[mine], powers["n"].to_numpy()[mine]
    away = stops - np.average(stops, weights=n)
    return float(np.sum(n * away * true[mine]) / np.sum(n * away**2)) if len(away) > 1 else np.nan


def held(rows: pd.DataFrame, name: str, true: np.ndarray) -> float:
    error, u = np.abs(rows[name].to_numpy(np.float64) - true), rows[f"u_{name}"].to_numpy(np.float64)
    known = np.isfinite(error) & np.isfinite(u)
    return float(np.mean(error[known] <= u[known])) if known.any() else np.nan


def one_session(name: str, shape: str, seed: int, number: int) -> dict[str, float] | None:
    """Simulate, read and score one session; None where only sessions with a kept warm-up count and this has none."""
    condition = conditions()[name]
    rng = np.random.default_rng([seed, zlib.crc32(f"{name}/{shape}".encode()), number])
    readings, truth = simulate(condition, shape, rng)
    settings = plain_settings()
    start = time.perf_counter()
    drift = analyse(readings, settings)
    if condition.kept_only and not drift.heads["warmup_kept"].any():
        return None
    judged = judge(drift, settings.tolerance)
    return score(drift, judged, truth) | {"s": time.perf_counter() - start}


_SETTINGS: list[Settings] = []


def plain_settings() -> Settings:
    """Return the settings of a session that says nothing, so that all defaults stand."""
    if not _SETTINGS:
        with TemporaryDirectory() as folder:
            (Path(folder) / "frames").mkdir()
            _SETTINGS.append(load_settings(Path(folder)))
    return _SETTINGS[0]


COVERED = ("pair", "duv", "cell", "abs", "span", "slope", "warm")
COLUMNS = (*COVERED, "U", "out!", "in!", "kit+", "kit-", "odd", "col+", "kept", "back", "call", "pin", "s")
MOST_FOR_KEPT = 40  # sessions made for each that counts


def run(one: Any, names: Mapping[str, Sequence[str]], sessions: int, seed: int, jobs: int, wide: bool) -> None:
    """Run conditions and print a row for each and each of its truths, as it is ready."""
    print(f"seed {seed}, {sessions} sessions a row, analysed by {sys.modules['greystep'].__file__}")
    print(f"{'condition':<28}{'true':<10}{'n':>5}" + "".join(f"{name:>6}" for name in COLUMNS), flush=True)
    with ProcessPoolExecutor(jobs) as pool:
        for name, shapes in names.items():
            for shape in shapes:
                found = gather(pool, partial(one, name, shape, seed), sessions, conditions_kept(name))
                print(told(name, shape, found, wide), flush=True)


def conditions_kept(name: str) -> bool:
    known = conditions()
    return name in known and known[name].kept_only


def gather(pool: ProcessPoolExecutor, one: Any, sessions: int, kept_only: bool) -> pd.DataFrame:
    rows: list[dict[str, float]] = []
    for start in range(0, sessions * (MOST_FOR_KEPT if kept_only else 1), sessions):
        rows += [row for row in pool.map(one, range(start, start + sessions), chunksize=10) if row is not None]
        if len(rows) >= sessions:
            break
    return pd.DataFrame(rows[:sessions], columns=list(COLUMNS))


def told(name: str, shape: str, found: pd.DataFrame, wide: bool) -> str:
    cells = []
    for column in COLUMNS:
        value = float(found[column].mean())
        scale, digits = (1.0, 2) if column in ("U", "s") else (100.0, 1)
        cells.append("     -" if np.isnan(value) else f"{scale * value:6.{digits}f}")
    line = f"{name:<28}{shape:<10}{len(found):>5}" + "".join(cells)
    if wide:  # standard errors, since the intervals of one session fail together
        line += (
            "\n"
            + " " * 43
            + "".join(f"{100 * float(found[column].std()) / len(found) ** 0.5:6.1f}" for column in COVERED)
        )
    return line


def main(arguments: Sequence[str] | None = None) -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("level", choices=("readings", "list"))
    parser.add_argument("--sessions", type=int, default=300)
    parser.add_argument("--seed", type=int, default=11)
    parser.add_argument("--only", nargs="*", default=[], help="conditions whose name begins so")
    parser.add_argument("--true", nargs="*", default=[], help="truths, such as 0 or '6 head'")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--errors", action="store_true", help="standard errors below each row")
    given = parser.parse_args(arguments)
    chosen = dict(wanted(conditions(), given.only, given.true))
    if given.level == "list":
        for name, shapes in chosen.items():
            print(f"{name}: {', '.join(shapes)}; {conditions()[name].plan}; {conditions()[name].stress}")
        return
    run(one_session, chosen, given.sessions, given.seed, given.jobs, given.errors)


def wanted(
    known: Mapping[str, Condition], only: Sequence[str], true: Sequence[str]
) -> Iterator[tuple[str, tuple[str, ...]]]:
    for name, condition in known.items():
        if not only or any(name.startswith(one) for one in only):
            yield name, tuple(shape for shape in condition.shapes if not true or shape in true)


if __name__ == "__main__":
    main()
