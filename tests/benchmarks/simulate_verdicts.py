"""How often intervals hold the truth and verdicts are wrong, where a test is not ideal.

`python tests/benchmarks/simulate_verdicts.py readings|raw|list [--sessions N] [--seed S] [--only NAME ...] [--jobs J]`

Sessions are simulated here from known truths, as readings or as raw files; nothing of the product makes them, it only
reads them. Every session has
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
    flag, lost      share of flash frames in doubt; sessions with a rejected frame (from raw files)
    s               seconds a session
"""

import argparse
import os
import struct
import time
import zlib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from functools import partial
from itertools import pairwise
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

os.environ |= dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"), "1")  # read when numpy is loaded

import numpy as np
import pandas as pd

import greystep
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
            ``energy`` of flashes and dumps where `energy` says so, else by every flash alike; a rest cools it.
            `warm_heads` names those that warm up; blank for all.
        full: Green counts of the card at full power, and `read` noise [counts]; of raw files alone.
        black, black_common: A doubt of black level for every cell; the same for all, growing with stops.
        lamp: Room light [% of the patch at full] that comes on before a random frame; `ambients`
            says where flash-off frames are: first, last and after each head ("heads"), first and last ("ends"), or
            "first" alone.
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
    ambients: str = "heads"
    output: float = 0.01
    full: float = 9000.0
    read: float = 2.0


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
        found[f"lamp {lamp:g} % first and last"] = Condition(own, Stress(lamp=lamp, ambients="ends"))
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


@dataclass
class Lights:
    """What each frame of a session shows [mired, Duv, stops below the head's full] and the doubt of black behind it."""

    shots: Shots
    mired: np.ndarray
    duv: np.ndarray
    output: np.ndarray
    u_black: np.ndarray


def simulate(
    condition: Condition, shape: str, rng: np.random.Generator, shots: Shots | None = None
) -> tuple[Lights, Truth]:
    """Make the light of every frame of one session, and its truth; of these shots, if they are given."""
    plan, stress = condition.plan, condition.stress
    shots = shoot(plan, rng) if shots is None else shots
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
    output = -power + stress.output * rng.standard_normal(n)
    moves = np.array([np.ptp(light[rows]) for rows in tested])
    names = frozenset({chr(65 + odd)}) if form in ("head", "slope") and float(size) > LIMIT_MIRED else frozenset[str]()
    may = names | {chr(65 + one) for one in stress.warm_heads if stress.tau == 0 and plan.order != "plain"}
    shot = np.zeros((many, plan.powers), dtype=bool)
    shot[head, power] = True
    truth = Truth(np.where(shot, cells, np.nan), moves, warmth, names, may)
    return Lights(shots, light + error, duv, output, u_black), truth


def warm_up(plan: Plan, stress: Stress, shots: Shots) -> np.ndarray:
    """Return what each shot reads above its head's first [mired]."""
    heat = np.zeros(len(shots.head))
    if not stress.warm:
        return heat
    for head in stress.warm_heads or range(int(shots.head.max()) + 1):
        mine = np.flatnonzero(shots.head == head)
        rows = mine[~shots.check[mine]] if not shots.check[mine].all() else mine
        clock = shots.seconds[mine] / SHOT_S
        if stress.tau == 0:
            level = np.interp(clock, *(shots.seconds[rows[[0, -1]]] / SHOT_S, [0.0, 1.0]))
        elif stress.energy:  # every flash and every dump heats the head
            energy, down = 2.0 ** -shots.power[mine], np.flatnonzero(np.diff(shots.power[mine]) > 0)
            when = np.append(clock, (clock[down] + clock[down + 1]) / 2)
            age = clock[:, None] - when[None, :]
            level = np.where(age > 0, np.exp(-np.maximum(age, 0.0) / stress.tau), 0.0) @ np.append(energy, energy[down])
        else:  # every flash heats it alike
            level, fade = np.zeros(len(mine)), np.exp(-np.diff(clock) / stress.tau)
            for shot, left in enumerate(fade):
                level[shot + 1] = (level[shot] + np.expm1(1.0 / stress.tau)) * left
        tested = level[np.isin(mine, rows)]
        heat[mine] = stress.warm * (level - tested[0]) / max(np.ptp(tested), 1e-9)
    return heat


def serial(head: np.ndarray, lag: float, rng: np.random.Generator) -> np.ndarray:
    """Return scatter of unit size in which each shot of a head remembers the one before."""
    fresh = rng.standard_normal(len(head))
    for one in np.unique(head) if lag else ():
        rows = np.flatnonzero(head == one)
        for before, row in pairwise(rows):
            fresh[row] = lag * fresh[before] + np.sqrt(1.0 - lag**2) * fresh[row]
    return fresh


def as_readings(condition: Condition, lights: Lights, rng: np.random.Generator) -> pd.DataFrame:
    """Make the readings of a session without its frames."""
    shots, power, n = lights.shots, lights.shots.power, len(lights.mired)
    start = np.datetime64("2026-03-02T09:00:00.000", "ms")
    uv = FLASH_UV[:, None] + UV_OF @ np.array([lights.mired - FIRST_MIRED, lights.duv - DUV])
    u_mired = np.hypot(2.0 * FRAME_MIRED, lights.u_black)
    effects = ("mired", "duv", "u_prime", "v_prime", "output_stops")
    readings = pd.DataFrame(
        {
            "frame": [f"f{row:04d}.dng" for row in range(n)],
            "head": [chr(65 + number) for number in shots.head],
            "pack": "",
            "power": [f"1/{2**number}" for number in power],
            "stops": power.astype(np.float64),
            "kind": "flash",
            "captured": np.datetime_as_string(start + (1000 * shots.seconds).astype("timedelta64[ms]")),
            "shot": np.arange(n),
            "body": [f"Invented {number}" for number in shots.head % condition.plan.bodies],
            "exposure_s": 0.008,
            "f_number": 11.0,
            "iso": 100.0,
            "signal_g": 8000.0 * 2.0**-power,
            "u_signal_g": 4.0 * 2.0 ** (-power / 2),
            "u_prime": uv[0],
            "v_prime": uv[1],
            "cct_k": 1e6 / lights.mired,
            "duv": lights.duv,
            "mired": lights.mired,
            "u_cct_k": 2.0,
            "u_duv": DUV_PER_MIRED * u_mired,
            "u_mired": u_mired,
            "output_stops": lights.output,
            "status": "ok",
            "flags": "",
            "note": np.where(shots.check, "check frame", ""),
            "u_mired_frame": 2.0 * FRAME_MIRED,
            "u_mired_ambient": 0.0,
            "u_mired_black": lights.u_black,
            "room": -1,
            "room_share": np.nan,
            **{f"room_{name}": np.nan for name in effects},
            "room_proven": True,
            "u_duv_ambient": 0.0,
            "u_duv_black": DUV_PER_MIRED * lights.u_black,
        }
    )
    if condition.stress.lamp:
        light_the_lamp(readings, condition.stress, shots, rng)
    return readings


def light_the_lamp(readings: pd.DataFrame, stress: Stress, shots: Shots, rng: np.random.Generator) -> None:
    """Switch a lamp on before a frame of a stretch between two flash-off frames; the moment is not known to the reader.

    In the stretch the chance that it was on is taken off; before and after it all of it.
    """
    n, stretch = len(shots.head), stretches(shots, stress)
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


def stretches(shots: Shots, stress: Stress) -> np.ndarray:
    """Number the frames between flash-off frames: one follows each head, so that its checks and block lie between."""
    after = np.diff(shots.check.astype(int), prepend=0) == 1
    if not shots.check.any():
        after = np.diff(shots.occasion, prepend=0) > 0
    return np.cumsum(after) * int(stress.ambients == "heads")


def filled(n: int, rows: np.ndarray, values: np.ndarray) -> np.ndarray:
    column = np.full(n, np.nan)
    column[rows] = values
    return column


# --- the same session as raw files -----------------------------------------------------------------------------------

#: XYZ to camera of an invented body; its raw values.
MATRIX = np.array([[0.82, -0.21, -0.07], [-0.47, 1.25, 0.20], [-0.10, 0.19, 0.66]])
BLACK, WHITE, COUNTS_PER_ELECTRON = 512, 15600, 0.5
SIDE, CARD = 128, slice(32, 96)  # pixels
CFA = np.array([[0, 1], [1, 2]])  # red green over green blue
ROOM = 0.0002  # steady room light, a share of the card at full
LAMP_XY = np.array([0.44758, 0.40745])  # illuminant A (CIE 15)


def camera_rgb(xy: np.ndarray) -> np.ndarray:
    """Return what the camera makes of chromaticities (n, 2), green 1 (n, 3)."""
    x, y = xy.T
    rgb = (MATRIX @ np.array([x / y, np.ones(len(x)), (1.0 - x - y) / y])).T
    return np.asarray(rgb / rgb[:, 1:2])


Entry = tuple[int, int, list[int] | str]  # tag, type, values
_PLANCK: list[tuple[np.ndarray, np.ndarray]] = []


def planckian_uv(mired: np.ndarray) -> np.ndarray:
    """Return CIE 1960 uv (2, n) of black bodies: Planck's law over the CIE 1931 observer, 1 nm."""
    if not _PLANCK:
        import colour

        observer = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
        _PLANCK.append((np.asarray(observer.wavelengths), np.asarray(observer.values)))
    nm, observed = _PLANCK[0]
    spectrum = nm[:, None] ** -5.0 / np.expm1(1.438776877e7 * mired * 1e-6 / nm[:, None])  # c2 of CODATA 2018
    x, y, z = observed.T @ spectrum
    return np.asarray(np.array([4.0 * x, 6.0 * y]) / (x + 15.0 * y + 3.0 * z))


def xy_of(mired: np.ndarray, duv: np.ndarray) -> np.ndarray:
    """Return chromaticities (n, 2): Duv across the black bodies' line in uv, greener positive."""
    uv, along = planckian_uv(mired), planckian_uv(mired + 0.01) - planckian_uv(mired - 0.01)
    u, v = uv + duv * np.array([-along[1], along[0]]) / np.hypot(*along) * np.sign(along[0])
    return np.asarray(np.array([3.0 * u, 2.0 * v]).T / (2.0 * u - 8.0 * v + 4.0)[:, None])


def write_session(folder: Path, condition: Condition, lights: Lights, rng: np.random.Generator) -> None:
    """Write frames and log: a card on an uneven ground, steady room light, and the lamp from a random row on."""
    stress, shots, n = condition.stress, lights.shots, len(lights.mired)
    frames = folder / "frames"
    frames.mkdir(parents=True)
    scene = np.kron(rng.uniform(0.08, 0.4, (SIDE // 4, SIDE // 4)), np.ones((4, 4)))
    scene[CARD, CARD] = 1.0
    site = np.tile(CFA, (SIDE // 2, SIDE // 2))
    flash = stress.full * 2.0 ** lights.output[:, None] * camera_rgb(xy_of(lights.mired, lights.duv))
    lamp = stress.full * camera_rgb(LAMP_XY[None, :])[0]
    on = int(rng.integers(n)) if stress.lamp else n
    lines = ["frame,head,power,kind,note"]

    def add(light: np.ndarray, seconds: float, row: str, body: int, lit: bool) -> None:
        room = (ROOM + stress.lamp / 100.0 * lit) * lamp
        electrons = rng.poisson(scene * (light + room)[site] / COUNTS_PER_ELECTRON)
        counts = BLACK + COUNTS_PER_ELECTRON * electrons + stress.read * rng.standard_normal(site.shape)
        name = f"f{len(lines):04d}.dng"
        pixels = np.clip(np.rint(counts), 0, WHITE).astype("<u2")
        (frames / name).write_bytes(dng(pixels, seconds, body))
        lines.append(f"{name},{row}")

    stretch = stretches(shots, replace(stress, ambients="heads"))
    dark = np.zeros(3)
    for body in range(condition.plan.bodies):
        add(dark, shots.seconds[0] + 10.0, ",,ambient,", body, False)
    for row in range(n):
        head, power, body = shots.head[row], shots.power[row], shots.head[row] % condition.plan.bodies
        if stress.ambients == "heads" and row and stretch[row] != stretch[row - 1]:
            add(
                dark, shots.seconds[row - 1] + 15.0, ",,ambient,", shots.head[row - 1] % condition.plan.bodies, row > on
            )
        note = "check frame" if shots.check[row] else ""
        add(flash[row], shots.seconds[row] + 20.0, f"{chr(65 + head)},1/{2**power},flash,{note}", body, row >= on)
    for body in range(condition.plan.bodies if stress.ambients != "first" else 0):
        add(dark, shots.seconds[-1] + 30.0, ",,ambient,", body, on < n)
    (folder / "shots.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")


def dng(pixels: np.ndarray, seconds: float, body: int, iso: int = 100) -> bytes:
    """Return a DNG file: one directory, its EXIF, the pixels in one strip."""
    height, width = pixels.shape
    clock = datetime(2026, 3, 2, 9, tzinfo=UTC) + timedelta(seconds=round(seconds, 2))
    date, hundredths = f"{clock:%Y:%m:%d %H:%M:%S}", f"{clock.microsecond // 10000:02d}"
    exif: list[Entry] = [
        (33434, 5, [1, 125]), (33437, 5, [11, 1]), (34855, 3, [iso]), (36867, 2, date), (37521, 2, hundredths),
        (42033, 2, f"{body:04d}"),
    ]  # fmt: skip
    matrix = [part for value in MATRIX.ravel() for part in (round(value * 10**7), 10**7)]
    main: list[Entry] = [
        (254, 4, [0]), (256, 4, [width]), (257, 4, [height]), (258, 3, [16]), (259, 3, [1]), (262, 3, [32803]),
        (271, 2, "Nobody"), (272, 2, "Cube"), (273, 4, [0]), (277, 3, [1]), (278, 4, [height]),
        (279, 4, [pixels.nbytes]), (33421, 3, [2, 2]), (33422, 1, CFA.ravel().tolist()), (34665, 4, [0]),
        (50706, 1, [1, 4, 0, 0]), (50708, 2, "Nobody Cube"), (50714, 3, [BLACK]), (50717, 4, [WHITE]),
        (50721, 10, matrix), (50778, 3, [21]),
    ]  # fmt: skip
    at = 8 + len(directory(8, main))  # where the EXIF stands; its length does not change with what it says
    behind = at + len(directory(at, exif))
    placed: dict[int, list[int] | str] = {273: [behind], 34665: [at]}
    main = [(tag, kind, placed.get(tag, value)) for tag, kind, value in main]
    return b"II*\0\x08\0\0\0" + directory(8, main) + directory(at, exif) + pixels.tobytes()


def directory(at: int, entries: Sequence[Entry]) -> bytes:
    """Return a TIFF directory that begins `at` bytes into the file, long values behind it."""
    codes = {1: "B", 3: "H", 4: "I", 5: "I", 10: "i"}
    rows, values = struct.pack("<H", len(entries)), b""
    behind = at + 2 + 12 * len(entries) + 4
    for tag, kind, value in entries:
        if isinstance(value, str):
            data, count = value.encode("ascii") + b"\0", len(value) + 1
        else:
            data = struct.pack(f"<{len(value)}{codes[kind]}", *value)
            count = len(value) // 2 if kind in (5, 10) else len(value)
        if len(data) > 4:
            rows += struct.pack("<HHII", tag, kind, count, behind + len(values))
            values += data + bytes(len(data) % 2)
        else:
            rows += struct.pack("<HHI", tag, kind, count) + data.ljust(4, b"\0")
    return rows + bytes(4) + values


def raw_conditions() -> dict[str, Condition]:
    """Return conditions that are read from raw files."""
    plan = Plan(4, 4, 3)
    own, two, null = replace(plan, check="own"), ("0", "6 head"), ("0",)
    one = Plan(3, 4, 3, check="own")
    found = {
        "raw clean": Condition(plan, Stress(), ("0", "4 head", "6 head")),
        "raw clean checks": Condition(own, Stress(), ("0", "4 head", "6 head")),
        "raw p1 one head moves 8": Condition(one, Stress(warm=8.0, tau=0.0, warm_heads=(1,)), null),
        "raw warm 9": Condition(own, Stress(warm=9.0), null),
        "raw p2 heat against drift": Condition(Plan(3, 4, 3, order="plain"), Stress(warm=8.0, tau=0.0), ("7 cancel",)),
        "raw p2 one head warms 11": Condition(Plan(3, 4, 3, order="plain"), Stress(warm=11.0, warm_heads=(1,)), null),
        "raw drift 1.5": Condition(own, Stress(drift=1.5), two),
        "raw placement 0.5": Condition(own, Stress(placement=0.5), two),
        "raw drift 1.5 no checks": Condition(plan, Stress(drift=1.5), two),
        "raw dim": Condition(own, Stress(0.1, full=3000.0, read=12.0, ambients="ends"), two),
        "raw no last ambient": Condition(own, Stress(ambients="first"), null),
        "raw p6 two bodies": Condition(Plan(2, 4, 3, bodies=2), Stress(), ("25 head",)),
    }
    for lamp in (0.03, 0.1, 0.5, 2.0):
        found[f"raw lamp {lamp:g} %"] = Condition(own, Stress(lamp=lamp), ("0", "4 head", "6 head"))
        found[f"raw lamp {lamp:g} % first and last"] = Condition(own, Stress(lamp=lamp, ambients="ends"), two)
    return found


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
    raw = raw_conditions()
    condition = (conditions() | raw)[name]
    rng = np.random.default_rng([seed, zlib.crc32(f"{name}/{shape}".encode()), number])
    lights, truth = simulate(condition, shape, rng)
    if name in raw:
        with TemporaryDirectory() as folder:
            write_session(Path(folder) / "kit", condition, lights, rng)
            start = time.perf_counter()
            session = greystep.open_session(Path(folder) / "kit")
            drift, settings, usable = session.drift, session.ingested.settings, session.all_usable
            doubts = session.readings["flags"][session.readings["kind"] == "flash"] != ""
    else:
        readings, settings, usable = as_readings(condition, lights, rng), plain_settings(), True
        start, doubts = time.perf_counter(), readings["flags"] != ""
        drift = analyse(readings, settings)
        if condition.kept_only and not drift.heads["warmup_kept"].any():
            return None
    judged = judge(drift, settings.tolerance)
    spent = time.perf_counter() - start
    return score(drift, judged, truth) | {"flag": float(doubts.mean()), "lost": float(not usable), "s": spent}


_SETTINGS: list[Settings] = []


def plain_settings() -> Settings:
    """Return the settings of a session that says nothing, so that all defaults stand."""
    if not _SETTINGS:
        with TemporaryDirectory() as folder:
            (Path(folder) / "frames").mkdir()
            _SETTINGS.append(load_settings(Path(folder)))
    return _SETTINGS[0]


COVERED = ("pair", "duv", "cell", "abs", "span", "slope", "warm")
COLUMNS = (
    *COVERED,
    "U",
    "out!",
    "in!",
    "kit+",
    "kit-",
    "odd",
    "col+",
    "kept",
    "back",
    "call",
    "pin",
    "flag",
    "lost",
    "s",
)
MOST_FOR_KEPT = 40  # sessions made for each that counts


def run(one: Any, names: Mapping[str, Sequence[str]], sessions: int, seed: int, jobs: int, wide: bool) -> None:
    """Run conditions and print a row for each and each of its truths, as it is ready."""
    print(f"seed {seed}, {sessions} sessions a row, analysed by {greystep.__file__}")
    print(f"{'condition':<32}{'true':<10}{'n':>5}" + "".join(f"{name:>6}" for name in COLUMNS), flush=True)
    with ProcessPoolExecutor(jobs) as pool:
        for name, shapes in names.items():
            for shape in shapes:
                found = gather(pool, partial(one, name, shape, seed), sessions, conditions_kept(name))
                print(told(name, shape, found, wide), flush=True)


def conditions_kept(name: str) -> bool:
    return (conditions() | raw_conditions())[name].kept_only


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
    line = f"{name:<32}{shape:<10}{len(found):>5}" + "".join(cells)
    if wide:  # standard errors, since the intervals of one session fail together
        line += (
            "\n"
            + " " * 47
            + "".join(f"{100 * float(found[column].std()) / len(found) ** 0.5:6.1f}" for column in COVERED)
        )
    return line


def main(arguments: Sequence[str] | None = None) -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("level", choices=("readings", "raw", "list"))
    parser.add_argument("--sessions", type=int, default=300)
    parser.add_argument("--seed", type=int, default=11)
    parser.add_argument("--only", nargs="*", default=[], help="conditions whose name begins so")
    parser.add_argument("--true", nargs="*", default=[], help="truths, such as 0 or '6 head'")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--errors", action="store_true", help="standard errors below each row")
    given = parser.parse_args(arguments)
    known = {"readings": conditions(), "raw": raw_conditions()}.get(given.level, conditions() | raw_conditions())
    chosen = dict(wanted(known, given.only, given.true))
    if given.level == "list":
        for name, shapes in chosen.items():
            print(f"{name}: {', '.join(shapes)}; {known[name].plan}; {known[name].stress}")
        return
    run(one_session, chosen, given.sessions, given.seed, given.jobs, given.errors)


def wanted(
    known: Mapping[str, Condition], only: Sequence[str], true: Sequence[str]
) -> Iterator[tuple[str, tuple[str, ...]]]:
    for name, condition in known.items():
        if not only or any(name.removeprefix("raw ").startswith(one) for one in only):
            yield name, tuple(shape for shape in condition.shapes if not true or shape in true)


if __name__ == "__main__":
    main()
